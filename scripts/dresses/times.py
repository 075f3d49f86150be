"""Forms of times."""

from dataclasses import replace
from datetime import datetime, timedelta, timezone

from judge import Dress
from layouts import A, B, C, CLOCK, DATE, LONG, dress
from records import CHANNEL, FIGURES, LOCAL, comma, local, moved, one, read, stamp, stretched, text

MONTHS = {
    "English": "January February March April", "German": "Januar Februar März April", "French": "janvier février mars avril",
    "Spanish": "enero febrero marzo abril", "Italian": "gennaio febbraio marzo aprile", "Polish": "stycznia lutego marca kwietnia",
}
SHORT = {"English": "Jan Feb Mar Apr", "German": "Jan. Feb. März Apr.", "French": "janv. févr. mars avr.", "Spanish": "ene. feb. mar. abr.", "Italian": "gen feb mar apr", "Polish": "sty lut mar kwi"}
DAYS = {"English": "Mon Tue Wed Thu Fri Sat Sun", "German": "Mo Di Mi Do Fr Sa So", "French": "lun. mar. mer. jeu. ven. sam. dim.", "Spanish": "lun mar mié jue vie sáb dom", "Italian": "lun mar mer gio ven sab dom", "Polish": "pon. wt. śr. czw. pt. sob. niedz."}
FULL_DAYS = {"English": "Monday Tuesday Wednesday Thursday Friday Saturday Sunday", "German": "Montag Dienstag Mittwoch Donnerstag Freitag Samstag Sonntag"}


def timed(name, of, truth=B, header="Time", **more):
    return dress(name, text(truth, [(header, lambda r: of(r.time)), CHANNEL, *FIGURES], ";"), truth, **more)


def pattern(name, form, truth=LONG, **more):
    return timed(name, lambda t: t.strftime(form), truth, **({"answers": CLOCK} | more))


def calendar():
    yield timed("times at Z", lambda t: t.astimezone(timezone.utc).strftime("%Y-%m-%dT%H:%M:%SZ"))
    yield timed("times with milliseconds", lambda t: t.isoformat(timespec="milliseconds"))
    yield timed("times with a comma before the milliseconds", lambda t: t.strftime("%Y-%m-%d %H:%M:%S,000"), answers=CLOCK)
    yield timed("offset of two digits", lambda t: t.strftime("%Y-%m-%d %H:%M:%S+01"))
    yield timed("offset without a colon", lambda t: t.strftime("%Y-%m-%d %H:%M:%S +0100"))
    yield timed("UTC said in words", lambda t: t.astimezone(timezone.utc).strftime("%Y-%m-%d %H:%M:%S UTC"))
    yield timed("GMT said in words", lambda t: t.astimezone(timezone.utc).strftime("%Y-%m-%d %H:%M:%S GMT"))
    yield timed("zone said as CET", lambda t: t.strftime("%Y-%m-%d %H:%M:%S CET"), answers=CLOCK)
    yield timed("zone in the header", lambda t: t.astimezone(timezone.utc).strftime("%Y-%m-%d %H:%M:%S"), header="Time (UTC)")
    yield timed("offset in the header", lambda t: t.strftime("%Y-%m-%d %H:%M:%S"), header="Time [UTC+01:00]")
    for name, form in [("year first, dashes", "%Y-%m-%d %H:%M:%S"), ("year first, slashes", "%Y/%m/%d %H:%M:%S"), ("year first, points", "%Y.%m.%d %H:%M:%S"), ("day first, points", "%d.%m.%Y %H:%M:%S"), ("day first, slashes", "%d/%m/%Y %H:%M:%S"), ("month first, slashes", "%m/%d/%Y %H:%M:%S"),
                       ("day first, dashes", "%d-%m-%Y %H:%M:%S"), ("two digits of a year", "%d.%m.%y %H:%M:%S"), ("no seconds", "%d.%m.%Y %H:%M"), ("no zeros", "%-d.%-m.%Y %-H:%M:%S"), ("comma between date and time", "%d.%m.%Y, %H:%M:%S"), ("dashes to a database", "%Y-%m-%d-%H.%M.%S.000000"),
                       ("compact", "%Y%m%d%H%M%S"), ("compact with T", "%Y%m%dT%H%M%S"), ("compact with a space", "%Y%m%d %H%M%S"), ("compact with a dash", "%Y%m%d-%H%M%S"), ("points in the clock", "%d.%m.%Y %H.%M.%S"), ("time before date", "%H:%M:%S %d.%m.%Y"), ("letters h", "%d/%m/%Y %Hh%M"), ("Uhr", "%d.%m.%Y %H:%M:%S Uhr"),
                       ("12 hours with AM and PM", "%m/%d/%Y %I:%M:%S %p"), ("12 hours, joined", "%m/%d/%Y %I:%M:%S%p"), ("day of the year", "%Y-%jT%H:%M:%S"), ("a web log's", "%d/%b/%Y:%H:%M:%S +0100"), ("a mail's", "%a, %d %b %Y %H:%M:%S +0100"), ("C's", "%a %b %d %H:%M:%S %Y"), ("month by name", "%d-%b-%Y %H:%M:%S"), ("month by name in capitals", "%d-%b-%y %H:%M:%S"), ("month by name first", "%b %d, %Y %I:%M:%S %p"), ("Japanese", "%Y年%m月%d日 %H:%M:%S")]:
        if name == "month by name in capitals":
            yield timed(name, lambda t, f=form: t.strftime(f).upper(), LONG, answers=CLOCK)
        else:
            yield pattern(name, form, seconds=60 if "%S" not in form else 0.51)
    for name, am, pm in [("a.m. and p.m.", " a.m.", " p.m."), ("am and pm", "am", "pm"), ("a. m.", " a. m.", " p. m."), ("vorm. and nachm.", " vorm.", " nachm.")]:
        yield timed(f"12 hours with {name}", lambda t, a=am, p=pm: t.strftime("%d/%m/%Y %I:%M:%S") + (a if t.hour < 12 else p), LONG, answers=CLOCK)
    for language in MONTHS:
        months, short, days = MONTHS[language].split(), SHORT[language].split(), DAYS[language].split()
        yield timed(f"months in {language}", lambda t, m=months, g=language: f"{t.day}{'.' if g == 'German' else ''} {'de ' if g == 'Spanish' else ''}{m[t.month - 1]} {'de ' if g == 'Spanish' else ''}{t.year} {t:%H:%M:%S}", LONG, answers=CLOCK)
        yield timed(f"short months in {language}", lambda t, m=short: f"{t.day:02} {m[t.month - 1]} {t.year} {t:%H:%M:%S}", LONG, answers=CLOCK)
        yield timed(f"weekday before the date in {language}", lambda t, d=days: f"{d[t.weekday()]} {t:%d.%m.%Y %H:%M:%S}", LONG, answers=CLOCK)
    yield timed("full weekday, German", lambda t: f"{FULL_DAYS['German'].split()[t.weekday()]}, {t.day}. {MONTHS['German'].split()[t.month - 1]} {t.year}, {t:%H:%M} Uhr", LONG, answers=CLOCK, seconds=60)
    yield timed("full weekday, English", lambda t: f"{FULL_DAYS['English'].split()[t.weekday()]}, {MONTHS['English'].split()[t.month - 1]} {t.day}, {t.year} {t:%I:%M:%S %p}", LONG, answers=CLOCK)
    yield pattern("day or month, undecided", "%d/%m/%Y %H:%M:%S", B, expect="ask", trap="date_order", answers=DATE)
    yield pattern("month or day, undecided", "%m/%d/%Y %H:%M:%S", B, expect="ask", trap="date_order", answers={"trace.zone": "+01:00", "trace.date_order": "mdy"})
    yield pattern("two digits each, undecided", "%y-%m-%d %H:%M:%S", LONG, answers={"trace.zone": "+01:00", "trace.date_order": "ymd"})


def apart():
    def two(name, date, clock, names=("Date", "Time"), truth=LONG, **more):
        columns = [(names[0], lambda r: r.time.strftime(date)), (names[1], lambda r: r.time.strftime(clock)), CHANNEL, *FIGURES]
        return dress(name, text(truth, columns, ";"), truth, **({"answers": CLOCK} | more))
    yield two("date and time apart", "%Y-%m-%d", "%H:%M:%S")
    yield two("date and time apart, German", "%d.%m.%Y", "%H:%M:%S", ("Datum", "Uhrzeit"))
    yield two("date and time apart, French", "%d/%m/%Y", "%H:%M:%S", ("Date", "Heure"))
    yield two("date and time apart, compact", "%Y%m%d", "%H%M%S")
    yield two("date and time apart, no seconds", "%d.%m.%Y", "%H:%M", seconds=60)
    yield two("date and time apart, AM and PM", "%m/%d/%Y", "%I:%M:%S %p")
    yield two("time and date apart", "%H:%M:%S", "%Y-%m-%d", ("Time", "Date"))
    yield two("date and time apart, undecided", "%d/%m/%Y", "%H:%M:%S", truth=B, expect="ask", trap="date_order", answers=DATE)
    first = [("Date", lambda r, seen=set(): "" if r.time.date() in seen or seen.add(r.time.date()) else r.time.strftime("%d.%m.%Y")), ("Time", lambda r: r.time.strftime("%H:%M:%S")), CHANNEL, *FIGURES]
    yield dress("date only in the first row of a day", text(LONG, first, ";"), LONG, answers=CLOCK, expect="ask", trap="date|holds|empty|line")
    only = [("Time", lambda r: r.time.strftime("%H:%M:%S")), CHANNEL, *FIGURES]
    yield dress("a clock without a date", text(B, only, ";"), None, expect="ask", trap="date|time")
    yield dress("a clock without a date, the date in the heading", text(B, only, ";", above=["Date;04.03.2031", ""]), None, expect="ask", trap="date|time")


def numbers():
    yield timed("epoch seconds", lambda t: str(int(t.timestamp())), answers={"trace.zone": "+01:00"})
    yield timed("epoch milliseconds", lambda t: str(int(t.timestamp() * 1000)), answers={"trace.zone": "+01:00"})
    yield timed("epoch seconds with a fraction", lambda t: f"{t.timestamp():.3f}", answers={"trace.zone": "+01:00"})
    yield timed("epoch microseconds", lambda t: str(int(t.timestamp() * 1e6)), answers={"trace.zone": "+01:00"})
    serial = lambda t: f"{(t.replace(tzinfo=None) - datetime(1899, 12, 30)) / timedelta(days=1):.6f}"
    yield timed("days of a spreadsheet", serial, answers=CLOCK, seconds=1)
    yield dress("days of a spreadsheet, decimal comma", text(B, [("Time", lambda r: serial(r.time).replace(".", ",")), CHANNEL, *map(comma, FIGURES)], ";"), B, answers=CLOCK, seconds=1)
    start = B[0].time
    since = lambda t: (t - start).total_seconds()
    for unit, name, by in [("s", "Elapsed [s]", 1), ("min", "Elapsed [min]", 60), ("h", "Elapsed [h]", 3600), ("ms", "Elapsed [ms]", 0.001), ("seconds", "Time (seconds)", 1), ("minutes", "Time (minutes)", 60), ("hours", "Time (hours)", 3600)]:
        yield timed(f"since the start in {unit}", lambda t, b=by: f"{since(t) / b:.5f}".rstrip("0").rstrip("."), header=name, relative=True)
    yield timed("since the start, no unit", lambda t: f"{since(t) / 60:.0f}", header="Time", relative=True, expect="ask", trap="time_unit|unit|second|minute", answers={"trace.time_unit": "min"})
    yield timed("since the start as h:mm:ss", lambda t: f"{int(since(t)) // 3600}:{int(since(t)) // 60 % 60:02}:{int(since(t)) % 60:02}", header="Elapsed [h:mm:ss]", relative=True)
    yield timed("since the start as min:s", lambda t: f"{int(since(t)) // 60}:{int(since(t)) % 60:02}", header="Elapsed [min:s]", relative=True)
    day = lambda t: int((t - LONG[0].time).total_seconds())
    yield timed("since the start as days and hours", lambda t: f"{day(t) // 86400}d {day(t) // 3600 % 24:02}:{day(t) // 60 % 60:02}", LONG, header="Elapsed", relative=True, seconds=60)
    yield timed("since the start by ISO 8601", lambda t: f"P{day(t) // 86400}DT{day(t) // 3600 % 24}H{day(t) // 60 % 60}M{day(t) % 60}S", LONG, header="Elapsed", relative=True)


def clocks():
    yield dress("a clock of 12 hours without AM or PM", text(B, [local("%Y-%m-%d %I:%M:%S"), CHANNEL, *FIGURES]), None, expect="ask", trap="12|noon|clock", answers=CLOCK)
    yield dress("a clock of 12 hours, day first", text(LONG, [local("%d.%m.%Y %I:%M"), CHANNEL, *FIGURES]), None, expect="ask", trap="12|noon|clock", answers=CLOCK)
    short = [r for r in B if r.time.hour in (11, 12, 13)]
    yield dress("a clock of 12 hours, over noon only", text(short, [local("%Y-%m-%d %I:%M:%S"), CHANNEL, *FIGURES]), None, expect="ask", trap="12|noon|clock", answers=CLOCK)
    yield dress("a clock of 12 hours, newest first", text(short[::-1], [local("%Y-%m-%d %I:%M:%S"), CHANNEL, *FIGURES]), None, expect="ask", trap="12|noon|clock", answers=CLOCK)
    late = [r for r in B if r.time.hour >= 15]
    yield Dress("mapping of a record in the evening, now a clock of 12 hours over noon", {"new.csv": text(short, [local("%Y-%m-%d %I:%M:%S"), CHANNEL, *FIGURES]), "old.csv": text(late, [local("%Y-%m-%d %H:%M:%S"), CHANNEL, *FIGURES])}, reuse="old.csv", expect="ask", trap="12|noon|clock", answers=CLOCK)
    yield dress("minutes for rows of ten seconds", text(A, [local("%Y-%m-%d %H:%M"), CHANNEL, *FIGURES]), None, expect="ask", trap="coarse|same time|one time|second|minute", answers=CLOCK)
    yield dress("hours for rows of three minutes", text(B, [local("%Y-%m-%d %H:00"), CHANNEL, *FIGURES]), None, expect="ask", trap="coarse|same time|one time|second|minute", answers=CLOCK)
    yield dress("days for rows of three minutes", text(B, [local("%Y-%m-%d"), CHANNEL, *FIGURES]), None, expect="ask", trap="coarse|same time|one time|second|minute|clock|time", answers=CLOCK)
    swapped = lambda t: t.strftime("%m/%d/%Y %H:%M:%S") if t.day <= 12 else t.strftime("%d/%m/%Y %H:%M:%S")
    around = moved(stretched(B, 6), datetime(2031, 3, 11, 8, 0, tzinfo=LOCAL))
    yield dress("days and months swapped by a spreadsheet", text(around, [("Time", lambda r: swapped(r.time)), CHANNEL, *FIGURES]), None, expect="ask", trap="swap|day|month|date", answers=CLOCK)
    iso = lambda t: t.strftime("%Y-%d-%m %H:%M:%S") if t.day <= 12 else t.strftime("%d/%m/%Y %H:%M:%S")
    yield dress("days and months swapped, some still texts", text(around, [("Time", lambda r: iso(r.time)), CHANNEL, *FIGURES]), None, expect="ask", trap="swap|day|month|date|time|form", answers=CLOCK)
    turn = moved(one(read("filter-loads", every=3)[0]), datetime(2031, 10, 25, 22, 0, tzinfo=timezone(timedelta(hours=2))))
    def berlin(t):
        return t.astimezone(timezone(timedelta(hours=2 if t < datetime(2031, 10, 26, 1, tzinfo=timezone.utc) else 1)))
    yield dress("the night when summer time ends", text(turn, [("Time", lambda r: berlin(r.time).strftime("%d.%m.%Y %H:%M:%S")), *FIGURES], ";"), turn, channels=False, answers={"trace.zone": "Europe/Berlin"})
    both = moved(read("filter-loads", every=3)[0], datetime(2031, 10, 25, 22, 0, tzinfo=timezone(timedelta(hours=2))))
    yield dress("the night when summer time ends, two channels", text(both, [("Time", lambda r: berlin(r.time).strftime("%Y-%m-%d %H:%M:%S")), CHANNEL, *FIGURES], ";"), both, answers={"trace.zone": "Europe/Berlin"})
    yield dress("two columns of time", text(B, [("Sent", lambda r: (r.time + timedelta(seconds=7)).isoformat()), ("Measured", lambda r: r.time.isoformat()), CHANNEL, *FIGURES]), B, expect="ask", trap="time", answers={"trace.time": "Measured"})
    yield dress("time of printing beside", text(B, [stamp(), CHANNEL, *FIGURES, ("Printed", lambda r: "2031-03-06T10:00:00+01:00")]), B, answers={"trace.time": "Time"})


def all_of_them():
    for part in (calendar, apart, numbers, clocks):
        yield from part()
