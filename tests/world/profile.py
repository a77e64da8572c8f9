"""Writes `fleet.toml`: how the exports of one world are to be read."""

from pathlib import Path

from .build import World
from .vocabulary import Vocabulary

GAUGED = {"suction": "suction_kpa", "liquid": "liquid_kpa", "discharge": "discharge_kpa"}
WARM = {
    "outdoor": "outdoor_c",
    "suction line": "suction_line_c",
    "liquid line": "liquid_line_c",
    "return air": "return_air_c",
    "supply air": "supply_air_c",
}
STATES = {
    "running": "compressor_on",
    "fans": "fans_running",
    "switch": "lp_switch_closed",
    "called": "cooling_called",
    "amps": "compressor_a",
}


def write_profile(world: World, path: Path, words: Vocabulary, brands: dict[str, list[str]], has_checks: bool) -> None:
    """The profile beside `exports/`."""
    parts = [_fleet(world), _sites(words), _units(words), _stations(), _calls(words), _weather(words)]
    if has_checks:
        parts.append(_checks())
    parts += [_readings(brand, channels) for brand, channels in sorted(brands.items())]
    path.write_text("\n".join(parts), encoding="utf-8")


def _quoted(text: str) -> str:
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'


def _columns(words: Vocabulary, table: str, measured: dict[str, str]) -> str:
    lines = ["[source.columns]"]
    for name, column in words.columns[table].items():
        unit = measured.get(name)
        lines.append(
            f"{name} = {_quoted(column)}"
            if unit is None
            else f'{name} = {{ column = {_quoted(column)}, unit = "{unit}" }}'
        )
    return "\n".join(lines) + "\n"


def _values(words: Vocabulary, column: str) -> str:
    lines = [f"{_quoted(said)} = {_quoted(meant)}" for meant, said in words.words[column].items()]
    return f"[source.values.{column}]\n" + "\n".join(lines) + "\n"


def _fleet(world: World) -> str:
    return f"""[fleet]
name = "Invented world {world.options.seed}"
units = "us"
time_zone = "America/Chicago"

[costs]
truck_roll = 90.0
labour_per_h = 110.0
"""


def _source(table: str, files: str, **settings: str) -> str:
    lines = ["[[source]]", f'table = "{table}"', f'files = "exports/{files}"']
    return "\n".join(lines + [f'{key} = "{value}"' for key, value in settings.items()]) + "\n"


def _sites(words: Vocabulary) -> str:
    return _source("sites", "sites.csv") + _columns(words, "sites", {"elevation_m": "m" if words.metric else "ft"})


def _units(words: Vocabulary) -> str:
    pressure = "kPag" if words.metric else "psig"
    measured = {
        "capacity_kw": "kW" if words.metric else "ton",
        "space_c": "°C" if words.metric else "°F",
        "lp_cut_out_kpa": pressure,
        "lp_reset_kpa": pressure,
    }
    values = "".join(_values(words, column) for column in ("duty", "head_control", "coverage"))
    return _source("units", "units.csv", dates="%Y-%m-%d") + _columns(words, "units", measured) + values


def _stations() -> str:
    return (
        _source("stations", "stations.csv")
        + """[source.columns]
station_id = "station"
name = "name"
latitude = "lat"
longitude = "lon"
elevation_m = { column = "elev_m", unit = "m" }
"""
    )


def _calls(words: Vocabulary) -> str:
    dates = "%d/%m/%Y %H:%M" if words.day_first else "%m/%d/%Y %H:%M"
    head = _source("calls", "calls_*.csv", time_zone=words.calls_zone, dates=dates, replaces="key")
    return head + _columns(words, "calls", {"labour_h": "h", "travel_h": "h"}) + _values(words, "work_type")


def _weather(words: Vocabulary) -> str:
    unit = "°F" if words.weather_fahrenheit else "°C"
    return (
        _source("weather", "weather/*.csv", time_zone="UTC")
        + f"""[source.columns]
station_id = "station"
hour = "hour"
temperature_c = {{ column = "temp", unit = "{unit}" }}
dew_point_c = {{ column = "dew", unit = "{unit}" }}
wind_m_s = {{ column = "wind", unit = "m/s" }}
"""
    )


def _checks() -> str:
    return (
        _source("checks", "checks.csv", time_zone="UTC")
        + """[source.columns]
unit_id = "unit"
flag = "flag"
checked_at = "checked"
verdict = "verdict"
note = "note"
"""
    )


def _readings(brand: str, channels: list[str]) -> str:
    files = f'files = "exports/readings/{brand.replace(" ", "_")}/*.csv"\n'
    if brand == "clamp":
        lines = ['unit_id = "Tag"', 'circuit = "Sys"', 'read_at = "Stamp"']
        lines += [f'{GAUGED[c]} = {{ column = "{c.title()} psi", unit = "psig" }}' for c in channels if c in GAUGED]
        lines += [f'{WARM[c]} = {{ column = "{c.title()} F", unit = "°F" }}' for c in channels if c in WARM]
        head = 'time_zone = "site"\ndates = "%m/%d/%Y %H:%M:%S"\n'
    elif brand == "gauge box":
        lines = ['unit_id = "unit"', 'circuit = "circuit"', 'read_at = "utc"']
        lines += [f'{GAUGED[c]} = {{ column = "{c}_bar", unit = "barg" }}' for c in channels if c in GAUGED]
        lines += [f'{WARM[c]} = {{ column = "{c.replace(" ", "_")}_c", unit = "°C" }}' for c in channels if c in WARM]
        lines += ['compressor_a = { column = "amps", unit = "A" }' for c in channels if c == "amps"]
        head = 'time_zone = "UTC"\ndates = "%Y-%m-%dT%H:%M:%SZ"\n'
    elif brand == "panel":
        lines = ['unit_id = "equip"', 'circuit = "ckt"', 'read_at = "time"']
        lines += [f'{GAUGED[c]} = {{ column = "P {c}", unit = "kPaa" }}' for c in channels if c in GAUGED]
        lines += [f'{WARM[c]} = {{ column = "T {c}", unit = "°C" }}' for c in channels if c in WARM]
        lines += [f'{STATES[c]} = "{c}"' for c in channels if c in STATES]
        head = 'time_zone = "UTC"\ndates = "%Y-%m-%d %H:%M:%S"\n'
    else:
        return _historian(files, channels)
    return f'[[source]]\ntable = "readings"\n{files}{head}[source.columns]\n' + "\n".join(lines) + "\n"


def _historian(files: str, channels: list[str]) -> str:
    head = 'layout = "long"\ntime_zone = "UTC-06:00"\ndates = "%Y-%m-%d %H:%M:%S"\n'
    columns = 'unit_id = "asset"\ncircuit = "loop"\nread_at = "ts"\nchannel = "point"\nvalue = "val"\n'
    lines = [f'"P.{c}" = {{ channel = "{GAUGED[c]}", unit = "kPag" }}' for c in channels if c in GAUGED]
    lines += [f'"T.{c}" = {{ channel = "{WARM[c]}", unit = "°C" }}' for c in channels if c in WARM]
    lines += ['"S.running" = { channel = "compressor_on" }' for c in channels if c == "running"]
    lines += ['"S.fan speed" = { channel = "fan_speed_fraction", unit = "%" }' for c in channels if c == "fan speed"]
    return (
        f'[[source]]\ntable = "readings"\n{files}{head}[source.columns]\n{columns}[source.channels]\n'
        + "\n".join(lines)
        + "\n"
    )
