"""Writes the small workbooks and tables of columns in tests/it/data/tables, with libraries other than the one that the program reads with.

    python3 -m venv venv && venv/bin/pip install -r scripts/tables/requirements.txt
    venv/bin/python scripts/tables/make.py tests/it/data/tables

All of it is made up: the house of Weidenau, its pumps and whoever is named do not exist. Every workbook holds the same
figures, `PRESSURE_MMHG` and `RATES_ML_H`; the tests know them too.
"""

import datetime as dt
import sys
from pathlib import Path

import odf.opendocument
import odf.style
import odf.table
import odf.text
import openpyxl
import pyarrow as pa
import pyarrow.feather
import pyarrow.parquet
import xlwt
from openpyxl.utils.datetime import CALENDAR_MAC_1904

START = dt.datetime(2031, 3, 4, 23, 57)
ROWS = 24  # one in 30 s, over midnight
STEP = dt.timedelta(seconds=30, milliseconds=125)
RATES_ML_H = {"1": 4.25, "2": 0.8}
KPA = 0.133322387415  # one mmHg: 13.5951 g/cm3 x 9.80665 m/s2 x 1 mm


def pressure_mmhg(channel: str, row: int) -> float:
    return 30.5 + 10 * int(channel) + (row * 7 + int(channel)) % 11


def moment(row: int) -> dt.datetime:
    return START + row * STEP


def export(path: Path, epoch_1904: bool) -> None:
    """Preamble, a hidden sheet, dates of which every fifth is text, numbers of which some are text, a footer."""
    book = openpyxl.Workbook()
    if epoch_1904:
        book.epoch = CALENDAR_MAC_1904
    sheet = book.active
    sheet.title = "Messwerte"
    sheet.append(["Protokoll Haus Weidenau"])
    sheet.append(["Patient", "Zyx Wvut"])
    sheet.append([])
    sheet.append(["Zeitpunkt", "Kanal", "Druck [kPa]", "Förderrate (mL/h)", "Patient", "Grenze [kPa]"])
    for row in range(ROWS):
        for channel, rate in RATES_ML_H.items():
            when = moment(row)
            if row % 5 == 3:
                when = when.strftime("%d.%m.%Y %H:%M:%S.%f")[:-3]
            pressure = pressure_mmhg(channel, row) * KPA
            if row == 7:
                pressure = "---"
            elif row == 8:
                pressure = f"{pressure:.12f}".replace(".", ",")
            sheet.append([when, int(channel), pressure, rate, "Zyx Wvut", 60])
    sheet.append(["Ende des Protokolls"])
    hidden = book.create_sheet("Notizen")
    hidden.append(["Zyx Wvut", "not to be read"])
    hidden.sheet_state = "hidden"
    book.save(path)


def contract(path: Path) -> None:
    """The contract's columns, time as a duration, trace and events in one workbook; the first hours are over a day."""
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.title = "Trace"
    sheet.append(["time", "channel", "pressure_mmhg", "rate_ml_h", "patient"])
    for row in range(ROWS):
        for channel, rate in RATES_ML_H.items():
            sheet.append([dt.timedelta(hours=23, minutes=57) + row * STEP, channel, pressure_mmhg(channel, row), rate, "Zyx"])
            sheet.cell(sheet.max_row, 1).number_format = "[h]:mm:ss.000"
    events = book.create_sheet("Events")
    events.append(["time", "channel", "event", "detail"])
    events.append([dt.timedelta(hours=24, minutes=1), "1", "rate_change", 4.25])
    events.cell(2, 1).number_format = "[h]:mm:ss"
    book.save(path)


def old(path: Path) -> None:
    """Date and time of day apart, in the kind of before 2007."""
    book = xlwt.Workbook()
    sheet = book.add_sheet("Log")
    for column, name in enumerate(["Date", "Clock", "Pump", "Pressure [mbar]", "Rate (mL/h)"]):
        sheet.write(0, column, name)
    day = xlwt.easyxf(num_format_str="DD.MM.YYYY")
    clock = xlwt.easyxf(num_format_str="HH:MM:SS.000")
    line = 1
    for row in range(ROWS):
        for channel, rate in RATES_ML_H.items():
            when = moment(row)
            of_day = (when - dt.datetime.combine(when.date(), dt.time())) / dt.timedelta(days=1)
            sheet.write(line, 0, when.date(), day)
            sheet.write(line, 1, of_day, clock)
            sheet.write(line, 2, f"rack {channel}")
            sheet.write(line, 3, pressure_mmhg(channel, row) * KPA * 10)
            sheet.write(line, 4, rate)
            line += 1
    book.save(str(path))


def open_document(path: Path) -> None:
    """Dates and times of day apart, a repeated row of blanks below."""
    book = odf.opendocument.OpenDocumentSpreadsheet()
    table = odf.table.Table(name="Log")

    def line(*cells):
        row = odf.table.TableRow()
        for cell in cells:
            row.addElement(cell)
        table.addElement(row)

    def text(value):
        cell = odf.table.TableCell(valuetype="string")
        cell.addElement(odf.text.P(text=value))
        return cell

    def number(value):
        return odf.table.TableCell(valuetype="float", value=repr(value))

    line(*map(text, ["Date", "Clock", "Pump", "Pressure [mm[Hg]]", "Rate (µL/min)"]))
    for row in range(ROWS):
        for channel, rate in RATES_ML_H.items():
            when = moment(row)
            line(
                odf.table.TableCell(valuetype="date", datevalue=when.date().isoformat()),
                odf.table.TableCell(valuetype="time", timevalue=when.strftime("PT%HH%MM%S.%fS")[:-4] + "S"),
                text(channel),
                number(pressure_mmhg(channel, row)),
                number(rate / 0.06),
            )
    table.addElement(odf.table.TableRow(numberrowsrepeated=1_048_000))
    book.spreadsheet.addElement(table)
    book.save(str(path))


def durations(path: Path) -> None:
    """The contract's columns, time as an OpenDocument duration of less than a day."""
    book = odf.opendocument.OpenDocumentSpreadsheet()
    table = odf.table.Table(name="Trace")
    header = odf.table.TableRow()
    for name in ["time", "channel", "pressure_mmhg", "rate_ml_h"]:
        cell = odf.table.TableCell(valuetype="string")
        cell.addElement(odf.text.P(text=name))
        header.addElement(cell)
    table.addElement(header)
    for row in range(ROWS):
        for channel, rate in RATES_ML_H.items():
            seconds = row * STEP / dt.timedelta(seconds=1)
            line = odf.table.TableRow()
            line.addElement(odf.table.TableCell(valuetype="time", timevalue=f"PT00H{int(seconds // 60):02}M{seconds % 60:06.3f}S"))
            for value in [float(channel), pressure_mmhg(channel, row), rate]:
                line.addElement(odf.table.TableCell(valuetype="float", value=repr(value)))
            table.addElement(line)
    book.spreadsheet.addElement(table)
    book.save(str(path))


def narrow(folder: Path) -> None:
    """Names as dictionaries, with keys of several widths and in several batches; integers of 8 and 16 bits."""
    rows = [(row, channel) for row in range(ROWS) for channel in RATES_ML_H]

    def names(part, key):
        words = pa.array([f"pump {channel}" for _, channel in part])
        return words.dictionary_encode().cast(pa.dictionary(key, pa.string()))

    def table(part, key):
        return pa.table(
            {
                "infusion": pa.array(["first"] * len(part)).dictionary_encode(),
                "time": pa.array([row * 30 for row, _ in part], pa.int16()),
                "channel": names(part, key),
                "pressure_mmhg": pa.array([None if row == 7 else int(pressure_mmhg(channel, row) - 0.5) for row, channel in part], pa.uint8()),
                "rate_ml_h": pa.array([int(channel) for _, channel in part], pa.int8()),
                "limit_mmhg": pa.array([450] * len(part), pa.uint16()),
            }
        )

    whole = table(rows, pa.int16())
    pa.parquet.write_table(whole, folder / "narrow.parquet", version="2.6")
    pa.parquet.write_table(whole, folder / "narrow-1.parquet", version="1.0")
    pa.feather.write_feather(whole, str(folder / "narrow.arrow"), compression="lz4", chunksize=20)
    halves = [table(rows[:24], pa.int8()), table(rows[24:], pa.int8())]
    with pa.ipc.new_stream(str(folder / "narrow.arrows"), halves[0].schema) as stream:
        for half in halves:
            stream.write_table(half)


def columns(folder: Path) -> None:
    """The contract's columns: moments with a zone, names as a dictionary, a column nobody asks for."""
    rows = [(row, channel) for row in range(ROWS) for channel in RATES_ML_H]
    zone = dt.timezone(dt.timedelta(hours=1))
    table = pa.table(
        {
            "time": pa.array([moment(row).replace(tzinfo=zone) for row, _ in rows], pa.timestamp("ms", tz="Europe/Berlin")),
            "channel": pa.array([channel for _, channel in rows]),
            "pressure_mmhg": pa.array([None if row == 7 else pressure_mmhg(channel, row) for row, channel in rows]),
            "rate_ml_h": pa.array([RATES_ML_H[channel] for _, channel in rows]),
            "limit_mmhg": pa.array([450] * len(rows), pa.int32()),
            "level": pa.array([3] * len(rows), pa.int16()),
            "waveform": pa.array([[1.0, 2.0]] * len(rows)),
        }
    )
    pa.parquet.write_table(table, folder / "columns.parquet", compression="zstd")
    pa.feather.write_feather(table, str(folder / "columns.arrow"), compression="zstd")
    with pa.ipc.new_stream(str(folder / "columns.arrows"), table.schema) as stream:
        stream.write_table(table)
    local = pa.table(
        {
            "Zeit": pa.array([moment(row) for row, _ in rows], pa.timestamp("us")),
            "Pumpe": pa.array([channel for _, channel in rows]).dictionary_encode(),
            "Druck [kPa]": pa.array([pressure_mmhg(channel, row) * KPA for row, channel in rows]),
            "Rate (mL/min)": pa.array([RATES_ML_H[channel] / 60 for _, channel in rows]),
        }
    )
    pa.parquet.write_table(local, folder / "local.parquet")
    pa.feather.write_feather(local, str(folder / "local.arrow"), compression="lz4")


if __name__ == "__main__":
    folder = Path(sys.argv[1])
    folder.mkdir(parents=True, exist_ok=True)
    export(folder / "export.xlsx", epoch_1904=False)
    export(folder / "export-1904.xlsx", epoch_1904=True)
    contract(folder / "contract.xlsx")
    old(folder / "old.xls")
    open_document(folder / "open.ods")
    durations(folder / "durations.ods")
    columns(folder)
    narrow(folder)
