"""Prints the counts of every pixel of a raw frame, summed over its exposures. Needs `pip install pcodec`.

usage: read_frame.py DATABASE READING [BRACKET]        (brackets are counted from 0, the shortest integration time)
"""

import json, sqlite3, sys, zlib  # noqa: E401
from pcodec import standalone

database, reading, bracket = sys.argv[1], int(sys.argv[2]), int((sys.argv + ["0"])[3])
query = "SELECT detail, sums, crc32 FROM frame WHERE id = ?"
detail, sums, crc32 = sqlite3.connect(database).execute(query, [16 * reading + bracket]).fetchone()
assert zlib.crc32(sums, zlib.crc32(detail.encode())) == crc32, "the frame is damaged"
facts, counts = json.loads(detail), standalone.simple_decompress(sums)
print(f"# {len(facts['stamps'])} exposures of {facts['integration_s']} s, shutter {facts['shutter']}", file=sys.stderr)
print(*counts, sep="\n")
