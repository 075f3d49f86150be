"""Measures how often the review is right, on made records whose truth is known.

    scripts/accuracy/run                        # builds all, writes its part of ACCURACY.md and docs/accuracy.png

or, with the program built and an environment of one's own:

    python3 -m venv .venv && .venv/bin/pip install -r scripts/accuracy/requirements.txt
    .venv/bin/python scripts/accuracy --set tune --records 300 --keep DIR        # while the program is changed: into DIR
    .venv/bin/python scripts/accuracy --set tune --records 300 --keep DIR --reuse   # again, on the records left there
    python3 scripts/accuracy --set tune --records 300 --make-only DIR            # the records alone; needs no packages

Two generators make records: `simulate` is the program's own simulator, `second` (scripts/accuracy/second) was written apart from it and
needs numpy and `cc`. `--generator both`, the default for the published set, measures on each and sets them side by side.

With `--keep DIR`, the records stay in DIR/records (those of the second generator in DIR/records-second), and accuracy.md, its picture,
episodes.csv (each true and found episode, a row each) and upheld.csv (each claim of `visible_from` that was looked at) are written to
DIR instead of into the repository. Otherwise only what stands between the two marks in ACCURACY.md is replaced.
"""

import argparse
import csv
import functools
import os
import platform
import shutil
import subprocess
import sys
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

from make import folder_of, make, make_one

ROOT = Path(__file__).resolve().parents[2]


def arguments():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--set", choices=["tune", "published"], default="published", dest="set_name",
                        help="which records: `tune` may be looked at while the program is changed, `published` may not")
    parser.add_argument("--generator", choices=["simulate", "second", "both"],
                        help="who makes the records; by default both for the published set, the simulator alone for `tune`")
    parser.add_argument("--records", type=int, default=1000, help="of each generator")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--binary", type=Path, default=ROOT / "target/release/patency")
    parser.add_argument("--make-only", metavar="DIR", help="make the records there and stop")
    parser.add_argument("--keep", metavar="DIR", help="work there and write the results there")
    parser.add_argument("--reuse", action="store_true",
                        help="with --keep: review the records left there by an earlier run instead of making them anew")
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1, help="records at a time (one for each core)")
    parser.add_argument("--no-rivals", action="store_true", help="leave out the three other methods")
    args = parser.parse_args()
    if not args.binary.exists():
        sys.exit(f"{args.binary} is not there: run `cargo build --release` first, or name it with --binary")
    if args.generator is None:
        args.generator = "both" if args.set_name == "published" else "simulate"
    if args.make_only and args.generator == "both":
        parser.error("--make-only makes the records of one generator: name it with --generator")
    if args.reuse and not args.keep:
        parser.error("--reuse needs --keep DIR: the folder of the earlier run")
    return args


def make_with(generator, args, number, into):
    """One record of a generator, in its folder under `into`."""
    if generator == "second":
        from second.one import make_one as make_second
        make_second(args.set_name, args.seed, number, library=into, into=into)
    else:
        make_one(args.binary, args.set_name, args.seed, number, folder_of(into, number))


def work_on(number, generator, into, args):
    """One record, from its numbers to what every method found. Its files stay only with --keep."""
    import records
    import rivals
    import upheld

    folder = folder_of(into, number)
    if not args.reuse:
        make_with(generator, args, number, into)
    record = records.review(records.load(folder), args.binary)
    claim = upheld.look(record, args.binary, upheld.stride_for(args.records))
    others = {} if args.no_rivals else {name: method(record) for name, method in rivals.RIVALS.items()}
    record.forget_trace()
    if not args.keep:
        shutil.rmtree(folder)
    return record, others, claim


def measure(generator, args, into):
    """What a generator's records give: the program's score, the rivals', and the claims of `visible_from` that were looked at."""
    from report import Measured
    from score import score

    if generator == "second":
        from second.network import compiled
        compiled(into)
    work = functools.partial(work_on, generator=generator, into=into, args=args)
    with ProcessPoolExecutor(args.jobs) as pool:
        done = []
        for row in pool.map(work, range(args.records), chunksize=2):
            done.append(row)
            if sys.stderr.isatty():
                print(f"\r{len(done)} of {args.records} records", end="", file=sys.stderr, flush=True)
    records = [record for record, _, _ in done]
    found = {id(record): others for record, others, _ in done}
    names = done[0][1].keys() if done else []
    rivals = {name: score(records, lambda r, name=name: found[id(r)][name]) for name in names}
    return Measured(generator, score(records, lambda r: r.found), rivals, [claim for _, _, claim in done if claim])


def how_made(args, took_s):
    """Version, commit, machine: what a figure is worth nothing without."""
    import matching

    def said(*command):
        return subprocess.run(command, cwd=ROOT, capture_output=True, text=True).stdout.strip()

    changed = " with changes not committed" if said("git", "status", "--porcelain", "--", "src", "scripts/accuracy", "Cargo.toml") else ""
    cpu = next((line.split(":", 1)[1].strip() for line in open("/proc/cpuinfo") if line.startswith("model name")), platform.machine())
    version = said(str(args.binary), "--version")
    rule = matching.__doc__.split("\n\n", 2)[2].strip()
    return {
        "command": f"scripts/accuracy/run --set {args.set_name} --generator {args.generator} --records {args.records} --seed {args.seed}",
        "how": f"with {version} at commit {said('git', 'rev-parse', '--short', 'HEAD')}{changed}, on {time.strftime('%-d %B %Y')}, "
               f"in {took_s / 60:.0f} min with {args.jobs} at a time on {os.cpu_count()} cores ({cpu}), Python {platform.python_version()}; "
               "packages as pinned in `scripts/accuracy/requirements.txt`.",
        "rule": rule,
        "whose": ", that nobody tuned on" if args.set_name == "published" else ", of the set that the program is tuned on",
    }


def write_episodes(score, path):
    """Each true and found episode in a row, for looking at what goes wrong."""
    header = ["record", "outcome", "true_site", "true_cause", "can_tell", "true_onset", "named", "likeliest", "p_true", "p_likeliest",
              "course", "onset", "files", "period_s", "channels"]
    with open(path, "w", newline="") as file:
        out = csv.writer(file)
        out.writerow(header)
        for record, o in score.outcomes:
            files = "trace" + "+events" * record.events + "+line" * record.line
            tail = [files, "change" if record.on_change else record.period_s, len(record.channels)]
            rows = [("found", t, f) for t, f in o.pairs] + [("missed", t, None) for t in o.missed]
            rows += [("not asked", t, f) for t, f in o.unasked]
            rows += [("false", None, f) for f in o.false if not any(f is x for _, x in o.pairs)]
            rows += [("split", None, f) for f in o.splits] + [("other", None, f) for f in o.other]
            for outcome, t, f in rows:
                true = [t.site, t.cause, t.can_tell, rounded(t.onset, record)] if t else ["", "", "", ""]
                found = ["", "", "", "", "", ""]
                if f:
                    found = [f.suggested, f.likeliest, round(f.sites.get(t.site, 0), 3) if t else "",
                             round(f.sites.get(f.likeliest, 0), 3), f.course, rounded(f.onset, record)]
                out.writerow([record.folder.name, outcome] + true + found + tail)


def rounded(t, record):
    """Hours from the record's start."""
    return "" if t is None else round((t - record.start) / 3600, 3)


def write_claims(claims, path):
    """Each claim of `visible_from` that was looked at in a row."""
    with open(path, "w", newline="") as file:
        out = csv.DictWriter(file, ["record", "episode", "site", "course", "there", "early"])
        out.writeheader()
        out.writerows(claims)


def make_only(args):
    if args.generator == "simulate":
        made = make(args.binary, args.set_name, args.seed, args.records, args.make_only, args.jobs)
    else:
        from second.one import make_all
        made = make_all(args.set_name, args.seed, args.records, args.make_only, args.jobs)
    print(f"made {len(made)} records of `{args.set_name}` in {args.make_only}")


def write(measured, speed, made, args):
    """The report into the repository, or with --keep beside the records; and what is printed of it."""
    from picture import draw
    from report import markdown, put_between

    text = markdown(measured, speed, made)
    first = measured[0]
    if args.keep:
        target = Path(args.keep)
        (target / "accuracy.md").write_text(text)
        draw(first.score, first.rivals, target / "accuracy.png")
        for one in measured:
            tail = "" if one.generator == "simulate" else f"-{one.generator}"
            write_episodes(one.score, target / f"episodes{tail}.csv")
            write_claims(one.claims, target / f"upheld{tail}.csv")
    else:
        (ROOT / "docs").mkdir(exist_ok=True)
        page = ROOT / "ACCURACY.md"
        page.write_text(put_between(page.read_text() if page.exists() else "# Accuracy\n", text))
        draw(first.score, first.rivals, ROOT / "docs/accuracy.png")
    print(text.split("### In short")[1].split("![")[0])


def main():
    args = arguments()
    if args.make_only:
        return make_only(args)
    began = time.time()
    generators = ["simulate", "second"] if args.generator == "both" else [args.generator]
    with tempfile.TemporaryDirectory() as scratch:
        under = Path(args.keep or scratch)
        folders = {"simulate": under / "records", "second": under / "records-second"}
        measured = [measure(generator, args, folders[generator]) for generator in generators]
        from speed import measure_speed

        speed = measure_speed(args.binary, Path(scratch))
        write(measured, speed, how_made(args, time.time() - began), args)


if __name__ == "__main__":
    main()
