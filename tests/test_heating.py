"""Heating read from pressures, against the mode that made circuits hide, a loop, and the physics of a heat pump."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
import pytest
from trace_maker import make

from lowambient.refrigerant.saturation import bubble_kpa, dew_kpa
from lowambient.traces.analysis import analyse
from lowambient.traces.circuit import CHANNELS, Array, Listed, Mask, Trace, trace_of
from lowambient.traces.cleaning import SET_ASIDE
from lowambient.traces.heating import NEAR_S, STEADY_S, STEADY_SHARE, with_heating
from lowambient.traces.steady import cooling_samples, may_heat_unseen

LISTED = Listed("U", "1", "R-410A", 101.325, duty="comfort")
OUTDOOR_C = -8.0
START = datetime(2016, 1, 4, tzinfo=UTC)


def circuit(boils_c: Array, condenses_c: Array, outdoor_c: float = OUTDOOR_C, step_s: float = 60.0) -> Trace:
    """A trace whose coils are as warm as this, one sample every `step_s`."""
    count = len(boils_c)
    values = {name: np.full(count, np.nan) for name in (*CHANNELS, "heating")}
    values["suction_kpa"] = np.asarray(dew_kpa("R-410A", boils_c))
    values["liquid_kpa"] = np.asarray(bubble_kpa("R-410A", condenses_c))
    return Trace(step_s * np.arange(count), step_s, values | {"outdoor_c": np.full(count, outdoor_c)}, "R-410A")


def marked(trace: Trace, listed: Listed = LISTED) -> Mask:
    return np.asarray(with_heating(trace, listed)[0]["heating"] == 1)


def slowly_marked(seen: Mask, step_s: float) -> list[bool]:
    """Samples within NEAR_S of any stretch as long as STEADY_S in which enough samples show heating, by hand."""
    count = max(int(np.ceil(STEADY_S / step_s)), 3)
    stretches = [
        (first * step_s, (first + count - 1) * step_s)
        for first in range(len(seen) - count + 1)
        if seen[first : first + count].sum() >= STEADY_SHARE * count
    ]
    return [any(a - NEAR_S <= step_s * k <= b + NEAR_S for a, b in stretches) for k in range(len(seen))]


@pytest.mark.parametrize(
    ("boils_c", "condenses_c", "heats"),
    [(-14.0, 40.0, True), (4.0, 40.0, False), (-14.0, 15.0, False)],
    ids=["heat pump", "cooling with a held head", "cooling that starves"],
)
def test_a_coil_under_the_outdoor_air_and_one_over_the_room_are_those_of_heating(
    boils_c: float, condenses_c: float, heats: bool
) -> None:
    """Heat goes from the warmer to the colder (physics): only an outdoor coil under the air takes heat from it."""
    trace = circuit(np.full(60, boils_c), np.full(60, condenses_c))
    found, listed, _ = with_heating(trace, LISTED)
    assert (found["heating"] == 1).all() == heats
    assert (listed.heat_pump is True) == heats


def test_a_dive_before_a_trip_is_too_short_for_heating() -> None:
    boils_c = np.where(np.arange(60) < 52, 4.0, -14.0)
    assert not marked(circuit(boils_c, np.full(60, 40.0))).any()


@pytest.mark.parametrize(
    "listed",
    [replace(LISTED, heat_pump=False), replace(LISTED, duty="refrigeration"), replace(LISTED, duty=None)],
    ids=["no heat pump", "refrigeration", "unknown duty"],
)
def test_a_list_that_speaks_against_it_is_believed(listed: Listed) -> None:
    trace = circuit(np.full(60, -14.0), np.full(60, 40.0))
    assert with_heating(trace, listed) == (trace, listed, [])


def test_in_mild_air_only_a_known_heat_pump_heats() -> None:
    """At 8 degC an iced coil at -2 degC beside a head that fans hold looks the same."""
    trace = circuit(np.full(60, -2.0), np.full(60, 38.0), outdoor_c=8.0)
    assert not marked(trace).any()
    assert marked(trace, replace(LISTED, heat_pump=True)).all()


def test_a_logged_mode_is_left_as_it_is() -> None:
    trace = circuit(np.full(60, -14.0), np.full(60, 40.0)).with_channels(heating=np.zeros(60))
    assert with_heating(trace, LISTED) == (trace, LISTED, [])


@pytest.mark.parametrize("step_s", [30.0, 60.0, 300.0])
def test_stretches_are_those_that_a_loop_finds(step_s: float) -> None:
    random = np.random.default_rng(int(step_s))
    seen = np.repeat(random.random(40) < 0.5, random.integers(1, 30, 40))
    seen ^= random.random(len(seen)) < 0.04
    trace = circuit(np.where(seen, -14.0, 4.0), np.full(len(seen), 40.0), step_s=step_s)
    assert marked(trace).tolist() == slowly_marked(seen, step_s)
    assert 0 < marked(trace).sum() < len(seen)


def test_a_made_heat_pump_is_found_without_its_mode() -> None:
    """Of what its pressures show as heating, the hidden mode says so nearly always; its runs make no jumper."""
    made = make(41, days=4.0, logging_s=60, climate="bitter", duty="comfort", heat_pump=True, lp_cut_out_kpa=500.0)
    hidden = made.frame["mode"].is_in(["heating", "defrost"]).to_numpy()
    listed = replace(made.listed, heat_pump=None)
    blind = made.frame.drop("mode")
    found, heat_pump, told = with_heating(trace_of(blind, listed), listed)
    heats = found["heating"] == 1
    assert heat_pump.heat_pump
    assert [each.action for each in told] == [SET_ASIDE]
    assert f"{found.hours[heats].sum():.0f} h of heating" in told[0].sentence
    assert "names no heat pump" in told[0].sentence
    assert hidden[heats].mean() > 0.85
    assert heats.sum() > 0.5 * hidden.sum()
    assert analyse(blind, listed).jumpered.is_empty()


def test_cooling_of_a_heat_pump_must_be_shown_though_its_heating_is_known() -> None:
    trace = circuit(np.where(np.arange(120) < 60, -14.0, 4.0), np.full(120, 40.0))
    trace = trace.with_channels(cooling_called=np.ones(120))
    found, listed, _ = with_heating(trace, LISTED)
    assert may_heat_unseen(found, listed)
    assert cooling_samples(found, listed).tolist() == (found["heating"] != 1).tolist()
    quiet = found.with_channels(cooling_called=np.full(120, np.nan))
    assert not cooling_samples(quiet, listed).any()


def days_of_a_heat_pump() -> pl.DataFrame:
    """Eight days, a sample a minute: heating under the cut-out by night, cooling by day, and at the first
    and the last noon three starts that the low-pressure switch ends after two minutes."""
    cooling = {"cools": (800.0, 1700.0, 1), "starves": (450.0, 1200.0, 1)}
    run = {"heats": (430.0, 2400.0, 1), "rests": (700.0, 740.0, 0), **cooling}
    night = (["heats"] * 50 + ["rests"] * 10) * 8
    morning = (["cools"] * 25 + ["rests"] * 15) * 6
    noon = (["starves"] * 2 + ["rests"] * 6) * 3
    days = [night + morning + noon * (day in (0, 7)) for day in range(8)]
    states = [state for day in days for state in day + ["rests"] * (1440 - len(day))]
    random = np.random.default_rng(5)
    suction, head, on = (np.array([run[state][place] for state in states]) for place in range(3))
    air_c = np.where(np.array(states) == "cools", 12.0, OUTDOOR_C)
    return pl.DataFrame(
        {
            "read_at": pl.datetime_range(START, START + timedelta(minutes=len(states) - 1), "1m", eager=True),
            "suction_kpa": suction + random.normal(0.0, 4.0, len(states)),
            "liquid_kpa": head + random.normal(0.0, 4.0, len(states)),
            "outdoor_c": air_c,
            "compressor_on": on.astype(float),
        }
    )


def test_heating_under_the_cut_out_is_no_jumper_and_hides_no_trip() -> None:
    """The switch is passed by in heating (common practice, no source), and ends starts when the unit should cool."""
    listed = replace(LISTED, lp_cut_out_kpa=500.0, lp_reset_kpa=650.0)
    found = analyse(days_of_a_heat_pump(), listed)
    assert found.jumpered.is_empty()
    assert found.trips.height == 6
    assert set(found.trips["tripped_at"].dt.hour()) == {12}
