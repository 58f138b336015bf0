"""Says `HAVE n` if the samples with numbers 1 to n are in the store under MNT,
each once, and nothing else; ends with 1 if the store is unsound.
"""

import os
import sqlite3
import sys
import zlib

path = os.path.join(os.environ["MNT"], "bench.db")
if not os.path.exists(path):
    print("HAVE 0")
    sys.exit(0)
db = sqlite3.connect(path)
wrong = [row[0] for row in db.execute("PRAGMA integrity_check") if row[0] != "ok"]
count = db.execute("SELECT count(*) FROM tail").fetchone()[0]
newest = db.execute("SELECT ifnull(max(seq), 0) FROM tail").fetchone()[0]
chunks = "SELECT samples, last_seq, data FROM chunk JOIN chunk_data ON chunk = id"
for samples, last, data in db.execute(chunks):
    count, newest = count + samples, max(newest, last)
    if zlib.crc32(data[4:]) != int.from_bytes(data[:4], "little"):
        wrong.append("a chunk's checksum does not fit")
if count != newest:
    wrong.append(f"{count} samples, the newest has number {newest}")
if wrong:
    print("; ".join(wrong))
    sys.exit(1)
print("HAVE", newest)
