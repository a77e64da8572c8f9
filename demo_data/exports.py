"""The company's exports, as offices and recorders really write them: mixed habits, mixed units, some dirt."""

from __future__ import annotations

import csv
import gzip
import io
import shutil
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import notes
import numpy as np
import weather_blocks
import xlsxwriter
from fleet import Unit
from loggers import Logger
from refrigerants import KPA_PER_PSI, barometer_kpa, kpa_to_psig
from scenario import COMPANY, Options
from seasons import Call
from visits import TOLD_WRONG
from weather_blocks import Weather

OFFICE_ZONE = ZoneInfo("America/Chicago")
UTC = ZoneInfo("UTC")
CALL_HEADER = [
    "Ticket",
    "Unit",
    "Opened",
    "Closed",
    "Type",
    "Complaint",
    "Findings",
    "Work done",
    "Tech",
    "Labor hrs",
    "Travel hrs",
    "Parts $",
    "Status",
]
TYPES = {"service": "SVC", "planned": "PM", "return": "RTN", "quote": "QUOTE"}
STATUSES = {"completed": "Closed", "cancelled": "Cancelled", "open": "Open"}
REFRIGERANT_SPELLINGS = {
    "R-410A": ["R-410A", "R410A", "R410a", "410A", "R-410a", "410a"],
    "R-22": ["R-22", "R22", "HCFC-22", "22", "R 22"],
    "R-407C": ["R-407C", "R407C", "407c"],
    "R-454B": ["R-454B", "R454B", "454B"],
    "R-32": ["R-32", "R32"],
    "R-134a": ["R-134a", "R134A", "134a", "HFC-134a"],
    "R-513A": ["R-513A", "R513a"],
    "R-404A": ["R-404A", "R404A", "404a", "R-404a"],
    "R-448A": ["R-448A", "R448A", "448A"],
    "R-449A": ["R-449A", "R449A"],
    "R-507A": ["R-507A", "R507", "507A"],
    "R-407A": ["R-407A", "R407A"],
    "R-290": ["R-290", "R290", "propane"],
}
ODD_REFRIGERANTS = ["R-409A", "R-438A", "unknown", "??", "see plate"]  # no saturation data, or no answer at all
DUTIES = {
    "year-round": ["24x7", "24/7", "Year round"],
    "comfort": ["Comfort", "comfort", "Comfort AC"],
    "refrigeration": ["Refrig", "Refrigeration"],
}
HEADS = {
    "none": ["None", "N", "no"],
    "fan cycling": ["FC switch", "Fan cycling"],
    "fan staging by ambient": ["Ambient stage"],
    "fan speed": ["Fan speed", "VSD fan"],
    "flooded": ["Flooded"],
    "floating": ["Floating"],
    "dampers": ["Dampers"],
    "unknown": ["?", "Unknown"],
}
COVERAGES = {"full": "Full service", "time and material": "T&M", "warranty": "Warranty"}


def write_bytes(path: Path, data: bytes) -> None:
    """Writes a file, compressed without a clock in it when its name says gz."""
    path.parent.mkdir(parents=True, exist_ok=True)
    if path.suffix == ".gz":
        packed = io.BytesIO()
        with gzip.GzipFile(filename="", fileobj=packed, mode="wb", mtime=0, compresslevel=9) as stream:
            stream.write(data)
        data = packed.getvalue()
    path.write_bytes(data)


def write_csv(
    path: Path,
    header: list[str],
    rows: list[list[object]],
    encoding: str = "utf-8",
    newline: str = "\n",
    delimiter: str = ",",
    quoting: int = csv.QUOTE_MINIMAL,
) -> None:
    """A delimited file in one of the habits."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator=newline, delimiter=delimiter, quoting=quoting)  # type: ignore[arg-type]
    writer.writerow(header)
    writer.writerows(rows)
    write_bytes(path, text.getvalue().encode(encoding))


@dataclass
class Books:
    """Everything that is exported about one fleet."""

    options: Options
    units: list[Unit]
    weather: dict[str, Weather]
    calls: list[Call]
    rng: np.random.Generator

    def at(self, hours: float) -> datetime:
        """The UTC instant of an hour of the span."""
        return self.options.first_hour + timedelta(seconds=round(hours * 3600))


# --- sites, units, aliases, stations ---------------------------------------------------------------------------


def write_sites(books: Books, folder: Path) -> None:
    """Semicolons, a byte-order mark, feet."""
    seen = {unit.site.site_id: unit.site for unit in books.units}
    rows = [
        [
            s.site_id,
            s.name,
            s.latitude,
            s.longitude,
            round(s.elevation_m / 0.3048),
            s.time_zone,
            s.station_id if books.rng.random() < 0.8 else "",
        ]
        for s in seen.values()
    ]
    write_csv(
        folder / "sites.csv",
        ["Site No", "Site Name", "Lat", "Lon", "Elev ft", "TZ", "Wx Stn"],
        rows,
        encoding="utf-8-sig",
        newline="\r\n",
        delimiter=";",
    )


def write_stations(books: Books, folder: Path) -> None:
    """The weather stations."""
    rows = [
        [w.station.station_id, w.station.name, w.station.latitude, w.station.longitude, w.station.elevation_m]
        for w in books.weather.values()
    ]
    write_csv(folder / "stations.csv", ["station_id", "name", "latitude", "longitude", "elevation_m"], rows)


UNIT_HEADER = [
    "Unit Tag",
    "Site No",
    "Description",
    "Refrigerant",
    "Tons",
    "Ckts",
    "Cond Fans",
    "Shared Cond",
    "Service Type",
    "Space F",
    "Heat Pump",
    "Pump Down",
    "Head Press Ctrl",
    "Econ",
    "LP Loc",
    "LP Out psig",
    "LP Reset psig",
    "HP Out psig",
    "Fan On psig",
    "Fan Off psig",
    "Coverage",
    "Outage $/h",
    "Installed",
    "Retired",
    "Served From",
    "Served To",
]


def listed(books: Books, unit: Unit) -> dict[str, object]:
    """A unit as the office has it: mostly right, partly blank, now and then wrong."""
    rng = books.rng
    head = unit.head
    roll = rng.random()
    if roll < 0.2:
        head = "unknown"
    elif roll < 0.3:
        head = ""
    elif roll < 0.35:
        head = str(rng.choice(["none", "fan cycling"]))
    spelling = str(rng.choice(REFRIGERANT_SPELLINGS[unit.refrigerant]))
    roll = rng.random()
    if roll < 0.02:
        spelling = str(rng.choice(ODD_REFRIGERANTS))
    elif roll < 0.04:
        spelling = ""
    elif roll < 0.05:
        spelling = "R-22" if unit.refrigerant != "R-22" else "R-410A"

    def known(value: float, share: float) -> object:
        return value if rng.random() < share else ""

    lp = unit.lp_nominal_psig if rng.random() > 0.08 else (unit.lp_nominal_psig[0] + 12, unit.lp_nominal_psig[1] - 20)
    fans = [round(float(kpa_to_psig(kpa))) for kpa in unit.fan_nominal_kpa] if unit.head == "fan cycling" else ["", ""]
    has_lp = rng.random() < 0.6
    words = {"walk-in cooler": "walk-in cooler cond unit", "walk-in freezer": "walk-in freezer cond unit"}.get(
        unit.use, f"{'packaged' if unit.circuits == 2 else 'split'} {unit.use}"
    )
    return {
        "description": words if rng.random() < 0.8 else "",
        "refrigerant": spelling,
        "head": str(rng.choice(HEADS[head])) if head else "",
        "head_meant": head,
        "lp": lp if has_lp else ("", ""),
        "hp": known(unit.hp_nominal_psig[0], 0.5),
        "fans": fans if rng.random() < 0.5 else ["", ""],
        "circuits": known(unit.circuits, 0.9),
        "cond_fans": known(unit.fans, 0.85),
        "duty": str(rng.choice(DUTIES[unit.duty])),
    }


def write_units(books: Books, folder: Path) -> None:
    """A workbook with two lines above its header."""
    path = folder / "units.xlsx"
    path.parent.mkdir(parents=True, exist_ok=True)
    book = xlsxwriter.Workbook(str(path), {"in_memory": True})
    book.set_properties({"title": "Equipment list", "author": COMPANY, "created": datetime(2018, 9, 30, 12, 0)})
    sheet = book.add_worksheet("Equipment")
    dates = book.add_format({"num_format": "yyyy-mm-dd"})
    sheet.write(0, 0, f"{COMPANY} - equipment list")
    sheet.write_row(2, 0, UNIT_HEADER)
    for at, unit in enumerate(books.units, start=3):
        unit.listed = listed(books, unit)
        as_listed = unit.listed
        lane = unit.lanes[0]
        row = [
            unit.unit_id,
            unit.site.site_id,
            as_listed["description"],
            as_listed["refrigerant"],
            round(unit.capacity_kw / 3.51685, 1),
            as_listed["circuits"],
            as_listed["cond_fans"],
            "Y" if unit.shared_fans else "N",
            as_listed["duty"],
            round(unit.space_c * 1.8 + 32) if unit.duty == "refrigeration" else "",
            "Y" if unit.heat_pump else "N",
            "Y" if unit.pump_down else "N",
            as_listed["head"],
            "Y" if unit.economizer else "N",
            ("liquid" if lane["lp_at_liquid"] else "suction") if books.rng.random() < 0.5 else "",
            *as_listed["lp"],
            as_listed["hp"],
            *as_listed["fans"],  # type: ignore[misc]
            COVERAGES[unit.coverage],
            unit.outage_cost_per_h,
        ]
        for column, value in enumerate(row):
            if value != "":
                sheet.write(at, column, value)
        for column, day in enumerate(
            [unit.installed_on, unit.retired_on, unit.served_from, unit.served_to], start=len(row)
        ):
            if day is not None and not (column == len(row) and books.rng.random() < 0.25):
                sheet.write_datetime(at, column, datetime(day.year, day.month, day.day), dates)
    book.close()


def nickname(unit: Unit, at: int) -> str:
    """What a site calls a unit, which no rule would find."""
    return f"{unit.site.name.split(' ')[0]} roof {at % 7 + 1}"


def write_aliases(books: Books, folder: Path) -> dict[str, str]:
    """Nicknames of one unit in fifteen; gives unit -> nickname."""
    rows, used = [], {}
    for at, unit in enumerate(books.units):
        if books.rng.random() < 0.07:
            name = nickname(unit, at)
            if name not in [row[0] for row in rows]:
                rows.append([name, unit.unit_id])
                used[unit.unit_id] = name
    write_csv(folder / "aliases.csv", ["written", "unit_id"], rows)
    return used


def other_spelling(rng: np.random.Generator, unit_id: str) -> str:
    """The same tag as a tired hand writes it."""
    prefix, number = unit_id.split("-")
    return str(
        rng.choice(
            [
                f"{prefix.lower()}-{number}",
                f"{prefix} {number}",
                f"{prefix}{number}",
                f" {prefix}-{number}",
                f"{prefix.lower()} {number}",
                f"{prefix}_{number}",
            ]
        )
    )


# --- calls -----------------------------------------------------------------------------------------------------


def write_notes(books: Books) -> None:
    """Texts for every call: a quarter say almost nothing, a tenth name the wrong cause."""
    rng = books.rng
    for call in books.calls:
        unit = books.units[call.unit]
        facts = {"oat": str(round(call.outdoor_c * 1.8 + 32)), "ref": unit.refrigerant, "c": str(call.circuit or 1)}
        findings, actions = list(call.findings), list(call.actions)
        silent = bool(rng.random() < 0.25) and call.work_type in ("service", "return")
        if call.work_type == "service" and not call.cause.startswith("ordinary") and not silent and rng.random() < 0.13:
            call.told = str(rng.choice([w for w in TOLD_WRONG if w not in call.cause]))
            findings = [call.told] + findings[1:]
        call.texts = notes.write(rng, call.complaint, findings, actions, facts, silent)
        call.told = "almost nothing" if silent else call.told


def number_calls(books: Books) -> None:
    """Ticket numbers in the order in which the office opened them."""
    books.calls.sort(key=lambda call: (call.opened_h, call.unit))
    for at, call in enumerate(books.calls):
        call.call_id = f"QM{20417 + 3 * at}"


def office_time(books: Books, hours: float) -> str:
    """Local office time as the dispatch program prints it."""
    return books.at(hours).astimezone(OFFICE_ZONE).strftime("%m/%d/%Y %I:%M %p")


def call_row(books: Books, call: Call, aliases: dict[str, str]) -> list[object]:
    """One line of the export."""
    rng = books.rng
    unit_id = books.units[call.unit].unit_id
    written = unit_id
    roll = rng.random()
    if roll < 0.2:
        written = other_spelling(rng, unit_id)
    elif roll < 0.45 and unit_id in aliases:
        written = aliases[unit_id]
    elif roll > 0.992:
        written = unit_id[:-1] + str(rng.choice(["77", "88X", "?"]))
    closed = call.closed_h if call.status != "open" else None
    texts = [text.replace("deg ", "° ", 1) if rng.random() < 0.5 else text for text in call.texts]
    return [
        call.call_id,
        written,
        office_time(books, call.opened_h),
        office_time(books, closed) if closed else "",
        TYPES[call.work_type],
        *texts,
        call.technician,
        call.labour_h or "",
        call.travel_h or "",
        f"{call.parts_cost:.2f}" if call.parts_cost else "",
        STATUSES[call.status],
    ]


def duplicate_of(books: Books, row: list[object], call: Call, number: int) -> list[object]:
    """A second ticket for the same trouble: somebody else phoned too."""
    rng = books.rng
    again = list(row)
    again[0] = f"{row[0][:2]}{int(str(row[0])[2:]) + 1}"  # numbers go up in threes
    again[2] = office_time(books, call.opened_h + rng.uniform(0.1, 3.4))
    again[5] = ["dup of earlier call?", "2nd call same unit", str(row[5]), "customer called again"][number % 4]
    again[6], again[7], again[9], again[10], again[11] = "", "see other ticket" if number % 3 else "", "", "", ""
    return again


def _ragged(rng: np.random.Generator, rows: list[list[object]]) -> None:
    """A few lines too long, a few too short."""
    for at in range(len(rows)):
        roll = rng.random()
        if roll < 0.002:
            rows[at] = [*rows[at], "x"]
        elif roll < 0.004:
            rows[at] = rows[at][:9]


def write_calls(books: Books, folder: Path, aliases: dict[str, str]) -> None:
    """A file a year, January repeated in the next, one of them corrected later."""
    rng = books.rng
    rows: dict[int, list[list[object]]] = {}
    number = 0
    for call in books.calls:
        row = call_row(books, call, aliases)
        year = books.at(call.opened_h).astimezone(OFFICE_ZONE).year
        group = rows.setdefault(year, [])
        group.append(row)
        if call.work_type == "service" and call.status == "completed" and rng.random() < 0.018:
            group.append(duplicate_of(books, row, call, number))
            number += 1
    years = sorted(rows)
    for year in years:
        body = list(rows[year])
        if year + 1 in rows:  # printed late: the first days of January are in it as well
            body += rows[year + 1][: int(rng.integers(4, 12))]
        changed = [list(row) for row in body]
        if year == years[min(2, len(years) - 1)]:
            _write_corrected(books, folder, year, rows[year])
        _ragged(rng, changed)
        _clock_slips(rng, changed, year)
        changed.insert(int(len(changed) * 0.6), list(CALL_HEADER))
        hours = sum(float(str(row[9])) for row in changed if len(row) > 9 and str(row[9]).replace(".", "").isdigit())
        changed.append(["Total", "", "", "", "", "", "", "", "", round(hours, 2), "", "", ""])
        write_csv(folder / f"calls_{year}.csv", CALL_HEADER, changed, encoding="cp1252", newline="\r\n")


def _clock_slips(rng: np.random.Generator, rows: list[list[object]], year: int) -> None:
    """One ticket stamped in an hour that does not exist, one with a date that cannot be."""
    if len(rows) < 40:
        return
    march = datetime(year, 3, 8, tzinfo=OFFICE_ZONE)
    sunday = march + timedelta(days=(6 - march.weekday()) % 7)
    rows[int(rng.integers(len(rows)))][2] = sunday.strftime("%m/%d/%Y 02:17 AM")
    rows[int(rng.integers(len(rows)))][2] = f"13/32/{year} 08:00 AM"


def _write_corrected(books: Books, folder: Path, year: int, rows: list[list[object]]) -> None:
    """The last tickets of a year printed again after somebody put the hours right."""
    again = [list(row) for row in rows[-max(len(rows) // 8, 1) :]]
    for row in again:
        if row[9] and books.rng.random() < 0.4:
            row[9] = float(str(row[9])) + 0.25
        if row[12] == "Closed" and books.rng.random() < 0.1 and not row[7]:
            row[7] = "completed, see file"
    write_csv(folder / f"calls_{year}_corrected.csv", CALL_HEADER, again, encoding="cp1252", newline="\r\n")


# --- weather ---------------------------------------------------------------------------------------------------


def write_weather(books: Books, folder: Path) -> None:
    """Observed files untouched; resampled hours in two other habits, with holes, marked in the file's name."""
    for region, weather in books.weather.items():
        station = weather.station
        if weather.observed.any():
            for year in station.years:
                shutil.copyfile(
                    weather_blocks.isd_path(station, year), _made(folder / f"{station.station_id}-{year}.gz")
                )
        made_up = np.flatnonzero(~weather.observed)
        if made_up.size:
            _write_resampled(books, folder, region, weather, made_up)


def _made(path: Path) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    return path


def _write_resampled(books: Books, folder: Path, region: str, weather: Weather, hours: np.ndarray) -> None:
    rng, station = books.rng, weather.station
    gone = set()
    for _ in range(max(hours.size // 2000, 1)):
        begin = int(rng.choice(hours))
        gone.update(range(begin, begin + int(rng.choice([1, 2, 3, 5, 30], p=[0.4, 0.25, 0.2, 0.1, 0.05]))))
    standard = timedelta(hours=-6) if region == "lakes" else timedelta(0)
    rows = []
    for hour in hours:
        if int(hour) in gone:
            continue
        at = (books.options.first_hour + timedelta(hours=int(hour)) + standard).strftime("%Y-%m-%d %H:%M")
        values = [
            round(weather.temperature_c[hour] * 1.8 + 32, 1),
            round(weather.dew_point_c[hour] * 1.8 + 32, 1),
            round(weather.wind_m_s[hour] / 0.44704, 1),
        ]
        rows.append([station.station_id, at, *("M" if rng.random() < 0.001 else v for v in values)])
    habit = "resampled_lst" if region == "lakes" else "resampled_utc"
    write_csv(
        folder / f"{habit}_{station.station_id}.csv.gz", ["station", "time", "temp_F", "dewpoint_F", "wind_mph"], rows
    )


# --- readings --------------------------------------------------------------------------------------------------

FAHRENHEIT = ("suction_line_c", "liquid_line_c", "outdoor_c", "return_air_c", "supply_air_c")


@dataclass
class Trace:
    """What one recorder wrote for one circuit: contract channels in the contract's units."""

    logger: Logger
    unit: Unit
    circuit: int
    times_h: np.ndarray
    channels: dict[str, np.ndarray]


def spoil(rng: np.random.Generator, trace: Trace) -> None:
    """Stuck sensors, swapped hoses and gaps; the recorder's own faults, listed in the truth."""
    faults, channels = trace.logger.faults, trace.channels
    count = trace.times_h.size
    if count < 50:
        return
    if "stuck suction" in faults:
        begin = int(rng.integers(0, count // 2))
        channels["suction_kpa"][begin : begin + count // 8] = channels["suction_kpa"][begin]
    if "swapped" in faults and trace.circuit == 1:
        channels["suction_kpa"], channels["liquid_kpa"] = channels["liquid_kpa"], channels["suction_kpa"]
    if "spikes" in faults:
        for at in rng.choice(count, max(count // 900, 2), replace=False):
            channels["liquid_kpa"][at] *= float(rng.uniform(1.3, 1.9))
    if "clock an hour off" in faults:
        trace.times_h = trace.times_h + 1.0
    if "gauge taken for absolute" in faults:
        for name in ("suction_kpa", "liquid_kpa"):
            channels[name] = channels[name] - trace.unit.barometer_kpa
    keep = np.ones(count, dtype=bool)
    if "gaps" in faults:
        for _ in range(int(rng.integers(1, 4))):
            begin = int(rng.integers(0, count))
            keep[begin : begin + int(rng.integers(3, max(count // 20, 4)))] = False
    keep &= rng.random(count) > 0.0008
    trace.times_h = trace.times_h[keep]
    for name in channels:
        channels[name] = channels[name][keep]


def stepped(values: np.ndarray, step: float) -> np.ndarray:
    """Rounded to the recorder's resolution."""
    return np.round(np.round(values / step) * step, 6)


def text_of(values: np.ndarray, step: float, digits: int) -> list[str]:
    """Numbers as the recorder prints them; nothing for NaN."""
    return ["" if not np.isfinite(v) else f"{v:.{digits}f}" for v in stepped(values, step)]


def stamps(books: Books, times_h: np.ndarray, zone: str | timedelta, pattern: str) -> list[str]:
    """Instants as text, in a zone or at a fixed offset."""
    if isinstance(zone, timedelta):
        return [(books.at(float(t)) + zone).strftime(pattern) for t in times_h]
    local = ZoneInfo(zone)
    return [books.at(float(t)).astimezone(local).strftime(pattern) for t in times_h]


def psig_text(trace: Trace, name: str) -> list[str]:
    """A pressure channel in psig at the site, with the recorder's resolution and bad values."""
    barometer = float(barometer_kpa(trace.unit.site.elevation_m))
    values = (trace.channels[name] - barometer) / KPA_PER_PSI
    step = trace.logger.step_psi
    return text_of(values, step, 1 if step < 1 else 0)


def dirty(rng: np.random.Generator, trace: Trace, texts: list[str]) -> list[str]:
    """A few impossible values where the recorder is known for it."""
    if "bad values" in trace.logger.faults:
        for at in np.flatnonzero(rng.random(len(texts)) < 0.0015):
            texts[at] = str(rng.choice(["-999", "9999", "---", "1638.3"]))
    return texts


def fahrenheit_text(trace: Trace, name: str) -> list[str]:
    """A temperature channel in °F."""
    return text_of(trace.channels[name] * 1.8 + 32, 0.1 if trace.logger.step_psi < 1 else 0.5, 1)


def celsius_text(trace: Trace, name: str) -> list[str]:
    """A temperature channel in °C."""
    return text_of(trace.channels[name], 0.1, 1)


def flag_text(trace: Trace, name: str, yes: str, no: str) -> list[str]:
    """A yes/no channel."""
    return ["" if not np.isfinite(v) else yes if v > 0.5 else no for v in trace.channels[name]]


def write_readings(books: Books, folder: Path, traces: list[Trace]) -> None:
    """Each kind of recorder in its own habit."""
    for trace in traces:
        spoil(books.rng, trace)
    by_kind: dict[str, list[Trace]] = {}
    for trace in traces:
        by_kind.setdefault(trace.logger.kind, []).append(trace)
    for kind, group in by_kind.items():
        WRITERS[kind](books, folder / kind, group)


def _months(
    books: Books, traces: list[Trace], rows_of: object, folder: Path, header: list[str], name: str, **habit: object
) -> None:
    """Rows of all recorders of a kind, one file a month."""
    months: dict[str, list[tuple[float, list[object]]]] = {}
    for trace in traces:
        rows = rows_of(trace)  # type: ignore[operator]
        for hour, row in zip(trace.times_h, rows, strict=True):
            months.setdefault(books.at(float(hour)).strftime("%Y-%m"), []).append((float(hour), row))
    for month, rows in sorted(months.items()):
        rows.sort(key=lambda pair: pair[0])
        write_csv(folder / f"{name}_{month}.csv.gz", header, [row for _, row in rows], **habit)  # type: ignore[arg-type]


def write_ridge(books: Books, folder: Path, traces: list[Trace]) -> None:
    """Wide, psig and °F, each site's own time with daylight saving."""

    def rows(trace: Trace) -> list[list[object]]:
        tag = other_spelling(books.rng, trace.unit.unit_id).strip() if books.rng.random() < 0.7 else trace.unit.unit_id
        when = stamps(books, trace.times_h, trace.unit.site.time_zone, "%m/%d/%Y %H:%M")
        columns = [
            dirty(books.rng, trace, psig_text(trace, "suction_kpa")),
            dirty(books.rng, trace, psig_text(trace, "liquid_kpa")),
            *(fahrenheit_text(trace, n) for n in ("suction_line_c", "liquid_line_c", "outdoor_c", "return_air_c")),
            text_of(trace.channels["compressor_a"], 0.1, 1),
        ]
        return [[tag, trace.circuit, at, *rest] for at, *rest in zip(when, *columns, strict=True)]

    header = ["Unit", "Ckt", "Date/Time", "SP psig", "LP psig", "SLT", "LLT", "OAT", "RAT", "Amps"]
    _months(books, traces, rows, folder, header, "ridge")


MODES = ("COOL", "HEAT", "DEFROST")


def write_panel(books: Books, folder: Path, traces: list[Trace]) -> None:
    """Wide from a building controller: kPa absolute, °C, decimal comma, statuses, UTC."""

    def rows(trace: Trace) -> list[list[object]]:
        when = stamps(books, trace.times_h, "UTC", "%d.%m.%Y %H:%M")
        columns = [text_of(trace.channels[n], 1.0, 0) for n in ("suction_kpa", "liquid_kpa")]
        columns += [
            [t.replace(".", ",") for t in celsius_text(trace, n)]
            for n in ("suction_line_c", "liquid_line_c", "outdoor_c", "supply_air_c")
        ]
        columns += [
            flag_text(trace, "compressor_on", "ON", "OFF"),
            text_of(np.abs(trace.channels["fans_running"]), 1.0, 0),
            text_of(np.abs(trace.channels["fan_speed_fraction"]) * 100, 1.0, 0),
            flag_text(trace, "lp_switch_closed", "closed", "open"),
            flag_text(trace, "cooling_called", "ON", "OFF"),
            ["" if not np.isfinite(v) else MODES[int(v)] for v in trace.channels["mode"]],
        ]
        return [[f"{trace.unit.unit_id}", trace.circuit, at, *rest] for at, *rest in zip(when, *columns, strict=True)]

    header = [
        "Unit",
        "Circuit",
        "Stamp",
        "Psuc kPa",
        "Pliq kPa",
        "Tsuc",
        "Tliq",
        "Tout",
        "Tsup",
        "Comp",
        "Fans",
        "Fan %",
        "LPS",
        "Call",
        "Mode",
    ]
    _months(books, traces, rows, folder, header, "panel", delimiter=";")


def write_kite(books: Books, folder: Path, traces: list[Trace]) -> None:
    """One file a circuit, named by the unit: bar, °C, UTC."""
    for trace in traces:
        when = stamps(books, trace.times_h, "UTC", "%Y-%m-%dT%H:%M:%SZ")
        barometer = float(barometer_kpa(trace.unit.site.elevation_m))
        step = trace.logger.step_psi * 0.05
        columns = [
            dirty(books.rng, trace, text_of((trace.channels[n] - barometer) / 100.0, step, 3 if step < 0.01 else 2))
            for n in ("suction_kpa", "liquid_kpa")
        ]
        columns += [celsius_text(trace, n) for n in ("suction_line_c", "outdoor_c")]
        columns += [flag_text(trace, "compressor_on", "1", "0")]
        rows = [list(row) for row in zip(when, *columns, strict=True)]
        write_csv(
            folder / f"{trace.unit.unit_id.lower()}_c{trace.circuit}.csv.gz",
            ["time", "low_bar", "high_bar", "t_suction", "t_outdoor", "run"],
            rows,
        )


LEDGER_CHANNELS = {
    "suction_kpa": "SucP",
    "liquid_kpa": "LiqP",
    "outdoor_c": "OutT",
    "suction_line_c": "SucT",
    "compressor_on": "Run",
}


def write_ledger(books: Books, folder: Path, traces: list[Trace]) -> None:
    """Long, every field quoted, kPa gauge and °C, standard time all year."""
    for trace in traces:
        when = stamps(books, trace.times_h, timedelta(hours=-6), "%Y-%m-%d %H:%M:%S")
        barometer = float(barometer_kpa(trace.unit.site.elevation_m))
        rows: list[list[object]] = []
        texts = {
            name: text_of(trace.channels[name] - barometer, 5.0, 0)
            if name.endswith("_kpa")
            else flag_text(trace, name, "1", "0")
            if name == "compressor_on"
            else celsius_text(trace, name)
            for name in LEDGER_CHANNELS
        }
        for at, stamp in enumerate(when):
            for name, short in LEDGER_CHANNELS.items():
                if texts[name][at]:
                    rows.append([f"{trace.unit.unit_id}", trace.circuit, stamp, short, texts[name][at]])
        write_csv(
            folder / f"ledger_{trace.unit.unit_id}_{trace.circuit}.csv.gz",
            ["asset", "ckt", "stamp", "channel", "value"],
            rows,
            quoting=csv.QUOTE_ALL,
        )


def write_probe(books: Books, folder: Path, traces: list[Trace]) -> None:
    """One file a session, with hoses on for about an hour: psig, °F, the site's time."""
    for trace in traces:
        first = books.at(float(trace.times_h[0]))
        when = stamps(books, trace.times_h, trace.unit.site.time_zone, "%Y-%m-%d %H:%M:%S")
        columns = [
            psig_text(trace, "suction_kpa"),
            psig_text(trace, "liquid_kpa"),
            *(fahrenheit_text(trace, n) for n in ("suction_line_c", "liquid_line_c", "outdoor_c")),
        ]
        tag = other_spelling(books.rng, trace.unit.unit_id).strip()
        rows = [[tag, trace.circuit, *row] for row in zip(when, *columns, strict=True)]
        write_csv(
            folder / f"probe_{trace.unit.unit_id.lower()}_{trace.circuit}_{first:%Y%m%d%H%M}.csv",
            ["Unit", "Circuit", "Time", "Suction", "Liquid", "Suct Line", "Liq Line", "OD Air"],
            rows,
        )


WRITERS = {"ridge": write_ridge, "panel": write_panel, "kite": write_kite, "ledger": write_ledger, "probe": write_probe}
