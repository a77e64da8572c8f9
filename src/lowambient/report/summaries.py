"""Counts that the pages state, each a table of its own, so that a sentence can be looked up."""

from collections.abc import Mapping
from datetime import datetime

import polars as pl

from lowambient import reference
from lowambient.report import schemas
from lowambient.report.callback_summaries import callback_facts, follow_up_verdicts
from lowambient.report.facts import RunFacts
from lowambient.report.intake_counts import load_totals, refusal_reasons, set_aside_reasons, unmatched_ids
from lowambient.report.plan_counts import fit_reasons, plan_by_option, plan_facts
from lowambient.report.revisits import contradictions, revisit
from lowambient.report.tables import CSV_INSTANT, as_written

Frames = Mapping[str, pl.DataFrame]

_HOURS_IN_YEAR = 8760


def page_tables(frames: Frames, facts: RunFacts, vendored: Mapping[str, str]) -> dict[str, pl.DataFrame]:
    """The tables of `schemas.PAGE`, as written, from the contract and working tables as written.

    `vendored` maps the scripts and outlines that come with the pages to their versions.
    """
    winters = as_written("winters", cold_hours_by_winter(frames["cold_hours"], facts))
    raised, apart = revisit(frames), contradictions(frames)
    counted = _fact_rows(_revisit_facts(frames["flags"], raised, apart))
    tables = {
        "winters": winters,
        "load_totals": load_totals(frames["loads"]),
        "unmatched_ids": unmatched_ids(frames["unmatched"]),
        "refusal_reasons": refusal_reasons(frames["quarantine"]),
        "set_aside_reasons": set_aside_reasons(frames["set_aside"]),
        "revisit": raised,
        "contradictions": apart,
        "thresholds": thresholds_used(facts.thresholds),
        "versions": _pairs("program", "version", {**vendored, **facts.versions}),
        "costs": _pairs("name", "value", facts.costs),
        "plan_by_option": plan_by_option(frames["plan"]),
        "fit_reasons": fit_reasons(frames["option_fit"]),
        "follow_up_verdicts": follow_up_verdicts(frames["follow_up"]),
        "summary": pl.concat([summary(frames, winters, facts), counted]),
    }
    written = {table: as_written(table, frame) for table, frame in tables.items()}
    rows = {table: frame.height for table, frame in {**frames, **written}.items() if table in schemas.ALL}
    return {**written, "contents": as_written("contents", _pairs("table", "rows", rows))}


def _pairs(first: str, second: str, pairs: Mapping[str, str] | Mapping[str, float]) -> pl.DataFrame:
    kinds = {first: pl.String, second: pl.String if second == "version" else pl.Float64}
    return pl.DataFrame({first: list(pairs), second: list(pairs.values())}, schema=kinds)


def cold_hours_by_winter(cold_hours: pl.DataFrame, facts: RunFacts) -> pl.DataFrame:
    """Mean cold hours of a unit in each winter: one row a winter.

    A winter is whole for a unit if `winter_whole_fraction` of its hours were in service and had weather; for the
    run's last winter, of the `winter_done_months` after which its cold is over. The means are over the units for
    which every winter that is whole for any unit is whole; where there are none, over those for which that one is,
    so that `units` then differs from row to row. A winter that is whole for no unit is only touched by the data:
    its mean is over all units in it, and it is kept out of comparisons.
    """
    done = pl.when(pl.col("winter") == pl.lit(facts.last_winter, pl.String)).then(
        threshold("winter_done_months", facts) / 12
    )
    needed = threshold("winter_whole_fraction", facts) * _HOURS_IN_YEAR * done.otherwise(1.0)
    seen = cold_hours.with_columns(
        (pl.col("service_hours") - pl.col("gap_hours").fill_null(0) >= needed).fill_null(value=False).alias("complete")
    )
    winters = seen.group_by("winter").agg(pl.col("complete").any().alias("whole"))
    every = int(winters["whole"].sum())
    completed = seen.filter("complete")
    same = completed.filter(pl.len().over("unit_id") == every)
    touched = seen.join(winters.filter(~pl.col("whole")), on="winter", how="semi")
    means = (
        pl.concat([same if same.height else completed, touched])
        .group_by("winter")
        .agg(
            pl.len().cast(pl.Int64).alias("units"),
            *(pl.col(f"{name}_hours").mean().alias(f"{name}_hours_mean") for name in ("cold", "reset_cold", "gap")),
        )
    )
    return winters.join(means, on="winter", how="left").with_columns(pl.col("units").fill_null(0))


def thresholds_used(used: Mapping[str, float]) -> pl.DataFrame:
    """Thresholds with the value used beside the listed one: one row a threshold."""
    listed = reference.thresholds().values()
    return pl.DataFrame(
        {
            "name": [one.name for one in listed],
            "value": [float(used.get(one.name, one.value)) for one in listed],
            "listed": [one.value for one in listed],
            "unit": [one.unit for one in listed],
            "source": [one.source for one in listed],
        }
    )


def summary(frames: Frames, winters: pl.DataFrame, facts: RunFacts) -> pl.DataFrame:
    """Facts that sentences state: one row a fact, with how it was counted."""
    numbers = {
        **_fleet_facts(frames),
        **_ranking_facts(frames["unit_ranking"]),
        **_winter_facts(winters, facts.last_winter),
        **callback_facts(frames),
        **plan_facts(frames),
        **_intake_facts(frames),
        **_coverage_facts(frames, threshold("station_far_km", facts), threshold("winter_whole_fraction", facts)),
    }
    instants = {
        "data_from": (facts.data_from, "first day of the calls export"),
        "data_to": (facts.data_to, "last day of the calls export"),
    }
    return _fact_rows(numbers, {name: (_instant(value), text) for name, (value, text) in instants.items()})


def _fact_rows(numbers: "Facts", instants: Mapping[str, tuple[str | None, str]] | None = None) -> pl.DataFrame:
    """Rows of `summary`."""
    rows = [(name, value, None, text) for name, (value, text) in numbers.items()]
    rows += [(name, None, value, text) for name, (value, text) in (instants or {}).items()]  # type: ignore[misc]
    kinds = {"fact": pl.String, "value": pl.Float64, "instant": pl.String, "meaning": pl.String}
    return pl.DataFrame(rows, schema=kinds, orient="row")


Facts = dict[str, tuple[float | None, str]]


def threshold(name: str, facts: RunFacts) -> float:
    """Value of a threshold in this run."""
    return float(facts.thresholds.get(name, reference.thresholds()[name].value))


def _total(numbers: pl.Series) -> float:
    return float(numbers.sum())


def _mean(numbers: pl.Series) -> float | None:
    mean = numbers.mean()
    return mean if isinstance(mean, float) else None


def _instant(value: datetime | None) -> str | None:
    return value.strftime(CSV_INSTANT) if value else None


def _fleet_facts(frames: Frames) -> Facts:
    is_low = frames["calls"]["symptom"] == "low-pressure trip"
    return {
        "sites": (frames["sites"].height, "rows of the site list"),
        "units": (frames["units"].height, "rows of the unit list"),
        "calls": (frames["calls"].height, "rows of `calls`"),
        "low_pressure_calls": (_total(is_low), "rows of `calls` whose symptom is a low-pressure trip"),
        "unclear_calls": (_total(frames["calls"]["is_unclear"]), "rows of `calls` whose words say too little"),
    }


def _ranking_facts(ranking: pl.DataFrame) -> Facts:
    expected = ranking["expected_cold_calls"].fill_null(0).sort(descending=True)
    episodes, hours = _total(ranking["episodes"]), _total(ranking["cold_hours"])
    rate = 1000 * episodes / hours if hours else None
    above = ranking.filter(pl.col("shrunk_lower_90") > rate).height if rate is not None else 0
    half = int((expected.cum_sum() < _total(expected) / 2).sum()) + 1 if _total(expected) > 0 else 0
    return {
        "units_ranked": (ranking.height, "rows of `unit_ranking`"),
        "units_with_episodes": (
            ranking.filter(pl.col("episodes") > 0).height,
            "units with at least one low-pressure episode",
        ),
        "episodes": (episodes, "low-pressure episodes of all ranked units"),
        "cold_hours": (hours, "cold hours seen of all ranked units [h]"),
        "fleet_rate_per_1000_h": (rate, "episodes per 1,000 cold hours of all ranked units"),
        "units_above_fleet": (above, "units whose 90 % interval of the shrunk rate lies above the fleet's rate"),
        "units_with_half": (half, "fewest units that carry half of the expected episodes"),
        "units_with_half_without_control": (
            _without_control(ranking, half),
            "those of them listed without a head-pressure control, or with none recorded",
        ),
    }


def _revisit_facts(flags: pl.DataFrame, raised: pl.DataFrame, apart: pl.DataFrame) -> Facts:
    resting = raised["rests_on"].fill_null("")
    return {
        "flags_judged": (flags.height, "rows of `flags`"),
        "flags_raised": (raised.height, "rows of `flags` over their threshold"),
        "units_raised": (raised["unit_id"].n_unique(), "units with a raised flag"),
        "flags_raised_expected": (
            round(float(raised["probability"].sum()), 1),
            "sum of the probabilities of raised flags: how many are to be expected true, if the probabilities hold",
        ),
        "flags_raised_on_readings": (
            _total(resting.str.contains("readings")),
            "raised flags that rest on readings, alone or with other evidence",
        ),
        "flags_raised_checked": (
            _total(raised["last_checked_at"].is_not_null()),
            "raised flags that were checked on site before",
        ),
        "flags_new": (
            _total(raised["is_new"].fill_null(value=False)),
            "raised flags that the run before did not raise",
        ),
        "units_contradicting": (
            apart["unit_id"].n_unique(),
            "units with raised flags that exclude or look like each other",
        ),
    }


def _without_control(ranking: pl.DataFrame, first: int) -> int:
    listed = ranking.sort("expected_cold_calls", descending=True, nulls_last=True).head(first)["head_control"]
    return int((listed.is_null() | listed.is_in(["none", "unknown"])).sum())


def _winter_facts(winters: pl.DataFrame, last_winter: str | None) -> Facts:
    whole = winters.filter("whole")
    last = pl.lit(last_winter or whole["winter"].max(), pl.String)
    hours = _mean(whole.filter(pl.col("winter") == last)["cold_hours_mean"])
    others = _mean(whole.filter(pl.col("winter") != last)["cold_hours_mean"])
    more = 100 * (hours / others - 1) if hours is not None and others else None
    return {
        "winters_whole": (whole.height, "winters that the data cover wholly"),
        "other_winters_cold_hours": (
            others,
            "mean over the whole winters but the last of `winters.cold_hours_mean` [h]",
        ),
        "last_winter_colder_percent": (
            max(more, 0.0) if more is not None else None,
            "cold hours of the last whole winter above the mean of the others [%]; 0 where it was milder",
        ),
        "last_winter_milder_percent": (
            max(-more, 0.0) if more is not None else None,
            "cold hours of the last whole winter below the mean of the others [%]; 0 where it was colder",
        ),
    }


def _intake_facts(frames: Frames) -> Facts:
    loads = frames["loads"]
    adds_up = pl.col("rows_read") == pl.col("loaded") + pl.col("refused") + pl.col("repeated")
    return {
        "files": (loads["source"].n_unique(), "files of `loads`"),
        "files_not_adding_up": (
            loads.filter(~adds_up).height,
            "rows of `loads` where records read are not loaded + refused + repeated",
        ),
        **{
            name: (_total(loads[name]), f"sum of `loads.{name}`")
            for name in ("rows_read", "loaded", "refused", "repeated")
        },
        "unmatched_ids": (frames["unmatched"]["written"].n_unique(), "ids written in `unmatched`"),
        "unmatched_rows": (_total(frames["unmatched"]["rows"]), "sum of `unmatched.rows`"),
        "set_aside_cells": (frames["set_aside"].height, "rows of `set_aside`"),
    }


def _coverage_facts(frames: Frames, far_km: float, enough: float) -> Facts:
    coverage, stations = frames["coverage"], frames["unit_station"]

    def units(rows: pl.Expr, meaning: str) -> tuple[float, str]:
        return coverage.filter(rows).height, f"rows of `coverage` with {meaning}"

    return {
        "units_covered": (coverage.height, "rows of `coverage`"),
        "units_without_calls": units(pl.col("calls") == 0, "no calls"),
        "units_without_readings": units(pl.col("readings") == 0, "no readings"),
        "units_without_weather": units(pl.col("weather_hours") == 0, "no hour with weather"),
        "units_with_gaps": units(
            (pl.col("weather_hours") > 0)
            & (pl.col("weather_hours") < enough * (pl.col("weather_hours") + pl.col("weather_gap_hours"))),
            "weather in less than `winter_whole_fraction` of their in-service hours, but in some",
        ),
        "units_far_from_station": (
            stations.filter(pl.col("station_km") > far_km).height,
            "rows of `unit_station` farther than `station_far_km`",
        ),
        "units_nearest_station": (
            stations.filter(~pl.col("station_named")).height,
            "rows of `unit_station` served by the nearest station, none being named",
        ),
    }
