"""Makes one record from its numbers, in its folder."""

from concurrent.futures import ProcessPoolExecutor
from functools import cache, partial
from pathlib import Path

import numpy as np

from second import files, likelihood, plan, truth
from second.network import Integrator, compiled

SETS = {"tune": 1, "published": 2}


@cache
def integrator(folder):
    return Integrator(folder)


def make_one(set_name, seed, number, library, into):
    rng = np.random.default_rng([SETS[set_name], seed, number, 20_261])
    ward, _ = plan.record(rng, integrator(library))
    found, _ = truth.episodes(ward)
    folder = Path(into) / f"{number:04d}"
    folder.mkdir(parents=True, exist_ok=True)
    clock = files.Clock(ward.setting.start)
    rows = files.readings(ward, rng)
    kept = files.logged(ward, rows, rng)
    likelihood.decide(ward, found, rows, kept)
    files.write_trace(ward, folder, clock, rows, kept, rng)
    if ward.setting.events:
        files.write_events(ward, folder, clock)
    if ward.setting.tells_line:
        files.write_line(ward, folder, clock, rng)
    files.write_scenario(ward, folder, clock, truth.ripple(ward))
    files.write_truth(folder, files.truth_of(ward, found, clock, folder.name, seed, truth.channels(ward)))
    return folder


def make_all(set_name, seed, records, into, jobs):
    """Makes the records and gives their folders."""
    compiled(into)
    with ProcessPoolExecutor(jobs) as pool:
        return list(pool.map(partial(make_one, set_name, seed, library=into, into=into), range(records), chunksize=4))
