"""The line network: parameters, state, and runs of the integrator in network.c, which `cc` compiles when it is first needed.

In: a `Line`, a `State`, `Inputs` on an even grid. Out: `Outputs` on the same grid.
"""

import ctypes
import hashlib
import os
import subprocess
from dataclasses import dataclass
from pathlib import Path

import numpy as np

MOST = 3
_D = ctypes.c_double
_SOURCE = Path(__file__).with_name("network.c")


class Line(ctypes.Structure):
    _fields_ = (
        [(name, ctypes.c_int) for name in ("channels", "filter_at", "mixes", "latency")]
        + [(name, _D) for name in ("dt_s", "atol", "rtol")]
        + [(name, _D * MOST) for name in ("compliance", "half", "tubing")]
        + [(name, _D) for name in ("filter", "catheter", "join_compliance", "tail_compliance")]
        + [(name, _D * MOST) for name in ("gain", "zero", "stroke_ml", "stroke_share", "stick_ml", "stick_share", "lag_s")]
        + [(name, _D) for name in ("law_k", "law_n", "law_m", "law_mix", "uneven", "uneven_ml", "uneven_at", "law_end",
                                   "time_k", "time_n")]
    )

    def copy(self):
        return type(self).from_buffer_copy(self)


class State(ctypes.Structure):
    _fields_ = (
        [("pressure", _D * (MOST + 2))]
        + [(name, _D * MOST) for name in ("flow", "phase", "stuck", "play")]
        + [("over", ctypes.c_int * MOST)]
        + [(name, _D) for name in ("grown", "filtered", "jump", "jump_ml")]
        + [("alarms", ctypes.c_int), ("steps", ctypes.c_long)]
    )

    @classmethod
    def at(cls, pressure):
        """The whole line at this pressure, the filter clean."""
        state = cls(grown=1.0, jump_ml=1.0)
        for i in range(MOST + 2):
            state.pressure[i] = pressure
        return state


@dataclass
class Inputs:
    """What happens to a line, a cell for each step of the grid."""
    rate: np.ndarray        # (channels, points), mL/h as the pump is driven (below 0: it runs backwards)
    limit: np.ndarray       # (channels, points), mmHg; 0 = none
    tubing: np.ndarray      # (channels, points), factor on the resistance of the channel's tubing
    supply: np.ndarray      # (channels, points), share of the rate that arrives
    head: np.ndarray        # (channels, points), mmHg by which a pump's height helps the flow
    outlet: np.ndarray      # (points,), mmHg at the catheter's tip
    catheter: np.ndarray    # (points,), factor on the resistance below the filter
    filter: np.ndarray      # (points,), factor on the filter's, besides what grows by its own law

    @classmethod
    def idle(cls, channels, points):
        zeros, ones = np.zeros((channels, points)), np.ones((channels, points))
        return cls(zeros.copy(), zeros.copy(), ones.copy(), ones.copy(), zeros.copy(), np.zeros(points), np.ones(points), np.ones(points))


@dataclass
class Outputs:
    pressure: np.ndarray
    flow: np.ndarray
    grown: np.ndarray
    join: np.ndarray
    tail: np.ndarray

    @classmethod
    def empty(cls, channels, points):
        return cls(np.zeros((channels, points)), np.zeros((channels, points)), np.ones(points), np.zeros(points), np.zeros(points))


def compiled(folder):
    """The integrator as a shared library in that folder, compiled there unless it is there already."""
    source = _SOURCE.read_bytes()
    path = Path(folder) / f"network-{hashlib.sha256(source).hexdigest()[:12]}.so"
    if not path.exists():
        Path(folder).mkdir(parents=True, exist_ok=True)
        beside = path.with_suffix(f".{os.getpid()}")
        subprocess.run(["cc", "-std=gnu99", "-O2", "-shared", "-fPIC", "-o", str(beside), str(_SOURCE), "-lm"], check=True)
        os.replace(beside, path)
    return path


class Integrator:
    def __init__(self, folder):
        self._run = ctypes.CDLL(str(compiled(folder))).run
        self._run.restype = ctypes.c_long

    def run(self, line, state, inputs, outputs, start, stop):
        """From grid point `start` to `stop`, or to the first alarm: the point reached. `state` is changed, `outputs` filled."""
        rows = [inputs.rate, inputs.limit, inputs.tubing, inputs.supply, inputs.head, inputs.outlet, inputs.catheter, inputs.filter,
                outputs.pressure, outputs.flow, outputs.grown, outputs.join, outputs.tail]
        for row in rows:
            if row.dtype != np.float64 or not row.flags.c_contiguous:
                raise TypeError("series must be contiguous float64")
        for i in range(line.channels):
            outputs.pressure[i, start] = state.pressure[i]
        outputs.grown[start] = state.grown
        outputs.join[start], outputs.tail[start] = state.pressure[MOST], state.pressure[MOST + 1]
        return self._run(ctypes.byref(line), ctypes.byref(state), ctypes.c_long(start), ctypes.c_long(stop),
                         ctypes.c_long(inputs.outlet.shape[0]), *(ctypes.c_void_p(row.ctypes.data) for row in rows))


def plain_line(channels=1, **given):
    """A line without pump artefacts, growth or alarms; arguments set fields, a list those of each channel."""
    line = Line(channels=channels, filter_at=-1, mixes=-1, latency=0, dt_s=1.0, atol=0.02, rtol=1e-3, filter=1.0, catheter=1.0,
                join_compliance=2e-5, tail_compliance=2e-5, law_end=1e9, law_mix=1.0, uneven_ml=1.0)
    for i in range(MOST):
        line.compliance[i], line.half[i], line.tubing[i], line.gain[i] = 0.0015, 1e9, 0.05, 1.0
    for name, value in given.items():
        if isinstance(value, (list, tuple)):
            for i, one in enumerate(value):
                getattr(line, name)[i] = one
        else:
            setattr(line, name, value)
    return line


def stored_ml(line, i, pressure):
    """What channel i holds at a pressure beyond what it holds at 0 (mL)."""
    up = np.maximum(pressure, 0.0)
    return line.compliance[i] * (line.half[i] * np.log1p(up / line.half[i]) + np.minimum(pressure, 0.0))
