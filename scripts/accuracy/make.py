"""Makes records: scenarios drawn, simulated by the program itself, and laid out one folder each.

In: a set's name, a seed, how many, where to. Out: folders `0000`, `0001`, … with `scenario.toml`, `trace.csv`,
`truth.json` and, where the record has them, `events.csv` and `line.toml`.
"""

import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from scenarios import draw


def toml(value):
    """A value in TOML's inline form."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return '"' + value.replace("\\", "\\\\").replace('"', '\\"') + '"'
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{k} = {toml(v)}" for k, v in value.items()) + " }"
    if isinstance(value, list):
        return "[" + ", ".join(toml(v) for v in value) + "]"
    return repr(value)


def scenario_text(scenario):
    """A scenario as a file: plain keys first, then tables, then lists of tables."""
    plain = [f"{k} = {toml(v)}" for k, v in scenario.items() if not isinstance(v, (dict, list))]
    tables = []
    for key, value in scenario.items():
        if isinstance(value, dict):
            tables += ["", f"[{key}]"] + [f"{k} = {toml(v)}" for k, v in value.items()]
        elif isinstance(value, list):
            for row in value:
                tables += ["", f"[[{key}]]"] + [f"{k} = {toml(v)}" for k, v in row.items()]
    return "\n".join(plain + tables) + "\n"


def make_one(binary, set_name, seed, number, folder):
    scenario, files = draw(set_name, seed, number)
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / "scenario.toml"
    path.write_text(scenario_text(scenario))
    done = subprocess.run(
        [binary, "simulate", path, "--out", folder, "--seed", str(number)], capture_output=True, text=True
    )
    if done.returncode != 0:
        sys.exit(f"record {number}: {done.stderr}")
    for name, there in (("events.csv", files["events"]), ("line.toml", files["line"])):
        if not there:
            (folder / name).unlink()


def folder_of(into, number):
    return Path(into) / f"{number:04d}"


def make(binary, set_name, seed, records, into, jobs):
    """Makes the records and gives their folders."""
    folders = [folder_of(into, n) for n in range(records)]
    with ThreadPoolExecutor(jobs) as pool:
        list(pool.map(lambda n: make_one(binary, set_name, seed, n, folders[n]), range(records)))
    return folders
