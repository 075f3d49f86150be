"""What really happened, as the truth file says it: the line as it was, and each episode by the contract's definition.

In: a `Ward` that has run. Out: `Episode`s and the channels' figures. What a trouble did to the pressure is the difference to the same
line, flows and growth without it.
"""

from dataclasses import dataclass, replace

import numpy as np

from second.network import Outputs, State, stored_ml

HOUR = 3600


@dataclass
class Episode:
    site: str
    cause: str
    course: str
    channels: list
    began: int
    onset: int | None
    end: int | None
    alarm: int | None = None
    other_alarm: int | None = None
    variant: str | None = None
    reached: bool = False
    visible: bool = False
    peak_ratio: float = 1.0
    effect: float = 0.0
    running_s: float = 0.0
    release_ml: float | None = None
    trouble: object = None
    tells: list | None = None       # why the site can be told: [(file, sentence)]
    can_tell: bool = False

    def until(self, points):
        return points - 1 if self.end is None else self.end


def without(ward, trouble=None, efforts=False):
    """The pressures with the same flows, without one trouble (or without the efforts)."""
    line, inputs = ward.line.copy(), replace(ward.inputs)
    line.law_k = line.time_k = 0.0
    inputs.limit = np.zeros_like(inputs.limit)
    inputs.filter = ward.out.grown.copy()
    if efforts:
        inputs.outlet = ward.setting.vein.copy()
    elif trouble.acts_on == "grown":
        inputs.filter = np.ones(ward.points)
    elif trouble.series is None:
        return ward.out.pressure
    elif trouble.acts_on == "catheter":
        inputs.catheter = inputs.catheter - (trouble.series - 1)
    elif trouble.acts_on in ("tubing", "supply"):
        rows = getattr(inputs, trouble.acts_on).copy()
        for i in trouble.channels:
            rows[i] = rows[i] - (trouble.series - 1) if trouble.acts_on == "tubing" else 1.0
        setattr(inputs, trouble.acts_on, rows)
    elif trouble.acts_on == "head":
        inputs.head = inputs.head.copy()
        for i in trouble.channels:
            inputs.head[i] -= trouble.series
    out, state = Outputs.empty(ward.setting.n, ward.points), State.at(0.0)
    for i in range(5):
        state.pressure[i] = ward.setting.vein[0]
    for i in ward.all:
        state.pressure[i] = ward.out.pressure[i, 0]
    ward.integrator.run(line, state, inputs, out, 0, ward.points - 1)
    return out.pressure


def effects(ward):
    """For each trouble, and last for the efforts: how it moved each channel's pressure."""
    moved = []
    for t in ward.troubles:
        rows = ward.out.pressure - without(ward, t)
        rows[:, :t.began] = 0.0
        moved.append(rows)
    moved.append(ward.out.pressure - without(ward, efforts=True) if ward.spells else np.zeros_like(ward.out.pressure))
    return moved


def ratio(ward, t):
    """Resistance below the pump over its baseline by this trouble alone, of the channel that it moves most."""
    s = ward.setting
    if t.acts_on == "catheter":
        return 1 + s.line.catheter * (t.series - 1) / min(s.below(i) for i in ward.all)
    if t.acts_on == "tubing":
        i = t.channels[0]
        return 1 + s.line.tubing[i] * (t.series - 1) / s.below(i)
    if t.acts_on == "grown":
        grown = ward.out.grown.copy()
        grown[:t.began] = 1.0
        return 1 + s.line.filter * (grown - 1) / min(s.below(i) for i in s.filtered)
    return np.ones(ward.points)


def hides(ward, ripple):
    s = ward.setting
    return max(2.0, s.noise, s.sampling["rounding_mmhg"], ripple / 2, 3 * s.wander)


def ripple(ward):
    """Pulsation of the pumps while they run evenly, peak to peak (mmHg), by channel."""
    out = []
    for i in ward.all:
        p = ward.out.pressure[i]
        runs = ward.shown[i] > 0
        if not runs.any():
            out.append(0.0)
            continue
        smooth = np.convolve(p, np.ones(121) / 121, "same")
        out.append(float(2.83 * np.median(np.abs(p - smooth)[runs]) / 0.6745))
    return out


def gradual(ward, t):
    """The stretches of one that grows: from its beginning, or from a deed that brought it below 1.5, to the next such deed or the end."""
    stood, stop = ratio(ward, t), t.until(ward.points)
    if t.acts_on == "grown" and t.end is None:
        stop = ward.points - 1
    cuts = [k for k in sorted(set(t.deeds)) if k < stop and stood[min(k + 5, stop)] < 1.5] + [stop]
    began, out = t.began, []
    for cut in cuts:
        part = stood[began:cut + 1] if cut == ward.points - 1 else stood[began:cut]
        if part.size < 2:
            continue
        high = part >= 1.5
        onset, end = None, cut if cut < ward.points - 1 else None
        if high.any():
            last = int(np.flatnonzero(high)[-1])
            low = np.flatnonzero(~high[:last + 1])
            onset = began + (int(low[-1]) + 1 if low.size else 0)
            if last < part.size - 2:
                end = began + last + 1
        if onset is not None or part.max() > 1.02:
            out.append(Episode(t.site, t.cause, "gradual", t.channels, began, onset, end, variant=t.variant, trouble=t,
                               peak_ratio=float(part.max())))
        began = cut
    return out


def sudden(ward, t):
    """One that came at once: one stretch, or bouts joined where less than an hour lies between them."""
    stood = ratio(ward, t)
    bouts = t.bouts or [(t.began, t.until(ward.points))]
    groups = [[bouts[0]]]
    for bout in bouts[1:]:
        ended = any(groups[-1][-1][1] <= d <= bout[0] for d in t.deeds) and t.end is not None and t.end <= bout[0]
        if bout[0] - groups[-1][-1][1] < HOUR and not ended:
            groups[-1].append(bout)
        else:
            groups.append([bout])
    out = []
    for group in groups:
        a, b = group[0][0], group[-1][1]
        end = None if b >= ward.points - 1 else b
        out.append(Episode(t.site, t.cause, t.course if len(group) > 1 else "step", t.channels, a, a, end, variant=t.variant, trouble=t,
                           peak_ratio=float(stood[a:b + 1].max()), other_alarm=t.other_alarm))
    return out


def held_ml(ward, e):
    """What is held above the block at its end, beyond what the outlet's pressure holds (mL)."""
    if e.site not in ("tubing", "filter", "catheter"):
        return None
    s, k = ward.setting, max(e.until(ward.points) - 1, 0)
    total = 0.0
    for i in e.channels:
        rest = ward.inputs.outlet[k] - ward.inputs.head[i, k]
        total += float(stored_ml(s.line, i, ward.out.pressure[i, k]) - stored_ml(s.line, i, rest))
    if e.site != "tubing" and s.line.filter_at != e.channels[0]:
        total += s.line.join_compliance * (ward.out.join[k] - ward.inputs.outlet[k])
    if e.site == "catheter":
        total += s.line.tail_compliance * (ward.out.tail[k] - ward.inputs.outlet[k])
    return max(total, 0.0)


def attribute(ward, episodes, moved):
    """Gives each alarm to what moved the pressure most; what nothing moved rang because the limit was too low."""
    efforts, settings, touched = moved[-1], [], {}
    for k, i in ward.alarms:
        window = slice(max(0, k - 30), k + 1)
        above = max(5.0, 0.25 * (ward.inputs.limit[i, k] - (ward.inputs.outlet[k] - ward.inputs.head[i, k])))
        by = [(float(moved[ward.troubles.index(e.trouble)][i, window].max()), e) for e in episodes
              if e.trouble is not None and e.began <= k <= e.until(ward.points) and i in e.channels]
        most, whose = max(by, key=lambda x: x[0], default=(0.0, None))
        cough = float(efforts[i, window].max())
        knock = [n for n, (a, b, count) in enumerate(ward.spells) if a - 2 <= k <= b + 60]
        if cough > max(most, above) and knock:
            touched.setdefault(knock[-1], []).append(k)
        elif most > above or (whose is not None and most > 3 and most > 0.12 * ward.inputs.limit[i, k]):
            whose.alarm = k if whose.alarm is None else min(whose.alarm, k)
        else:
            settings.append((k, i))
    return touched, settings


def fits(ward, touched):
    """Artefacts: spells that rang an alarm, joined where less than an hour lies between them."""
    out = []
    for n in sorted(touched):
        a, b, bursts = ward.spells[n]
        if out and a - out[-1].end < HOUR:
            out[-1].end, out[-1].course = b, "intermittent"
            continue
        out.append(Episode("none", "artefact", "intermittent" if bursts > 1 else "step", ward.all, a, a, b, alarm=min(touched[n])))
    return out


def too_low(ward, settings):
    """Limits too low: alarms with less than an hour between, from the change of rate or limit before the first to the restart or
    change after the last."""
    out, last = [], None
    for k, i in sorted(settings):
        if last is not None and k - last < HOUR:
            out[-1].channels = sorted({*out[-1].channels, i})
        else:
            before = [c for c, _ in ward.changes if c <= k and k - c < 4 * HOUR]
            began = before[-1] if before else max(k - 60, 0)
            out.append(Episode("settings", "limit-too-low", "step", [i], began, began, None, alarm=k))
        last = k
        out[-1].end = min((c for c, j in ward.changes + ward.restarts if j in out[-1].channels and c > k), default=None)
    return out


def episodes(ward):
    """All episodes in order of onset, with what each did; and what each trouble did to the pressure."""
    moved = effects(ward)
    found = [e for t in ward.troubles if t.acts_on != "nothing" for e in (gradual if t.course == "gradual" else sudden)(ward, t)]
    touched, settings = attribute(ward, found, moved)
    found += fits(ward, touched) + too_low(ward, settings)
    floor = hides(ward, max(ripple(ward)))
    for e in found:
        a, b = e.began, e.until(ward.points)
        runs = ward.shown[:, a:b + 1] > 0
        shift = moved[ward.troubles.index(e.trouble)] if e.trouble is not None else moved[-1] if e.cause == "artefact" else None
        if shift is not None:
            part = np.where(runs, shift[:, a:b + 1], 0.0)[e.channels if e.site != "supply" else ward.all]
            # what hinders the flow raises the pressure; that it also keeps coughs from the pump is no effect
            far = part if e.site in ("tubing", "filter", "catheter") else np.abs(part)
            e.effect = float(part.flat[far.argmax()]) if part.size else 0.0
        start = e.began if e.onset is None else e.onset
        e.running_s = float(runs[e.channels][:, start - a:].any(axis=0).sum())
        below = e.site in ("tubing", "filter", "catheter")
        e.visible = e.cause != "limit-too-low" and abs(e.effect) >= floor and (not below or e.peak_ratio >= 1.5) and (e.onset is not None)
        e.reached = e.alarm is not None or e.other_alarm is not None or e.visible
        e.release_ml = held_ml(ward, e)
    keep = [e for e in found if e.reached or e.peak_ratio > 1.1 or abs(e.effect) > 1.0]
    return sorted(keep, key=lambda e: e.began if e.onset is None else e.onset), moved


def channels(ward):
    """Each channel's own compliance, resistance below it and outlet pressure, as its own sensor would measure them."""
    s, out = ward.setting, []
    for i in ward.all:
        gain = s.line.gain[i]
        rest = s.vein[0] - s.heights[i] * (ward.inputs.head[i, 0] / s.heights[i] if s.heights[i] else 0.0)
        high = max(float(ward.out.pressure[i].max()), rest + 1.0)
        store = float(stored_ml(s.line, i, high) - stored_ml(s.line, i, rest)) / (high - rest)
        out.append({
            "id": s.ids[i], "compliance_ul_per_mmhg": 1000 * store / gain, "resistance_mmhg_h_per_ml": s.below(i) * gain,
            "outlet_pressure_mmhg": rest * gain + float(ward.zero[i, 0]),
        })
    return out
