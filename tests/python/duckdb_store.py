"""A DuckDB file that the store is compared with, on one thread.

    duckdb_store.py DATABASE

Each line on standard input asks for one thing and gets one number: bytes, or
milliseconds of processor time.
"""

import os
import sys
import time

import duckdb

database = sys.argv[1]
db = duckdb.connect(database)
db.execute("SET threads = 1")
VALUES = ["voltage", "current", "celsius", "watt", "ah"]
IN_BUCKETS = (
    "FROM reading, (SELECT min(t_us) AS lo, max(t_us) AS hi FROM reading) "
    "GROUP BY (t_us - lo) * 2000 // (hi - lo + 1)"
)


def load(csv, time="t_us BIGINT"):
    """A CSV file: microseconds and five values."""
    columns = ", ".join(f"{name} DOUBLE" for name in VALUES)
    db.execute(f"CREATE OR REPLACE TABLE reading ({time}, {columns})")
    db.execute(f"COPY reading FROM '{csv}' (HEADER)")
    db.execute("CHECKPOINT")


def log(csv):
    """The same with seconds."""
    load(csv, "time_s DOUBLE")


def same(csv):
    """What we export, all columns of it."""
    db.execute(f"CREATE OR REPLACE TABLE reading AS FROM read_csv('{csv}')")
    db.execute("CHECKPOINT")


def read():
    """Five hours into columns."""
    db.execute("SELECT * FROM reading WHERE t_us BETWEEN 0 AND 18000000000").fetchnumpy()


def extremes():
    """The least and greatest of one value in each of 2000 buckets."""
    db.execute(f"SELECT min(t_us), min(voltage), max(voltage) {IN_BUCKETS}").fetchnumpy()


def overview():
    """What our overview has: all values, six figures each."""
    each = "count({0}), min({0}), max({0}), sum({0}), first({0}), last({0})"
    figures = ", ".join(each.format(name) for name in VALUES)
    db.execute(f"SELECT min(t_us), {figures} {IN_BUCKETS}").fetchnumpy()


def export(csv):
    """All of it as CSV."""
    db.execute(f"COPY reading TO '{csv}' (HEADER)")


WORDS = {act.__name__: act for act in (load, log, same, read, extremes, overview, export)}
for line in sys.stdin:
    word, *rest = line.split()
    if word == "bytes":
        print(os.path.getsize(database), flush=True)
        continue
    begin = time.process_time()
    WORDS[word](*rest)
    print((time.process_time() - begin) * 1e3, flush=True)
