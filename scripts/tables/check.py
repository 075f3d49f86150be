"""Checks what `patency export` and `patency simulate` write with libraries that know nothing of the program.

The description of every CSV must be valid (frictionless) and the rows must fit it; Parquet and Arrow must hold the same
cells as the CSV, to the last bit (pyarrow).

    scripts/tables/run
"""

import csv
import subprocess
import sys
import tempfile
from pathlib import Path

import frictionless
import pyarrow.feather
import pyarrow.parquet

ROOT = Path(__file__).resolve().parents[2]


def described(folder: Path) -> int:
    report = frictionless.validate(str(folder / "datapackage.json"))
    assert report.valid, report.flatten(["rowNumber", "fieldName", "message"])
    package = frictionless.Package(str(folder / "datapackage.json"))
    return sum(len(resource.read_rows()) for resource in package.resources)


def same_cells(folder: Path) -> int:
    with open(folder / "trace.csv", newline="") as file:
        header, *rows = csv.reader(file)
    for table in [pyarrow.parquet.read_table(folder / "trace.parquet"), pyarrow.feather.read_table(folder / "trace.arrow")]:
        assert table.column_names == header
        for index, name in enumerate(header):
            cells = table[name].to_pylist()
            written = [row[index] for row in rows]
            if any(isinstance(cell, float) for cell in cells):
                written = [float(cell) if cell else None for cell in written]
            elif all(cell is None for cell in cells):
                written = [cell or None for cell in written]
            assert cells == written, name
    return len(rows)


def main(patency: str) -> None:
    samples = sorted((ROOT / "sample-traces").glob("*/trace.csv"))
    with tempfile.TemporaryDirectory() as temporary:
        rows = compared = 0
        for trace in samples:
            for options in [[], ["--deidentify"]]:
                out = Path(temporary) / "export"
                events = ["--events", str(trace.with_name("events.csv"))]
                subprocess.run([patency, "export", str(trace), *events, *options, "--out", str(out)], check=True, stdout=subprocess.DEVNULL)
                rows += described(out)
                compared += same_cells(out)
        made = Path(temporary) / "made"
        scenario = samples[0].with_name("scenario.toml")
        subprocess.run([patency, "simulate", str(scenario), "--out", str(made)], check=True, stdout=subprocess.DEVNULL)
        rows += described(made)
    print(f"{len(samples)} traces exported twice: {rows} rows fit their description, {compared} are the same in Parquet and Arrow")
    assert samples and compared


if __name__ == "__main__":
    main(sys.argv[1])
