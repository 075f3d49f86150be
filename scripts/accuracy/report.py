"""Writes the review's part of ACCURACY.md from scores. Every figure in it is worked out here; nothing is typed in."""

import math
import statistics
from dataclasses import dataclass

import measures as m
from records import SITES
from score import Score


@dataclass
class Measured:
    """What the records of one generator gave."""
    generator: str          # simulate | second
    score: Score
    rivals: dict            # name -> Score
    claims: list            # those of `visible_from` that were looked at

COLUMNS = list(SITES) + [m.UNDETERMINED]
BEGIN = "<!-- What follows, up to the next mark, is written by scripts/accuracy/run. -->"
END = "<!-- End of what scripts/accuracy/run writes. -->"


def put_between(page, text):
    """The page with this text between the marks, and all else as it was. Where the marks are not there yet, they are put
    after the page's title."""
    part = f"{BEGIN}\n\n{text.strip()}\n\n{END}"
    if BEGIN in page and END in page:
        before, rest = page.split(BEGIN, 1)
        return before + part + rest.split(END, 1)[1]
    title, _, rest = page.partition("\n")
    return f"{title}\n\n{part}\n\n{rest.strip()}".rstrip() + "\n"


def number(x, digits=2):
    return "–" if x is None or (isinstance(x, float) and math.isnan(x)) else f"{x:.{digits}f}"


def percent(part, whole):
    """`91 % (88–93, n 412)`: a share with its 95 % interval and what it is a share of."""
    if not whole:
        return "– (n 0)"
    low, high = m.wilson(part, whole)
    return f"{100 * part / whole:.0f} % ({100 * low:.0f}–{100 * high:.0f}, n {whole})"


def table(header, rows):
    lines = ["| " + " | ".join(header) + " |", "|" + "---|" * len(header)]
    return "\n".join(lines + ["| " + " | ".join(str(c) for c in row) + " |" for row in rows])


def duration(seconds):
    if seconds is None or math.isnan(seconds):
        return "–"
    return f"{seconds:.0f} s" if seconds < 120 else f"{seconds / 60:.0f} min" if seconds < 7200 else f"{seconds / 3600:.1f} h"


def per_100_h(count, hours):
    return "–" if not hours else f"{100 * count / hours:.2f} ({count} in {hours:.0f} h)"


def subset(score, keep):
    return Score([r for r, _ in score.outcomes if keep(r)], [(r, o) for r, o in score.outcomes if keep(r)])


def said(found):
    return found.suggested


def share_row(label, aim, part, whole):
    """A row of the short table for a share: label, aim, text, and its value in %."""
    return label, aim, percent(part, whole), 100 * m.share(part, whole)


def short_rows(measured):
    """Label, aim, text and value of each measure; the value is what a gap is worked out from."""
    score = measured.score
    balanced, _ = m.balanced_accuracy(score.tellable, said)
    _, error = m.reliability(score.pairs)
    onset = m.onsets(score.pairs)["step"]
    covered = m.covered_onsets(score.pairs)
    there, not_early, _, looked = m.upheld(measured.claims)
    rate = lambda quiet=None: 100 * m.share(score.false_count(quiet), score.hours(quiet))
    held = [
        (label, "90–98 %", f"{100 * v['coverage']:.0f} % of the {100 * v['given']:.0f} % given", 100 * v["coverage"])
        for label, v in (
            ("resistance intervals (95 %) that hold the truth", m.intervals(score.records, "resistance_mmhg_h_per_ml")),
            ("compliance intervals (95 %) that hold the truth", m.intervals(score.records, "compliance_ul_per_mmhg")),
            ("outlet pressure intervals (95 %) that hold the truth", m.intervals(score.records, "outlet_pressure_mmhg")),
            ("release volume intervals (95 %) that hold the truth", m.releases(score.pairs)),
        )
    ]
    return [
        ("balanced site accuracy, where the record can tell", "≥ 0.90", number(balanced), balanced),
        share_row("recall of obstructions", "≥ 95 %", *score.recall()),
        ("false obstructions per 100 channel-hours", "≤ 0.30", per_100_h(score.false_count(), score.hours()), rate()),
        ("the same, over records with nothing wrong", "≤ 0.30", per_100_h(score.false_count(True), score.hours(True)), rate(True)),
        ("expected calibration error of the likeliest site", "≤ 0.05", number(error, 3), error),
        share_row("obstructions told in pieces", "≤ 3 %", *m.pieces(score.outcomes)),
        share_row("step onsets within two sample periods or 60 s", "≥ 95 %", onset["close_n"], onset["n"]),
        share_row("onset intervals (90 %) that hold the onset", "85–95 %", sum(covered), len(covered)),
        share_row("`visible_from`: the record cut there shows the episode", "100 %", there, looked),
        share_row("`visible_from`: one cut 2 min (2 periods) earlier does not", "100 %", not_early, looked),
        *held,
        ("records that could not be reviewed", "0", str(n := sum(r.failed is not None for r in score.records)), n),
    ]


NAMES = {"simulate": "simulator", "second": "second generator"}


def in_short(measured, speed):
    """The short table; with two generators side by side, and the gap between them."""
    columns = [short_rows(one) for one in measured]
    rows = []
    for cells in zip(*columns):
        gap = [] if len(cells) < 2 else [f"{cells[1][3] - cells[0][3]:+.2f}".replace("-", "−").replace("+nan", "–")]
        rows.append([cells[0][0], cells[0][1]] + [cell[2] for cell in cells] + gap)
    timing = f"{speed['median_s']:.2f} s ({speed['rows']} rows)"
    rows.append(["median review of 24 h, 1 Hz, two channels, one core", "< 1 s", timing] + ["", ""] * (len(columns) - 1))
    header = ["measure", "aim"] + [NAMES[one.generator] if len(measured) > 1 else "found" for one in measured]
    return table(header + ["gap"] * (len(columns) > 1), rows)


def on_second(measured):
    """The part on the second generator: where it comes from, sites, causes, onsets, figures of the line."""
    score = measured.score
    return f"""### On the second generator

{len(score.records)} further records, {score.hours():.0f} channel-hours, come from a generator that shares no code with the simulator (`scripts/accuracy/second`):
written from the description of the line alone, in other languages, with another integrator, other laws of growth, wider ranges and
other staff. What it can tell is not a list of reasons but a likelihood ratio: the best model of the true site, fitted to the readings as
they were written, must be ahead of the best of every other site by ln 10, with the rest of the truth given and an error of the model
of 5 % of what moved, and with what events and line file say (`second/likelihood.py`, `second/words.py`). The gap between the two
columns above says how much of a figure belongs to the simulator that the program grew up with.

{confusion(score, score.tellable)}

{doubtful(score)}

{causes(score)}

{onset_rows(score)}

{line_rows(score)}
"""


def confusion(score, pairs):
    rows = []
    for site, cells in score.site_table(pairs, said).items():
        total = sum(cells.values())
        right = percent(cells.get(site, 0), total)
        rows.append([f"**{site}**"] + [cells.get(c, 0) or "·" for c in COLUMNS] + [right])
    return table(["true \\ named"] + COLUMNS + ["right"], rows)


def causes(score):
    names = sorted({(t.site, t.cause) for _, t, _ in score.pairs} | {(t.site, t.cause) for _, t in score.missed})
    rows = []
    for site, cause in names:
        pairs = [p for p in score.pairs if p[1].cause == cause]
        missed = sum(1 for _, t in score.missed if t.cause == cause)
        tell = [p for p in pairs if p[1].can_tell]
        named = {}
        for _, _, f in pairs:
            named[f.suggested] = named.get(f.suggested, 0) + 1
        course = sum(f.course == t.course for _, t, f in pairs)
        rows.append((
            cause, len(pairs) + missed, percent(len(pairs), len(pairs) + missed),
            *(named.get(c, 0) or "·" for c in COLUMNS),
            percent(sum(f.suggested == site for _, _, f in tell), len(tell)), percent(course, len(pairs)),
        ))
    return table(["true cause", "asked", "found"] + [f"named {c}" for c in COLUMNS] + ["right where it can be told", "course right"], rows)


def calibration(score):
    rows, error = m.reliability(score.pairs)
    lines = [
        (f"{i / 10:.1f}–{(i + 1) / 10:.1f}", n, number(p), number(right)) for i, (n, p, right) in enumerate(rows) if n
    ]
    text = table(("probability of the likeliest site", "episodes", "mean probability", "share right"), lines)
    return text + (
        f"\n\nExpected calibration error {number(error, 3)}; log loss {number(m.log_loss(score.pairs))} nats; "
        f"Brier {number(m.brier(score.pairs))} (six sites, 0 to 2). A verdict that always gave the sites' shares "
        f"among these episodes would have a log loss of {number(base_log_loss(score.pairs))}."
    )


def base_log_loss(pairs):
    shares = {}
    for _, t, _ in pairs:
        shares[t.site] = shares.get(t.site, 0) + 1
    total = sum(shares.values())
    return -sum(n / total * math.log(n / total) for n in shares.values()) if total else math.nan


def onset_rows(score):
    return table(
        ("true course", "episodes", "90 % interval holds it", "median width", "median error", "95 % of errors below", "within two periods or 60 s"),
        [(c, v["n"], number(v["coverage"]), duration(v["width_s"]), duration(v["median_s"]), duration(v["p95_s"]), number(v["close"]))
         for c, v in m.onsets(score.pairs).items()],
    )


def at_rest(score):
    return sum(v["at_rest"] for v in m.onsets(score.pairs).values())


def silent(score):
    return sum(v["silent"] for v in m.onsets(score.pairs).values())


def band(low, high):
    """`5 to 10`, or `50 and more` without an upper edge."""
    return f"{low} to {high}" if math.isfinite(high) else f"{low} and more"


def effect_rows(score):
    rows = []
    for low, high, found, missed in m.by_effect(score.pairs, score.missed, (0, 5, 10, 20, 50, math.inf)):
        told = sum(f.obstructive for _, _, f in found)
        tell = [p for p in found if p[1].can_tell]
        step = m.onsets(found)["step"]
        rows.append((
            band(low, high), percent(told, len(found) + missed),
            percent(sum(f.suggested == t.site for _, t, f in tell), len(tell)), percent(step["close_n"], step["n"]),
        ))
    return table(("pressure moved by, mmHg", "recall", "site right where it can be told", "step onsets close"), rows)


def plain_rows(score):
    bands = m.by_plain(score.pairs, score.missed, (0, 2, 4, 8, 16, math.inf))
    rows = [(band(low, high), percent(*alone), percent(*beside))
            for low, high, alone, beside in bands]
    rows.append(("all", *(percent(*(sum(b[i][k] for b in bands) for k in (0, 1))) for i in (2, 3))))
    return table(("moved by, in multiples of what hides it", "recall, alone", "recall, beside another"), rows)


def first_move_rows(score):
    rows = []
    for low, high, found in m.by_first_move(score.pairs, (0, 1, 2, 4, 8, math.inf)):
        step = m.onsets(found)["step"]
        rows.append((band(low, high), step["n"], percent(step["close_n"], step["n"])))
    return table(("moved by, in multiples of what hides it", "step onsets", "close"), rows)


def lead_rows(score):
    return table(
        ("true course", "alarmed episodes", "median lead, min", "10 % to 90 %, min", "visible before the alarm"),
        [(c, v["n"], number(v["median_min"], 1), f"{v['p10_min']:.1f} to {v['p90_min']:.1f}", number(v["before"]))
         for c, v in m.leads(score.pairs).items()],
    )


def line_rows(score):
    names = {
        "resistance_mmhg_h_per_ml": "resistance below the pump, error in %",
        "compliance_ul_per_mmhg": "compliance of the channel, error in %",
        "outlet_pressure_mmhg": "outlet pressure, error in mmHg",
    }
    rows = [(label, m.intervals(score.records, key)) for key, label in names.items()]
    rows.append(("release volume, error in %", m.releases(score.pairs)))
    return table(
        ("figure", "n", "given", "95 % interval holds it", "median error", "95 % of errors below"),
        [(label, v["n"], number(v["given"]), number(v["coverage"]), number(v["median_error"], 1), number(v["p95_error"], 1))
         for label, v in rows],
    )


def group_row(label, score):
    told, asked = score.recall()
    balanced, _ = m.balanced_accuracy(score.tellable, said)
    _, error = m.reliability(score.pairs)
    unsure = sum(f.suggested == m.UNDETERMINED for _, _, f in score.tellable)
    onset = m.onsets(score.pairs)["step"]
    return (
        label, len(score.records), percent(told, asked), number(balanced), number(m.share(unsure, len(score.tellable))),
        per_100_h(score.false_count(), score.hours()), number(error, 3), number(onset["close"]),
    )


GROUP_HEADER = ("records", "number", "recall", "balanced accuracy", "undetermined though it can be told",
                "false per 100 channel-hours", "calibration error", "step onsets close")


BY_FILES = [
    ("trace, events, line", lambda r: r.events and r.line), ("trace, events", lambda r: r.events and not r.line),
    ("trace, line", lambda r: not r.events and r.line), ("trace alone", lambda r: not r.events and not r.line),
]


def by_sampling(score):
    periods = sorted({r.period_s for r in score.records if not r.on_change})
    by = [(f"every {p:g} s", lambda r, p=p: not r.on_change and r.period_s == p) for p in periods]
    return by + [("on change", lambda r: r.on_change)]


def groups(score):
    parts = [table(GROUP_HEADER, [group_row(label, subset(score, keep)) for label, keep in by_sampling(score)])]
    by = [(f"rounded to {x:g} mmHg" if x else "not rounded", lambda r, x=x: r.rounding == x)
          for x in sorted({r.rounding for r in score.records})]
    by += [(f"{n} channel{'s' if n > 1 else ''}", lambda r, n=n: len(r.channels) == n) for n in (1, 2, 3)]
    parts.append(table(GROUP_HEADER, [group_row(label, subset(score, keep)) for label, keep in by]))
    parts.append(table(GROUP_HEADER, [group_row(label, subset(score, keep)) for label, keep in BY_FILES]))
    return "\n\n".join(parts)


FIGURES_HEADER = ("records", "channels", "R given", "R interval holds it", "R median error, %", "C given", "C interval holds it",
                  "C median error, %", "onset intervals (90 %) that hold it", "log loss")


def figures_row(label, score):
    r = m.intervals(score.records, "resistance_mmhg_h_per_ml")
    c = m.intervals(score.records, "compliance_ul_per_mmhg")
    covered = m.covered_onsets(score.pairs)
    return (
        label, r["n"], number(r["given"]), number(r["coverage"]), number(r["median_error"], 1),
        number(c["given"]), number(c["coverage"]), number(c["median_error"], 1), percent(sum(covered), len(covered)),
        number(m.log_loss(score.pairs)),
    )


def figures_by(score):
    return "\n\n".join(
        table(FIGURES_HEADER, [figures_row(label, subset(score, keep)) for label, keep in by])
        for by in (by_sampling(score), BY_FILES)
    )


def rival_rows(score, rivals):
    rows = []
    for name, s in [("**patency**", score)] + list(rivals.items()):
        told, asked = s.recall()
        balanced, _ = m.balanced_accuracy(s.tellable, said)
        lead = [(t.alarm - f.visible_from) / 60 for _, t, f in s.pairs
                if t.alarm is not None and f.visible_from is not None and t.course == "gradual" and t.obstructive]
        onset = m.onsets(s.pairs)
        rows.append((
            name, percent(told, asked), per_100_h(s.false_count(), s.hours()), number(balanced),
            number(m.log_loss(s.pairs)), duration(onset["step"]["median_s"]), duration(onset["gradual"]["median_s"]),
            number(m.percentile(lead, 50), 0),
        ))
    return table(("method", "recall", "false per 100 channel-hours", "balanced accuracy", "log loss", "median step onset error",
                  "median gradual onset error", "median lead of gradual ones, min"), rows)


def doubtful(score):
    pairs = [p for p in score.pairs if not p[1].can_tell]
    unsure = sum(f.suggested == m.UNDETERMINED for _, _, f in pairs)
    wrong = sum(f.suggested not in (m.UNDETERMINED, t.site) for _, t, f in pairs)
    return (
        f"Of {len(pairs)} episodes of which the record cannot tell the site, even in principle, {percent(unsure, len(pairs))} "
        f"were called `undetermined` and {percent(wrong, len(pairs))} got a wrong site."
    )


def markdown(measured, speed, made):
    """The whole part, in full of the first generator that was measured. `speed` is what `speed.py` measured; `made` says how it
    came about."""
    score, rivals = measured[0].score, measured[0].rivals
    second = "\n\n".join(on_second(one) for one in measured[1:])
    wrong_there = sum(len(o.splits) for _, o in score.outcomes)
    times = sorted(r.took_s for r in score.records)
    return f"""## Reviews of made records

Measured on {len(score.records)} made records, {score.hours():.0f} channel-hours{made["whose"]}. Made anew by

    {made["command"]}

{made["how"]}

**What this can and cannot show.** No open data of infusion-pump line pressure exists, so the truth here is the simulator's.
Its physics differs from the model that the analysis fits, where real lines differ: pulsation and stick-slip,
start-up lag, compliance that falls with pressure, filters that load unevenly and by mixed mechanisms, catheters that narrow
in fits and starts, a vein that wanders, coughs, drift, gaps, line files that are off by up to a quarter. It is still a simulator:
these figures say how well the method works where its physics holds, not how often lines block nor how the
program does on your ward. The ranges from which records are drawn are wide on purpose; sites are about even, which no ward has.

### In short

{in_short(measured, speed)}

![Reliability, confusion, figures by sampling and by method](docs/accuracy.png)

### Sites

Episodes that were found and of which the record, with the files that came with it, can tell the site. The rows are
true, the columns what the review named.

{confusion(score, score.tellable)}

{doubtful(score)}

### Causes

{causes(score)}

{wrong_there} further found episodes were parts of a true one that had been found already.

### By how far the pressure moved

Obstructions only. What moves the pressure by a few mmHg (a wide catheter, a low rate) is hidden by noise, rounding, drift and
the vein's own pressure, whoever reads the record.

{effect_rows(score)}

The same recall by how far the pressure moved in multiples of what hides it (noise, rounding, half the pulsation, three times the
vein's wander; 2 mmHg at least), of those that were alone and of those before, during or within ten minutes of which another true
episode moved the pressure of the same channels.

{plain_rows(score)}

### Are the probabilities right?

{calibration(score)}

### Onset

{onset_rows(score)}

What came at once while all its pumps rested ({at_rest(score)} of these) is asked for from the restart on: a block hinders a flow, and at rest
nothing flows that could show when a clamp was closed. An onset that a review puts into the rest, or before it, is off by
its distance from the restart. What came in a gap of the log ({silent(score)} of these) is asked for anywhere in the gap: nothing was written
there that could show when; its interval must hold the moment all the same. What grows passes its level whether anything flows or not.

How close an onset can be told goes by how far the pressure moves meanwhile. Behind a block it climbs no faster than the pumps fill
what gives way, and a supply that stopped lowers it by R·Q at most. Step onsets by how far it can have moved within the minute or the two
sample periods in which they are close, in multiples of what hides it (noise, rounding, half the pulsation, three times the vein's
wander, 2 mmHg at least):

{first_move_rows(score)}

### Lead before the alarm

From `visible_from` (the record read only up to then already showed it) to the occlusion alarm, of obstructions that led to one.

{lead_rows(score)}

### Resistance, compliance, outlet pressure, release volume

{line_rows(score)}

### By sampling, rounding, channels and files

{groups(score)}

### Resistance (R), compliance (C), onsets and probabilities by sampling and files

{figures_by(score)}

{second}
### Beside what else one could do

{rival_rows(score, rivals)}

*Alarm only*: an episode is an occlusion alarm; the site named is always the catheter. *Threshold rule*: five minutes at 1.5 times the
first hour's median and 20 mmHg above it; one channel alone is its tubing, else slow is the filter. *Change-point library*:
ruptures, change of the mean of the minutes' medians, with hand rules. Their rules were written down once and not tuned.

### How it was matched

{made["rule"]}

**Whether the record can tell** is worked out from the simulation, never from a review: the rules stand in
`src/simulate/can_tell.rs`. A reason counts only where the file that it takes came with the record. Asked are: filter or catheter, of
what grows (with pauses of half an hour together, a flow that doubled or halved, jumps after two pauses or one that dwarfs the growth
about it, a deed with ten minutes of flow after it, or what the files say of the circumstances); one channel's tubing or the line
below, of what comes at once (with a reading of another channel from while the block stood, or readings that show it there, gone and
there again); a knock or a block, of an artefact that alarmed (with a reading that shows that nothing was held up, or that
there was no time to climb); a pump raised or lowered, or a partial block or a dry supply, of each of the three (at one flow P = P_out + R·Q
has two unknowns: it takes two flows while it lasts and two beside it, a rise whose speed the readings show, a pressure that no pole gives,
another channel that a dry supply would have moved otherwise, or a word of it). An alarm that a touch rang on a line that an obstruction
held up is the obstruction's, where it held the greater part. All other episodes count as told.

Review of a record took {statistics.median(times):.2f} s at the median and {max(times):.1f} s at most, process start and reading of the files included,
with as many at a time as there were jobs. A record of 24 h, 1 Hz and two channels ({speed["rows"]} rows) took {speed["median_s"]:.2f} s at the
median of {speed["runs"]} runs on one core ({speed["low_s"]:.2f} to {speed["high_s"]:.2f} s).
"""
