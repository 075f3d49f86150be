"""Is the survey from Spark's reviews the one of a single machine? usage: check.py PROGRAM FOLDER INFUSIONS   (scripts/spark/run calls it)

Executors are processes of their own (`local-cluster`); one is killed with SIGKILL once results begin to appear, and Spark repeats
what it lost.
"""

import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pandas as pd
import pyspark

PROGRAM, FOLDER, INFUSIONS = sys.argv[1], Path(sys.argv[2]), int(sys.argv[3])
HERE = Path(__file__).resolve().parent
JAVA_OPENS = "--add-opens=java.base/java.nio=ALL-UNNAMED"


def table(file, text):
    kept = dict.fromkeys(text, "string")
    return pd.read_csv(file, dtype=kept, keep_default_na=False, na_values=[""])


def cohort():
    """The made cohort, as tables partitioned by hand into several Parquet files."""
    shutil.rmtree(FOLDER, ignore_errors=True)
    made = FOLDER / "cohort"
    made.mkdir(parents=True)
    subprocess.run([sys.executable, HERE.parent / "speed" / "make.py", PROGRAM, made, str(INFUSIONS * 10_000)], check=True)
    for name, text in (("traces", ["infusion", "time", "channel"]), ("events", ["infusion", "time", "channel", "event", "detail"])):
        rows = table(made / name / "all.csv", text)
        (made / name / "all.csv").unlink()
        step = -(-len(rows) // 4)
        for part in range(4):
            rows.iloc[part * step : (part + 1) * step].to_parquet(made / name / f"part-{part}.parquet", index=False)
    return made


def executors():
    """Process ids of this job's executors."""
    found = subprocess.run(["pgrep", "-f", f"patency.check={os.getpid()} .*CoarseGrainedExecutorBackend"], capture_output=True, text=True).stdout
    return [int(pid) for pid in found.split()]


def spark(made, out):
    """Runs the job; whether an executor was killed on the way."""
    home = Path(pyspark.__file__).parent
    environment = os.environ | {
        "SPARK_LOCAL_IP": "127.0.0.1",
        "SPARK_HOME": str(home),
        "PYSPARK_PYTHON": sys.executable,
        "SPARK_NO_DAEMONIZE": "1",
    }
    command = [
        home / "bin" / "spark-submit",
        *("--master", "local-cluster[2,1,1024]"),
        *("--conf", "spark.sql.shuffle.partitions=8"),
        *("--conf", "spark.ui.enabled=false"),
        *("--conf", "spark.driver.bindAddress=127.0.0.1"),
        *("--conf", "spark.driver.host=127.0.0.1"),
        *("--conf", "spark.executor.memory=768m"),
        # marks the executors as this job's own
        *("--conf", f"spark.executor.extraJavaOptions=-Dpatency.check={os.getpid()} {JAVA_OPENS}"),
        HERE / "job.py",
        *(made / "traces", made / "events", made, out, PROGRAM),
    ]
    with (FOLDER / "spark.log").open("w") as log:
        job = subprocess.Popen([str(c) for c in command], env=environment, stdout=log, stderr=log)
        killed = 0
        while job.poll() is None:
            time.sleep(0.2)
            begun = list(out.rglob("part-*")) if out.exists() else []
            own = executors()
            if not killed and begun and 1 < len(own):
                os.kill(own[0], signal.SIGKILL)
                killed = own[0]
        if job.returncode:
            sys.exit((FOLDER / "spark.log").read_text()[-4000:])
    return killed


def files(folder):
    return {p.relative_to(folder): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file() and "reviews" not in p.relative_to(folder).parts}


def main():
    made, reviews = cohort(), FOLDER / "reviewed"
    started = time.perf_counter()
    subprocess.run([PROGRAM, "survey", made, "--out", FOLDER / "alone"], check=True, capture_output=True)
    alone_s = time.perf_counter() - started
    started = time.perf_counter()
    killed = spark(made, reviews)
    spark_s = time.perf_counter() - started
    subprocess.run([PROGRAM, "survey", made, "--from-reviews", reviews, "--out", FOLDER / "together"], check=True, capture_output=True)
    alone, together = files(FOLDER / "alone"), files(FOLDER / "together")
    differ = sorted(str(n) for n in alone.keys() | together.keys() if alone.get(n) != together.get(n))
    print(f"{INFUSIONS} infusions: alone {alone_s:.1f} s, on two executors {spark_s:.1f} s with start-up; executor killed: {killed or 'none'}")
    print(f"{len(alone)} files of the survey, {len(differ)} differ {differ}")
    print(f"{int(not differ) + int(bool(killed))} passed, {int(bool(differ)) + int(not killed)} failed")
    sys.exit(1 if differ or not killed else 0)


main()
