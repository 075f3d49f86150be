"""All ratios in one run. usage: measure.py PROGRAM AGAINST FOLDER ROWS [PART ...]   (scripts/speed/run calls it)

Parts are made, reading, survey, growth, cores, memory, split, survival; without one, all. What a part measured is kept as soon as it is done, so a run
that was broken off goes on with the parts that are missing: name them. Parts that are not run keep the results they have, with
the commit that those are of. Ends with 1 where a part could not be done or a goal is not met; results.md says which.

Two commands whose ratio is asked for run in turn, A B A B …, so that a machine that slows down slows both; what is kept is the median of
the ratios, with the medians of the times. Where whole processes are compared, processor time is kept beside: on a machine that others
use too it says more than the clock. Reading a file stands for whole processes of ours and for calls inside a running
interpreter of theirs: their start-up is not counted, ours is. Both use all processors.
"""

import json
import os
import platform
import shutil
import statistics
import subprocess
import sys
import time
import traceback
import warnings
from pathlib import Path

import numpy as np
import pandas as pd
import polars as pl
import pyarrow as pa
import ruptures
from lifelines import CoxPHFitter, CoxTimeVaryingFitter, KaplanMeierFitter

import make

HERE = Path(__file__).parent
PROGRAM, AGAINST, FOLDER, ROWS = Path(sys.argv[1]).resolve(), Path(sys.argv[2]).resolve(), Path(sys.argv[3]), int(sys.argv[4])
RUNS = 3
results = []
began = time.perf_counter()


def say(text):
    print(f"[{time.perf_counter() - began:5.0f} s] {text}", flush=True)


def program(*args, stdin=None, processors=None):
    """Runs the program; seconds by the clock and of the processors, peak memory in MiB."""
    bound = (lambda: os.sched_setaffinity(0, processors)) if processors else None
    source = open(stdin, "rb") if stdin else subprocess.DEVNULL
    started = time.perf_counter()
    child = subprocess.Popen([PROGRAM, *map(str, args)], stdin=source, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, preexec_fn=bound)
    peak = 0.0
    while os.waitid(os.P_PID, child.pid, os.WEXITED | os.WNOHANG | os.WNOWAIT) is None:
        # The system's own account of a finished child would begin with this interpreter's size.
        with open(f"/proc/{child.pid}/status") as file:
            peak = max([peak, *(float(line.split()[1]) / 1024 for line in file if line.startswith("VmHWM"))])
        time.sleep(0.002)
    seconds = time.perf_counter() - started
    _, status, used = os.wait4(child.pid, 0)
    child.returncode = os.waitstatus_to_exitcode(status)
    if stdin:
        source.close()
    if child.returncode:
        raise RuntimeError(f"{args}: status {child.returncode}")
    return seconds, used.ru_utime + used.ru_stime, peak


def clock(job):
    started = time.perf_counter(), time.process_time()
    job()
    return time.perf_counter() - started[0], time.process_time() - started[1]


def fresh(parquet):
    """The first read of an interpreter, whose start and imports do not count: as cold as a process of ours."""
    code = (
        "import sys, time, polars as pl\n"
        "pl.DataFrame({'warm': [1.0]}).select(pl.col('warm').sum())\n"  # its threads are up
        "a, b = time.perf_counter(), time.process_time()\n"
        "pl.read_parquet(sys.argv[1])\n"
        "print(time.perf_counter() - a, time.process_time() - b)"
    )
    done = subprocess.run([sys.executable, "-c", code, parquet], check=True, capture_output=True, text=True)
    return tuple(map(float, done.stdout.split()))


def keep(name, ours, theirs, ratio, goal=None, **more):
    """`goal` is `("≤", limit)` or `("<", limit)` of the ratio; met or not is worked out here, nowhere by hand."""
    met = None if goal is None else (ratio <= goal[1] if goal[0] == "≤" else ratio < goal[1])
    results.append({"what": name, "ours": ours, "theirs": theirs, "ratio": ratio, "goal": goal, "met": met, **more})
    judged = {None: "", True: ": met", False: ": NOT MET"}[met]
    say(f"{name}: {ours:.4g} against {theirs:.4g}, ratio {ratio:.3g}" + (f" (asked {goal[0]} {goal[1]}{judged})" if goal else ""))


def pair(name, ours, theirs, goal=None, runs=RUNS):
    """Median of ours/theirs over pairs; both give seconds by the clock and of the processors."""
    ours(), theirs()
    times = [(ours(), theirs()) for _ in range(runs)]
    median = lambda of: statistics.median(of(a, b) for a, b in times)
    more = {"processor time ratio": median(lambda a, b: a[1] / b[1])} if times[0][0][1] else {}
    keep(name, median(lambda a, b: a[0]), median(lambda a, b: b[0]), median(lambda a, b: a[0] / b[0]), goal, **more)


NUMBERS = {name: pl.Float64 for name in ("pressure_mmhg", "rate_ml_h", "volume_ml", "limit_mmhg")}
SMALL = max(20_000, ROWS // 10)


def typed(csv):
    return pl.read_csv(csv, schema_overrides=NUMBERS, try_parse_dates=True)


def whole():
    """The cohort; made where it is not there, or was left half made."""
    folder = FOLDER / f"cohort-{ROWS}"
    if not (folder / "infusions.csv").exists():
        shutil.rmtree(folder, ignore_errors=True)
        make.whole(PROGRAM, folder, ROWS)
    return folder


def some(rows, interleaved=False):
    """Its first rows, perhaps in order of time."""
    cohort = whole()
    folder = FOLDER / f"part-{rows}" if rows < ROWS else cohort
    if not (folder / "infusions.csv").exists():
        make.part(cohort, folder, rows)
    if not interleaved:
        return folder
    other = FOLDER / f"interleaved-{rows}"
    if not (other / "infusions.csv").exists():
        make.interleaved(folder, other)
    return other


def made():
    seconds = clock(whole)[0]
    csv = some(SMALL) / "traces/all.csv"
    typed(csv).write_parquet(FOLDER / "small.parquet")
    keep("bytes of a row of the made cohort, CSV against Parquet", csv.stat().st_size / SMALL, (FOLDER / "small.parquet").stat().st_size / SMALL, csv.stat().st_size / (FOLDER / "small.parquet").stat().st_size, seconds=seconds)


def reading():
    csv, parquet = some(SMALL) / "traces/all.csv", FOLDER / "small.parquet"
    if not parquet.exists():
        typed(csv).write_parquet(parquet)
    ours = lambda file: lambda: program("inspect", file, "--json")[:2]
    pair(f"`inspect` of a CSV of {SMALL:,} rows, against a typed read", ours(csv), lambda: clock(lambda: typed(csv)), ("≤", 1.5))
    pair("the same, times left as text in the bare read", ours(csv), lambda: clock(lambda: pl.read_csv(csv, schema_overrides=NUMBERS)))
    name = f"`inspect` of a Parquet file of {SMALL:,} rows, against a typed read"
    pair(f"{name} in an interpreter just started", ours(parquet), lambda: fresh(parquet), ("≤", 2.0), 9)
    pair(f"{name} again and again in a running one, whose memory is warm", ours(parquet), lambda: clock(lambda: pl.read_parquet(parquet)), ("≤", 2.0), 9)


def survey():
    folder = whole()
    csv = folder / "traces/all.csv"
    pair(f"`survey` of {ROWS // make.ROWS_EACH:,} infusions, {ROWS:,} rows, against a typed read of their CSV", lambda: program("survey", folder, "--json")[:2], lambda: clock(lambda: typed(csv)), ("≤", 4.0), 2)


def decades():
    return [rows for rows in (ROWS // 1000, ROWS // 100, ROWS // 10, ROWS) if make.ROWS_EACH <= rows]


def growth():
    """Time over three decades of rows: what a row costs must not rise."""
    for name, command in (("`inspect`", lambda rows: ("inspect", some(rows) / "traces/all.csv", "--json")), ("`survey`", lambda rows: ("survey", some(rows), "--json"))):
        last = None
        for rows in decades():
            some(rows)
            seconds, cpu, _ = program(*command(rows))
            each = cpu / rows
            # Few rows are the start of a process more than anything, and their infusions have no episode.
            goal = ("≤", 1.25) if last and 100 * make.ROWS_EACH <= rows else None
            keep(f"{name} of {rows:,} rows: processor time of a row, µs, against that of the size before", 1e6 * each, 1e6 * (last or each), each / (last or each), goal, seconds=seconds, rows_per_processor_s=rows / cpu)
            last = each


def cores():
    """The same on one processor and on two."""
    folder, count = some(SMALL), min(2, os.cpu_count())
    one, both = {0}, set(range(count))
    parquet = FOLDER / "small.parquet"
    if not parquet.exists():
        typed(folder / "traces/all.csv").write_parquet(parquet)
    for name, args in (("`survey`", ("survey", folder, "--json")), ("`inspect` of CSV", ("inspect", folder / "traces/all.csv", "--json")), ("`inspect` of Parquet", ("inspect", parquet, "--json"))):
        runs = [(program(*args, processors=one)[0], program(*args, processors=both)[0]) for _ in range(RUNS)]
        alone, together = (statistics.median(r[i] for r in runs) for i in (0, 1))
        keep(f"{name}, {SMALL:,} rows: thousand rows a second on {count} processors against one", SMALL / together / 1e3, SMALL / alone / 1e3, alone / together)


def memory():
    """Peak memory at 1×, 10×, 100× rows."""
    for interleaved in (False, True):
        first = None
        for rows in (ROWS // 100, ROWS // 10, ROWS):
            folder = some(rows, interleaved)
            seconds, cpu, peak = program("survey", folder, "--json")
            if interleaved:
                shutil.rmtree(folder)
            first = first or peak
            how = "interleaved" if interleaved else "in order"
            keep(f"`survey` of {rows:,} rows {how}: peak memory, MiB, against that of {ROWS // 100:,}", peak, first, peak / first, ("≤", 1.5), seconds=seconds, processor_s=cpu, rows_per_processor_s=rows / cpu)
    first = None
    for rows in (ROWS // 1000, ROWS // 100, ROWS // 10):
        stream = FOLDER / "stream.arrows"
        table = typed(some(rows) / "traces/all.csv").to_arrow(compat_level=pl.CompatLevel.oldest())
        with pa.ipc.new_stream(stream, table.schema) as writer:
            writer.write_table(table, max_chunksize=10_000)  # what Spark sends
        del table
        seconds, cpu, peak = program("review", "--arrow", stdin=stream)
        stream.unlink()
        first = first or peak
        keep(f"`review --arrow` of {rows:,} rows: peak memory, MiB, against that of {ROWS // 1000:,}", peak, first, peak / first, ("≤", 1.5), seconds=seconds, processor_s=cpu)


def split():
    rng = np.random.default_rng(7)
    for n in (1_000, 10_000, 100_000, 1_000_000):
        levels = np.repeat(rng.normal(0, 5, -(-n // 500)), 500)[:n] + rng.normal(size=n)
        file = FOLDER / f"levels-{n}.csv"
        np.savetxt(file, levels, fmt="%.6f", header="y", comments="")
        levels = np.loadtxt(file, skiprows=1)
        penalty = 3 * np.log(n)
        found = {}

        def ours():
            seconds, points = subprocess.run([AGAINST, "levels", file, str(penalty)], check=True, capture_output=True, text=True).stdout.split("\n")[:2]
            found["ours"] = [int(p) for p in points.split()]
            return float(seconds), None

        def theirs():
            def job():
                search = ruptures.KernelCPD(kernel="linear", min_size=1).fit(levels.reshape(-1, 1))
                found["theirs"] = search.predict(pen=penalty)[:-1]

            return clock(job)

        pair(f"levels of {n:,} points, same cost and penalty, against compiled exact PELT", ours, theirs, ("<", 1.0), 3 if n < 1_000_000 else 1)
        results[-1]["same change points"] = found["ours"] == [int(p) for p in found["theirs"]]
        t = np.arange(n)
        for name, values in (("noise", rng.normal(size=n)), ("a slow wave", 10 * np.sin(2 * np.pi * t / n) + rng.normal(size=n))):
            np.savetxt(FOLDER / "one.csv", values, fmt="%.4f", header="y", comments="")
            runs = [program("segments", FOLDER / "one.csv", "--column", "y", "--json") for _ in range(3)]
            seconds, cpu = (statistics.median(r[i] for r in runs) for i in (0, 1))
            keep(f"`segments` of {name}, {n:,} points, whole command, s, against 2 s", seconds, 2.0, seconds / 2.0, ("<", 1.0) if n == 1_000_000 else None, processor_s=cpu)


def survival():
    rng = np.random.default_rng(11)
    warnings.simplefilter("ignore")
    for n in (1_000, 10_000, 100_000):
        x = rng.integers(0, 3, n)
        start = rng.uniform(0, 10, n)
        life = rng.exponential(60 / 1.5**x)
        stop = start + np.minimum(life, 48) + 1e-6
        rows = pd.DataFrame({"start": start, "stop": stop, "event": (life < 48).astype(int), "x": x})
        rows.to_csv(FOLDER / "cox.csv", index=False)
        censored = pd.DataFrame({"start": 0.0, "stop": stop - start, "event": rows["event"], "x": x})
        censored.to_csv(FOLDER / "coxph.csv", index=False)
        rows[["stop", "event"]].to_csv(FOLDER / "km.csv", index=False)
        rows["id"] = np.arange(n)
        answers = {}

        def ours(job):
            def run():
                seconds, answer = subprocess.run([AGAINST, job.removesuffix("ph"), FOLDER / f"{job}.csv"], check=True, capture_output=True, text=True).stdout.split()
                answers["ours"] = float(answer)
                return float(seconds), None

            return run

        def cox():
            fitter = CoxTimeVaryingFitter()
            took = clock(lambda: fitter.fit(rows, id_col="id", start_col="start", stop_col="stop", event_col="event"))
            answers["theirs"] = fitter.params_["x"]
            return took

        def cox_censored():
            fitter = CoxPHFitter()
            took = clock(lambda: fitter.fit(censored[["stop", "event", "x"]], duration_col="stop", event_col="event"))
            answers["theirs"] = fitter.params_["x"]
            return took

        def curve():
            fitter = KaplanMeierFitter()
            took = clock(lambda: fitter.fit(rows["stop"], rows["event"]))
            answers["theirs"] = float(fitter.survival_function_.iloc[-1, 0])
            return took

        jobs = [("Cox", "coxph", cox_censored, ("≤", 0.05)), ("Kaplan–Meier", "km", curve, None)]
        if n < 100_000:  # theirs takes many minutes at 100,000
            jobs.append(("Cox, start–stop rows", "cox", cox, None))
        for name, job, other, goal in jobs:
            pair(f"{name}, {n:,}", ours(job), other, goal if n == 100_000 else None, 3 if n < 10_000 else 1)
            results[-1]["difference of the answers"] = abs(answers["ours"] - answers["theirs"])


PARTS = {"made": made, "reading": reading, "survey": survey, "growth": growth, "cores": cores, "memory": memory, "split": split, "survival": survival}


def about():
    with open("/proc/cpuinfo") as file:
        model = next((line.split(":")[1].strip() for line in file if line.startswith("model name")), platform.processor())
    return {
        "command": f"scripts/speed/run {ROWS}",
        "commit": os.environ.get("COMMIT", "unknown"),
        "machine": f"{os.cpu_count()} × {model}",
        "month": time.strftime("%B %Y"),
        "libraries": {lib.__name__: lib.__version__ for lib in (pl, np, pd, ruptures)},
    }


def write(kept):
    """Keeps results.json and results.md; `kept` is what is known of each part."""
    kept = {name: kept[name] for name in PARTS if name in kept}
    now = about()
    flat = [{**result, "part": name} for name, part in kept.items() for result in part["results"]]
    parts = {name: {k: v for k, v in part.items() if k != "results"} for name, part in kept.items()}
    (HERE / "results.json").write_text(json.dumps({"about": now, "parts": parts, "results": flat}, indent=1, ensure_ascii=False) + "\n")
    lines = [f"Measured with `{now['command']}` on {now['machine']}, {now['month']}, optimisation level 3, beside {', '.join(f'{k} {v}' for k, v in now['libraries'].items())}.", ""]
    judged = [r for r in flat if r["met"] is not None]
    met = sum(r["met"] for r in judged)
    lines += [f"Goals met: {met} of {len(judged)}.", ""]
    lines += [f"- **Not met**: {r['what']}: {r['ratio']:.3g}, asked {r['goal'][0]} {r['goal'][1]}" for r in judged if not r["met"]]
    lines += [f"- **Could not be measured**: {name}: {part['failed']}" for name, part in kept.items() if part.get("failed")]
    lines += [f"- Not measured yet: {name}" for name in PARTS if name not in kept]
    lines += ["", "| part | commit | load before | took, s |", "|---|---|---|---|"]
    lines += [f"| {name} | {part['commit']} | {part['load']:.1f} | {part['took_s']:.0f} |" for name, part in parts.items()]
    lines += ["", "| what | ours | theirs | ratio | asked | | |", "|---|---|---|---|---|---|---|"]
    known = {"what", "ours", "theirs", "ratio", "goal", "met", "part"}
    for r in flat:
        more = "; ".join(f"{k} {v if isinstance(v, (bool, str)) else format(v, '.3g')}" for k, v in r.items() if k not in known)
        goal = f"{r['goal'][0]} {r['goal'][1]}" if r["goal"] else "–"
        judged = {None: "", True: "met", False: "**not met**"}[r["met"]]
        lines.append(f"| {r['what']} | {r['ours']:.3g} | {r['theirs']:.3g} | {r['ratio']:.3g} | {goal} | {judged} | {more} |")
    (HERE / "results.md").write_text("\n".join(lines) + "\n")
    return all(r["met"] is not False for r in flat) and not any(part.get("failed") for part in kept.values())


def main():
    FOLDER.mkdir(parents=True, exist_ok=True)
    file = HERE / "results.json"
    kept = {}
    if sys.argv[5:] and file.exists():
        before = json.loads(file.read_text())
        for name, part in before.get("parts", {}).items():
            if part["rows"] != ROWS:
                continue  # of another cohort
            kept[name] = {**part, "results": [{k: v for k, v in r.items() if k != "part"} for r in before["results"] if r["part"] == name]}
    good = False
    for name in sys.argv[5:] or PARTS:
        say(f"part {name}")
        results.clear()
        load, started = os.getloadavg()[0], time.perf_counter()
        failed = None
        try:
            PARTS[name]()
        except Exception as error:  # the other parts can still be measured
            traceback.print_exc()
            failed = f"{type(error).__name__}: {error}"
        kept[name] = {"commit": about()["commit"], "rows": ROWS, "load": load, "took_s": time.perf_counter() - started, "failed": failed, "results": list(results)}
        good = write(kept)
    say("all goals met" if good else "not all goals are met, or not all could be measured: see scripts/speed/results.md")
    sys.exit(0 if good else 1)


main()
