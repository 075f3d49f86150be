"""From pressure to hazard ratio: made cohorts go through the simulator, the reviews and the survey.

    scripts/cohorts/whole.py PROGRAM FOLDER [--cohorts 100] [--infusions 100] [--jobs 1] [--table FILE]

`scripts/cohorts/run` judges the statistics on onsets drawn directly. Here nothing is handed over: onsets are drawn from a
hazard with a known ratio per pause, `patency simulate` makes pressure, alarms and events of them, and `patency survey` has
to find onsets, sites and pauses again. The true onsets (from the truth files) are analysed beside, by a Cox fit and an
exposure written here, so that what the reviews lose can be told from what chance does. Standard library only.

Each finished cohort leaves a row in FOLDER; a run that was stopped goes on where it was. At the end all rows go to
`whole.csv` beside this file (or to FILE), and their summary, as it stands in README.md, to standard output.
"""

import argparse
import csv
import hashlib
import json
import math
import os
import random
import shutil
import subprocess
import sys
import tempfile
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime, timedelta, timezone
from pathlib import Path

# name, hazard ratio per pause, pressure limit (mmHg), first seed
SETTINGS = [
    ("true ratio 1.5", 1.5, 150, 1_000_000),
    ("true ratio 1", 1.0, 150, 2_000_000),
    # The limit lies below the pressure at the onset: alarms stop the line before, and again until the filter is changed.
    # One pump runs everything: where a second one runs on, an alarm of the first is no stop of the line.
    ("true ratio 1, alarm-driven stops", 1.0, 39, 3_000_000),
]
HAZARD = 0.03  # filter onsets per hour without a pause in the last 6 h
PAUSES_PER_H = 0.18
WINDOW_H = 6.0
FIRST_DAY = datetime(2031, 1, 6, 8, tzinfo=timezone.utc)

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
fluid = "{fluid}"
rate_ml_h = {rate}
limit_mmhg = {limit}
compliance_ul_per_mmhg = 1.5
resistance_mmhg_h_per_ml = 0.1
"""
LIPID = """
[[channel]]
id = "lipid"
fluid = "lipid"
rate_ml_h = {rate}
limit_mmhg = {limit}
compliance_ul_per_mmhg = 2.0
resistance_mmhg_h_per_ml = 0.1
"""
LIPID_ML_H = 0.9
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


def start_of(number):
    """When an infusion begins: one a day, a year through and again."""
    return FIRST_DAY + timedelta(days=number % 365)


def counted(pauses, placed, t):
    """Pauses that count at `t`, by the contract's words: `(start, hours)` in hours."""
    return sum(placed <= s and s < t <= s + WINDOW_H and 1 / 60 <= length for s, length in pauses)


def scenario(setting, number, moved):
    """The scenario of one infusion, and its pauses as `(planned, made)` in hours; `moved` says which are made when."""
    name, ratio, limit, seed = setting
    rng = random.Random(f"{seed + number}")
    hours = rng.choice([10, 12, 14])
    rate = round(rng.uniform(5.0, 7.0), 1)
    alone = limit < 100
    total = rate + LIPID_ML_H
    catheter = round((21.0 if alone else 24.0) / total, 2)
    text = SCENARIO.format(
        hours=hours,
        start=start_of(number).isoformat(),
        catheter=catheter,
        rate=round(total, 1) if alone else rate,
        limit=limit,
        fluid="pn-3in1" if alone else "pn-2in1",
    )
    if not alone:
        text += LIPID.format(rate=LIPID_ML_H, limit=limit)
    busy = min(rng.lognormvariate(0, 0.5), 3.0)
    pauses, made, t = [], [], 1.0 + rng.expovariate(PAUSES_PER_H * busy)
    while t < hours - 0.5:
        minutes = rng.choice([5, 10, 15, 30])
        pauses.append((t, minutes / 60))
        made.append((t, moved.get(t, t)))
        text += PAUSE.format(at=made[-1][1], minutes=minutes)
        t += minutes / 60 + 0.3 + rng.expovariate(PAUSES_PER_H * busy)
    whole, per_ml = catheter + 0.7, 0.5
    lag = math.log(1 + 0.5 * whole / 0.6) / (per_ml * total)  # from the beginning to 1.5 times
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
    return text, made


def make(program, folder, setting, number):
    """Simulates one infusion into its folder; gives its row of `infusions.csv`.

    What an alarm has stopped nobody can pause: a pause planned for then would be lost, and only shortly before an onset, so that
    the ratio would not be the one it is meant to be. It is made six minutes before the first of these alarms instead.
    """
    name = f"line-{number:03d}"
    own = folder / name
    own.mkdir(parents=True, exist_ok=True)
    moved = {}
    for _ in range(5):  # a pause made earlier lets the alarms come later
        text, pauses = scenario(setting, number, moved)
        (own / "scenario.toml").write_text(text)
        command = [program, "simulate", own / "scenario.toml", "--out", own, "--seed", str(setting[3] + number)]
        done = subprocess.run(command, capture_output=True, text=True)
        if done.returncode:
            sys.exit(f"{name}: {done.stderr}")
        stops = alarm_stops(own / "events.csv", start_of(number))
        lost = {planned: first - 0.1 for planned, at in pauses for first, alarm, restart in stops if alarm <= at <= restart}
        if not lost:
            break
        moved |= lost
    return f"{name},{name}/line.toml"


def alarm_stops(file, start):
    """`(first, alarm, restart)` of each occlusion alarm, hours from the start; `first` is the alarm that began its row."""
    stops, alarm = [], None
    for row in csv.DictReader(file.read_text().splitlines()):
        if row["event"] == "occlusion_alarm":
            alarm = hour(row["time"], start)
        elif row["event"] == "resume" and alarm is not None:
            goes_on = stops and alarm - stops[-1][2] < 1.0
            stops.append((stops[-1][0] if goes_on else alarm, alarm, hour(row["time"], start)))
            alarm = None
    return stops


def hour(text, start):
    return (datetime.fromisoformat(text) - start).total_seconds() / 3600


def true_filters(folder, infusions):
    """Every filter with its pauses and, where there was one, its true onset: `(entry, exit, event, pauses)`, hours since placed."""
    found = []
    for name in infusions:
        truth = json.loads((folder / name / "truth.json").read_text())
        start = start_of(int(name.removeprefix("line-")))
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
        if information < 1e-9 or 10 < abs(beta):
            return math.nan, math.nan, math.nan, len(sets)  # nothing to compare, or no bound
        step = score / information
        beta += max(-1.0, min(1.0, step))
        if abs(step) < 1e-10:
            break
    if not sets:
        return math.nan, math.nan, math.nan, 0
    half = 1.959963984540054 / math.sqrt(information)
    return math.exp(beta), math.exp(beta - half), math.exp(beta + half), len(sets)


COLUMNS = (
    "setting,cohort,true_onsets,found_onsets,true_ratio,true_low,true_high,ratio,low,high,p,covers,"
    "alarm_stops_ratio,alarm_stops_p,dated_at_alarm_ratio,dated_at_alarm_p"
).split(",")


def figures(effect, decimals=4):
    """Ratio, limits and p of an effect in the survey's JSON; `nan` where there is none."""
    ratio = effect["hazard_ratio"] or {"value": math.nan, "low": math.nan, "high": math.nan}
    p = math.nan if effect["p"] is None else effect["p"]
    return [round(x, decimals) for x in (ratio["value"], ratio["low"], ratio["high"], p)]


def one(program, folder, setting, number, infusions):
    """Makes, surveys and judges one cohort: its row of the table."""
    numbers = range(number * infusions, (number + 1) * infusions)
    rows = [make(program, folder, setting, n) for n in numbers]
    (folder / "infusions.csv").write_text("infusion,line\n" + "\n".join(rows) + "\n")
    done = subprocess.run([program, "survey", folder, "--json"], capture_output=True, text=True)
    if done.returncode:
        sys.exit(done.stderr)
    survey = json.loads(done.stdout)
    effect = survey["pause_effect"][0]
    found = figures(effect)
    wrong = []
    for change in ("alarm-stops-count", "dated-at-alarm"):
        ratio, _, _, p = figures(next(v for v in survey["sensitivity"] if v["change"] == change))
        wrong += [ratio, p]
    *true, onsets = cox(true_filters(folder, [row.split(",")[0] for row in rows]))
    covers = int(found[1] <= setting[1] <= found[2])
    return [setting[0], number, onsets, effect["events"], *(round(x, 4) for x in true), *found, covers, *wrong]


MAKING = "making-"


def kept(program, folder, task, infusions):
    """The row of a cohort: from an earlier run of the same program, or made now."""
    setting, number = task
    file = folder / f"{setting[3]}-{number:03d}.json"
    if not file.exists():
        with tempfile.TemporaryDirectory(prefix=MAKING, dir=folder) as own:
            row = one(program, Path(own), setting, number, infusions)
        beside = file.with_suffix(".new")
        beside.write_text(json.dumps(row))
        beside.rename(file)
    return json.loads(file.read_text())


def percent(part, whole):
    return f"{100 * part / whole:.0f} %" if whole else "–"


def summary(rows):
    """The table of README.md."""
    lines = [
        "| setting | cohorts | true onsets | filter onsets found | mean log ratio, true onsets | their interval covers "
        "| mean log ratio, survey | interval covers | p < 0.05 | wrong: alarm stops counted, p < 0.05 | wrong: dated at the alarm, p < 0.05 |",
        "|---" * 11 + "|",
    ]
    for name, ratio, *_ in SETTINGS:
        own = [dict(zip(COLUMNS, row)) for row in rows if row[0] == name]
        mean = lambda column: sum(math.log(row[column]) for row in own) / len(own)
        below = lambda column: percent(sum(row[column] < 0.05 for row in own), len(own))
        lines.append(
            f"| {name} | {len(own)} | {sum(r['true_onsets'] for r in own)} | {sum(r['found_onsets'] for r in own)} "
            f"| {mean('true_ratio'):.3f} | {percent(sum(r['true_low'] <= ratio <= r['true_high'] for r in own), len(own))} "
            f"| {mean('ratio'):.3f} | {percent(sum(r['covers'] for r in own), len(own))} "
            f"| {below('p')} | {below('alarm_stops_p')} | {below('dated_at_alarm_p')} |"
        )
    return "\n".join(lines)


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("program", type=Path)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--cohorts", type=int, default=100)
    parser.add_argument("--infusions", type=int, default=100)
    parser.add_argument("--jobs", type=int, default=1, help="cohorts at a time, each on one core")
    parser.add_argument("--table", type=Path, default=Path(__file__).with_name("whole.csv"))
    args = parser.parse_args()
    program = args.program.resolve()
    os.environ["RAYON_NUM_THREADS"] = "1"
    # Rows of another program, or of cohorts of another size, are not mixed in.
    digest = hashlib.sha256(program.read_bytes()).hexdigest()[:12]
    folder = args.folder / f"{digest}-{args.infusions}"
    folder.mkdir(parents=True, exist_ok=True)
    for left in folder.glob(f"{MAKING}*"):  # by a run that was killed
        shutil.rmtree(left)
    tasks = [(setting, number) for number in range(args.cohorts) for setting in SETTINGS]
    with ThreadPoolExecutor(args.jobs) as pool:  # the work is done in processes of the program
        rows = []
        for row in pool.map(lambda task: kept(program, folder, task, args.infusions), tasks):
            print(*row, sep="  ", file=sys.stderr, flush=True)
            rows.append(row)
    order = [name for name, *_ in SETTINGS]
    rows.sort(key=lambda row: (order.index(row[0]), row[1]))
    with args.table.open("w", newline="") as file:
        csv.writer(file, lineterminator="\n").writerows([COLUMNS, *rows])
    print(summary(rows))


main()
