"""Loads a CSV file into a new DuckDB file, on one thread.

    duckdb_copy.py DATABASE CREATE-TABLE [FILE.csv]

Without a CSV file it does everything else, so that the cost of that is known.
"""

import sys

import duckdb

with duckdb.connect(sys.argv[1]) as db:
    db.execute("SET threads = 1")
    db.execute(sys.argv[2])
    if len(sys.argv) > 3:
        db.execute(f"COPY reading FROM '{sys.argv[3]}' (HEADER)")
