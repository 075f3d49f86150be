"""Fills docs/sizes.md from scripts/speed/results.json: python3 scripts/speed/sizes.py"""

import json
from pathlib import Path

HERE = Path(__file__).resolve().parent
kept = json.loads((HERE / "results.json").read_text())
results = kept["results"]
surveys = [r for r in results if r["part"] == "memory" and "in order" in r["what"]]
packed = [r for r in results if r["part"] == "made"]
if not surveys or not packed:
    raise SystemExit("docs/sizes.md is left as it is: the parts made and memory have not been measured")
rate = surveys[-1]["rows_per_processor_s"]
peak = max(r["ours"] for r in results if "peak memory" in r["what"] and "survey" in r["what"])
# Bytes of a row as CSV and as Parquet, from the made cohort, and in the working file (8 + 4 × 8 + 4).
CSV, PARQUET, WAITING = packed[0]["ours"], packed[0]["theirs"], 44
ROWS_PER_PUMP_YEAR = 365 * 86_400 / 3  # 1 Hz, a third of the time


def count(x):
    return f"{x:.2g}" if x < 100 else f"{round(x, -2) if 1000 < x else round(x):,.0f}"


lines = []
for pumps in (100, 10_000, 1_000_000):
    rows = pumps * ROWS_PER_PUMP_YEAR
    hours = rows / rate / 3600
    lines.append(
        f"| {pumps:,} | {rows:.2g} | {count(hours)} | {count(rows * CSV / 1e12)} | {count(rows * PARQUET / 1e12)} | {count(rows * WAITING / 1e12)} |"
    )
table = "\n".join(lines)
about = kept["about"]
(HERE.parents[1] / "docs" / "sizes.md").write_text(f"""# How large, how long

What a year of pumps costs, worked out from measured rates ({rate / 1e6:.2f} million rows for each second of one processor, survey and reviews included;
`{about['command']}`, {about['machine']}, {about['month']}). A pump is taken to write a row each second for a third of the year (an assumption; one that
writes every ten seconds costs a tenth). One infusion in six of the made cohort has an episode; quieter ones take less.

| pumps | rows in a year | processor hours | CSV, TB | Parquet, TB | working file, TB |
|---|---|---|---|---|---|
{table}

- **Memory** does not grow with any of this: {peak:.0f} MiB at most over two decades of rows, in order and interleaved. It grows with the longest single
  infusion (each worker holds one) and with the events, which are held while a survey runs (about 100 bytes each). CSV and Arrow streams are read as streams of any
  length; of a Parquet file the packed bytes are held (2 GB at most), and one row group for each processor.
- **One machine**: reading a CSV takes one processor for each file in `traces/`, reviews take all; several files are read side by side. The working file lies beside
  the results (`--out`), else in the folder for temporary files, has no name, and is gone when the run ends, however it ends.
- **100 pumps** are a laptop's work over lunch. **10,000** are a night on a server of eight processors. **1,000,000** want a cluster: infusions are
  independent, so `scripts/spark/job.py` hands each partition to one run of the program. The survey of the reviews is made on one machine and holds about a kB for each
  infusion: some tens of millions of them; beyond, survey a region or a year at a time. Neither 10,000 nor 1,000,000 was tried: these are the measured rate times rows.
- Every infusion of the made cohort has noise of its own, rounded to 1 mmHg; no real export was at hand, and one with finer figures packs less.
""")
