"""Reads an `ampledger export --format sqlite` file with Python's own sqlite3.

    read_plain.py FILE    prints JSON: the session, its channels with units, how
                          many samples, the sum of the readings of each column,
                          and the results
"""

import json
import sqlite3
import sys

db = sqlite3.connect(f"file:{sys.argv[1]}?mode=ro&immutable=1", uri=True)
db.row_factory = sqlite3.Row
session = dict(db.execute("SELECT * FROM session").fetchone())
channels = {row["column_name"]: row["unit"] for row in db.execute("SELECT * FROM channel")}
samples = db.execute("SELECT count(*) FROM sample").fetchone()[0]
sums = {name: db.execute(f"SELECT sum({name}) FROM sample").fetchone()[0] for name in channels}
results = {row["name"]: dict(row) for row in db.execute("SELECT * FROM result")}
tags = {row["key"]: row["value"] for row in db.execute("SELECT * FROM tag")}
print(json.dumps({"session": session, "channels": channels, "samples": samples, "sums": sums,
                  "results": results, "tags": tags}))
