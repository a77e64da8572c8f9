"""The next days: against drawing calls hour by hour, clocks of the sites, and forecasts that cannot be used."""

from datetime import UTC, date, datetime, timedelta

import numpy as np
import polars as pl
import pytest
from flag_frames import WIDTH_K, call, frames

from lowambient import reference
from lowambient.errors import InputRefused
from lowambient.flags.judging import _state_name, judge_flags
from lowambient.flags.sources import COLD, sources
from lowambient.intake.hourly_forecast import read_forecast
from lowambient.plan.outlook import DAYS, UNITS, coverage_sentences, day_sentences, hazards, outlook

START = datetime(2024, 12, 4, 6, tzinfo=UTC)  # midnight in Chicago
THRESHOLDS = {"outlook_spread_cv": 0.0}
DEFAULTS = {name: row.value for name, row in reference.thresholds().items()}


def forecast(temperatures, station: str = "A") -> pl.DataFrame:
    return pl.DataFrame(
        {
            "station_id": [station] * len(temperatures),
            "hour": [START + timedelta(hours=place) for place in range(len(temperatures))],
            "temperature_c": [float(value) for value in temperatures],
        }
    )


def facts(units: int, **columns) -> pl.DataFrame:
    base = {
        "unit_id": [f"u{place}" for place in range(units)],
        "site_id": ["s"] * units,
        "site_name": ["Alder Row"] * units,
        "description": [None] * units,
        "time_zone": ["America/Chicago"] * units,
        "station_id": ["A"] * units,
        "still_served": [True] * units,
        "outage_cost_per_h": [0.0] * units,
    }
    kinds = {"description": pl.String}
    return pl.DataFrame(base | columns, schema_overrides=kinds)


def states(rows, starts_c: float = 10.0) -> pl.DataFrame:
    """Rows of unit, state, probability, calls in 1,000 h below `starts_c` at a sharp step, is sound."""
    names = ["unit_id", "state", "probability", "calls_per_1000_h", "is_sound"]
    frame = pl.DataFrame(rows, schema=names, orient="row")
    return frame.with_columns(
        shape=pl.when("is_sound").then(None).otherwise(pl.lit("cold")),
        starts_c=pl.lit(starts_c),
        softness_k=pl.lit(0.01),
    )


def test_probabilities_and_days_are_those_of_calls_drawn_hour_by_hour():
    random = np.random.default_rng(3)
    temperatures = 12 + 10 * np.sin(np.arange(72) / 24 * 2 * np.pi) - np.linspace(0, 14, 72)
    rows, units = [], 12
    for place in range(units):
        p = float(random.uniform(0.1, 0.9))
        rows += [(f"u{place}", "fine", 1 - p, 0.0, True), (f"u{place}", "bad", p, float(random.uniform(5, 60)), False)]
    given = pl.concat([states(rows[:12]), states(rows[12:], 2.0)])
    by_unit, by_day = outlook(given, facts(units), forecast(temperatures), THRESHOLDS)
    coldest = np.array([temperatures[max(hour - 23, 0) : hour + 1].min() for hour in range(72)])
    draws = 20_000
    first = np.full((draws, units), -1)
    for place in range(units):
        bad = random.random(draws) < rows[2 * place + 1][2]
        rate = rows[2 * place + 1][3] / 1000 * (coldest < (10.0 if place < 6 else 2.0))
        for hour in range(72):
            calls = bad & (random.random(draws) < -np.expm1(-rate[hour])) & (first[:, place] < 0)
            first[calls, place] = hour
    called = {row["unit_id"]: row for row in by_unit.iter_rows(named=True)}
    for place in range(units):
        ever = first[:, place] >= 0
        if f"u{place}" not in called:
            assert not ever.any()
            continue
        told = called[f"u{place}"]
        assert told["probability"] == pytest.approx(ever.mean(), abs=0.012)
        at = (datetime.fromisoformat(told["likely_at"]) - START) / timedelta(hours=1)
        assert at == pytest.approx(np.median(first[ever, place]), abs=1.01)
    for day in range(3):
        count = ((first >= 24 * day) & (first < 24 * (day + 1))).sum(axis=1)
        row = by_day.row(day, named=True)
        assert row["day"] == date(2024, 12, 4) + timedelta(days=day)
        assert row["expected_calls"] == pytest.approx(count.mean(), rel=0.03, abs=0.02)
        assert np.mean((count >= row["lower_90"]) & (count <= row["upper_90"])) >= 0.9
        assert row["hours"] == 24


def test_the_likeliest_come_first_and_equals_by_what_an_outage_costs():
    rows = [(f"u{place}", "bad", 1.0, calls, False) for place, calls in enumerate((20.0, 40.0, 40.0, 0.0))]
    given = facts(4, outage_cost_per_h=[500.0, 10.0, 90.0, 900.0])
    by_unit, _ = outlook(states(rows), given, forecast([0.0] * 48), THRESHOLDS)
    assert by_unit["unit_id"].to_list() == ["u2", "u1", "u0"]
    assert by_unit["rank"].to_list() == [1, 2, 3]
    assert dict(by_unit.schema) == UNITS


def test_times_are_on_the_clock_of_the_site():
    given = facts(2, time_zone=["America/Chicago", "America/Denver"])
    rows = [("u0", "bad", 1.0, 2000.0, False), ("u1", "bad", 1.0, 2000.0, False)]
    by_unit, by_day = outlook(states(rows), given, forecast([20.0] * 8 + [0.0] * 16 + [20.0] * 24), THRESHOLDS)
    at = dict(by_unit.select("unit_id", "likely_from").iter_rows())
    assert at == {"u0": "2024-12-04T08:00-06:00", "u1": "2024-12-04T07:00-07:00"}
    # Denver's day begins an hour later: its first hour of the forecast still belongs to the day before
    assert by_day["day"].to_list()[0] == date(2024, 12, 3)
    assert by_day.filter(pl.col("day") == date(2024, 12, 3))["units"].item() == 1


def test_states_call_as_often_as_the_flags_say_by_temperature():
    """The levels of the flags room, at a day like each of its bands, and over a typical winter."""
    units = {f"u{place}": {"head_control": control} for place, control in enumerate(("none", "fan cycling"))}
    given = frames(units, [call("u0", 20), call("u0", 72), call("u1", 70)])
    told = judge_flags(given, DEFAULTS).unit_states.sort("unit_id", "state")
    coldest = np.linspace(-30.0, 25.0, 56)
    by_name = {"sound": np.zeros(56)}
    for level in sources()[COLD].levels:
        by_name[_state_name(level)] = level.hazard(coldest)
    found = hazards(told, coldest)
    assert found == pytest.approx(np.stack([by_name[name] for name in told["state"]]), abs=1e-12)
    year = given["year_bands"]
    middle = 10 + (year["band"].to_numpy() + 0.5) * WIDTH_K
    assert told["cold_calls_per_winter"].max() > 1
    assert hazards(told, middle) @ year["hours"].to_numpy() == pytest.approx(told["cold_calls_per_winter"], rel=1e-6)


def test_warm_and_steady_states_and_sound_ones():
    rows = pl.DataFrame(
        {
            "shape": ["warm", "any", "none", None],
            "starts_c": [10.0, 0.0, 0.0, None],
            "softness_k": [1e-3, 1.5, 1.5, None],
            "calls_per_1000_h": [2.0, 3.0, 9.0, None],
        }
    )
    assert hazards(rows, np.array([0.0, 20.0])).round(9).tolist() == [[0, 0.002], [0.003, 0.003], [0, 0], [0, 0]]


def test_the_cold_of_a_night_counts_for_a_day():
    rows = [("u0", "bad", 1.0, 10.0, False)]
    one_cold_hour = [20.0] * 5 + [0.0] + [20.0] * 60
    by_unit, by_day = outlook(states(rows), facts(1), forecast(one_cold_hour), THRESHOLDS)
    assert by_unit["probability"].item() == pytest.approx(1 - np.exp(-24 * 10 / 1000), abs=1e-4)
    assert by_day["expected_calls"].to_list()[2] == 0


def test_the_shared_doubt_widens_the_days():
    rows = [(f"u{place}", "bad", 1.0, 30.0, False) for place in range(400)]
    narrow, wide = (
        outlook(states(rows), facts(400), forecast([0.0] * 24), {"outlook_spread_cv": cv})[1].row(0, named=True)
        for cv in (0.0, 0.3)
    )
    assert narrow["expected_calls"] == wide["expected_calls"] > 50
    assert wide["upper_90"] - wide["lower_90"] > 2 * (narrow["upper_90"] - narrow["lower_90"])


def test_nothing_to_tell_is_told_as_nothing():
    by_unit, by_day = outlook(states([("u0", "bad", 1.0, 3.0, False)]), facts(1), forecast([0.0], "B"), THRESHOLDS)
    assert by_unit.is_empty()
    assert by_day.is_empty()
    assert dict(by_day.schema) == DAYS
    gone = facts(1, still_served=[False])
    assert outlook(states([("u0", "bad", 1.0, 3.0, False)]), gone, forecast([0.0]), THRESHOLDS)[0].is_empty()
    served = facts(2, station_id=["A", "C"])
    told = coverage_sentences(served, forecast([0.0]).vstack(forecast([0.0], "B")))
    assert "1 of 2 units" in told[0]
    assert "B" in told[1]
    assert coverage_sentences(facts(2), forecast([0.0])) == []


def test_a_part_of_a_day_says_so():
    _, by_day = outlook(states([("u0", "bad", 1.0, 3.0, False)]), facts(1), forecast([0.0] * 30), THRESHOLDS)
    said = day_sentences(by_day)
    assert said[0].startswith("Wed 04 Dec: ")
    assert "32 °F (0 °C)." in said[0]
    assert said[1].endswith("over 6 of its hours.")


def test_forecasts_are_read_in_both_units_and_with_offsets(tmp_path):
    path = tmp_path / "forecast.csv"
    path.write_text(
        "hour,station_id,temperature_f\n2024-12-04T00:30-06:00,A,32\n2024-12-04T07:00,A,14\n", encoding="utf-8"
    )
    found = read_forecast(path)
    assert found["hour"].to_list() == [START, START + timedelta(hours=1)]
    assert found["temperature_c"].to_list() == pytest.approx([0.0, -10.0])


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "no row under a header"),
        ("station_id,hour,temp\nA,2024-12-04T06:00Z,1\n", "temperature_c or temperature_f"),
        ("station_id,hour,temperature_c,temperature_f\nA,2024-12-04T06:00Z,1,1\n", "one of"),
        ("station_id,hour,temperature_c\nA,tomorrow,1\n", "line 2: hour 'tomorrow'"),
        ("station_id,hour,temperature_c\nA,2024-12-04T06:00Z,cold\n", "line 2: temperature_c 'cold'"),
        ("station_id,hour,temperature_c\nA,2024-12-04T06:00Z,nan\n", "no outdoor temperature"),
        ("station_id,hour,temperature_c\nA,2024-12-04T06:00Z,-300\n", "-300 is no outdoor temperature"),
        ("station_id,hour,temperature_c\n,2024-12-04T06:00Z,1\n", "no station_id"),
        (
            "station_id,hour,temperature_c\nA,2024-12-04T06:00Z,1\nA,2024-12-04T06:20Z,2\n",
            "line 3: a second temperature",
        ),
        ("station_id,hour,temperature_c\nA,2024-12-04T06:00Z\n", "not a number"),
    ],
)
def test_a_forecast_that_cannot_be_used_says_where(tmp_path, text, words):
    path = tmp_path / "forecast.csv"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(InputRefused, match=r"forecast\.csv") as refused:
        read_forecast(path)
    assert words in str(refused.value)


def test_a_forecast_that_is_not_there_or_not_text_is_refused(tmp_path):
    with pytest.raises(InputRefused, match="no file"):
        read_forecast(tmp_path / "none.csv")
    (tmp_path / "bad.csv").write_bytes(b"\xff\xfe\x00\x01")
    with pytest.raises(InputRefused, match="UTF-8"):
        read_forecast(tmp_path / "bad.csv")
