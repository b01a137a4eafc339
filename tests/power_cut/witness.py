"""Looks at databases after a power cut, with an SQLite that is not the program's.

usage: witness.py REFERENCE

Each line on stdin is `ACKNOWLEDGED DATABASE`; each answer is `ok READINGS` or what is wrong. REFERENCE is the same
database after all went well: what is stored is a fact and must be in it byte by byte.
"""

import os
import sqlite3
import sys

FACTS = ("reading", "frame", "value", "dark", "dark_model")


def rows(database, table):
    return {row[0]: row for row in database.execute(f"SELECT * FROM {table}")}


def look(path, acknowledged, reference):
    if not os.path.exists(path):
        return "ok 0" if acknowledged == 0 else "no database"
    database = sqlite3.connect(path, isolation_level=None)
    try:
        database.execute("PRAGMA synchronous=OFF")
        integrity = [row[0] for row in database.execute("PRAGMA integrity_check")]
        if integrity != ["ok"]:
            return f"integrity: {'; '.join(integrity[:3])}"
        tables = {row[0] for row in database.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
        if "reading" not in tables:
            return "ok 0" if acknowledged == 0 else f"no readings, but {acknowledged} were acknowledged"
        # The tables are created together.
        found = {table: rows(database, table) for table in FACTS}
        ids = list(found["reading"])
        if ids != list(range(1, len(ids) + 1)):
            return f"readings are not contiguous: {len(ids)} up to {ids[-1]}"
        last = len(ids)
        if last < acknowledged:
            return f"{last} readings, but {acknowledged} were acknowledged"
        for table in FACTS:
            for key, row in found[table].items():
                if reference[table].get(key) != row:
                    return f"{table} {key} is not what was stored"
        frames = sum(1 for key in reference["frame"] if key // 16 <= last)
        values = sum(1 for key in reference["value"] if key & 0xFFFFFFFFFF <= last)
        if (frames, values) != (len(found["frame"]), len(found["value"])):
            return f"{len(found['frame'])} frames and {len(found['value'])} values of {last} readings, not {frames} and {values}"
        return f"ok {last}"
    except Exception as error:  # Damage shows itself in many ways; all of them are findings.
        return f"sqlite: {error!r}"
    finally:
        database.close()


def main():
    complete = sqlite3.connect(sys.argv[1])
    reference = {table: rows(complete, table) for table in FACTS}
    complete.close()
    for line in sys.stdin:
        acknowledged, path = line.rstrip("\n").split(" ", 1)
        # A finding may have several lines; an answer has one.
        print(" ".join(look(path, int(acknowledged), reference).split()), flush=True)


main()
