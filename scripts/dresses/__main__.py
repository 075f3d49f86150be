"""Tries the reading of exports on files in many forms, and prints one table of how each reading ended.

    scripts/dresses/run [--short] [--program FILE] [--only TEXT] [--all]

Each form ("dress") is an export of a made record whose right reading is known. The program proposes a mapping, its
questions are answered as somebody who knows the pumps would, and what it then reads is compared with the record. Files of HL7 v2
messages are read as they come.
Ends with 1 where a record is read wrongly or more is asked than the limits below allow.
"""

import argparse
import sys
import time
from collections import Counter
from concurrent.futures import ThreadPoolExecutor

import figures
import judge
import layouts
import messages
import times
import traps

NEEDLESS_AT_MOST = 0.03  # share of forms in which something is asked or refused without need
ROOT = judge.Path(__file__).resolve().parents[2]


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--program", default=str(ROOT / "target/release/patency"))
    parser.add_argument("--short", action="store_true", help="every third form")
    parser.add_argument("--only", default="", help="forms whose name holds this text")
    parser.add_argument("--all", action="store_true", help="list the forms that end well, too")
    options = parser.parse_args()
    dresses = [d for part in (layouts, times, figures, traps, messages) for d in part.all_of_them()]
    names = Counter(d.name for d in dresses)
    assert max(names.values()) == 1, [n for n, k in names.items() if k > 1]
    if options.short:
        dresses = [d for i, d in enumerate(dresses) if i % 3 == 0]
    dresses = [d for d in dresses if options.only in d.name]
    begin = time.monotonic()
    with ThreadPoolExecutor(2) as pool:
        verdicts = list(pool.map(lambda d: judge.judge(options.program, d), dresses))
    for d, v in zip(dresses, verdicts):
        if options.all or v.outcome not in (judge.SAME, judge.RIGHT):
            print(f"{v.outcome:<28} {d.name} ({d.expect})\n{'':<29}{' '.join(v.what.split())[:400]}")
        for fault in v.faults:
            print(f"{'fault in a message':<28} {d.name}\n{'':<29}{' '.join(fault.split())[:300]}")
    counts = Counter(v.outcome for v in verdicts)
    faults = sum(1 for v in verdicts if v.faults)
    print(f"\n{len(dresses)} forms, {time.monotonic() - begin:.0f} s")
    for outcome in judge.OUTCOMES:
        print(f"{counts[outcome]:5}  {outcome}")
    print(f"{faults:5}  with a fault in a message (no line, no way on, an empty list, a wrong status)")
    needless = (counts[judge.NEEDLESS] + counts[judge.DEAD]) / max(1, len(dresses))
    print(f"{100 * needless:5.1f} % asked or refused without need, {100 * NEEDLESS_AT_MOST:.0f} % at most")
    return 1 if counts[judge.WRONG] or counts[judge.NOTICED] or faults or needless > NEEDLESS_AT_MOST else 0


if __name__ == "__main__":
    sys.exit(main())
