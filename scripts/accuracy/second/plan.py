"""What a record is to hold: the day's routine, and what goes wrong.

In: a generator of numbers, seeded by set, seed and number of the record. Out: a `Ward` that has run.
"""

import numpy as np

from second.setting import draw, pick, spread
from second.ward import Ward

WRONG = {
    "filter-loading": 1.5, "badly-primed": 0.35, "pore-too-fine": 0.35, "filter-settling": 0.8, "filter-precipitate": 0.9,
    "catheter-narrowing": 1.6, "catheter-blocked": 1.2, "catheter-positional": 1.1, "tubing-blocked": 2.2, "supply-stopped": 1.1,
    "limit-too-low": 0.8, "height-change": 1.2, "artefact": 1.2,
}
NEEDS_FILTER = {"filter-loading", "badly-primed", "pore-too-fine", "filter-settling", "filter-precipitate"}


def troubles(rng, setting):
    """The names of what goes wrong; nothing in a good quarter of all records."""
    many = int(rng.choice([0, 1, 2, 3], p=[0.27, 0.5, 0.19, 0.04]))
    allowed = {k: v for k, v in WRONG.items() if setting.filtered or k not in NEEDS_FILTER}
    names = []
    for _ in range(many):
        name = pick(rng, {k: v for k, v in allowed.items() if not (k in NEEDS_FILTER and any(n in NEEDS_FILTER for n in names))})
        names.append(name)
    return names


def record(rng, integrator):
    setting = draw(rng)
    names = troubles(rng, setting)
    if "pore-too-fine" in names:
        setting.pore_um, setting.filter_known = 0.2, True
        if not any(f in ("lipid", "pn-3in1") for f in setting.fluids):
            setting.fluids[0] = "pn-3in1"
    if "filter-precipitate" in names and setting.n > 1 and rng.random() < 0.75:
        setting.fluids[-1] = "medication"
    ward = Ward(setting, rng, integrator)
    if ward.medication is not None and setting.n > 1 and rng.random() < 0.75:
        ward.normal[ward.medication] = 0.0
        ward.drive(ward.medication, 0.0)
    if "artefact" in names:
        for i in ward.all:
            if rng.random() < 0.8:
                ward.inputs.limit[i] = max(10.0, np.ceil(setting.level(i, ward.normal) + setting.line.zero[i] + spread(rng, 8, 60)))
    routine(ward)
    for name in names:
        begins = int(rng.uniform(0.05, 0.8) * setting.points)
        if name == "badly-primed" and rng.random() < 0.7:
            begins = int(spread(rng, 60, 1500))
            setting.placed_h = 0.0
        if name == "artefact":
            plan_artefact(ward, begins)
        else:
            ward.at(max(1, begins - 3000), lambda w, name=name, k=begins: w.begin(name, k))
    ward.run()
    return ward, names


def plan_artefact(ward, begins):
    rng = ward.rng
    if rng.random() < 0.7:
        ward.at(begins, lambda w: w.fret(spread(w.rng, 30, 2400), strong=spread(w.rng, 25, 110)))
    else:
        i = ward.any_running()
        ward.at(begins, lambda w: w.squeeze(i, spread(w.rng, 1.05, 3) * max(10.0, w.inputs.limit[i, w.k] - w.state.pressure[i])))


def times(rng, ward, per_day, most=12):
    count = min(most, int(rng.poisson(per_day * ward.setting.hours / 24)))
    return [int(rng.uniform(600, ward.points - 600)) for _ in range(count)]


def routine(ward):
    """Care, rates, boluses, new sets, medications, crying: the day as it should be."""
    rng, setting = ward.rng, ward.setting
    for k in times(rng, ward, spread(rng, 0.3, 9)):
        ward.at(k, lambda w: w.pause(w.all, spread(w.rng, 60, 4500)))
    for k in times(rng, ward, 1.0):
        ward.at(k, lambda w, i=int(rng.integers(setting.n)): w.pause([i], spread(w.rng, 40, 2500)))
    for k in times(rng, ward, float(rng.choice([0.5, 2, 4]))):
        ward.at(k, lambda w: new_rate(w))
    for k in times(rng, ward, float(rng.choice([0, 0, 3]))):
        ward.at(k, lambda w, i=int(rng.integers(setting.n)): w.give_bolus(i))
    for k in times(rng, ward, 1.2):
        ward.at(k, lambda w, i=int(rng.integers(setting.n)): w.new_set(i))
    for k in times(rng, ward, 0.5, 2):
        ward.at(k, lambda w, i=int(rng.integers(setting.n)): w.change_limit(i, float(np.ceil(w.inputs.limit[i, w.k] * w.rng.uniform(1.0, 1.5)))))
    for k in times(rng, ward, float(rng.choice([0, 1, 4, 10])), 20):
        ward.at(k, lambda w: w.fret(spread(w.rng, 3, 1500)))
    for k in times(rng, ward, float(rng.choice([0, 6, 25])), 40):
        ward.at(k, lambda w: w.fret(1))
    for k in times(rng, ward, 0.6):
        ward.at(k, lambda w: w.staff_writes(None, "patient_moved"))
    for k in times(rng, ward, 0.4, 2):
        ward.at(k, lambda w: w.flush())
    for k in times(rng, ward, float(rng.choice([0, 0, 2])), 3):
        titrate(ward, k)
    if rng.random() < 0.12:
        cyclic(ward)
    if setting.staff["one_filter_a_day"] and setting.filtered:
        at = int((setting.placed_h + 24) * 3600)
        ward.at(at, lambda w: (w.pause(w.all, spread(w.rng, 100, 700), ""), w.new_filter(quiet=True)) if at > 600 else None)
    if ward.medication is not None and setting.n > 1:
        for k in times(rng, ward, 2.0, 4):
            ward.at(k, lambda w: w.medication_starts(w.medication))
            ward.at(k + int(spread(rng, 1200, 9000)), lambda w: w.medication_ends(w.medication))
    ward.at(int(spread(rng, 600, 9000)), Ward.round)


def new_rate(w):
    """A new rate that the open line bears below its limit."""
    i = w.any_running()
    if w.normal[i] <= 0:
        return
    rate = float(f"{w.normal[i] * spread(w.rng, 0.5, 1.8):.3g}")
    rates = [rate if j == i else q for j, q in enumerate(w.normal)]
    if all(w.setting.level(j, rates) + w.setting.line.zero[j] + 8 < w.inputs.limit[j, w.k] for j in w.all):
        w.change_rate(i, rate)


def titrate(ward, k):
    last = k + int(spread(ward.rng, 1200, 5000))
    while k < last:
        ward.at(k, lambda w: new_rate(w))
        k += int(spread(ward.rng, 120, 900))


def cyclic(ward):
    """Cyclic nutrition: up in steps at the start, down in steps at the end."""
    full, steps, last = ward.normal[0], 6, spread(ward.rng, 1800, 7200)
    end = ward.points - 1 - int(last) - 600
    if end < 3 * last or full <= 0:
        return
    for n in range(steps):
        up, down = full * (n + 1) / steps, full * (steps - n - 0.5) / steps
        ward.at(1 + int(n * last / steps), lambda w, q=up: w.change_rate(0, float(f"{q:.3g}")))
        ward.at(end + int(n * last / steps), lambda w, q=down: w.change_rate(0, float(f"{q:.3g}")))
