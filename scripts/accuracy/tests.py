"""Tests of the scoring on examples worked by hand: python3 scripts/accuracy/tests.py (needs no packages)."""

import tempfile
import unittest
from pathlib import Path
from types import SimpleNamespace as Plain

import measures as m
import upheld
from make import scenario_text
from matching import match
from records import Found, Truth, hides_mmhg, hinders, moved, seconds, stretches
from report import put_between
from scenarios import blocked, draw, volume_to


def true(site="filter", began=0.0, onset=3600.0, end=7200.0, alarm=None, asked=True, course="gradual", effect=100.0, cause=None):
    return Truth(site=site, cause=cause or site, course=course, channels=["pn"], began=began, onset=onset, end=end, alarm=alarm,
                 reached=asked, visible=asked, other_alarm=None, release_ml=None, can_tell=True, peak_ratio=2.0, running_s=3600.0,
                 effect_mmhg=effect, asked=asked, hinders=onset)


def found(onset, end, site="filter", p=1.0, alarm=None, **more):
    return Found(onset=onset, end=end, channels=["pn"], sites={site: p, "none": 1 - p}, suggested=site, alarm=alarm, **more)


def record(*episodes):
    return Plain(truth=list(episodes), period_s=10.0)


class Matching(unittest.TestCase):
    def test_one_that_overlaps_is_matched_and_one_far_off_is_false(self):
        done = match(record(true()), [found(3500, 7000), found(20_000, 21_000)])
        self.assertEqual((len(done.pairs), len(done.missed), len(done.false)), (1, 0, 1))

    def test_a_second_one_on_the_same_stretch_is_a_split(self):
        done = match(record(true()), [found(3500, 4000), found(5000, 7000)])
        self.assertEqual((len(done.pairs), len(done.splits), len(done.false)), (1, 1, 0))
        self.assertEqual(done.pairs[0][1].onset, 3500)

    def test_the_same_alarm_outweighs_a_nearer_onset(self):
        done = match(record(true(alarm=7000.0)), [found(3600, 4000), found(6000, 7000, alarm=7010.0)])
        self.assertEqual(done.pairs[0][1].onset, 6000)

    def test_an_alarm_that_a_knock_rang_is_also_that_of_the_obstruction_that_stood(self):
        # A knock at 5000 s tips a filter's climb over the limit; the filter's own alarm comes at 6900 s. One episode found, from
        # the climb's beginning, is the filter's; one that begins with the knock is the knock's.
        truth = [true(alarm=6900.0), true(site="none", cause="artefact", course="step", began=4990.0, onset=4990.0, end=5010.0, alarm=5000.0)]
        for onset, site in ((3700, "filter"), (4980, "none")):
            (pair,) = match(record(*truth), [found(onset, 7000, alarm=5000.0)]).pairs
            self.assertEqual(pair[0].site, site)

    def test_an_obstruction_named_where_the_truth_is_none_is_false(self):
        done = match(record(true(site="none", course="step")), [found(3600, 7000, site="catheter")])
        self.assertEqual((len(done.pairs), len(done.false)), (1, 1))

    def test_who_sees_what_was_not_asked_for_gains_and_loses_nothing(self):
        done = match(record(true(asked=False)), [found(3600, 7000)])
        self.assertEqual((len(done.pairs), len(done.unasked), len(done.false), len(done.missed)), (0, 1, 0, 0))

    def test_what_nobody_found_is_missed_unless_it_need_not_be_reported(self):
        self.assertEqual(len(match(record(true()), []).missed), 1)
        self.assertEqual(len(match(record(true(site="none")), []).missed), 0)


class Stretches(unittest.TestCase):
    def test_a_cause_that_works_again_before_it_has_ended_hinders_the_flow_for_one_stretch(self):
        first = true(began=0.0, onset=None, end=9000.0, asked=False, effect=20.0)
        again = true(began=5000.0, onset=6000.0, end=12_000.0, alarm=11_000.0, effect=300.0)
        (one,) = stretches([again, first])
        self.assertEqual((one.start, one.onset, one.end, one.alarm, one.effect_mmhg, one.reached), (0.0, 6000.0, 12_000.0, 11_000.0, 300.0, True))

    def test_what_has_ended_lies_elsewhere_or_is_another_cause_stays_apart(self):
        first = true(end=7200.0)
        others = [true(began=7200.0, onset=8000.0, end=9000.0), true(began=7000.0, onset=7100.0, end=9000.0, cause="other")]
        on_lipid = true(began=7000.0, onset=7100.0, end=9000.0)
        on_lipid.channels = ["lipid"]
        self.assertEqual(len(stretches([first, *others, on_lipid])), 4)

    def test_what_comes_at_once_is_told_each_time(self):
        self.assertEqual(len(stretches([true(course="step"), true(course="step", began=100.0)])), 2)


class Measures(unittest.TestCase):
    def test_what_came_at_rest_is_asked_for_from_the_restart_on_and_what_grows_is_not(self):
        rested = [(0.0, 9.0, 5.0), (3000.0, 1.0, 0.0), (3900.0, 1.0, 5.0), (4000.0, 8.0, 5.0)]
        ran = [(0.0, 9.0, 2.0), (4000.0, 9.0, 2.0)]
        self.assertEqual(hinders(true(course="step"), [rested]), 3900.0)
        self.assertEqual(hinders(true(course="step"), [rested, ran]), 3600.0)
        self.assertEqual(hinders(true(course="step", end=3800.0), [rested]), 3600.0)
        self.assertEqual(hinders(true(), [rested]), 3600.0)

    def test_an_onset_put_into_the_rest_is_off_by_its_distance_from_the_restart(self):
        truth = true(course="step")
        truth.hinders = 3900.0
        record_ = Plain(period_s=10.0)
        for onset, close in [(3890.0, 1.0), (3600.0, 0.0), (3400.0, 0.0)]:
            pair = (record_, truth, found(onset, 7000, onset_low=3350.0, onset_high=onset + 5.0))
            self.assertEqual(m.onsets([pair])["step"]["close"], close)
            self.assertEqual(m.covered_onsets([pair]), [False])

    def test_what_came_in_a_gap_of_the_log_is_asked_for_anywhere_in_it(self):
        truth = true(course="step")
        truth.silent = (3000.0, 4200.0)
        for onset, off in [(3000.0, 0.0), (4100.0, 0.0), (4230.0, 30.0), (2900.0, 100.0)]:
            self.assertEqual(m.onset_error(truth, found(onset, 7000)), off)

    def test_behind_a_block_the_pressure_climbs_no_faster_than_the_pump_fills_what_gives_way(self):
        # 6 mL/h into 2 uL/mmHg is 3000 mmHg/h, 50 mmHg in a minute; both pumps into 5 uL/mmHg 8 mL/h, 26.7 mmHg.
        pumps = [{"id": "pn", "compliance_ul_per_mmhg": 2.0}, {"id": "lipid", "compliance_ul_per_mmhg": 3.0}]
        rows = {"pn": [(0.0, 9.0, 6.0)], "lipid": [(0.0, 9.0, 2.0)]}
        record_ = Plain(period_s=10.0, trace=lambda: rows)
        self.assertAlmostEqual(moved(true("tubing", course="step", effect=200.0), record_, pumps), 50.0)
        self.assertAlmostEqual(moved(true("catheter", course="step", effect=200.0), record_, pumps), 8.0 / 0.005 / 60)
        self.assertEqual(moved(true("tubing", course="step", effect=7.0), record_, pumps), 7.0)
        self.assertEqual(moved(true("supply", course="step", effect=3.0), record_, pumps), 3.0)

    def test_what_hides_a_move_is_the_largest_of_what_does(self):
        scenario = {"channel": [{"pump": {"ripple_mmhg": 9.0}}, {"pump": {}}], "sensor": {"noise_mmhg": 1.0},
                    "sampling": {"rounding_mmhg": 1.0}, "vein": {"wander_mmhg": 0.5}}
        self.assertEqual(hides_mmhg(scenario), 4.5)

    def test_step_onsets_are_banded_by_the_first_move(self):
        slow, quick = true(course="step"), true(course="step")
        slow.moved_mmhg, quick.moved_mmhg = 3.0, 30.0
        record_ = Plain(period_s=10.0, hides_mmhg=2.0)
        pairs = [(record_, slow, found(0, 1)), (record_, quick, found(0, 1)), (record_, true(), found(0, 1))]
        self.assertEqual([len(p) for _, _, p in m.by_first_move(pairs, (0, 2, 20))], [1, 1])

    def test_brier_and_log_loss_of_one_verdict(self):
        pairs = [(None, true(), Plain(sites={"filter": 0.7, "catheter": 0.3}))]
        self.assertAlmostEqual(m.brier(pairs), 0.3 ** 2 + 0.3 ** 2)
        self.assertAlmostEqual(m.log_loss(pairs), 0.35667494393873245)  # -ln 0.7

    def test_calibration_error_is_the_weighted_gap(self):
        # three at 0.95 of which two are right, one at 0.55 that is right: (3 |0.95 - 2/3| + |0.55 - 1|) / 4
        pairs = [(None, true(), found(0, 1, site=s, p=0.95)) for s in ("filter", "filter", "catheter")]
        pairs.append((None, true(), found(0, 1, p=0.55)))
        self.assertAlmostEqual(m.reliability(pairs)[1], (3 * abs(0.95 - 2 / 3) + 0.45) / 4)

    def test_balanced_accuracy_weighs_sites_alike(self):
        pairs = [(None, true("filter"), found(0, 1, "filter"))] * 9 + [(None, true("supply"), found(0, 1, "filter"))]
        self.assertEqual(m.balanced_accuracy(pairs, lambda f: f.suggested)[0], 0.5)

    def test_bands_of_effect_take_their_lower_edge_and_leave_out_what_is_no_obstruction(self):
        pairs = [(None, true(effect=4.9), None), (None, true(effect=5.0), None), (None, true("none", effect=5.0), None)]
        bands = m.by_effect(pairs, [(None, true(effect=7.0))], (0, 5, 10))
        self.assertEqual([(low, high, len(found), missed) for low, high, found, missed in bands], [(0, 5, 1, 0), (5, 10, 1, 1)])

    def test_what_another_moves_at_the_time_is_counted_apart(self):
        alone, first, second = true(effect=9.0), true(effect=3.0), true(began=7500.0, onset=8000.0, end=9000.0, effect=3.0)
        apart, together = record(alone), record(first, second)
        apart.hides_mmhg = together.hides_mmhg = 3.0
        there = found(3600, 7000)
        bands = m.by_plain([(apart, alone, there), (together, first, there)], [(together, second)], (0, 2, 4))
        self.assertEqual(bands, [(0, 2, (0, 0), (1, 2)), (2, 4, (1, 1), (0, 0))])

    def test_the_interval_of_a_share(self):
        low, high = m.wilson(81, 263)  # 0.2553 to 0.3662: Newcombe, Stat Med 17 (1998) 857-872, method 3 (from memory)
        self.assertAlmostEqual(low, 0.2553, places=4)
        self.assertAlmostEqual(high, 0.3662, places=4)

    def test_percentiles_lie_between_neighbours(self):
        self.assertEqual(m.percentile([1, 2, 3, 4], 50), 2.5)


class Pieces(unittest.TestCase):
    def test_an_obstruction_told_twice_is_in_pieces_and_one_told_once_is_not(self):
        split, whole = record(true()), record(true())
        outcomes = [(split, match(split, [found(3500, 4000), found(5000, 7000)])), (whole, match(whole, [found(3500, 7000)]))]
        self.assertEqual(m.pieces(outcomes), (1, 2))


class Upheld(unittest.TestCase):
    def claim(self, onset, end=None, channels=("pn",), filter_=0.9, suggested="filter"):
        sites = {site: 0.0 for site in ("supply", "tubing", "catheter", "settings")} | {"filter": filter_, "none": 1 - filter_}
        return {"onset": onset, "end": end, "channels": list(channels), "sites": sites, "suggested": suggested}

    def test_only_what_still_goes_on_and_hinders_on_that_channel_upholds_a_claim(self):
        claim, there = self.claim(3600.0, 7200.0), self.claim(3500.0)
        others = [self.claim(3500.0, 4000.0), self.claim(3500.0, channels=["lipid"]), self.claim(3500.0, filter_=0.2, suggested="none")]
        self.assertEqual(upheld.going_on([*others, there], claim), [there])

    def test_what_is_shown_early_counts_against_the_claim_with_the_nearest_onset(self):
        first, second = self.claim(1000.0, 2000.0), self.claim(5000.0)
        self.assertFalse(upheld.is_claimed(self.claim(1100.0), second, [first, second]))
        self.assertTrue(upheld.is_claimed(self.claim(4000.0), second, [first, second]))

    def test_a_cut_keeps_the_rows_up_to_the_moment(self):
        with tempfile.TemporaryDirectory() as folder:
            source, into = Path(folder) / "a.csv", Path(folder) / "b.csv"
            source.write_text("time,channel\n2031-03-04T08:00:00+01:00,pn\n2031-03-04T08:00:10+01:00,pn\n2031-03-04T08:00:20+01:00,pn\n")
            upheld.cut(source, into, seconds("2031-03-04T08:00:10+01:00"))
            self.assertEqual(len(into.read_text().splitlines()), 3)

    def test_shares_of_claims(self):
        claims = [{"there": True, "early": False}, {"there": True, "early": True}, {"there": False, "early": False}]
        self.assertEqual(m.upheld(claims), (2, 2, 1, 3))


class Scenarios(unittest.TestCase):
    def test_the_same_numbers_give_the_same_scenario_and_the_sets_share_none(self):
        self.assertEqual(draw("tune", 1, 7), draw("tune", 1, 7))
        self.assertNotEqual(draw("tune", 1, 7)[0]["line"], draw("published", 1, 7)[0]["line"])

    def test_a_scenario_is_toml(self):
        import tomllib
        scenario, _ = draw("tune", 1, 3)
        self.assertEqual(tomllib.loads(scenario_text(scenario))["duration_h"], scenario["duration_h"])

    def test_volumes_to_a_factor_agree_with_the_pure_laws(self):
        # complete 1 - 1/f, intermediate ln f, cake f - 1, for f = 3
        for law, volume in (("complete_per_ml", 2 / 3), ("intermediate_per_ml", 1.0986123), ("cake_per_ml", 2.0)):
            self.assertAlmostEqual(volume_to({law: 1.0}, 3), volume, places=3)
        self.assertAlmostEqual(blocked({"standard_per_ml": 1.0}, 0.5), 1.7777778, places=4)


class Page(unittest.TestCase):
    def test_only_what_stands_between_the_marks_is_replaced(self):
        first = put_between("# Accuracy\n\n## Statistics\n\nby hand\n", "## Reviews\n\nold")
        second = put_between(first, "## Reviews\n\nnew")
        self.assertIn("by hand", second)
        self.assertEqual(second, first.replace("old", "new"))
        self.assertEqual(put_between(second, "## Reviews\n\nnew"), second)
        self.assertLess(second.index("new"), second.index("## Statistics"))


if __name__ == "__main__":
    unittest.main()
