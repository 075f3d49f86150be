"""Figures from matched episodes. Each function takes plain lists and says what it divides by what; none reads a file.

`pairs` are `(record, true, found)` of episodes that were asked for and found.
"""

import math
import statistics

from records import SITES, near_s

UNDETERMINED = "undetermined"


def share(part, whole):
    return part / whole if whole else math.nan


def wilson(part, whole, z=1.96):
    """95 % interval of a share (Wilson, J Am Stat Assoc 22 (1927) 209-212; the form is from memory)."""
    if not whole:
        return math.nan, math.nan
    p = part / whole
    middle = (p + z * z / (2 * whole)) / (1 + z * z / whole)
    half = z / (1 + z * z / whole) * math.sqrt(p * (1 - p) / whole + z * z / (4 * whole * whole))
    return middle - half, middle + half


def confusion(pairs, rows, row_of, column_of):
    """{row: {column: count}} for the given rows."""
    table = {row: {} for row in rows}
    for record, true, found in pairs:
        cell = table[row_of(true)]
        column = column_of(found)
        cell[column] = cell.get(column, 0) + 1
    return table


def balanced_accuracy(pairs, verdict):
    """Mean over the true sites of the share that was named rightly; and that share by site."""
    by_site = {}
    for _, true, found in pairs:
        by_site.setdefault(true.site, []).append(verdict(found) == true.site)
    shares = {site: sum(v) / len(v) for site, v in by_site.items()}
    return (statistics.mean(shares.values()) if shares else math.nan), shares


def log_loss(pairs):
    """Mean of -ln of the probability given to the true site, no probability below 1e-4."""
    losses = [-math.log(max(f.sites.get(t.site, 0.0), 1e-4)) for _, t, f in pairs]
    return statistics.mean(losses) if losses else math.nan


def brier(pairs):
    """Mean over episodes of the squared differences summed over the six sites; 0 is perfect, 2 the worst."""
    scores = [sum((f.sites.get(s, 0.0) - (s == t.site)) ** 2 for s in SITES) for _, t, f in pairs]
    return statistics.mean(scores) if scores else math.nan


def reliability(pairs, bins=10):
    """Of the likeliest site's probability: per bin (count, mean probability, share right); and the expected calibration
    error, the mean of their differences weighted by the counts."""
    cells = [[] for _ in range(bins)]
    for _, true, found in pairs:
        p = found.sites.get(found.likeliest, 0.0)
        cells[min(int(p * bins), bins - 1)].append((p, found.likeliest == true.site))
    rows = [
        (len(c), statistics.mean(p for p, _ in c), statistics.mean(r for _, r in c)) if c else (0, math.nan, math.nan)
        for c in cells
    ]
    total = sum(r[0] for r in rows)
    error = sum(n * abs(p - right) for n, p, right in rows if n) / total if total else math.nan
    return rows, error


def percentile(values, q):
    """The q-th percentile, 0 to 100, linear between neighbours."""
    if not values:
        return math.nan
    values = sorted(values)
    at = (len(values) - 1) * q / 100
    low = int(at)
    high = min(low + 1, len(values) - 1)
    return values[low] + (at - low) * (values[high] - values[low])


def by_effect(pairs, missed, edges):
    """Obstructions by how far they moved the pressure (mmHg): per band (low, high, pairs found, number missed)."""
    bands = []
    for low, high in zip(edges, edges[1:]):
        inside = [p for p in pairs if p[1].obstructive and low <= p[1].effect_mmhg < high]
        bands.append((low, high, inside, sum(t.obstructive and low <= t.effect_mmhg < high for _, t in missed)))
    return bands


def beside_another(true, record):
    """Whether another true episode moved the pressure of one of its channels before, while or shortly after it did: what is left of the one
    before is the level that this one climbs from."""
    slack = 600.0
    near = lambda o: o.start - slack <= true.end and true.start <= o.end + slack
    return any(o is not true and near(o) and set(o.channels) & set(true.channels) for o in record.truth)


def by_plain(pairs, missed, edges):
    """Recall of obstructions by how far they moved the pressure in multiples of what hides it, alone and beside another: per band
    (low, high, (found, all) alone, (found, all) beside another)."""
    rows = [(r, t, f.obstructive) for r, t, f in pairs] + [(r, t, False) for r, t in missed]
    rows = [(t.effect_mmhg / r.hides_mmhg, beside_another(t, r), told) for r, t, told in rows if t.obstructive]
    bands = []
    for low, high in zip(edges, edges[1:]):
        inside = [(beside, told) for plain, beside, told in rows if low <= plain < high]
        count = lambda which: (sum(told for beside, told in inside if beside == which), sum(beside == which for beside, _ in inside))
        bands.append((low, high, count(False), count(True)))
    return bands


def onset_error(true, found):
    """How far a review's onset lies from where it is asked for (s). What came in a gap of the log is asked for anywhere in the gap:
    nothing was written there that could show when."""
    if true.silent is None:
        return abs(found.onset - true.hinders)
    start, end = true.silent
    return max(start - found.onset, found.onset - end, 0.0)


def by_first_move(pairs, edges):
    """Step obstructions by how far the pressure can have moved while an onset is close, in multiples of what hides it there:
    per band (low, high, pairs)."""
    rows = [(t.moved_mmhg / r.hides_mmhg, (r, t, f)) for r, t, f in pairs if t.course == "step" and t.onset is not None and t.obstructive]
    return [(low, high, [p for share_, p in rows if low <= share_ < high]) for low, high in zip(edges, edges[1:])]


def onsets(pairs):
    """By course: count, share of 90 % intervals that hold the true onset, median and 95th percentile of the error (s),
    median width of the interval (s), share within two sample periods or 60 s.

    The onset of what came at once while all its pumps rested is asked for from the restart on: before that nothing flowed that
    could have been hindered, and no record can show when a clamp was closed on a line at rest. An onset that a review puts
    into the rest, or before it, is off by its distance from the restart."""
    out = {}
    for course in ("step", "intermittent", "gradual"):
        rows = [(r, t, f) for r, t, f in pairs if t.course == course and t.onset is not None and t.obstructive]
        inside = [f.onset_low <= t.hinders <= f.onset_high for _, t, f in rows if f.onset_low is not None]
        errors = [onset_error(t, f) for _, t, f in rows]
        close = [error <= near_s(r) for error, (r, _, _) in zip(errors, rows)]
        widths = [f.onset_high - f.onset_low for _, _, f in rows if f.onset_low is not None]
        out[course] = {
            "n": len(rows), "coverage": share(sum(inside), len(inside)), "median_s": percentile(errors, 50),
            "p95_s": percentile(errors, 95), "width_s": percentile(widths, 50), "close": share(sum(close), len(close)), "close_n": sum(close),
            "at_rest": sum(t.hinders != t.onset for _, t, _ in rows), "silent": sum(t.silent is not None for _, t, _ in rows),
        }
    return out


def covered_onsets(pairs):
    """Of each obstruction with an onset interval: whether the interval holds the true onset, as `onsets` asks for it."""
    return [f.onset_low <= t.hinders <= f.onset_high for _, t, f in pairs
            if t.onset is not None and f.onset_low is not None and t.obstructive]


def leads(pairs):
    """Minutes from when the record already showed it to the alarm, of alarmed obstructions; by true course."""
    out = {}
    for _, true, found in pairs:
        if true.alarm is not None and found.visible_from is not None and true.obstructive:
            out.setdefault(true.course, []).append((true.alarm - found.visible_from) / 60)
    return {
        course: {"n": len(v), "median_min": percentile(v, 50), "p10_min": percentile(v, 10), "p90_min": percentile(v, 90),
                 "before": share(sum(x > 0 for x in v), len(v))}
        for course, v in out.items()
    }


def intervals(records, name):
    """Of a channel's figure: how many there are, share given at all, share of 95 % intervals that hold the truth,
    median of the error in % of the truth (of an outlet pressure: in mmHg)."""
    total, inside, errors = 0, [], []
    for record in records:
        if record.review is None:
            continue
        said = {c["id"]: c.get(name) for c in record.review["channels"]}
        for channel, truth in record.channels.items():
            total += 1
            estimate = said.get(channel)
            if estimate is None:
                continue
            inside.append(estimate["low"] <= truth[name] <= estimate["high"])
            error = abs(estimate["value"] - truth[name])
            errors.append(error if name == "outlet_pressure_mmhg" else 100 * error / truth[name])
    return {"n": total, "given": share(len(inside), total), "coverage": share(sum(inside), len(inside)),
            "median_error": percentile(errors, 50), "p95_error": percentile(errors, 95)}


def releases(pairs):
    """The same of the volume held above the block."""
    rows = [(t.release_ml, f.release) for _, t, f in pairs if t.release_ml is not None and t.obstructive]
    told = [(t, f) for t, f in rows if f is not None]
    inside = [f["low"] <= t <= f["high"] for t, f in told]
    errors = [100 * abs(f["value"] - t) / t for t, f in told if t > 0.02]
    return {"n": len(rows), "given": share(len(told), len(rows)), "coverage": share(sum(inside), len(inside)),
            "median_error": percentile(errors, 50), "p95_error": percentile(errors, 95)}


def pieces(outcomes):
    """(obstructions told in more than one found episode, obstructions that were asked for and found). `outcomes` are (record, matched)."""
    from matching import overlap, slack_s
    told, split = 0, 0
    for record, o in outcomes:
        for t, _ in o.pairs:
            if t.obstructive:
                told += 1
                split += any(overlap(t, f, slack_s(record)) and set(f.channels) & set(t.channels) for f in o.splits)
    return split, told


def upheld(claims):
    """Of claims of `visible_from` that were looked at: (the record cut there shows the episode, one cut earlier does not, both, all)."""
    there = sum(c["there"] for c in claims)
    not_early = sum(not c["early"] for c in claims)
    return there, not_early, sum(c["there"] and not c["early"] for c in claims), len(claims)
