"""Change points of the committed series by `ruptures` (exact PELT, every sample a candidate).

The library prunes a start at once, also while the start that replaces it may not yet be used because its segment would be
too short: with `min_size` above 1 its result is now and then not the least (2 of 36 cases at 4). So each cost is
compared at the least `min_size` that it allows.
"""

import csv

import numpy as np
import ruptures as rpt

MIN_SIZE = {"known level": 1, "known line": 2, "own level": 1, "own level or line": 4}
FLOOR = 0.01
SLOPE = 6.0


class OwnSpread(rpt.base.BaseCost):
    """n ln(RSS/n + floor) around the mean, or around a straight line for 6 more, whichever is less."""

    model = ""
    min_size = 1

    def __init__(self, slopes):
        self.slopes = slopes

    def fit(self, signal):
        self.signal = signal
        return self

    def error(self, start, end):
        y = self.signal[start:end, 0]
        x = np.arange(len(y), dtype=float)
        n = len(y)
        cost = n * np.log(np.mean((y - y.mean()) ** 2) + FLOOR)
        if self.slopes:
            slope, level = np.polyfit(x, y, 1)
            cost = min(cost, n * np.log(np.mean((y - level - slope * x) ** 2) + FLOOR) + SLOPE)
        return cost


class Everything(rpt.Pelt):
    """The library's search with its pruning switched off, for the cost that offers slopes: the library prunes by a rule
    that does not hold where a segment's cost contains a constant."""

    def _seg(self, pen):
        n = self.n_samples
        best = {0: (-pen, None)}
        for end in range(self.min_size, n + 1):
            starts = [s for s in best if self.min_size <= end - s]
            best[end] = min((best[s][0] + pen + self.cost.error(s, end), s) for s in starts)
        partition, end = {}, n
        while end:
            start = best[end][1]
            partition[(start, end)] = self.cost.error(start, end)
            end = start
        return partition


def search(y, cost, penalty):
    x = np.arange(len(y), dtype=float)
    least = MIN_SIZE[cost]
    if cost == "known level":
        algo, signal = rpt.Pelt(model="l2", min_size=least, jump=1), y.reshape(-1, 1)
    elif cost == "known line":
        algo = rpt.Pelt(model="linear", min_size=least, jump=1)
        signal = np.column_stack([y, x, np.ones_like(x)])
    elif cost == "own level":
        algo = rpt.Pelt(custom_cost=OwnSpread(slopes=False), min_size=least, jump=1)
        signal = y.reshape(-1, 1)
    else:
        algo = Everything(custom_cost=OwnSpread(slopes=True), min_size=least, jump=1)
        signal = y.reshape(-1, 1)
    algo.fit(signal)
    points = [int(p) for p in algo.predict(pen=penalty)[:-1]]
    edges = [0, *points, len(y)]
    total = sum(algo.cost.error(a, b) for a, b in zip(edges, edges[1:])) + penalty * len(points)
    return points, total


def all_results(folder):
    """One row for each series, cost and penalty."""
    rows = []
    for name, scale in [("nile", 1 / 120), ("steps", 1.0), ("slopes", 1.0), ("spreads", 1.0)]:
        with (folder / f"{name}.csv").open() as file:
            cells = [row[-1] for row in csv.reader(file)][1:]
        y = np.array([float(c) for c in cells]) * scale
        for cost in ["known level", "known line", "own level", "own level or line"]:
            for penalty in [3.0, 15.0, 60.0]:
                points, total = search(y, cost, penalty)
                rows.append(
                    {
                        "series": name,
                        "scale": repr(scale),
                        "cost": cost,
                        "min_size": MIN_SIZE[cost],
                        "penalty": penalty,
                        "change_points": " ".join(map(str, points)),
                        "total": repr(float(total)),
                    }
                )
    return rows
