"""How long the review of a large record takes: 24 h, a row each second, two channels, with events and line file.

In: the program and a folder to work in. Out: median, least and most of the wall times on one core, process start and reading
included.
"""

import os
import statistics
import subprocess
import time

from make import scenario_text

SCENARIO = {
    "name": "speed", "duration_h": 24.0, "start": "2031-03-04T08:00:00+01:00",
    "sampling": {"period_s": 1, "rounding_mmhg": 1},
    "line": {
        "access": {"kind": "picc", "resistance_mmhg_h_per_ml": 6.0},
        "filter": {"position": "below-join", "pore_um": 1.2, "resistance_mmhg_h_per_ml": 0.3},
    },
    "channel": [
        {"id": "pn", "fluid": "pn-2in1", "rate_ml_h": 4.0, "limit_mmhg": 200},
        {"id": "lipid", "fluid": "lipid", "rate_ml_h": 0.6, "limit_mmhg": 200},
    ],
    "act": [{"at_h": 3.0, "do": "pause", "minutes": 10}, {"at_h": 9.0, "do": "rate_change", "channel": "pn", "value": 5.0}],
    "episode": [
        {"at_h": 6.0, "cause": {"kind": "filter-loading", "blocking": {"standard_per_ml": 0.045}}},
        {"at_h": 20.0, "channel": "pn", "cause": {"kind": "tubing-blocked", "place": "near"}},
    ],
}


def one_core():
    """Runs in the child before the program starts; where the system has no affinity, all cores may be used."""
    if hasattr(os, "sched_setaffinity"):
        os.sched_setaffinity(0, {min(os.sched_getaffinity(0))})


def measure_speed(binary, scratch, runs=7):
    folder = scratch / "speed"
    folder.mkdir(parents=True)
    (folder / "scenario.toml").write_text(scenario_text(SCENARIO))
    subprocess.run([binary, "simulate", folder / "scenario.toml", "--out", folder, "--seed", "1"], check=True, capture_output=True)
    with open(folder / "trace.csv") as file:
        rows = sum(1 for _ in file) - 1
    command = [binary, "review", folder / "trace.csv", "--events", folder / "events.csv", "--line", folder / "line.toml", "--json"]
    times = []
    for _ in range(runs):
        began = time.perf_counter()
        subprocess.run(command, check=True, capture_output=True, preexec_fn=one_core)
        times.append(time.perf_counter() - began)
    return {"median_s": statistics.median(times), "low_s": min(times), "high_s": max(times), "runs": runs, "rows": rows}
