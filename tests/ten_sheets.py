"""Ten invented sheets of throws, as different as departments are: the demo's throws as others would write them."""

import csv
import datetime
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import openpyxl

from jetsim import units

DEMO = Path(__file__).resolve().parents[1] / "studies" / "inputs" / "field_test_throws.csv"
Row = Mapping[str, str]
LABELS = {"a": "15/16 tip, full ball", "b": "15/16 tip, slide", "c": "fog, full ball", "d": "fog, cut-away",
          "e": "fog with slide"}  # fmt: skip
POINTS = ("N", "NNE", "NE", "ENE", "E", "ESE", "SE", "SSE", "S", "SSW", "SW", "WSW", "W", "WNW", "NW", "NNW")


def demo_rows() -> list[Row]:
    """The demo's throws that count, numbered anew."""
    with DEMO.open(encoding="utf-8", newline="") as stream:
        return [row for row in csv.DictReader(stream) if row["excluded"] == "no"]


def number(row: Row, column: str, unit: str, digits: int = 4) -> float:
    """A reading in another unit, as somebody would round it."""
    name = next(key for key in row if key.rpartition("_")[0] == column)
    was = {"psi": "psi", "gpm": "gpm", "lbf": "lbf", "deg": "deg", "mph": "mph", "ft": "ft"}[name.rpartition("_")[2]]
    return float(f"{float(units.from_si(units.to_si(float(row[name]), was), unit)):.{digits}g}")


def comma(value: float) -> str:
    """A number with a decimal comma."""
    return f"{value:g}".replace(".", ",")


def point_of(row: Row) -> str:
    """Direction of the wind as a point of the compass."""
    return POINTS[round(float(row["wind_from_deg"]) / 22.5) % 16]


def text_of(table: list[list[Any]], separator: str, end: str = "\r\n") -> str:
    """Rows as text; cells with the separator are quoted."""

    def cell(value: Any) -> str:
        text = str(value)
        return '"' + text.replace('"', '""') + '"' if separator in text or '"' in text else text

    return end.join(separator.join(map(cell, row)) for row in table) + end


def german(folder: Path) -> Path:
    """Semicolons, decimal commas, bar and metres, an older encoding, title rows."""
    table = [["Wurfweiten, Übungsplatz"] + [""] * 8, ["Gerät geprüft;"] + [""] * 8,
             ["Lfd. Nr", "Runde", "Strahlrohr", "Druck am Rohr [bar]", "Durchfluss [l/min]",
              "Windgeschwindigkeit [km/h]", "Windrichtung [°]", "Wurfweite [m]", "Bemerkung"]]  # fmt: skip
    read = (("nozzle_pressure", "bar"), ("flow", "L/min"), ("wind_speed", "km/h"), ("wind_from", "deg"),
            ("farthest_drops", "m"))  # fmt: skip
    for row in demo_rows():
        table.append([row["run_order"], row["block"], LABELS[row["setup"]],
                      *(comma(number(row, name, unit)) for name, unit in read), "für alle"])  # fmt: skip
    path = folder / "german.csv"
    path.write_bytes(text_of(table, ";").encode("cp1252"))
    return path


def titled(folder: Path) -> Path:
    """A workbook with title rows, a merged title and units in brackets."""
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.title = "Throws"
    sheet.append(["Drill ground, nozzle trial"])
    sheet.merge_cells("A1:F1")
    sheet.append([])
    sheet.append(["Throw #", "Round", "Nozzle used", "Tip pressure (psi)", "PDP (psi)", "Flow (gpm)", "Wind (mph)",
                  "Wind direction", "Breakup (ft)", "Max reach (ft)", "Read by"])  # fmt: skip
    for row in demo_rows():
        sheet.append([int(row["run_order"]), int(row["block"]), LABELS[row["setup"]],
                      *(float(row[name]) for name in (
                          "nozzle_pressure_psi", "pump_pressure_psi", "flow_gpm", "wind_speed_mph", "wind_from_deg",
                          "breakup_distance_ft", "farthest_drops_ft")), row["observer"]])  # fmt: skip
    path = folder / "titled.xlsx"
    book.save(path)
    return path


def metric_tabs(folder: Path) -> Path:
    """Tabs and UTF-16, as a spreadsheet's "Unicode text"; a row of units below the header."""
    table: list[list[Any]] = [
        ["run", "block", "setup", "nozzle pressure", "reaction", "angle", "wind speed", "wind direction", "reach"],
        ["", "", "", "kPa", "N", "deg", "m/s", "deg", "m"],
    ]
    for row in demo_rows():
        table.append([row["run_order"], row["block"], row["setup"], number(row, "nozzle_pressure", "kPa"),
                      number(row, "reaction", "N"), row["elevation_deg"], number(row, "wind_speed", "m/s"),
                      row["wind_from_deg"], number(row, "farthest_drops", "m")])  # fmt: skip
    path = folder / "metric.txt"
    path.write_bytes(text_of(table, "\t").encode("utf-16"))
    return path


def gusty(folder: Path) -> Path:
    """Wind as gusts and points of the compass, distances in the cells' own unit."""
    table: list[list[Any]] = [["No.", "Block", "Set-up", "NP psi", "Wind", "From", "Reach"]]
    for row in demo_rows():
        speed = round(number(row, "wind_speed", "mph"))
        table.append([row["run_order"], row["block"], row["setup"].upper(), number(row, "nozzle_pressure", "psi"),
                      f"{speed} gusting {speed + 3} mph" if speed else "calm", point_of(row),
                      f"{number(row, 'farthest_drops', 'ft'):g}'"])  # fmt: skip
    path = folder / "gusty.csv"
    path.write_text(text_of(table, ","), encoding="utf-8-sig", newline="")
    return path


def from_the_pump(folder: Path) -> Path:
    """Nobody read the pressure at the nozzle."""
    table: list[list[Any]] = [
        ["run", "block", "setup", "PDP [psi]", "wind [mph]", "wind direction [deg]", "reach [ft]"]
    ]
    for row in demo_rows():
        table.append([row["run_order"], row["block"], row["setup"], row["pump_pressure_psi"], row["wind_speed_mph"],
                      row["wind_from_deg"], row["farthest_drops_ft"]])  # fmt: skip
    path = folder / "pump.csv"
    path.write_text(text_of(table, ","), encoding="utf-8", newline="")
    return path


def three_days(folder: Path) -> Path:
    """A workbook of three days, whose throws and blocks are numbered anew each day."""
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.append(["Date", "No", "Block", "Setup", "Nozzle psi", "Flow gpm", "Wind mph", "Wind dir deg", "Reach ft"])
    numbers: dict[int, int] = {}
    for row in demo_rows():
        day = min((int(row["block"]) - 1) // 3, 2)
        numbers[day] = numbers.get(day, 0) + 1
        sheet.append([datetime.date(2026, 10, 5 + day), numbers[day], int(row["block"]) - 3 * day, row["setup"],
                      *(float(row[name]) for name in ("nozzle_pressure_psi", "flow_gpm", "wind_speed_mph",
                                                      "wind_from_deg", "farthest_drops_ft"))])  # fmt: skip
    path = folder / "days.xlsx"
    book.save(path)
    return path


def blanks(folder: Path) -> Path:
    """Cells that nobody filled, a different one in every row."""
    names = ("elevation_deg", "wind_from_deg", "flow_gpm", "nozzle_pressure_psi", "wind_speed_mph")
    keep = ["run_order", "block", "setup", "nozzle_pressure_psi", "pump_pressure_psi", "flow_gpm", "elevation_deg",
            "wind_speed_mph", "wind_from_deg", "farthest_drops_ft"]  # fmt: skip
    table: list[list[Any]] = [[name.replace("_", " ") for name in keep]]
    for n, row in enumerate(demo_rows()):
        table.append(["" if name == names[n % len(names)] else row[name] for name in keep])
    path = folder / "blanks.csv"
    path.write_text(text_of(table, ","), encoding="utf-8", newline="")
    return path


def old(folder: Path) -> Path:
    """An old sheet without order, block or observer; carriage returns; Beaufort; set-up by set-up."""
    scale = (0.3, 1.6, 3.4, 5.5, 8.0)
    table: list[list[Any]] = [
        ["Nozzle", "Pressure at nozzle (psi)", "Wind force (Beaufort)", "Wind bearing", "Distance (feet)"]
    ]
    for row in sorted(demo_rows(), key=lambda row: row["setup"]):
        force = sum(number(row, "wind_speed", "m/s") >= low for low in scale)
        table.append([row["setup"], number(row, "nozzle_pressure", "psi", 2), force, point_of(row),
                      row["farthest_drops_ft"]])  # fmt: skip
    path = folder / "old.csv"
    path.write_text(text_of(table, ",", "\r"), encoding="utf-8", newline="")
    return path


def breakup_alone(folder: Path) -> Path:
    """Breakup of one set-up by tape, in feet and inches: the smallest field test."""
    table: list[list[Any]] = [["Breakup by tape", "Tip pressure"]]
    for row in demo_rows():
        if row["setup"] == "b":
            inches = round(12 * float(row["breakup_distance_ft"]))
            table.append([f"{inches // 12}' {inches % 12}\"", f"{number(row, 'nozzle_pressure', 'psi'):g} psi"])
    path = folder / "breakup.csv"
    path.write_text(text_of(table, ","), encoding="utf-8", newline="")
    return path


def two_sheets(folder: Path) -> Path:
    """Units in every cell, set-ups merged over their rows, and a second worksheet."""
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.title = "Readings"
    sheet.append(["setting", "pitot", "flowmeter", "wind", "wind dir", "reach"])
    rows = sorted(demo_rows(), key=lambda row: row["setup"])
    for row in rows:
        sheet.append([row["setup"], f"{number(row, 'nozzle_pressure', 'bar'):g} bar", f"{row['flow_gpm']} GPM",
                      f"{number(row, 'wind_speed', 'kn'):g} knots", f"{row['wind_from_deg']}°",
                      f"{number(row, 'farthest_drops', 'm'):g} m"])  # fmt: skip
    start = 2
    for name in LABELS:
        count = sum(row["setup"] == name for row in rows)
        sheet.merge_cells(start_row=start, end_row=start + count - 1, start_column=1, end_column=1)
        start += count
    book.create_sheet("Crew list").append(["name"])
    path = folder / "two.xlsx"
    book.save(path)
    return path


SHEETS: dict[str, Callable[[Path], Path]] = {
    made.__name__: made
    for made in (german, titled, metric_tabs, gusty, from_the_pump, three_days, blanks, old, breakup_alone, two_sheets)
}
ONLY = {"breakup_alone": ("b",)}  # set-ups of those that do not hold all
WORKSHEET = {"two_sheets": "Readings"}
