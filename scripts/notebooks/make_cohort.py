"""Makes a cohort for the notebooks: a made ward's year, simulated by the program itself. usage: make_cohort.py PROGRAM FOLDER

Each infusion has its own scenario and seed, so the folder is the same on every run. Filters load at their own pace and
faster after pauses; some lines have another trouble or none. No patient and no ward stands behind it.
"""

import random
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime, timedelta, timezone
from pathlib import Path

INFUSIONS = 140
SCENARIO = """
duration_h = {hours}
start = "{start}"
sampling = {{ period_s = 60 }}
sensor = {{ noise_mmhg = 0.8 }}

[line]
access = {{ kind = "picc", inner_diameter_mm = 0.30, length_cm = 25, resistance_mmhg_h_per_ml = {catheter} }}
filter = {{ pore_um = 1.2, placed_h = {placed}, resistance_mmhg_h_per_ml = 0.6, compliance_ul_per_mmhg = 0.15 }}
tail = {{ compliance_ul_per_mmhg = 0.05 }}

[[channel]]
id = "pn"
fluid = "pn-2in1"
rate_ml_h = {rate}
limit_mmhg = 150
compliance_ul_per_mmhg = 1.5
resistance_mmhg_h_per_ml = 0.1

[[channel]]
id = "lipid"
fluid = "lipid"
rate_ml_h = 0.9
limit_mmhg = 150
compliance_ul_per_mmhg = 2.0
resistance_mmhg_h_per_ml = 0.1
"""
PAUSE = """
[[act]]
at_h = {at}
do = "pause"
minutes = {minutes}
"""
ANSWER = """
[[episode.answer]]
do = "filter_change"
after_min = {after}
minutes = 5
"""


def scenario(number):
    """The scenario of one infusion, and its row of infusions.csv."""
    rng = random.Random(f"ward-{number}")
    hours = rng.choice([14, 18, 22])
    start = datetime(2031, 1, 6, 8, tzinfo=timezone.utc) + timedelta(days=number * 364 // INFUSIONS)
    text = SCENARIO.format(
        hours=hours,
        start=start.isoformat(),
        catheter=round(rng.uniform(2.5, 4.5), 2),
        placed=-round(rng.choice([0.0, 0.0, rng.uniform(0.5, 6)]), 2),
        rate=round(rng.uniform(4.0, 7.0), 1),
    )
    at = rng.expovariate(0.18)
    while at < hours - 1.5:
        minutes = rng.choice([5, 15, 30, 45])
        text += PAUSE.format(at=round(at, 2), minutes=minutes)
        at += minutes / 60 + 0.5 + rng.expovariate(0.18)
    kind = rng.random()
    if kind < 0.55:
        text += (
            "\n[[episode]]\nat_h = 0\ncause = { kind = \"filter-settling\", "
            f"per_pause_hour = {rng.uniform(0.3, 1.2):.2f}, over_ml = 0.4, "
            f"blocking = {{ intermediate_per_ml = {rng.uniform(0.005, 0.04):.4f} }} }}\n"
        ) + ANSWER.format(after=rng.choice([10, 20]))
    elif kind < 0.65:
        text += f"\n[[episode]]\nat_h = {hours * 0.6:.1f}\nuntil_h = {hours * 0.6 + 0.4:.1f}\ncause = {{ kind = \"catheter-blocked\" }}\n"
    unit = ["north", "east", "harbour"][rng.choices([0, 1, 2], [5, 3, 2])[0]]
    return text, unit


def make(program, folder, number):
    name = f"line-{number:03d}"
    own = folder / name
    own.mkdir(parents=True, exist_ok=True)
    text, unit = scenario(number)
    (own / "scenario.toml").write_text(text)
    done = subprocess.run(
        [program, "simulate", own / "scenario.toml", "--out", own, "--seed", str(number)], capture_output=True, text=True
    )
    if done.returncode:
        sys.exit(f"{name}: {done.stderr}")
    return f"{name},{unit},{name}/line.toml"


def main():
    program, folder = sys.argv[1], Path(sys.argv[2])
    folder.mkdir(parents=True, exist_ok=True)
    with ThreadPoolExecutor(2) as pool:
        rows = list(pool.map(lambda n: make(program, folder, n), range(INFUSIONS)))
    (folder / "infusions.csv").write_text("infusion,unit,line\n" + "\n".join(rows) + "\n")


main()
