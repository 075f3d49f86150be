"""One record and what was said of it: files read, the program run, times turned into seconds.

In: a record's folder. Out: `Record` with truth, review and trace; every time is a number of seconds on the record's own clock.
"""

import csv
import json
import subprocess
import time
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

OBSTRUCTIVE = ("supply", "tubing", "filter", "catheter")
SITES = ("supply", "tubing", "filter", "catheter", "settings", "none")


def seconds(value):
    """A contract's time as seconds: a number stays, RFC 3339 becomes seconds since 1970, nothing stays nothing."""
    if value is None or isinstance(value, (int, float)):
        return value
    return datetime.fromisoformat(value).timestamp()


@dataclass
class Truth:
    """One episode that really happened."""
    site: str
    cause: str
    course: str
    channels: list
    began: float
    onset: float | None
    end: float          # the record's end where it was not relieved
    alarm: float | None
    reached: bool
    visible: bool       # the pressure shows it, whether or not a pump alarmed
    other_alarm: float | None   # of air or an empty container
    release_ml: float | None
    can_tell: bool      # with the files that the record comes with
    peak_ratio: float
    running_s: float
    effect_mmhg: float  # how far the pressure was moved at most, up or down
    asked: bool = False
    hinders: float | None = None    # the moment that an onset is asked for (the rule is in `measures.onsets`)
    silent: tuple | None = None     # (start, end) of the gap of the log in which that lies
    moved_mmhg: float | None = None  # how far the pressure can have moved while an onset is close to that

    @property
    def obstructive(self):
        return self.site in OBSTRUCTIVE

    @property
    def start(self):
        """From when on it is no mistake to see it: a gradual one begins before its onset."""
        return self.began if self.onset is None else min(self.began, self.onset)


@dataclass
class Found:
    """One episode as a method reports it; a method without an opinion on something leaves it out."""
    onset: float
    end: float
    channels: list
    sites: dict                     # site -> probability
    suggested: str
    course: str | None = None
    onset_low: float | None = None
    onset_high: float | None = None
    alarm: float | None = None
    visible_from: float | None = None
    release: dict | None = None

    @property
    def likeliest(self):
        return max(SITES, key=lambda site: self.sites.get(site, 0.0))

    @property
    def obstructive(self):
        """More likely than not an obstruction, wherever it lies."""
        return 0.5 <= sum(self.sites.get(site, 0.0) for site in OBSTRUCTIVE)


@dataclass
class Record:
    """One record with its truth and, once reviewed, the review."""
    folder: Path
    events: bool
    line: bool
    start: float
    end: float
    period_s: float
    on_change: bool
    rounding: float
    truth: list
    channels: dict                  # id -> {"compliance...", ...} of the truth
    limit: bool = True
    gaps: list = field(default_factory=list)    # stretches of which nothing was logged, (start, end)
    hides_mmhg: float = 2.0         # noise, rounding, half the pulsation or three times the vein's wander; 2 mmHg at least
    found: list = field(default_factory=list)
    review: dict | None = None
    failed: str | None = None
    took_s: float = 0.0
    rows: dict | None = None        # the trace, once it was read

    @property
    def channel_hours(self):
        return (self.end - self.start) / 3600 * len(self.channels)

    def mark_asked(self):
        """Sets on each true episode whether a method can be asked for it at all (`asked`; the rule is in `matching`), and from
        when on it hindered a flow."""
        trace = self.trace()
        for t in self.truth:
            onset = t.began if t.onset is None else t.onset
            rows = max(sum(1 for r in trace.get(c, []) if onset <= r[0] <= t.end) for c in t.channels)
            logged = self.events and (t.alarm is not None or t.other_alarm is not None)
            lasted = t.visible and t.running_s >= max(300.0, 3 * self.period_s)
            t.asked = t.reached and (logged or ((lasted or t.alarm is not None) and rows >= 1))
            t.hinders = hinders(t, [trace.get(c, []) for c in t.channels])
            t.silent = next((g for g in self.gaps if t.hinders is not None and g[0] <= t.hinders < g[1]), None)

    @property
    def quiet(self):
        """Nothing was wrong at all, not even a little."""
        return not self.truth

    def trace(self):
        """Channel -> list of (t, pressure or None, rate), in order of time. Read once, until `forget_trace`."""
        if self.rows is None:
            self.rows = {}
            with open(self.folder / "trace.csv", newline="") as file:
                cells = csv.reader(file)
                header = next(cells)
                time_, channel, pressure, rate = (
                    header.index(name) for name in ("time", "channel", "pressure_mmhg", "rate_ml_h")
                )
                for row in cells:
                    cell, value = row[time_], row[pressure]
                    t = datetime.fromisoformat(cell).timestamp() if "T" in cell else float(cell)
                    self.rows.setdefault(row[channel], []).append((t, float(value) if value else None, float(row[rate])))
        return self.rows

    def forget_trace(self):
        """Frees the trace: thousands of records are held at once."""
        self.rows = None

    def events_rows(self):
        """The events, or nothing where there is no file."""
        if not self.events:
            return []
        with open(self.folder / "events.csv", newline="") as file:
            rows = list(csv.DictReader(file))
        for row in rows:
            row["t"] = seconds(row["time"]) if "T" in row["time"] else float(row["time"])
        return rows


def near_s(record):
    """Within what an onset is close: a minute, or two sample periods (s)."""
    return max(60.0, 2 * record.period_s)


def moved(true, record, pumps):
    """How far the pressure can have moved from when a true episode first hindered a flow until an onset is no longer close to that
    (mmHg): no further than it ever did, and behind a block no faster than the pumps (of the scenario) fill what gives way above it."""
    if true.onset is None or true.site not in ("tubing", "catheter"):
        return true.effect_mmhg
    from_s = true.hinders if true.silent is None else true.silent[1]
    until_s = from_s + near_s(record)
    filled = [p for p in pumps if true.site == "catheter" or p["id"] in true.channels]
    rates = []
    for pump in filled:
        rows = record.trace().get(pump["id"], [])
        before = [rate for t, _, rate in rows if t <= from_s][-1:]
        rates.append(max(before + [rate for t, _, rate in rows if from_s <= t <= until_s], default=0.0))
    store_ml_per_mmhg = sum(p["compliance_ul_per_mmhg"] for p in filled) / 1000
    return min(true.effect_mmhg, sum(rates) / store_ml_per_mmhg * near_s(record) / 3600)


def hides_mmhg(scenario):
    """What hides a move of the pressure, as the simulator counts it for what is visible (mmHg)."""
    ripple = max(c["pump"].get("ripple_mmhg", 0.0) for c in scenario["channel"])
    return max(2.0, scenario["sensor"]["noise_mmhg"], scenario["sampling"]["rounding_mmhg"], ripple / 2, 3 * scenario["vein"]["wander_mmhg"])


def hinders(true, traces):
    """When a true episode that came at once first hindered a flow: its onset, or where all its pumps rested then, the first
    row in which one of them runs. One that grows passes its level whether anything flows or not."""
    if true.onset is None or true.course == "gradual":
        return true.onset
    for rows in traces:
        before = [rate for t, _, rate in rows if t <= true.onset]
        if (before[-1] if before else rows[0][2] if rows else 0) > 0:
            return true.onset
    runs = [t for rows in traces for t, _, rate in rows if true.onset < t <= true.end and rate > 0]
    return min(runs, default=true.onset)


def stretches(truth):
    """True episodes as the contract counts them: a stretch in which the flow was hindered. One growth that goes on while another of
    the same cause still stands on the same channels hinders the flow at the same place for one stretch, which began with the first,
    ends with the last and stood as high as the higher. What came at once is told each time."""
    out = []
    for e in sorted(truth, key=lambda e: e.start):
        same = [o for o in out if (o.cause, sorted(o.channels)) == (e.cause, sorted(e.channels)) and e.start < o.end]
        if not same or e.course != "gradual":
            out.append(e)
            continue
        one, last = same[-1], max(same[-1], e, key=lambda o: o.end)
        one.onset = earliest(one.onset, e.onset)
        one.alarm, one.other_alarm = earliest(one.alarm, e.alarm), earliest(one.other_alarm, e.other_alarm)
        one.end, one.release_ml = last.end, last.release_ml
        one.began = min(one.began, e.began)
        one.reached, one.visible, one.can_tell = one.reached or e.reached, one.visible or e.visible, one.can_tell or e.can_tell
        one.peak_ratio, one.effect_mmhg = max(one.peak_ratio, e.peak_ratio), max(one.effect_mmhg, e.effect_mmhg)
        one.running_s = max(one.running_s, e.running_s)
    return out


def earliest(a, b):
    """The earlier of two moments either of which may be missing."""
    return min((t for t in (a, b) if t is not None), default=None)


def load(folder):
    """Reads a record's truth and what its trace covers."""
    folder = Path(folder)
    raw = json.loads((folder / "truth.json").read_text())
    scenario = scenario_of(folder)
    files = {"trace": True, "events": (folder / "events.csv").exists(), "line": (folder / "line.toml").exists()}
    start = seconds(scenario["start"]) if "start" in scenario else 0.0
    end = start + raw["duration_h"] * 3600
    truth = []
    for e in raw["episodes"]:
        can_tell = e["can_tell"] is None or any(files[reason["needs"]] for reason in e["can_tell_from"])
        truth.append(Truth(
            site=e["site"], cause=e["cause"], course=e["course"], channels=e["channels"], began=seconds(e["began"]),
            onset=seconds(e["onset"]), end=end if e["end"] is None else seconds(e["end"]), alarm=seconds(e["alarm"]),
            reached=e["reached"], visible=e["visible"], other_alarm=seconds(e["other_alarm"]),
            release_ml=e["release_volume_ml"], can_tell=can_tell, peak_ratio=e["peak_ratio"],
            running_s=e["running_s"], effect_mmhg=abs(e["effect_mmhg"]),
        ))
    sampling = scenario["sampling"]
    record = Record(
        folder=folder, events=files["events"], line=files["line"], start=start, end=end,
        period_s=sampling["period_s"], on_change=sampling["on_change"], rounding=sampling["rounding_mmhg"],
        limit=sampling["limit"], gaps=[(start + g["at_h"] * 3600, start + g["at_h"] * 3600 + g["minutes"] * 60) for g in sampling["gaps"]],
        truth=stretches(truth), channels={c["id"]: c for c in raw["channels"]},
    )
    record.hides_mmhg = hides_mmhg(scenario)
    record.mark_asked()
    for t in record.truth:
        t.moved_mmhg = moved(t, record, scenario["channel"])
    return record


def scenario_of(folder):
    import tomllib
    return tomllib.loads((folder / "scenario.toml").read_text())


def review(record, binary):
    """Runs the program on the record's files and fills in what it found. A failure is kept, not hidden."""
    command = [str(binary), "review", str(record.folder / "trace.csv"), "--json"]
    if record.events:
        command += ["--events", str(record.folder / "events.csv")]
    if record.line:
        command += ["--line", str(record.folder / "line.toml")]
    began = time.perf_counter()
    done = subprocess.run(command, capture_output=True, text=True)
    record.took_s = time.perf_counter() - began
    if done.returncode != 0:
        record.failed = done.stderr.strip()
        return record
    record.review = json.loads(done.stdout)
    for e in record.review["episodes"]:
        record.found.append(Found(
            onset=seconds(e["onset"]), end=record.end if e["end"] is None else seconds(e["end"]), channels=e["channels"],
            sites=e["sites"], suggested=e["suggested"], course=e["course"], onset_low=seconds(e["onset_low"]),
            onset_high=seconds(e["onset_high"]), alarm=seconds(e["alarm"]), visible_from=seconds(e["visible_from"]),
            release=e["release_volume_ml"],
        ))
    return record
