"""The next days: which units are likely to lock out, when, and how many calls to expect on each day."""

from collections.abc import Mapping

import numpy as np
import numpy.typing as npt
import polars as pl

from lowambient.plan.forecast import predictive_interval

Array = npt.NDArray[np.float64]

_SHORTEST_DAY_H = 23
"""Hours of the day on which clocks go forward."""

UNITS = {
    "rank": pl.Int64,
    "unit_id": pl.String,
    "site_id": pl.String,
    "site_name": pl.String,
    "description": pl.String,
    "probability": pl.Float64,
    "likely_from": pl.String,
    "likely_at": pl.String,
    "likely_to": pl.String,
    "coldest_c": pl.Float64,
    "coldest_at": pl.String,
    "outage_cost_per_h": pl.Float64,
}
DAYS = {
    "day": pl.Date,
    "units": pl.Int64,
    "hours": pl.Float64,
    "coldest_c": pl.Float64,
    "expected_calls": pl.Float64,
    "lower_90": pl.Float64,
    "upper_90": pl.Float64,
}


def hazards(states: pl.DataFrame, coldest_c: Array) -> Array:
    """Calls an hour (rows, hours) that each state makes by the coldest hour of the day before [degC].

    `states`: shape ('cold' below starts_c, 'warm' above it, 'any', 'none'; null: sound), starts_c, softness_k,
    calls_per_1000_h. The step at starts_c is a logistic one of width softness_k, as where the states were weighed.
    """
    starts, width, rate = (
        states[name].cast(pl.Float64).fill_null(0.0).to_numpy()[:, None]
        for name in ("starts_c", "softness_k", "calls_per_1000_h")
    )
    shape = states["shape"].fill_null("none").to_numpy()[:, None]
    way = np.where(shape == "cold", 1.0, np.where(shape == "warm", -1.0, 0.0))
    steps = 1 / (1 + np.exp(-np.clip(way * (starts - coldest_c) / np.where(width > 0, width, 1.0), -50, 50)))
    return np.asarray(rate / 1000 * np.where(shape == "none", 0.0, np.where(way == 0, 1.0, steps)))


def coldest_of_day(weather: pl.DataFrame) -> Array:
    """The coldest of each hour and the 23 before it, as far as the forecast reaches back [degC]: units fail at four in
    the morning and the phone rings at nine. `weather`: one station, hours in order."""
    return weather.select(pl.col("temperature_c").rolling_min_by("hour", "24h", closed="right")).to_series().to_numpy()


def outlook(
    unit_states: pl.DataFrame,
    facts: pl.DataFrame,
    forecast: pl.DataFrame,
    thresholds: Mapping[str, float],
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Units with the calls to expect of them, and calls by day.

    `unit_states`: grain unit, state; probability, and what `hazards` reads. `facts`: grain unit; unit_id, site_id,
    site_name, description, time_zone, station_id, still_served, outage_cost_per_h. `forecast`: station_id, hour [UTC],
    temperature_c. Only the first call of a unit counts: a return in the same days is the same episode. Limit: cold
    that came before the forecast's first hour is not known here, so a forecast should begin a day back.

    Units (grain unit; who to call first, likeliest first, then by what an hour without cooling costs): `probability` of
    a call within the forecast; `likely_from`, `likely_at`, `likely_to`: site's clock at which a tenth, half and nine
    tenths of it have come; `coldest_c`, `coldest_at`. Units without any chance of a call are left out.

    Days (grain day on the sites' clocks): `units`: with a forecast for it; `hours`: mean hours of it that the forecast
    covers; `expected_calls`, and a 90 % interval of their number: units are independent given what is shared,
    `outlook_spread_cv`.
    """
    served = facts.filter(pl.col("still_served"))
    joined = unit_states.join(served, on="unit_id").sort("unit_id", "state")
    units, days = [], []
    for (station,), weather in forecast.sort("station_id", "hour").group_by("station_id", maintain_order=True):
        here = joined.filter(pl.col("station_id") == station)
        if not here.is_empty():
            of_units, of_days = _at_station(here, weather)
            units.append(of_units)
            days.append(of_days)
    return _ranked(units), _by_day(days, thresholds["outlook_spread_cv"])


def _at_station(states: pl.DataFrame, weather: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """The units of one station, and each unit's chance of its first call on each day."""
    temperatures = weather["temperature_c"].to_numpy()
    rate = hazards(states, coldest_of_day(weather))
    chance = states["probability"].cast(pl.Float64).to_numpy()[:, None]
    units = states.unique("unit_id", keep="first", maintain_order=True)
    place = np.cumsum(np.r_[True, states["unit_id"].to_numpy()[1:] != states["unit_id"].to_numpy()[:-1]]) - 1
    come = np.zeros((units.height, len(temperatures)))
    np.add.at(come, place, chance * -np.expm1(-np.cumsum(rate, axis=1)))
    coldest = int(temperatures.argmin())
    of_units = units.select("unit_id", "site_id", "site_name", "description", "outage_cost_per_h").with_columns(
        pl.Series("probability", come[:, -1]),
        *(pl.Series(name, _clock(units, weather, _reached(come, share))) for name, share in _SHARES.items()),
        pl.lit(float(temperatures[coldest])).alias("coldest_c"),
        pl.Series("coldest_at", _clock(units, weather, np.full(units.height, coldest))),
    )
    return of_units, _of_days(units, weather, come)


_SHARES = {"likely_from": 0.1, "likely_at": 0.5, "likely_to": 0.9}


def _reached(come: Array, share: float) -> npt.NDArray[np.intp]:
    """Hour by which that share of the probability has come; its call falls within that hour."""
    return np.asarray((come < share * come[:, -1:]).sum(axis=1).clip(0, come.shape[1] - 1), dtype=np.intp)


def _clock(units: pl.DataFrame, weather: pl.DataFrame, places: npt.NDArray[np.intp]) -> list[str]:
    """The hours on each unit's site's clock, to the minute, with offset."""
    hours = weather["hour"].gather(places)
    frame = pl.DataFrame({"hour": hours, "zone": units["time_zone"].fill_null("UTC")}).with_row_index("row")
    parts = [
        part.with_columns(pl.col("hour").dt.convert_time_zone(zone).dt.strftime("%Y-%m-%dT%H:%M%:z").alias("local"))
        for (zone,), part in frame.group_by("zone", maintain_order=True)
    ]
    return pl.concat([part.select("row", "local") for part in parts]).sort("row")["local"].to_list()


def _of_days(units: pl.DataFrame, weather: pl.DataFrame, come: Array) -> pl.DataFrame:
    """Each unit and day of its site's clock: chance of its first call then, hours that are forecast, coldest hour."""
    falls = np.diff(come, axis=1, prepend=0.0)
    parts = []
    for (zone,), part in units.with_row_index("row").group_by("time_zone", maintain_order=True):
        day = pl.col("hour").dt.convert_time_zone(zone or "UTC").dt.date().alias("day")
        days = weather.group_by(day, maintain_order=True).agg(pl.len().alias("hours"), pl.col("temperature_c").min())
        begins = np.r_[0, np.cumsum(days["hours"].to_numpy())[:-1]].astype(np.intp)
        chances = np.add.reduceat(falls[part["row"].to_numpy()], begins, axis=1)
        parts += [
            pl.DataFrame({"chance": chances[:, at]}).with_columns(
                pl.lit(on).alias("day"), pl.lit(float(hours)).alias("hours"), pl.lit(coldest_c).alias("coldest_c")
            )
            for at, (on, hours, coldest_c) in enumerate(days.iter_rows())
        ]
    return pl.concat(parts)


def _ranked(units: list[pl.DataFrame]) -> pl.DataFrame:
    if not units:
        return pl.DataFrame(schema=UNITS)
    every = pl.concat(units).with_columns(pl.col("probability").round(4), pl.col("coldest_c").round(1))
    some = every.filter(pl.col("probability") > 0)
    ordered = some.sort("probability", "outage_cost_per_h", "unit_id", descending=[True, True, False], nulls_last=True)
    return ordered.with_row_index("rank", offset=1).select(pl.col(name).cast(kind) for name, kind in UNITS.items())


def _by_day(days: list[pl.DataFrame], shared_cv: float) -> pl.DataFrame:
    if not days:
        return pl.DataFrame(schema=DAYS)
    chance = pl.col("chance")
    table = (
        pl.concat(days)
        .group_by("day")
        .agg(
            pl.len().alias("units"),
            pl.col("hours").mean(),
            pl.col("coldest_c").min(),
            chance.sum().alias("expected_calls"),
            (chance * (1 - chance)).sum().alias("own"),
        )
        .sort("day")
    )
    mean = table["expected_calls"].to_numpy()
    variance = table["own"].to_numpy() + (shared_cv * mean) ** 2
    lower, upper = predictive_interval(mean, variance)
    told = table.with_columns(pl.Series("lower_90", lower), pl.Series("upper_90", upper))
    return told.select(pl.col(name).cast(kind) for name, kind in DAYS.items()).with_columns(pl.col(pl.Float64).round(2))


def day_sentences(days: pl.DataFrame) -> list[str]:
    """Each day in words; a day of which the forecast covers only a part says so."""
    told = []
    for row in days.iter_rows(named=True):
        part = f", over {row['hours']:.0f} of its hours" if row["hours"] < _SHORTEST_DAY_H else ""
        told.append(
            f"{row['day']:%a %d %b}: {row['expected_calls']:.1f} calls expected ({row['lower_90']:.0f} to"
            f" {row['upper_90']:.0f}), coldest {row['coldest_c'] * 1.8 + 32:.0f} °F ({row['coldest_c']:.0f} °C){part}."
        )
    return told


def coverage_sentences(served: pl.DataFrame, forecast: pl.DataFrame) -> list[str]:
    """What of the fleet the forecast does not speak of, and what of the forecast speaks of no unit; else nothing.

    `served`: units in service, with their station_id.
    """
    stations = set(forecast["station_id"])
    blind = sum(station not in stations for station in served["station_id"])
    strange = sorted(stations - set(served["station_id"]))
    told = []
    if blind:
        told.append(f"{blind} of {served.height} units are at no station of the forecast: nothing is told of them.")
    if strange:
        told.append(f"No unit in service is at {', '.join(strange)}.")
    return told
