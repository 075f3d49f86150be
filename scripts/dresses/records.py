"""Made records, their rows and the ways in which a column of them can be written."""

import csv
import io
import zipfile
from dataclasses import dataclass, replace
from datetime import datetime, timedelta, timezone
from pathlib import Path

SAMPLES = Path(__file__).resolve().parents[2] / "sample-traces"
LOCAL = timezone(timedelta(hours=1))  # the samples are written in March, at +01:00


@dataclass(frozen=True)
class Row:
    """One row of a record; the figures stay the text that they were."""

    time: datetime
    channel: str
    pressure: str
    rate: str
    volume: str
    limit: str


@dataclass(frozen=True)
class Event:
    time: datetime
    channel: str
    event: str
    detail: str


def read(name, every=1, first=0, rows=10**9):
    """Rows `first`.. of a sample, one instant in `every`, and the events within them."""
    with open(SAMPLES / name / "trace.csv", encoding="utf-8") as file:
        table = [Row(datetime.fromisoformat(r["time"]), r["channel"], r["pressure_mmhg"], r["rate_ml_h"], r["volume_ml"], r["limit_mmhg"]) for r in csv.DictReader(file)]
    times = sorted({r.time for r in table})[first::every][:rows]
    kept = set(times)
    table = [r for r in table if r.time in kept]
    with open(SAMPLES / name / "events.csv", encoding="utf-8") as file:
        events = [Event(datetime.fromisoformat(r["time"]), r["channel"], r["event"], r["detail"]) for r in csv.DictReader(file)]
    return table, [e for e in events if times[0] <= e.time <= times[-1]]


def one(rows, channel="pn"):
    return [r for r in rows if r.channel == channel]


def stretched(rows, factor):
    """The same rows, `factor` times as slow."""
    start = rows[0].time
    return [replace(r, time=start + (r.time - start) * factor) for r in rows]


def moved(rows, start):
    """The same rows from another start on."""
    return [replace(r, time=start + (r.time - rows[0].time)) for r in rows]


# ---- columns: each is (name, row -> text)

def local(pattern, name="Time"):
    return name, lambda r: r.time.astimezone(LOCAL).strftime(pattern)


def stamp(name="Time"):
    return name, lambda r: r.time.isoformat()


def plain(value):
    text = f"{value:.6f}".rstrip("0").rstrip(".")
    return "0" if text in ("", "-0") else text


def scaled(name, field, factor, places):
    return name, lambda r: f"{float(getattr(r, field)) * factor:.{places}f}" if getattr(r, field) else ""


CHANNEL = ("Channel", lambda r: r.channel)
PRESSURE = ("Pressure [mmHg]", lambda r: r.pressure)
RATE = ("Rate [ml/h]", lambda r: r.rate)
VOLUME = ("Volume [ml]", lambda r: r.volume)
LIMIT = ("Pressure limit [mmHg]", lambda r: r.limit)
FIGURES = [PRESSURE, RATE, VOLUME, LIMIT]


def comma(column):
    name, of = column
    return name, lambda r: of(r).replace(".", ",")


def named(name, column):
    return name, column[1]


def changed(column, change):
    return column[0], lambda r: change(column[1](r), r)


def cells(rows, columns):
    return [[of(r) for _, of in columns] for r in rows]


def text(rows, columns, delimiter=",", end="\n", above=(), units=None, header=True, below=(), quote=False):
    """A delimited text of these columns."""
    out = io.StringIO()
    writer = csv.writer(out, delimiter=delimiter, lineterminator=end, quoting=csv.QUOTE_ALL if quote else csv.QUOTE_MINIMAL)
    for line in above:
        out.write(line + end)
    if header:
        writer.writerow([n for n, _ in columns])
    if units:
        writer.writerow(units)
    writer.writerows(cells(rows, columns))
    for line in below:
        out.write(line + end)
    return out.getvalue()


def workbook(sheets, hidden=(), dated=()):
    """A workbook: {sheet: rows of cells}; numbers are numbers, a `datetime` is a date cell."""
    def letter(i):
        return chr(65 + i) if i < 26 else chr(64 + i // 26) + chr(65 + i % 26)

    def escape(s):
        return s.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")

    def cell(at, value):
        if value is None or value == "":
            return ""
        if isinstance(value, datetime):
            serial = (value.replace(tzinfo=None) - datetime(1899, 12, 30)) / timedelta(days=1)
            return f'<c r="{at}" s="1"><v>{serial!r}</v></c>'
        if isinstance(value, (int, float)):
            return f'<c r="{at}"><v>{value!r}</v></c>'
        return f'<c r="{at}" t="inlineStr"><is><t xml:space="preserve">{escape(value)}</t></is></c>'

    head = '<?xml version="1.0" encoding="UTF-8" standalone="yes"?>\n'
    main = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
    rel = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
    package = "http://schemas.openxmlformats.org/package/2006"
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as z:
        names = list(sheets)
        z.writestr("[Content_Types].xml", head + f'<Types xmlns="{package}/content-types"><Default Extension="rels" ContentType="application/vnd.openxmlformats-package.relationships+xml"/><Default Extension="xml" ContentType="application/xml"/><Override PartName="/xl/workbook.xml" ContentType="application/vnd.openxmlformats-officedocument.spreadsheetml.sheet.main+xml"/><Override PartName="/xl/styles.xml" ContentType="application/vnd.openxmlformats-officedocument.spreadsheetml.styles+xml"/>' + "".join(f'<Override PartName="/xl/worksheets/sheet{i + 1}.xml" ContentType="application/vnd.openxmlformats-officedocument.spreadsheetml.worksheet+xml"/>' for i in range(len(names))) + "</Types>")
        z.writestr("_rels/.rels", head + f'<Relationships xmlns="{package}/relationships"><Relationship Id="rId1" Type="{rel}/officeDocument" Target="xl/workbook.xml"/></Relationships>')
        z.writestr("xl/workbook.xml", head + f'<workbook xmlns="{main}" xmlns:r="{rel}"><sheets>' + "".join(f'<sheet name="{escape(n)}" sheetId="{i + 1}"{" state=" + chr(34) + "hidden" + chr(34) if n in hidden else ""} r:id="rId{i + 1}"/>' for i, n in enumerate(names)) + "</sheets></workbook>")
        z.writestr("xl/_rels/workbook.xml.rels", head + f'<Relationships xmlns="{package}/relationships">' + "".join(f'<Relationship Id="rId{i + 1}" Type="{rel}/worksheet" Target="worksheets/sheet{i + 1}.xml"/>' for i in range(len(names))) + f'<Relationship Id="rId{len(names) + 1}" Type="{rel}/styles" Target="styles.xml"/></Relationships>')
        z.writestr("xl/styles.xml", head + f'<styleSheet xmlns="{main}"><numFmts count="1"><numFmt numFmtId="164" formatCode="yyyy\\-mm\\-dd\\ hh:mm:ss"/></numFmts><fonts count="1"><font/></fonts><fills count="1"><fill/></fills><borders count="1"><border/></borders><cellStyleXfs count="1"><xf/></cellStyleXfs><cellXfs count="2"><xf/><xf numFmtId="164" applyNumberFormat="1"/></cellXfs></styleSheet>')
        for i, name in enumerate(names):
            body = "".join(f'<row r="{n + 1}">' + "".join(cell(f"{letter(c)}{n + 1}", v) for c, v in enumerate(row)) + "</row>" for n, row in enumerate(sheets[name]))
            z.writestr(f"xl/worksheets/sheet{i + 1}.xml", head + f'<worksheet xmlns="{main}"><sheetData>{body}</sheetData></worksheet>')
    return out.getvalue()


def number(value):
    """A cell of a workbook: the number where it is one."""
    try:
        return float(value)
    except ValueError:
        return value
