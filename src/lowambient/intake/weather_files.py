"""Weather files of fixed form: NOAA ISD-Lite, NREL TMY3 and EnergyPlus EPW, each line as cells of the contract."""

import csv
import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

from lowambient.errors import InputRefused
from lowambient.intake import dialect as dialects
from lowambient.intake.delimited import Record, shown
from lowambient.intake.dialect import Dialect


def _isd_lite(line: str, station: str) -> list[str]:
    """NOAA ISD-Lite: fixed fields year, month, day, hour (UTC), then tenths of degC and m/s, -9999 for none."""
    fields = line.split()
    if len(fields) < 9:
        raise ValueError(f"{len(fields)} fields where ISD-Lite has 12")
    year, month, day, hour = (int(field) for field in fields[:4])
    tenths = ["" if field == "-9999" else f"{int(field) / 10:.1f}" for field in fields[4:9]]
    return [station, f"{year:04d}-{month:02d}-{day:02d} {hour:02d}:00Z", tenths[0], tenths[1], tenths[4]]


def _tmy3(line: str, station: str) -> list[str]:
    """NREL TMY3: date and the time at which the hour ends, local standard time; degC and m/s."""
    fields = next(csv.reader([line]))
    month, day, year = (int(part) for part in fields[0].split("/"))
    return [station, _ended(year, month, day, fields[1].split(":")[0]), fields[31], fields[34], fields[46]]


def _epw(line: str, station: str) -> list[str]:
    """EnergyPlus weather: year, month, day, hour that ends, local standard time; 99.9 and 999 for none."""
    fields = line.split(",")
    year, month, day = (int(field) for field in fields[:3])
    dry, dew, wind = fields[6].strip(), fields[7].strip(), fields[21].strip()
    cells = [
        dry if float(dry) < 99.9 else "",
        dew if float(dew) < 99.9 else "",
        wind if float(wind) < 999 else "",
    ]
    return [station, _ended(year, month, day, fields[3]), *cells]


def _ended(year: int, month: int, day: int, hour: str) -> str:
    """The end of hour 1-24 as ISO text; 24 is midnight of the next day."""
    end = datetime(year, month, day) + timedelta(hours=int(hour))  # noqa: DTZ001 - local standard time
    return end.strftime("%Y-%m-%d %H:%M")


_WEATHER_COLUMNS = ("station_id", "hour", "temperature_c", "dew_point_c", "wind_m_s")
FIXED_FORMATS = {"isd-lite": _WEATHER_COLUMNS, "tmy3": _WEATHER_COLUMNS, "epw": _WEATHER_COLUMNS}
_FIXED_READERS = {"isd-lite": (_isd_lite, 0), "tmy3": (_tmy3, 2), "epw": (_epw, 8)}


@dataclass(frozen=True)
class StationHeader:
    """What a TMY3 or EPW header says of its station; `offset_h` is local standard time minus UTC."""

    station_id: str
    name: str
    latitude: float
    longitude: float
    elevation_m: float
    offset_h: float


def station_header(path: Path, dialect: Dialect) -> StationHeader | None:
    """The station in the header of a TMY3 or EPW file; null for other formats.

    Raises InputRefused where the header is not one.
    """
    if dialect.format not in ("tmy3", "epw"):
        return None
    fields = next(csv.reader([next(dialects.text_lines(path, dialect.encoding))]))
    try:
        if dialect.format == "tmy3":
            station, name, _, offset, latitude, longitude, elevation = fields[:7]
        else:
            _, name, _, _, _, station, latitude, longitude, offset, elevation = fields[:10]
        numbers = [float(value) for value in (latitude, longitude, elevation, offset)]
    except (ValueError, IndexError) as error:
        raise InputRefused(f"{path} does not begin with the header of a {dialect.format} file") from error
    return StationHeader(station.strip(), name.strip(), *numbers)


def station_of(path: Path, dialect: Dialect) -> str:
    """The station of a weather file: from its header, else the part of its name before the first dash."""
    header = station_header(path, dialect)
    return header.station_id if header else re.split(r"[-_.]", path.name)[0]


def fixed_records(path: Path, dialect: Dialect) -> Iterator[Record]:
    read, skipped = _FIXED_READERS[dialect.format]
    station = station_of(path, dialect)
    for place, line in enumerate(dialects.text_lines(path, dialect.encoding), 1):
        raw = line.rstrip("\r\n")
        if place <= skipped or not raw.strip():
            continue
        try:
            yield Record(place, raw, read(raw, station))
        except (ValueError, IndexError) as error:
            yield Record(place, shown(raw), None, f"not a line of {dialect.format} ({error})")
