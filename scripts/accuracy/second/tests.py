"""Tests of the second generator on examples worked by hand: python3 scripts/accuracy/second/tests.py (needs numpy and cc)."""

import math
import sys
import tempfile
import unittest
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from second.network import Inputs, Integrator, Outputs, State, plain_line  # noqa: E402

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


if __name__ == "__main__":
    unittest.main()
