"""Puts a method's episodes against the truth of all records, and gathers the figures.

In: records with what a method found. Out: `Score`: the matched pairs and every figure of the report.
"""

from dataclasses import dataclass

import measures as m
from matching import match
from records import OBSTRUCTIVE


@dataclass
class Score:
    """One method over a list of records."""
    records: list
    outcomes: list          # (record, Matched)

    @property
    def pairs(self):
        return [(r, t, f) for r, o in self.outcomes for t, f in o.pairs]

    @property
    def missed(self):
        return [(r, t) for r, o in self.outcomes for t in o.missed]

    @property
    def tellable(self):
        """Pairs in which the record, with the files that came with it, can tell the site."""
        return [p for p in self.pairs if p[1].can_tell]

    def hours(self, quiet=None):
        return sum(r.channel_hours for r, _ in self.outcomes if quiet is None or r.quiet == quiet)

    def false_count(self, quiet=None):
        return sum(len(o.false) for r, o in self.outcomes if quiet is None or r.quiet == quiet)

    def recall(self):
        """(found as an obstruction, asked for) of obstructions."""
        told = sum(1 for _, t, f in self.pairs if t.obstructive and f.obstructive)
        asked = sum(1 for _, t, _ in self.pairs if t.obstructive) + sum(1 for _, t in self.missed if t.obstructive)
        return told, asked

    def site_table(self, pairs, column_of):
        return m.confusion(pairs, list(OBSTRUCTIVE) + ["settings", "none"], lambda t: t.site, column_of)


def score(records, found_of):
    """Scores a method: `found_of(record)` gives its episodes."""
    return Score(records, [(r, match(r, found_of(r))) for r in records])
