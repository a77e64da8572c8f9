"""Usual switch settings and the limits of a unit: against facts of the trade, published switch data and hand work."""

import polars as pl
import pytest

from lowambient import reference
from lowambient.plan.demand import unit_limits
from lowambient.refrigerant.table import saturation_table
from lowambient.refrigerant.usual_settings import KPA_PER_PSI, usual_setting

THRESHOLDS = {name: row.value for name, row in reference.thresholds().items()}
ROWS = reference.rows("switch_settings")


def limits(sites=None, contradicted=None, **unit):
    """Limits of one unit; columns not given are null."""
    columns = ("refrigerant", "duty", "head_control", "space_c", "lp_reset_kpa")
    units = pl.DataFrame(
        {"unit_id": ["u"], "site_id": ["s"]} | {name: [unit.get(name)] for name in columns},
        schema_overrides={
            "duty": pl.String,
            "head_control": pl.String,
            "refrigerant": pl.String,
            "space_c": pl.Float64,
            "lp_reset_kpa": pl.Float64,
        },
    )
    place = pl.DataFrame(
        sites or {"site_id": ["s"], "elevation_m": [0.0]}, schema_overrides={"elevation_m": pl.Float64}
    )
    return unit_limits(units, place, THRESHOLDS, contradicted).row(0, named=True)


def fahrenheit(celsius):
    return celsius * 1.8 + 32


def test_columns_add_up():
    """A mistyped cell turns one of these sums red."""
    sums = {
        column: sum(float(row[column]) for row in ROWS if row[column])
        for column in ("usual_psig", "lower_psig", "upper_psig")
    }
    assert sums == {"usual_psig": 3053.5, "lower_psig": 1233.0, "upper_psig": 1298.0}
    assert len(ROWS) == 24


def test_each_setting_says_what_it_stands_on():
    for row in ROWS:
        assert row["standing"] in ("seen", "common practice", "memory", "judgement")
        assert row["source"]
        assert bool(row["usual_psig"]) != bool(row["like"])
        if row["lower_psig"]:
            assert float(row["lower_psig"]) <= float(row["usual_psig"]) <= float(row["upper_psig"])


@pytest.mark.parametrize(
    ("refrigerant", "setting", "psig"),
    [
        ("R-410A", "lp cut-out", 54.0),
        ("R-410A", "lp reset", 117.0),
        ("R-410A", "fan off", 240.0),
        ("R-407C", "lp cut-out", 18.0),
        ("R-407C", "lp reset", 36.0),
        ("R-22", "lp cut-out", 27.0),
        ("R-22", "lp reset", 44.0),
        ("R-410A", "hp reset", 464.0),
    ],
)
def test_usual_settings_are_those_of_the_trade(refrigerant, setting, psig):
    """R-410A: common practice, no source. R-407C and HP: seen in switch data. R-22: memory."""
    assert usual_setting(refrigerant, setting) == (refrigerant, psig)


def test_a_refrigerant_without_a_setting_cannot_be_told():
    assert usual_setting("R-404A", "lp reset") is None
    assert usual_setting("R-22", "fan on") is None


@pytest.mark.parametrize(("psig", "degf"), [(60, 8.5), (90, 26.4)])
def test_another_makes_switch_has_its_published_temperatures(psig, degf):
    """A published R-410A switch opens at 60 psig (8.5 degF) and closes at 90 psig (26.4 degF)."""
    other = {row["setting"]: float(row["usual_psig"]) for row in ROWS if row["variant"] == "other make"}
    assert psig in other.values()
    dew_c = saturation_table("R-410A").dew_c(psig * KPA_PER_PSI + 101.325)
    assert fahrenheit(dew_c) == pytest.approx(degf, abs=0.3)


@pytest.mark.parametrize(
    ("refrigerant", "elevation_m", "degf"), [("R410a", 0.0, 39.2), ("410A", 5280 * 0.3048, 38.1), ("R-407C", 0.0, 6.7)]
)
def test_usual_reset_ambients(refrigerant, elevation_m, degf):
    """R-410A at 117 psig: 39.2 degF at sea level, 38.1 at 5,280 ft; R-407C at 36 psig: 6.7 (its dew is 18.2)."""
    found = limits({"site_id": ["s"], "elevation_m": [elevation_m]}, refrigerant=refrigerant, duty="year-round")
    assert fahrenheit(found["reset_ambient_c"]) == pytest.approx(degf, abs=0.06)
    assert found["reset_source"] == "usual"


def test_standing_pressure_in_the_cold_keeps_the_switch_open():
    """Common practice: R-410A stands at 112-114 psig with the outdoor coil at 37-38 degF, under a reset of 117."""
    reset_f = fahrenheit(limits(refrigerant="R-410A", duty="year-round")["reset_ambient_c"])
    assert reset_f > 38


def test_successors_of_r410a_reset_at_its_temperature():
    found = {name: limits(refrigerant=name)["reset_ambient_c"] for name in ("R-410A", "R-32", "R-454B", "R-452B")}
    assert len(set(found.values())) == 1


def test_a_listed_reset_is_taken_before_the_usual_one():
    """90 psig at sea level, as absolute pressure: the published 26.4 degF of that switch."""
    found = limits(refrigerant="R-410A", lp_reset_kpa=90 * KPA_PER_PSI + 101.325)
    assert found["reset_source"] == "listed"
    assert fahrenheit(found["reset_ambient_c"]) == pytest.approx(26.4, abs=0.3)


@pytest.mark.parametrize(
    ("unit", "reason"),
    [
        ({"refrigerant": "unheard of"}, "unknown refrigerant"),
        ({"refrigerant": None}, "no refrigerant"),
        ({"refrigerant": "R-404A"}, "no usual setting"),
        ({"refrigerant": "R-22", "duty": "refrigeration"}, "refrigeration controls are set to the box"),
        ({"refrigerant": "R-410A", "lp_reset_kpa": 11000.0}, "pressure over the table"),
    ],
)
def test_what_cannot_be_told_is_null(unit, reason):
    found = limits(**unit)
    assert (found["reset_ambient_c"], found["reset_source"]) == (None, "cannot tell"), reason
    assert found["reset_cold_below_c"] is None
    assert found["starve_ambient_c"] is not None


@pytest.mark.parametrize(
    ("control", "degf", "source"),
    [
        ("none", 50, "listed"),
        ("fan cycling", 35, "listed"),
        ("fan speed", 35, "listed"),
        ("flooded", 0, "listed"),
        ("dampers", 32, "listed"),
        ("unknown", 50, "not recorded"),
        (None, 50, "not recorded"),
    ],
)
def test_starve_ambient_follows_the_head_control(control, degf, source):
    """Fan cycling or speed to 35 degF, flooded to 0 (unbranded manuals), dampers not below 32 (a contractor's page)."""
    found = limits(refrigerant="R-410A", head_control=control)
    assert fahrenheit(found["starve_ambient_c"]) == pytest.approx(degf, abs=0.01)
    assert found["starve_source"] == source


def test_every_head_control_and_duty_of_the_contract_has_a_row():
    starve = {row["head_control"]: row["threshold"] for row in reference.rows("starve_ambients")}
    assert set(starve) == {*reference.vocabulary("head_control"), ""}
    assert set(starve.values()) <= set(THRESHOLDS)
    demand = {row["duty"]: row["threshold"] for row in reference.rows("demand")}
    assert set(demand) == {*reference.vocabulary("duty"), ""}
    assert set(demand.values()) - {""} <= set(THRESHOLDS)


@pytest.mark.parametrize(
    ("duty", "degf", "source"),
    [
        ("year-round", None, "listed"),
        ("refrigeration", None, "listed"),
        ("comfort", 55, "listed"),
        (None, None, "not recorded"),
    ],
)
def test_demand_follows_the_duty(duty, degf, source):
    """55 degF: a split-system manual does not allow cooling below it without accessories."""
    found = limits(refrigerant="R-410A", duty=duty)
    assert found["demand_source"] == source
    assert found["demand_from_c"] == (None if degf is None else pytest.approx((degf - 32) / 1.8, abs=0.001))


@pytest.mark.parametrize(("space_c", "below"), [(-20.0, "starve"), (15.0, "reset"), (None, "reset")])
def test_the_colder_of_outdoors_and_space_counts(space_c, below):
    """A freezer colder than the reset ambient keeps a tripped switch open whatever the weather."""
    found = limits(refrigerant="R-404A", duty="refrigeration", space_c=space_c, lp_reset_kpa=500.0)
    assert found["reset_ambient_c"] < found["starve_ambient_c"]
    expected = found["starve_ambient_c"] if below == "starve" else found["reset_ambient_c"]
    assert found["reset_cold_below_c"] == pytest.approx(expected, abs=0.051)


def test_a_unit_whose_site_is_missing_is_taken_at_sea_level():
    found = limits({"site_id": ["another"], "elevation_m": [3000.0]}, refrigerant="R-410A")
    assert found["reset_ambient_c"] == limits(refrigerant="R-410A")["reset_ambient_c"]


@pytest.mark.parametrize(("episodes", "believed"), [(1, True), (2, False)])
def test_calls_in_the_cold_can_contradict_a_comfort_duty(episodes, believed):
    told = pl.DataFrame({"unit_id": ["u"], "episodes": [episodes]})
    found = limits(refrigerant="R-410A", duty="comfort", contradicted=told)
    assert (found["demand_from_c"] is not None) == believed
    assert limits(refrigerant="R-410A", duty="year-round", contradicted=told)["demand_source"] == "listed"


def test_a_profile_moves_the_limits():
    changed = THRESHOLDS | {"starve_ambient_without_control_c": 4.0}
    units = pl.DataFrame(
        {"unit_id": ["u"], "site_id": ["s"], "refrigerant": ["R-22"], "duty": ["comfort"], "head_control": ["none"]}
    ).with_columns(space_c=pl.lit(None, pl.Float64), lp_reset_kpa=pl.lit(None, pl.Float64))
    sites = pl.DataFrame({"site_id": ["s"], "elevation_m": [0.0]})
    assert unit_limits(units, sites, changed)["starve_ambient_c"].to_list() == [4.0]
