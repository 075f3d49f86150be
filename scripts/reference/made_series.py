"""Makes the series of tests/it/data/segments from a fixed random state: python made_series.py FOLDER"""

import sys
from pathlib import Path

import numpy as np

folder = Path(sys.argv[1])
random = np.random.default_rng(20310304)


def piece(rows, level, slope, spread):
    return level + slope * np.arange(rows) + spread * random.normal(size=rows)


def write(name, pieces, step=0.01):
    y = np.concatenate(pieces)
    rows = "".join(f"{i},{round(v / step) * step:.2f}\n" for i, v in enumerate(y))
    (folder / f"{name}.csv").write_text("row,y\n" + rows)


write("steps", [piece(40, 0, 0, 1), piece(25, 4, 0, 1), piece(60, 1, 0, 1), piece(9, 9, 0, 1), piece(46, 2, 0, 1)])
write("slopes", [piece(50, 0, 0, 1), piece(40, 0, 0.4, 1), piece(40, 16, -0.2, 1), piece(50, 20, 0, 1)])
write("spreads", [piece(60, 0, 0, 1), piece(50, 0, 0, 4), piece(50, 0, 0, 0.3), piece(40, 0, 0, 2)], step=0.25)
