"""Looks at databases after a power cut, with an SQLite that is not the program's.

usage: witness.py REFERENCE

Each line on stdin is `ACKNOWLEDGED DATABASE`; each answer is `ok READINGS` or what is wrong. REFERENCE is the same
database after all went well: what is stored is a fact and must be in it byte by byte. Rows with a checksum have to match it.
"""

import os
import sqlite3
import struct
import sys
import zlib

FACTS = ("reading", "frame", "value", "dark", "dark_model")
SEALED = ("reading", "value", "window_value", "event", "frame", "dark", "dark_model", "instrument", "daemon_start", "hour_value", "day", "lamp_shapes")


def rows(database, table):
    return {row[0]: row for row in database.execute(f"SELECT * FROM {table}")}


def checksum(names, row):
    """The CRC-32 of the columns of a row that are not NULL: name, zero byte, value, zero byte."""
    covered = bytearray()
    for name, value in zip(names, row):
        if value is None:
            continue
        covered += name.encode() + b"\0"
        if isinstance(value, int):
            covered += struct.pack("<q", value)
        elif isinstance(value, float):
            covered += struct.pack("<d", value)
        else:
            covered += value.encode() if isinstance(value, str) else value
        covered += b"\0"
    return zlib.crc32(covered)


def damaged(database, table):
    """The first row of a table that does not match its checksum, or None. Generated columns are not covered."""
    names = [row[1] for row in database.execute(f"PRAGMA table_info({table})") if row[1] != "row_crc32"]
    columns = ", ".join(f'"{name}"' for name in names)
    for *row, stored in database.execute(f"SELECT {columns}, row_crc32 FROM {table}"):
        if checksum(names, row) != stored:
            return row[0]
    return None


def unconfirmed(database, table, key, newest):
    """Whether a row may be of a transaction whose sync failed: the newest dark or model, which no reading refers to. A power cut
    may leave it on the disk; otherwise another one took its place. Readings are never in doubt: they are stored again as they were."""
    if table not in ("dark", "dark_model") or key != newest:
        return False
    return database.execute(f"SELECT count(*) FROM frame WHERE {table} = ?", (key,)).fetchone() == (0,)


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
                if reference[table].get(key) != row and not unconfirmed(database, table, key, max(found[table])):
                    return f"{table} {key} is not what was stored"
        for table in SEALED:
            key = damaged(database, table)
            if key is not None:
                return f"{table} {key} does not match its checksum"
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
