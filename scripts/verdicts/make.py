"""Writes src/report/words/past_verdicts.rs from the figures in ACCURACY.md: how often verdicts on made records were right.

usage: python3 scripts/verdicts/make.py
Run it after scripts/accuracy/run has written new figures; a test compares the two.
"""

import pathlib
import re

ROOT = pathlib.Path(__file__).resolve().parents[2]
SITES = ["supply", "tubing", "filter", "catheter", "settings", "none"]
# The certainties of `infer::Confidence`, by the probabilities from which they begin.
CERTAINTIES = [("High", 0.9, 1.0), ("Moderate", 0.6, 0.9)]


def rows(text: str, heading: str) -> list[list[str]]:
    """The cells of the first table after a heading."""
    lines = text.split(heading, 1)[1].splitlines()
    start = next(i for i, line in enumerate(lines) if line.startswith("|"))
    table = []
    for line in lines[start:]:
        if not line.startswith("|"):
            break
        table.append([cell.strip(" *") for cell in line.strip("|").split("|")])
    return table[2:]


def main() -> None:
    text = (ROOT / "ACCURACY.md").read_text(encoding="utf-8")
    confusion = [[0 if cell == "·" else int(cell) for cell in row[1:7]] for row in rows(text, "### Sites\n")]
    by_site = [(confusion[i][i], sum(row[i] for row in confusion)) for i in range(len(SITES))]
    certain = []
    bins = [(*map(float, row[0].split("–")), int(row[1]), float(row[3])) for row in rows(text, "### Are the probabilities right?\n")]
    for name, low, high in CERTAINTIES:
        inside = [b for b in bins if low <= b[0] and b[1] <= high]
        asked = sum(b[2] for b in inside)
        certain.append((name, round(100 * sum(b[2] * b[3] for b in inside) / asked), asked))
    records = int(re.search(r"Measured on (\d+) made records", text).group(1))
    lines = [
        "//! How often verdicts on made records were right. Written by `scripts/verdicts/make.py` from `ACCURACY.md`.",
        "",
        "use crate::infer::Confidence;",
        "",
        "/// Records on which it was measured.",
        f"pub const RECORDS: u32 = {records};",
        "",
        "/// Of the verdicts with this certainty: per cent that named the right part, and how many there were.",
        "pub const BY_CERTAINTY: [(Confidence, u32, u32); 2] = [",
        *(f"    (Confidence::{name}, {right}, {asked})," for name, right, asked in certain),
        "];",
        "",
        "/// Of the verdicts that named this site, in the order of `Site::ALL`, where the record could tell: how many were right, of how many.",
        f"pub const BY_SITE: [(u32, u32); 6] = [",
        *(f"    ({right}, {asked})," for right, asked in by_site),
        "];",
        "",
    ]
    (ROOT / "src/report/words/past_verdicts.rs").write_text("\n".join(lines), encoding="utf-8")


if __name__ == "__main__":
    main()
