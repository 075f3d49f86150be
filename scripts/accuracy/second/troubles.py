"""The causes: what each does to the line, second by second, and what ends it.

In: a `Ward` at a moment. Out: a `Trouble`, whose series the ward multiplies or adds into what happens to the line.
"""

from dataclasses import dataclass, field

import numpy as np

from second.setting import MMHG_PER_CM, pick, spread

CLOSED = 1e7        # mmHg per mL/h: a clamp

SITE = {
    "filter-loading": "filter", "filter-settling": "filter", "filter-precipitate": "filter", "catheter-narrowing": "catheter",
    "catheter-blocked": "catheter", "catheter-positional": "catheter", "tubing-blocked": "tubing", "supply-stopped": "supply",
    "limit-too-low": "settings", "height-change": "none", "artefact": "none",
}


@dataclass
class Trouble:
    cause: str
    channels: list                  # numbers of the channels whose pressure it moves
    began: int                      # grid point
    acts_on: str                    # tubing | catheter | supply | head | grown | nothing
    course: str
    series: np.ndarray | None = None
    variant: str | None = None
    end: int | None = None          # grid point of relief
    deeds: list = field(default_factory=list)       # grid points at which something was done to it
    other_alarm: int | None = None
    bouts: list = field(default_factory=list)       # (from, to) of what comes and goes
    laws: dict = field(default_factory=dict)        # of a filter's growth: the fields of `network.Line` that rule it from `began` on

    @property
    def site(self):
        return SITE[self.cause]

    def until(self, points):
        return points - 1 if self.end is None else self.end

    def ease(self, k, share=1.0, back_s=0):
        """Relief at k: wholly, or by a share; back again over `back_s` where that is given."""
        now = self.series[k:]
        open_ = 0.0 if self.acts_on == "head" else 1.0
        if back_s:
            share = share * np.exp(-np.arange(now.size) / back_s)
        if self.acts_on == "supply":
            self.series[k:] = open_
        else:
            self.series[k:] = open_ + (now - open_) * (1 - share)
        self.deeds.append(k)
        if share is not None and np.ndim(share) == 0 and share > 0.98:
            self.end = k
            self.bouts = [(a, min(b, k)) for a, b in self.bouts if a < k]


def ramped(points, k, seconds, target, shape=1.0):
    """1 before k, then to the target within these seconds (in the logarithm), and there."""
    t = np.clip((np.arange(points) - k) / max(seconds, 1e-9), 0, 1)
    return np.exp(np.log(target) * t ** shape)


def rise_of(ward, i, flow, base):
    """A factor on `base` that lifts the pressure by something between hardly visible and far beyond the limit."""
    lift = spread(ward.rng, 6, 60) if ward.rng.random() < 0.4 else spread(ward.rng, 30, 600)
    return 1 + lift / max(flow, 1e-3) / base


def tubing_blocked(ward, k):
    i = ward.any_running()
    base = ward.setting.line.tubing[i]
    closed = ward.rng.random() < 0.6
    factor = CLOSED / base if closed else max(rise_of(ward, i, ward.normal[i], base), 1 + 0.6 * ward.setting.below(i) / base)
    trouble = Trouble("tubing-blocked", [i], k, "tubing", "step")
    trouble.series = ramped(ward.points, k, spread(ward.rng, 1, 60), factor)
    if ward.rng.random() < 0.35:      # a clamp left closed after a new container
        ward.at(max(1, k - int(spread(ward.rng, 20, 300))), lambda w: w.new_set(i))
    if not closed and ward.rng.random() < 0.4:
        last = int(spread(ward.rng, 300, 10_000))
        trouble.ease(min(k + last, ward.points - 1))
        trouble.deeds.clear()
    return trouble


def catheter_blocked(ward, k):
    base = ward.setting.line.catheter
    variant = pick(ward.rng, {"clamp": 4, "kink": 4, "clot": 3})
    trouble = Trouble("catheter-blocked", ward.all, k, "catheter", "step", variant=None)
    closed = variant == "clamp" or ward.rng.random() < 0.35
    factor = CLOSED / base if closed else max(rise_of(ward, 0, sum(ward.normal), base), 1 + 0.6 * ward.setting.below(0) / base)
    seconds = spread(ward.rng, 1, 50)
    if variant == "clot":
        seconds = spread(ward.rng, 100, 1500)
        trouble.course = "gradual"
        ward.at(max(k - int(spread(ward.rng, 60, 900)), 1), lambda w: w.pause(w.all, spread(w.rng, 900, 4000)))
    trouble.series = ramped(ward.points, k, seconds, factor)
    return trouble


def catheter_positional(ward, k):
    base, rng = ward.setting.line.catheter, ward.rng
    factor = max(rise_of(ward, 0, sum(ward.normal), base), 1 + 0.7 * ward.setting.below(0) / base)
    trouble = Trouble("catheter-positional", ward.all, k, "catheter", "step")
    high = np.zeros(ward.points)
    at, stop = k, k + (int(spread(rng, 200, 4500)) if rng.random() < 0.25 else int(spread(rng, 1800, 36_000)))
    single = stop - k < 1800 or rng.random() < 0.15
    on_s, off_s = spread(rng, 60, 1500), spread(rng, 90, 1800)
    while at < min(stop, ward.points - 2):
        on = stop - at if single else int(np.clip(rng.exponential(on_s), 8, 6000))
        to = min(at + on, ward.points - 1)
        high[at:to] = 1.0 if rng.random() < 0.7 else rng.uniform(0.75, 1.0)
        trouble.bouts.append((at, to))
        at = to + int(np.clip(rng.exponential(off_s), 10, 3400))
    soft = int(rng.integers(1, 15))
    high = np.convolve(high, np.ones(soft) / soft)[:ward.points]
    trouble.series = np.exp(np.log(factor) * high)
    trouble.course = "intermittent" if len(trouble.bouts) > 1 else "step"
    trouble.end = trouble.bouts[-1][1] if trouble.bouts[-1][1] < ward.points - 1 else None
    return trouble


def catheter_narrowing(ward, k):
    rng, base, below = ward.rng, ward.setting.line.catheter, ward.setting.below(0)
    target = 1 + (spread(rng, 1.6, 14) - 1) * below / base
    last = int(spread(rng, 1.2, 26) * 3600)
    pieces = max(3, int(spread(rng, 3, 60)))
    jumps = rng.gamma(spread(rng, 0.3, 8), 1.0, pieces) + 1e-9
    course = np.concatenate([[0], np.cumsum(jumps) / jumps.sum()])
    t = np.clip((np.arange(ward.points) - k) / last, 0, None)
    g = np.interp(np.minimum(t, 1), np.linspace(0, 1, pieces + 1), course) + (np.maximum(t - 1, 0) * 0.5 if rng.random() < 0.5 else 0)
    g = g ** spread(rng, 0.7, 1.8)
    trouble = Trouble("catheter-narrowing", ward.all, k, "catheter", "gradual")
    trouble.series = 1 + (target - 1) * np.expm1(g * (s := rng.uniform(0.05, 2.0))) / np.expm1(s)
    return trouble


def growth_to(x, n, m, mix):
    """The integral of dx / (mix x^n + (1 - mix) x^m) from 1 to x: filtered volume times k."""
    grid = np.exp(np.linspace(0, np.log(x), 400))
    y = 1 / (mix * grid ** n + (1 - mix) * grid ** m)
    return float(np.sum((y[1:] + y[:-1]) / 2 * np.diff(grid)))


def filter_growth(ward, k, cause, variant=None):
    """What all filter causes share: which channels, and how far the membrane must load for the pressure to show it."""
    s = ward.setting
    worst = min(s.filtered, key=s.below)
    ratio = spread(ward.rng, 1.5, 16)
    trouble = Trouble(cause, list(range(s.n)) if s.line.filter_at == s.n else [s.line.filter_at], k, "grown", "gradual", variant=variant)
    return trouble, 1 + (ratio - 1) * s.below(worst) / s.line.filter, max(sum(ward.normal[i] for i in s.filtered), 0.05)


def filter_loading(ward, k, variant=None):
    rng = ward.rng
    trouble, x, flow = filter_growth(ward, k, "filter-loading", variant)
    hours = {"badly-primed": spread(rng, 0.08, 0.8), "pore-too-fine": spread(rng, 0.8, 7), None: spread(rng, 1.2, 26)}[variant]
    n, m, mix = rng.uniform(0, 2), rng.uniform(0, 1.5), rng.uniform(0.4, 1)
    trouble.laws = {
        "law_n": n, "law_m": m, "law_mix": mix, "law_k": growth_to(x, n, m, mix) / (flow * hours),
        "uneven": rng.uniform(0, 0.85), "uneven_ml": flow * hours * rng.uniform(0.1, 0.8), "uneven_at": rng.random(),
        "law_end": x * spread(rng, 0.7, 1.3) if variant == "badly-primed" or rng.random() < 0.25 else 1e7,
    }
    return trouble


def filter_settling(ward, k):
    rng = ward.rng
    trouble, x, flow = filter_growth(ward, k, "filter-settling")
    count = int(rng.integers(3, 9))
    ward.settling = (np.log(x) / count * spread(rng, 0.8, 2.2), spread(rng, 600, 4000))
    ward.state.jump_ml = flow * spread(rng, 0.005, 0.1)
    trouble.laws = {"law_n": 1.0, "law_mix": 1.0, "law_k": np.log(x) * rng.uniform(0, 0.25) / (flow * (ward.points - k) / 3600)}
    at = k + int(spread(rng, 200, 4000))
    for _ in range(count):
        ward.at(at, lambda w: w.pause(w.all, spread(w.rng, 300, 7000)))
        at += int(spread(rng, 3000, 11_000))
    return trouble


def filter_precipitate(ward, k):
    """A medication joins; after some minutes something falls out and blocks the filter, until it is used up."""
    rng = ward.rng
    trouble, x, _ = filter_growth(ward, k, "filter-precipitate")
    mixes = ward.medication if ward.medication is not None else 0
    ward.at(max(k - int(spread(rng, 120, 2700)), 1), lambda w: w.medication_starts(mixes))
    n = rng.uniform(0, 1.6)
    trouble.laws = {
        "mixes": mixes, "time_n": n, "time_k": growth_to(x, n, n, 1.0) / (spread(rng, 2, 40) / 60), "law_k": 0.0,
        "law_end": x * spread(rng, 0.6, 2.0),
    }
    return trouble


def supply_stopped(ward, k):
    i = ward.any_running()
    trouble = Trouble("supply-stopped", [i], k, "supply", "step")
    t = np.clip((np.arange(ward.points) - k) / spread(ward.rng, 4, 200), 0, 60)
    trouble.series = np.where(t > 8, 0.0, np.exp(-t * 1.2))
    if ward.rng.random() < 0.6:
        ward.at(k + int(spread(ward.rng, 120, 4500)), lambda w: w.air_alarm(trouble))
    return trouble


def height_change(ward, k):
    rng = ward.rng
    one = ward.setting.n > 1 and rng.random() < 0.3
    trouble = Trouble("height-change", [int(rng.integers(ward.setting.n))] if one else ward.all, k, "head", "step")
    cm = spread(rng, 10, 85) * (1 if rng.random() < 0.5 else -1)
    change = cm * MMHG_PER_CM * np.clip((np.arange(ward.points) - k) / spread(rng, 1, 25), 0, 1)
    if rng.random() < 0.6:
        back = k + int(spread(rng, 400, 22_000))
        change *= 1 - np.clip((np.arange(ward.points) - back) / spread(rng, 1, 25), 0, 1)
        trouble.end = back if back < ward.points - 1 else None
    trouble.series = change
    ward.tell_of_move(trouble, cm)
    return trouble


def limit_too_low(ward, k):
    """The rate is raised, or the limit lowered, until the open line itself reaches the limit."""
    i = ward.any_running()
    trouble = Trouble("limit-too-low", [i], k, "nothing", "step")
    ward.at(k, lambda w: w.reach_the_limit(i))
    return trouble


def efforts(ward, k, spell_s, strong=None):
    """A spell of crying or coughing: bursts at the catheter's tip. Added to the ward's efforts; gives (from, to, bursts)."""
    rng = ward.rng
    at, to, stop, bursts = k, k, min(k + spell_s, ward.points - 2), 0
    size = spread(rng, 5, 45) if strong is None else strong
    while at < stop:
        last = int(spread(rng, 4, 90))
        to = min(at + last, ward.points - 1)
        rough = np.abs(np.convolve(rng.normal(1, 0.7, to - at + 4), np.ones(5) / 5, "valid"))
        ward.efforts[at:to] += size * rng.uniform(0.5, 1.3) * rough[:to - at]
        bursts += 1
        at = to + int(spread(rng, 3, 240))
    ward.spells.append((k, to, bursts))


BEGIN = {
    "tubing-blocked": tubing_blocked, "catheter-blocked": catheter_blocked, "catheter-positional": catheter_positional,
    "catheter-narrowing": catheter_narrowing, "filter-loading": filter_loading, "filter-settling": filter_settling,
    "filter-precipitate": filter_precipitate, "supply-stopped": supply_stopped, "height-change": height_change,
    "limit-too-low": limit_too_low,
    "badly-primed": lambda ward, k: filter_loading(ward, k, "badly-primed"),
    "pore-too-fine": lambda ward, k: filter_loading(ward, k, "pore-too-fine"),
}
