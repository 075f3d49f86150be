"""Draws what a record is set in: line, pumps, sensor, log, patient and staff. Ranges are wider than life on purpose; those without
a source are common practice.

In: a random generator. Out: a `Setting`.
"""

from dataclasses import dataclass
from datetime import datetime, timedelta, timezone

import numpy as np

from second.network import MOST, plain_line

MMHG_PER_CM = 0.735559 * 1.03     # nutrition is a little denser than water

# kind: (least, most mmHg per mL/h of the open catheter, least, most mL/h of the main channel, weight)
CATHETERS = {
    "1Fr": (10.0, 38.0, 0.3, 9.0, 0.22), "2Fr": (1.8, 16.0, 0.5, 18.0, 0.28), "3Fr": (0.3, 3.0, 2.0, 70.0, 0.18),
    "large": (0.015, 0.4, 8.0, 180.0, 0.12), "peripheral": (0.08, 1.2, 1.0, 70.0, 0.12), "umbilical": (0.15, 3.5, 0.4, 12.0, 0.08),
}
ACCESS = {"1Fr": "picc", "2Fr": "picc", "3Fr": "picc", "large": "cvc", "peripheral": "peripheral", "umbilical": "umbilical"}
DIAMETER = {"1Fr": (0.16, 0.2), "2Fr": (0.2, 0.33), "3Fr": (0.33, 0.55), "large": (0.6, 1.2), "peripheral": (0.3, 0.6), "umbilical": (0.4, 0.9)}
NAMES = [("pn", "lipid", "med"), ("A", "B", "C"), ("1", "2", "3"), ("pump-11", "pump-12", "pump-14"), ("main", "second", "third")]
LIMITS = [25, 40, 50, 60, 75, 100, 120, 150, 200, 250, 300, 400, 450, 500, 600]


@dataclass
class Setting:
    hours: float
    points: int
    start: datetime | None
    ids: list
    fluids: list
    rates: list
    limits: list
    kind: str
    pore_um: float | None
    line: object
    vein: np.ndarray            # mmHg at the catheter's tip, with its wander
    wander: float               # mmHg, root mean square
    heights: list               # cm of each pump above the heart
    drift: list                 # mmHg a day, of each sensor
    noise: float
    sampling: dict
    staff: dict
    events: bool
    tells_line: bool
    filter_known: bool
    placed_h: float             # when the filter was placed, hours from the record's start

    @property
    def n(self):
        return len(self.ids)

    @property
    def filtered(self):
        """Numbers of the channels that pass the filter."""
        return list(range(self.n)) if self.line.filter_at == self.n else [self.line.filter_at] if self.line.filter_at >= 0 else []

    def below(self, i):
        """Resistance of all that lies below pump i, open."""
        through = self.line.filter if i in self.filtered else 0.0
        return self.line.tubing[i] + through + self.line.catheter

    def level(self, i, rates):
        """The pressure at pump i with these rates, in mmHg at its own height."""
        shared = self.line.catheter + (self.line.filter if self.line.filter_at == self.n else 0.0)
        own = self.below(i) - shared
        return float(self.vein.mean()) - self.heights[i] * MMHG_PER_CM + own * rates[i] + shared * sum(rates)


def spread(rng, low, high):
    """A number between the two, even in its logarithm."""
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def pick(rng, weights):
    names = list(weights)
    p = np.array([weights[k] for k in names], float)
    return names[int(rng.choice(len(names), p=p / p.sum()))]


def wandering(rng, points, size, tau_s):
    """A smooth wander (Ornstein-Uhlenbeck on a grid of half minutes, joined by lines)."""
    knots = points // 30 + 3
    keep = np.exp(-30 / tau_s)
    kicks = rng.normal(0, size * np.sqrt(1 - keep * keep), knots)
    level, out = rng.normal(0, size), np.empty(knots)
    for k in range(knots):
        level = keep * level + kicks[k]
        out[k] = level
    return np.interp(np.arange(points), np.arange(knots) * 30.0, out)


def draw(rng):
    hours = float(np.clip(np.exp(rng.normal(np.log(13), 0.6)), 3, 46))
    n = int(rng.choice([1, 2, 3], p=[0.38, 0.45, 0.17]))
    kind = pick(rng, {k: v[4] for k, v in CATHETERS.items()})
    fluids = fluids_of(rng, n)
    sampling = draw_sampling(rng, hours)
    hours = sampling.pop("hours")
    points = int(hours * 3600) + 1
    line, pore, where = draw_line(rng, n, kind, fluids)
    start = None
    if rng.random() < 0.8:
        start = datetime(2032, 1, 1, tzinfo=timezone(timedelta(hours=int(rng.integers(-8, 11))))) + timedelta(minutes=int(rng.integers(0, 500_000)))
    wander = float(rng.choice([0.2, 0.5, 1.0, 1.6, 2.5]))
    vein = float(np.clip(rng.normal(5, 4), -4, 18))
    base_height = float(rng.normal(0, 15))
    heights = [base_height + (float(rng.normal(0, 6)) if rng.random() < 0.5 else 0.0) for _ in range(n)]
    setting = Setting(
        hours=hours, points=points, start=start, ids=list(NAMES[int(rng.choice(5, p=[0.6, 0.1, 0.1, 0.1, 0.1]))][:n]), fluids=fluids,
        rates=rates_of(rng, kind, fluids), limits=[], kind=kind, pore_um=pore, line=line,
        vein=vein + wandering(rng, points, wander, spread(rng, 600, 3600)), wander=wander, heights=heights,
        drift=[float(rng.normal(0, 2.5)) if rng.random() < 0.4 else 0.0 for _ in range(n)], noise=spread(rng, 0.15, 2.0),
        sampling=sampling, staff=draw_staff(rng), events=rng.random() < 0.65, tells_line=rng.random() < 0.68,
        filter_known=where != "unknown", placed_h=-float(rng.choice([0, 0, spread(rng, 0.5, 60)])),
    )
    setting.limits = draw_limits(rng, setting)
    return setting


def fluids_of(rng, n):
    if n == 1:
        return [pick(rng, {"pn-3in1": 3, "pn-2in1": 4, "crystalloid": 1, "lipid": 1})]
    second = pick(rng, {"lipid": 6, "medication": 3, "crystalloid": 1})
    first = "pn-3in1" if second == "medication" and rng.random() < 0.4 else "pn-2in1"
    return [first, second, "medication" if second != "medication" else "crystalloid"][:n]


def rates_of(rng, kind, fluids):
    _, _, low, high, _ = CATHETERS[kind]
    main = spread(rng, low, high)
    share = {"lipid": (0.05, 0.4), "medication": (0.08, 1.0), "crystalloid": (0.05, 0.8)}
    rates = [main] + [main * spread(rng, *share[f]) for f in fluids[1:]]
    return [max(0.05, float(f"{r:.2g}")) for r in rates]


def draw_line(rng, n, kind, fluids):
    low, high = CATHETERS[kind][:2]
    where = pick(rng, {"below": 0.6, "above": 0.14 if n > 1 else 0.0, "none": 0.13, "unknown": 0.13})
    filter_at = {"below": n, "above": int(rng.integers(n)), "none": -1, "unknown": n if rng.random() < 0.7 else -1}[where]
    lipid = any(f in ("lipid", "pn-3in1") for f in fluids)
    pore = None if filter_at < 0 else float(rng.choice([1.2, 0.2, 5.0], p=[0.85, 0.13, 0.02] if lipid else [0.6, 0.38, 0.02]))
    membrane = (spread(rng, 0.04, 1.2) if pore != 0.2 else spread(rng, 0.15, 3.0)) * (0.1 if kind == "large" else 1.0)
    syringe = rng.random() < (0.85 if kind in ("1Fr", "2Fr", "umbilical") else 0.25)
    line = plain_line(
        channels=n, filter_at=filter_at, filter=membrane, catheter=spread(rng, low, high), latency=int(rng.integers(1, 12)),
        join_compliance=1e-3 * (spread(rng, 0.015, 0.2) + (spread(rng, 0.05, 0.6) if filter_at == n else 0.0)),
        tail_compliance=1e-3 * spread(rng, 0.02, 0.5), uneven_ml=1.0,
    )
    for i in range(n):
        own = spread(rng, 0.3, 3.2) if syringe else spread(rng, 0.45, 3.8)
        line.compliance[i] = 1e-3 * (own + spread(rng, 0.03, 0.5))
        line.half[i] = spread(rng, 90, 2500)
        line.tubing[i] = spread(rng, 0.01, 0.4) * (0.1 if kind == "large" else 1.0)
        line.gain[i] = float(rng.normal(1, 0.02)) if rng.random() < 0.4 else 1.0
        line.zero[i] = float(rng.normal(0, 2.5))
        draw_pump(rng, line, i, syringe)
    return line, pore, where


def draw_pump(rng, line, i, syringe):
    if syringe:
        if rng.random() < 0.65:
            line.stick_ml[i], line.stick_share[i] = spread(rng, 0.0008, 0.015), float(rng.uniform(0.2, 0.95))
    else:
        line.stroke_ml[i], line.stroke_share[i] = spread(rng, 0.02, 0.25), float(rng.uniform(0.1, 0.7))
    if rng.random() < 0.5:
        line.lag_s[i] = spread(rng, 5, 400)


def draw_sampling(rng, hours):
    """How the pump writes: a row every so often, on change, or both. Fine logs come from short records: the files stay small."""
    way = pick(rng, {"every": 0.7, "change": 0.16, "both": 0.14})
    period = float(rng.choice([1, 2, 5, 10, 15, 20, 30, 60, 120, 180, 300], p=[.05, .05, .09, .14, .08, .11, .15, .18, .07, .03, .05]))
    if way != "every":
        period = float(rng.choice([1, 2, 5, 10, 15]))
    elif period <= 2:
        hours = min(hours, spread(rng, 3, 7))
    elif period <= 5:
        hours = min(hours, spread(rng, 4, 16))
    rounding = float(rng.choice([0.1, 0.5, 1, 1, 1, 2, 5, 10, 25], p=[.12, .05, .2, .2, .18, .07, .1, .06, .02]))
    gaps = []
    for _ in range(int(rng.poisson(0.25))):
        minutes = spread(rng, 4, 150)
        gaps.append({"at_h": float(rng.uniform(0.5, max(0.6, hours - minutes / 60 - 0.5))), "minutes": minutes})
    return {
        "hours": hours, "period_s": period, "on_change": way != "every", "rounding_mmhg": rounding, "gaps": gaps,
        "limit": bool(rng.random() < 0.7), "threshold": max(rounding, float(rng.choice([2, 3, 5, 8]))),
        "heartbeat_s": float(rng.choice([60, 120, 300, 600])) if way == "both" else float(rng.choice([900, 3600])),
        "volume": bool(rng.random() < 0.75), "missing": float(rng.choice([0, 0, 0.003, 0.03])), "repeated": float(rng.choice([0, 0, 0.01])),
        "silent_at_rest": bool(rng.random() < 0.06), "top": float(rng.choice([300, 750, 1000, 1500], p=[0.03, 0.27, 0.4, 0.3])),
        "unmeasured_at_rest": bool(rng.random() < 0.03),
    }


def draw_staff(rng):
    return {
        "delay_min": spread(rng, 0.7, 9), "blind": float(rng.uniform(0.15, 0.75)), "finds": float(rng.uniform(0.5, 0.95)),
        "gives_up": float(rng.choice([0, 0.05, 0.2])), "writes": float(rng.choice([0.15, 0.5, 0.8, 0.97])),
        "late": float(rng.choice([0, 0.1, 0.4])), "wrong_channel": float(rng.choice([0, 0, 0.1])), "rounds_h": spread(rng, 0.5, 5),
        "pauses_on_rise": rng.random() < 0.3, "keeps_open": rng.random() < 0.15, "one_filter_a_day": rng.random() < 0.3,
        "back_off": rng.random() < 0.35,
    }


def draw_limits(rng, setting):
    """A limit for each channel: some way above what the open line needs."""
    way, limits = rng.random(), []
    for i in range(setting.n):
        need = setting.level(i, setting.rates) + setting.line.zero[i]
        room = max(12.0, 0.3 * abs(need))
        fits = [x for x in LIMITS if x > need + room]
        near = [x for x in fits if x < need + 60] or fits[:1]
        if not fits:
            limits.append(float(np.ceil((need + room) / 50) * 50))
        else:
            limits.append(float(rng.choice(near if way < 0.45 else fits)))
    same = max(limits)
    return [same] * setting.n if rng.random() < 0.6 else limits
