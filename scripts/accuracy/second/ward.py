"""A record as it happens: the line runs, pumps alarm, staff come and do things, some of which they write down.

In: a `Setting`, what goes wrong and when. Out: a `Ward` that has run: series, events, troubles, alarms.
"""

import heapq
import itertools

import numpy as np

from second.network import Inputs, Outputs, State, stored_ml
from second.setting import MMHG_PER_CM, pick, spread
from second.troubles import BEGIN, efforts

CARE = ["", "", "", "kangaroo care", "bath", "weighing", "x-ray", "blood sample", "feed", "dressing changed"]


class Ward:
    def __init__(self, setting, rng, integrator):
        self.setting, self.rng, self.integrator = setting, rng, integrator
        self.points, self.all = setting.points, list(range(setting.n))
        self.line = setting.line.copy()
        self.inputs, self.out = Inputs.idle(setting.n, self.points), Outputs.empty(setting.n, self.points)
        self.shown = np.zeros((setting.n, self.points))     # the rate as the pump shows it
        self.normal = list(setting.rates)                   # what each channel is meant to run at
        self.efforts = np.zeros(self.points)
        self.zero = np.zeros((setting.n, self.points))      # what is added to a reading
        self.spells, self.events, self.alarms, self.troubles, self.bolus = [], [], [], [], {}
        self.settling, self.rested_since = None, None
        self.held = {}                                      # channel -> reason why it does not run
        self.tries, self.coming = 0, False
        self.last_alarm = -10 ** 9
        self.changes, self.restarts = [], []                # (grid point, channel) of each change of rate or limit, of each restart
        self.medication = next((i for i, f in enumerate(setting.fluids) if f == "medication"), None)
        self.state = State.at(float(setting.vein[0]))
        self.queue, self.order, self.k = [], itertools.count(), 0
        days = np.arange(self.points) / 86400
        for i in self.all:
            self.inputs.head[i] = setting.heights[i] * MMHG_PER_CM
            self.inputs.limit[i] = setting.limits[i]
            self.zero[i] = setting.line.zero[i] + setting.drift[i] * days
            self.state.pressure[i] = setting.level(i, self.normal)
            self.drive(i, self.normal[i])
        self.inputs.outlet[:] = setting.vein

    # ---- the clock

    def at(self, k, action):
        if k < self.points - 1:
            heapq.heappush(self.queue, (max(int(k), self.k), next(self.order), action))

    def after(self, seconds, action):
        self.at(self.k + max(1, int(seconds)), action)

    def run(self):
        while self.k < self.points - 1:
            stop = min(self.queue[0][0], self.points - 1) if self.queue else self.points - 1
            if stop > self.k:
                self.k = self.integrator.run(self.line, self.state, self.inputs, self.out, self.k, stop)
                for i in self.all:
                    if self.state.alarms >> i & 1:
                        self.alarm(i)
            while self.queue and self.queue[0][0] <= self.k:
                heapq.heappop(self.queue)[2](self)

    # ---- pumps

    def drive(self, i, rate):
        self.inputs.rate[i, self.k:] = rate
        self.shown[i, self.k:] = max(rate, 0.0)

    def any_running(self):
        run = [i for i in self.all if self.normal[i] > 0]
        return int(self.rng.choice(run)) if run else 0

    def pump_says(self, i, event, detail=""):
        self.events.append((self.k, i, event, detail))

    def staff_writes(self, i, event, detail=""):
        """A word in the notes: often missing, sometimes late, seldom at the wrong channel."""
        staff, rng = self.setting.staff, self.rng
        if rng.random() > staff["writes"]:
            return
        late = int(spread(rng, 60, 1500)) if rng.random() < staff["late"] else 0
        if i is not None and rng.random() < staff["wrong_channel"]:
            i = int(rng.integers(self.setting.n))
        self.events.append((min(self.k + late, self.points - 1), i, event, detail))

    def stop_one(self, i, reason):
        self.held[i] = reason
        self.drive(i, 0.0)
        if all(j in self.held or self.normal[j] <= 0 for j in self.all) and self.rested_since is None:
            self.rested_since = self.k

    def resume_one(self, i):
        if i not in self.held:
            return
        del self.held[i]
        if self.normal[i] <= 0:
            return
        if self.rested_since is not None and i in self.setting.filtered:
            self.settle()
        self.rested_since = None
        self.drive(i, self.normal[i])
        self.restarts.append((self.k, i))
        self.pump_says(i, "resume")

    def settle(self):
        if self.settling and self.k - self.rested_since > 120:
            most, tau = self.settling
            self.state.jump = most * (1 - np.exp(-(self.k - self.rested_since) / tau))

    def pause(self, channels, seconds, detail=None):
        """A pause for care; resumed after these seconds. One keep-open pump in some wards."""
        channels = [i for i in channels if i not in self.held and self.normal[i] > 0]
        if detail is None:
            detail = str(self.rng.choice(CARE))
        for i in channels:
            self.stop_one(i, "pause")
            if self.setting.staff["keeps_open"]:
                self.drive(i, min(0.3, 0.1 * self.normal[i]))
            self.pump_says(i, "pause", detail)

        def on(w):
            for i in channels:
                if w.held.get(i) == "pause":
                    w.resume_one(i)
        self.after(seconds, on)

    def change_rate(self, i, rate, quiet=False):
        self.normal[i] = rate
        if i not in self.held:
            self.drive(i, rate)
        if not quiet:
            self.pump_says(i, "rate_change", f"{rate:g}")
        self.changes.append((self.k, i))

    def change_limit(self, i, limit):
        self.inputs.limit[i, self.k:] = limit
        self.pump_says(i, "limit_change", f"{limit:g}")
        self.changes.append((self.k, i))

    def give_bolus(self, i):
        if i in self.held or self.normal[i] <= 0:
            return
        fast = self.normal[i] * spread(self.rng, 2, 12)
        if self.rng.random() < 0.9:     # mostly no faster than the limit allows
            room = self.inputs.limit[i, self.k] - 10 - self.state.pressure[i]
            fast = min(fast, self.normal[i] + max(room, 0.0) / self.setting.below(i))
        self.drive(i, fast)
        self.changes.append((self.k, i))
        self.pump_says(i, "bolus_start", f"{fast:.3g}")

        def done(w):
            if i not in w.held:
                w.drive(i, w.normal[i])
                w.pump_says(i, "bolus_end")
        self.after(spread(self.rng, 20, 400), done)

    def medication_starts(self, i):
        if self.medication is not None and self.normal[i] <= 0:
            self.normal[i] = self.setting.rates[i]
            self.drive(i, self.normal[i])
            self.pump_says(i, "start", f"{self.normal[i]:g}")
        self.staff_writes(i, "medication_start")

    def medication_ends(self, i):
        if self.normal[i] > 0:
            self.normal[i] = 0.0
            self.drive(i, 0.0)
            self.held.pop(i, None)
            self.pump_says(i, "stop")
        self.staff_writes(i, "medication_end")

    def new_set(self, i):
        """A new syringe, bag or set: a few minutes of rest, play before it delivers, and perhaps another zero."""
        if i in self.held or self.normal[i] <= 0:
            return
        self.pause([i], spread(self.rng, 60, 600), detail="")
        self.staff_writes(i, "set_change")
        self.play(i)

    def play(self, i):
        if self.setting.line.stick_ml[i] > 0 and self.rng.random() < 0.6:
            self.state.play[i] = spread(self.rng, 0.005, 0.15)
        if self.rng.random() < 0.25:
            self.zero[i, self.k:] += self.rng.normal(0, 2.5)

    def squeeze(self, i, mmhg):
        """A knock: the tubing is pressed."""
        self.state.pressure[i] += mmhg
        self.spells.append((self.k - 1, self.k + 30, 1))

    # ---- troubles

    def begin(self, name, k):
        trouble = BEGIN[name](self, k)
        self.at(k, lambda w: w.put(trouble))

    def put(self, trouble):
        trouble.began = self.k
        self.troubles.append(trouble)
        for field, value in trouble.laws.items():
            setattr(self.line, field, value)
        self.remix()

    def remix(self):
        """Works the troubles' series into what happens to the line, from now on."""
        k, inputs = self.k, self.inputs
        inputs.catheter[k:], inputs.tubing[:, k:], inputs.supply[:, k:] = 1.0, 1.0, 1.0
        for i in self.all:
            inputs.head[i, k:] = self.setting.heights[i] * MMHG_PER_CM
        inputs.outlet[k:] = self.setting.vein[k:] + self.efforts[k:]
        for t in self.troubles:
            if t.series is None:
                continue
            for row in [inputs.catheter] if t.acts_on == "catheter" else [getattr(inputs, t.acts_on)[i] for i in t.channels]:
                if t.acts_on == "supply":
                    row[k:] *= t.series[k:]
                else:       # resistances in a row add up
                    row[k:] += t.series[k:] - (0.0 if t.acts_on == "head" else 1.0)

    def fret(self, seconds, strong=None):
        efforts(self, self.k, int(seconds), strong)
        self.remix()

    def tell_of_move(self, trouble, cm):
        for k, height in ((trouble.began, cm), (trouble.end, 0.0)):
            if k is None:
                continue
            for i in trouble.channels:
                self.at(k, lambda w, i=i, h=height: w.staff_writes(i, "pump_moved", f"{w.setting.heights[i] + h:.0f}"))

    def reach_the_limit(self, i):
        rng, limit = self.rng, self.inputs.limit[i, self.k]
        level = self.setting.level(i, self.normal) + self.setting.line.zero[i]
        if rng.random() < 0.7 and self.setting.below(i) * self.normal[i] > 4:
            rate = self.normal[i] * max(1.15, (limit - level) / (self.setting.below(i) * self.normal[i]) + spread(rng, 1.02, 1.5))
            self.change_rate(i, float(f"{rate:.3g}"))
        else:
            self.change_limit(i, float(max(12, np.floor(level * rng.uniform(0.6, 0.97)))))

    def standing(self, i):
        """The trouble that holds up channel i most, by what it would add at the normal rates; None where nothing does."""
        s, k, best, most = self.setting, self.k, None, 3.0
        for t in self.troubles:
            if i not in t.channels or (t.end is not None and t.end <= k):
                continue
            flow = sum(self.normal)
            add = {
                "catheter": lambda: s.line.catheter * (t.series[k] - 1) * flow, "tubing": lambda: s.line.tubing[i] * (t.series[k] - 1) * self.normal[i],
                "grown": lambda: s.line.filter * (self.state.grown - 1) * flow, "head": lambda: -t.series[k],
                "supply": lambda: 0.0, "nothing": lambda: 4.0,
            }[t.acts_on]()
            if add > most:
                best, most = t, add
        return best

    # ---- alarms and staff

    def alarm(self, i):
        self.alarms.append((self.k, i))
        self.state.over[i] = 0
        self.pump_says(i, "occlusion_alarm")
        self.stop_one(i, "alarm")
        if self.setting.staff["back_off"]:
            self.run_back(i)
        if self.k - self.last_alarm > 3600:
            self.tries = 0
        self.last_alarm = self.k
        if not self.coming:
            self.coming = True
            wait = spread(self.rng, 0.3, 3) * self.setting.staff["delay_min"] * 60
            if self.rng.random() < self.setting.staff["gives_up"]:
                wait += spread(self.rng, 2400, 6000)
            self.after(wait, lambda w: w.come(i))

    def run_back(self, i):
        """The pump runs backwards for some seconds to release what it holds."""
        p = self.state.pressure[i]
        ml = float(stored_ml(self.line, i, p) - stored_ml(self.line, i, p * self.rng.uniform(0.1, 0.7)))
        last = int(self.rng.integers(3, 12))
        self.inputs.rate[i, self.k:self.k + last] = -ml / last * 3600

    def come(self, i):
        """Somebody comes to an alarm: restarts at once, or looks for the cause."""
        rng, staff = self.rng, self.setting.staff
        for j in self.all:
            if self.held.get(j) == "alarm":
                self.pump_says(j, "alarm_cleared")
        self.tries += 1
        if rng.random() < staff["blind"] and self.tries < 7:
            return self.restart(spread(rng, 3, 60))
        trouble = self.standing(i)
        if trouble is not None and rng.random() < staff["finds"]:
            self.cure(trouble, i)
        else:
            self.wrong_deed(i)
        self.restart(spread(rng, 20, 500))

    def restart(self, seconds):
        def on(w):
            w.coming = False
            for j in w.all:
                if w.held.get(j) == "alarm":
                    w.resume_one(j)
        self.after(seconds, on)

    def cure(self, t, i):
        rng, one = self.rng, t.channels[0] if len(t.channels) == 1 else None
        if t.cause == "tubing-blocked":
            deed = pick(rng, {"clamp_opened": 6, "set_change": 2, "note": 1})
            self.staff_writes(one, deed, "tubing straightened" if deed == "note" else "")
            t.ease(self.k, 1.0 if rng.random() < 0.9 else rng.uniform(0.5, 0.9))
        elif t.cause == "catheter-blocked":
            deed = pick(rng, {"clamp_opened": 4, "patient_moved": 2, "flush": 2, "catheter_change": 1})
            self.staff_writes(None, deed)
            t.ease(self.k, 1.0 if deed != "flush" else rng.uniform(0.4, 1.0))
        elif t.cause == "catheter-positional":
            self.staff_writes(None, "patient_moved", str(rng.choice(["", "arm laid straight", "turned"])))
            if rng.random() < 0.6:
                t.ease(self.k)
            else:
                t.series[self.k:self.k + 400] = 1.0
        elif t.cause == "catheter-narrowing":
            self.flush(t)
        elif t.acts_on == "grown":
            self.new_filter()
        elif t.cause == "height-change":
            self.change_limit(i, float(np.ceil(self.inputs.limit[i, self.k] * rng.uniform(1.2, 1.8))))
        elif t.cause == "limit-too-low":
            if rng.random() < 0.75:
                self.change_limit(i, float(np.ceil(self.inputs.limit[i, self.k] * rng.uniform(1.3, 2.2))))
            else:
                self.change_rate(i, float(f"{self.normal[i] * rng.uniform(0.4, 0.75):.3g}"))
        self.remix()

    def flush(self, t=None):
        """Frees a catheter wholly, in part, for an hour, or not at all."""
        rng = self.rng
        if t is not None and len(t.deeds) >= 2 and rng.random() < 0.6:
            self.staff_writes(None, "catheter_change")
            t.ease(self.k)
            return
        self.staff_writes(None, "flush", str(rng.choice(["", "10 mL", "by the access team"])))
        if t is None:
            return
        way = pick(rng, {"wholly": 3, "partly": 3, "an hour": 2, "not": 2})
        if way == "wholly":
            t.ease(self.k)
        elif way == "partly":
            t.ease(self.k, rng.uniform(0.3, 0.9))
        elif way == "an hour":
            t.ease(self.k, rng.uniform(0.7, 0.98), back_s=spread(rng, 1500, 6000))

    def new_filter(self, quiet=False):
        """Whatever grew in the filter is gone; it may grow again, mostly slower, or not."""
        if not self.setting.filtered:
            return
        rng = self.rng
        if not quiet:
            self.staff_writes(None, "filter_change")
        else:
            self.events.append((self.k, None, "filter_change", "as planned"))
        self.state.grown, self.state.jump = 1.0, 0.0
        for t in self.troubles:
            if t.acts_on == "grown" and t.end is None:
                t.deeds.append(self.k)
                again = rng.random() < (0.15 if t.variant == "badly-primed" or t.cause == "filter-precipitate" else 0.45)
                factor = rng.uniform(0.2, 1.0) if again else 0.0
                self.line.law_k *= factor
                self.line.time_k *= factor
                if not again:
                    t.end, self.settling = self.k, None

    def wrong_deed(self, i):
        deed = pick(self.rng, {"flush": 3, "patient_moved": 3, "filter_change": 2 if self.setting.filtered else 0, "set_change": 2, "limit_change": 1,
                               "note": 2})
        if deed == "filter_change":
            self.new_filter()
        elif deed == "limit_change":
            self.change_limit(i, float(np.ceil(self.inputs.limit[i, self.k] * self.rng.uniform(1.1, 1.6))))
        elif deed == "set_change":
            self.staff_writes(i, "set_change")
            self.play(i)
        else:
            self.staff_writes(None, deed, "line checked, nothing found" if deed == "note" else "")

    def air_alarm(self, trouble):
        """The pump finds air or an empty container; the container is changed."""
        i = trouble.channels[0]
        if trouble.end is not None or i in self.held:
            return
        trouble.other_alarm = self.k
        self.pump_says(i, "alarm", str(self.rng.choice(["air in line", "empty", "air or empty container"])))
        self.stop_one(i, "air")
        self.after(spread(self.rng, 60, 2400), lambda w: w.new_container(trouble))

    def new_container(self, trouble):
        i = trouble.channels[0]
        if trouble.end is None:
            trouble.ease(self.k)
            self.staff_writes(i, "set_change", "")
            self.play(i)
            self.remix()
        if self.held.get(i) == "air":
            self.pump_says(i, "alarm_cleared")
            self.after(30, lambda w: w.resume_one(i))

    def round(self):
        """Somebody looks at the pumps without an alarm, and sees a pressure far from the usual, or a drip chamber that stands."""
        rng = self.rng
        for i in self.all:
            if i in self.held or self.normal[i] <= 0:
                continue
            usual, now = self.setting.level(i, self.normal), self.state.pressure[i]
            dry = next((t for t in self.troubles if t.cause == "supply-stopped" and i in t.channels and t.end is None), None)
            if dry is not None and rng.random() < 0.6:
                self.new_container(dry)
            elif now > usual + max(25.0, 0.8 * abs(usual)) and rng.random() < 0.5:
                if self.setting.staff["pauses_on_rise"] and rng.random() < 0.6:
                    self.pause(self.all, spread(rng, 200, 2400), detail="")
                trouble = self.standing(i)
                if trouble is not None and rng.random() < 0.6:
                    self.pause(self.all, spread(rng, 60, 300), detail="")
                    self.cure(trouble, i)
                break
        self.after(spread(rng, 0.4, 2.5) * self.setting.staff["rounds_h"] * 3600, Ward.round)
