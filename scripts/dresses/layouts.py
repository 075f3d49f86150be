"""Forms of a whole file: delimiters, encodings, headers, layouts, workbooks, several files."""

from datetime import datetime, timedelta
from unicodedata import normalize

from judge import Dress
from records import CHANNEL, FIGURES, LIMIT, LOCAL, PRESSURE, RATE, VOLUME, cells, changed, comma, local, moved, named, number, one, read, stamp, stretched, text, workbook

A, A_EVENTS = read("clamp-on-one-channel", first=500, rows=240)
B, B_EVENTS = read("filter-loads", every=3)
C, C_EVENTS = read("catheter-positional", rows=200)
LONG = moved(stretched(B, 6), datetime(2031, 3, 11, 8, 0, tzinfo=LOCAL))
WHOLE = [stamp(), CHANNEL, *FIGURES]
CLOCK = {"trace.zone": "+01:00"}
DATE = {"trace.zone": "+01:00", "trace.date_order": "dmy"}


def dress(name, data, truth=A, file="export.csv", **more):
    return Dress(name, {file: data}, truth=truth, **more)


def plain_files():
    german = [local("%d.%m.%Y %H:%M:%S", "Zeit"), named("Kanal", CHANNEL), named("Druck [mmHg]", PRESSURE), named("Förderrate [ml/h]", RATE), named("Volumen [ml]", VOLUME), named("Druckgrenze [mmHg]", LIMIT)]
    french = [local("%d/%m/%Y %H:%M:%S", "Date et heure"), named("Voie", CHANNEL), named("Pression [mmHg]", PRESSURE), named("Débit [ml/h]", RATE), named("Volume perfusé [ml]", VOLUME), named("Seuil de pression [mmHg]", LIMIT)]
    spanish = [local("%d/%m/%Y %H:%M:%S", "Fecha y hora"), named("Canal", CHANNEL), named("Presión [mmHg]", PRESSURE), named("Velocidad [ml/h]", RATE), named("Volumen infundido [ml]", VOLUME), named("Límite de presión [mmHg]", LIMIT)]
    italian = [local("%d/%m/%Y %H:%M:%S", "Data e ora"), named("Canale", CHANNEL), named("Pressione [mmHg]", PRESSURE), named("Velocità [ml/h]", RATE), named("Volume infuso [ml]", VOLUME), named("Limite di pressione [mmHg]", LIMIT)]
    polish = [local("%d.%m.%Y %H:%M:%S", "Czas"), named("Kanał", CHANNEL), named("Ciśnienie [mmHg]", PRESSURE), named("Prędkość [ml/h]", RATE), named("Objętość [ml]", VOLUME), named("Limit ciśnienia [mmHg]", LIMIT)]
    dutch = [local("%d-%m-%Y %H:%M:%S", "Tijd"), named("Kanaal", CHANNEL), named("Druk [mmHg]", PRESSURE), named("Snelheid [ml/h]", RATE), named("Volume [ml]", VOLUME), named("Druklimiet [mmHg]", LIMIT)]
    base = text(A, WHOLE)
    yield dress("plain", base)
    yield dress("plain, three minutes", text(B, WHOLE), B)
    yield dress("plain, twenty seconds", text(C, WHOLE), C)
    yield dress("semicolons", text(A, WHOLE, ";"))
    yield dress("tabs", text(A, WHOLE, "\t"), file="export.txt")
    yield dress("bars", text(A, WHOLE, "|"), file="export.txt")
    decimal = [stamp(), CHANNEL, *map(comma, FIGURES)]
    yield dress("decimal comma, semicolons", text(A, decimal, ";"))
    yield dress("decimal comma, quoted", text(A, decimal, ","))
    yield dress("decimal comma, tabs", text(B, decimal, "\t"), B, file="export.txt")
    yield dress("byte order mark", b"\xef\xbb\xbf" + base.encode())
    yield dress("UTF-16 little", b"\xff\xfe" + base.encode("utf-16-le"))
    yield dress("UTF-16 big", b"\xfe\xff" + base.encode("utf-16-be"))
    yield dress("UTF-16 without mark", base.encode("utf-16-le"))
    yield dress("line ends CR LF", text(A, WHOLE, end="\r\n"))
    yield dress("line ends CR", text(A, WHOLE, end="\r"))
    yield dress("everything quoted", text(A, WHOLE, quote=True))
    yield dress("every name quoted by apostrophes around cells", text(A, [stamp(), changed(CHANNEL, lambda c, r: f" {c} "), *FIGURES]))
    yield dress("spaces after commas", text(A, WHOLE).replace(",", ", "))
    yield dress("trailing delimiter", "\n".join(line + ";" for line in text(A, WHOLE, ";").splitlines()) + "\n")
    yield dress("sep line", "sep=;\n" + text(A, WHOLE, ";"))
    yield dress("lines of a comment", text(A, WHOLE, above=["# made record", "# second line"]))
    yield dress("heading above", text(A, WHOLE, above=["Infusion record", "Printed by the ward", ""]))
    yield dress("pairs above", text(A, WHOLE, ";", above=["Unit;north", "Software;1.2", "Printed;2031-03-10", ""]))
    yield dress("footer", text(A, WHOLE, below=["", "End of record"]))
    yield dress("footer of sums", text(A, WHOLE, ";", below=["Total;;;;12.3;"]))
    lines = base.splitlines()
    yield dress("empty lines between", "\n".join(line + ("\n" if i % 50 == 0 else "") for i, line in enumerate(lines)))
    yield dress("empty rows at the end", base + ",,,,,\n" * 40)
    yield dress("header again, the same", "\n".join(line + ("\n" + lines[0] if i and i % 200 == 0 else "") for i, line in enumerate(lines)) + "\n")
    yield dress("last line cut off: its row is left out and shown", base[: len(base) - 8], A[:-1])
    yield dress("newest first", text(A[::-1], WHOLE))
    yield dress("by channel", text(sorted(A, key=lambda r: r.channel), WHOLE))
    yield dress("row number first", text(A, [("No.", lambda r, n=iter(range(1, 10**6)): str(next(n))), *WHOLE]))
    bare = [("Time", stamp()[1]), CHANNEL, named("Pressure", PRESSURE), named("Rate", RATE), named("Volume", VOLUME), named("Pressure limit", LIMIT)]
    units = ["", "", "mmHg", "ml/h", "ml", "mmHg"]
    yield dress("row of units", text(A, bare, units=units))
    yield dress("row of units in brackets", text(A, bare, units=["[-]", "[-]", "[mmHg]", "[ml/h]", "[ml]", "[mmHg]"]))
    yield dress("row of units above the header", ",".join(units) + "\n" + text(A, bare))
    yield dress("three lines of header", ",".join(n for n, _ in bare) + "\n" + ",".join(units) + "\nlocal,pump,outlet,set,delivered,alarm\n" + text(A, bare, header=False))
    yield dress("line break in the header", text(A, [stamp(), CHANNEL, named("Pressure\n[mmHg]", PRESSURE), named("Rate\n[ml/h]", RATE), named("Volume\n[ml]", VOLUME), named("Pressure limit\n[mmHg]", LIMIT)]))
    yield dress("units in parentheses", text(A, [stamp(), CHANNEL, *(named(n.replace("[", "(").replace("]", ")"), (n, f)) for n, f in FIGURES)]))
    yield dress("units after an underscore", text(A, [stamp(), CHANNEL, named("pressure_mmHg", PRESSURE), named("rate_mL_h", RATE), named("volume_mL", VOLUME), named("limit_mmHg", LIMIT)]), native=True)
    yield dress("units after a slash and comma", text(A, [stamp(), CHANNEL, named("Pressure, mmHg", PRESSURE), named("Rate, ml/h", RATE), named("Volume, ml", VOLUME), named("Pressure limit, mmHg", LIMIT)]))
    yield dress("names in another language that no word list holds", text(A, [stamp("Aeg"), named("Kanal nr", CHANNEL), named("Xrõhk [mmHg]", PRESSURE), named("Xkiirus [ml/h]", RATE), named("Xmaht [ml]", VOLUME)]), answers={"trace.channel": "Kanal nr"}, figures=("pressure", "rate", "volume"))
    for language, columns in [("German", german), ("French", french), ("Spanish", spanish), ("Italian", italian), ("Polish", polish), ("Dutch", dutch)]:
        yield dress(f"{language} names", text(LONG, columns, ";"), LONG, answers=CLOCK)
        yield dress(f"{language} names, decimal comma, code page", text(LONG, [columns[0], columns[1], *map(comma, columns[2:])], ";").encode("cp1250" if language == "Polish" else "cp1252"), LONG, answers=CLOCK | {"trace.encoding": "windows-1250" if language == "Polish" else "windows-1252"})
    yield dress("decomposed and composed letters in one channel", text(A, [stamp(), changed(CHANNEL, lambda c, r: normalize("NFD" if r.time.second % 20 else "NFC", "Präparat") if c == "pn" else c), *FIGURES]), [r if r.channel != "pn" else type(r)(r.time, "Präparat", r.pressure, r.rate, r.volume, r.limit) for r in A])
    yield dress("channel in capitals now and then", text(A, [stamp(), changed(CHANNEL, lambda c, r: c.upper() if c == "pn" and r.time.minute == 40 else c), *FIGURES]), expect="ask", trap="channel|PN")
    yield dress("numbers as channels", text(A, [stamp(), changed(CHANNEL, lambda c, r: "1" if c == "pn" else "2"), *FIGURES]), [type(r)(r.time, "1" if r.channel == "pn" else "2", r.pressure, r.rate, r.volume, r.limit) for r in A])
    yield dress("one channel, no column for it", text(one(A), [stamp(), *FIGURES]), one(A), channels=False)
    yield dress("further columns", text(A, [*WHOLE, ("Battery [%]", lambda r: "87"), ("Comment", lambda r: "")]))
    yield dress("column of the staff", text(A, [*WHOLE, ("Nurse", lambda r: "N. Maderup")]))
    yield dress("columns in another order", text(A, [LIMIT, VOLUME, RATE, PRESSURE, CHANNEL, stamp()]))
    yield dress("spaces between aligned columns", "\n".join(f"{a:<28}{b:<10}{c:>10}{d:>8}" for a, b, c, d in [("time", "channel", "pressure_mmHg", "rate_mL_h")] and [("Time", "Channel", "P[mmHg]", "[ml/h]")] + [tuple(x) for x in cells(A, WHOLE[:4])]) + "\n", file="export.txt", figures=("pressure", "rate"))


def layouts():
    paired = list(zip(one(A), one(A, "lipid")))
    wide = [["Time", "pn Pressure [mmHg]", "pn Rate [ml/h]", "lipid Pressure [mmHg]", "lipid Rate [ml/h]"]] + [[a.time.isoformat(), a.pressure, a.rate, b.pressure, b.rate] for a, b in paired]
    join = lambda rows, mark=",": "\n".join(mark.join(r) for r in rows) + "\n"
    yield dress("one column for each channel and figure", join(wide), figures=("pressure", "rate"))
    yield dress("two lines of header: channel above figure", join([["", "pn", "", "lipid", ""], ["Time", "Pressure [mmHg]", "Rate [ml/h]", "Pressure [mmHg]", "Rate [ml/h]"]] + wide[1:]), figures=("pressure", "rate"))
    yield dress("figure then channel", join([["Time", "Pressure pn [mmHg]", "Rate pn [ml/h]", "Pressure lipid [mmHg]", "Rate lipid [ml/h]"]] + wide[1:]), figures=("pressure", "rate"))
    long = [["Time", "Channel", "Parameter", "Value", "Unit"]] + [[r.time.isoformat(), r.channel, n, v, u] for r in A for n, v, u in (("Pressure", r.pressure, "mmHg"), ("Rate", r.rate, "ml/h"), ("Volume", r.volume, "ml"))]
    yield dress("one row for each value", join(long), figures=("pressure", "rate", "volume"))
    yield dress("one row for each value, other figures between", join([row for r in long for row in ([r] if r[2] != "Rate" else [r, [*r[:2], "Battery", "88", "%"]])]), figures=("pressure", "rate", "volume"))
    bare = [["Time", "Channel", "Parameter", "Value"]] + [[*r[:2], f"{r[2]} [{r[4]}]", r[3]] for r in long[1:]]
    yield dress("one row for each value, unit in the name", join(bare), figures=("pressure", "rate", "volume"))
    mixed = [r if not (r[2] == "Pressure" and i > 900) else [*r[:3], f"{float(r[3]) / 7.50062:.3f}", "kPa"] for i, r in enumerate(long)]
    yield dress("one row for each value, another unit half-way", join(mixed), figures=("pressure", "rate", "volume"), expect="ask", trap="kPa|unit")

    def on_change(rows, fields):
        last, out = {}, []
        for r in rows:
            row = [r.time.isoformat(), r.channel]
            for f in fields:
                value = getattr(r, f)
                row.append("" if last.get((r.channel, f)) == value else value)
                last[(r.channel, f)] = value
            out.append(row)
        return out
    head = [["Time", "Channel", "Pressure [mmHg]", "Rate [ml/h]", "Volume [ml]", "Pressure limit [mmHg]"]]
    held = {"trace.holds": "true"}
    yield dress("rate and limit only on change", join(head + [[r[0], r[1], full.pressure, r[3], full.volume, r[5]] for r, full in zip(on_change(A, ("pressure", "rate", "volume", "limit")), A)]), answers=held, expect="ask", trap="holds|change|empty")
    yield dress("everything only on change", join(head + on_change(A, ("pressure", "rate", "volume", "limit"))), answers={"trace.holds": "all"}, expect="ask", trap="holds|change|empty")
    apart = [["Time", "Channel", "Pressure [mmHg]", "Rate [ml/h]"]] + [row for r in A for row in ([r.time.isoformat(), r.channel, r.pressure, ""], [r.time.isoformat(), r.channel, "", r.rate])]
    yield dress("each figure in a row of its own", join(apart), figures=("pressure", "rate"))


def workbooks():
    grid = [[n for n, _ in WHOLE]] + [[number(c) if i > 1 else c for i, c in enumerate(row)] for row in cells(A, WHOLE)]
    dated = [grid[0]] + [[r.time.replace(tzinfo=None), *row[1:]] for r, row in zip(A, grid[1:])]
    texts = [[n for n, _ in WHOLE]] + cells(A, WHOLE)
    yield dress("workbook", workbook({"Trace": grid}), file="export.xlsx")
    yield dress("workbook with dates", workbook({"Trace": dated}), file="export.xlsx", answers=CLOCK)
    yield dress("workbook of texts", workbook({"Trace": texts}), file="export.xlsx")
    yield dress("workbook, heading above", workbook({"Trace": [["Infusion record"], ["Ward", "north"], []] + grid}), file="export.xlsx")
    yield dress("workbook, empty sheet first", workbook({"Empty": [], "Trace": grid}), file="export.xlsx")
    yield dress("workbook, row of units", workbook({"Trace": [["Time", "Channel", "Pressure", "Rate", "Volume", "Pressure limit"], ["", "", "mmHg", "ml/h", "ml", "mmHg"]] + grid[1:]}), file="export.xlsx")
    half = {c: [grid[0][:1] + grid[0][2:]] + [r[:1] + r[2:] for r in grid[1:] if r[1] == c] for c in ("pn", "lipid")}
    yield dress("workbook, one sheet for each pump", workbook(half), file="export.xlsx", expect="ask", trap="sheet", answers={"trace.sheet*": "*"})
    yield dress("workbook, notes in a second sheet", workbook({"Notes": [["made", "by", "hand"]], "Trace": grid}), file="export.xlsx")
    yield dress("workbook, hidden sheet of names", workbook({"Trace": grid, "Names": [["Name"], ["A. Person"]]}, hidden=("Names",)), file="export.xlsx")
    events = [["Time", "Channel", "Event", "Detail"]] + [[e.time.isoformat(), e.channel, e.event, e.detail] for e in A_EVENTS]
    yield Dress("workbook, events in a sheet", {"export.xlsx": workbook({"Trace": grid, "Events": events})}, truth=A, events="export.xlsx", happened=A_EVENTS)


def several():
    half = len(A) // 2
    first, rest = A[:half], A[half:]
    whole = text(first, WHOLE)
    yield Dress("two halves", {"a.csv": whole, "b.csv": text(rest, WHOLE)}, truth=A, others=["b.csv"])
    kpa = [stamp(), CHANNEL, named("Pressure [kPa]", (0, lambda r: f"{float(r.pressure) / 7.50062:.3f}")), RATE, VOLUME, LIMIT]
    yield Dress("second half in kPa", {"a.csv": whole, "b.csv": text(rest, kpa)}, truth=A, others=["b.csv"], expect="ask", trap="kPa|unit|column|header|`Pressure")
    swapped = [stamp(), CHANNEL, LIMIT, RATE, VOLUME, PRESSURE]
    yield Dress("second half in another order of columns", {"a.csv": whole, "b.csv": text(rest, swapped)}, truth=A, others=["b.csv"])
    pumps = {c: text(one(A, c), [stamp(), *FIGURES]) for c in ("pn", "lipid")}
    yield Dress("two pumps in two files, no channel", {"pn.csv": pumps["pn"], "lipid.csv": pumps["lipid"]}, others=["lipid.csv"], channels=False, expect="ask", trap="channel|pump")
    bare = [stamp(), CHANNEL, named("Pressure", PRESSURE), named("Rate", RATE), named("Volume", VOLUME), named("Pressure limit", LIMIT)]
    units = ["", "", "mmHg", "ml/h", "ml", "mmHg"]
    yield Dress("mapping of last month, now kPa in the row of units", {"new.csv": text(rest, [*bare[:2], named("Pressure", kpa[2]), *bare[3:]], units=["", "", "kPa", "ml/h", "ml", "mmHg"]), "old.csv": text(first, bare, units=units)}, reuse="old.csv", expect="ask", trap="kPa|unit")
    yield Dress("mapping of last month, now kPa in the header", {"new.csv": text(rest, kpa), "old.csv": text(first, WHOLE)}, reuse="old.csv", expect="ask", trap="kPa|unit|column|Pressure")
    yield Dress("mapping of last month, now without the row of units", {"new.csv": text(rest, bare), "old.csv": text(first, bare, units=units)}, truth=rest, reuse="old.csv", expect="ask", trap="unit|line|header")
    yield Dress("mapping of last month, heading one line longer", {"new.csv": text(rest, WHOLE, above=["Record", "Ward", "Copy"]), "old.csv": text(first, WHOLE, above=["Record", "Ward"])}, truth=rest, reuse="old.csv", expect="ask", trap="header|line")
    yield Dress("mapping of last month, columns in another order", {"new.csv": text(rest, swapped), "old.csv": text(first, WHOLE)}, truth=rest, reuse="old.csv")


def all_of_them():
    for part in (plain_files, layouts, workbooks, several):
        yield from part()
