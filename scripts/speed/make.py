"""Makes a large cohort to measure speed on. usage: make.py PROGRAM FOLDER ROWS

One table `traces/all.csv` at 1 Hz, one channel, 10,000 rows for each infusion, and `events/all.csv`. Every infusion is a record of its
own from the program's simulator, with noise of its own, since a table in which the same records stand again and again packs and reads
like no real one; one in six has an episode (mostly uneventful, as in life). `part` and `interleaved` make others of it: the first
infusions alone, and the rows of all in order of time, as a gateway that logs a whole hospital writes them.
"""

import os
import shutil
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

ROWS_EACH = 10_000
SCENARIO = """
duration_h = {hours}
start = "2031-03-04T08:00:00+01:00"
sampling = {{ period_s = 1 }}
sensor = {{ noise_mmhg = 0.8 }}

[line]
access = {{ kind = "picc", inner_diameter_mm = 0.30, length_cm = 25, resistance_mmhg_h_per_ml = 3.4 }}
filter = {{ pore_um = 1.2, placed_h = 0, resistance_mmhg_h_per_ml = 0.6, compliance_ul_per_mmhg = 0.15 }}

[[channel]]
id = "pn"
fluid = "pn-3in1"
rate_ml_h = {rate}
limit_mmhg = 150
compliance_ul_per_mmhg = 1.5
resistance_mmhg_h_per_ml = 0.1

[[act]]
at_h = {pause}
do = "pause"
minutes = 10
"""
EPISODES = {
    4: '\n[[episode]]\nat_h = 1.2\ncause = { kind = "filter-loading", blocking = { intermediate_per_ml = 0.3 } }\n',
    9: '\n[[episode]]\nat_h = 2.0\nuntil_h = 2.3\ncause = { kind = "catheter-blocked" }\n',
}
KINDS = 12


def simulated(program, own, number):
    """Rows of trace and events of one infusion, its name in front of each, and the headers."""
    own.mkdir(parents=True, exist_ok=True)
    scenario = own / "scenario.toml"
    kind = number % KINDS
    text = SCENARIO.format(hours=ROWS_EACH / 3600, rate=4 + kind % 4, pause=0.5 + 0.1 * kind)
    scenario.write_text(text + EPISODES.get(kind, ""))
    subprocess.run([program, "simulate", scenario, "--out", own, "--seed", str(number)], check=True, capture_output=True)
    tables = []
    for name in ("trace.csv", "events.csv"):
        header, *rows = (own / name).read_text().splitlines()
        whose = f"line-{number:06d},"
        tables.append((f"infusion,{header}\n", "".join(f"{whose}{row}\n" for row in rows[:ROWS_EACH])))
    if tables[0][1].count("\n") != ROWS_EACH:
        sys.exit(f"{own}: expected {ROWS_EACH} rows")
    shutil.rmtree(own)
    return tables


def listed(folder, infusions):
    names = (f"line-{i:06d},{'north' if i % 2 else 'east'}\n" for i in range(infusions))
    (folder / "infusions.csv").write_text("infusion,unit\n" + "".join(names))


def whole(program, folder, rows):
    """Makes the cohort."""
    infusions = max(1, rows // ROWS_EACH)
    for sub in ("traces", "events"):
        (folder / sub).mkdir(parents=True, exist_ok=True)
    with (folder / "traces/all.csv").open("w") as traces, (folder / "events/all.csv").open("w") as events:
        with ThreadPoolExecutor(os.cpu_count()) as pool:
            step = 100  # so many are held at a time
            for first in range(0, infusions, step):
                own = range(first, min(first + step, infusions))
                for i, tables in zip(own, pool.map(lambda i: simulated(program, folder / "making" / str(i), i), own)):
                    for file, (header, lines) in zip((traces, events), tables):
                        file.write(header * (i == 0) + lines)
                if first // step % 5 == 0:
                    print(f"  {own.stop:,} of {infusions:,} infusions made", flush=True)
    shutil.rmtree(folder / "making")
    listed(folder, infusions)  # last: a folder that has it is whole


def part(cohort, folder, rows):
    """The first infusions of a cohort."""
    infusions = max(1, rows // ROWS_EACH)
    for sub in ("traces", "events"):
        (folder / sub).mkdir(parents=True, exist_ok=True)
    with (cohort / "traces/all.csv").open("rb") as source, (folder / "traces/all.csv").open("wb") as file:
        for _ in range(1 + infusions * ROWS_EACH):
            file.write(source.readline())
    names = {b"infusion"} | {f"line-{i:06d}".encode() for i in range(infusions)}
    with (cohort / "events/all.csv").open("rb") as source, (folder / "events/all.csv").open("wb") as file:
        file.writelines(line for line in source if line.split(b",", 1)[0] in names)
    listed(folder, infusions)


def interleaved(cohort, folder):
    """The same rows in order of time."""
    (folder / "traces").mkdir(parents=True, exist_ok=True)
    shutil.copytree(cohort / "events", folder / "events", dirs_exist_ok=True)
    with (cohort / "traces/all.csv").open("rb") as source, (folder / "traces/all.csv").open("wb") as file:
        file.write(source.readline())
        lines = source.readlines()
        for row in range(ROWS_EACH):
            file.writelines(lines[row::ROWS_EACH])
    shutil.copy(cohort / "infusions.csv", folder / "infusions.csv")


if __name__ == "__main__":
    whole(sys.argv[1], Path(sys.argv[2]), int(sys.argv[3]))
