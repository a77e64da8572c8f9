"""The retrofit plan: the contract's table, fits and reasons, limits, costs, doubts, and no flattery by choosing."""

from dataclasses import replace

import numpy as np
import polars as pl
import pytest
from plan_frames import COSTS, plan_inputs, station_hours

from lowambient.plan.bids import bids
from lowambient.plan.call_costs import call_costs
from lowambient.plan.chosen import choose
from lowambient.plan.climate import ColdShares, reach
from lowambient.plan.conditions import CAUSES
from lowambient.plan.preseason import likelihoods
from lowambient.plan.retrofit import fleet_of, retrofit_plan
from lowambient.profile import Costs, OptionProfile, PlanLimits
from lowambient.report import schemas
from lowambient.report.tables import as_written

TABLES = (
    "plan",
    "option_fit",
    "work_list",
    "option_effects",
    "budget_curve",
    "plan_sensitivity",
    "plan_assumptions",
    "plan_summary",
)


@pytest.fixture(scope="module")
def planned():
    given = plan_inputs(units=150, sites=40, seed=5, budget=9000.0, crew_h=60.0)
    return given, retrofit_plan(given)


def fleet(given):
    costs = call_costs(given.calls, given.units, given.sites, given.costs, given.thresholds)
    return fleet_of(given, costs)[0]


def test_every_table_is_what_its_schema_says(planned):
    _, tables = planned
    assert set(tables) == set(TABLES)
    for name, frame in tables.items():
        written = as_written(name, frame)
        assert written.height == frame.height > 0
        assert not written.select(schemas.grain(name)).is_duplicated().any()


def test_the_chosen_set_keeps_both_limits_with_one_package_a_unit_and_one_drive_a_site(planned):
    given, tables = planned
    chosen = tables["plan"].filter("selected")
    assert 0 < chosen.height == chosen["unit_id"].n_unique()
    assert chosen["cost"].sum() <= given.limits.budget + 0.01
    assert chosen["crew_h"].sum() <= given.limits.crew_h + 0.01
    drives = chosen.group_by("site_id").agg(pl.col("drives").sum())
    assert drives["drives"].to_list() == [1] * drives.height
    assert chosen["worth_it"].all()
    assert chosen["rank"].to_list() == list(range(1, chosen.height + 1))
    told = dict(tables["plan_summary"].select("fact", "value").iter_rows())
    assert told["cost"] == pytest.approx(chosen["cost"].sum(), abs=0.01)
    assert told["crew_h"] == pytest.approx(chosen["crew_h"].sum(), abs=0.05)
    assert told["avoided_calls_per_winter"] == pytest.approx(chosen["avoided_calls_per_winter"].sum(), abs=0.01)
    assert told["gap"] <= 0.005
    assert told["avoided_lower_90"] < told["avoided_calls_per_winter"] < told["avoided_upper_90"]


def test_intervals_hold_the_mean_and_nothing_is_avoided_beyond_what_comes(planned):
    given, tables = planned
    known = fleet(given).known
    avoidable = dict(zip(known.unit_id, known.expected, strict=True))
    for row in tables["plan"].iter_rows(named=True):
        assert row["lower_90"] <= row["upper_90"]
        assert 0 <= row["avoided_calls_per_winter"] <= avoidable[row["unit_id"]] + 1e-3
        assert row["lower_90"] <= row["avoided_calls_per_winter"] + 1e-3


def test_contractor_and_customer_bear_what_the_coverage_says(planned):
    given, tables = planned
    coverage = dict(given.units.select("unit_id", "coverage").iter_rows())
    outage = dict(given.units.select("unit_id", "outage_cost_per_h").iter_rows())
    figures = dict(tables["plan_assumptions"].select("name", "value").iter_rows())
    # calls take 1.5 h, open at 9:00 and 21:00 Chicago time: half of weekdays' and all of weekends' are after hours
    share = figures["after_hours_share"]
    assert 0.5 < share < 0.75
    a_call = 95 + 1.5 * 118 * (1 + 0.5 * share) + 20
    for row in tables["plan"].iter_rows(named=True):
        contractor = 0.0 if coverage[row["unit_id"]] == "time and material" else a_call
        customer = (a_call - contractor) + 6 * outage[row["unit_id"]]
        calls = row["avoided_calls_per_winter"]
        assert row["avoided_cost_contractor"] == pytest.approx(calls * contractor, abs=0.05)
        assert row["avoided_cost_customer"] == pytest.approx(calls * customer, abs=0.2)


def test_more_money_never_avoids_less_and_the_curve_holds_the_given_budget(planned):
    given, tables = planned
    curve = tables["budget_curve"]
    assert curve["budget"].is_sorted()
    assert curve.filter("is_given")["budget"].to_list() == [given.limits.budget]
    assert (curve["cost"] <= curve["budget"] + 0.01).all()
    assert (curve["gap"] <= 0.005).all()
    assert (curve["value"].diff().drop_nulls() >= -0.005 * curve["value"].max()).all()
    # the set of the given budget is the plan's, up to the gap
    at_given = curve.filter("is_given").row(0, named=True)
    assert at_given["value"] == pytest.approx(
        tables["plan"].filter("selected")["avoided_calls_per_winter"].sum(), rel=0.005
    )


def test_sensitivity_starts_with_the_plan_itself_and_loses_nothing_there(planned):
    _, tables = planned
    scenarios = {row["scenario"]: row for row in tables["plan_sensitivity"].iter_rows(named=True)}
    assert scenarios["as taken"]["kept_share"] == 1.0
    assert scenarios["as taken"]["loss_share"] == 0.0
    low, high = scenarios["effects at their lower ends"], scenarios["effects at their upper ends"]
    assert low["avoided_calls_per_winter"] < scenarios["as taken"]["avoided_calls_per_winter"]
    assert high["avoided_calls_per_winter"] > scenarios["as taken"]["avoided_calls_per_winter"]
    fewer = scenarios["cold calls at their lower ends"]
    assert fewer["avoided_calls_per_winter"] < scenarios["as taken"]["avoided_calls_per_winter"]
    for row in scenarios.values():
        assert row["value_of_plan"] <= row["value"] * 1.006 or row["still_worth_share"] < 1
    # a check leads to other work where calls cost otherwise, so even dearer calls can unseat it
    assert scenarios["a call costs half"]["still_worth_share"] < 1


def reasons(tables, unit: str) -> dict[str, tuple[bool, str]]:
    rows = tables["option_fit"].filter(pl.col("unit_id") == unit)
    return {row["option"]: (row["fits"], row["reason"]) for row in rows.iter_rows(named=True)}


def one_unit(**columns) -> dict[str, tuple[bool, str]]:
    """Fits of a unit that is surely not sound, with these columns of the unit list or these probabilities."""
    given = plan_inputs(units=1, sites=1, seed=2)
    base = {"head_control": "none", "heat_pump": False, "shared_condenser": False, "lp_switch_at": "suction"}
    base |= {"refrigerant": "R-410A", "circuits": 1, "economizer": False, "duty": "year-round"}
    believed = {
        "p_bypassed": 0.4,
        "p_no_control": 0.4,
        "p_low_charge": 0.3,
        "p_lp_jumpered": 0.0,
        "p_economizer_idle": 0.0,
    }
    units = given.units.with_columns(
        pl.lit(value).alias(name) for name, value in (base | columns).items() if name in given.units.columns
    )
    counts = given.unit_counts.with_columns(
        pl.lit(columns[name]).alias(name) for name in given.unit_counts.columns if name in columns
    )
    states = pl.DataFrame(
        {
            "unit_id": ["RTU-00000"] * 2,
            "state": ["sound", "bad"],
            "probability": [0.1, 0.9],
            "cold_calls_per_winter": [0.0, 4.0],
            "is_sound": [True, False],
        }
    )
    causes = pl.DataFrame({"unit_id": ["RTU-00000"], **{name: [columns.get(name, p)] for name, p in believed.items()}})
    minimums = given.winter_minimums.with_columns(
        pl.lit(columns.get("winter_minimum_c", -15.0)).alias("winter_minimum_c")
    )
    hours = columns.get("hours", given.station_hours)
    changed = replace(
        given,
        units=units,
        unit_counts=counts,
        unit_states=states,
        unit_causes=causes,
        winter_minimums=minimums,
        station_hours=hours,
        options=columns.get("options", {}),
    )
    return reasons(retrofit_plan(changed), "RTU-00000")


@pytest.mark.parametrize(
    ("option", "columns", "words"),
    [
        ("control reconnected or replaced", {"head_control": "none"}, "no head-pressure control to reconnect"),
        ("control reconnected or replaced", {"head_control": "floating"}, "floats by design"),
        ("fan-cycling control", {"head_control": "flooded"}, "The unit list says flooded"),
        ("fan-cycling control", {"shared_condenser": True, "circuits": 2}, "share the condenser fans"),
        ("flooded condenser", {"heat_pump": True}, "heat pump"),
        ("flooded condenser", {"refrigerant": "R454B"}, "flammable"),
        ("winter-start delay", {"lp_switch_at": "liquid"}, "guards the charge"),
        ("economizer repair", {"p_economizer_idle": 0.5}, "names no economizer"),
        ("economizer repair", {"economizer": True, "duty": "refrigeration", "p_economizer_idle": 0.5}, "refrigerated"),
        ("leak mended, charge weighed in", {"p_low_charge": 0.01}, "Little speaks for low charge: probability 1 %"),
        ("LP switch like for like", {}, "Little speaks for a jumpered LP switch"),
        ("fan-cycling control", {"p_lp_jumpered": 0.8}, "likely jumpered"),
        ("pre-season check", {"still_served": False}, "no longer in service"),
        ("fan-speed control", {"cold_hours_typical": 0.0}, "No hour of a typical winter"),
        ("wind baffles", {"options": {"wind baffles": OptionProfile(offered=False)}}, "does not offer"),
    ],
)
def test_what_does_not_fit_says_why(option, columns, words):
    fits, reason = one_unit(**columns)[option]
    assert not fits
    assert words in reason
    assert reason.endswith(".")


@pytest.mark.parametrize(
    ("option", "columns"),
    [
        ("control reconnected or replaced", {"head_control": "fan cycling"}),
        ("control reconnected or replaced", {"head_control": None}),
        ("fan-cycling control", {}),
        ("flooded condenser", {"refrigerant": "R-22"}),
        ("fan-speed control", {"head_control": "fan staging by ambient"}),
        ("economizer repair", {"economizer": True, "p_economizer_idle": 0.5}),
        ("fan-cycling control + LP switch like for like", {"p_lp_jumpered": 0.8}),
        ("pre-season check", {"p_lp_jumpered": 0.8}),
        ("do nothing", {"still_served": False}),
    ],
)
def test_what_fits_says_what_to_make_sure_of(option, columns):
    fits, reason = one_unit(**columns)[option]
    assert fits
    assert reason


def cold_station(at_c: int) -> pl.DataFrame:
    """All hours in one degree."""
    return pl.DataFrame({"station_id": ["A"], "floor_c": [at_c], "hours": [8760.0]})


def test_climate_refuses_what_does_not_hold_there_and_keeps_what_does():
    arctic = one_unit(hours=cold_station(-25), winter_minimum_c=-28.0, head_control="none")
    assert arctic["fan-speed control + wind baffles"][0]  # down to -20 degF, -28.9 degC
    fits, reason = arctic["fan-cycling control"]
    assert not fits
    assert "35 °F (2 °C)" in reason
    assert "-18 °F (-28 °C)" in reason
    assert "100 %" in reason
    mild = one_unit(hours=cold_station(5), winter_minimum_c=3.0, head_control="none")
    assert mild["fan-cycling control"][0]
    # a control that the maker fitted is put right whatever the climate
    assert one_unit(hours=cold_station(-25), winter_minimum_c=-28.0, head_control="fan cycling")[
        "control reconnected or replaced"
    ][0]


def test_share_of_cold_hours_below_a_limit_is_counted_by_hand():
    facts = pl.DataFrame({"station_id": ["A", "A", None], "demand_from_c": [None, 5.0, None]})
    hours = pl.DataFrame({"station_id": ["A"] * 3, "floor_c": [-10, 0, 7], "hours": [100.0, 200.0, 300.0]})
    shares = ColdShares(facts, hours, {"starve_ambient_without_control_c": 10.0})
    assert shares.below(np.array([2.0, 2.0, 2.0]))[:2] == pytest.approx([300 / 600, 0.0])
    assert shares.below(np.array([-9.5, 7.5, 0.0]))[:2] == pytest.approx([50 / 600, 0.5])
    assert np.isnan(shares.below(np.array([0.0, 0.0, 0.0]))[2])
    assert shares.below(np.full(3, np.nan)).tolist() == [0.0, 0.0, 0.0]
    assert reach(np.array([0.0, 1.0, np.nan]), {"effect_below_limit": 0.5}).tolist() == [1.0, 0.5, 0.75]


def test_a_zero_budget_chooses_nothing_and_still_tells_what_each_would_avoid():
    tables = retrofit_plan(plan_inputs(units=80, sites=20, seed=6, budget=0.0, crew_h=40.0))
    assert tables["plan"].height > 0
    assert not tables["plan"]["selected"].any()
    assert "within the limits" in " ".join(tables["plan_summary"]["meaning"])


def test_without_costs_usual_ones_are_taken_and_said_to_be_assumed():
    given = plan_inputs(units=80, sites=20, seed=6, costs=Costs())
    tables = retrofit_plan(replace(given, calls=given.calls.clear()))
    assert set(tables["plan_assumptions"]["standing"]) == {"assumed"}
    doubts = " ".join(tables["plan_summary"].filter(pl.col("value").is_null())["meaning"])
    assert "truck_roll" in doubts
    assert "no budget and no crew hours" in doubts
    assert tables["plan"]["selected"].any()


def test_a_plan_that_leans_on_one_unit_says_so():
    given = plan_inputs(units=80, sites=20, seed=6)
    plan = retrofit_plan(given)["plan"].filter("selected").sort("avoided_calls_per_winter", descending=True)
    worst = plan["unit_id"][0]
    told = "The plan leans on one unit"
    assert told not in " ".join(retrofit_plan(given)["plan_summary"]["meaning"])
    more = pl.when(pl.col("unit_id") == worst).then(30.0).otherwise(1.0)
    leaning = given.unit_states.with_columns(pl.col("cold_calls_per_winter") * more)
    after = retrofit_plan(replace(given, unit_states=leaning))
    by_unit = after["plan"].filter("selected")
    share = by_unit.filter(pl.col("unit_id") == worst)["avoided_calls_per_winter"].sum()
    share /= by_unit["avoided_calls_per_winter"].sum()
    assert share > 0.25
    assert f"{told}: {share:.0%} of the calls avoided are expected on {worst}" in " ".join(
        after["plan_summary"]["meaning"]
    )


def test_a_jumpered_switch_is_put_right_whatever_the_money_says():
    given = plan_inputs(units=80, sites=20, seed=6, budget=0.0)
    jumpered = given.unit_causes.filter(pl.col("p_lp_jumpered") >= 0.5)["unit_id"].to_list()
    told = " ".join(retrofit_plan(given)["plan_summary"]["meaning"])
    assert jumpered
    assert f"likely jumpered on {', '.join(jumpered)}." in told


def test_one_winter_no_weather_and_nothing_known_are_said():
    given = plan_inputs(units=40, sites=10, seed=6)
    one = replace(given, unit_counts=given.unit_counts.with_columns(winters=pl.lit(1, pl.Int64)))
    assert "At most one whole winter" in " ".join(retrofit_plan(one)["plan_summary"]["meaning"])
    blind = replace(given, station_hours=given.station_hours.clear(), winter_minimums=given.winter_minimums.clear())
    tables = retrofit_plan(blind)
    assert "No weather is known" in " ".join(tables["plan_summary"]["meaning"])
    assert "not known" in " ".join(tables["option_fit"]["reason"].drop_nulls())
    unknown = retrofit_plan(
        replace(given, unit_states=given.unit_states.clear(), unit_causes=given.unit_causes.clear())
    )
    assert not unknown["plan"]["selected"].any()
    assert "Nothing is known of the state" in " ".join(unknown["plan_summary"]["meaning"])
    empty = retrofit_plan(
        replace(
            given,
            units=given.units.clear(),
            unit_counts=given.unit_counts.clear(),
            unit_limits=given.unit_limits.clear(),
            unit_states=given.unit_states.clear(),
            unit_causes=given.unit_causes.clear(),
        )
    )
    assert empty["plan"].is_empty()
    for name, frame in empty.items():
        as_written(name, frame)


def test_neither_the_order_of_rows_nor_a_second_run_changes_the_plan():
    given = plan_inputs(units=90, sites=25, seed=8, budget=5000.0, crew_h=40.0)
    mixed = replace(
        given,
        **{
            name: getattr(given, name).sample(fraction=1.0, shuffle=True, seed=3)
            for name in (
                "units",
                "sites",
                "calls",
                "unit_counts",
                "unit_limits",
                "unit_states",
                "unit_causes",
                "station_hours",
            )
        },
    )
    for one, other in zip(retrofit_plan(given).values(), retrofit_plan(mixed).values(), strict=True):
        assert one.equals(other)


def test_money_as_the_objective_saves_at_least_as_much_money():
    by_calls, by_money = (
        retrofit_plan(plan_inputs(units=120, sites=30, seed=9, budget=7000.0, crew_h=50.0, objective=objective))
        for objective in ("calls", "money")
    )

    def saved(tables) -> float:
        chosen = tables["plan"].filter("selected")
        per_winter = chosen["avoided_cost_contractor"].sum() + chosen["avoided_cost_customer"].sum()
        return 3 * per_winter - chosen["cost"].sum()

    assert saved(by_money) >= saved(by_calls) * 0.995
    assert by_calls["plan"].filter("selected")["avoided_calls_per_winter"].sum() >= 0.0


def drawn_savings(found, chosen, random: np.random.Generator) -> float:
    """Calls that a chosen set truly avoids a winter, for states, causes, effects and results of checks drawn once from
    what is believed."""
    of = found.fleet
    drawn = {
        (condition, effect.alpha): random.beta(effect.alpha, effect.beta)
        for effects in of.effects
        for condition, effect in effects.items()
    }
    like = likelihoods()
    follow = {row: found.check.chosen[place] for place, row in enumerate(found.checked_rows)}
    others = [column for column in range(len(of.packages)) if column != of.check]
    total = 0.0
    for unit, package in zip(*np.nonzero(chosen), strict=True):
        state = random.choice(
            of.known.probability.shape[1] + 1,
            p=np.r_[1 - of.known.probability[unit].sum(), of.known.probability[unit]].clip(0),
        )
        cause = random.choice(len(CAUSES), p=of.known.causes[unit] / of.known.causes[unit].sum())
        calls = 0.0 if state == 0 else of.known.avoidable[unit, state - 1]
        done = package
        if package == of.check:
            result = random.choice(4, p=like[:, cause if state else 4])
            picked = follow[unit][result]
            if picked < 0:
                continue
            done = others[picked]
        for condition, effect in of.effects[done].items():
            holds = (
                condition == CAUSES[cause]
                if condition in CAUSES
                else random.random() < of.known.beside[condition][unit]
            )
            if holds:
                total += calls * of.reach[unit, done] * drawn[condition, effect.alpha]
    return total


@pytest.mark.slow
def test_choosing_the_best_looking_does_not_flatter_the_plan_where_the_prior_is_right():
    # Each fleet's truth is drawn from what is believed of it; what the chosen sets avoid is then what was predicted.
    # One fleet's effects are shared by its units, so many fleets are needed: 60 of 150 units.
    predicted, true = [], []
    for seed in range(60):
        given = plan_inputs(units=150, sites=40, seed=1000 + seed, budget=6000.0, crew_h=45.0)
        found = bids(fleet(given))
        choice, chosen = choose(found, given.limits, 0.005)
        random = np.random.default_rng(seed)
        predicted.append(choice.value)
        true.append(np.mean([drawn_savings(found, chosen, random) for _ in range(6)]))
    ratio = sum(true) / sum(predicted)
    assert ratio == pytest.approx(1.0, abs=0.05)


def test_costs_of_the_profile_stand_before_the_fleets_own_and_those_before_the_usual():
    given = plan_inputs(units=20, sites=5, seed=1)
    told = call_costs(given.calls, given.units, given.sites, COSTS, given.thresholds).assumptions
    standing = dict(told.select("name", "standing").iter_rows())
    assert standing["truck_roll"] == "profile"
    assert standing["call_labour_h"] == "fleet's own calls"
    assert standing["outage_cost_per_h"] == "assumed"
    few = call_costs(given.calls.head(5), given.units, given.sites, Costs(), given.thresholds).assumptions
    assert set(few["standing"]) == {"assumed"}


def test_after_hours_are_told_by_the_clock_of_the_site():
    given = plan_inputs(units=4, sites=2, seed=1)
    # 15:00 UTC on weekdays is 9 in Chicago in winter and midnight in Tokyo
    calls = given.calls.filter(pl.col("opened_at").dt.hour() == 15, pl.col("opened_at").dt.weekday() <= 5)
    assert calls.height >= 20
    for zone, share in (("America/Chicago", 0.0), ("Asia/Tokyo", 1.0)):
        sites = given.sites.with_columns(time_zone=pl.lit(zone))
        figures = call_costs(calls, given.units, sites, Costs(), given.thresholds).figures
        assert figures["after_hours_share"] == share


def test_an_option_override_changes_cost_and_climate():
    given = plan_inputs(units=60, sites=15, seed=4)
    dear = replace(given, options={"fan-cycling control": OptionProfile(parts_cost=5000.0, lowest_ambient_c=-30.0)})
    before, after = (
        retrofit_plan(each)["plan"].filter(pl.col("option") == "fan-cycling control") for each in (given, dear)
    )
    joined = before.join(after, on="unit_id", suffix="_dear")
    assert joined.height > 0
    assert (joined["cost_dear"] > joined["cost"] + 4000).all()
    assert (joined["avoided_calls_per_winter_dear"] >= joined["avoided_calls_per_winter"]).all()
    assert station_hours()["hours"].sum() == pytest.approx(8760)
    assert PlanLimits().objective == "calls"
