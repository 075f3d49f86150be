"""Makes a large cohort to measure speed on. usage: make.py PROGRAM FOLDER ROWS [--interleaved]

One table `traces/all.csv` at 1 Hz, one channel, 10,000 rows for each infusion, and `events/all.csv`. Twelve distinct
records from the program's own simulator, of which one in six has an episode (mostly uneventful, as in life), stand there
again and again under other names. With `--interleaved` the rows of all infusions stand in order of time, as a gateway that logs a
whole hospital writes them.
"""

import subprocess
import sys
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
DISTINCT = 12


def template(program, folder, number):
    """Header and rows of trace and events of one distinct record."""
    own = folder / "templates" / str(number)
    own.mkdir(parents=True, exist_ok=True)
    scenario = own / "scenario.toml"
    text = SCENARIO.format(hours=ROWS_EACH / 3600, rate=4 + number % 4, pause=0.5 + 0.1 * number)
    scenario.write_text(text + EPISODES.get(number, ""))
    subprocess.run([program, "simulate", scenario, "--out", own, "--seed", str(number)], check=True, capture_output=True)
    read = [(own / name).read_text().splitlines() for name in ("trace.csv", "events.csv")]
    return [(lines[0], lines[1 : 1 + ROWS_EACH]) for lines in read]


def main():
    program, folder, rows = sys.argv[1], Path(sys.argv[2]), int(sys.argv[3])
    interleaved = "--interleaved" in sys.argv
    infusions = max(1, rows // ROWS_EACH)
    records = [template(program, folder, n) for n in range(DISTINCT)]
    names = [f"line-{i:06d}" for i in range(infusions)]
    for sub in ("traces", "events"):
        (folder / sub).mkdir(exist_ok=True)
    (folder / "infusions.csv").write_text("infusion,unit\n" + "".join(f"{n},{'north' if i % 2 else 'east'}\n" for i, n in enumerate(names)))
    for which, sub in enumerate(("traces", "events")):
        with (folder / sub / "all.csv").open("w") as file:
            file.write(f"infusion,{records[0][which][0]}\n")
            if interleaved and which == 0:
                for row in range(ROWS_EACH):
                    for i, name in enumerate(names):
                        lines = records[i % DISTINCT][0][1]
                        if row < len(lines):
                            file.write(f"{name},{lines[row]}\n")
            else:
                for i, name in enumerate(names):
                    file.write("".join(f"{name},{line}\n" for line in records[i % DISTINCT][which][1]))


main()
