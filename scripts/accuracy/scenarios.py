"""Draws random scenarios for the simulator, from ranges as wide as practice.

In: the name of a set, a seed and a number. Out: a scenario as nested dicts, and which files go with the trace. The same
three give the same scenario. `tune` and `published` never share one: the set's name is part of the random state.

Ranges are common practice with no source unless a source stands beside them.
"""

import math
import random

# The access: (weight, kind, inner diameters mm, lengths cm, resistances mmHg h/mL, rates mL/h of the main channel).
# 1 Fr: 14 to 25 mmHg h/mL by Poiseuille for 0.17 mm x 20 cm, water at 20 to 37 C; 2 Fr: 2 to 15; 24 G: 0.1 to 0.4.
ACCESS = [
    (4, "picc", (0.165, 0.18), (15, 22), (14, 25), (0.5, 8)),
    (5, "picc", (0.21, 0.31), (20, 35), (2, 12), (0.8, 15)),
    (2, "umbilical", (0.5, 0.8), (15, 25), (0.3, 2), (1, 15)),
    (2, "midline", (0.4, 0.6), (8, 15), (0.4, 2), (2, 30)),
    (2, "peripheral", (0.28, 0.55), (1.5, 2.5), (0.1, 0.6), (1, 40)),
    (3, "cvc", (0.45, 0.8), (10, 40), (0.15, 1.5), (5, 80)),
]

# What goes wrong, with its weight: sites about even, so that no site's figure rests on a handful of episodes.
CAUSES = [
    (12, "supply-stopped"),
    (15, "tubing-blocked"),
    (14, "filter-loading"),
    (5, "filter-settling"),
    (6, "filter-precipitate"),
    (3, "pore-too-fine"),
    (3, "badly-primed"),
    (14, "catheter-narrowing"),
    (10, "catheter-blocked"),
    (8, "catheter-positional"),
    (9, "limit-too-low"),
    (7, "height-change"),
    (5, "artefact"),
]


def pick(rng, weighted):
    """One of [(weight, ...)], without its weight where that leaves one thing."""
    at = rng.random() * sum(w[0] for w in weighted)
    for row in weighted:
        at -= row[0]
        if at < 0:
            break
    return row[1] if len(row) == 2 else row[1:]


def log_uniform(rng, low, high):
    return math.exp(rng.uniform(math.log(low), math.log(high)))


def tidy(value, digits=4):
    """So many significant digits: scenarios are read by people."""
    return float(f"{value:.{digits}g}")


def draw(set_name, seed, number):
    """The scenario with this number: (scenario, {"events": bool, "line": bool})."""
    rng = random.Random(f"{set_name}/{seed}/{number}")
    ward = Ward(rng, f"{set_name}-{seed}-{number:04d}")
    return ward.scenario, ward.files


class Ward:
    """Builds one scenario from the ground up: line, pumps, sensor, sampling, what is done, what goes wrong."""

    def __init__(self, rng, name):
        self.rng = rng
        self.hours = tidy(rng.choice([rng.uniform(6, 12), rng.uniform(10, 24), 24]), 3)
        self.scenario = {"name": name, "duration_h": self.hours}
        if rng.random() < 0.7:
            day, hour = rng.randint(1, 28), rng.randint(0, 23)
            self.scenario["start"] = f"2031-{rng.randint(1, 12):02d}-{day:02d}T{hour:02d}:{rng.randint(0, 59):02d}:00+01:00"
        self.scenario["running_before"] = rng.random() < 0.75
        self.scenario["staff_answer_min"] = tidy(log_uniform(rng, 1, 20), 2)
        self.sampling()
        self.surroundings()
        self.line()
        self.channels()
        self.busy = []  # stretches (h) that an episode has for itself
        self.scenario["act"] = []
        self.scenario["episode"] = []
        self.routine()
        wrong = rng.random()
        if wrong >= 0.2:
            self.goes_wrong(0.08, 0.40 if wrong >= 0.75 else 0.75)
        if wrong >= 0.75:
            self.goes_wrong(0.62, 0.85)
        self.scenario["act"].sort(key=lambda act: act["at_h"])

    # --- how it is recorded

    def sampling(self):
        rng = self.rng
        on_change = rng.random() < 0.15
        period = rng.choice([1, 2, 5]) if on_change else rng.choice([1, 2, 5, 10, 10, 15, 30, 60, 60, 120, 300])
        gaps = []
        if rng.random() < 0.3:
            for _ in range(rng.randint(1, 3)):
                gaps.append({"at_h": tidy(rng.uniform(0, self.hours)), "minutes": tidy(log_uniform(rng, 2, 60), 2)})
        line_given = rng.random() < 0.65
        self.files = {"events": rng.random() < 0.7, "line": line_given}
        self.scenario["sampling"] = {
            "period_s": period, "on_change": on_change, "change_mmhg": rng.choice([1, 2, 5]),
            "stagger_s": rng.choice([0, 0, 0, 0.5 * period]) if period > 1 else 0,
            "rounding_mmhg": rng.choice([0, 1, 1, 1, 5, 10]),
            "volume": rng.random() < 0.8, "limit": rng.random() < 0.7,
            "missing": rng.choice([0, 0, 0, tidy(rng.uniform(0, 0.02), 2)]), "gaps": gaps,
            "given": {"line_error": tidy(rng.uniform(0.03, 0.25), 2), "measured": rng.random() < 0.6},
        }

    def surroundings(self):
        rng = self.rng
        self.scenario["sensor"] = {
            "noise_mmhg": tidy(log_uniform(rng, 0.2, 3), 2),
            "zero_mmhg": tidy(rng.gauss(0, 2), 2),
            "drift_mmhg_per_day": tidy(rng.gauss(0, 3), 2),
        }
        # central venous pressure of neonates 0 to 8 mmHg (Skinner et al., Arch Dis Child 1992;67:374)
        self.scenario["vein"] = {
            "pressure_mmhg": tidy(rng.uniform(0, 8), 2), "wander_mmhg": tidy(rng.uniform(0, 1.2), 2),
            "breathing_mmhg": tidy(rng.uniform(0, 2.5), 2),
        }
        if rng.random() < 0.6:
            self.scenario["artefacts"] = {
                "coughs_per_h": tidy(log_uniform(rng, 0.3, 12), 2), "cough_mmhg": tidy(rng.uniform(5, 35), 2),
                "touches_per_h": tidy(log_uniform(rng, 0.1, 4), 2), "touch_mmhg": tidy(rng.uniform(3, 25), 2),
            }

    # --- what it runs through

    def line(self):
        rng = self.rng
        kind, diameters, lengths, resistances, self.rates = pick(rng, ACCESS)
        position = pick(rng, [(80, "below-join"), (10, "above-join"), (10, "none")])
        self.position = position
        pore = 0.2 if rng.random() < 0.15 else 1.2
        filter_ = {
            "position": position, "pore_um": pore, "placed_h": tidy(-rng.choice([0, 0, rng.uniform(0, 24)]), 3),
            "resistance_mmhg_h_per_ml": tidy(log_uniform(rng, *((0.2, 2) if pore < 1 else (0.05, 1)))),
            "compliance_ul_per_mmhg": tidy(log_uniform(rng, 0.02, 0.4), 2),
        }
        self.scenario["line"] = {
            "access": {
                "kind": kind, "inner_diameter_mm": tidy(rng.uniform(*diameters), 2),
                "length_cm": tidy(rng.uniform(*lengths), 2),
                "resistance_mmhg_h_per_ml": tidy(log_uniform(rng, *resistances)),
            },
            "filter": filter_,
            "tail": {"compliance_ul_per_mmhg": tidy(log_uniform(rng, 0.01, 0.2), 2)},
        }

    def channels(self):
        rng = self.rng
        count = pick(rng, [(30, 1), (52, 2), (18, 3)])
        main = rng.choice(["pn-2in1", "pn-2in1", "pn-3in1"]) if count > 1 else rng.choice(["pn-2in1", "pn-3in1", "crystalloid"])
        fluids = [main]
        if count > 1:
            fluids.append("lipid" if main == "pn-2in1" else "crystalloid")
        if count > 2:
            fluids.append("medication")
        ids = {"pn-2in1": "pn", "pn-3in1": "pn", "lipid": "lipid", "crystalloid": "fluid", "medication": "med"}
        height = rng.uniform(-30, 50)
        channels = []
        for index, fluid in enumerate(fluids):
            rate = log_uniform(rng, *self.rates)
            if index > 0:
                rate = max(0.1, rate * rng.uniform(0.05, 0.4))
            syringe = rate < 12 and rng.random() < 0.7
            # 50 mL syringes 1.2 to 2.8 uL/mmHg (Snijder et al. 2015, 10.1515/bmt-2014-0148)
            if syringe:
                compliance = rng.uniform(0.3, 0.8) if rate < 1.5 and rng.random() < 0.3 else rng.uniform(1.2, 2.8)
            else:
                compliance = log_uniform(rng, 0.5, 3)
            pump = {"alarm_latency_s": tidy(rng.uniform(1, 10), 2)}
            if syringe:
                if rng.random() < 0.5:
                    pump["stick_ml"] = tidy(log_uniform(rng, 0.002, 0.02), 2)
                    pump["stick_share"] = tidy(rng.uniform(0.2, 0.9), 2)
                pump["play_ml"] = tidy(log_uniform(rng, 0.005, 0.15), 2)
            else:
                pump["ripple_mmhg"] = tidy(rng.choice([0, log_uniform(rng, 0.5, 8)]), 2)
                pump["stroke_ml"] = tidy(log_uniform(rng, 0.02, 0.2), 2)
            channels.append({
                "id": ids[fluid], "fluid": fluid, "rate_ml_h": tidy(rate, 2),
                "compliance_ul_per_mmhg": tidy(compliance), "tube_share": tidy(rng.uniform(0.05, 0.4), 2),
                "softening": tidy(rng.choice([0, rng.uniform(0, 0.5)]), 2),
                "resistance_mmhg_h_per_ml": tidy(log_uniform(rng, 0.02, 0.25), 2),
                "height_cm": tidy(height + rng.uniform(-8, 8), 2), "pump": pump,
            })
        self.scenario["channel"] = channels
        if self.position == "above-join":
            self.scenario["line"]["filter"]["channel"] = channels[0]["id"]
        self.keep_below_limits()

    def shared(self):
        """Resistance that all channels share, mmHg h/mL."""
        line = self.scenario["line"]
        filter_ = line["filter"]["resistance_mmhg_h_per_ml"] if self.position == "below-join" else 0.001
        return line["access"]["resistance_mmhg_h_per_ml"] + filter_

    def flow(self):
        return sum(c["rate_ml_h"] for c in self.scenario["channel"])

    def working(self, flow=None):
        """About the highest working pressure, mmHg."""
        lowest = min(c["height_cm"] for c in self.scenario["channel"])
        return self.scenario["vein"]["pressure_mmhg"] - 0.7356 * lowest + self.shared() * (flow or self.flow())

    def keep_below_limits(self):
        """Nobody runs a line at its limit for long: rates that need more than 180 mmHg are lowered first."""
        rng = self.rng
        while self.shared() * self.flow() > 180:
            for channel in self.scenario["channel"]:
                channel["rate_ml_h"] = max(0.1, tidy(channel["rate_ml_h"] * 0.8, 2))
        style = rng.random()
        for channel in self.scenario["channel"]:
            if style < 0.5:
                limit = 300
            elif style < 0.75:
                limit = rng.choice([100, 150, 200, 250, 400, 500])
            else:
                limit = self.working() + rng.uniform(20, 60)  # neonatal habit
            channel["limit_mmhg"] = 5 * math.ceil(max(limit, 1.15 * self.working() + 15, 50) / 5)

    # --- what is done all day

    def routine(self):
        rng = self.rng
        acts = self.scenario["act"]
        for _ in range(pick(rng, [(3, 0), (3, 1), (2, 2), (1, 3), (1, 5)])):
            # most pauses are short (a nappy, a bath, a line change), some long
            minutes = log_uniform(rng, 2, 15) if rng.random() < 0.6 else rng.uniform(15, 90)
            pause = {"at_h": self.moment(), "do": "pause", "minutes": tidy(minutes, 2)}
            if rng.random() < 0.2:
                pause["channel"] = rng.choice(self.scenario["channel"])["id"]
            acts.append(pause)
        for _ in range(pick(rng, [(4, 0), (3, 1), (2, 2), (1, 4)])):
            channel = rng.choice(self.scenario["channel"])
            rate = channel["rate_ml_h"] * rng.choice([0.5, 0.7, 0.8, 1.2, 1.3, 1.5])
            others = self.flow() - channel["rate_ml_h"]
            if self.working(others + rate) < 0.85 * channel["limit_mmhg"]:
                acts.append({"at_h": self.moment(), "do": "rate_change", "channel": channel["id"], "value": tidy(rate, 2)})
        if rng.random() < 0.25:
            channel = rng.choice(self.scenario["channel"])["id"]
            acts.append({"at_h": self.moment(), "do": "set_change", "channel": channel, "minutes": tidy(rng.uniform(2, 8), 2)})
        if rng.random() < 0.12 and self.position != "none":
            acts.append({"at_h": self.moment(), "do": "filter_change", "minutes": tidy(rng.uniform(2, 8), 2)})
        if rng.random() < 0.15:
            acts.append({"at_h": self.moment(), "do": "flush", "value": 0.1, "minutes": tidy(rng.uniform(1, 4), 2)})
        for _ in range(pick(rng, [(3, 0), (2, 1), (1, 3)])):
            acts.append({"at_h": self.moment(), "do": "patient_moved"})
        if rng.random() < 0.35:
            self.medication(self.moment())
        if rng.random() < 0.3:
            acts.append({"at_h": self.moment(), "do": "note", "detail": rng.choice(["checked", "dressing dry", "weighed"])})

    def moment(self):
        return tidy(self.rng.uniform(0.02, 0.97) * self.hours)

    def medication(self, at_h, logged=True):
        hours = self.rng.uniform(0.3, 2)
        where = {"channel": "med"} if any(c["id"] == "med" for c in self.scenario["channel"]) else {}
        acts = self.scenario["act"]
        acts.append({"at_h": tidy(at_h), "do": "medication_start", "logged": logged, **where})
        if at_h + hours < self.hours:
            acts.append({"at_h": tidy(at_h + hours), "do": "medication_end", "logged": logged, **where})

    # --- what goes wrong

    def goes_wrong(self, low, high):
        rng = self.rng
        cause = pick(rng, CAUSES)
        if self.position == "none" and ("filter" in cause or cause in ("pore-too-fine", "badly-primed")):
            cause = rng.choice(["catheter-narrowing", "catheter-blocked", "tubing-blocked"])
        lipid = any(c["fluid"] in ("lipid", "pn-3in1") for c in self.scenario["channel"])
        if cause == "pore-too-fine" and not lipid:
            cause = "filter-loading"
        at_h = rng.uniform(low, high) * self.hours
        episode = getattr(self, cause.replace("-", "_"))(at_h)
        self.scenario["episode"].append(episode)

    def after(self, low=1, high=25):
        return tidy(log_uniform(self.rng, low, high), 2)

    def vain(self, *things):
        """What staff may try first without use."""
        return [{"do": do, "after_min": self.after(), **more} for do, more, chance in things if self.rng.random() < chance]

    def one(self):
        return self.rng.choice(self.scenario["channel"])

    def noted(self, chance):
        return self.rng.random() < chance

    def supply_stopped(self, at_h):
        rng = self.rng
        cause = {"kind": "supply-stopped", "fade_s": tidy(log_uniform(rng, 3, 120), 2), "counter_runs_on": rng.random() < 0.8}
        episode = {"at_h": tidy(at_h), "channel": self.one()["id"], "cause": cause}
        if rng.random() < 0.5:
            cause["alarm_after_min"] = tidy(log_uniform(rng, 4, 90), 2)
        else:
            episode["until_h"] = tidy(at_h + log_uniform(rng, 0.15, 4))
        episode["answer"] = [{"do": "relieve", "after_min": self.after(), "logged": self.noted(0.5)}]
        return episode

    def partial(self, strongest=60):
        """An added resistance that moves the pressure visibly, or None for closed."""
        rng = self.rng
        if rng.random() < 0.6:
            return {}
        return {"resistance_mmhg_h_per_ml": tidy(self.shared() * log_uniform(rng, 0.8, 8) + log_uniform(rng, 2, strongest) / self.flow())}

    def comes_at_once(self, at_h, kind):
        rng = self.rng
        cause = {"kind": kind, "place": rng.choice(["near", "far"]), **self.partial()}
        episode = {"at_h": tidy(at_h), "cause": cause}
        opens = {"do": "relieve", "after_min": self.after(), "logged": self.noted(0.5)}
        if opens["logged"] and rng.random() < 0.4:
            opens["detail"] = "line straightened"
        if "resistance_mmhg_h_per_ml" in cause and rng.random() < 0.6:
            episode["until_h"] = tidy(at_h + log_uniform(rng, 0.2, 6))
        vain = self.vain(("restart", {}, 0.35), ("flush", {"value": 0.2, "minutes": 2}, 0.1))
        episode["answer"] = vain + [opens]
        return episode

    def tubing_blocked(self, at_h):
        episode = self.comes_at_once(at_h, "tubing-blocked")
        channel = self.one()
        episode["channel"] = channel["id"]
        if "resistance_mmhg_h_per_ml" in episode["cause"]:
            # a kink on a slow channel must be strong to be felt
            strong = episode["cause"]["resistance_mmhg_h_per_ml"] * self.flow() / channel["rate_ml_h"]
            episode["cause"]["resistance_mmhg_h_per_ml"] = tidy(min(strong, 5e5))
        if self.rng.random() < 0.3 and at_h > 0.3:
            # forgotten at a bag change
            self.scenario["act"].append({"at_h": tidy(at_h - 0.07), "do": "set_change", "channel": channel["id"], "minutes": 4})
        return episode

    def catheter_blocked(self, at_h):
        return self.comes_at_once(at_h, "catheter-blocked")

    def catheter_positional(self, at_h):
        rng = self.rng
        lasts_h = log_uniform(rng, 0.5, 6)
        on_min = log_uniform(rng, 0.7, 12)
        cause = {
            "kind": "catheter-positional", "on_min": tidy(on_min, 2), "off_min": tidy(on_min * log_uniform(rng, 0.5, 6), 2),
            "moves_logged": tidy(rng.choice([0, 0.2, 0.5]), 2), **self.partial(),
        }
        answers = self.vain(("restart", {}, 0.5), ("restart", {}, 0.4), ("flush", {"value": 0, "minutes": 2}, 0.2))
        answers.append({"do": rng.choice(["patient_moved", "relieve"]), "after_min": self.after(), "logged": self.noted(0.7)})
        return {"at_h": tidy(at_h), "until_h": tidy(at_h + lasts_h), "cause": cause, "answer": answers}

    def limit_too_low(self, at_h):
        rng = self.rng
        channel = self.one()
        cause = {"kind": "limit-too-low"}
        needs_more = self.working(self.flow() + 2 * channel["rate_ml_h"]) - self.working()
        if rng.random() < 0.6 and needs_more > 10:
            # the new rate needs more than the limit; or the limit stands too low for the old one
            times = rng.uniform(1.6, 3)
            rate = channel["rate_ml_h"] * times
            cause["rate_ml_h"] = tidy(rate, 2)
            needs = self.working(self.flow() - channel["rate_ml_h"] + rate)
        else:
            needs = self.working()
        if needs < 45:
            return self.tubing_blocked(at_h)  # no pump has a limit that low
        cause["limit_mmhg"] = max(25, 5 * math.floor(rng.uniform(0.6, 0.95) * needs / 5))
        do = rng.choice(["relieve", "relieve", "rate_change"]) if "rate_ml_h" in cause else "relieve"
        answer = {"do": do, "after_min": self.after()}
        if do == "rate_change":
            answer["value"] = channel["rate_ml_h"]
        answers = self.vain(("restart", {}, 0.4)) + [answer, {"do": "relieve", "after_min": self.after()}]
        return {"at_h": tidy(at_h), "channel": channel["id"], "cause": cause, "answer": answers}

    def height_change(self, at_h):
        rng = self.rng
        by = rng.choice([-1, 1]) * rng.uniform(8, 50)
        episode = {"at_h": tidy(at_h), "cause": {"kind": "height-change", "by_cm": tidy(by, 2), "logged": rng.random() < 0.4}}
        if rng.random() < 0.3:
            episode["channel"] = self.one()["id"]
        if rng.random() < 0.4:
            episode["until_h"] = tidy(at_h + log_uniform(rng, 0.2, 6))
        return episode

    def artefact(self, at_h):
        rng = self.rng
        channel = self.one()
        alarms = rng.random() < 0.6
        high = channel["limit_mmhg"] - self.working(0.001)
        mmhg = high * rng.uniform(1.05, 1.6) if alarms else high * rng.uniform(0.2, 0.6)
        seconds = rng.uniform(10, 40) if alarms else rng.uniform(2, 60)
        cause = {"kind": "artefact", "mmhg": tidy(max(mmhg, 10), 3), "seconds": tidy(seconds, 2)}
        answers = [{"do": "restart", "after_min": self.after(0.5, 10)}]
        return {"at_h": tidy(at_h), "channel": channel["id"], "cause": cause, "answer": answers}

    # --- gradual ones

    def filtered_flow(self):
        return self.scenario["channel"][0]["rate_ml_h"] if self.position == "above-join" else self.flow()

    def needed_factor(self, ratio):
        """How often the clean filter's resistance makes this multiple of all that lies below the pump."""
        clean = self.scenario["line"]["filter"]["resistance_mmhg_h_per_ml"]
        below = self.shared() + (clean if self.position == "above-join" else 0)
        return 1 + (ratio - 1) * below / clean

    def filter_answers(self):
        answers = self.vain(
            ("restart", {}, 0.35),
            ("flush", {"value": 0.2, "minutes": 2}, 0.2),
            ("limit_change", {"value": 5 * math.ceil(1.3 * max(c["limit_mmhg"] for c in self.scenario["channel"]) / 5)}, 0.1),
        )
        change = {"do": "filter_change", "after_min": self.after(2, 40), "minutes": tidy(self.rng.uniform(2, 8), 2)}
        change["logged"] = self.noted(0.85)
        return answers + [change]

    def loading(self, at_h, hours, **more):
        """A filter that stands at 1.5 times the resistance below the pump after so many hours of flow."""
        rng = self.rng
        laws = ["complete_per_ml", "standard_per_ml", "intermediate_per_ml", "cake_per_ml"]
        if rng.random() < 0.6:
            mix = {rng.choice(laws): 1.0}
        else:
            mix = {law: rng.random() for law in rng.sample(laws, 2)}
        unit = volume_to(mix, self.needed_factor(1.5))
        volume = self.filtered_flow() * hours
        blocking = {law: tidy(share * unit / volume) for law, share in mix.items()}
        return {"at_h": tidy(at_h), "cause": {"blocking": blocking, "unevenness": tidy(rng.uniform(0, 0.8), 2), **more}}

    def filter_loading(self, at_h):
        rng = self.rng
        room = self.hours - at_h
        hours = min(log_uniform(rng, 0.7, 9), 0.8 * room)
        episode = self.loading(at_h, hours, kind="filter-loading")
        if rng.random() < 0.15:
            episode["cause"]["ceiling"] = tidy(self.needed_factor(rng.uniform(1.8, 5)))
        episode["cause"]["loads_again"] = rng.random() < 0.15
        episode["answer"] = self.filter_answers() + self.filter_answers()
        self.noticed(episode, at_h, hours, "filter_change")
        return episode

    def noticed(self, episode, at_h, hours, do, **more):
        """Staff may act before any alarm."""
        rng = self.rng
        when = at_h + hours * rng.uniform(1.05, 1.6)
        if rng.random() < 0.25 and when < 0.97 * self.hours:
            episode["answer"].append({"do": do, "at_h": tidy(when), "minutes": tidy(rng.uniform(2, 6), 2), **more})

    def filter_settling(self, at_h):
        rng = self.rng
        # pauses are what it takes: two to four of them
        pauses = rng.randint(2, 4)
        every = (self.hours - at_h) / (pauses + 1)
        jump = math.log(self.needed_factor(rng.uniform(1.5, 3))) / pauses
        length_h = rng.uniform(0.15, 0.8)
        for index in range(pauses):
            when = at_h + (index + rng.uniform(0.1, 0.7)) * every
            self.scenario["act"].append({"at_h": tidy(when), "do": "pause", "minutes": tidy(60 * length_h * rng.uniform(0.7, 1.3), 2)})
        episode = self.loading(at_h, 3 * self.hours, kind="filter-settling")
        cause = episode["cause"]
        cause["per_pause_hour"] = tidy(jump / length_h)
        cause["over_ml"] = tidy(self.filtered_flow() * rng.uniform(0.02, 0.15))
        episode["answer"] = self.filter_answers() + self.filter_answers()
        return episode

    def filter_precipitate(self, at_h):
        rng = self.rng
        hours = log_uniform(rng, 0.08, 0.8)
        start = at_h - log_uniform(rng, 0.03, 0.4)
        self.medication(max(start, 0.01), logged=self.noted(0.85))
        episode = self.loading(at_h, hours, kind="filter-precipitate")
        if rng.random() < 0.3:
            episode["cause"]["loads_for_min"] = tidy(60 * hours * rng.uniform(1.1, 2), 2)
        episode["answer"] = self.filter_answers()
        return episode

    def pore_too_fine(self, at_h):
        filter_ = self.scenario["line"]["filter"]
        filter_["pore_um"] = 0.2
        episode = self.loading(at_h, log_uniform(self.rng, 0.5, 3), kind="filter-loading", variant="pore-too-fine")
        episode["cause"]["loads_again"] = self.rng.random() < 0.3
        episode["answer"] = self.filter_answers() + self.filter_answers()
        return episode

    def badly_primed(self, at_h):
        rng = self.rng
        if rng.random() < 0.5:
            at_h = 0.0
            self.scenario["line"]["filter"]["placed_h"] = 0.0
            self.scenario["running_before"] = False
        else:
            self.scenario["act"].append({"at_h": tidy(max(at_h - 0.06, 0.01)), "do": "filter_change", "minutes": 3})
            self.scenario["line"]["filter"]["placed_h"] = tidy(-rng.uniform(1, 20), 2)
        episode = self.loading(at_h, log_uniform(rng, 0.1, 0.7), kind="filter-loading", variant="badly-primed")
        episode["cause"]["ceiling"] = tidy(self.needed_factor(rng.uniform(2, 8)))
        episode["answer"] = self.filter_answers()
        return episode

    def catheter_narrowing(self, at_h):
        rng = self.rng
        room = self.hours - at_h
        over = min(log_uniform(rng, 0.5, 12), 0.9 * room)
        catheter = self.scenario["line"]["access"]["resistance_mmhg_h_per_ml"]
        reaches = 1 + (rng.uniform(2, 10) - 1) * self.shared() / catheter
        cause = {
            "kind": "catheter-narrowing", "reaches": tidy(reaches), "over_h": tidy(over, 3),
            "shape": tidy(rng.uniform(0.8, 2), 2), "unevenness": tidy(rng.uniform(0.1, 1.2), 2),
            "pause_speed": tidy(rng.choice([1, 1, rng.uniform(0.5, 3)]), 2),
        }
        episode = {"at_h": tidy(at_h), "cause": cause}
        answers = self.vain(
            ("restart", {}, 0.3),
            ("filter_change", {"minutes": 4}, 0.25 if self.position != "none" else 0),
        )
        answers.append({"do": "flush", "value": tidy(rng.uniform(0.3, 0.95), 2), "minutes": 3, "after_min": self.after(), "logged": self.noted(0.85)})
        if rng.random() < 0.4:
            answers.append({"do": "catheter_change", "minutes": tidy(rng.uniform(15, 60), 2), "after_min": self.after(5, 60)})
        episode["answer"] = answers
        self.noticed(episode, at_h, over, "flush", value=tidy(rng.uniform(0.3, 0.9), 2))
        return episode


def blocked(mix, v):
    """Resistance over clean after volume v (in units of the mix): the simulator's four mechanisms, in many small steps."""
    kb, ks, ki, kc = (mix.get(k, 0.0) for k in ("complete_per_ml", "standard_per_ml", "intermediate_per_ml", "cake_per_ml"))
    a, s, c, n = 1.0, 0.0, 0.0, 400
    for _ in range(n):
        half = a - (kb + ki * a) * v / n / 2
        if half <= 1e-6:
            return math.inf
        s += ks / half * v / n
        c += kc / half * v / n
        a -= (kb + ki * half) * v / n
        if a <= 1e-6 or s >= 2:
            return math.inf
    return ((1 - s / 2) ** -2 + c) / a


def volume_to(mix, factor):
    """The volume at which a mix of mechanisms reaches a factor."""
    low, high = 0.0, 1.0
    while blocked(mix, high) < factor:
        high *= 2
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if blocked(mix, middle) < factor else (low, middle)
    return high
