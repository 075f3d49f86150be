"""Reviews a partitioned Parquet data set on Apache Spark and leaves the table for `patency survey --from-reviews`.

    spark-submit job.py TRACES EVENTS COHORT OUT [PROGRAM]

TRACES is a Parquet data set with the contract's trace columns and `infusion`, partitioned in any way; EVENTS one of events (or `-`);
COHORT the folder with infusions.csv and the line files, at the same path on every executor; OUT is written as Parquet: `infusion`,
`error`, `review` (the contract's object), `facts`. PROGRAM is the patency on every executor.

All rows of an infusion are brought to one partition by their name; each partition is handed to one run of the program as an Arrow stream
(`mapInArrow`), its events beside as a file. A partition is the unit that an engine repeats when an executor is lost.
"""

import os
import subprocess
import sys
import tempfile

from pyspark.sql import SparkSession
from pyspark.sql import functions as F

RESULT = "infusion string, error string, review string, facts string"


def reviewed(program, cohort, has_events):
    """The function for `mapInArrow`."""

    def review(batches):
        import pyarrow as pa

        with tempfile.TemporaryDirectory() as folder:
            events, command = [], [program, "review", "--arrow", "--infusions", os.path.join(cohort, "infusions.csv")]
            trace_file = os.path.join(folder, "trace.arrows")
            writer = None
            # Rows go to a file as they come: a partition need not fit into this process's memory.
            for batch in batches:
                table = pa.Table.from_batches([batch])
                is_event = table.column("event").is_valid()
                events.append(table.filter(is_event).select([c for c in ("infusion", "time", "channel", "event", "detail") if c in table.column_names]))
                trace = table.filter(pa.compute.invert(is_event)).drop_columns(["event", "detail"])
                writer = writer or pa.ipc.new_stream(trace_file, trace.schema)
                writer.write_table(trace)
            if writer is None:
                return
            writer.close()
            if has_events:
                events_file = os.path.join(folder, "events.arrows")
                table = pa.concat_tables(events)
                with pa.ipc.new_stream(events_file, table.schema) as stream:
                    stream.write_table(table)
                command += ["--events", events_file]
            with open(trace_file, "rb") as trace:
                done = subprocess.run(command, stdin=trace, capture_output=True)
            if done.returncode:
                raise RuntimeError(done.stderr.decode())
            with pa.ipc.open_stream(done.stdout) as results:
                for batch in results:
                    table = pa.Table.from_batches([batch])
                    table = table.select(["infusion", "error", "review", "facts"])
                    yield from table.cast(pa.schema([(c, pa.string()) for c in table.column_names])).to_batches()

    return review


def main():
    traces, events, cohort, out = sys.argv[1:5]
    program = sys.argv[5] if 5 < len(sys.argv) else "patency"
    spark = SparkSession.builder.appName("patency").getOrCreate()
    rows = spark.read.parquet(traces)
    columns = ["infusion", "time", "channel", "pressure_mmhg", "rate_ml_h", "volume_ml", "limit_mmhg"]
    present = [c for c in columns if c in rows.columns]
    rows = rows.select(*present, F.lit(None).cast("string").alias("event"), F.lit(None).cast("string").alias("detail"))
    if events != "-":
        happened = spark.read.parquet(events)
        rows = rows.unionByName(happened.select([c for c in ("infusion", "time", "channel", "event", "detail") if c in happened.columns]), allowMissingColumns=True)
    parts = int(spark.conf.get("spark.sql.shuffle.partitions"))
    rows = rows.repartition(parts, "infusion")
    found = rows.mapInArrow(reviewed(program, cohort, events != "-"), RESULT)
    found.write.mode("overwrite").parquet(out)
    spark.stop()


if __name__ == "__main__":
    main()
