"""Which found episode is which true one.

The rule, the same for every method:

1. A true episode stretches from its beginning (a gradual one begins before its onset) to its relief or the record's
   end; a found one from its onset to its end. Both are widened by the slack: ten minutes or two sample periods,
   whichever is longer. Where one cause grows twice on the same channels and the second growth begins before the first has
   ended, the flow is hindered for one stretch: one episode, as the contract counts them (`records.stretches`).
2. A pair may match where the two overlap. Pairs with the same occlusion alarm (within two minutes, or the sample period where
   that is longer) come first, then those whose onsets lie closest. Each is matched once. An alarm that a knock rang while an
   obstruction stood is that obstruction's as well: the pressure at which it rang was both's.
3. Asked for are true episodes that were `reached` (an alarm, or visible and at 1.5 times), and of which the record holds
   something: its alarm in the events file, or a row of the trace between onset and end and, where no occlusion alarm rang, five
   minutes (three sample periods) of running after the onset in which the pressure shows it: an alarm of air stands in the
   events file alone. The others may still be matched, after all those
   asked for: who sees one is not wrong, and gains nothing. `height-change` and `artefact` without an alarm are no episodes
   that a review must report: they count where they are matched, and are not missed where they are not.
4. A found episode left over that overlaps a matched obstruction that was asked for is a *split* of it. Any other left over, and
   any matched with a true one that is no obstruction (`settings`, `none`), is a *false obstruction* if it gives
   the four obstructive sites together a probability of one half or more.
"""

from dataclasses import dataclass, field


@dataclass
class Matched:
    """The outcome for one record."""
    pairs: list = field(default_factory=list)      # (true, found), asked for
    missed: list = field(default_factory=list)     # asked for, and nobody found it
    unasked: list = field(default_factory=list)    # (true, found), not asked for
    splits: list = field(default_factory=list)
    false: list = field(default_factory=list)      # false obstructions
    other: list = field(default_factory=list)      # left over, no obstruction claimed


def slack_s(record):
    return max(600.0, 2 * record.period_s)


def overlap(true, found, slack):
    return found.onset - slack <= true.end + slack and true.start - slack <= found.end + slack


def same_alarm(record, true, found):
    """Whether the found episode's alarm is the true one's, or a knock's that came while the true obstruction stood."""
    if found.alarm is None:
        return False
    knocks = [
        k.alarm for k in record.truth
        if k.cause == "artefact" and k.alarm is not None and true.obstructive and true.onset is not None and true.onset <= k.alarm <= true.end
    ]
    own = [true.alarm] if true.alarm is not None else []
    return any(abs(alarm - found.alarm) <= max(120.0, record.period_s) for alarm in own + knocks)


def match(record, found):
    """Matches a record's truth with what a method found."""
    slack = slack_s(record)
    left_true, left_found = list(record.truth), list(found)
    pairs = []
    for asked in (True, False):
        ranked = []
        for t in left_true:
            for f in left_found:
                if t.asked == asked and overlap(t, f, slack):
                    apart = abs((t.began if t.onset is None else t.onset) - f.onset)
                    ranked.append((not same_alarm(record, t, f), apart, id(t), id(f), t, f))
        ranked.sort(key=lambda r: r[:2])
        for _, _, _, _, t, f in ranked:
            if any(t is x for x in left_true) and any(f is x for x in left_found):
                left_true = [x for x in left_true if x is not t]
                left_found = [x for x in left_found if x is not f]
                pairs.append((t, f))
    done = Matched(
        pairs=[p for p in pairs if p[0].asked],
        unasked=[p for p in pairs if not p[0].asked],
        missed=[t for t in left_true if t.asked and (t.site != "none" or t.alarm is not None)],
    )
    solid = [t for t, _ in done.pairs if t.obstructive]
    for f in left_found:
        if any(overlap(t, f, slack) for t in solid):
            done.splits.append(f)
        else:
            (done.false if f.obstructive else done.other).append(f)
    done.false += [f for t, f in done.pairs if not t.obstructive and f.obstructive]
    return done
