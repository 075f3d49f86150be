"""Recomputes the reference values that the tests hold, and compares.

    scripts/reference/run            compares; ends with "N passed, M failed" and status 1 where one failed
    scripts/reference/run --write    writes anew what is computed here and read by the tests (change points)

The expected numbers are taken from the tests themselves (the `#[case(…)]` lines), so that there is one place for each.
Everything is computed here in another way than in the program: differential equations instead of closed forms, tables of
the water association instead of a fit, fifty digits instead of sixteen, one library's search instead of ours.
"""

import csv
import re
import sys
from pathlib import Path

import change_points
import hl7_tokens
import numpy as np
from iapws import IAPWS95
from mpmath import mp, mpf
from scipy.integrate import solve_ivp

ROOT = Path(__file__).resolve().parents[2]
HYDRAULICS = ROOT / "src" / "hydraulics"
mp.dps = 50

passed, failed = 0, 0


def check(name, committed, computed, relative=None, absolute=None):
    """Counts one comparison; says so where it fails."""
    global passed, failed
    committed, computed = float(committed), float(computed)
    allowed = absolute if absolute is not None else relative * abs(computed)
    if abs(committed - computed) <= allowed:
        passed += 1
    else:
        failed += 1
        print(f"FAILED {name}: the test has {committed!r}, computed {computed!r}")


def cases(file, test):
    """The numbers of each `#[case(…)]` line above a test, with the case's name."""
    text = (HYDRAULICS / file).read_text()
    above = text[: text.index(f"fn {test}(")]
    above = above[above.rindex("#[rstest]") :]
    found = []
    for name, body in re.findall(r"#\[case(?:::(\w+))?\((.*?)\)\]", above, re.S):
        body = body.replace("ML_PER_H", "3600.0")
        numbers = []
        for part in re.split(r",(?![^\[]*\])", body):
            part = part.strip()
            if part.startswith("["):
                numbers.append([float(x) for x in part.strip("[]").split(",")])
            elif re.fullmatch(r"[-+0-9.e_ */]+", part):
                numbers.append(float(eval(part)))  # arithmetic on plain numbers only, as matched
            else:
                numbers.append(part)
        found.append((name, numbers))
    if not found:
        raise SystemExit(f"{file}: no cases above `{test}`")
    return found


# water: IAPWS-95 and R12-08


def water(celsius):
    state = IAPWS95(T=celsius + 273.15, P=0.101325)
    return state.mu * 1e3, state.rho


for _, (celsius, mpa_s, density) in cases("liquid.rs", "water_agrees_with_iapws"):
    viscosity, rho = water(celsius)
    check(f"viscosity of water at {celsius} °C", mpa_s, viscosity, absolute=6e-6)
    check(f"density of water at {celsius} °C", density, rho, absolute=6e-4)

# tubes: Poiseuille's law with fifty digits

MMHG = mpf("133.322387415")


def resistance(d_mm, l_cm, mpa_s):
    d, length, mu = mpf(d_mm) / 1000, mpf(l_cm) / 100, mpf(mpa_s) / 1000
    return 128 * mu * length / (mp.pi * d**4) / MMHG * mpf("1e-6") / 3600


for name, (d, length, celsius, expected, relative) in cases(
    "tube.rs", "catheters_and_tubing_have_their_tabulated_resistance"
):
    check(name, expected, resistance(d, length, water(celsius)[0]), relative=relative)
for name, (d, length, mpa_s, ml_per_h, pascal, relative) in cases(
    "tube.rs", "the_drop_along_a_tube_agrees_with_worked_examples"
):
    check(name, pascal, resistance(d, length, mpa_s) * mpf(ml_per_h) * MMHG, relative=relative)
for name, (d, mpa_s, rho, ml_per_h, expected, relative) in cases(
    "tube.rs", "the_reynolds_number_agrees_with_worked_examples_and_is_laminar"
):
    flow = mpf(ml_per_h) * mpf("1e-6") / 3600
    reynolds = 4 * mpf(rho) * flow / (mp.pi * mpf(mpa_s) / 1000 * mpf(d) / 1000)
    check(name, expected, reynolds, relative=relative)
for _, (cm, rho, mmhg) in cases("tube.rs", "a_height_gives_its_column_of_pressure"):
    column = mpf(rho) * mpf("9.80665") * mpf(cm) / 100 / MMHG
    check(f"column of {cm} cm", mmhg, column, relative=2e-5)
for _, (ml_per_h, mmhg) in cases("mod.rs", "a_one_french_line_fills_a_200_mmhg_limit_with_nothing_blocked"):
    mu = water(20)[0]
    line = resistance(1.0, 150, mu) + mpf("0.3") + resistance("0.17", 20, mu)
    check(f"one French line at {ml_per_h} mL/h", mmhg, 5 + mpf(ml_per_h) * line, relative=1e-4)

# blocking: open area a, volume per open area s, cake c, solved as equations

MECHANISMS = {  # complete, standard, intermediate, cake
    "b11_complete": (1, 0, 0, 0),
    "b12_standard": (0, 1, 0, 0),
    "b13_intermediate": (0, 0, 1, 0),
    "b14_cake": (0, 0, 0, 1),
    "b16_cake_complete": (0.8, 0, 0, 0.6),
    "b17_cake_intermediate": (0, 0, 0.7, 0.6),
    "b18_complete_standard": (0.8, 0.5, 0, 0),
    "b19_intermediate_standard": (0, 0.5, 0.7, 0),
    "b20_cake_standard": (0, 0.5, 0, 0.6),
}
VOLUMES = [0.25, 0.50, 0.75]


def solved(slopes, start, at):
    return solve_ivp(slopes, (0, at[-1]), start, t_eval=at, method="DOP853", rtol=1e-12, atol=1e-13).y


def blocked(complete, standard, intermediate, cake):
    def slopes(_, y):
        a = y[0]
        return [-complete - intermediate * a, standard / a, cake / a]

    a, s, c = solved(slopes, [1.0, 0.0, 0.0], VOLUMES)
    return ((1 - s / 2) ** -2 + c) / a


for name, (_, expected) in cases("blocking.rs", "resistance_after_a_volume_agrees_with_the_differential_equations"):
    if name in MECHANISMS:
        computed = blocked(*MECHANISMS[name])
    else:  # dP/dV = P^n
        computed = solved(lambda _, p: p**0.5, [1.0], VOLUMES)[0]
    for v, one, other in zip(VOLUMES, expected, computed):
        check(f"{name} at {v}", one, other, relative=1e-9)

# the line's equation: C dP/dt = Q − (P − P_out)/R


def pressure(start, rate, at_min):
    c, r, outlet = 0.0012, 100.0, 5.0
    hours = [m / 60 for m in at_min]
    return solved(lambda _, p: (rate - (p - outlet) / r) / c, [start], hours)[0]


for test, start, rate in [
    ("a_partial_block_relaxes_to_its_plateau", 25.0, 2.0),
    ("a_partly_blocked_line_falls_slowly_after_a_stop", 150.0, 0.0),
]:
    rows = [numbers for _, numbers in cases("transient.rs", test)]
    for (minutes, mmhg), computed in zip(rows, pressure(start, rate, [r[0] for r in rows])):
        check(f"{test} at {minutes} min", mmhg, computed, absolute=5.1e-5)

# change points: another library's exact search

write = "--write" in sys.argv[1:]
results = ROOT / "tests" / "it" / "data" / "segments" / "ruptures.csv"
computed = change_points.all_results(ROOT / "tests" / "it" / "data" / "segments")
if write:
    with results.open("w", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(computed[0])
        writer.writerows(row.values() for row in computed)
with results.open() as file:
    committed = list(csv.DictReader(file))
for one, other in zip(committed, computed, strict=True):
    name = f"change points of {one['series']}, {one['cost']}, penalty {one['penalty']}"
    check(name, float(one["change_points"] == other["change_points"]), 1.0, absolute=0.0)
    check(f"{name}: total", one["total"], other["total"], relative=1e-9)

# messages: another library's parts of them

folder = ROOT / "tests" / "it" / "data" / "hl7"
tokens = folder / "tokens.csv"
if write:
    hl7_tokens.make(folder / "made.hl7")
    with tokens.open("w", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(hl7_tokens.HEADER)
        writer.writerows(hl7_tokens.rows(folder))
with tokens.open(newline="") as file:
    committed = list(csv.reader(file))[1:]
computed = [[str(x) for x in row] for row in hl7_tokens.rows(folder)]
check("parts of messages", float(committed == computed), 1.0, absolute=0.0)
check("number of parts", len(committed), len(computed), absolute=0.0)

print(f"{passed} passed, {failed} failed")
sys.exit(1 if failed or passed < 100 else 0)
