"""Writes a record as an export would give it, and its truth.

In: a `Ward` that has run, its episodes. Out: trace.csv, and where the record has them events.csv and line.toml; truth.json; and
scenario.toml, the few settings by which the scoring knows how the record was written.
"""

import csv
import json
from datetime import timedelta

import numpy as np

from second.setting import ACCESS, DIAMETER, spread


class Clock:
    """Times as the record writes them: RFC 3339, or seconds from the start."""

    def __init__(self, start):
        self.start = start

    def __call__(self, k):
        if k is None:
            return None
        return float(k) if self.start is None else (self.start + timedelta(seconds=int(k))).isoformat()

    def cells(self, ks):
        if self.start is None:
            return [str(k) for k in ks]
        return [(self.start + timedelta(seconds=k)).isoformat() for k in ks]


def readings(ward, rng):
    """What each sensor reads each second, before it is written: gain, zero, noise, end of the range, rounding."""
    s = ward.setting
    step = s.sampling["rounding_mmhg"]
    rows = []
    for i in ward.all:
        p = s.line.gain[i] * ward.out.pressure[i] + ward.zero[i] + rng.normal(0, s.noise, ward.points)
        rows.append(np.round(np.clip(p, -100, s.sampling["top"]) / step) * step)
    return rows


def logged(ward, rows, rng):
    """For each channel: the seconds that were written."""
    s, log = ward.setting, ward.setting.sampling
    offset = int(rng.integers(0, max(1, min(log["period_s"], 60))))
    grid = np.arange(offset, ward.points, int(log["period_s"]))
    silent = np.zeros(ward.points, bool)
    for gap in log["gaps"]:
        silent[int(gap["at_h"] * 3600):int(gap["at_h"] * 3600 + gap["minutes"] * 60)] = True
    out = []
    for i in ward.all:
        ks = on_change(grid, rows[i], ward.shown[i], log) if log["on_change"] else grid
        ks = ks[~silent[ks]]
        if log["missing"]:
            ks = ks[rng.random(ks.size) >= log["missing"]]
        if log["silent_at_rest"]:
            ks = ks[(ward.shown[i, ks] > 0) | (np.concatenate([[1], ward.shown[i, ks][:-1]]) > 0)]
        out.append(ks)
    return out


def on_change(grid, row, rate, log):
    """The seconds at which the pressure left the last written one by the threshold, the rate changed, or the heartbeat was due."""
    kept, last, last_rate, since = [], None, None, -10 ** 9
    pressures, rates = row[grid].tolist(), rate[grid].tolist()
    threshold, heartbeat = log["threshold"], log["heartbeat_s"]
    for k, p, q in zip(grid.tolist(), pressures, rates):
        if last is None or abs(p - last) >= threshold or q != last_rate or k - since >= heartbeat:
            kept.append(k)
            last, last_rate, since = p, q, k
    return np.array(kept, int)


def decimals(step):
    return 0 if step >= 1 else 1


def write_trace(ward, folder, clock, rows, kept, rng):
    s, log = ward.setting, ward.setting.sampling
    header = ["time", "channel", "pressure_mmhg", "rate_ml_h"] + ["volume_ml"] * log["volume"] + ["limit_mmhg"] * log["limit"]
    lines = []
    for i, ks in enumerate(kept):
        volume = np.concatenate([[0.0], np.cumsum(ward.shown[i])[:-1]]) / 3600
        pressure = [f"{p:.{decimals(log['rounding_mmhg'])}f}" for p in rows[i][ks].tolist()]
        if log["unmeasured_at_rest"]:
            pressure = ["" if q == 0 else p for p, q in zip(pressure, ward.shown[i, ks].tolist())]
        cells = [clock.cells(ks.tolist()), pressure, [f"{q:.4g}" for q in ward.shown[i, ks].tolist()]]
        if log["volume"]:
            cells.append([f"{v:.3f}" for v in volume[ks].tolist()])
        if log["limit"]:
            cells.append([f"{x:g}" for x in ward.inputs.limit[i, ks].tolist()])
        for k, time, *rest in zip(ks.tolist(), cells[0], *cells[1:]):
            lines.append((k, i, f"{time},{s.ids[i]},{','.join(rest)}"))
    lines.sort(key=lambda row: row[:2])
    if log["repeated"]:
        lines = [row for row in lines for _ in range(2 if rng.random() < log["repeated"] else 1)]
    (folder / "trace.csv").write_text(",".join(header) + "\n" + "\n".join(row[2] for row in lines) + "\n")


def write_events(ward, folder, clock):
    with open(folder / "events.csv", "w", newline="") as file:
        out = csv.writer(file, lineterminator="\n")
        out.writerow(["time", "channel", "event", "detail"])
        for k, i, event, detail in sorted(ward.events, key=lambda e: e[0]):
            out.writerow([clock(k), "" if i is None else ward.setting.ids[i], event, detail])


def write_line(ward, folder, clock, rng):
    """The line file: some keys left out, its figures off by a quarter or so."""
    s, line = ward.setting, ward.setting.line
    off = lambda value: f"{value * np.exp(rng.normal(0, 0.15)):.4g}"
    told = lambda: rng.random() < 0.75
    diameter = DIAMETER[s.kind]
    rows = ["[access]", f'kind = "{ACCESS[s.kind]}"']
    if told():
        rows += [f"inner_diameter_mm = {spread(rng, *diameter):.2f}", f"length_cm = {int(rng.integers(3, 8) if s.kind == 'peripheral' else rng.integers(15, 45))}"]
    if told():
        rows.append(f"resistance_mmhg_h_per_ml = {off(line.catheter)}")
    if s.filter_known:
        rows += ["", "[filter]"]
        if line.filter_at < 0:
            rows.append('position = "none"')
        else:
            rows.append('position = "below-join"' if line.filter_at == s.n else 'position = "above-join"')
            if line.filter_at < s.n:
                rows.append(f'channel = "{s.ids[line.filter_at]}"')
            rows.append(f"pore_um = {s.pore_um}")
            if told():
                placed = clock(int(s.placed_h * 3600))
                rows.append(f'placed = "{placed}"' if isinstance(placed, str) else f"placed = {placed}")
            if told():
                rows.append(f"resistance_mmhg_h_per_ml = {off(line.filter)}")
    if told():
        rows += ["", "[tail]", f"compliance_ul_per_mmhg = {off(1000 * line.tail_compliance)}"]
    for i in range(s.n):
        rows += ["", "[[channel]]", f'id = "{s.ids[i]}"', f'fluid = "{s.fluids[i]}"']
        if told():
            rows.append(f"compliance_ul_per_mmhg = {off(1000 * line.compliance[i])}")
        if told():
            rows.append(f"resistance_mmhg_h_per_ml = {off(line.tubing[i])}")
    (folder / "line.toml").write_text("\n".join(rows) + "\n")


def write_scenario(ward, folder, clock, ripples):
    s, log = ward.setting, ward.setting.sampling
    rows = [f'name = "{folder.name}"', f"duration_h = {(ward.points - 1) / 3600!r}"]
    if s.start is not None:
        rows.append(f'start = "{clock(0)}"')
    gaps = ", ".join(f"{{ at_h = {g['at_h']!r}, minutes = {g['minutes']!r} }}" for g in log["gaps"])
    rows += ["", "[sampling]", f"period_s = {log['period_s']!r}", f"on_change = {str(log['on_change']).lower()}",
             f"rounding_mmhg = {log['rounding_mmhg']!r}", f"limit = {str(log['limit']).lower()}", f"gaps = [{gaps}]",
             "", "[sensor]", f"noise_mmhg = {s.noise!r}", "", "[vein]", f"wander_mmhg = {s.wander!r}"]
    for i in range(s.n):
        rows += ["", "[[channel]]", f'id = "{s.ids[i]}"', f"compliance_ul_per_mmhg = {1000 * s.line.compliance[i]!r}",
                 f"pump = {{ ripple_mmhg = {ripples[i]!r} }}"]
    (folder / "scenario.toml").write_text("\n".join(rows) + "\n")


def truth_of(ward, found, clock, name, seed, channels):
    def told(n, e):
        return {
            "id": n + 1, "channels": [ward.setting.ids[i] for i in e.channels], "site": e.site, "cause": e.cause, "variant": e.variant,
            "course": e.course, "began": clock(e.began), "onset": clock(e.onset), "end": clock(e.end), "alarm": clock(e.alarm),
            "other_alarm": clock(e.other_alarm), "reached": e.reached, "visible": e.visible, "peak_ratio": round(e.peak_ratio, 5),
            "effect_mmhg": round(e.effect, 4), "running_s": e.running_s,
            "release_volume_ml": None if e.release_ml is None else round(e.release_ml, 6), "can_tell": e.can_tell,
            "can_tell_from": [{"needs": needs, "says": says} for needs, says in e.tells or []],
        }
    return {
        "schema": "patency.truth/1", "scenario": name, "seed": seed, "duration_h": (ward.points - 1) / 3600,
        "channels": [{k: v if isinstance(v, str) else float(f"{v:.6g}") for k, v in c.items()} for c in channels],
        "episodes": [told(n, e) for n, e in enumerate(found)],
    }


def write_truth(folder, truth):
    (folder / "truth.json").write_text(json.dumps(truth, indent=2) + "\n")
