"""What DuckDB takes for the samples in a file: bytes, reading five hours into
columns, an overview in 2000 buckets. One thread, processor time, best of 7."""

import json
import os
import sys
import time

import duckdb

database, csv = sys.argv[1:3]
db = duckdb.connect(database)
db.execute("SET threads = 1")
db.execute(
    "CREATE TABLE reading (t_us BIGINT, voltage DOUBLE, current DOUBLE, celsius DOUBLE, "
    "watt DOUBLE, ah DOUBLE)"
)
db.execute(f"COPY reading FROM '{csv}' (HEADER false)")
db.execute("CHECKPOINT")


def best_ms(query, take):
    best = float("inf")
    for _ in range(7):
        begin = time.process_time()
        take(db.execute(query))
        best = min(best, time.process_time() - begin)
    return best * 1e3


read_ms = best_ms(
    "SELECT * FROM reading WHERE t_us BETWEEN 0 AND 18000000000", lambda found: found.fetchnumpy()
)
overview_ms = best_ms(
    "SELECT (t_us - lo) * 2000 // (hi - lo + 1) AS bucket, min(voltage), max(voltage) "
    "FROM reading, (SELECT min(t_us) AS lo, max(t_us) AS hi FROM reading) GROUP BY bucket",
    lambda found: found.fetchnumpy(),
)
db.close()
print(json.dumps({"bytes": os.path.getsize(database), "read_ms": read_ms, "overview_ms": overview_ms}))
