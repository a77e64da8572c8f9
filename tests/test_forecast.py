"""The next winter: closed forms against drawing winters, coverage of predictions, and fleets of every awkward kind."""

from dataclasses import replace

import numpy as np
import polars as pl
import pytest

from lowambient import reference
from lowambient.plan import forecast as module
from lowambient.plan.forecast import forecast, next_winter, predictive_interval
from lowambient.plan.ranking import unit_ranking
from lowambient.records import outputs

THRESHOLDS = {name: row.value for name, row in reference.thresholds().items()}
STATIONS = pl.DataFrame({"station_id": ["A", "B"], "latitude": [41.98, 44.98], "longitude": [-87.9, -93.2]})


def counts(events, past_hours, hours, *, site=None, station=None, served=None, cv=0.12, winters=20) -> pl.DataFrame:
    """Rows as in unit_counts, with what the forecast reads."""
    number = len(events)
    return pl.DataFrame(
        {
            "unit_id": [f"u{place:05d}" for place in range(number)],
            "site_id": site if site is not None else [f"s{place // 3:04d}" for place in range(number)],
            "station_id": station if station is not None else ["A", "B"] * (number // 2) + ["A"] * (number % 2),
            "still_served": served if served is not None else [True] * number,
            "episodes": np.asarray(events, dtype=np.int64),
            "calls": np.asarray(events, dtype=np.int64),
            "cold_hours": np.asarray(past_hours, dtype=np.int64),
            "calls_last_winter": np.minimum(events, 1).astype(np.int64),
            "cold_hours_typical": np.broadcast_to(np.asarray(hours, dtype=float), (number,)).copy(),
            "winters": [winters] * number,
            "spread_cv": [cv] * number,
        }
    )


def fleet(random: np.random.Generator, units: int, **more) -> tuple[pl.DataFrame, np.ndarray]:
    rate = random.gamma(0.5, 0.0006 / 0.5, units)
    past = random.integers(2000, 9000, units)
    return counts(random.poisson(rate * past), past, 2500.0, **more), rate


def test_table_is_what_the_contract_says():
    table = forecast(fleet(np.random.default_rng(1), 40)[0], STATIONS, THRESHOLDS)
    checked = outputs.Forecast.validate(table, cast=True)
    assert checked["level"].value_counts().sort("level").rows() == [("unit", 40), ("site", 14), ("fleet", 1)]
    for level in ("site", "fleet"):
        total = table.filter(pl.col("level") == level)["expected_cold_calls"].sum()
        assert total == pytest.approx(table.filter(pl.col("level") == "unit")["expected_cold_calls"].sum(), abs=0.05)


def _drawn_totals(winter, groups, correlation, random, draws=20_000) -> np.ndarray:
    """Totals of groups of units, drawn: node of the prior, rates, a winter for each station, then counts."""
    node = random.choice(len(winter.node_probability), size=draws, p=winter.node_probability)
    shape, weight = winter.prior_shape[node], winter.prior_weight[node]
    events = winter.units["episodes"].to_numpy()
    past = winter.units["cold_hours"].to_numpy()
    rate = random.gamma(shape[:, None] + events, 1 / (weight[:, None] + past))
    normal = random.multivariate_normal(np.zeros(len(correlation)), correlation, size=draws)
    station = np.unique(winter.units["station_id"], return_inverse=True)[1]
    severity = np.maximum(1 + winter.severity_cv * normal[:, station], 0.0)
    drawn = random.poisson(rate * winter.hours * severity)
    return np.stack([drawn[:, groups == group].sum(axis=1) for group in np.unique(groups)], axis=1)


def _with_prior(unit_counts, monkeypatch):
    """The next winter, with the prior that was weighed kept beside it for drawing."""
    kept = {}
    weighed = module.weighed

    def keep(events, exposure):
        kept["prior"] = weighed(events, exposure)
        return kept["prior"]

    monkeypatch.setattr(module, "weighed", keep)
    winter = next_winter(unit_counts)
    drawn_from = type("Drawn", (), dict(winter.__dict__))()
    drawn_from.prior_shape, drawn_from.prior_weight = kept["prior"].shape, kept["prior"].weight
    return drawn_from


@pytest.mark.parametrize("cv", [0.12, 0.4])
def test_totals_have_the_mean_variance_and_interval_of_drawn_winters(cv, monkeypatch):
    random = np.random.default_rng(11)
    unit_counts, _ = fleet(random, 60, cv=cv)
    winter = _with_prior(unit_counts, monkeypatch)
    table = forecast(unit_counts, STATIONS, THRESHOLDS)
    length = THRESHOLDS["winter_correlation_km"]
    correlation = module.winter_correlation(STATIONS, length)
    sites = np.unique(unit_counts["site_id"], return_inverse=True)[1]
    for level, groups in (("unit", np.arange(60)), ("site", sites), ("fleet", np.zeros(60))):
        drawn = _drawn_totals(winter, groups, correlation, random)
        rows = table.filter(pl.col("level") == level)
        error = drawn.std(axis=0) / np.sqrt(len(drawn))
        assert (np.abs(rows["expected_cold_calls"].to_numpy() - drawn.mean(axis=0)) < 5 * error + 0.001).all()
        inside = (drawn >= rows["lower_90"].to_numpy()) & (drawn <= rows["upper_90"].to_numpy())
        # whole counts: at least 90 %, less a little where the negative binomial is not quite the mixture
        assert inside.mean() >= 0.89
        if level == "fleet":
            assert inside.mean() <= 0.93
            low, high = np.quantile(drawn[:, 0], [0.05, 0.95])
            assert abs(rows["lower_90"][0] - low) <= 0.04 * high
            assert abs(rows["upper_90"][0] - high) <= 0.04 * high


def test_predictions_cover_winters_that_follow_the_model():
    """1,000 fleets: past counts, then a winter shared by all; 90 % intervals of fleet and units against what came."""
    random = np.random.default_rng(12)
    hits = {"fleet": 0, "unit": 0}
    for _ in range(1000):
        unit_counts, rate = fleet(random, 30, station=["A"] * 30)
        table = forecast(unit_counts, STATIONS, THRESHOLDS)
        came = random.poisson(rate * 2500 * max(random.normal(1, 0.12), 0))
        for level, counted in (("fleet", came.sum()), ("unit", came[0])):
            row = table.filter(pl.col("level") == level).row(0, named=True)
            hits[level] += row["lower_90"] <= counted <= row["upper_90"]
    # 900 expected, standard error 9.5; whole counts add to it
    assert 880 <= hits["fleet"] <= 950
    assert hits["unit"] >= 880


def test_units_of_one_station_share_their_winter():
    """Totals are less certain than if each unit had a winter of its own, and two far stations lie between."""
    random = np.random.default_rng(13)
    unit_counts, _ = fleet(random, 200, cv=0.3)
    far = STATIONS.with_columns(latitude=pl.Series([-40.0, 60.0]))

    def width(stations, names):
        rows = forecast(unit_counts.with_columns(station_id=pl.Series(names)), stations, THRESHOLDS)
        row = rows.filter(pl.col("level") == "fleet").row(0, named=True)
        return row["upper_90"] - row["lower_90"]

    together = width(STATIONS, ["A"] * 200)
    apart = width(far, ["A", "B"] * 100)
    none = forecast(unit_counts.with_columns(spread_cv=0.0), STATIONS, THRESHOLDS).filter(pl.col("level") == "fleet")
    alone = (none["upper_90"] - none["lower_90"])[0]
    assert together > apart > alone


def test_more_cold_hours_bring_more_calls_in_proportion():
    unit_counts, _ = fleet(np.random.default_rng(14), 20)
    doubled = unit_counts.with_columns(pl.col("cold_hours_typical") * 2)
    one, two = (
        forecast(frame, STATIONS, THRESHOLDS)["expected_cold_calls"].to_numpy() for frame in (unit_counts, doubled)
    )
    assert two == pytest.approx(2 * one, abs=0.0021)


def test_units_out_of_service_or_without_weather_are_not_forecast():
    unit_counts = counts([3, 3, 3], [3000] * 3, 1000.0, served=[True, False, True])
    unit_counts = unit_counts.with_columns(cold_hours_typical=pl.Series([1000.0, 1000.0, None]))
    table = forecast(unit_counts, STATIONS, THRESHOLDS)
    assert table.filter(pl.col("level") == "unit")["unit_id"].to_list() == ["u00000"]
    assert table.filter(pl.col("level") == "fleet")["calls_last_winter"].to_list() == [1]
    ranking = unit_ranking(unit_counts)
    assert ranking["unit_id"].to_list() == ["u00000", "u00001", "u00002"]
    assert ranking["expected_cold_calls"].to_list()[1:] == [0.0, None]


@pytest.mark.parametrize(
    ("events", "past_hours"),
    [
        ([0] * 30, [2000] * 30),
        ([4], [2000]),
        ([0], [2000]),
        ([40] + [0] * 29, [2000] * 30),
        ([2] * 30, [2000] * 30),
        ([1, 0, 3], [0, 0, 2000]),
        ([1, 0], [3, 1]),
    ],
    ids=[
        "no call",
        "one unit",
        "one quiet unit",
        "one bad unit",
        "all alike",
        "call without an hour",
        "hardly any hour",
    ],
)
def test_awkward_fleets_get_finite_ordered_intervals(events, past_hours):
    unit_counts = counts(np.array(events), past_hours, 500.0)
    table = forecast(unit_counts, STATIONS, THRESHOLDS)
    assert table["expected_cold_calls"].is_finite().all()
    assert (table["expected_cold_calls"] >= 0).all()
    assert (table["lower_90"] <= table["upper_90"]).all()
    assert (table["lower_90"] <= table["expected_cold_calls"] + 0.5).all()
    fleet_row = table.filter(pl.col("level") == "fleet").row(0, named=True)
    assert fleet_row["upper_90"] < 1000
    ranking = unit_ranking(unit_counts)
    assert ranking["expected_cold_calls"].to_list() == sorted(ranking["expected_cold_calls"].to_list(), reverse=True)
    assert ranking["expected_rank"].sum() == pytest.approx(len(events) * (len(events) + 1) / 2, rel=1e-3)


def test_without_cold_hours_nothing_is_said():
    unit_counts = counts([0, 0], [0, 0], 500.0)
    assert forecast(unit_counts, STATIONS, THRESHOLDS).is_empty()
    ranking = unit_ranking(unit_counts)
    assert ranking["shrunk_rate"].null_count() == 2
    assert ranking["rate_per_1000_h"].null_count() == 2
    assert ranking.schema == unit_ranking(counts([0, 1], [9, 9], 500.0)).schema


def test_ranking_shows_what_was_counted_beside_what_is_believed():
    unit_counts = counts(np.array([6, 1, 0, 0]), [2000, 100, 2000, 50], 1000.0)
    ranking = {row["unit_id"]: row for row in unit_ranking(unit_counts).to_dicts()}
    assert ranking["u00000"]["rate_per_1000_h"] == 3.0
    assert ranking["u00001"]["rate_per_1000_h"] == 10.0
    # one call in a hundred hours tells less than six in two thousand
    assert ranking["u00001"]["shrunk_rate"] < 10.0
    assert ranking["u00003"]["shrunk_rate"] > ranking["u00002"]["shrunk_rate"]
    assert ranking["u00002"]["lower"] == 0.0
    for row in ranking.values():
        assert row["shrunk_lower_90"] <= row["shrunk_upper_90"]


def test_forecast_does_not_depend_on_the_order_of_units():
    unit_counts, _ = fleet(np.random.default_rng(15), 50)
    texts = {
        forecast(frame, STATIONS.reverse(), THRESHOLDS).write_csv() + unit_ranking(frame).write_csv()
        for frame in (unit_counts, unit_counts.reverse(), unit_counts.sample(fraction=1, shuffle=True, seed=1))
    }
    assert len(texts) == 1


def test_predictive_interval_of_a_poisson_count():
    """A variance equal to the mean is Poisson: 5 % and 95 % points of mean 10 are 5 and 15 (any table of it)."""
    lower, upper = predictive_interval(np.array([10.0, 0.0]), np.array([10.0, 0.0]))
    assert lower.tolist() == [5.0, 0.0]
    assert upper.tolist() == [15.0, 0.0]


def test_told_units_are_the_ones_in_the_table():
    winter = next_winter(fleet(np.random.default_rng(16), 9)[0])
    assert winter is not None
    assert winter.can_tell.all()
    gone = replace(winter, units=winter.units.with_columns(still_served=False))
    assert not gone.can_tell.any()
