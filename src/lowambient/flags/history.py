"""What the records say of every unit, as arrays: weeks in service, weather of each week, calls with their marks."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np
import numpy.typing as npt
import polars as pl

from lowambient import reference
from lowambient.flags.sources import HINT, MARKS, OTHER, UNCLEAR

Array = npt.NDArray[np.float64]
Index = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

STATEMENTS = (
    *reference.vocabulary("statement"),
    "bypass of head control found",
    "bypass of head control removed",
    "bypass of low-pressure switch found",
    "bypass of low-pressure switch removed",
    "bypass of high-pressure switch found",
    "bypass of high-pressure switch removed",
)
"""Statements of notes; where a note tells what was bypassed, that stands in its place."""
HOURS_A_WEEK = 168.0
NEVER = datetime(1970, 1, 1, tzinfo=UTC)
"""First instant of records without any call."""
HINT_FROM = 0.35
"""Probability of a low-pressure trip from which words of another class count as a hint of one (judgement)."""


@dataclass(frozen=True)
class Calls:
    """One element a ticket, by unit and time. `band` is -1 without weather, `week` may lie outside the records.

    `statements`: ticket by STATEMENTS, the probability that it is made. `mark`: place in MARKS.
    """

    call_id: pl.Series
    unit: Index
    opened_h: Array
    week: Index
    ended_week: Index
    band: Index
    mark: Index
    is_complaint: Flags
    is_completed: Flags
    work_type: npt.NDArray[np.str_]
    statements: Array

    def __len__(self) -> int:
        return len(self.unit)


@dataclass(frozen=True)
class History:
    """`units`: grain unit, sorted. `station`: place in `hours`, -1 without weather. `served`: unit by week, share of
    the week in service. `hours`: station by week by band [h]; `year_hours`: station by band [h]; `coldest_c`: middle of
    each band; `first_band`: number of the first. `started`: first instant of week 0.
    """

    units: pl.DataFrame
    station: Index
    served: Array
    hours: Array
    year_hours: Array
    coldest_c: Array
    first_band: int
    calls: Calls
    started: pl.Series

    @property
    def weeks(self) -> int:
        """Weeks that the calls export spans."""
        return int(self.served.shape[1])

    @property
    def number(self) -> dict[str, int]:
        """Place of each unit."""
        return {unit_id: place for place, unit_id in enumerate(self.units["unit_id"])}

    def band_hours(self, units: Index) -> Array:
        """Hours in service of each unit, week and band [h]."""
        with_none = np.concatenate([self.hours, np.zeros((1, *self.hours.shape[1:]))])
        return np.asarray(with_none[self.station[units]] * self.served[units][:, :, None])

    def last_weeks(self) -> Index:
        """The last week in which each unit was in service, 0 for units that never were."""
        weeks = np.arange(self.weeks)
        return np.asarray(np.where(self.served > 0, weeks, 0).max(axis=1, initial=0), dtype=np.int64)


def history(frames: Mapping[str, pl.DataFrame], band_width_k: float) -> History:
    """Arrays from the marts `flag_units`, `week_bands`, `year_bands`, `flag_calls`, `call_statements` and `span`."""
    units = frames["flag_units"].sort("unit_id")
    started, ended = frames["span"].row(0, named=True)["from_hour"], frames["span"].row(0, named=True)["to_hour"]
    total_h = (ended - started).total_seconds() / 3600 if started is not None else 0.0
    weeks = max(int(np.ceil(total_h / HOURS_A_WEEK)), 1)
    week_bands, year_bands = frames["week_bands"], frames["year_bands"]
    stations = sorted(set(week_bands["station_id"]) | set(year_bands["station_id"]))
    every_band = [*week_bands["band"], *year_bands["band"]]
    first_band, last_band = (min(every_band), max(every_band)) if every_band else (0, 0)
    place = {station: number for number, station in enumerate(stations)}
    bands = last_band - first_band + 1
    hours, year_hours = np.zeros((len(stations), weeks, bands)), np.zeros((len(stations), bands))
    for station, week, band, count in week_bands.select("station_id", "week", "band", "hours").iter_rows():
        hours[place[station], min(week, weeks - 1), band - first_band] += count
    for station, band, count in year_bands.select("station_id", "band", "hours").iter_rows():
        year_hours[place[station], band - first_band] += count
    coldest_c = 10 + (np.arange(first_band, last_band + 1) + 0.5) * band_width_k
    return History(
        units=units,
        station=np.array([place.get(each, -1) for each in units["station_id"]], dtype=np.int64),
        served=_served(units, weeks),
        hours=hours,
        year_hours=year_hours,
        coldest_c=coldest_c,
        first_band=first_band,
        calls=_calls(frames["flag_calls"], frames["call_statements"], units, weeks, (first_band, last_band)),
        started=pl.Series([started or NEVER]),
    )


def _served(units: pl.DataFrame, weeks: int) -> Array:
    """Share of each week in service: unit by week."""
    begins = np.arange(weeks) * HOURS_A_WEEK
    first, last = (units[name].fill_null(0).to_numpy().astype(np.float64)[:, None] for name in ("from_h", "to_h"))
    overlap = np.minimum(last, begins + HOURS_A_WEEK) - np.maximum(first, begins)
    return np.asarray(np.clip(overlap / HOURS_A_WEEK, 0.0, 1.0))


def _calls(
    tickets: pl.DataFrame, stated: pl.DataFrame, units: pl.DataFrame, weeks: int, bands: tuple[int, int]
) -> Calls:
    number = pl.DataFrame({"unit_id": units["unit_id"], "unit": np.arange(units.height)})
    first_band, last_band = bands
    table = (
        tickets.join(number, on="unit_id")
        .sort("unit", "opened_h", "call_id")
        .with_columns(
            mark=_mark().replace_strict({name: at for at, name in enumerate(MARKS)}, default=MARKS.index(OTHER)),
            band=pl.when(pl.col("band").is_between(first_band, last_band))
            .then(pl.col("band") - first_band)
            .fill_null(-1),
        )
    )
    wide = np.zeros((table.height, len(STATEMENTS)))
    row_of = {call_id: row for row, call_id in enumerate(table["call_id"])}
    for call_id, name, probability in stated.select("call_id", stated_as(), "probability").iter_rows():
        if call_id in row_of and name in STATEMENTS:
            wide[row_of[call_id], STATEMENTS.index(name)] = probability
    return Calls(
        call_id=table["call_id"],
        unit=table["unit"].to_numpy().astype(np.int64),
        opened_h=table["opened_h"].to_numpy().astype(np.float64),
        week=table["week"].clip(-1, weeks).to_numpy().astype(np.int64),
        ended_week=table["ended_week"].clip(-1, weeks).to_numpy().astype(np.int64),
        band=table["band"].to_numpy().astype(np.int64),
        mark=table["mark"].to_numpy().astype(np.int64),
        is_complaint=(table["is_complaint"] & table["week"].is_between(0, weeks - 1)).to_numpy(),
        is_completed=table["is_completed"].to_numpy(),
        work_type=table["work_type"].cast(pl.String).to_numpy().astype(np.str_),
        statements=wide,
    )


def stated_as() -> pl.Expr:
    """The name of a statement as in STATEMENTS."""
    done = pl.col("statement").str.strip_prefix("bypass ")
    told = pl.col("about").is_not_null() & done.is_in(["found", "removed"])
    return pl.when(told).then(pl.concat_str(pl.lit("bypass of "), "about", pl.lit(" "), done)).otherwise("statement")


def _mark() -> pl.Expr:
    symptom = pl.col("symptom").cast(pl.String)
    vague = symptom.is_in(["no cooling", "other", "control or thermostat"])
    hint = (pl.col("low_pressure_probability") >= HINT_FROM) & vague
    return (
        pl.when(symptom == "low-pressure trip")
        .then(symptom)
        .when(pl.col("is_unclear"))
        .then(pl.lit(UNCLEAR))
        .when(hint)
        .then(pl.lit(HINT))
        .when(symptom == "planned")
        .then(pl.lit(OTHER))
        .otherwise(symptom)
    )
