"""Tests of the second generator on examples worked by hand: python3 scripts/accuracy/second/tests.py (needs numpy and cc)."""

import csv
import json
import math
import sys
import tempfile
import unittest
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from second import likelihood, truth  # noqa: E402
from second.network import Inputs, Integrator, Outputs, State, plain_line  # noqa: E402
from second.one import make_one  # noqa: E402
from second.setting import draw  # noqa: E402
from second.troubles import Trouble  # noqa: E402
from second.ward import Ward  # noqa: E402

FOLDER = tempfile.TemporaryDirectory()
INTEGRATOR = Integrator(FOLDER.name)


def ran(line, rates, hours, pressure=0.0, **series):
    """The line run at these rates, all else at rest unless a series is given."""
    points = round(hours * 3600 / line.dt_s) + 1
    inputs, outputs = Inputs.idle(line.channels, points), Outputs.empty(line.channels, points)
    for i, rate in enumerate(rates):
        inputs.rate[i] = rate
    for name, value in series.items():
        getattr(inputs, name)[...] = value
    state = State.at(pressure)
    reached = INTEGRATOR.run(line, state, inputs, outputs, 0, points - 1)
    return outputs, state, reached


def table(path):
    """The rows of a CSV file, each a dictionary."""
    return list(csv.DictReader(path.read_text().splitlines()))


def tight(**given):
    return plain_line(atol=1e-8, rtol=1e-8, **given)


class Closed(unittest.TestCase):
    """Against the closed forms of a pump, a compliance and a resistance."""

    def test_a_closed_line_climbs_at_rate_over_compliance(self):
        # 2 mL/h into 0.0012 mL/mmHg: 27.7778 mmHg/min, from 25 to 150 mmHg after 4.5 min
        line = tight(compliance=[0.0012], tubing=[1e9])
        out, _, _ = ran(line, [2.0], 0.1, pressure=25.0)
        self.assertAlmostEqual(out.pressure[0, 270], 150.0, delta=0.01)

    def test_a_partial_block_relaxes_with_resistance_times_compliance(self):
        # R 10 to 100 at 2 mL/h, C 0.0012, outlet 5: from 25 towards 205 with 7.2 min; 48.3415, 115.1167, 202.2093 after 1, 5, 30 min
        line = tight(compliance=[0.0012], tubing=[1e-4], catheter=100.0, join_compliance=1e-9, tail_compliance=1e-9)
        out, _, _ = ran(line, [2.0], 0.6, pressure=25.0, outlet=5.0)
        for minute, pressure in ((1, 48.3415), (2, 68.6563), (5, 115.1167), (15, 182.5874), (30, 202.2093)):
            self.assertAlmostEqual(out.pressure[0, minute * 60], pressure, delta=0.01)

    def test_a_stopped_pump_drains_with_the_same_time(self):
        line = tight(compliance=[0.0012], tubing=[1e-4], catheter=100.0, join_compliance=1e-9, tail_compliance=1e-9)
        out, _, _ = ran(line, [0.0], 0.2, pressure=150.0, outlet=5.0)
        for minute, pressure in ((1, 131.1971), (5, 77.4060), (10, 41.1561)):
            self.assertAlmostEqual(out.pressure[0, minute * 60], pressure, delta=0.01)

    def test_at_rest_each_pump_stands_at_what_lies_below_it(self):
        # vein 5, shared 0.3 + 20.3603, own 0.12754: with 2 mL/h alone 46.576 mmHg; with 1 mL/h of another on top 20.6603 more
        line = tight(channels=2, filter_at=2, filter=0.3, catheter=20.3603, tubing=[0.12754, 0.2])
        alone, _, _ = ran(line, [2.0, 0.0], 2.0, pressure=5.0, outlet=5.0)
        both, _, _ = ran(line, [2.0, 1.0], 2.0, pressure=5.0, outlet=5.0)
        self.assertAlmostEqual(alone.pressure[0, -1], 46.57568, places=3)
        self.assertAlmostEqual(both.pressure[0, -1], 46.57568 + 20.6603, places=3)
        self.assertAlmostEqual(alone.pressure[1, -1], 5 + 2 * 20.6603, places=3)

    def test_below_the_join_all_climb_at_all_flows_over_all_compliances(self):
        line = tight(channels=2, compliance=[0.0015, 0.002], catheter=1e9, tubing=[0.1, 0.1], join_compliance=3e-4, tail_compliance=2e-4)
        out, _, _ = ran(line, [4.0, 1.0], 0.05)
        slope = (out.pressure[:, 150] - out.pressure[:, 90]) * 60
        np.testing.assert_allclose(slope, 5 / 0.004, rtol=1e-5)

    def test_a_compliance_that_falls_holds_the_logarithm(self):
        # C = c / (1 + P/h): what is held is c h ln(1 + P/h), so after q t the pressure is h (exp(q t / (c h)) - 1)
        line = tight(compliance=[0.002], half=[150.0], tubing=[1e9])
        out, _, _ = ran(line, [3.0], 0.1)
        self.assertAlmostEqual(out.pressure[0, 240], 150 * math.expm1(3 * (240 / 3600) / (0.002 * 150)), delta=0.02)

    def test_the_order_is_two(self):
        errors = []
        for dt in (64.0, 32.0, 16.0):
            line = plain_line(compliance=[0.0012], tubing=[100.0], catheter=1e-4, join_compliance=1e-9, tail_compliance=1e-9, dt_s=dt, atol=1e9, rtol=1e9)
            out, _, _ = ran(line, [2.0], 0.2, pressure=25.0, outlet=5.0)
            out.pressure[0] -= 2e-4
            errors.append(abs(out.pressure[0, round(320 / dt)] - (205 - 180 * math.exp(-320 / 432))))
        for coarse, fine in zip(errors, errors[1:]):
            self.assertAlmostEqual(math.log2(coarse / fine), 2.0, delta=0.3)


class Growth(unittest.TestCase):
    def test_pure_laws_hold_their_closed_forms(self):
        # x after v = 0.5 with k = 1: 1/(1 - v) = 2, (1 - v/2)^-2 = 1.7778, e^v = 1.6487, 1 + v = 1.5
        for n, x in ((2.0, 2.0), (1.5, 1.7777778), (1.0, 1.6487213), (0.0, 1.5)):
            line = plain_line(filter_at=1, filter=0.3, law_k=1.0, law_n=n, compliance=[1e-6])
            out, _, _ = ran(line, [1.0], 0.6)
            at = np.interp(0.5, np.arange(out.grown.size) / 3600, out.grown)
            self.assertAlmostEqual(at, x, delta=2e-3)

    def test_nothing_grows_while_nothing_flows(self):
        line = plain_line(filter_at=1, filter=0.3, law_k=1.0, law_n=1.0)
        self.assertEqual(ran(line, [0.0], 0.2)[1].grown, 1.0)


class Pumps(unittest.TestCase):
    def test_the_limit_rings_the_channel_that_passed_it(self):
        # 100 mmHg above 0 at 1 mL/h into 0.0012: 7.2 min
        line = tight(compliance=[0.0012], tubing=[1e9], latency=5)
        _, state, reached = ran(line, [1.0], 0.2, limit=100.0)
        self.assertEqual((state.alarms, reached), (1, 432 + 6))

    def test_strokes_and_slips_deliver_what_the_pump_was_set_to(self):
        line = plain_line(stroke_ml=[0.05], stroke_share=[0.6], stick_ml=[0.01], stick_share=[0.5])
        out, _, _ = ran(line, [6.0], 2.0)
        self.assertAlmostEqual(out.flow[0].sum() / 3600, 12.0, delta=0.02)


class Records(unittest.TestCase):
    """Whole records of the seeds that may be looked at."""

    def test_the_same_numbers_give_the_same_bytes_and_the_sets_share_none(self):
        with tempfile.TemporaryDirectory() as folder:
            one, two = (make_one("tune", 7, 3, FOLDER.name, Path(folder) / name) for name in "ab")
            other = make_one("published", 10_007, 3, FOLDER.name, Path(folder) / "c")
            names = sorted(path.name for path in one.iterdir())
            self.assertEqual(names, sorted(path.name for path in two.iterdir()))
            for name in names:
                self.assertEqual((one / name).read_bytes(), (two / name).read_bytes(), name)
            self.assertNotEqual((one / "trace.csv").read_bytes(), (other / "trace.csv").read_bytes())

    def test_truth_and_files_agree(self):
        """Alarms of the truth stand in the events, within the episode; volumes never fall; a told site says which file tells it."""
        episodes = 0
        with tempfile.TemporaryDirectory() as folder:
            for number in range(20):
                path = make_one("tune", 7, number, FOLDER.name, folder)
                told = json.loads((path / "truth.json").read_text())
                rows = table(path / "trace.csv")
                for channel in {row["channel"] for row in rows}:
                    volumes = [float(row["volume_ml"]) for row in rows if row["channel"] == channel and "volume_ml" in row]
                    self.assertEqual(volumes, sorted(volumes))
                events = path / "events.csv"
                noted = [e["time"] for e in table(events) if e["event"] == "occlusion_alarm"] if events.exists() else None
                for e in told["episodes"]:
                    episodes += 1
                    self.assertEqual(e["can_tell"], bool(e["can_tell_from"]))
                    if e["alarm"] is not None and noted is not None:
                        self.assertIn(str(e["alarm"]), noted)
        self.assertGreater(episodes, 10)


class Telling(unittest.TestCase):
    """The likelihood ratio on lines of which a person can say what is to be seen."""

    def ratio(self, channels, pauses, kind):
        """`kind` grows to fourfold over 5 h on a quiet line with 4 mL/h a channel, read each minute; ratio to the best other site."""
        rng = np.random.default_rng(5)
        setting = draw(rng)
        while setting.n != channels or setting.line.filter_at != channels:
            setting = draw(rng)
        for name in ("stick_ml", "stroke_ml", "lag_s", "zero"):
            for i in range(3):
                getattr(setting.line, name)[i] = 0.0
        setting.line.filter, setting.line.catheter = 1.0, 3.0
        setting.rates, setting.limits, setting.noise, setting.wander = [4.0] * channels, [900.0] * channels, 0.5, 0.3
        setting.points, setting.vein = 10 * 3600 + 1, np.full(10 * 3600 + 1, 5.0)
        setting.tells_line = setting.events = False
        ward = Ward(setting, rng, INTEGRATOR)
        for hour in range(pauses):
            ward.at(int((3.0 + hour) * 3600), lambda w: w.pause(w.all, 1500, ""))
        begun = Trouble(kind, ward.all, 7200, "grown" if kind == "filter-loading" else "catheter", "gradual")
        if kind == "filter-loading":
            begun.laws = {"law_n": 1.0, "law_k": math.log(13) / (4.0 * channels * 5)}
        else:
            begun.series = 1 + 4 * np.clip((np.arange(setting.points) - 7200) / 18_000, 0, 1)
        ward.at(7200, lambda w: w.put(begun))
        ward.run()
        (episode,), _ = truth.episodes(ward)
        rows = [np.round(setting.line.gain[i] * ward.out.pressure[i] + ward.zero[i] + rng.normal(0, 0.5, ward.points)) for i in ward.all]
        setting.sampling["rounding_mmhg"] = 1.0
        likelihood.decide(ward, [episode], rows, [np.arange(0, ward.points, 60)] * channels)
        return episode.ratios["trace"]

    def test_at_one_rate_without_a_pause_filter_and_catheter_look_alike(self):
        for kind in ("filter-loading", "catheter-narrowing"):
            self.assertLess(abs(self.ratio(1, 0, kind)), likelihood.ENOUGH)

    def test_pauses_tell_time_from_volume(self):
        for kind in ("filter-loading", "catheter-narrowing"):
            self.assertGreater(self.ratio(2, 4, kind), likelihood.ENOUGH)


if __name__ == "__main__":
    unittest.main()
