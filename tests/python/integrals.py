"""Integrates the phases of an export with programs that are not ours.

    integrals.py EXPORT.bdf.csv REPORT.json

REPORT.json is what `ampledger show --json` says of the same session; only the
bounds of its phases are taken from it. Prints, as JSON, for each reader and each
phase the net charge (A·h) and energy (W·h), and how many rows the reader found.

Charge is the trapezoid. Energy is the integral of the product of two straight
lines, which no library has ready: the same formula is written anew here, in
numpy and in SQL. Simpson's rule with the middle of both lines is that integral
too, so scipy's own `simpson` over three points an interval is the third hand.
"""

import json
import sys

import duckdb
import numpy
import pandas
import pyarrow.csv
import scipy.integrate

TIME, CURRENT, VOLTAGE = "Test Time / s", "Current / A", "Voltage / V"

# One row an interval; a phase has those that begin and end inside it.
SQL = f"""
WITH place AS (
    SELECT "{TIME}" t, "{CURRENT}" i, "{VOLTAGE}" u, row_number() OVER () n FROM read_csv(?)
), step AS (
    SELECT t, lead(t) OVER w t2, i, lead(i) OVER w i2, u, lead(u) OVER w u2
    FROM place WINDOW w AS (ORDER BY n)
)
SELECT coalesce(fsum((t2 - t) * (i + i2) / 2), 0) / 3600,
       coalesce(fsum((t2 - t) / 6 * (2*u*i + u*i2 + u2*i + 2*u2*i2)), 0) / 3600
FROM phase LEFT JOIN step ON t >= begins AND t2 <= ends
GROUP BY nr ORDER BY nr
"""


def charge(t, i):
    return numpy.trapezoid(i, t) / 3600


def energy(t, i, u):
    dt, i1, i2, u1, u2 = numpy.diff(t), i[:-1], i[1:], u[:-1], u[1:]
    return numpy.sum(dt / 6 * (2 * u1 * i1 + u1 * i2 + u2 * i1 + 2 * u2 * i2)) / 3600


def scipy_charge(t, i):
    return scipy.integrate.trapezoid(i, x=t) / 3600


def scipy_energy(t, i, u):
    middle = lambda x: (x[:-1] + x[1:]) / 2  # noqa: E731
    power = numpy.array([i[:-1] * u[:-1], middle(i) * middle(u), i[1:] * u[1:]])
    each = scipy.integrate.simpson(power, dx=0.5, axis=0)
    return numpy.sum(each * numpy.diff(t)) / 3600


def by_phase(table, phases, charge, energy):
    t, i, u = (numpy.asarray(table[name], dtype=float) for name in (TIME, CURRENT, VOLTAGE))
    figures = []
    for begins, ends in phases:
        first, last = numpy.searchsorted(t, begins, "left"), numpy.searchsorted(t, ends, "right")
        part = slice(first, last)
        ah, wh = charge(t[part], i[part]), energy(t[part], i[part], u[part])
        figures.append({"ah": float(ah), "wh": float(wh)})
    return {"rows": len(t), "phases": figures}


def by_duckdb(path, phases):
    with duckdb.connect() as db:
        db.execute("CREATE TABLE phase (nr INTEGER, begins DOUBLE, ends DOUBLE)")
        db.executemany("INSERT INTO phase VALUES (?, ?, ?)",
                       [(nr, *bounds) for nr, bounds in enumerate(phases)])
        figures = [{"ah": ah, "wh": wh} for ah, wh in db.execute(SQL, [path]).fetchall()]
        rows = db.execute("SELECT count(*) FROM read_csv(?)", [path]).fetchone()[0]
    return {"rows": rows, "phases": figures}


def main(path, report):
    with open(report, encoding="utf-8") as file:
        phases = [
            (phase["start"]["test_time_second"], phase["end"]["test_time_second"])
            for phase in json.load(file)["phases"]
        ]
    frame, table = pandas.read_csv(path), pyarrow.csv.read_csv(path)
    assert all(kind.kind in "fi" for kind in frame.dtypes), frame.dtypes
    print(json.dumps({
        "pandas": by_phase(frame, phases, charge, energy),
        "pyarrow": by_phase(table, phases, charge, energy),
        "scipy": by_phase(frame, phases, scipy_charge, scipy_energy),
        "duckdb": by_duckdb(path, phases),
    }))


if __name__ == "__main__":
    main(sys.argv[1], sys.argv[2])
