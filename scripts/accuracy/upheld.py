"""Whether `visible_from` is upheld: the record cut at that moment shows the episode, and one cut a little earlier does not.

In: a reviewed record. Out: one row for the claim that was looked at, or nothing.
"""

import json
import random
import subprocess
import tempfile
from pathlib import Path

from records import OBSTRUCTIVE, seconds


def cut(source, into, until):
    """The rows of a CSV file up to a moment, that one included. Times stand in the first column."""
    with open(source) as rows, open(into, "w") as out:
        out.write(next(rows))
        for row in rows:
            cell = row.split(",", 1)[0]
            if (seconds(cell) if "T" in cell else float(cell)) <= until:
                out.write(row)


def review_until(record, binary, until, folder):
    """The episodes of a review of the record cut at this moment; nothing where the program cannot review it."""
    cut(record.folder / "trace.csv", folder / "trace.csv", until)
    command = [str(binary), "review", str(folder / "trace.csv"), "--json"]
    if record.events:
        cut(record.folder / "events.csv", folder / "events.csv", until)
        command += ["--events", str(folder / "events.csv")]
    if record.line:
        command += ["--line", str(record.folder / "line.toml")]
    done = subprocess.run(command, capture_output=True, text=True)
    return json.loads(done.stdout)["episodes"] if done.returncode == 0 else []


def going_on(episodes, claim):
    """Those that still go on, on a channel of the claimed one, as something that hinders the flow or as `undetermined`."""
    return [
        e for e in episodes
        if e["end"] is None and set(e["channels"]) & set(claim["channels"])
        and (e["suggested"] == "undetermined" or sum(e["sites"][site] for site in OBSTRUCTIVE) >= 0.5)
    ]


def is_claimed(e, claim, all_episodes):
    """Whether an episode of the cut record is the claimed one of the whole: the one whose onset lies nearest to its own."""
    same = [o for o in all_episodes if set(o["channels"]) & set(e["channels"])]
    return min(same, key=lambda o: abs(seconds(o["onset"]) - seconds(e["onset"])), default=None) is claim


def look(record, binary, stride):
    """One claim of the record, chosen by its number, in every `stride`-th record."""
    number = int(record.folder.name)
    claims = [e for e in (record.review or {"episodes": []})["episodes"] if e["visible_from"] is not None]
    if number % stride or not claims:
        return None
    claim = random.Random(number).choice(claims)
    at = seconds(claim["visible_from"])
    with tempfile.TemporaryDirectory() as scratch:
        there = bool(going_on(review_until(record, binary, at, Path(scratch)), claim))
        before = at - max(2 * record.period_s, 120.0)
        shown = going_on(review_until(record, binary, before, Path(scratch)), claim) if before > record.start else []
        early = any(is_claimed(e, claim, record.review["episodes"]) for e in shown)
    return {"record": record.folder.name, "episode": claim["id"], "site": claim["suggested"], "course": claim["course"], "there": there, "early": early}


def stride_for(records, most=250):
    """Every how many records one claim is looked at, so that there are `most` or a little fewer: three records in four hold one."""
    return max(1, round(0.75 * records / most))
