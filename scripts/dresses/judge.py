"""Runs the program on one dress and says how the reading ended."""

import csv
import fnmatch
import json
import os
import re
import shutil
import subprocess
import tempfile
from collections import Counter
from dataclasses import dataclass, field
from datetime import datetime, timezone
from pathlib import Path

FIELDS = {"pressure": "pressure_mmhg", "rate": "rate_ml_h", "volume": "volume_ml", "limit": "limit_mmhg"}
NEAR = {"pressure": 0.06, "rate": 0.011, "volume": 0.0011, "limit": 0.06}
SAME, RIGHT, WRONG, NOTICED, NEEDLESS, DEAD = "read identically", "rightly asked or refused", "WRONG without a word", "wrong with a notice", "needless question or refusal", "asked in more than one round"
OUTCOMES = [SAME, RIGHT, WRONG, NOTICED, NEEDLESS, DEAD]
EMPTY_LIST = re.compile(r"which of is|which of:|which of \?|\(\)|\[\]|``|: *,")


@dataclass
class Dress:
    """An export of a record in some form, and what is right to do with it."""

    name: str
    files: dict                                   # name -> bytes; the first is the trace
    expect: str = "same"                          # same | ask | refuse
    truth: list = None                            # rows that are right after the answers; None: no reading is right
    answers: dict = field(default_factory=dict)   # key (or pattern) -> what the user answers; only these may be asked
    trap: str = ".*"                              # expect = ask: a question or refusal that matches is the right one
    figures: tuple = ("pressure", "rate", "volume", "limit")
    near: dict = field(default_factory=dict)
    seconds: float = 0.51                         # how far a time may be off
    events: str = None                            # which file holds the events
    happened: list = None                         # events that are right
    reuse: str = None                             # a file whose mapping is used for the trace
    relative: bool = False                        # times count from the record's start
    channels: bool = True                         # whether the export names the channels
    options: list = field(default_factory=list)   # further options of `map`
    others: list = field(default_factory=list)    # further traces given together
    native: bool = False                          # readable without a mapping
    never: tuple = None                           # an event (kind, time) that must not be read
    messages: bool = False                        # messages, which need no mapping; `options` are those of reading
    told: str = ""                                # what `inspect` must say of them


@dataclass
class Verdict:
    outcome: str
    what: str = ""
    questions: list = field(default_factory=list)
    faults: list = field(default_factory=list)    # of the messages


class Run:
    def __init__(self, program, folder):
        self.program, self.folder, self.faults = program, folder, []

    def __call__(self, *arguments):
        done = subprocess.run([self.program, *arguments], cwd=self.folder, capture_output=True, text=True, errors="replace", timeout=120)
        said = done.stdout + done.stderr if arguments[0] == "map" else done.stderr
        if "panicked" in said or done.returncode not in (0, 1, 2, 3):
            self.faults.append(f"status {done.returncode}: {said[-200:]}")
        if EMPTY_LIST.search(said):
            self.faults.append("an empty list: " + EMPTY_LIST.search(said).group(0))
        return done.returncode, said.strip(), done.stdout


def questions(said):
    """The questions that `map` prints, as (key, text)."""
    return re.findall(r"^  - ((?:trace|events)\..*?): (.*)$", said, re.M)


def answer(dress, key):
    for pattern, value in dress.answers.items():
        if fnmatch.fnmatchcase(key, pattern):
            return value
    return None


def ask(dress, run, source):
    """The rounds of `map`: (refusal or None, questions left open, rounds, all questions)."""
    given, asked, rounds = dict(), [], 0
    while True:
        sets = [x for k, v in given.items() for x in ("--set", f"{k}={v}")]
        events = ["--events", dress.events] if dress.events else []
        status, said, _ = run("map", source, *events, *dress.options, *sets, "--out", "map.toml")
        if status not in (0, 3):
            return said, [], rounds, asked
        found = questions(said)
        if (status == 3) != bool(found):
            run.faults.append(f"map ends with {status} and {len(found)} questions")
        asked += [q for q in found if q not in asked]
        new = {k: answer(dress, k) for k, _ in found if answer(dress, k) is not None and k not in given}
        left = [q for q in found if answer(dress, q[0]) is None or q[0] in given]
        if left or not found:
            return None, left, rounds, asked
        given |= new
        rounds += 1


def judge(program, dress):
    folder = tempfile.mkdtemp(prefix="dress-")
    try:
        run = Run(program, folder)
        for name, data in dress.files.items():
            (Path(folder) / name).write_bytes(data if isinstance(data, bytes) else data.encode("utf-8"))
        verdict = of_messages(dress, run, folder) if dress.messages else decide(dress, run, folder)
        verdict.faults += run.faults
        return verdict
    finally:
        shutil.rmtree(folder)


def decide(dress, run, folder):
    trace = next(iter(dress.files))
    refusal, left, rounds, asked = ask(dress, run, dress.reuse or trace)
    trapped = any(re.search(dress.trap, f"{k}: {t}", re.I) for k, t in asked)
    if refusal is None and left:
        stray = [f"{k}: {t}" for k, t in left if not re.search(dress.trap, f"{k}: {t}", re.I)]
        if dress.expect == "ask" and trapped and not stray:
            return Verdict(RIGHT, "asked", asked)
        if dress.expect == "ask" and trapped:
            return Verdict(NEEDLESS, "besides: " + stray[0], asked)
        return Verdict(NEEDLESS, "; ".join(f"{k}: {t}" for k, t in left)[:300], asked)
    if refusal is None:
        traces = [trace, *dress.others]
        events = ["--events", dress.events] if dress.events else []
        if len(traces) > 1:  # several traces are inspected together, and exported one by one
            status, said, _ = run("inspect", *traces, *events, "--map", "map.toml")
            refusal = said if status else None
        for i, one in enumerate(traces):
            if refusal is None:
                status, said, _ = run("export", one, *events, "--map", "map.toml", "--out", f"out{i}")
                refusal = said if status else None
    if not dress.native and dress.expect != "refuse" and trace.split(".")[-1] in ("csv", "txt", "tsv"):
        status, said, _ = run("review", trace)
        if status == 0 or "patency map" not in said:
            run.faults.append("a plain review does not say `patency map`: " + said[:120].replace("\n", " "))
    if refusal is not None:
        # What is wrong with a workbook as a whole stands in no line: its sheets are named.
        placed = re.search(r":\d+", refusal) or re.search(r"expected one sheet, found several: `", refusal)
        if not placed and dress.expect != "refuse":
            run.faults.append("a refusal without a line: " + refusal[:160].replace("\n", " "))
        if dress.expect == "refuse" or (dress.expect == "ask" and re.search(dress.trap, refusal, re.I)):
            return Verdict(RIGHT, refusal[:200], asked)
        return Verdict(NEEDLESS, refusal[:300], asked)
    difference = compare(dress, folder) if dress.truth is not None else "no reading is right"
    if dress.never is not None and difference is None and not trapped:
        difference = f"read as {dress.never[0]}" if (round(second(dress.never[1])), dress.never[0]) in {(t, e) for t, _, e in events_read(folder)} else None
    if dress.truth is None and dress.expect == "ask" and trapped:
        return Verdict(RIGHT, "asked and answered", asked)
    if difference is None:
        return Verdict(DEAD if rounds > 1 else SAME, "" if rounds < 2 else "; ".join(k for k, _ in asked), asked)
    return Verdict(NOTICED if noticed(dress, run) else WRONG, difference, asked)


def of_messages(dress, run, folder):
    """Messages are read as they come, or refused; what of them is not used must be told."""
    trace = next(iter(dress.files))
    status, said, _ = run("export", trace, *dress.options, "--out", "out0")
    if status:
        if not re.search(r":\d+", said):
            run.faults.append("a refusal without a line: " + said[:160].replace("\n", " "))
        right = dress.expect == "refuse" and re.search(dress.trap, said, re.I)
        return Verdict(RIGHT if right else NEEDLESS, said[:300])
    _, _, told = run("inspect", trace, *dress.options)
    difference = "no reading is right" if dress.expect == "refuse" else compare(dress, folder)
    if difference is None and dress.never is not None and (round(second(dress.never[1])), dress.never[0]) in {(t, e) for t, _, e in events_read(folder)}:
        difference = f"read as {dress.never[0]}"
    if difference is None and not re.search(dress.told, " ".join(told.split()), re.I):
        difference = f"nothing is said of `{dress.told}`"
    return Verdict(SAME if difference is None else WRONG, difference or "")


def noticed(dress, run):
    events = ["--events", dress.events] if dress.events else []
    status, _, out = run("inspect", next(iter(dress.files)), *dress.others, *events, "--map", "map.toml", "--json")
    if status:
        return True
    infusions = json.loads(out)["infusions"]
    return any(i["notices"] or i["rows_rejected"] or i["rows_repeated"] for i in infusions)


def second(text_or_time):
    if isinstance(text_or_time, datetime):
        return text_or_time.timestamp()
    try:
        return float(text_or_time)
    except ValueError:
        return datetime.fromisoformat(text_or_time).astimezone(timezone.utc).timestamp()


def compare(dress, folder):
    """The first difference between what was read and what is right; `None` where there is none."""
    start = min(r.time for r in dress.truth).timestamp() if dress.relative else 0.0
    right = sorted((second(r.time) - start, r.channel if dress.channels else "", *(number(getattr(r, f)) for f in dress.figures)) for r in dress.truth)
    read = []
    for name in sorted(os.listdir(folder)):
        table = Path(folder) / name / "trace.csv"
        if re.fullmatch(r"out\d+", name) and table.exists():
            with open(table, encoding="utf-8") as file:
                read += [(second(r["time"]), r["channel"] if dress.channels else "", *(number(r.get(FIELDS[f], "") or "") for f in dress.figures)) for r in csv.DictReader(file)]
    read.sort()
    if len(read) != len(right):
        return f"{len(read)} rows read, {len(right)} are right; channels {dict(Counter(r[1] for r in read))}"
    for a, b in zip(read, right):
        if abs(a[0] - b[0]) > dress.seconds or a[1] != b[1]:
            return f"read {a}, right {b}"
        for f, x, y in zip(dress.figures, a[2:], b[2:]):
            if (x is None) != (y is None) or (x is not None and abs(x - y) > max(dress.near.get(f, NEAR[f]), 0.002 * abs(y))):
                return f"{f}: read {a}, right {b}"
    return compare_events(dress, folder, start)


def compare_events(dress, folder, start):
    if dress.happened is None:
        return None
    right = sorted((round(second(e.time) - start), e.channel if dress.channels else "", e.event) for e in dress.happened)
    read = sorted((t, c if dress.channels else "", e) for t, c, e in events_read(folder))
    for a, b in zip(read, right):
        if abs(a[0] - b[0]) > max(1, dress.seconds) or a[1:] != b[1:]:
            return f"event read {a}, right {b}"
    return None if len(read) == len(right) else f"{len(read)} events read, {len(right)} are right"


def events_read(folder):
    table = Path(folder) / "out0" / "events.csv"
    if not table.exists():
        return []
    with open(table, encoding="utf-8") as file:
        return [(round(second(r["time"])), r["channel"], r["event"]) for r in csv.DictReader(file)]


def number(value):
    return float(value) if value not in ("", None) else None
