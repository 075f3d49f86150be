"""Files of HL7 v2 messages by the published device profiles of IHE (PCD-01, PCD-04, PCD-10, technical framework revision 9.0)."""

from dataclasses import replace
from datetime import datetime, timedelta, timezone

from judge import Dress
from layouts import A
from records import Event, moved, plain

ROWS = A[:120]
NAMES = {"pn": "pump-001", "lipid": "pump-002"}
PUMPS = {"pn": "PUMP-A^^02AAAAFFFE00A001^EUI-64", "lipid": "PUMP-B^^02AAAAFFFE00A002^EUI-64"}
MMHG = "266016^MDC_DIM_MMHG^MDC^mm[Hg]^mm[Hg]^UCUM"
ML_H = "265266^MDC_DIM_MILLI_L_PER_HR^MDC^mL/h^mL/h^UCUM"
ML = "263762^MDC_DIM_MILLI_L^MDC^mL^mL^UCUM"
MEASURED = "157836^MDC_PRESS_FLUID_MEAS^MDC"
CURRENT = "158014^MDC_FLOW_FLUID_PUMP_CURRENT^MDC"
TOTAL = "157993^MDC_VOL_FLUID_DELIV_TOTAL^MDC"


def stamp(time):
    return time.strftime("%Y%m%d%H%M%S%z")


def bare(time):
    return time.strftime("%Y%m%d%H%M%S")


def head(kind, number, time, **o):
    return f"MSH|^~\\&|SIMGATEWAY^02AAAAFFFE000001^EUI-64|SIMHOSP|||{o.get('built', stamp)(time)}||{kind}|SIM-{number:06}|{o.get('processing', 'P')}|2.6|||AL|NE||{o.get('charset', 'UNICODE UTF-8')}|||IHE_PCD_001^IHE PCD^1.3.6.1.4.1.19376.1.6.1.1.1^ISO"


def person(**o):
    return [f"PID|||{o.get('patient', 'ZZTEST0001')}^^^SIMHOSP^MR||Example^Pat^^^^^L", "PV1||I|SIMWARD^R07^B2"]


def observation(row, number, **o):
    """A PCD-01 message of one row."""
    runs = 0 < float(row.rate)
    limit = o.get("range", lambda r: f"0-{r.limit}")(row)
    given = lambda unit, value: f"{value}|{unit}"
    pressure = row.pressure and plain(float(row.pressure) * o.get("pressure_by", 1))
    lines = [
        f"OBX|1||70053^MDC_DEV_PUMP_INFUS_SYRINGE_MDS^MDC|1.0.0.0|||||||X|||||||{o.get('pumps', PUMPS)[row.channel]}",
        "OBX|2||70054^MDC_DEV_PUMP_INFUS_SYRINGE_VMD^MDC|1.1.0.0|||||||X",
        "OBX|3||70067^MDC_DEV_PUMP_DELIVERY_INFO^MDC|1.1.1.0|||||||X",
        f"OBX|4|CWE|184519^MDC_PUMP_INFUSING_STATUS^MDC|1.1.1.1|^pump-status-{'infusing' if runs else 'not-infusing'}||||||R",
        f"OBX|5|NM|{o.get('rate', CURRENT)}|1.1.1.2|{given(o.get('rate_unit', ML_H), plain(float(row.rate) * o.get('rate_by', 1)))}|||||R",
        f"OBX|6|{o.get('type', 'NM')}|{o.get('pressure', MEASURED)}|1.1.1.3|{o.get('value', str)(pressure)}|{o.get('pressure_unit', MMHG)}|{limit}|{o.get('flag', '')}|||{o.get('status', 'R')}",
        *o.get("beside", []),
        "OBX|8||70071^MDC_DEV_PUMP_INFUSATE_SOURCE_PRIMARY^MDC|1.1.2.0|||||||X",
        f"OBX|9|NM|{o.get('volume', TOTAL)}|1.1.2.4|{given(o.get('volume_unit', ML), plain(float(row.volume) * o.get('volume_by', 1)))}|||||R",
    ]
    lines = [line for line in lines if not any(f"|{part}|" in line for part in o.get("without", ()))]
    time = o.get("when", stamp)(row.time)
    order = f"OBR|1||SIM-OBR-{number}^SIMGATEWAY^02AAAAFFFE000001^EUI-64|999999^Medication Unknown|||{time}"
    return [head("ORU^R01^ORU_R01", number, row.time, **o), *person(**o), order, *lines]


def alarm(event, number, code="196940^MDC_EVT_FLUID_LINE_OCCL^MDC", phase="start", state="active", **o):
    """A PCD-04 message."""
    part = "1.1.1.0"
    return [
        head("ORU^R40^ORU_R40", number, event.time, **o), *person(**o),
        f"OBR|1||SIM-ALM-{number}^SIMGATEWAY^02AAAAFFFE000001^EUI-64|196616^MDC_EVT_ALARM^MDC|||{stamp(event.time)}||||||||||||||||||||||^SIM-ALM-{o.get('of', number)}&SIMGATEWAY&02AAAAFFFE000001&EUI-64",
        f"OBX|1|CWE|196616^MDC_EVT_ALARM^MDC|{part}.1|{code}||||||F|||{stamp(event.time)}||||{PUMPS[event.channel]}",
        f"OBX|2|ST|68481^MDC_ATTR_EVENT_PHASE^MDC|{part}.3|{phase}||||||F",
        f"OBX|3|ST|68482^MDC_ATTR_ALARM_STATE^MDC|{part}.4|{state}||||||F",
        f"OBX|4|ST|68484^MDC_ATTR_ALARM_PRIORITY^MDC|{part}.6|PH||||||F",
    ]


def file(messages, end="\r"):
    return "".join(line + end for message in messages for line in message)


def right(rows):
    return [replace(r, channel=NAMES[r.channel]) for r in rows]


def all_of(rows=ROWS, **o):
    return [observation(row, i, **o) for i, row in enumerate(rows)]


def dress(name, data, truth=None, rows=ROWS, **more):
    return Dress("HL7: " + name, {"night.hl7": data}, truth=right(rows) if truth is None and more.get("expect", "same") != "refuse" else truth, messages=True, **more)


def unlike(rows, field, value):
    return [replace(r, **{field: value}) for r in rows]


def envelopes():
    whole = all_of()
    yield dress("as the profile has it", file(whole))
    yield dress("line ends LF", file(whole, "\n"))
    yield dress("line ends CR LF", file(whole, "\r\n"))
    yield dress("no end of the last line", file(whole).rstrip("\r"))
    yield dress("framed as on a wire", "".join("\x0b" + file([m]) + "\x1c\r" for m in whole))
    yield dress("in a batch", "FHS|^~\\&|SIM\rBHS|^~\\&|SIM\r" + file(whole) + f"BTS|{len(whole)}\rFTS|1\r")
    yield dress("byte order mark", b"\xef\xbb\xbf" + file(whole).encode())
    yield dress("blank lines between", "".join(file([m], "\n") + "\n\n" for m in whole))
    yield dress("ISO 8859/1", file(all_of(charset="8859/1", beside=["NTE|1||Zugang gespült"])).encode("latin-1"))
    yield dress("other delimiters", file(whole).replace("MSH|^~\\&|", "MSH|#~\\&|").replace("^", "#"))
    yield dress("lines broken by a letter", file([[line[:60] + "\r" + line[60:] if line.startswith("OBX|6") else line for line in m] for m in whole]))
    yield dress("segments of the sender's own", file(all_of(beside=["ZPX|1|own|segment", "NTE|1||a remark", "PRT|1|UC||PAT"])))
    newest = [m for at in range(len(whole) - 2, -1, -2) for m in whole[at : at + 2]]
    yield dress("newest first", file(newest))
    yield dress("each sent twice", file([m for m in whole for _ in (0, 1)]))
    yield dress("by pump", file(sorted(whole, key=lambda m: m[4][-30:])))
    yield dress("two orders in a message", file([a + b[3:] for a, b in zip(whole[::2], whole[1::2])]))
    yield dress("UTF-16", file(whole).encode("utf-16"), expect="refuse", trap="UTF-16")
    yield dress("behind the words of a log", "".join(f"2031-03-09 18:23:20 INFO received {file([m], chr(10))}" for m in whole), expect="refuse", trap="log")
    yield dress("in XML", '<?xml version="1.0"?>\n<ORU_R01 xmlns="urn:hl7-org:v2xml"><MSH><MSH.1>|</MSH.1></MSH></ORU_R01>\n', expect="refuse", trap="XML")
    cut = file(whole)
    at = cut.rindex("|1.1.1.3|")
    yield dress("cut within the last pressure", cut[: at + 10], rows=ROWS[:-1], told="ends within")
    yield dress("cut before the last unit", cut[: at + 12], rows=ROWS[:-1], told="ends within")
    yield dress("cut within a frame", "".join("\x0b" + file([m]) + "\x1c\r" for m in whole)[:-2], rows=ROWS[:-1], told="ends within")


def codes():
    for number, name in [(157836, "MDC_PRESS_FLUID_MEAS"), (157840, "MDC_PRESS_FLUID_CALC"), (157896, "MDC_PRESS_FLUID_ACT")]:
        yield dress(f"pressure as {name}", file(all_of(pressure=f"{number}^{name}^MDC")))
    yield dress("pressure by its name alone", file(all_of(pressure="^MDC_PRESS_FLUID_MEAS^MDC")))
    yield dress("pressure by its number alone", file(all_of(pressure="157836^^MDC")))
    yield dress("pressure as the alternative of an own code", file(all_of(pressure="17^OWN^99X^157836^MDC_PRESS_FLUID_MEAS^MDC")))
    yield dress("rate as an instant flow", file(all_of(rate="157892^MDC_FLOW_FLUID_INSTANT^MDC")))
    yield dress("rate as the flow of the delivering part", file(all_of(rate="157784^MDC_FLOW_FLUID_PUMP^MDC")))
    yield dress("volume as delivered", file(all_of(volume="157864^MDC_VOL_FLUID_DELIV^MDC")))
    beside = lambda code, part="1.1.1.9": [f"OBX|20|NM|{code}|{part}|77|{MMHG}|||||R"]
    yield dress("an arterial pressure beside", file(all_of(beside=beside("150032^MDC_PRESS_BLD_ART^MDC"))), told="MDC_PRESS_BLD_ART")
    yield dress("a pressure of the sender's own beside", file(all_of(beside=beside("61441^OWN_PRESS^99X"))), told="OWN_PRESS")
    yield dress("a pressure above the pump beside", file(all_of(beside=beside(MEASURED, "1.1.2.9"))), told="above the pump")
    nothing = unlike(ROWS, "pressure", "")
    yield dress("only an arterial pressure", file(all_of(pressure="150032^MDC_PRESS_BLD_ART^MDC")), right(unlike(nothing, "limit", "")), told="MDC_PRESS_BLD_ART", figures=("pressure", "rate", "volume"))
    yield dress("only a pressure of the sender's own", file(all_of(pressure="61441^OWN_PRESS^99X")), right(nothing), told="OWN_PRESS", figures=("pressure", "rate", "volume"))
    yield dress("no pressure at all", file(all_of(without=["1.1.1.3"])), right(nothing), figures=("pressure", "rate", "volume"))
    yield dress("a set rate beside the flow", file(all_of(beside=[f"OBX|21|NM|157784^MDC_FLOW_FLUID_PUMP^MDC|1.1.2.3|99|{ML_H}|||||R||||||MSET"])))
    yield dress("no limit", file(all_of(range=lambda r: "")), right(unlike(ROWS, "limit", "")))
    yield dress("limit as an upper bound", file(all_of(range=lambda r: f"<{r.limit}")))


def units():
    for unit, by in [("266016^MDC_DIM_MMHG^MDC", 1), ("mm[Hg]^mm[Hg]^UCUM", 1), ("265987^MDC_DIM_KILO_PASCAL^MDC", 0.13332239), ("kPa^kPa^UCUM", 0.13332239), ("265986^MDC_DIM_HECTO_PASCAL^MDC", 1.3332239), ("mbar^mbar^UCUM", 1.3332239), ("265984^MDC_DIM_PASCAL^MDC", 133.32239), ("cm[H2O]^cm[H2O]^UCUM", 1.3595100), ("[psi]^psi^UCUM", 0.019336777), ("bar^bar^UCUM", 0.0013332239)]:
        yield dress(f"pressure in {unit.split('^')[0]} {unit.split('^')[1]}", file(all_of(pressure_unit=unit, pressure_by=by, range=lambda r, k=by: f"0-{plain(float(r.limit) * k)}")), near={"pressure": 0.06, "limit": 0.5})
    for unit, by in [("uL/h^uL/h^UCUM", 1000), ("mL/min^mL/min^UCUM", 1 / 60), ("265248^MDC_DIM_X_L_PER_HR^MDC", 0.001), ("265267^MDC_DIM_MICRO_L_PER_HR^MDC", 1000)]:
        yield dress(f"rate in {unit.split('^')[0]}", file(all_of(rate_unit=unit, rate_by=by)))
    yield dress("volume in microlitres", file(all_of(volume_unit="263763^MDC_DIM_MICRO_L^MDC", volume_by=1000)))
    for name, unit in [("no unit", ""), ("an unknown unit", "1^furlong^99X"), ("two units that disagree", "266016^MDC_DIM_MMHG^MDC^kPa^kPa^UCUM"), ("a share of the limit", "262688^MDC_DIM_PERCENT^MDC^%^%^UCUM")]:
        yield dress(name, file(all_of(pressure_unit=unit)), expect="refuse", trap="unit|scale|OBX-6")


def figures():
    odd = lambda i: i % 40 == 7
    def some(truth=None, told="", rows=ROWS, **o):
        messages = [observation(r, i, **(o if odd(i) else {})) for i, r in enumerate(rows)]
        gaps = [replace(r, pressure="") if odd(i) else r for i, r in enumerate(rows)]
        return dict(data=file(messages), truth=right(gaps if truth is None else truth), told=told)
    yield dress("empty figures", **some(value=lambda v: ""))
    yield dress("figures deleted at the source", **some(value=lambda v: '""'))
    yield dress("figures flagged as invalid", **some(flag="INV", told="INV"))
    yield dress("figures flagged as not available", **some(flag="NAV", told="NAV"))
    yield dress("figures that are not a number, one in a hundred", file([observation(r, i, **({"value": lambda v: "??"} if i == 7 else {})) for i, r in enumerate(ROWS)]), rows=ROWS[:7] + ROWS[8:], told="not a number")
    yield dress("structured numbers", file(all_of(type="SN", value=lambda v: f"^{v}")))
    yield dress("structured numbers above a bound", **some(type="SN", value=lambda v: f">^{v}"))
    corrected = [observation(r, 1000 + i, status="C") for i, r in enumerate(ROWS) if odd(i)]
    wrong = [observation(r, i, **({"value": lambda v: "444"} if odd(i) else {})) for i, r in enumerate(ROWS)]
    yield dress("figures corrected later", file(wrong + corrected))
    withdrawn = [observation(r, 1000 + i, status="D") for i, r in enumerate(ROWS) if odd(i)]
    yield dress("figures taken back later", file(all_of() + withdrawn), right([replace(r, pressure="") if odd(i) else r for i, r in enumerate(ROWS)]), figures=("pressure", "rate", "volume"))
    for name, o, told in [("demonstrations", {"flag": "DEMO"}, "demonstration"), ("messages of a training", {"processing": "T"}, "training"), ("messages of a test", {"processing": "D"}, "test")]:
        more = [observation(replace(r, pressure="300"), 1000 + i, **o) for i, r in enumerate(ROWS[:10])]
        yield dress(f"{name} among them", file(all_of() + more), told=told)
    admission = ["MSH|^~\\&|ADM|SIMHOSP|||20310309182320+0100||ADT^A01^ADT_A01|X1|P|2.6", "PID|||ZZTEST0001"]
    yield dress("admissions among them", file([admission] + all_of()), told="no observation")


def times():
    zone = ["--zone", "Europe/Berlin"]
    yield dress("no offsets, the zone given", file(all_of(when=bare, built=bare)), options=zone)
    yield dress("no offsets, the zone not given", file(all_of(when=bare, built=bare)), expect="refuse", trap="zone")
    yield dress("offsets only where the message was built", file(all_of(when=bare)), told="built")
    yield dress("fractions of a second", file(all_of(when=lambda t: t.strftime("%Y%m%d%H%M%S.250%z"))))
    yield dress("a date without a time", file(all_of(when=lambda t: t.strftime("%Y%m%d"))), expect="refuse", trap="date without a time")
    yield dress("times in UTC", file(all_of(when=lambda t: stamp(t.astimezone(timezone.utc)))))
    # 2026-10-25 03:00 becomes 02:00 in Europe/Berlin (directive 2000/84/EC).
    autumn = [replace(r, time=datetime(2026, 10, 24, 23, 30, tzinfo=timezone.utc) + timedelta(minutes=2 * (i // 2))) for i, r in enumerate(ROWS)]
    berlin = lambda t: t.astimezone(timezone(timedelta(hours=2 if t < datetime(2026, 10, 25, 1, tzinfo=timezone.utc) else 1)))
    yield dress("the end of summer time, with offsets", file(all_of(autumn, when=lambda t: stamp(berlin(t)), built=lambda t: stamp(berlin(t)))), rows=autumn)
    yield dress("the end of summer time, without offsets", file(all_of(autumn, when=lambda t: bare(berlin(t)), built=lambda t: bare(berlin(t)))), rows=autumn, options=zone, told="comes twice")
    within = autumn[30:90]
    yield dress("a file that begins in the hour that comes twice", file(all_of(within, when=lambda t: bare(berlin(t)), built=lambda t: bare(berlin(t)))), options=zone, expect="refuse", trap="comes twice")
    yield dress("the end of summer time, without offsets, no zone", file(all_of(autumn, when=lambda t: bare(berlin(t)), built=lambda t: bare(berlin(t)))), expect="refuse", trap="zone")


def people():
    late = moved(ROWS, ROWS[0].time + timedelta(hours=9))
    other = {"pn": "PUMP-C", "lipid": "PUMP-D"}
    two = all_of() + [observation(r, 1000 + i, patient="ZZTEST0002", pumps=other) for i, r in enumerate(late)]
    third = [replace(r, channel={"pn": "pump-003", "lipid": "pump-004"}[r.channel]) for r in late]
    yield dress("two patients with pumps of their own", file(two), right(ROWS) + third)
    again = all_of() + [observation(r, 1000 + i, patient="ZZTEST0002") for i, r in enumerate(late)]
    yield dress("the same pumps with a second patient", file(again), right(ROWS + late), channels=False)
    yield dress("a number of the patient in a second list", file(all_of(patient="ZZTEST0001^^^SIMHOSP^MR~778812")))


def events():
    at = ROWS[60].time
    happened = lambda kind, channel="pn", later=0: Event(at + timedelta(seconds=later), NAMES[channel], kind, "")
    mine = Event(at, "pn", "", "")
    def told(name, messages, right_events, **more):
        return dress(name, file(all_of() + messages), happened=right_events, **more)
    yield told("an occlusion alarm", [alarm(mine, 900)], [happened("occlusion_alarm")])
    yield told("an occlusion alarm by the odd number", [alarm(mine, 900, "196941^MDC_EVT_FLUID_LINE_OCCL^MDC")], [happened("occlusion_alarm")])
    yield told("an occlusion alarm and its end", [alarm(mine, 900), alarm(replace(mine, time=at + timedelta(seconds=60)), 901, phase="end", state="inactive", of=900)], [happened("occlusion_alarm"), happened("alarm_cleared", later=60)])
    yield told("air in the line", [alarm(mine, 900, "197200^MDC_EVT_FLUID_LINE_AIR^MDC")], [happened("alarm")])
    upstream = alarm(mine, 900)
    upstream = [line.replace("MDC_EVT_FLUID_LINE_OCCL^MDC", "MDC_EVT_FLUID_LINE_OCCL^MDC^^^^^^Upstream occlusion") for line in upstream]
    yield told("an upstream occlusion", [upstream], None, never=("occlusion_alarm", at))
    yield told("an alarm of another patient", [alarm(mine, 900, patient="ZZTEST0002")], [], told="other pump|not among|left aside")


def all_of_them():
    for part in (envelopes, codes, units, figures, times, people, events):
        yield from part()
