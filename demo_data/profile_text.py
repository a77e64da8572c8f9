"""The invented company's `fleet.toml`, written beside its exports: only the sources that this run made."""

from __future__ import annotations

from pathlib import Path

from scenario import COMPANY

HEAD = f'''# {COMPANY} (an invented company): how its exports are to be read.
# Kept by hand next to the exports. Every source says where its files lie and what its columns are called.

[fleet]
name = "{COMPANY}"
units = "us"
time_zone = "America/Chicago"        # the office; recorders say their own

[costs]
truck_roll = 95.0
labour_per_h = 118.0
after_hours_factor = 1.5
currency = "USD"

[plan]                                 # for the coming winter
budget = 12000.0
crew_h = 90.0

# --- who and what -------------------------------------------------------------------------------------------------

[[source]]
table = "sites"
files = "exports/sites.csv"
delimiter = ";"
[source.columns]
site_id = "Site No"
name = "Site Name"
latitude = "Lat"
longitude = "Lon"
elevation_m = {{ column = "Elev ft", unit = "ft" }}
time_zone = "TZ"
station_id = "Wx Stn"                 # blank: the nearest station

[[source]]
table = "units"
files = "exports/units.xlsx"
sheet = "Equipment"
header_row = 3                        # a title and an empty line stand above
[source.columns]
unit_id = "Unit Tag"
site_id = "Site No"
description = "Description"
refrigerant = "Refrigerant"
capacity_kw = {{ column = "Tons", unit = "ton" }}
circuits = "Ckts"
condenser_fans = "Cond Fans"
shared_condenser = "Shared Cond"
duty = "Service Type"
space_c = {{ column = "Space F", unit = "°F" }}
heat_pump = "Heat Pump"
pump_down = "Pump Down"
head_control = "Head Press Ctrl"
economizer = "Econ"
lp_switch_at = "LP Loc"
lp_cut_out_kpa = {{ column = "LP Out psig", unit = "psig" }}
lp_reset_kpa = {{ column = "LP Reset psig", unit = "psig" }}
hp_cut_out_kpa = {{ column = "HP Out psig", unit = "psig" }}
fan_on_kpa = {{ column = "Fan On psig", unit = "psig" }}
fan_off_kpa = {{ column = "Fan Off psig", unit = "psig" }}
coverage = "Coverage"
outage_cost_per_h = "Outage $/h"
installed_on = "Installed"
retired_on = "Retired"
served_from = "Served From"
served_to = "Served To"
[source.values.duty]
"24x7" = "year-round"
"24/7" = "year-round"
"Year round" = "year-round"
"Comfort" = "comfort"
"comfort" = "comfort"
"Comfort AC" = "comfort"
"Refrig" = "refrigeration"
"Refrigeration" = "refrigeration"
[source.values.head_control]
"None" = "none"
"N" = "none"
"no" = "none"
"FC switch" = "fan cycling"
"Fan cycling" = "fan cycling"
"Ambient stage" = "fan staging by ambient"
"Fan speed" = "fan speed"
"VSD fan" = "fan speed"
"Flooded" = "flooded"
"Floating" = "floating"
"Dampers" = "dampers"
"?" = "unknown"
"Unknown" = "unknown"
[source.values.coverage]
"Full service" = "full"
"T&M" = "time and material"
"Warranty" = "warranty"

# What sites call their units.
[[source]]
table = "aliases"
files = "exports/aliases.csv"
[source.columns]
written = "written"
unit_id = "unit_id"

[[source]]
table = "stations"
files = "exports/stations.csv"
[source.columns]
station_id = "station_id"
name = "name"
latitude = "latitude"
longitude = "longitude"
elevation_m = "elevation_m"

# --- calls --------------------------------------------------------------------------------------------------------

# The dispatch program prints a year at a time, some of January twice, and a total at the end.
# One year was printed again after the hours were put right: the later print of a ticket counts.
[[source]]
table = "calls"
files = "exports/calls_*.csv"
encoding = "cp1252"
time_zone = "America/Chicago"
dates = "%m/%d/%Y %I:%M %p"
replaces = "key"
[source.columns]
call_id = "Ticket"
unit_id = "Unit"
opened_at = "Opened"
closed_at = "Closed"
work_type = "Type"
complaint = "Complaint"
finding = "Findings"
action = "Work done"
technician = "Tech"
labour_h = {{ column = "Labor hrs", unit = "h" }}
travel_h = {{ column = "Travel hrs", unit = "h" }}
parts_cost = "Parts $"
status = "Status"
[source.values.work_type]
"SVC" = "service"
"PM" = "planned"
"RTN" = "return"
"QUOTE" = "quote"
'''

CHECKS = """
# What the tech lead found when he went and looked.
[[source]]
table = "checks"
files = "exports/checks.csv"
time_zone = "America/Chicago"
[source.columns]
unit_id = "unit"
circuit = "circuit"
flag = "flag"
checked_at = "checked"
verdict = "verdict"
note = "note"

# --- weather ------------------------------------------------------------------------------------------------------
"""

WEATHER_COLUMNS = """[source.columns]
station_id = "station"
hour = "time"
temperature_c = { column = "temp_F", unit = "°F" }
dew_point_c = { column = "dewpoint_F", unit = "°F" }
wind_m_s = { column = "wind_mph", unit = "mph" }
"""
ISD = """
# NOAA ISD-Lite as observed, not touched.
[[source]]
table = "weather"
files = "exports/weather/*-20??.gz"
format = "isd-lite"
"""
RESAMPLED_LST = (
    """
# The months that the observed files lack, resampled from them: local standard time all year.
[[source]]
table = "weather"
files = "exports/weather/resampled_lst_*.csv.gz"
time_zone = "UTC-06:00"
missing = ["M"]
"""
    + WEATHER_COLUMNS
)
RESAMPLED_UTC = (
    """
# The other regions, resampled from their observed years.
[[source]]
table = "weather"
files = "exports/weather/resampled_utc_*.csv.gz"
time_zone = "UTC"
missing = ["M"]
"""
    + WEATHER_COLUMNS
)

READINGS = {
    "ridge": """
# --- readings -----------------------------------------------------------------------------------------------------

# Recorders on loan: psig and °F, each site's own clock, summer time and all.
[[source]]
table = "readings"
files = "exports/readings/ridge/*.csv.gz"
time_zone = "site"
dates = "%m/%d/%Y %H:%M"
missing = ["-999", "---"]
[source.columns]
unit_id = "Unit"
circuit = "Ckt"
read_at = "Date/Time"
suction_kpa = { column = "SP psig", unit = "psig" }
liquid_kpa = { column = "LP psig", unit = "psig" }
suction_line_c = { column = "SLT", unit = "°F" }
liquid_line_c = { column = "LLT", unit = "°F" }
outdoor_c = { column = "OAT", unit = "°F" }
return_air_c = { column = "RAT", unit = "°F" }
compressor_a = "Amps"
""",
    "kite": """
# Minute recorders: a file for each circuit, named by the unit, in UTC.
[[source]]
table = "readings"
files = "exports/readings/kite/*.csv.gz"
time_zone = "UTC"
missing = ["-999", "---"]
[source.columns]
read_at = "time"
suction_kpa = { column = "low_bar", unit = "barg" }
liquid_kpa = { column = "high_bar", unit = "barg" }
suction_line_c = { column = "t_suction", unit = "°C" }
outdoor_c = { column = "t_outdoor", unit = "°C" }
compressor_on = "run"
[source.from_file_name]
pattern = '(?P<unit_id>[a-z]+-\\d+)_c(?P<circuit>\\d)\\.csv\\.gz'
""",
    "ledger": """
# A data base export: a line for each value, everything in quotes, standard time all year.
[[source]]
table = "readings"
files = "exports/readings/ledger/*.csv.gz"
layout = "long"
time_zone = "UTC-06:00"
[source.columns]
unit_id = "asset"
circuit = "ckt"
read_at = "stamp"
channel = "channel"
value = "value"
[source.channels]
"SucP" = { channel = "suction_kpa", unit = "kPag" }
"LiqP" = { channel = "liquid_kpa", unit = "kPag" }
"OutT" = { channel = "outdoor_c", unit = "°C" }
"SucT" = { channel = "suction_line_c", unit = "°C" }
"Run" = { channel = "compressor_on" }
""",
    "panel": """
# Building controllers: absolute kPa, decimal commas.
[[source]]
table = "readings"
files = "exports/readings/panel/*.csv.gz"
delimiter = ";"
decimal = ","
time_zone = "UTC"
dates = "%d.%m.%Y %H:%M"
[source.columns]
unit_id = "Unit"
circuit = "Circuit"
read_at = "Stamp"
suction_kpa = { column = "Psuc kPa", unit = "kPaa" }
liquid_kpa = { column = "Pliq kPa", unit = "kPaa" }
suction_line_c = { column = "Tsuc", unit = "°C" }
liquid_line_c = { column = "Tliq", unit = "°C" }
outdoor_c = { column = "Tout", unit = "°C" }
supply_air_c = { column = "Tsup", unit = "°C" }
compressor_on = "Comp"
fans_running = "Fans"
fan_speed_fraction = { column = "Fan %", unit = "%" }
lp_switch_closed = "LPS"
cooling_called = "Call"
mode = "Mode"
[source.values.mode]
"COOL" = "cooling"
"HEAT" = "heating"
"DEFROST" = "defrost"
""",
    "probe": """
# Probes that technicians hang on for an hour.
[[source]]
table = "readings"
files = "exports/readings/probe/*.csv"
time_zone = "site"
dates = "%Y-%m-%d %H:%M:%S"
[source.columns]
unit_id = "Unit"
circuit = "Circuit"
read_at = "Time"
suction_kpa = { column = "Suction", unit = "psig" }
liquid_kpa = { column = "Liquid", unit = "psig" }
suction_line_c = { column = "Suct Line", unit = "°F" }
liquid_line_c = { column = "Liq Line", unit = "°F" }
outdoor_c = { column = "OD Air", unit = "°F" }
""",
}


def write_profile(out: Path) -> None:
    """`fleet.toml` for the exports that lie under `out`."""
    exports = out / "exports"
    parts = [HEAD]
    if (exports / "checks.csv").exists():
        parts.append(CHECKS)
    for pattern, text in (("*-20??.gz", ISD), ("resampled_lst_*", RESAMPLED_LST), ("resampled_utc_*", RESAMPLED_UTC)):
        if any((exports / "weather").glob(pattern)):
            parts.append(text)
    parts += [text for kind, text in READINGS.items() if (exports / "readings" / kind).is_dir()]
    (out / "fleet.toml").write_text("".join(parts), encoding="utf-8")
