"""Reference values for the simulator's tests: the line's equations and the blocking model, solved by SciPy.

    python3 -m venv .venv && .venv/bin/pip install -r scripts/reference-line/requirements.txt
    .venv/bin/python scripts/reference-line/line_ode.py

The solver and the way the equations are written (a dense right-hand side, not a tree) are not the simulator's.
"""

import numpy as np
from scipy.integrate import solve_ivp


def line(resistance, storage, inflow, vein, closed):
    """Three channels: nodes pump/tube of each, join, tail; `closed(t)` gives the resistances at a time (h)."""
    below = {0: 1, 1: 6, 2: 3, 3: 6, 4: 5, 5: 6, 6: 7, 7: None}

    def slopes(t, p):
        r = closed(t, np.array(resistance, float))
        out = np.array(inflow, float)
        for node, to in below.items():
            flow = (p[node] - (vein if to is None else p[to])) / r[node]
            out[node] -= flow
            if to is not None:
                out[to] += flow
        return out / storage

    return slopes


def three_channels():
    resistance = [0.02, 0.05, 0.03, 0.08, 0.01, 0.04, 0.4, 3.0]
    storage = np.array([1.3e-3, 3e-4, 2.1e-3, 5e-4, 6e-4, 1e-4, 2.5e-4, 1e-4])
    inflow = [4.0, 0, 0.6, 0, 1.5, 0, 0, 0]
    vein = 4.0
    # the level at rest: each node's drop is the flow below it times its resistance
    total = sum(inflow)
    tail = vein + total * resistance[7]
    join = tail + total * resistance[6]
    start = []
    for c in range(3):
        q = inflow[2 * c]
        tube = join + q * resistance[2 * c + 1]
        start += [tube + q * resistance[2 * c], tube]
    state = np.array(start + [join, tail])
    changes = [(0, 60, {}), (60, 300, {3: 1e6}), (300, 600, {3: 1e6, 7: 12.0})]
    for begin, end, change in changes:
        def closed(_, r, change=change):
            for node, value in change.items():
                r[node] = value
            return r
        solved = solve_ivp(
            line(resistance, storage, inflow, vein, closed),
            (begin / 3600, end / 3600), state, method="Radau", rtol=1e-11, atol=1e-12,
        )
        state = solved.y[:, -1]
        if end in (300, 600):
            print(f"at {end} s:", ", ".join(f"{state[n]:.6f}" for n in (0, 2, 4, 7)))


def blocking():
    """da/dv = -Kb - Ki a, ds/dv = Ks/a, dc/dv = Kc/a; P/P0 = ((1 - s/2)^-2 + c)/a."""
    cases = {
        "complete": (1, 0, 0, 0), "standard": (0, 1, 0, 0), "intermediate": (0, 0, 1, 0), "cake": (0, 0, 0, 1),
        "cake-complete": (.8, 0, 0, .6), "cake-intermediate": (0, 0, .7, .6), "complete-standard": (.8, .5, 0, 0),
        "intermediate-standard": (0, .5, .7, 0), "cake-standard": (0, .5, 0, .6),
    }
    for name, (kb, ks, ki, kc) in cases.items():
        def slopes(_, y):
            a = y[0]
            return [-kb - ki * a, ks / a, kc / a]
        found = []
        for v in (0.25, 0.5, 0.75):
            a, s, c = solve_ivp(slopes, (0, v), [1, 0, 0], rtol=1e-11, atol=1e-13).y[:, -1]
            found.append(((1 - s / 2) ** -2 + c) / a)
        print(f"{name}:", ", ".join(f"{x:.9f}" for x in found))


if __name__ == "__main__":
    three_channels()
    blocking()
