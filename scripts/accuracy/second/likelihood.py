"""Whether a record can tell where an episode lies: by the likelihood ratio of the generator's own models, given the files at hand.

Each site's best model is fitted to the readings as they were written, with the rest of the truth fixed; the site can be told where the
true one is ahead of the best other one by ln 10 = 2.3. What counts as known, and how far:

- readings: noise, pulsation, rounding; an error of the model of 5 % of what the episode moved, alike for half an hour; the vein's wander;
- of the line: compliance, outlet pressure and resistance are fitted along, each with a width that says how well the record (two flows
  or a pause outside the episode) or the line file tells it;
- models: a resistance that comes and ends (two moments and a size), that comes and goes as it did, or that grows as it did while flow
  ran: what grows with time and what grows with filtered volume part at the pauses alone. A pump that delivers nothing; a shift of
  height; bursts or a knock; nothing at all. Their evidence is taken in Laplace's way, so a model pays for its parameters.
- words of events and line file: `words.py`.
"""

from dataclasses import dataclass, replace

import numpy as np

from second import truth, words
from second.network import MOST, Inputs, Outputs, State

ENOUGH = np.log(10)
STEPS, BINS = 420, 70
# ln of how often a site's trouble takes this course (common practice, no source)
COURSE = {
    "tubing": {"step": -0.15, "intermittent": -2.0, "gradual": -4.0}, "catheter": {"step": -1.2, "intermittent": -1.1, "gradual": -1.0},
    "filter": {"step": -5.0, "intermittent": -5.0, "gradual": -0.05}, "supply": {"step": 0.0}, "none": {"step": -0.7, "intermittent": -0.7},
    "settings": {"step": 0.0},
}


@dataclass
class Model:
    """One explanation: what it changes, from parameters in units of their prior width."""
    site: str
    course: str
    starts: list            # where a fit begins; the two that fit best are followed
    change: object          # change(scene, inputs, parameters)
    odds: float = -2.0      # ln of the odds that it begins within the ten minutes about the true beginning, of the hours about it


class Scene:
    """An episode's window on a coarse grid: the record without the episode, and its readings."""

    def __init__(self, ward, e, rows, kept, ripples):
        s = self.setting = ward.setting
        self.ward, self.e, self.ripples = ward, e, ripples
        until = e.until(ward.points)
        before, after = (5400, 3600) if e.course == "gradual" else (2400, 1800) if e.site != "none" or e.alarm is None else (900, 900)
        self.a = max(0, e.began - before)
        self.b = min(ward.points - 1, until + after, e.began + 30 * 3600 if e.course == "gradual" else max(e.began + 14_400, until + 1))
        self.dt = max(2, int(np.ceil((self.b - self.a) / STEPS)))
        self.steps = (self.b - self.a) // self.dt
        self.times = self.a + self.dt * np.arange(self.steps + 1)
        self.middle = self.times + self.dt / 2
        self.began, self.end = float(e.began), float(min(until, self.b))
        self.line = self.plain(ward)
        self.clean = self.without(ward, e)
        self.out = Outputs.empty(s.n, self.steps + 1)
        self.flow = np.maximum(self.clean.rate.sum(axis=0), 0.0)
        self.usual = max(float(np.median(self.flow[self.flow > 0])) if (self.flow > 0).any() else 0.1, 0.02)
        self.gather(ward, rows, kept)
        self.excess_r = self.true_excess(ward, e)

    def plain(self, ward):
        line = self.setting.line.copy()
        line.dt_s, line.atol, line.rtol, line.law_k, line.time_k = float(self.dt), 0.1, 5e-3, 0.0, 0.0
        if line.filter_at < 0:      # nobody need know that there is none: a membrane that hinders nothing
            line.filter_at, line.filter = line.channels, 0.01
        for i in range(MOST):
            line.stroke_ml[i] = line.stick_ml[i] = line.lag_s[i] = 0.0
        return line

    def coarse(self, row, how=np.mean):
        return how(row[..., self.a:self.a + self.steps * self.dt].reshape(row.shape[:-1] + (self.steps, self.dt)), axis=-1)

    def about(self, row):
        """The means about the grid's moments, not between them."""
        total = np.concatenate([[0.0], np.cumsum(row)])
        low, high = np.maximum(self.times - self.dt // 2, 0), np.minimum(self.times + (self.dt + 1) // 2, row.size)
        return (total[high] - total[low]) / (high - low)

    def without(self, ward, e):
        """Everything but this episode, on the coarse grid."""
        inputs, t = ward.inputs, e.trouble
        here = slice(e.began, e.until(ward.points) + 1)
        tubing, catheter, supply, head, grown = (np.array(row) for row in (inputs.tubing, inputs.catheter, inputs.supply, inputs.head, ward.out.grown))
        outlet = inputs.outlet
        if t is not None and t.acts_on == "grown":
            grown[here] = 1.0
        elif t is not None and t.acts_on == "catheter":
            catheter[here] -= t.series[here] - 1
        elif t is not None:
            for i in t.channels if t.series is not None else []:
                if t.acts_on == "tubing":
                    tubing[i, here] -= t.series[here] - 1
                elif t.acts_on == "supply":
                    supply[i, here] = 1.0
                else:
                    head[i, here] -= t.series[here]
        if e.cause == "artefact":
            outlet = outlet.copy()
            outlet[here] = ward.setting.vein[here]
        pad = lambda row: np.ascontiguousarray(np.concatenate([row, row[..., -1:]], axis=-1))
        given = np.maximum(inputs.supply, 0.01)
        rate = self.coarse(np.where(inputs.supply > 0.01, ward.out.flow / given, inputs.rate))
        log_mean = lambda row: np.exp(self.coarse(np.log(np.maximum(row, 1e-12))))
        return Inputs(pad(rate), np.zeros((ward.setting.n, self.steps + 1)), pad(log_mean(tubing)), pad(self.coarse(supply)),
                      pad(self.coarse(head)), self.about(outlet), pad(log_mean(catheter)), pad(log_mean(grown)))

    def gather(self, ward, rows, kept):
        """Readings in bins, how the model is read there, and the error that goes with them."""
        s, values, reads, whose, when, count = self.setting, [], [], [], [], []
        width = max(self.dt, (self.b - self.a) / BINS)
        for i in range(s.n):
            ks = kept[i][(kept[i] >= self.a) & (kept[i] < self.times[-1])]
            if ks.size == 0:
                continue
            near = np.zeros(ks.size, bool)
            for edge in (self.began, self.end, *(k for k, _ in ward.alarms)):
                near |= np.abs(ks - edge) < 12 * self.dt
            cell = np.where(near, ks // self.dt * 1_000_003, (ks // width).astype(int))
            _, group = np.unique(cell, return_inverse=True)
            n = np.bincount(group)
            at = np.minimum((ks - self.a) / self.dt, self.steps - 1e-6)
            low = at.astype(int)
            read = np.zeros((n.size, self.steps + 1))
            np.add.at(read, (group, low), (1 - at + low) / n[group])
            np.add.at(read, (group, low + 1), (at - low) / n[group])
            values.append(np.bincount(group, rows[i][ks]) / n)
            when.append(np.bincount(group, ks) / n)
            whose.append(np.full(n.size, i))
            count.append(n)
            reads.append(read)
        self.empty = not values
        if self.empty:
            return
        self.read, self.whose = reads, np.concatenate(whose)
        self.value, self.when, count = np.concatenate(values), np.concatenate(when), np.concatenate(count)
        self.seen = sorted(set(self.whose.tolist()))
        self.shifts = [ward.zero[i][self.times] for i in range(s.n)]
        self.whiten = self.error(ward, count)
        self.rang(ward)

    def rang(self, ward):
        """The first alarm, where the files hold it: whose, when, and at what reading."""
        k = self.e.alarm
        self.alarm = None
        if k is not None and self.a < k < self.times[-1] and (ward.setting.events or ward.setting.sampling["limit"]):
            i = next(j for at, j in ward.alarms if at == k)
            self.alarm = (i, int((k - self.a) / self.dt), float(ward.inputs.limit[i, k - 1]), 3 + 0.05 * abs(self.e.effect), self.ripples[i] / 2)

    def unexplained(self, rows, most):
        """How far a model stays below the limit when the pump alarmed, in widths; three at most: a knock may have rung it on top. A limit
        that is too low needs no other cause."""
        if self.alarm is None:
            return np.zeros(1)
        i, at, limit, width, pulse = self.alarm
        high = rows[i][max(0, at - 1):at + 2].max() + pulse
        return np.array([np.clip((limit - high) / width, 0, most)])

    def error(self, ward, count):
        s = self.setting
        held = [s.line.gain[i] * ward.out.pressure[i][self.times] + self.shifts[i] for i in range(s.n)]
        run = self.run(self.clean, self.line)
        true = self.as_read(held)
        moved = np.abs(true - self.as_read(run))
        slope = np.concatenate([r @ np.abs(np.gradient(held[i])) for r, i in zip(self.read, self.seen)])
        step = s.sampling["rounding_mmhg"]
        pulse = np.array(self.ripples)[self.whose]
        white = (s.noise ** 2 + (pulse / 2.8) ** 2) / count + step ** 2 / 12 + 0.25 + (0.5 * slope) ** 2
        apart = np.abs(self.when[:, None] - self.when[None, :])
        same = self.whose[:, None] == self.whose[None, :]
        m = 0.05 * moved
        cov = np.outer(m, m) * np.exp(-apart / 1800) * np.where(same, 1.0, 0.85)
        cov += s.wander ** 2 * np.exp(-apart / 1800) + 0.36 * np.exp(-apart / 7200) * same
        cov[np.diag_indices_from(cov)] += white
        return np.linalg.inv(np.linalg.cholesky(cov))

    def true_excess(self, ward, e):
        """How much resistance the episode truly added, on the coarse grid."""
        t = e.trouble
        if t is None or t.acts_on not in ("tubing", "catheter", "grown"):
            return np.zeros(self.steps + 1)
        series = ward.out.grown if t.acts_on == "grown" else t.series
        base = {"tubing": self.setting.line.tubing[t.channels[0]], "catheter": self.setting.line.catheter, "grown": self.setting.line.filter}[t.acts_on]
        row = np.exp(self.coarse(np.log(np.maximum(series, 1.0)))) - 1
        row = np.where((self.middle[:-1] >= e.began) & (self.middle[:-1] <= e.until(ward.points)), row, 0.0)
        return np.append(row, row[-1]) * base

    def run(self, inputs, line):
        s = self.setting
        state = State.at(float(inputs.outlet[0]))
        for i in range(s.n):
            state.pressure[i] = self.ward.out.pressure[i, self.a]
        state.pressure[MOST], state.pressure[MOST + 1] = self.ward.out.join[self.a], self.ward.out.tail[self.a]
        self.ward.integrator.run(line, state, inputs, self.out, 0, self.steps)
        return [s.line.gain[i] * self.out.pressure[i] + self.shifts[i] for i in range(s.n)]

    def as_read(self, rows):
        return np.concatenate([read @ rows[i] for read, i in zip(self.read, self.seen)])

    def residuals(self, model, x):
        """Whitened readings minus model, Huber's way, then the parameters (their prior is a unit normal)."""
        c, r, p = x[:3]
        line, inputs = self.line.copy(), self.clean
        for i in range(line.channels):
            line.compliance[i] *= np.exp(np.clip(c, -6, 6) * self.loose[0])
            line.tubing[i] *= np.exp(np.clip(r, -6, 6) * self.loose[1])
        line.filter *= np.exp(np.clip(r, -6, 6) * self.loose[1])
        line.catheter *= np.exp(np.clip(r, -6, 6) * self.loose[1])
        inputs = replace(inputs, outlet=inputs.outlet + p * self.loose[2])
        inputs = model.change(self, inputs, x[3:])
        rows = self.run(inputs, line)
        z = self.whiten @ (self.value - self.as_read(rows))
        z = np.where(np.abs(z) > 3, np.sign(z) * np.sqrt(np.maximum(6 * np.abs(z) - 9, 0)), z)
        return np.concatenate([z, self.unexplained(rows, 6 if model.site == "settings" else 3), x])

    def fit(self, model):
        """ln of the model's evidence, of the better of two starts."""
        starts = [np.concatenate([np.zeros(3), start]) for start in model.starts]
        begun = sorted(((r := self.residuals(model, x)) @ r, n) for n, x in enumerate(starts))
        return max(self.climb(model, starts[n]) for _, n in begun[:2]) + COURSE[model.site][model.course] + model.odds

    def climb(self, model, x, rounds=5):
        """Least squares from one start (Levenberg and Marquardt's way), and Laplace's evidence there."""
        now = self.residuals(model, x)
        cost, damp = now @ now, 1e-3
        for _ in range(rounds):
            jacobian = np.empty((now.size, x.size))
            for n in range(x.size):
                moved = x.copy()
                moved[n] += 0.02
                jacobian[:, n] = (self.residuals(model, moved) - now) / 0.02
            gain = 0.0
            hess = jacobian.T @ jacobian
            for _ in range(3):
                step = np.linalg.solve(hess + damp * np.diag(np.diag(hess)), -jacobian.T @ now)
                trial = x + np.clip(step, -3, 3)
                there = self.residuals(model, trial)
                if there @ there < cost:
                    gain = cost - there @ there
                    x, now, cost, damp = trial, there, there @ there, damp / 5
                    break
                damp = max(damp * 10, 0.05)
            if gain < 0.1:
                break
        return -0.5 * cost - 0.5 * np.linalg.slogdet(hess)[1]


# ---- the models

def add_resistance(scene, inputs, place, excess):
    """The inputs with this much more resistance at a place: a channel's number, `filter` or `catheter`."""
    line = scene.line
    if place == "catheter":
        return replace(inputs, catheter=inputs.catheter + excess / line.catheter)
    if place == "filter":
        return replace(inputs, filter=inputs.filter + excess / line.filter)
    tubing = inputs.tubing.copy()
    tubing[place] += excess / line.tubing[place]
    return replace(inputs, tubing=tubing)


def between(scene, x, lead=0.0):
    """1 from one moment to another, with edges of two steps; the moments are 0 at the true ones, in units of ten minutes."""
    on, off = scene.began + 600 * x[0] + lead, scene.end + 600 * x[1]
    edge = 2.0 * scene.dt
    row = np.clip((scene.middle - on) / edge + 0.5, 0, 1)
    return row * np.clip((off - scene.middle) / edge + 0.5, 0, 1) if scene.end < scene.b else row


def size(scene, u):
    """Resistance from a size in units of its prior width: some 60 mmHg at the usual flow, give or take a factor of e^2.5."""
    return 60 / scene.usual * np.exp(2.5 * min(u, 6.0))


def steps(site, place, sizes):
    return Model(site, "step", [[0.0, 0.0, u] for u in sizes], lambda sc, inp, x: add_resistance(sc, inp, place, size(sc, x[2]) * between(sc, x)))


def as_it_went(site, place, sizes, shape):
    return Model(site, "intermittent", [[u] for u in sizes], lambda sc, inp, x: add_resistance(sc, inp, place, size(sc, x[0]) * shape))


def through(scene, place):
    """The flow through a place."""
    if place == "catheter" or (place == "filter" and scene.line.filter_at == scene.line.channels):
        return scene.flow
    return scene.clean.rate[scene.line.filter_at if place == "filter" else place]


def rests(scene, flow):
    """Pauses of five minutes and more within the episode: (first step, first step after)."""
    inside = (scene.middle >= scene.began) & (scene.middle <= scene.end)
    edges = np.diff(np.concatenate([[0], (inside & (flow <= 0)).astype(int), [0]]))
    return [(a, b) for a, b in zip(np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)) if (b - a) * scene.dt >= 300]


def grows(scene, site, place, by_volume, own_clock):
    """The growth as it was where flow ran evenly. About each pause it goes by the place's own clock: a catheter grows on through it, at
    the pace from one pause's length before to one after; a filter stands still, and may jump after it. On its own clock it is exact."""
    flow, base = through(scene, place), scene.setting.below(0)
    height = np.log1p(scene.excess_r / base)
    inside = (scene.middle >= scene.began) & (scene.middle <= scene.end)
    pauses = rests(scene, flow)
    clock = np.cumsum(np.maximum(flow, 0) + 1e-9 if by_volume else np.ones(scene.steps + 1))
    if not own_clock:
        for a, b in pauses:
            here = np.flatnonzero(inside)
            low, high = max(2 * a - b, here[0]), min(2 * b - a, here[-1])
            part = slice(low, high + 1)
            height[part] = np.interp(clock[part], [clock[low], clock[high]], [height[low], height[high]])
    after = [np.arange(scene.steps + 1) >= b for _, b in pauses] if by_volume and not own_clock else []

    def change(sc, inp, x):
        bent = height
        for (a, b), row in zip(pauses, after):
            bent = bent + 0.5 * x[1] * (1 - np.exp(-(b - a) * sc.dt / 2000)) * row
        return add_resistance(sc, inp, place, np.where(inside, np.exp(x[0]) * base * np.expm1(np.clip(bent, 0, 17)), 0.0))
    return Model(site, "gradual", [[0.0] + [0.0] * bool(after)], change)


def dry(i):
    def change(sc, inp, x):
        supply = inp.supply.copy()
        supply[i] *= 1 - between(sc, x)
        return replace(inp, supply=supply)
    return Model("supply", "step", [[0.0, 0.0]], change)


def shifted(channels, start, shape=None):
    def change(sc, inp, x):
        head = inp.head.copy()
        for i in channels:
            head[i] -= 25 * x[-1] * (between(sc, x) if shape is None else shape)
        return replace(inp, head=head)
    return Model("none", "step" if shape is None else "intermittent", [([0.0, 0.0] if shape is None else []) + [start]], change)


def bursts(start, shape=None):
    def change(sc, inp, x):
        row = between(sc, x) if shape is None else shape
        return replace(inp, outlet=inp.outlet + 30 * x[-1] * row)
    return Model("none", "step" if shape is None else "intermittent", [([0.0, 0.0] if shape is None else []) + [start]], change)


def knock(scene, i):
    """Pressed tubing on one channel: a short surge of flow."""
    at = int(np.clip((scene.e.alarm if scene.e.alarm is not None else scene.e.began) - scene.a, 0, None) // scene.dt)

    def change(sc, inp, x):
        rate = inp.rate.copy()
        rate[i, max(0, min(at, sc.steps) - 1)] += 60 * abs(x[0]) * sc.line.compliance[i] / (sc.dt / 3600)
        return replace(inp, rate=rate)
    return Model("none", "step", [[0.8]], change)


def nothing():
    return Model("settings", "step", [[]], lambda sc, inp, x: inp, odds=0.0)


def exact(scene):
    """Efforts as they were: they have no few parameters, and are charged for as if they had some."""
    outlet = scene.about(scene.ward.inputs.outlet)
    return Model("none", scene.e.course, [[]], lambda sc, inp, x: replace(inp, outlet=outlet), odds=-6.0)


def models(scene, may_filter):
    """Every explanation that is weighed for an episode."""
    e, n = scene.e, scene.setting.n
    places = [("tubing", i) for i in range(n)] + [("catheter", "catheter")] + [("filter", "filter")] * may_filter
    lift = max(abs(e.effect), 5.0)
    out = []
    for site, place in places:
        flow = scene.usual if place in ("catheter", "filter") else max(float(scene.clean.rate[place].max()), 0.02)
        partial = float(np.log(lift / flow * scene.usual / 60) / 2.5)
        sizes = sorted({partial, 3.5, float(np.log(scene.excess_r.max() * scene.usual / 60) / 2.5)} if scene.excess_r.any() else {partial, 3.5})
        if e.course == "gradual":
            own = e.trouble is not None and site == e.site
            out.append(grows(scene, site, place, site == "filter", own))
        if e.course == "intermittent":
            shape = np.clip(scene.excess_r / max(scene.excess_r.max(), 1e-9), 0, 1) if scene.excess_r.any() else pattern(scene)
            out.append(as_it_went(site, place, sizes, shape))
        if e.course != "intermittent":
            out.append(steps(site, place, sizes))
    sign = np.sign(e.effect) or 1.0
    if e.course == "intermittent":
        shape = np.clip(scene.excess_r / max(scene.excess_r.max(), 1e-9), 0, 1) if scene.excess_r.any() else pattern(scene)
        out += [bursts(lift / 30, shape), shifted(range(n), lift / 25, shape)]
    elif e.course == "step":
        out += [dry(i) for i in range(n)] + [shifted(range(n), sign * lift / 25), bursts(lift / 30)]
        out += [shifted([i], sign * lift / 25) for i in range(n)] if n > 1 else []
    if e.alarm is not None:
        out += [nothing()] + [knock(scene, i) for i in e.channels]
    if e.cause == "artefact":
        out.append(exact(scene))
    return out


def pattern(scene):
    """When efforts came and went, 0 or 1."""
    row = scene.coarse(scene.ward.efforts)
    return np.append(row > 3, False).astype(float)


def loose(ward, e):
    """How far compliance and resistance (ln) and outlet pressure (mmHg) are known beforehand."""
    filed = ward.setting.tells_line
    outside = np.ones(ward.points, bool)
    outside[e.began:e.until(ward.points) + 1] = False
    flows = ward.inputs.rate.sum(axis=0)[outside]
    two = flows.size > 1800 and (flows < 0.7 * np.median(flows)).sum() > 400
    return (0.25 if filed else 0.5, 0.04 if two else 0.25 if filed else 0.5, 1.5 if two else 8.0)


def decide(ward, found, rows, kept):
    """Fills in `can_tell` and `tells` of each episode."""
    s, ripples = ward.setting, truth.ripple(ward)
    may_filter = not (s.tells_line and s.filter_known and s.line.filter_at < 0)
    for e in found:
        e.can_tell, e.tells = False, []
        if not e.reached:
            continue
        scene = Scene(ward, e, rows, kept, ripples)
        if scene.empty:
            continue
        scene.loose = loose(ward, e)
        best = {}
        for model in models(scene, may_filter):
            evidence = scene.fit(model)
            if np.isfinite(evidence):
                best[model.site] = max(evidence, best.get(model.site, -np.inf))
        settle(ward, e, best)


def settle(ward, e, best):
    """The verdict from the evidence of the trace and what the files say."""
    if e.site not in best:
        return
    said = {"trace": {}, "events": words.events(ward, e) if ward.setting.events else {}, "line": words.line(ward, e) if ward.setting.tells_line else {}}

    def ahead(*files):
        total = {site: v + sum(said[f].get(site, 0.0) for f in files) for site, v in best.items()}
        others = [(v, site) for site, v in total.items() if site != e.site]
        rival, name = max(others) if others else (-np.inf, "none")
        return total[e.site] - rival, name

    e.ratios = {"trace": ahead("trace")[0], "all": ahead("trace", "events", "line")[0], "rival": ahead("trace", "events", "line")[1]}
    if ahead("trace", "events", "line")[0] < ENOUGH:
        return
    e.can_tell = True
    for files, needs in ((("trace",), "trace"), (("trace", "events"), "events"), (("trace", "line"), "line"), (("trace", "events", "line"), "events")):
        ratio, rival = ahead(*files)
        if ratio >= ENOUGH:
            e.tells.append((needs, f"log likelihood ratio {min(ratio, 99.0):.1f} to the best other site, {rival}"))
            break
