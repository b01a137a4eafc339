"""Writes the readings of a database again, one transaction each, with other settings: what the proof has to find wanting.

usage: control.py REFERENCE DATABASE SYNCHRONOUS PSOW

The same tables, rows, page size and acknowledgements as the program's, by SQLite with `PRAGMA synchronous=SYNCHRONOUS`
and `psow=PSOW`.
"""

import os
import sqlite3
import sys

reference, target, synchronous, psow = sys.argv[1:]
source = sqlite3.connect(reference)
database = sqlite3.connect(f"file:{target}?psow={psow}", uri=True, isolation_level=None)
page_size = source.execute("PRAGMA page_size").fetchone()[0]
database.execute(f"PRAGMA page_size={page_size}")
for mark in ("application_id", "user_version"):
    database.execute(f"PRAGMA {mark}={source.execute(f'PRAGMA {mark}').fetchone()[0]}")
database.execute("PRAGMA journal_mode=WAL")
database.execute(f"PRAGMA synchronous={synchronous}")
database.execute("PRAGMA wal_autocheckpoint=1000")
database.execute("BEGIN")
for (sql,) in source.execute("SELECT sql FROM sqlite_master WHERE sql IS NOT NULL AND name NOT LIKE 'sqlite_%'"):
    database.execute(sql)
database.execute("COMMIT")


def copier(table):
    stored = [row[1] for row in source.execute(f"PRAGMA table_xinfo({table})") if row[6] == 0]
    columns = ", ".join(f'"{name}"' for name in stored)
    marks = ", ".join("?" * len(stored))

    def copy(condition, *keys):
        for row in source.execute(f"SELECT {columns} FROM {table} WHERE {condition}", keys):
            database.execute(f"INSERT INTO {table}({columns}) VALUES ({marks})", row)

    return copy


reading, frame, value = copier("reading"), copier("frame"), copier("value")
for (number,) in source.execute("SELECT id FROM reading ORDER BY id").fetchall():
    database.execute("BEGIN IMMEDIATE")
    reading("id = ?", number)
    frame("id >= ? * 16 AND id < (? + 1) * 16", number, number)
    value("reading = ?", number)
    database.execute("COMMIT")
    os.write(1, f"stored {number} again\n".encode())
