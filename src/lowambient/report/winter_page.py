"""The operations manager's page: what next winter brings, where money avoids calls, and how sure both are."""

import polars as pl

from lowambient.report import site_map, temperature_charts
from lowambient.report import winter_charts as charts
from lowambient.report.book import Book, Context
from lowambient.report.figures import Row
from lowambient.report.unit_files import pages_of

ROWS_SHOWN = 300  # of a long table: what a person reads and a phone opens at once; the whole is in the download
SITES_SHOWN = 100
WORK_SHOWN = 200
REASONS_SHOWN = 40
MAIN_MEASURE = "coldest demand hour"
AS_TAKEN = "as taken"
"""The scenario of `plan_sensitivity` that is the plan itself."""


def context(book: Book) -> Context:
    """What the templates `winter.html` and `_plan.html` are filled with."""
    return {
        "fact": book.by_key("summary"),
        "threshold": book.by_key("thresholds"),
        "currency": book.facts.currency or "money",
        "unit_pages": pages_of(book.tables),
        **_forecast(book),
        **_plan(book),
        **_temperatures(book),
        **_ranking(book),
    }


def fleet_row(book: Book) -> Row | None:
    """The forecast of the whole fleet."""
    forecast = book.tables["forecast"]
    return next(iter(book.rows("forecast", forecast.filter(pl.col("level") == "fleet"))), None)


def highest(values: pl.Series) -> float:
    """The highest of numbers, 0 without any: where a scale ends."""
    top = values.max()
    return float(top) if isinstance(top, (int, float)) else 0.0


def site_names(book: Book) -> pl.DataFrame:
    """Columns site_id, site_name."""
    sites = book.tables["sites"]
    if not sites.width:
        return pl.DataFrame(schema={"site_id": pl.String, "site_name": pl.String})
    return sites.select("site_id", pl.col("name").alias("site_name"))


# What if nothing is done


def _forecast(book: Book) -> Context:
    forecast, sites = book.tables["forecast"], _sites(book)
    past = book.tables["backtest"].sort("winter", descending=True)
    return {
        "fleet": fleet_row(book),
        "past": book.rows("backtest", past),
        "sites": book.rows("forecast", sites),
        "sites_in_all": forecast.filter(pl.col("level") == "site").height,
        "sites_placed": sites.filter(pl.col("latitude").is_not_null()).height,
        "winters": book.rows("winters"),
        "chart_forecast": charts.fleet_forecast(forecast, past),
        "chart_map": site_map.map_of_sites(sites),
        "chart_winters": charts.winters(book.tables["winters"]),
    }


def _sites(book: Book) -> pl.DataFrame:
    """Sites with most expected calls first, placed where the site list says where they are."""
    place = ("name", "latitude", "longitude")
    sites = book.tables["sites"]
    if not sites.width:
        sites = pl.DataFrame(
            schema={"site_id": pl.String, "name": pl.String, "latitude": pl.Float64, "longitude": pl.Float64}
        )
    forecast = book.tables["forecast"].filter(pl.col("level") == "site")
    ordered = (
        forecast.join(sites.select("site_id", *place), on="site_id", how="left")
        .with_columns(pl.col("name").fill_null(pl.col("site_id")))
        .sort("expected_cold_calls", "cold_hours_typical", "site_id", descending=[True, True, False])
    )
    return book.first(ordered, SITES_SHOWN)


# The plan


def _plan(book: Book) -> Context:
    chosen = book.tables["plan"].filter("selected").sort("rank", "unit_id")
    shown = book.first(chosen, WORK_SHOWN).join(site_names(book), on="site_id", how="left", maintain_order="left")
    summary, curve = book.tables["plan_summary"], book.tables["budget_curve"]
    assumptions, reasons = book.tables["plan_assumptions"], book.tables["fit_reasons"]
    return {
        "planned": book.by_key("plan_summary"),
        "doubts": summary.filter(pl.col("fact").str.starts_with("doubt"))["meaning"].to_list(),
        "chosen": book.rows("plan", shown),
        "chosen_in_all": chosen.height,
        "packages_in_all": book.tables["plan"].height,
        "top_avoided": highest(shown["upper_90"]),
        "assumptions": book.rows("plan_assumptions"),
        "costs_stated": bool((assumptions["standing"] == "profile").any()),
        "by_option": book.rows("plan_by_option", book.tables["plan_by_option"].sort(*_DEAREST_LAST, nulls_last=True)),
        "effects": book.rows("option_effects"),
        "scenarios": book.rows("plan_sensitivity", _as_taken_first(book.tables["plan_sensitivity"])),
        "frailest": _frailest(book),
        "reasons": book.rows("fit_reasons", book.first(_most_units(reasons), REASONS_SHOWN)),
        "reasons_in_all": reasons.height,
        "curve": book.rows("budget_curve", curve.sort("budget")),
        "half_way": _half_way(book),
        "chart_budget": charts.budget_curve(curve, summary, book.facts.currency or "money"),
    }


_DEAREST_LAST = ("cost_per_call", "option")


def _as_taken_first(scenarios: pl.DataFrame) -> pl.DataFrame:
    return scenarios.sort(pl.col("scenario") != AS_TAKEN, "scenario")


def _frailest(book: Book) -> Row | None:
    """The scenario in which fewest of the chosen units stay chosen."""
    others = book.tables["plan_sensitivity"].filter(pl.col("scenario") != AS_TAKEN, pl.col("kept_share").is_not_null())
    return next(iter(book.rows("plan_sensitivity", others.sort("kept_share", "scenario"))), None)


def _most_units(reasons: pl.DataFrame) -> pl.DataFrame:
    return reasons.sort("units", "pairs", "reason", descending=[True, True, False])


def _half_way(book: Book) -> Row | None:
    """The least budget of the curve that avoids half of what the largest avoids."""
    curve = book.tables["budget_curve"].sort("budget")
    most = highest(curve["avoided_calls_per_winter"])
    enough = curve.filter(pl.col("avoided_calls_per_winter") >= most / 2) if most > 0 else curve.clear()
    return next(iter(book.rows("budget_curve", enough)), None)


# Calls by temperature


def _temperatures(book: Book) -> Context:
    exposure = book.tables["exposure"]
    return {
        "exposure": book.rows("exposure", exposure.filter(pl.col("unit_hours") > 0)),
        "worst_band": _worst_band(book),
        "mildest_band": _band_from(book, "mild_from_c"),
        "chart_rate": temperature_charts.rate_by_temperature(exposure, book.figures),
    }


def _worst_band(book: Book) -> Row | None:
    """Band with the highest lower end of its interval, on the default measure: the surest, not the luckiest."""
    bands = book.tables["exposure"].filter(pl.col("measure") == MAIN_MEASURE, pl.col("episodes") > 0)
    worst = bands.sort("lower", "lower_c", descending=[True, False], nulls_last=True).head(1)
    return next(iter(book.rows("exposure", worst)), None)


def _band_from(book: Book, threshold: str) -> Row | None:
    """First band that lies wholly above a threshold, on the default measure."""
    limit = book.by_key("thresholds")[threshold]["value"]
    bands = book.tables["exposure"].filter(
        pl.col("measure") == MAIN_MEASURE, pl.col("lower_c") >= limit - 0.01, pl.col("unit_hours") > 0
    )
    return next(iter(book.rows("exposure", bands.sort("lower_c").head(1))), None)


# Units in order


def _ranking(book: Book) -> Context:
    ranking = (
        book.tables["unit_ranking"]
        .join(site_names(book), on="site_id", how="left")
        .sort("rank", "expected_cold_calls", "unit_id", descending=[False, True, False], nulls_last=True)
    )
    shown = book.first(ranking, ROWS_SHOWN)
    return {
        "ranking": book.rows("unit_ranking", shown),
        "ranked": ranking.height,
        "top_calls": highest(shown["upper_90"]),
        "top_rate": highest(shown["shrunk_upper_90"]),
    }
