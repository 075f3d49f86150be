"""All ratios in one run. usage: measure.py PROGRAM AGAINST FOLDER ROWS [PART ...]   (scripts/speed/run calls it)

Parts are reading, growth, split, survival; without one, all. Parts that are not run keep the results they have.

Two commands whose ratio is asked for run in turn, A B A B …, so that a machine that slows down slows both; what is kept is the median of
the ratios, with the medians of the times. Where whole processes are compared, processor time is kept beside: on a machine that others
use too it says more than the clock. Reading a file stands for whole processes of ours and for calls inside a running
interpreter of theirs: their start-up is not counted, ours is.
"""

import json
import os
import platform
import statistics
import subprocess
import sys
import time
import warnings
from pathlib import Path

import numpy as np
import pandas as pd
import polars as pl
import ruptures
from lifelines import CoxPHFitter, CoxTimeVaryingFitter, KaplanMeierFitter

HERE = Path(__file__).parent
PROGRAM, AGAINST, FOLDER, ROWS = Path(sys.argv[1]).resolve(), Path(sys.argv[2]).resolve(), Path(sys.argv[3]), int(sys.argv[4])
RUNS = 3
results = []


def program(*args, to=subprocess.DEVNULL):
    """Runs the program; seconds by the clock and of the processors, peak memory in MiB."""
    started = time.perf_counter()
    child = subprocess.Popen([PROGRAM, *map(str, args)], stdout=to, stderr=subprocess.DEVNULL)
    peak = 0.0
    while os.waitid(os.P_PID, child.pid, os.WEXITED | os.WNOHANG | os.WNOWAIT) is None:
        # The system's own account of a finished child would begin with this interpreter's size.
        with open(f"/proc/{child.pid}/status") as file:
            peak = max([peak, *(float(line.split()[1]) / 1024 for line in file if line.startswith("VmHWM"))])
        time.sleep(0.002)
    seconds = time.perf_counter() - started
    _, status, used = os.wait4(child.pid, 0)
    child.returncode = os.waitstatus_to_exitcode(status)
    if child.returncode:
        sys.exit(f"{args}: status {child.returncode}")
    return seconds, used.ru_utime + used.ru_stime, peak


def clock(job):
    started = time.perf_counter(), time.process_time()
    job()
    return time.perf_counter() - started[0], time.process_time() - started[1]


def keep(name, ours, theirs, ratio, asked, **more):
    results.append({"what": name, "ours": ours, "theirs": theirs, "ratio": ratio, "asked": asked, **more})
    print(f"{name}: {ours:.4g} against {theirs:.4g}, ratio {ratio:.3g} (asked: {asked})", flush=True)


def pair(name, ours, theirs, asked, runs=RUNS):
    """Median of ours/theirs over pairs; both give seconds by the clock and of the processors."""
    ours(), theirs()
    times = [(ours(), theirs()) for _ in range(runs)]
    median = lambda of: statistics.median(of(a, b) for a, b in times)
    more = {"processor time ratio": median(lambda a, b: a[1] / b[1])} if times[0][0][1] else {}
    keep(name, median(lambda a, b: a[0]), median(lambda a, b: b[0]), median(lambda a, b: a[0] / b[0]), asked, **more)


NUMBERS = {name: pl.Float64 for name in ("pressure_mmhg", "rate_ml_h", "volume_ml", "limit_mmhg")}


def made(rows, interleaved=False):
    folder = FOLDER / f"{rows}{'-interleaved' if interleaved else ''}"
    if not (folder / "infusions.csv").exists() or not (folder / "traces/all.csv").exists():
        folder.mkdir(parents=True, exist_ok=True)
        more = ["--interleaved"] if interleaved else []
        subprocess.run([sys.executable, HERE / "make.py", PROGRAM, folder, str(rows), *more], check=True)
    return folder


def reading():
    folder = made(ROWS)
    csv, parquet = folder / "traces/all.csv", folder / "all.parquet"
    typed = lambda: pl.read_csv(csv, schema_overrides=NUMBERS, try_parse_dates=True)
    text_time = lambda: pl.read_csv(csv, schema_overrides=NUMBERS)
    pair(f"ingest, CSV of {ROWS:,} rows, against a typed read", lambda: program("inspect", csv, "--json")[:2], lambda: clock(typed), "≤ 1.5")
    pair(f"ingest, the same, times left as text in the bare read", lambda: program("inspect", csv, "--json")[:2], lambda: clock(text_time), "–")
    if not parquet.exists():
        typed().write_parquet(parquet)
    pair(f"ingest, Parquet of {ROWS:,} rows, against a typed read", lambda: program("inspect", parquet, "--json")[:2], lambda: clock(lambda: pl.read_parquet(parquet)), "≤ 2")
    pair(f"survey of {ROWS // 10_000:,} infusions, against a typed read of their CSV", lambda: program("survey", folder, "--json")[:2], lambda: clock(typed), "≤ 4", 3)


def growth():
    """Time and peak memory over three decades of rows, in order and interleaved."""
    for interleaved in (False, True):
        first = None
        for rows in (ROWS // 100, ROWS // 10, ROWS):
            seconds, cpu, peak = program("survey", made(rows, interleaved), "--json")
            first = first or peak
            how = "interleaved" if interleaved else "in order"
            keep(f"survey of {rows:,} rows {how}: peak memory, MiB, against that of {ROWS // 100:,}", peak, first, peak / first, "≤ 1.5", seconds=seconds, processor_s=cpu, rows_per_processor_s=rows / cpu)


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

        pair(f"levels of {n:,} points, same cost and penalty, against compiled exact PELT", ours, theirs, "< 1", 3 if n < 1_000_000 else 1)
        results[-1]["same change points"] = found["ours"] == [int(p) for p in found["theirs"]]
        t = np.arange(n)
        for name, values in (("noise", rng.normal(size=n)), ("a slow wave", 10 * np.sin(2 * np.pi * t / n) + rng.normal(size=n))):
            np.savetxt(FOLDER / "one.csv", values, fmt="%.4f", header="y", comments="")
            runs = [program("segments", FOLDER / "one.csv", "--column", "y", "--json") for _ in range(3)]
            seconds, cpu = (statistics.median(r[i] for r in runs) for i in (0, 1))
            keep(f"`segments` of {name}, {n:,} points, whole command, s, against 2 s", seconds, 2.0, seconds / 2.0, "< 1" if n == 1_000_000 else "–", processor_s=cpu)


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

        jobs = [("Cox", "coxph", cox_censored, "≤ 0.05"), ("Kaplan–Meier", "km", curve, "–")]
        if n < 100_000:  # theirs takes many minutes at 100,000
            jobs.append(("Cox, start–stop rows", "cox", cox, "–"))
        for name, job, other, asked in jobs:
            pair(f"{name}, {n:,}", ours(job), other, asked if n == 100_000 else "–", 3 if n < 10_000 else 1)
            results[-1]["difference of the answers"] = abs(answers["ours"] - answers["theirs"])


def main():
    FOLDER.mkdir(parents=True, exist_ok=True)
    keep_in = HERE / "results.json"
    kept = json.loads(keep_in.read_text())["results"] if keep_in.exists() else []
    parts = {"reading": reading, "growth": growth, "split": split, "survival": survival}
    for name in sys.argv[5:] or parts:
        before = len(results)
        parts[name]()
        for result in results[before:]:
            result["part"] = name
    done = {r["part"] for r in results}
    results[:] = sorted([*results, *(r for r in kept if r["part"] not in done)], key=lambda r: list(parts).index(r["part"]))
    commit = subprocess.run(["git", "rev-parse", "--short", "HEAD"], capture_output=True, text=True).stdout.strip()
    with open("/proc/cpuinfo") as file:
        model = next((line.split(":")[1].strip() for line in file if line.startswith("model name")), platform.processor())
    about = {
        "command": f"scripts/speed/run {ROWS}",
        "commit": commit,
        "machine": f"{os.cpu_count()} × {model}",
        "load at the end": os.getloadavg()[0],
        "month": time.strftime("%B %Y"),
        "libraries": {lib.__name__: lib.__version__ for lib in (pl, np, pd, ruptures)},
    }
    keep_in.write_text(json.dumps({"about": about, "results": results}, indent=1) + "\n")
    lines = [f"Measured with `{about['command']}` at commit {commit}, {about['machine']}, load {about['load at the end']:.1f}, {about['month']}.", ""]
    lines += ["| what | ours | theirs | ratio | asked | |", "|---|---|---|---|---|---|"]
    known = {"what", "ours", "theirs", "ratio", "asked", "part"}
    for r in results:
        more = "; ".join(f"{k} {v if isinstance(v, (bool, str)) else format(v, '.3g')}" for k, v in r.items() if k not in known)
        lines.append(f"| {r['what']} | {r['ours']:.3g} | {r['theirs']:.3g} | {r['ratio']:.3g} | {r['asked']} | {more} |")
    (HERE / "results.md").write_text("\n".join(lines) + "\n")


main()
