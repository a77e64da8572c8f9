"""A small fleet on disk that tests bend to their purpose, and how to run a program without a network."""

import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

from lowambient.profile import load_profile
from lowambient.store import Store, load_all

UNSHARE = ["unshare", "--map-root-user", "--net"]
HAS_UNSHARE = shutil.which("unshare") is not None and subprocess.run([*UNSHARE, "true"], check=False).returncode == 0
NO_NETWORK = UNSHARE if HAS_UNSHARE else []

SITES = """Site,Name,Lat,Lon,Elev,Zone
S1,North yard,41.98,-87.90,205,America/Chicago
S2,Hill clinic,39.74,-104.99,1609.344,America/Denver
"""
UNITS = """Tag,Site,Gas,Tons,Duty,Cut out,Reset
RTU-1,S1,R-410A,10,year-round,54,117
RTU-2,S1,R-22,7.5,comfort,,
RTU-3,S2,R-410A,5,year-round,54,117
"""
CALLS = """Ticket,Unit,Opened,Closed,Type,Complaint,Hours
C1,RTU-1,2016-01-05 09:00,2016-01-05 11:00,service,no cooling lp lockout,1.5
C2,RTU-3,2016-01-06 10:30,2016-01-06 12:00,service,belt squeals,1.0
"""
PROFILE = """
[fleet]
name = "Test fleet"

[[source]]
table = "sites"
files = "sites.csv"
[source.columns]
site_id = "Site"
name = "Name"
latitude = "Lat"
longitude = "Lon"
elevation_m = { column = "Elev", unit = "m" }
time_zone = "Zone"

[[source]]
table = "units"
files = "units.csv"
pressure = "gauge"
[source.columns]
unit_id = "Tag"
site_id = "Site"
refrigerant = "Gas"
capacity_kw = { column = "Tons", unit = "ton" }
duty = "Duty"
lp_cut_out_kpa = { column = "Cut out", unit = "psig" }
lp_reset_kpa = { column = "Reset", unit = "psig" }
"""
CALLS_SOURCE = """
[[source]]
table = "calls"
files = "calls*.csv"
time_zone = "America/Chicago"
[source.columns]
call_id = "Ticket"
unit_id = "Unit"
opened_at = "Opened"
closed_at = "Closed"
work_type = "Type"
complaint = "Complaint"
labour_h = { column = "Hours", unit = "h" }
"""
WIDE_SOURCE = """
[[source]]
table = "readings"
files = "wide*.csv"
time_zone = "America/Chicago"
[source.columns]
unit_id = "Unit"
read_at = "Time"
suction_kpa = { column = "SP", unit = "psig" }
liquid_kpa = { column = "LP", unit = "psig" }
outdoor_c = { column = "OAT", unit = "°F" }
"""
LONG_SOURCE = """
[[source]]
table = "readings"
files = "long*.csv"
layout = "long"
time_zone = "America/Chicago"
[source.columns]
unit_id = "Unit"
read_at = "Time"
channel = "Point"
value = "Value"
[source.channels]
SP = { channel = "suction_kpa", unit = "psig" }
LP = { channel = "liquid_kpa", unit = "psig" }
OAT = { channel = "outdoor_c", unit = "°F" }
RUN = { channel = "compressor_on" }
"""
WEATHER_SOURCE = """
[[source]]
table = "weather"
files = "weather*.csv"
time_zone = "UTC"
[source.columns]
station_id = "Station"
hour = "Time"
temperature_c = { column = "Temp", unit = "°C" }
"""


class SmallFleet:
    """A folder with a profile and its exports; `load` fills a store and hands it out open."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.profile_text = PROFILE
        self.write("sites.csv", SITES)
        self.write("units.csv", UNITS)
        self._stores: list[Store] = []

    def write(self, name: str, content: str | bytes) -> Path:
        path = self.folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
        return path

    def add(self, source: str) -> "SmallFleet":
        self.profile_text += source
        return self

    @property
    def profile_path(self) -> Path:
        return self.write("fleet.toml", self.profile_text)

    def load(self, *, threads: int | None = None) -> Store:
        self.close()
        profile = load_profile(self.profile_path)
        store = Store(profile.store, threads=threads)
        self._stores.append(store)
        self.loaded = load_all(store, profile)
        for mart in ("loads", "quarantine", "unmatched", "set_aside"):
            store.build(mart)
        return store

    def close(self) -> None:
        while self._stores:
            self._stores.pop().close()

    def counts(self, store: Store, source: str) -> tuple[int, int, int, int]:
        """Rows read, loaded, refused, repeated of one file; the last three from their own tables."""
        (row,) = store.connection.execute(
            "select rows_read, loaded, refused, repeated from loads where source = ?", [source]
        ).fetchall()
        refused = store.connection.execute("select count(*) from quarantine where source = ?", [source]).fetchall()
        assert refused == [(row[2],)]
        return row

    def reasons(self, store: Store) -> list[tuple[int, str]]:
        return store.connection.execute("select line, reason from quarantine order by source, line").fetchall()


@pytest.fixture
def fleet(tmp_path: Path) -> "Callable[[], SmallFleet] | SmallFleet":
    made = SmallFleet(tmp_path)
    yield made
    made.close()
