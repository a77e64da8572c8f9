"""The made traces behave as the trade knows circuits to behave, and the scores count hand-made cases right."""

from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
import pytest
import trace_scores as scores
from polars.testing import assert_frame_equal
from trace_maker import PSI, Made, drawn, kpa, made_of, order_of
from trace_scores import Tally

pytestmark = pytest.mark.slow

DAY = datetime(2016, 1, 4, tzinfo=UTC)
C_OF_37_5_F = 3.06
# R-410A as the trade sets it (common practice, no source): LP 54/117 psig, fans 417.5/240 psig.
TRADE = {
    "lp_cut_out_kpa": kpa(54),
    "lp_reset_kpa": kpa(117),
    "fan_on_kpa": kpa(417.5),
    "fan_off_kpa": kpa(240),
    "lift_k": 0.0,
    "sun_k": 0.0,
    "lag_s": 0.0,
    "noise_psi": 0.0,
    "outdoor_bias_k": 0.0,
}
STARVES = {"starve_c": 12.0, "starve_span_k": 20.0, "settle_s": 400.0, "hold_up": 0.4, "lp_delay_s": 30.0}
STEADY = {"run_s": 20000.0, "duty_share": 0.95, "steadiness": 1.0}
ORDERS = {
    "locks out": order_of(1, days=1, constant_c=C_OF_37_5_F, visit_after_s=1e9, **TRADE, **STARVES),
    "fan cycling": order_of(2, days=1, logging_s=10, constant_c=0.0, behaviour="fan cycling", **TRADE, **STEADY),
    "no control": order_of(3, days=3, climate="cold", **TRADE, **STEADY),
    "fan speed": order_of(
        4, days=4, climate="cold", behaviour="fan speed", changes=[(2.0, "bypassed")], **TRADE, **STEADY
    ),
    "latches": order_of(
        5,
        days=1,
        constant_c=4.8,
        trips_to_latch=3,
        anti_recycle_s=120.0,
        visit_after_s=6 * 3600.0,
        rise_s=30.0,
        **TRADE,
        **STARVES,
    ),
    "jumpered": order_of(6, days=1, constant_c=-4.0, changes=[(0.0, "jumper on")], **TRADE, **STARVES),
    "pump-down": order_of(7, days=1, constant_c=18.0, pump_down=True, run_s=900.0, **TRADE),
    "heat pump": order_of(8, days=1, constant_c=-2.0, heat_pump=True, duty="comfort", **TRADE),
    "hot and dirty": order_of(
        9, days=1, constant_c=36.0, coil=0.4, hp_cut_out_kpa=kpa(620), hp_reset_kpa=kpa(464), **TRADE, **STEADY
    ),
    "faulty": order_of(
        1,
        days=1,
        constant_c=C_OF_37_5_F,
        visit_after_s=1e9,
        faults=(("swapped", "", 0.0, 1.0), ("gauge taken for absolute", "", 0.0, 1.0), ("gap", "", 0.0, 0.25)),
        **TRADE,
        **STARVES,
    ),
}


@pytest.fixture(scope="module")
def circuits() -> dict[str, Made]:
    names = list(ORDERS)
    return {names[index]: made for index, made in made_of(list(ORDERS.values()))}


def psig(frame: pl.DataFrame, channel: str) -> np.ndarray:
    return (frame[channel].to_numpy() - 101.325) / PSI


def test_standing_pressure_of_r410a_in_the_cold(circuits: dict[str, Made]) -> None:
    """Common practice, no source: 112-114 psig with the outdoor coil at 37-38 °F, so a 117 psig reset stays open."""
    made = circuits["locks out"]
    assert made.lockouts.height == 1
    (lockout,) = made.lockouts.rows(named=True)
    assert (lockout["kind"], lockout["ended_by"], lockout["after_trip"]) == ("switch open", "log ended", True)
    settled = made.frame.filter(pl.col("read_at") > lockout["started_at"] + timedelta(hours=3))
    for channel in ("suction_kpa", "liquid_kpa"):
        assert 112.0 <= psig(settled, channel).min() <= psig(settled, channel).max() <= 114.0
    assert not settled["compressor_on"].any()
    assert settled["cooling_called"].all()


def test_low_pressure_trips_are_at_the_cut_out(circuits: dict[str, Made]) -> None:
    """Common practice, no source: the R-410A switch opens at 54 psig."""
    made = circuits["locks out"]
    assert made.trips.height >= 1
    assert made.trips["kind"].unique().to_list() == ["low pressure"]
    assert psig(made.trips, "minimum_kpa").max() <= 54.0 + 1.0


def test_fan_cycling_saws_between_its_settings(circuits: dict[str, Made]) -> None:
    """Common practice, no source: on at 415-420 psig, off at about 240 psig (switch repeats within a psi or two)."""
    made = circuits["fan cycling"]
    running = pl.col("compressor_on").cast(pl.Int8).rolling_min(60) == 1  # for ten minutes
    steady = made.frame.filter(running)
    head = psig(steady, "liquid_kpa")
    assert 412 <= head.max() <= 422
    assert 230 <= head.min() <= 244
    assert made.behaviours["behaviour"].to_list() == ["cycling"]
    assert made.shown["fan on"] > 50
    assert made.trips.height == 0


def test_condensing_over_ambient(circuits: dict[str, Made]) -> None:
    """Without a control head pressure follows the weather a fixed way above; with one it does not, until bypassed."""
    assert circuits["no control"].behaviours["behaviour"].to_list() == ["follows ambient"]
    assert circuits["fan speed"].behaviours["behaviour"].to_list() == ["held", "follows ambient"]
    assert circuits["fan speed"].changes == [(DAY + timedelta(days=2), "held", "follows ambient")]


def test_a_board_that_latches_waits_for_somebody(circuits: dict[str, Made]) -> None:
    made = circuits["latches"]
    held = made.lockouts.filter((pl.col("ended_at") - pl.col("started_at")) > timedelta(hours=1))
    assert "latched" in held["kind"].to_list()
    assert "power cycled or reset" in held["ended_by"].to_list()
    assert made.trips["restarted_at"].drop_nulls().len() >= 2


def test_a_jumpered_switch_runs_under_its_cut_out(circuits: dict[str, Made]) -> None:
    made = circuits["jumpered"]
    running = made.frame.filter(pl.col("compressor_on"))
    assert made.trips.height == 0
    assert np.mean(psig(running, "suction_kpa") < 50) > 0.5


def test_pump_down_stops_at_the_cut_out_and_is_no_trip(circuits: dict[str, Made]) -> None:
    made = circuits["pump-down"]
    assert made.trips.height == 0
    frame = made.frame.with_columns(stopped=pl.col("compressor_on").cast(pl.Int8).diff() < 0)
    stops = frame.filter("stopped")
    assert stops.height > 10
    assert np.median(psig(stops, "suction_kpa")) < 62
    assert not stops["cooling_called"].any()


def test_heating_has_low_suction_and_no_trips(circuits: dict[str, Made]) -> None:
    made = circuits["heat pump"]
    heating = made.frame.filter((pl.col("mode") == "heating") & pl.col("compressor_on"))
    assert heating.height > 100
    assert 60 < np.median(psig(heating, "suction_kpa")) < 90
    assert np.median(psig(heating, "liquid_kpa")) > 300
    assert made.frame.filter(pl.col("mode") == "defrost").height > 5
    assert made.trips.height == 0


def test_a_dirty_condenser_trips_on_high_pressure(circuits: dict[str, Made]) -> None:
    made = circuits["hot and dirty"]
    assert made.trips["kind"].unique().to_list() == ["high pressure"]
    assert psig(made.frame, "liquid_kpa").max() > 600


def test_faults_change_the_frame_as_said_and_not_the_truth(circuits: dict[str, Made]) -> None:
    sound, faulty = circuits["locks out"], circuits["faulty"]
    both = sound.frame.join(faulty.frame, on="read_at", suffix="_faulty")
    assert both.height == faulty.frame.height < 0.8 * sound.frame.height
    assert np.allclose(both["suction_kpa_faulty"] + 101.325, both["liquid_kpa"])
    assert np.allclose(both["liquid_kpa_faulty"] + 101.325, both["suction_kpa"])
    assert_frame_equal(sound.trips.drop("seen"), faulty.trips.drop("seen"))
    early = faulty.trips["tripped_at"] <= DAY + timedelta(hours=6)
    assert early.any()
    assert (faulty.trips["seen"] != early).all()


def test_a_circuit_does_not_depend_on_its_neighbours() -> None:
    order = order_of(11, days=0.5, **TRADE, **STARVES)
    (alone,) = [made for _, made in made_of([order])]
    among = dict(made_of([order_of(12, days=1, refrigerant="R-22"), order, order_of(13, days=0.25)]))[1]
    assert_frame_equal(alone.frame, among.frame)
    assert_frame_equal(alone.trips, among.trips)


def test_draws_repeat_and_differ() -> None:
    assert drawn(3, 1) == drawn(3, 1)
    orders = [drawn(3, index) for index in range(60)]
    assert len({order.plan.refrigerant for order in orders}) >= 9
    assert {order.plan.logging_s for order in orders} == {10, 30, 60, 300}
    for order in orders:
        plan = order.plan
        assert plan.barometric_kpa < plan.lp_cut_out_kpa < plan.lp_reset_kpa < plan.hp_cut_out_kpa
        assert plan.fan_off_kpa < plan.fan_on_kpa < plan.hp_cut_out_kpa
        assert 1 <= order.sensing.noise_psi <= 3


# ---------------------------------------------------------------------------------------------------------------------
# Scores on hand-made cases


@dataclass(frozen=True)
class Claims:
    trips: pl.DataFrame
    lockouts: pl.DataFrame
    set_points: pl.DataFrame
    head_pressure: pl.DataFrame


def minutes(*values: float) -> list[datetime]:
    return [DAY + timedelta(minutes=value) for value in values]


def true_trip(at_min: float, run_s: float, off_s: float | None, seen: bool = True, kind: str = "low pressure") -> dict:
    at = DAY + timedelta(minutes=at_min)
    restart = at + timedelta(seconds=off_s) if off_s is not None else None
    return {
        "tripped_at": at,
        "kind": kind,
        "on_start": run_s < 300,
        "restarted_at": restart,
        "run_s": run_s,
        "off_s": off_s,
        "minimum_kpa": 470.0,
        "seen": seen,
    }


def true_lockout(start_min: float, end_min: float, **more: object) -> dict:
    return {
        "started_at": DAY + timedelta(minutes=start_min),
        "ended_at": DAY + timedelta(minutes=end_min),
        "may_end_at": DAY + timedelta(minutes=end_min),
        "kind": "switch open",
        "ended_by": "outdoor warmed",
        "after_trip": True,
        "seen": True,
        "defrost_min": 0.0,
    } | more


@pytest.fixture(scope="module")
def blank(circuits: dict[str, Made]) -> Made:
    """A made circuit (1 min logging) whose truth is then replaced by hand."""
    return circuits["locks out"]


def trips_found(*at_min: float, kind: str = "low pressure") -> pl.DataFrame:
    return pl.DataFrame(
        {"tripped_at": minutes(*at_min), "kind": [kind] * len(at_min)},
        schema={"tripped_at": pl.Datetime("us", "UTC"), "kind": pl.String},
    )


def test_trips_are_matched_one_to_one(blank: Made) -> None:
    truth = [true_trip(10, 600, 600), true_trip(40, 600, None), true_trip(70, 600, 600), true_trip(71, 30, 30)]
    made = replace(blank, trips=pl.DataFrame(truth))
    score = scores.score_trips(trips_found(11.5, 70.9, 100), made)
    assert score.plain == Tally(right=2, missed=1, false=1)  # 70.9 is the long trip's, though nearer the brief one
    assert score.brief == Tally(right=0, missed=1)
    assert scores.score_trips(trips_found(13), made).plain == Tally(right=0, missed=3, false=1)  # two samples: 2 min


def test_trips_of_another_kind_or_unseen(blank: Made) -> None:
    made = replace(blank, trips=pl.DataFrame([true_trip(10, 600, 600), true_trip(50, 600, 600, seen=False)]))
    assert scores.score_trips(trips_found(10, kind="high pressure"), made).plain == Tally(0, 1, 1)
    assert scores.score_trips(trips_found(10), made).plain == Tally(1, 0, 0)
    assert scores.score_trips(trips_found(10, 50), made).plain == Tally(2, 0, 0)


def test_nearest_free_match() -> None:
    within = timedelta(minutes=2)
    assert scores.pairs(minutes(0, 3), minutes(1.5), within) == [(0, 0)]
    assert scores.pairs(minutes(0, 3), minutes(1.9, 3.1), within) == [(0, 0), (1, 1)]
    assert scores.pairs(minutes(0), minutes(2.1), within) == []


@pytest.mark.parametrize(
    ("found", "expected"),
    [
        ((100, 220), Tally(1, 1, 0)),
        ((109, 175), Tally(1, 1, 0)),
        ((112, 220), Tally(0, 2, 1)),  # begins too late
        ((100, 159), Tally(0, 2, 1)),  # covers under half of it
        ((802, 812), Tally(0, 2, 0)),  # too short to count
        ((100, 350), Tally(0, 2, 1)),  # less than half of it is true
        ((400, 500), Tally(0, 2, 1)),
    ],
)
def test_lockouts(blank: Made, found: tuple[float, float], expected: Tally) -> None:
    truth = [
        true_lockout(100, 220),
        true_lockout(600, 720),
        true_lockout(800, 820),
        true_lockout(900, 1000, seen=False),
        true_lockout(1100, 1135, defrost_min=30.0),
    ]
    made = replace(blank, lockouts=pl.DataFrame(truth))
    start, end = minutes(*found)
    claims = pl.DataFrame({"started_at": [start], "ended_at": [end]})
    assert scores.score_lockouts(claims, made) == expected


def test_a_lockout_whose_call_ends_unseen_may_run_on(blank: Made) -> None:
    (end,) = minutes(700)
    made = replace(
        blank, lockouts=pl.DataFrame([true_lockout(100, 140, may_end_at=end, ended_by="cooling call ended")])
    )
    start, long_end = minutes(100, 690)
    claims = pl.DataFrame({"started_at": [start], "ended_at": [long_end]})
    assert scores.score_lockouts(claims, made) == Tally(1, 0, 0)


def test_set_points_are_on_the_loggers_scale(blank: Made) -> None:
    sensing = replace(blank.order.sensing, offset_psi=(2.0, -3.0))
    made = replace(
        blank,
        order=replace(blank.order, sensing=sensing),
        set_points={"lp cut-out": kpa(54), "lp reset": kpa(117), "fan on": kpa(400)},
        shown={"lp cut-out": 5, "lp reset": 2, "fan on": 9},
        listed=replace(blank.listed, lp_cut_out_kpa=kpa(60), fan_on_kpa=None),
    )
    found = pl.DataFrame(
        {
            "switch": ["lp cut-out", "lp reset", "fan on"],
            "estimate_kpa": [kpa(57), kpa(117), None],
            "lower_kpa": [kpa(56.5), kpa(110), None],
            "upper_kpa": [kpa(58.5), kpa(120), None],
        }
    )
    cut_out, fan_on = scores.score_set_points(found, made)  # the reset has too few events
    assert cut_out.error_psi == pytest.approx(1.0)
    assert cut_out.width_psi == pytest.approx(2.0)
    assert cut_out.holds is False
    assert cut_out.listed_error_psi == pytest.approx(6.0)
    assert (fan_on.switch, fan_on.error_psi, fan_on.holds, fan_on.listed_error_psi) == ("fan on", None, None, None)


def periods(*rows: tuple[float, float, str]) -> pl.DataFrame:
    return pl.DataFrame(
        [(DAY + timedelta(days=a), DAY + timedelta(days=b), name) for a, b, name in rows],
        schema=["period_start", "period_end", "behaviour"],
        orient="row",
    )


def test_behaviour_takes_what_covers_most(blank: Made) -> None:
    rows = [(0, 10, "held", 80.0), (10, 20, "mixed", 90.0), (20, 30, "cycling", 60.0), (30, 40, "held", 49.0)]
    truth = pl.DataFrame(
        [(DAY + timedelta(days=a), DAY + timedelta(days=b), name, cold) for a, b, name, cold in rows],
        schema=["start", "end", "behaviour", "cold_h"],
        orient="row",
    )
    made = replace(blank, behaviours=truth)
    found = periods((0, 4, "cannot tell"), (4, 18, "held"), (18, 19, "cycling"))
    assert scores.score_behaviour(found, made) == [("held", "held", 80.0), ("cycling", "cannot tell", 60.0)]


def test_changes_within_two_days(blank: Made) -> None:
    days = [0, 10, 20, 30]
    truth = pl.DataFrame(
        {"start": [DAY + timedelta(days=d) for d in days], "behaviour": ["held", "follows ambient", "held", "mixed"]}
    )
    changes = [
        (DAY + timedelta(days=10), "held", "follows ambient"),
        (DAY + timedelta(days=20), "follows ambient", "held"),
    ]
    made = replace(blank, behaviours=truth, changes=changes)
    near = periods((0, 11.5, "held"), (11.5, 25, "follows ambient"))
    assert scores.score_changes(near, made) == Tally(1, 1, 0)
    far = periods((0, 13, "held"), (13, 25, "follows ambient"))
    assert scores.score_changes(far, made) == Tally(0, 2, 1)
    around = periods(
        (0, 9, "held"),
        (9, 12, "cannot tell"),
        (12, 18.5, "follows ambient"),
        (18.5, 28.5, "held"),
        (28.5, 40, "cycling"),
    )
    # The last lies at the border to a period that is not scored.
    assert scores.score_changes(around, made) == Tally(2, 0, 0)


def test_exact_interval() -> None:
    """0 of 10: the upper limit solves (1 - p)^10 = 0.05; computed by hand."""
    assert scores.binomial_interval(0, 10) == (0.0, pytest.approx(1 - 0.05**0.1))
    assert scores.binomial_interval(10, 10) == (pytest.approx(0.05**0.1), 1.0)
    assert scores.binomial_interval(0, 0) == (0.0, 1.0)
