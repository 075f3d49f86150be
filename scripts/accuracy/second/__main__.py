"""A second generator of made records, written from the description of the line alone: other integrator, laws, ranges and staff
than the simulator's.

    python3 scripts/accuracy/second make --seed 1 --records 200 --out DIR [--jobs 2]      # needs numpy and cc

Out: DIR/0000, DIR/0001, … each with trace.csv, truth.json, scenario.toml and mostly events.csv and line.toml. The same seed gives the
same bytes on one machine.
"""

import argparse
import os
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from second.one import make_all  # noqa: E402


def arguments():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    commands = parser.add_subparsers(dest="command", required=True)
    make = commands.add_parser("make")
    make.add_argument("--set", choices=["tune", "published"], default="tune", dest="set_name",
                      help="which seeds: those of `published` are for publishing alone")
    make.add_argument("--seed", type=int, default=1)
    make.add_argument("--records", type=int, default=100)
    make.add_argument("--out", type=Path, required=True)
    make.add_argument("--jobs", type=int, default=os.cpu_count() or 1)
    return parser.parse_args()


def main():
    args = arguments()
    made = make_all(args.set_name, args.seed, args.records, args.out, args.jobs)
    print(f"made {len(made)} records of `{args.set_name}` in {args.out}")


if __name__ == "__main__":
    main()
