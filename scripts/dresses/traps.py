"""Files that contradict themselves, events in words, and files that are no pump log."""

import struct
import zlib
from dataclasses import replace

from judge import Dress
from layouts import A, A_EVENTS, B, B_EVENTS, CLOCK, LONG, WHOLE, dress
from records import CHANNEL, FIGURES, LIMIT, PRESSURE, RATE, VOLUME, changed, local, moved, one, stamp, text


def mixed_rows():
    nameless = [stamp(), *FIGURES]
    yield dress("two pumps in one channel, no column tells them apart", text(A, nameless), None, expect="ask", trap="channel|pump|same time|one time", channels=False)
    yield dress("two pumps in one channel, one after the other", text(sorted(A, key=lambda r: r.channel), nameless), None, expect="ask", trap="channel|pump|same time|one time|back", channels=False)
    yield dress("two pumps under one channel name", text(A, [stamp(), ("Channel", lambda r: "1"), *FIGURES]), None, expect="ask", trap="channel|pump|same time|one time", channels=False)
    for head, words in [("Device", ("P-1", "P-2")), ("ID", ("1", "2")), ("Pump", ("left", "right")), ("Fluid", ("amino acids", "fat")), ("Gerät", ("A", "B")), ("Pompe", ("haute", "basse")), ("Beutel", ("PN", "Fett")), ("Perfusor", ("1", "2")), ("Bomba", ("uno", "dos")), ("Zubereitung", ("PN", "Fett")), ("Slot", ("3", "4")), ("Tubus", ("a", "b"))]:
        rows = [replace(r, channel=words[0] if r.channel == "pn" else words[1]) for r in A]
        # Names of devices may identify them: they are replaced by running ones.
        truth = [replace(r, channel="channel-001" if r.channel == words[0] else "channel-002") for r in rows] if head == "Device" else rows
        yield dress(f"channel in a column `{head}`", text(rows, [stamp(), (head, lambda r: r.channel), *FIGURES]), truth, answers={"trace.channel": head})
        yield dress(f"channel in a column `{head}`, spelt last", text(rows, [stamp(), *FIGURES, ("Software", lambda r: "2.1"), (head, lambda r: r.channel)]), truth, answers={"trace.channel": head})
    later = moved(A, LONG[0].time)
    for head in ("Patient", "Case", "Fallnummer", "MRN", "Patient ID", "Infusion", "Order", "Nom du patient"):
        people = [*((r, "4711") for r in A), *((r, "0815") for r in later)]
        column = {id(r): w for r, w in people}
        rows = [r for r, _ in people]
        yield dress(f"two patients in a column `{head}`, one after the other", text(rows, [(head, lambda r: column[id(r)]), *WHOLE]), rows, expect="ask", trap="infusion|patient|split|" + head, answers={"trace.infusion": head})
        both = [(r, "4711") for r in A] + [(replace(r, pressure=str(int(r.pressure) + 9)), "0815") for r in A]
        column2 = {id(r): w for r, w in both}
        yield dress(f"two patients in a column `{head}`, at one time", text(sorted((r for r, _ in both), key=lambda r: r.time), [(head, lambda r: column2[id(r)]), *WHOLE]), [r for r, _ in both], expect="ask", trap="infusion|patient|split|" + head, answers={"trace.infusion": head})
    yield dress("one patient in a column", text(A, [("Patient", lambda r: "4711"), *WHOLE]))
    lines = text(A, WHOLE).splitlines()
    for name, at in [("near the start", 3), ("half-way", 240), ("in the last row", len(lines) - 1)]:
        cut = lines[:]
        cut[at] = cut[at].replace(",pn,", ',"pn,').replace(",lipid,", ',"lipid,')
        yield dress(f"a quote opened and never closed, {name}", "\n".join(cut) + "\n", None, expect="ask", trap="quot")
    swallow = lines[:]
    swallow[100], swallow[140] = swallow[100].replace(",pn,", ',"pn,').replace(",lipid,", ',"lipid,'), swallow[140].replace(",pn,", ',pn",').replace(",lipid,", ',lipid",')
    yield dress("a cell that swallows forty lines", "\n".join(swallow) + "\n", None, expect="ask", trap="quot|line|swallow")
    comment = [line + (',"said ""stop"" once"' if i == 200 else "," if i else ",Comment") for i, line in enumerate(lines)]
    yield dress("quotes within a comment", "\n".join(comment) + "\n")
    breaks = [line + (',"two\nlines"' if i == 200 else "," if i else ",Comment") for i, line in enumerate(lines)]
    yield dress("a line break within a comment", "\n".join(breaks) + "\n")
    loose = [line + (",a comma, not quoted" if i % 50 == 20 else "," if i else ",Comment") for i, line in enumerate(lines)]
    yield dress("a comma not quoted within a comment", "\n".join(loose) + "\n", expect="ask", trap="cell|comma|column|quot")
    shifted = [line if i % 60 or not i else line.replace("T", "T", 1).replace(",pn,", ",pn, left,").replace(",lipid,", ",lipid, left,") for i, line in enumerate(lines)]
    yield dress("a comma not quoted that moves the cells", "\n".join(shifted) + "\n", None, expect="ask", trap="cell|comma|column|quot")
    twice = text(A, WHOLE) + "".join(line + "\n" for line in lines[1:])
    yield dress("every row twice", twice)
    some = [replace(r, pressure=str(int(r.pressure) + 30)) for r in A[::20]]
    yield dress("one row in twenty again with another pressure", text(sorted([*A, *some], key=lambda r: r.time), WHOLE), None, expect="ask", trap="same time|one time|channel|pump")
    yield dress("a header of other names half-way", text(A[:240], WHOLE) + text(A[240:], [("When", WHOLE[0][1]), ("Pump", CHANNEL[1]), ("P2 [mmHg]", PRESSURE[1]), ("Flow [ml/h]", RATE[1]), VOLUME, LIMIT]), None, expect="ask", trap="header|line|row|time|number")


WORDS = {
    "English": {"pause": "Paused", "resume": "Resumed", "occlusion_alarm": "Occlusion alarm", "alarm_cleared": "Alarm cleared", "filter_change": "Filter changed", "rate_change": "Rate changed", "set_change": "Set changed", "clamp_opened": "Clamp opened"},
    "German": {"pause": "Pause", "resume": "Fortgesetzt", "occlusion_alarm": "Verschlussalarm", "alarm_cleared": "Alarm quittiert", "filter_change": "Filterwechsel", "rate_change": "Ratenänderung", "set_change": "Systemwechsel", "clamp_opened": "Klemme geöffnet"},
    "French": {"pause": "Pause", "resume": "Reprise", "occlusion_alarm": "Alarme d'occlusion", "alarm_cleared": "Alarme acquittée", "filter_change": "Changement de filtre", "rate_change": "Changement de débit", "set_change": "Changement de tubulure", "clamp_opened": "Clamp ouvert"},
    "Spanish": {"pause": "Pausa", "resume": "Reanudación", "occlusion_alarm": "Alarma de oclusión", "alarm_cleared": "Alarma anulada", "filter_change": "Cambio de filtro", "rate_change": "Cambio de velocidad", "set_change": "Cambio de equipo", "clamp_opened": "Pinza abierta"},
    "Italian": {"pause": "Pausa", "resume": "Ripresa", "occlusion_alarm": "Allarme occlusione", "alarm_cleared": "Allarme tacitato", "filter_change": "Cambio filtro", "rate_change": "Cambio velocità", "set_change": "Cambio deflussore", "clamp_opened": "Morsetto aperto"},
    "Polish": {"pause": "Pauza", "resume": "Wznowienie", "occlusion_alarm": "Alarm okluzji", "alarm_cleared": "Alarm skasowany", "filter_change": "Wymiana filtra", "rate_change": "Zmiana prędkości", "set_change": "Wymiana zestawu", "clamp_opened": "Zacisk otwarty"},
}


def with_events(name, events, columns, rows=A, happened=None, mark=",", **more):
    return Dress(name, {"export.csv": text(rows, WHOLE), "events.csv": text(events, columns, mark)}, truth=rows, events="events.csv", happened=happened, **more)


def events():
    when = ("Time", lambda e: e.time.isoformat())
    plain = [when, ("Channel", lambda e: e.channel), ("Event", lambda e: e.event), ("Detail", lambda e: e.detail)]
    yield with_events("events, plain", A_EVENTS, plain, happened=A_EVENTS)
    yield with_events("events, plain, of the long record", B_EVENTS, plain, B, happened=B_EVENTS)
    yield with_events("events at local times", A_EVENTS, [local("%Y-%m-%d %H:%M:%S"), *plain[1:]], happened=A_EVENTS, answers={"events.zone": "+01:00", "trace.zone": "+01:00"})
    yield with_events("events in words with blanks", A_EVENTS, [*plain[:2], ("Event", lambda e: e.event.replace("_", " ").title()), plain[3]], happened=A_EVENTS)
    for language, words in WORDS.items():
        answers = {f"events.words.{w}": k for k, w in words.items()} | {f'events.words."{w}"': k for k, w in words.items()} | {f"events.event_words.{w}": k for k, w in words.items()}
        for which, rows, happened in (("short", A, A_EVENTS), ("long", B, B_EVENTS)):
            yield with_events(f"events in {language}, {which} record", happened, [*plain[:2], ("Event", lambda e, w=words: w[e.event]), plain[3]], rows, happened=happened, answers=answers)
    for said in ("No occlusion detected", "Upstream occlusion", "Self test: occlusion alarm OK", "Occlusion alarm test passed", "Kein Verschluss", "Occlusion limit changed", "Pas d'occlusion", "Occlusion alarm disabled"):
        odd = [*A_EVENTS, replace(A_EVENTS[0], event=said, time=A[30].time)]
        odd_one = with_events(f"event `{said}`", sorted(odd, key=lambda e: e.time), plain, happened=None, expect="ask", trap="occlu|verschluss|word")
        odd_one.never = "occlusion_alarm", A[30].time
        yield odd_one
    unknown = sorted([*A_EVENTS, replace(A_EVENTS[0], event="Zorg", time=A[30].time), replace(A_EVENTS[0], event="Blim 7", time=A[60].time)], key=lambda e: e.time)
    yield with_events("events of unknown words", unknown, plain, happened=None, expect="ask", trap="Zorg|word")
    codes = {k: str(100 + i) for i, k in enumerate(sorted({e.event for e in A_EVENTS}))}
    yield with_events("events as numbers", A_EVENTS, [*plain[:2], ("Code", lambda e: codes[e.event])], happened=None, expect="ask", trap="code|word|event")
    yield with_events("events and nothing else", A_EVENTS, [when, ("Text", lambda e: e.event)], happened=[replace(e, channel="") for e in A_EVENTS])
    alarm = lambda r: "Occlusion" if r.channel == "lipid" and float(r.rate) == 0 and r.time.minute >= 45 else ""
    yield dress("alarms in a column of the trace", text(A, [*WHOLE, ("Alarm", alarm)]), expect="ask", trap="alarm|event", answers={})


def png():
    raw = b"".join(b"\0" + bytes(range(64)) * 3 for _ in range(64))
    part = lambda kind, data: struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))
    return b"\x89PNG\r\n\x1a\n" + part(b"IHDR", struct.pack(">IIBBBBB", 64, 64, 8, 2, 0, 0, 0)) + part(b"IDAT", zlib.compress(raw)) + part(b"IEND", b"")


def no_logs():
    bank = "Date;Payee;Amount;Currency\n" + "".join(f"{d:02}.03.2031;Baker {d};{d * 3},20;EUR\n" for d in range(1, 29))
    weather = "time,temperature [°C],humidity [%],wind [m/s]\n" + "".join(f"2031-03-01T{h:02}:00:00Z,{h / 3:.1f},{60 + h},{h % 5}\n" for h in range(24))
    people = "name,street,town\n" + "".join(f"Person {i},Road {i},Town\n" for i in range(30))
    yield dress("a bank statement", bank, None, expect="refuse")
    yield dress("a record of the weather", weather, None, expect="refuse")
    yield dress("a list of addresses", people, None, expect="refuse")
    yield dress("a picture", png(), None, file="export.csv", expect="refuse")
    yield dress("a picture by its name", png(), None, file="export.png", expect="refuse")
    yield dress("a page", "<!doctype html><html><body><table><tr><td>Time</td></tr></table></body></html>\n", None, file="export.html", expect="refuse")
    yield dress("JSON", '[{"time": "2031-03-04T08:00:00Z", "pressure": 20, "rate": 4}]\n', None, file="export.json", expect="refuse")
    yield dress("JSON under the name of a table", '[{"time": "2031-03-04T08:00:00Z", "pressure": 20, "rate": 4}]\n', None, expect="refuse")
    yield dress("a document", b"%PDF-1.7\n1 0 obj\n<< /Type /Catalog >>\nendobj\n%%EOF\n", None, file="export.pdf", expect="refuse")
    yield dress("a letter", "Dear colleague,\n\nplease find the record of last night enclosed.\n\nKind regards\n", None, file="export.txt", expect="refuse")
    yield dress("nothing", "", None, expect="refuse")
    yield dress("empty lines only", "\n\n\n", None, expect="refuse")
    yield dress("a header only", text([], WHOLE), None, expect="refuse")
    yield dress("noise", bytes((i * i * 31 + i // 7) % 251 for i in range(5000)), None, file="export.bin", expect="refuse")
    yield dress("a workbook cut short", b"PK\x03\x04" + bytes(range(200)), None, file="export.xlsx", expect="refuse")


def all_of_them():
    for part in (mixed_rows, events, no_logs):
        yield from part()
