"""Readings handed out circuit by circuit, with the weather beside them, in bounded memory."""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

from lowambient.records import inputs
from lowambient.store.database import Store
from lowambient.store.queries import quoted

ROWS_AT_ONCE = 2_000_000
"""Readings held at one time: some 320 MB with all channels (judgement)."""
ROWS_IN_A_BATCH, MOST_STRETCHES = 100_000, 200
"""Rows that come together, and pieces in which they are left as they lie (judgement)."""
HOUR_S = 3600
ONLY_CIRCUIT = "1"
UNITS_OF_ONE = (
    "select unit_id from in_readings inner join in_units using (unit_id) group by unit_id"
    " having count(distinct circuit) = 0 and max(coalesce(circuits, 1)) = 1"
)
"""Units whose readings name no circuit and that are not known to have several."""

Array = npt.NDArray[np.float64]
Key = tuple[str, str | None]
"""Unit and circuit."""


@dataclass(frozen=True)
class Circuit:
    """One circuit's readings: read_at (UTC), the channels of the contract, station_c and station_wind_m_s.

    `circuit` is null where a recorder names none on a unit that is known to have several.
    """

    unit_id: str
    circuit: str | None
    readings: pl.DataFrame


@dataclass(frozen=True)
class _Station:
    """Weather of a station by hour from `first_hour` (hours since 1970), NaN where there is none."""

    first_hour: int
    temperature_c: Array
    wind_m_s: Array

    def at(self, seconds: Array) -> tuple[Array, Array]:
        """Temperature and wind between two hours on the line between them; NaN where one of the two is missing."""
        hours = seconds / HOUR_S - self.first_hour
        before = np.clip(np.floor(hours).astype(np.int64), 0, len(self.temperature_c) - 2)
        part = hours - before
        outside, on_the_hour = (part < 0) | (part > 1), part == 0
        found = []
        for values in (self.temperature_c, self.wind_m_s):
            between = values[before] * (1 - part) + values[before + 1] * part
            found.append(np.where(on_the_hour, values[before], between))
            found[-1][outside] = np.nan
        return found[0], found[1]


def count_readings(store: Store) -> int:
    """Rows of readings in the store."""
    return int(store.query("select count(*) as n from in_readings").item())


def circuits(store: Store, rows_at_once: int = ROWS_AT_ONCE) -> Iterator[Circuit]:
    """Every circuit with readings, each as soon as its last row was read; whole units are read together, some millions
    of rows at a time.

    Needs `unit_station` and `weather_hours`. Rows of a circuit come in no particular order. The store must not be asked
    anything else before the last circuit has come.
    """
    stations = _stations(store)
    station_of = dict(store.query("select unit_id, station_id from unit_station").iter_rows())
    of_one = set(store.query(UNITS_OF_ONE)["unit_id"])
    channels = "".join(f", {name}" for name in _channels_read(store))
    for rows_of in _buckets(store, rows_at_once):
        units = ", ".join(quoted(unit) for unit in dict.fromkeys(unit for unit, _ in rows_of))
        query = f"select unit_id, circuit, read_at{channels} from in_readings where unit_id in ({units})"
        for (unit_id, circuit), readings in _gathered(store.batches(query, ROWS_IN_A_BATCH), rows_of):
            named = ONLY_CIRCUIT if circuit is None and unit_id in of_one else circuit
            yield Circuit(unit_id, named, _with_weather(readings, stations.get(station_of.get(unit_id))))


def _gathered(batches: Iterable[pl.DataFrame], rows_of: Mapping[Key, int]) -> Iterator[tuple[Key, pl.DataFrame]]:
    """Rows by unit and circuit, without these columns, once all that there are have come; mostly in time order.

    So a circuit whose rows lie together does not wait for others, nor its memory.
    """
    parts: dict[Key, list[pl.DataFrame]] = defaultdict(list)
    missing = dict(rows_of)
    for rows in batches:
        for key, part in _parts(rows):
            parts[key].append(part)
            missing[key] -= part.height
            if missing[key] == 0:
                yield key, pl.concat(sorted(parts.pop(key), key=lambda each: each["read_at"][0]))


def _parts(rows: pl.DataFrame) -> Iterator[tuple[Key, pl.DataFrame]]:
    """Stretches of rows of one unit and circuit, without these columns; sorted first where units take turns."""
    stretches = _stretches(rows)
    if stretches.height > MOST_STRETCHES:
        rows = rows.sort("unit_id", "circuit", maintain_order=True)
        stretches = _stretches(rows)
    readings, begin = rows.drop("unit_id", "circuit"), 0
    for length, unit_id, circuit in stretches.iter_rows():
        yield (unit_id, circuit), readings.slice(begin, length)
        begin += length


def _stretches(rows: pl.DataFrame) -> pl.DataFrame:
    """Columns len, unit_id and circuit of rows that lie together."""
    return rows.select(pl.struct("unit_id", "circuit").rle().struct.unnest()).unnest("value")


def _buckets(store: Store, rows_at_once: int) -> Iterator[dict[Key, int]]:
    """Rows of each unit and circuit, as many units together as have so many rows; at least one."""
    counts = store.query("select unit_id, circuit, count(*) as n from in_readings group by all order by unit_id")
    bucket: dict[Key, int] = {}
    for unit in counts.partition_by("unit_id", maintain_order=True):
        if bucket and sum(bucket.values()) + unit["n"].sum() > rows_at_once:
            yield bucket
            bucket = {}
        bucket |= {(unit_id, circuit): rows for unit_id, circuit, rows in unit.iter_rows()}
    if bucket:
        yield bucket


def _channels_read(store: Store) -> list[str]:
    """Channels of the contract that have a value anywhere."""
    asked = ", ".join(
        f"exists (select 1 from in_readings where {name} is not null) as {name}" for name in inputs.CHANNELS
    )
    found = store.query(f"select {asked}").row(0, named=True)
    return [name for name, has_values in found.items() if has_values]


def _with_weather(frame: pl.DataFrame, station: _Station | None) -> pl.DataFrame:
    missing = [pl.lit(None, dtype=pl.Float64).alias(name) for name in inputs.CHANNELS if name not in frame.columns]
    frame = frame.with_columns(missing)
    if station is None:
        nothing = pl.lit(None, dtype=pl.Float64)
        return frame.with_columns(station_c=nothing, station_wind_m_s=nothing)
    temperature_c, wind_m_s = station.at(frame["read_at"].dt.timestamp("us").to_numpy() / 1e6)
    return frame.with_columns(
        pl.Series("station_c", temperature_c, nan_to_null=True),
        pl.Series("station_wind_m_s", wind_m_s, nan_to_null=True),
    )


def _stations(store: Store) -> dict[str | None, _Station]:
    found: dict[str | None, _Station] = {}
    hours = store.query("select station_id, hour, temperature_c, wind_m_s from weather_hours order by station_id, hour")
    for (station_id,), frame in hours.partition_by("station_id", as_dict=True).items():
        number = frame["hour"].dt.timestamp("ms").to_numpy() // (1000 * HOUR_S)
        dense = np.full((2, int(number[-1] - number[0]) + 2), np.nan)
        for row, name in zip(dense, ("temperature_c", "wind_m_s"), strict=True):
            row[number - number[0]] = frame[name].fill_null(np.nan).to_numpy()
        found[station_id] = _Station(int(number[0]), dense[0], dense[1])
    return found
