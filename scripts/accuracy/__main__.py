"""Measures how often the review is right, on made records whose truth is known.

    python3 -m venv .venv && .venv/bin/pip install -r scripts/accuracy/requirements.txt
    cargo build --release
    .venv/bin/python scripts/accuracy                                   # writes ACCURACY.md and its picture
    .venv/bin/python scripts/accuracy --set tune --records 300 --make-only DIR     # the records alone; needs no packages
"""

import argparse
from pathlib import Path

from make import make

ROOT = Path(__file__).resolve().parents[2]


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--set", choices=["tune", "published"], default="published", dest="set_name",
                        help="which records: `tune` may be looked at while the program is changed, `published` may not")
    parser.add_argument("--records", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--binary", default=ROOT / "target/release/patency")
    parser.add_argument("--make-only", metavar="DIR", help="make the records there and stop")
    args = parser.parse_args()
    if args.make_only:
        made = make(args.binary, args.set_name, args.seed, args.records, args.make_only)
        print(f"made {len(made)} records of `{args.set_name}` in {args.make_only}")


if __name__ == "__main__":
    main()
