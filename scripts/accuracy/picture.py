"""The picture of ACCURACY.md: reliability, confusion, figures by sampling, methods side by side."""

import matplotlib

matplotlib.use("Agg")
import matplotlib.pyplot as plt

import measures as m
from records import SITES
from report import subset

INK = "#222222"
# told apart by people with colour-blindness and in grey print: dark blue, orange, light grey-blue
DARK, WARM, PALE = "#1b4f72", "#d9822b", "#a9bfcf"


def draw(score, rivals, path):
    plt.rcParams.update({"font.size": 9, "axes.edgecolor": INK, "axes.spines.top": False, "axes.spines.right": False})
    figure, axes = plt.subplots(2, 2, figsize=(11, 8.5), constrained_layout=True)
    reliability(axes[0][0], score)
    confusion(axes[0][1], score)
    sampling(axes[1][0], score)
    methods(axes[1][1], score, rivals)
    figure.savefig(path, dpi=110, metadata={"Software": None})
    plt.close(figure)


def reliability(ax, score):
    rows, error = m.reliability(score.pairs)
    ax.plot([0, 1], [0, 1], color="0.6", linewidth=1, linestyle="--")
    for n, p, right in rows:
        if n:
            low, high = m.wilson(right * n, n)
            ax.plot([p, p], [low, high], color=DARK, linewidth=1.5)
            ax.plot(p, right, "o", color=DARK, markersize=5)
            ax.annotate(f"{n}", (p, right), xytext=(6, -10), textcoords="offset points", color=INK, fontsize=8)
    ax.set(xlim=(0, 1.02), ylim=(0, 1.02), xlabel="probability of the likeliest site", ylabel="share right (95 %)",
           title=f"Reliability: calibration error {error:.3f} (numbers: episodes)")


def confusion(ax, score):
    columns = list(SITES) + [m.UNDETERMINED]
    cells = score.site_table(score.tellable, lambda f: f.suggested)
    shares = [[cells[s].get(c, 0) / max(sum(cells[s].values()), 1) for c in columns] for s in SITES]
    ax.imshow(shares, cmap="Blues", vmin=0, vmax=1, aspect="auto")
    for i, site in enumerate(SITES):
        for j, column in enumerate(columns):
            count = cells[site].get(column, 0)
            if count:
                ax.text(j, i, count, ha="center", va="center", color="white" if shares[i][j] > 0.5 else INK)
    ax.set_xticks(range(len(columns)), columns, rotation=35, ha="right")
    ax.set_yticks(range(len(SITES)), SITES)
    ax.set(ylabel="true site", xlabel="named site", title="Sites, where the record can tell (episodes)")


def sampling(ax, score):
    periods = sorted({r.period_s for r in score.records if not r.on_change})
    by = [(f"{p:g} s", lambda r, p=p: not r.on_change and r.period_s == p) for p in periods]
    by.append(("on\nchange", lambda r: r.on_change))
    recalls, balanced = [], []
    for _, keep in by:
        part = subset(score, keep)
        told, asked = part.recall()
        recalls.append(m.share(told, asked))
        balanced.append(m.balanced_accuracy(part.tellable, lambda f: f.suggested)[0])
    at = range(len(by))
    ax.plot(at, recalls, "o-", color=DARK, label="recall of obstructions")
    ax.plot(at, balanced, "s--", color=WARM, label="balanced site accuracy")
    ax.set_xticks(list(at), [label for label, _ in by])
    ax.set(ylim=(0, 1.02), xlabel="a row every", ylabel="share", title="By sampling")
    ax.legend(frameon=False, loc="upper center", bbox_to_anchor=(0.5, -0.18), ncol=2)


def methods(ax, score, rivals):
    rows = [("patency", score)] + list(rivals.items())
    recalls = [m.share(*s.recall()) for _, s in rows]
    balanced = [m.balanced_accuracy(s.tellable, lambda f: f.suggested)[0] for _, s in rows]
    false = [100 * s.false_count() / s.hours() for _, s in rows]
    at = range(len(rows))
    ax.bar([x - 0.2 for x in at], recalls, 0.38, color=DARK, label="recall of obstructions")
    ax.bar([x + 0.2 for x in at], balanced, 0.38, color=PALE, edgecolor=INK, hatch="//", label="balanced site accuracy")
    for x, count in zip(at, false):
        ax.text(x, 1.02, f"{count:.2f} false\nper 100 h", ha="center", va="bottom", fontsize=8, color=INK)
    ax.set_xticks(list(at), [name.replace(" ", "\n") for name, _ in rows])
    ax.set(ylim=(0, 1.3), ylabel="share", title="Beside what else one could do")
    ax.set_yticks([0, 0.25, 0.5, 0.75, 1])
    ax.legend(frameon=False, loc="upper center", bbox_to_anchor=(0.5, -0.18), ncol=2)
