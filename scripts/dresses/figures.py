"""Forms of figures and units, and columns that could be taken for another."""

from dataclasses import replace

from judge import Dress
from layouts import A, B, C, CLOCK, LONG, WHOLE, dress
from records import CHANNEL, FIGURES, LIMIT, PRESSURE, RATE, VOLUME, changed, comma, named, one, read, scaled, stamp, text

MMHG = {"kPa": 1 / 7.500617, "mbar": 1.333224, "hPa": 1.333224, "cmH2O": 1.359510, "psi": 0.01933678, "bar": 0.001333224, "Torr": 1.0, "Pa": 133.3224, "mm Hg": 1.0, "MPa": 0.0001333224, "cm H2O": 1.359510, "mmH2O": 13.59510, "inHg": 0.03937008}
PLACES = {"kPa": 3, "bar": 5, "psi": 4, "MPa": 7, "inHg": 4}
BARE = [stamp(), CHANNEL]


def written():
    def pressure(name, change, truth=A, mark=",", **more):
        others = [RATE, VOLUME, LIMIT] if mark == "," else map(comma, [RATE, VOLUME, LIMIT])
        return dress(name, text(truth, [*BARE, changed(PRESSURE, change), *others], mark), truth, **more)
    yield pressure("figures with their unit", lambda p, r: f"{p} mmHg")
    yield dress("figures with their unit, none in the header", text(A, [*BARE, ("Pressure", lambda r: f"{r.pressure} mmHg"), ("Rate", lambda r: f"{r.rate} ml/h"), ("Volume", lambda r: f"{r.volume} ml"), ("Pressure limit", lambda r: f"{r.limit} mmHg")]))
    yield dress("figures with their unit joined", text(A, [*BARE, ("Pressure", lambda r: f"{r.pressure}mmHg"), ("Rate", lambda r: f"{r.rate}ml/h")]), figures=("pressure", "rate"))
    yield dress("some figures with another unit", text(A, [*BARE, ("Pressure", lambda r: f"{r.pressure} mmHg" if r.time.minute < 45 else f"{float(r.pressure) / 7.500617:.3f} kPa"), RATE]), figures=("pressure", "rate"), expect="ask", trap="kPa|unit")
    yield pressure("exponents", lambda p, r: f"{float(p):.3E}")
    yield pressure("exponents with decimal comma", lambda p, r: f"{float(p):.3E}".replace(".", ","), mark=";")
    yield pressure("parentheses for minus", lambda p, r: f"({p[1:]})" if p.startswith("-") else p)
    yield pressure("minus of typesetters", lambda p, r: p.replace("-", "−"))
    yield pressure("minus behind", lambda p, r: p[1:] + "-" if p.startswith("-") else p)
    yield pressure("a plus before", lambda p, r: p if p.startswith("-") else "+" + p)
    yield pressure("zeros before", lambda p, r: f"{int(p):04}")
    yield pressure("a formula of text", lambda p, r: f'="{p}"')
    yield pressure("an apostrophe before", lambda p, r: "'" + p)
    yield pressure("decimals of nothing", lambda p, r: f"{p}.00")
    for mark in ("", "---", "-", "n/a", "NaN", "null", "NULL", "#N/A", "k.A.", "?", "*", "."):
        gaps = [replace(r, pressure="") if i % 40 == 7 else r for i, r in enumerate(A)]
        yield dress(f"missing figures as `{mark}`", text(gaps, [*BARE, changed(PRESSURE, lambda p, r, m=mark: p or m), RATE, VOLUME, LIMIT]), gaps, expect="same" if mark in ("", "NaN", "null", "NULL", "n/a", "---", "#N/A", "-") else "ask", trap="missing|number|not a number|pressure", answers={"trace.missing": mark})
    for mark in ("9999", "-999", "999.9", "-1000", "65535", "-9999", "32767"):
        gaps = [replace(r, pressure="") if i % 40 == 7 else r for i, r in enumerate(A)]
        yield dress(f"missing figures as {mark}", text(gaps, [*BARE, changed(PRESSURE, lambda p, r, m=mark: p or m), RATE, VOLUME, LIMIT]), gaps, expect="ask", trap="missing|" + mark.lstrip("-"), answers={"trace.missing": mark})
    micro = lambda change: ("Volume [µl]", lambda r: change(round(float(r.volume) * 1000)))
    for name, change, mark in [("no mark", str, ","), ("apostrophes", lambda n: f"{n:,}".replace(",", "’"), ";"), ("straight apostrophes", lambda n: f"{n:,}".replace(",", "'"), ";"), ("narrow blanks", lambda n: f"{n:,}".replace(",", "\u202f"), ";"), ("hard blanks", lambda n: f"{n:,}".replace(",", "\u00a0"), ";"), ("blanks", lambda n: f"{n:,}".replace(",", " "), ";"), ("points and a comma", lambda n: f"{n:,}".replace(",", ".") + ",0", ";"), ("commas and a point", lambda n: f"{n:,}.0", ";")]:
        rate = comma(RATE) if name == "points and a comma" else RATE
        yield dress(f"thousands with {name}", text(B, [*BARE, PRESSURE, rate, micro(change)], mark), B, figures=("pressure", "rate", "volume"))
    yield dress("thousands with points alone", text(B, [*BARE, PRESSURE, named("Rate [µl/h]", scaled("", "rate", 1000, 0)), micro(lambda n: f"{n:,}".replace(",", "."))], ";"), B, figures=("pressure", "rate", "volume"), expect="ask", trap="decimal|thousand|point", answers={"trace.decimal": "comma", "trace.thousands": "point"})
    yield dress("decimal point in one column, comma in another", text(B, [*BARE, PRESSURE, RATE, comma(VOLUME)], ";"), B, figures=("pressure", "rate", "volume"), expect="ask", trap="decimal|comma|point|number")


def units():
    for unit, factor in MMHG.items():
        known = True
        column = scaled(f"Pressure [{unit}]", "pressure", factor, PLACES.get(unit, 2))
        yield dress(f"pressure in {unit}", text(A, [*BARE, column, RATE]), figures=("pressure", "rate"), expect="same" if known else "ask", trap="unit|" + unit, answers={"trace.zone": "+01:00"})
    for unit, factor, places in [("ml/min", 1 / 60, 6), ("l/h", 0.001, 6), ("µl/h", 1000, 0), ("ml/d", 24, 2), ("mL/24h", 24, 2), ("ml/day", 24, 2), ("cc/h", 1, 3), ("ml/hr", 1, 3), ("mL/hour", 1, 3), ("mL·h⁻¹", 1, 3), ("ml h-1", 1, 3)]:
        known = unit not in ("cc/h",)
        yield dress(f"rate in {unit}", text(A, [*BARE, PRESSURE, scaled(f"Rate [{unit}]", "rate", factor, places)]), figures=("pressure", "rate"), answers={} if known else {"trace.rate_unit": "mL/h"})
    yield dress("rate in mL/kg/h", text(A, [*BARE, PRESSURE, scaled("Rate [ml/kg/h]", "rate", 1 / 1.3, 3)]), None, figures=("pressure", "rate"), expect="ask", trap="unit|rate|kg")
    yield dress("volume in litres", text(B, [*BARE, PRESSURE, RATE, scaled("Volume [l]", "volume", 0.001, 7)]), B, figures=("pressure", "rate", "volume"))
    answers = {"trace.pressure_unit": "mmHg", "trace.rate_unit": "mL/h", "trace.volume_unit": "mL", "trace.limit_unit": "mmHg"}
    bare = [*BARE, named("Pressure", PRESSURE), named("Rate", RATE), named("Volume", VOLUME), named("Pressure limit", LIMIT)]
    yield dress("no units anywhere", text(A, bare), expect="ask", trap="unit", answers=answers)
    yield dress("pressure without unit", text(A, [*BARE, bare[2], RATE, VOLUME, LIMIT]), expect="ask", trap="pressure_unit", answers=answers)
    kpa = [*BARE, scaled("Pressure [mmHg]", "pressure", MMHG["kPa"], 3), RATE]
    yield dress("row of units against the brackets", text(A, kpa, units=["", "", "kPa", "ml/h"]), figures=("pressure", "rate"), expect="ask", trap="unit|kPa", answers={"trace.pressure_unit": "kPa"})
    yield dress("column of units against the brackets", text(A, [*BARE, scaled("Pressure [mmHg]", "pressure", MMHG["kPa"], 3), ("Unit", lambda r: "kPa"), RATE]), figures=("pressure", "rate"), expect="ask", trap="unit|kPa", answers={"trace.pressure_unit": "kPa"})
    yield dress("column of units", text(A, [*BARE, ("Pressure", PRESSURE[1]), ("Pressure unit", lambda r: "mmHg"), RATE]), figures=("pressure", "rate"))
    change = lambda r: r.pressure if r.time.minute < 45 else f"{float(r.pressure) / 7.500617:.3f}"
    yield dress("column of units that changes half-way", text(A, [*BARE, ("Pressure", change), ("Pressure unit", lambda r: "mmHg" if r.time.minute < 45 else "kPa"), RATE]), figures=("pressure", "rate"), expect="ask", trap="unit|kPa")
    half = len(A) // 2
    yield dress("header again with another unit", text(A[:half], [*BARE, PRESSURE, RATE]) + text(A[half:], [*BARE, scaled("Pressure [kPa]", "pressure", MMHG["kPa"], 3), RATE]), figures=("pressure", "rate"), expect="ask", trap="header|kPa|unit")
    yield dress("header again in another order", text(A[:half], [*BARE, PRESSURE, LIMIT, RATE]) + text(A[half:], [*BARE, LIMIT, PRESSURE, RATE]), figures=("pressure", "rate", "limit"), expect="ask", trap="header|order|column")
    yield dress("limit in kPa, pressure in mmHg", text(A, [*BARE, PRESSURE, RATE, VOLUME, scaled("Pressure limit [kPa]", "limit", MMHG["kPa"], 4)]))
    yield dress("limit without unit, pressure with one", text(A, [*BARE, PRESSURE, RATE, VOLUME, named("Pressure limit", LIMIT)]), expect="ask", trap="limit_unit", answers=answers)


def rivals():
    def beside(name, column, expect="same", trap="pressure|rate|volume|limit", **more):
        return dress(name, text(A, [*BARE, column, *FIGURES]), expect=expect, trap=trap, **more)
    for other in ("Arterial pressure [mmHg]", "Barometric pressure [mmHg]", "Upstream pressure [mmHg]", "Absolute pressure [mmHg]", "Inlet pressure [mmHg]", "Blood pressure [mmHg]", "Pressure 2 [mmHg]", "Pressure max [mmHg]", "P mean [mmHg]", "CVP [mmHg]"):
        base = {"Absolute pressure [mmHg]": 760, "Barometric pressure [mmHg]": 752}.get(other, 60)
        yield beside(f"{other.split(' [')[0]} beside", (other, lambda r, b=base: str(b + (int(r.pressure) if b == 760 else r.time.second % 7))), "ask", "pressure", answers={"trace.pressure": "Pressure [mmHg]"})
    for name in ("Arterial", "ABP", "Barometer", "Ambient", "Venous"):
        yield dress(f"line pressure called line, `{name}` says pressure", text(A, [*BARE, (f"{name} pressure [mmHg]", lambda r: str(60 + r.time.second % 7)), ("Line [mmHg]", PRESSURE[1]), RATE, VOLUME, LIMIT]), expect="ask", trap="pressure", answers={"trace.pressure": "Line [mmHg]"})
    yield dress("absolute pressures in mmHg", text(A, [*BARE, scaled("Pressure [mmHg]", "pressure", 1, 0)[:1] + (lambda r: str(int(r.pressure) + 755),), RATE]), None, figures=("pressure", "rate"), expect="ask", trap="absolute|pressure|760|atmospher")
    yield dress("absolute pressures in kPa", text(A, [*BARE, ("Pressure [kPa]", lambda r: f"{(int(r.pressure) + 755) / 7.500617:.3f}"), RATE]), None, figures=("pressure", "rate"), expect="ask", trap="absolute|pressure|760|atmospher")
    yield dress("pressure in per cent of the limit", text(A, [*BARE, ("Pressure [%]", lambda r: f"{int(r.pressure) / 2:.1f}"), RATE]), None, figures=("pressure", "rate"), expect="ask", trap="unit|%|pressure")
    yield dress("pressure as bars of a display", text(A, [*BARE, ("Pressure level", lambda r: str(min(8, max(0, int(r.pressure) // 25)))), RATE]), None, figures=("pressure", "rate"), expect="ask", trap="unit|pressure")
    yield beside("set and running rate", ("Set rate [ml/h]", lambda r: "4" if r.channel == "pn" else "1.2"), "ask", "rate", answers={"trace.rate": "Rate [ml/h]"})
    yield beside("dose rate beside", ("Dose rate [mg/h]", lambda r: "8.5"))
    yield beside("bolus rate beside", ("Bolus rate [ml/h]", lambda r: "0"), "ask", "rate", answers={"trace.rate": "Rate [ml/h]"})
    yield beside("volume to be infused beside", ("VTBI [ml]", lambda r: f"{50 - float(r.volume):.3f}"), "ask", "volume", answers={"trace.volume": "Volume [ml]"})
    yield beside("remaining volume beside", ("Remaining volume [ml]", lambda r: f"{50 - float(r.volume):.3f}"), "ask", "volume", answers={"trace.volume": "Volume [ml]"})
    yield dress("remaining volume alone", text(A, [*BARE, PRESSURE, RATE, ("Volume [ml]", lambda r: f"{50 - float(r.volume):.3f}")]), None, figures=("pressure", "rate"), expect="ask", trap="volume|fall")
    yield beside("temperature beside", ("Temperature [°C]", lambda r: "36.8"))
    yield beside("weight beside", ("Weight [kg]", lambda r: "1.3"))
    yield beside("upper and lower limit", ("Lower limit [mmHg]", lambda r: "-100"), "ask", "limit", answers={"trace.limit": "Pressure limit [mmHg]"})
    quiet = [replace(r, limit="") if r.time.minute >= 45 else r for r in A]
    yield dress("limit 0 while off", text(quiet, [*BARE, PRESSURE, RATE, VOLUME, changed(LIMIT, lambda v, r: v or "0")]), quiet, expect="ask", trap="limit|off|0", answers={"trace.limit_off": "0", "trace.missing*": "0"})
    yield dress("limit as the word off", text(quiet, [*BARE, PRESSURE, RATE, VOLUME, changed(LIMIT, lambda v, r: v or "off")]), quiet, expect="ask", trap="limit|off", answers={"trace.missing*": "off"})


def running():
    def rate(name, change, **more):
        return dress(name, text(A, [*BARE, PRESSURE, changed(RATE, change), VOLUME, LIMIT]), **({"expect": "ask", "trap": "rate|stop|run|status|state"} | more))
    for word in ("STOP", "Stopped", "KVO", "Pause", "HALT", "Standby", "off", "arrêt"):
        yield rate(f"the rate is `{word}` while stopped", lambda v, r, w=word: w if float(v) == 0 else v, answers={"trace.rate_words.*": "0"})
    yield rate("the rate is `KVO` in one row", lambda v, r: "KVO" if r.time.minute == 45 and r.time.second == 0 else v)
    kept = lambda r: "4" if r.channel == "pn" else "1.2"
    for head, on, off in [("State", "running", "stopped"), ("Status", "Infusing", "Paused"), ("Zustand", "läuft", "angehalten"), ("Running", "1", "0"), ("Running", "TRUE", "FALSE"), ("Etat", "en marche", "arrêt"), ("Mode", "RUN", "HOLD")]:
        yield dress(f"the rate stays, column `{head}` says {off}", text(A, [*BARE, PRESSURE, ("Rate [ml/h]", kept), VOLUME, LIMIT, (head, lambda r, a=on, b=off: b if float(r.rate) == 0 else a)]), expect="ask", trap="run|stat|rate|mode|zustand|" + head, answers={"trace.running.*": on})
    yield dress("a list of states within a cell", text(A, [*BARE, PRESSURE, RATE, VOLUME, LIMIT, ("Status", lambda r: "infusing;battery" if float(r.rate) else "stopped;alarm|audio")]), expect="ask", trap="stat|run|event", answers={"trace.running.*": "no"})
    yield dress("a column of states that agrees with the rate", text(A, [*BARE, *FIGURES, ("State", lambda r: "running" if float(r.rate) else "stopped")]), answers={"trace.running.*": "running"})


def all_of_them():
    for part in (written, units, rivals, running):
        yield from part()
