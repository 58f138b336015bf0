"""Simulates the discharge of a pack with PyBaMM, a physics simulator that is not ours.

    simulate_pack.py FOLDER FIRST_SEED COUNT

For each seed, from FIRST_SEED on, another pack, load, sampling and style of
header. Writes FOLDER/SEED.csv as a logger would have, and FOLDER/SEED.json with
the totals that the solver itself integrated, over the run and up to a cut-off
voltage on the way. Never integrates the rows.

One cell is simulated and scaled by whole numbers: the simulator's energy is that
of one cell even where a series count is set, while its stop voltage is then the
battery's. Its current is positive on discharge, its energy total stays 0 unless
asked for, and its discharge capacity is net (PyBaMM 26.10.1.1, found by trying).
"""

import json
import os
import random
import sys
from pathlib import Path

os.environ["PYBAMM_DISABLE_TELEMETRY"] = "true"
import numpy  # noqa: E402
import pybamm  # noqa: E402
import scipy.optimize  # noqa: E402

# The simulator's published parameter sets, with what one of their cells is
# rated at (A·h), and where it is full, at its cut-off and empty (V).
SETS = {
    "Prada2013": {
        "rated_ah": 2.3, "full_volt": 3.6, "cutoff_volt": 2.8, "empty_volt": 2.5,
        "series": (4, 8, 16),
    },
    "Chen2020": {
        "rated_ah": 5.0, "full_volt": 4.2, "cutoff_volt": 3.0, "empty_volt": 2.5,
        "series": (7, 10, 14),
    },
}

# Header, separator, and what stands in the cells for one ampere and one volt.
STYLES = [
    ("time_s,current_A,voltage_V", ",", 1, 1),
    ("Time (s);Current (mA);Voltage (mV)", ";", 1000, 1000),
    ("Test Time / s,Voltage / V,Current / A", ",", 1, 1),
    ("elapsed_time_s\tvoltage_V\tcurrent_mA", "\t", 1000, 1),
]

VOLTAGE, CURRENT = "Voltage [V]", "Current [A]"
CHARGE, ENERGY = "Discharge capacity [A.h]", "Discharge energy [W.h]"


def choose(rng):
    """A pack, a load and a way to log it."""
    name = rng.choice(sorted(SETS))
    cell = SETS[name]
    rate = rng.uniform(0.2, 1.0)
    amps = cell["rated_ah"] * rate
    if rng.random() < 0.5:
        load = f"Discharge at {amps:.6f} A until {cell['empty_volt']} V"
    else:
        watts = amps * (cell["full_volt"] + cell["empty_volt"]) / 2
        load = f"Discharge at {watts:.6f} W until {cell['empty_volt']} V"
    steps = [f"Rest for {rng.randint(30, 300)} seconds", load]
    if rng.random() < 0.5:
        # Long enough to end the discharge, then some of it is put back.
        steps += [
            f"Rest for {rng.randint(700, 1500)} seconds",
            f"Charge at {cell['rated_ah'] / 2:.6f} A for {rng.randint(20, 60)} minutes",
        ]
    steps += [f"Rest for {rng.randint(60, 900)} seconds"]
    return {
        "parameter_set": name,
        "series": rng.choice(cell["series"]),
        "parallel": rng.randint(1, 40),
        "steps": steps,
        "interval_second": round(rng.choice([0.5, 1.0, 2.0, 5.0]) * rng.uniform(0.8, 1.2), 3),
        "jitter": rng.choice([0.0, 0.001, 0.2]),
        "style": rng.randrange(len(STYLES)),
        "current_sign": rng.choice(["charging-positive", "discharging-positive"]),
    }


def solve(chosen):
    """The simulator's steps for one cell that begins full."""
    model = pybamm.lithium_ion.SPMe({"calculate discharge energy": "true"})
    simulation = pybamm.Simulation(
        model,
        experiment=pybamm.Experiment(chosen["steps"]),
        parameter_values=pybamm.ParameterValues(chosen["parameter_set"]),
        solver=pybamm.IDAKLUSolver(rtol=1e-8, atol=1e-9),
    )
    solution = simulation.solve(initial_soc=1.0)
    steps = [step for cycle in solution.cycles for step in cycle.steps]
    assert len(steps) == len(chosen["steps"]), [str(cycle.termination) for cycle in solution.cycles]
    return steps


def moments(rng, chosen, begin, end):
    """When the logger looked, in whole milliseconds; the ends of a step are rows."""
    interval, jitter = chosen["interval_second"], chosen["jitter"]
    moment = begin
    while moment < end:
        yield moment
        moment = round(moment + interval * (1 + jitter * rng.uniform(-1, 1)), 3)
    yield end


def rows(rng, chosen, steps):
    """Time, current positive on discharge, and voltage of the pack."""
    last = -1.0
    for step in steps:
        begin, end = float(step.t[0]), float(step.t[-1])
        # The first row of a later step stands 1 ms after the last of the one
        # before: two currents at one time have no width between them.
        first = max(round(begin, 3), round(last + 0.001, 3))
        at = numpy.array(list(moments(rng, chosen, first, round(end, 3))))
        inside = numpy.clip(at, begin, end)
        amps = step[CURRENT](t=inside) * chosen["parallel"]
        volts = step[VOLTAGE](t=inside) * chosen["series"]
        yield from zip(at.tolist(), amps.tolist(), volts.tolist(), strict=True)
        last = float(at[-1])


def scaled(chosen, ah, wh):
    """From one cell to the pack."""
    return float(ah) * chosen["parallel"], float(wh) * chosen["parallel"] * chosen["series"]


def totals(chosen, steps):
    """What the solver integrated, by direction: its two totals are net."""
    out = dict.fromkeys(["discharged_ah", "discharged_wh", "charged_ah", "charged_wh"], 0.0)
    for step in steps:
        ah, wh = scaled(chosen, *(step[name].entries[-1] - step[name].entries[0]
                                  for name in (CHARGE, ENERGY)))
        way = "discharged" if ah >= 0 else "charged"
        out[f"{way}_ah"] += abs(ah)
        out[f"{way}_wh"] += abs(wh)
    return out


def to_cutoff(chosen, step):
    """What the solver had integrated of a discharge when it met the cut-off."""
    cutoff = SETS[chosen["parameter_set"]]["cutoff_volt"]
    begin, end = float(step.t[0]), float(step.t[-1])
    above = lambda t: float(step[VOLTAGE](t=t)) - cutoff  # noqa: E731
    met = scipy.optimize.brentq(above, begin, end, xtol=1e-6)
    ah, wh = scaled(chosen, *(step[name](t=met) - step[name](t=begin) for name in (CHARGE, ENERGY)))
    return {"to_cutoff_ah": ah, "to_cutoff_wh": wh}


def write(path, chosen, readings):
    header, separator, per_ampere, per_volt = STYLES[chosen["style"]]
    sign = 1 if chosen["current_sign"] == "discharging-positive" else -1
    names = header.lower().split(separator)
    with open(path, "w", encoding="utf-8", newline="") as out:
        out.write(header + "\n")
        for second, amps, volts in readings:
            cells = {
                "t": f"{second:.3f}",
                "c": f"{sign * amps * per_ampere + 0.0:.6f}",
                "v": f"{volts * per_volt:.6f}",
            }
            order = [cells["t" if "time" in name else name[0]] for name in names]
            out.write(separator.join(order) + "\n")


def main(folder, first_seed, count):
    pybamm.set_logging_level("ERROR")
    for seed in range(first_seed, first_seed + count):
        rng = random.Random(seed)
        chosen = choose(rng)
        steps = solve(chosen)
        cell = SETS[chosen["parameter_set"]]
        write(folder / f"{seed}.csv", chosen, rows(rng, chosen, steps))
        about = {
            "seed": seed,
            **chosen,
            "simulator": f"PyBaMM {pybamm.__version__}",
            "rated_ah": cell["rated_ah"] * chosen["parallel"],
            "cutoff_volt": round(cell["cutoff_volt"] * chosen["series"], 6),
            "totals": {**totals(chosen, steps), **to_cutoff(chosen, steps[1])},
        }
        (folder / f"{seed}.json").write_text(json.dumps(about, indent=1), encoding="utf-8")


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3]))
