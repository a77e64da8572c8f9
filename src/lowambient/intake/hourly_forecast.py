"""A forecast file: hourly temperatures of the next days by station, as CSV that a person or another program wrote."""

import csv
from datetime import UTC, datetime
from pathlib import Path

import polars as pl

from lowambient import reference
from lowambient.errors import InputRefused

_NEEDED = ("station_id", "hour")
_TEMPERATURES = ("temperature_c", "temperature_f")
_MOST_TOLD = 5


def read_forecast(path: Path) -> pl.DataFrame:
    """Grain station, hour, sorted: station_id, hour [UTC], temperature_c [degC].

    The file is a CSV with the columns station_id, hour and temperature_c or temperature_f. `hour` is ISO 8601; without
    an offset it is UTC; minutes are rounded down to the hour.

    Raises: InputRefused, with the first lines that cannot be used, where any cannot: a forecast with holes would be
    taken for mild weather.
    """
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            rows = list(csv.DictReader(file))
    except FileNotFoundError:
        raise InputRefused(f"there is no file {path}") from None
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise InputRefused(f"{path} cannot be read as CSV in UTF-8: {error}") from None
    column = _columns(path, list(rows[0]) if rows else [])
    problems: list[str] = []
    found: dict[tuple[str, datetime], float] = {}
    for line, row in enumerate(rows, 2):
        reason = _taken(row, column, found)
        if reason:
            problems.append(f"line {line}: {reason}")
    if problems:
        more = f"; and {len(problems) - _MOST_TOLD} more" if len(problems) > _MOST_TOLD else ""
        raise InputRefused(f"{path} cannot be used: {'; '.join(problems[:_MOST_TOLD])}{more}")
    keys = sorted(found)
    return pl.DataFrame(
        {
            "station_id": pl.Series([station for station, _ in keys], dtype=pl.String),
            "hour": pl.Series([hour for _, hour in keys], dtype=pl.Datetime("us", "UTC")),
            "temperature_c": pl.Series([found[each] for each in keys], dtype=pl.Float64),
        }
    )


def _columns(path: Path, names: list[str]) -> str:
    """The column of temperatures."""
    if not names:
        raise InputRefused(f"{path} holds no row under a header")
    missing = [name for name in _NEEDED if name not in names]
    given = [name for name in _TEMPERATURES if name in names]
    if missing or len(given) != 1:
        wanted = f"{', '.join(_NEEDED)} and one of {' or '.join(_TEMPERATURES)}"
        raise InputRefused(f"{path} has the columns {', '.join(map(str, names))}; it needs {wanted}")
    return given[0]


def _taken(row: dict[str, str], column: str, found: dict[tuple[str, datetime], float]) -> str | None:
    """Puts a row among those found; the reason where it cannot."""
    station, written = (row["station_id"] or "").strip(), (row["hour"] or "").strip()
    if not station:
        return "no station_id"
    try:
        at = datetime.fromisoformat(written)
    except ValueError:
        return f"hour {written!r} is not a date and time such as 2024-12-05T06:00Z"
    hour = (at if at.tzinfo else at.replace(tzinfo=UTC)).astimezone(UTC).replace(minute=0, second=0, microsecond=0)
    try:
        value = float(row[column] or "")
    except ValueError:
        return f"{column} {row[column]!r} is not a number"
    celsius = (value - 32) / 1.8 if column == "temperature_f" else value
    bounds = reference.limit("outdoor_c")
    if not bounds.lower <= celsius <= bounds.upper:
        return f"{column} {value:g} is no outdoor temperature"
    if found.get((station, hour), celsius) != celsius:
        return f"a second temperature for {station} at {hour:%Y-%m-%dT%H:%MZ}"
    found[station, hour] = celsius
    return None
