"""From pressure to hazard ratio: made cohorts go through the simulator, the reviews and the survey.

    scripts/cohorts/whole.py PROGRAM FOLDER [COHORTS] [INFUSIONS]

`scripts/cohorts/run` judges the statistics on onsets drawn directly. Here nothing is handed over: onsets are drawn from a
hazard with a known ratio per pause, `patency simulate` makes pressure, alarms and events of them, and `patency survey` has
to find onsets, sites and pauses again. The true onsets (from the truth files) are analysed beside, by a Cox fit and an
exposure written here, so that what the reviews lose can be told from what chance does. Standard library only. Results go
to `whole.csv` beside this file.
"""

import csv
import json
import math
import random
import shutil
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime, timedelta, timezone
from pathlib import Path

# name, hazard ratio per pause, pressure limit (mmHg), first seed
SETTINGS = [
    ("true ratio 1.5", 1.5, 150, 51_000),
    ("true ratio 1", 1.0, 150, 52_000),
    # The limit lies below the pressure at the onset: alarms stop the pump before, and again until the filter is changed.
    ("true ratio 1, alarm-driven stops", 1.0, 39, 53_000),
]
HAZARD = 0.018  # filter onsets per hour without a pause in the last 6 h
PAUSES_PER_H = 0.18
WINDOW_H = 6.0
START = datetime(2031, 1, 6, 8, tzinfo=timezone.utc)

SCENARIO = """
duration_h = {hours}
start = "{start}"
sampling = {{ period_s = 60 }}
sensor = {{ noise_mmhg = 0.8 }}

[line]
access = {{ kind = "picc", inner_diameter_mm = 0.30, length_cm = 25, resistance_mmhg_h_per_ml = {catheter} }}
filter = {{ pore_um = 1.2, placed_h = 0, resistance_mmhg_h_per_ml = 0.6, compliance_ul_per_mmhg = 0.15 }}
tail = {{ compliance_ul_per_mmhg = 0.05 }}

[[channel]]
id = "pn"
fluid = "pn-2in1"
rate_ml_h = {rate}
limit_mmhg = {limit}
compliance_ul_per_mmhg = 1.5
resistance_mmhg_h_per_ml = 0.1

[[channel]]
id = "lipid"
fluid = "lipid"
rate_ml_h = 0.9
limit_mmhg = {limit}
compliance_ul_per_mmhg = 2.0
resistance_mmhg_h_per_ml = 0.1
"""
# Staff start again twice, then raise the limit: the first alarms do not end what goes wrong.
ANSWERS = """
[[episode.answer]]
do = "restart"
after_min = 4
[[episode.answer]]
do = "restart"
after_min = 6
[[episode.answer]]
do = "limit_change"
value = 150
after_min = 3
[[episode.answer]]
do = "restart"
after_min = 5
[[episode.answer]]
do = "restart"
after_min = 10
"""
PAUSE = '\n[[act]]\nat_h = {at:.3f}\ndo = "pause"\nminutes = {minutes}\n'
CHANGE = '\n[[act]]\nat_h = {at:.3f}\ndo = "filter_change"\nminutes = 5\n'
# The area left falls to a third within about half an hour: the onset follows soon after the beginning.
LOADS = '\n[[episode]]\nat_h = {at:.3f}\ncause = {{ kind = "filter-loading", blocking = {{ intermediate_per_ml = {per_ml:.3f} }} }}\n'


def counted(pauses, placed, t):
    """Pauses that count at `t`, by the contract's words: `(start, hours)` in hours."""
    return sum(placed <= s and s < t <= s + WINDOW_H and 1 / 60 <= length for s, length in pauses)


def scenario(setting, number):
    """The scenario of one infusion."""
    name, ratio, limit, seed = setting
    rng = random.Random(f"{seed + number}")
    hours = rng.choice([16, 20, 24])
    rate = round(rng.uniform(5.0, 7.0), 1)
    catheter = round((24.0 if limit > 100 else 21.0) / (rate + 0.9), 2)
    text = SCENARIO.format(
        hours=hours,
        start=(START + timedelta(days=number)).isoformat(),
        catheter=catheter,
        rate=rate,
        limit=limit,
    )
    busy = min(rng.lognormvariate(0, 0.5), 3.0)
    pauses, t = [], 1.0 + rng.expovariate(PAUSES_PER_H * busy)
    while t < hours - 0.5:
        minutes = rng.choice([5, 10, 15, 30])
        pauses.append((t, minutes / 60))
        text += PAUSE.format(at=t, minutes=minutes)
        t += minutes / 60 + 0.3 + rng.expovariate(PAUSES_PER_H * busy)
    total, per_ml = catheter + 0.7, 0.5
    lag = math.log(1 + 0.5 * total / 0.6) / (per_ml * (rate + 0.9))  # from the beginning to 1.5 times
    placed, t = 0.0, 1.0  # the first hour is the baseline's
    while t < hours:
        t += rng.expovariate(HAZARD * 40)
        accept = HAZARD * ratio ** counted(pauses, placed, t) / (HAZARD * 40)
        if t >= hours or rng.random() >= accept:
            continue
        text += LOADS.format(at=t - lag, per_ml=per_ml) + ANSWERS
        placed = t + 1.2
        if placed < hours - 0.5:
            text += CHANGE.format(at=placed)
        t = placed + 1.0
    return text


def make(program, folder, setting, number):
    name = f"line-{number:03d}"
    own = folder / name
    own.mkdir(parents=True, exist_ok=True)
    (own / "scenario.toml").write_text(scenario(setting, number))
    command = [program, "simulate", own / "scenario.toml", "--out", own, "--seed", str(setting[3] + number)]
    done = subprocess.run(command, capture_output=True, text=True)
    if done.returncode:
        sys.exit(f"{name}: {done.stderr}")
    return f"{name},{name}/line.toml"


def hour(text, start):
    return (datetime.fromisoformat(text) - start).total_seconds() / 3600


def true_filters(folder, infusions):
    """Every filter with its pauses and, where there was one, its true onset: `(entry, exit, event, pauses)`, hours since placed."""
    found = []
    for name in infusions:
        truth = json.loads((folder / name / "truth.json").read_text())
        start = START + timedelta(days=int(name[-3:]))
        onsets = [hour(e["onset"], start) for e in truth["episodes"] if e["onset"] and e["site"] == "filter"]
        placings, pauses = [0.0], []
        with (folder / name / "events.csv").open() as file:
            events = sorted(((hour(r["time"], start), r) for r in csv.DictReader(file)), key=lambda e: e[0])
        placings += sorted({t for t, row in events if row["event"] == "filter_change"})
        text = (folder / name / "scenario.toml").read_text().split("[[act]]")
        for act in text[1:]:
            if 'do = "pause"' in act:
                keys = dict(line.split(" = ") for line in act.strip().splitlines()[:3])
                pauses.append((float(keys["at_h"]), float(keys["minutes"]) / 60))
        for i, placed in enumerate(placings):
            last = placings[i + 1] if i + 1 < len(placings) else truth["duration_h"]
            own = [t for t in onsets if placed < t <= last]
            end = min(own, default=last)
            stops = [(s - placed, length) for s, length in pauses if placed <= s]
            if 0 < end - placed:
                found.append((end - placed, bool(own), stops))
    return found


def cox(filters):
    """The ratio per pause and its 95 % limits: partial likelihood summed over risk sets as it is written, no ties."""
    sets = [
        (counted(own, 0.0, t), [counted(p, 0.0, t) for exit, _, p in filters if t <= exit])
        for t, own in ((exit, pauses) for exit, event, pauses in filters if event)
    ]
    beta, information = 0.0, 0.0
    for _ in range(50):
        score = information = 0.0
        for own, counts in sets:
            weights = [math.exp(beta * x) for x in counts]
            total = sum(weights)
            mean = sum(w * x for w, x in zip(weights, counts)) / total
            score += own - mean
            information += sum(w * x * x for w, x in zip(weights, counts)) / total - mean * mean
        step = score / information
        beta += max(-1.0, min(1.0, step))
        if abs(step) < 1e-10:
            break
    half = 1.959963984540054 / math.sqrt(information)
    return math.exp(beta), math.exp(beta - half), math.exp(beta + half), len(sets)


def one(program, folder, setting, number, infusions):
    """Makes, surveys and judges one cohort."""
    shutil.rmtree(folder, ignore_errors=True)
    numbers = range(number * infusions, (number + 1) * infusions)
    with ThreadPoolExecutor(2) as pool:
        rows = list(pool.map(lambda n: make(program, folder, setting, n), numbers))
    (folder / "infusions.csv").write_text("infusion,line\n" + "\n".join(rows) + "\n")
    done = subprocess.run([program, "survey", folder, "--json"], capture_output=True, text=True)
    if done.returncode:
        sys.exit(done.stderr)
    survey = json.loads(done.stdout)
    effect = survey["pause_effect"][0]
    alarm = next(v for v in survey["sensitivity"] if v["change"] == "alarm-stops-count")
    at_alarm = next(v for v in survey["sensitivity"] if v["change"] == "dated-at-alarm")
    true = cox(true_filters(folder, [row.split(",")[0] for row in rows]))
    return true, effect, alarm, at_alarm


def main():
    program, folder = Path(sys.argv[1]).resolve(), Path(sys.argv[2])
    cohorts = int(sys.argv[3]) if 3 < len(sys.argv) else 4
    infusions = int(sys.argv[4]) if 4 < len(sys.argv) else 120
    with (Path(__file__).with_name("whole.csv")).open("w", newline="") as file:
        table = csv.writer(file, lineterminator="\n")
        table.writerow(
            "setting,cohort,true_onsets,found_onsets,ratio_of_true_onsets,low,high,ratio_of_survey,low,high,p,"
            "covers_truth,wrong_alarm_stops_ratio,wrong_dated_at_alarm_ratio".split(",")
        )
        for setting in SETTINGS:
            for number in range(cohorts):
                true, effect, alarm, at_alarm = one(program, folder, setting, number, infusions)
                hr = effect["hazard_ratio"] or {"value": math.nan, "low": math.nan, "high": math.nan}
                wrong = [(v["hazard_ratio"] or {"value": math.nan})["value"] for v in (alarm, at_alarm)]
                covers = hr["low"] <= setting[1] <= hr["high"]
                row = [f"{x:.3f}" for x in (*true[:3], hr["value"], hr["low"], hr["high"])]
                p = effect["p"] if effect["p"] is not None else math.nan
                row = [setting[0], number, true[3], effect["events"], *row, f"{p:.4f}", int(covers)]
                table.writerow(row + [f"{x:.3f}" for x in wrong])
                file.flush()
                print(*row, *(f"{x:.3f}" for x in wrong), sep="  ")


main()
