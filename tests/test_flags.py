"""Flags: chains against enumeration of every path, evidence that adds up, and conditions that come and go."""

import re
from datetime import timedelta
from itertools import product

import numpy as np
import polars as pl
import pytest
from flag_frames import HEAD_PRESSURE, MONTHS, SPANS, START, STOPS, WEEKS, band_of, call, coldest_c, frames
from scipy import optimize, stats

from lowambient import reference
from lowambient.flags.chains import Moves, Steps, at_the_end, before_each_week, ever, smoothed, states_after
from lowambient.flags.judging import Flagged, judge_flags
from lowambient.flags.recalibration import USUAL_SHIFT, fleet_shift
from lowambient.flags.recurrence import recurring
from lowambient.flags.signs import Piece, check_sentence
from lowambient.flags.sources import COLD, MARKS, Level, sources
from lowambient.report.reading_units import ReadingUnits

THRESHOLDS = {name: row.value for name, row in reference.thresholds().items()}
MIDWINTER = 29  # weeks after the first of July
QUIET = {f"quiet {number:02d}": {} for number in range(30)}


def winters(unit_id: str, *which: int, times: int = 3, **more: object) -> list[dict[str, object]]:
    """Low-pressure calls in the depth of some winters, a few weeks apart."""
    return [
        call(unit_id, 52 * winter + MIDWINTER + 2 * number - 2, number=number, **more)
        for winter in which
        for number in range(times)
    ]


def ordinary(units: list[str], seed: int = 1) -> list[dict[str, object]]:
    """A call or two of every unit at any time of the year, about other things."""
    random = np.random.default_rng(seed)
    words = ["belt", "electrical", "drain", "noise", "control or thermostat", "no cooling", "unclear"]
    return [
        call(unit_id, int(random.integers(WEEKS)), str(random.choice(words)), number=50 + number)
        for unit_id in units
        for number in range(2)
    ]


def judged(units: dict[str, dict[str, object]], calls: list[dict[str, object]], **tables: pl.DataFrame) -> Flagged:
    fleet = QUIET | units
    return judge_flags(frames(fleet, [*calls, *ordinary(list(fleet))], **tables), THRESHOLDS)


def probability(flagged: Flagged, unit_id: str, flag: str, column: str = "probability") -> float:
    rows = flagged.flags.filter(pl.col("unit_id") == unit_id, pl.col("flag") == flag)
    return float(rows[column][0]) if rows.height else 0.0


# Chains


def _chain(seed: int, weeks: int = 4, states: int = 3) -> tuple[np.ndarray, Moves]:
    random = np.random.default_rng(seed)
    first, entry = random.dirichlet(np.ones(states)), random.dirichlet(np.ones(states - 1))
    begins, ends = random.uniform(0, 0.6, (1, weeks)), random.uniform(0, 0.6, (1, weeks))
    moves = Moves(first[None], begins, ends, entry[None], random.uniform(0, 1, states - 1), 0.3)
    return random.normal(0, 2, (1, weeks, states)), moves


def _move(moves: Moves, week: int, before: int, after: int) -> float:
    """Probability of one step, told state by state."""
    begins, entry = moves.begins[0, week], moves.entry[0]
    if before == 0:
        return 1 - begins if after == 0 else begins * entry[after - 1]
    ends = moves.ends[0, week] * moves.yields[before - 1]
    if after == 0:
        return ends
    return (1 - ends) * ((before == after) * (1 - moves.redrawn) + moves.redrawn * entry[after - 1])


def _paths(log_like: np.ndarray, moves: Moves) -> list[tuple[tuple[int, ...], float]]:
    _, weeks, states = log_like.shape
    found = []
    for path in product(range(states), repeat=weeks):
        weight = moves.first[0, path[0]] * np.exp(sum(log_like[0, week, state] for week, state in enumerate(path)))
        for week in range(weeks - 1):
            weight *= _move(moves, week, path[week], path[week + 1])
        found.append((path, float(weight)))
    return found


@pytest.mark.parametrize("seed", range(6))
def test_chains_are_the_sum_over_every_path(seed: int) -> None:
    log_like, moves = _chain(seed)
    paths = _paths(log_like, moves)
    total = sum(weight for _, weight in paths)
    known = smoothed(log_like, moves)
    assert known.likelihood[0] == pytest.approx(np.log(total))
    for week, state in product(range(4), range(3)):
        expected = sum(weight for path, weight in paths if path[week] == state) / total
        assert known.states[0, week, state] == pytest.approx(expected)
    end, likelihood = at_the_end(log_like, moves)
    assert end[0] == pytest.approx(known.states[0, -1])
    assert likelihood == pytest.approx(known.likelihood)


@pytest.mark.parametrize("seed", range(6))
def test_ever_is_the_share_of_paths_that_touch_a_counted_state(seed: int) -> None:
    log_like, moves = _chain(seed)
    counted = np.zeros((1, 4, 3), dtype=bool)
    counted[0, 1:, 2] = True
    paths = _paths(log_like, moves)
    touching = sum(weight for path, weight in paths if 2 in path[1:]) / sum(weight for _, weight in paths)
    found = ever(log_like, moves, counted, smoothed(log_like, moves).likelihood)
    assert found[0] == pytest.approx(touching, abs=1e-9)


def test_moves_keep_probability_whole() -> None:
    _, moves = _chain(9)
    steps, held = Steps.of(moves), np.array([[0.2], [0.5], [0.3]])
    assert steps.forward(held, 1).sum() == pytest.approx(1)
    assert steps.backward(np.ones((3, 1)), 1) == pytest.approx(np.ones((3, 1)))


def test_chains_that_differ_from_a_week_on_end_as_if_followed_from_the_first() -> None:
    random = np.random.default_rng(12)
    log_like, moves = random.normal(0, 2, (3, 9, 4)), _some_moves(random, 3, 9, 4)
    rows, since = np.array([2, 0, 0, 1, 2, 1]), np.array([5, 8, 0, 3, 8, 3])
    changed = log_like[rows]
    for chain, week in enumerate(since):
        changed[chain, week:] += random.normal(0, 1, (9 - week, 4))
    before = before_each_week(log_like, moves)[since, :, rows].T
    found = states_after(changed, moves.taken(rows), since, before)
    assert found == pytest.approx(at_the_end(changed, moves.taken(rows))[0], abs=1e-12)


def _some_moves(random: np.random.Generator, units: int, weeks: int, states: int) -> Moves:
    begins, ends = random.uniform(0, 0.6, (2, units, weeks))
    first, entry = random.dirichlet(np.ones(states), units), random.dirichlet(np.ones(states - 1), units)
    return Moves(first, begins, ends, entry, random.uniform(0, 1, states - 1), 0.3)


def test_chains_leave_what_they_are_given_alone() -> None:
    log_like, moves = _chain(3)
    before = log_like.copy()
    smoothed(log_like, moves)
    at_the_end(log_like, moves)
    assert np.array_equal(log_like, before)


# Reference data and the parts of the likelihood


def test_reference_tables_fit_each_other() -> None:
    conditions = {row["condition"] for row in reference.rows("conditions")}
    flags = set(reference.vocabulary("flag"))
    assert conditions - {COLD} == flags - {"cold lockout", "head control out", "no head control"}
    for table in ("condition_levels", "condition_words", "visit_effects", "reading_signs"):
        assert {row["condition"] for row in reference.rows(table)} <= conditions
    assert {row["flag"] for row in reference.rows("flag_checks")} == flags
    for source in sources().values():
        assert source.shares.sum() == pytest.approx(1)
        assert source.marks.sum() == pytest.approx(1)
        assert len(source.marks) == len(MARKS)


def test_a_cold_level_makes_calls_below_its_temperature_only() -> None:
    level = Level("cold", 0.0, 0.01, "lost")
    hazard = level.hazard(np.array([-20.0, 0.0, 20.0]))
    assert hazard == pytest.approx([0.01, 0.005, 0.0], abs=1e-6)


def test_recurring_is_two_spells_of_a_poisson_count() -> None:
    """1 - e^-m (1 + m), the Poisson tail of two or more."""
    calls = np.array([[0.0, 1.0, 4.0]])
    mean = THRESHOLDS["lockout_spells_per_call"] * calls
    assert recurring(calls, THRESHOLDS) == pytest.approx(1 - np.exp(-mean) * (1 + mean))
    assert recurring(calls, THRESHOLDS) == pytest.approx(1 - stats.poisson.cdf(1, mean))


# Conditions that come and go


def test_calls_that_gather_in_the_cold_are_told_from_calls_that_do_not() -> None:
    warm = [call("warm", 52 * winter + 3 * number, number=number) for winter in range(4) for number in range(3)]
    flagged = judged({"cold": {}, "warm": {}}, [*winters("cold", 0, 1, 2, 3), *warm])
    assert probability(flagged, "cold", "cold lockout") > 0.7
    assert probability(flagged, "warm", "cold lockout") < 0.1
    assert probability(flagged, "quiet 00", "cold lockout") < 0.1
    causes = dict(flagged.call_causes.iter_rows())
    assert causes["cold-029-1"] > 0.8
    assert causes["warm-003-1"] < 0.2


def test_low_charge_is_likelier_where_low_pressure_calls_come_in_any_weather() -> None:
    leak = [
        call("leak", week, number=number, said=("refrigerant added",))
        for number, week in enumerate(range(5, WEEKS, 16))
    ]
    flagged = judged({"leak": {}}, leak)
    assert probability(flagged, "leak", "low charge", "probability_ever") > probability(flagged, "leak", "cold lockout")
    assert probability(flagged, "leak", "low charge", "probability_ever") > 0.5


def test_a_repair_that_quiet_winters_follow_clears_the_flag() -> None:
    last = call(
        "mended", 52 + MIDWINTER + 4, number=9, said=("bypass found", "control reconnected"), about="head control"
    )
    flagged = judged({"mended": {}, "left": {}}, [*winters("mended", 0, 1), last, *winters("left", 0, 1)])
    assert probability(flagged, "mended", "cold lockout") < 0.05
    assert probability(flagged, "mended", "cold lockout", "probability_ever") > 0.9
    assert probability(flagged, "mended", "head control out", "probability_ever") > 0.9


def test_a_unit_newly_lost_is_caught_at_its_second_sign() -> None:
    note = {"said": ("bypass found",), "about": "head control"}
    one, two = winters("new", 3, times=1), winters("new", 3, times=2)
    two[1] |= note
    first, second = (judged({"new": {}}, calls) for calls in (one, two))
    out = ("head control out", "probability_ever")
    assert probability(second, "new", *out) > 0.5 > probability(first, "new", *out)
    more = [judged({"new": {}}, winters("new", 3, times=times)) for times in (2, 3, 4, 5)]
    seen = [probability(each, "new", "cold lockout") for each in more]
    assert seen == sorted(seen)
    again = judged({"new": {}}, winters("new", 2, 3, times=3))
    assert probability(again, "new", "cold lockout") > 0.5


def test_units_without_readings_are_less_certain_of_their_control() -> None:
    """Calls show that it locks out; only readings, notes or checks show why."""
    period = pl.DataFrame(
        {
            "unit_id": ["logged"],
            "circuit": ["2"],
            "period_start": [START + timedelta(weeks=3 * 52 + MIDWINTER - 3)],
            "period_end": [START + timedelta(weeks=3 * 52 + MIDWINTER + 2)],
            "behaviour": ["follows ambient"],
            "samples": [2000],
            "low_share": [0.9],
        },
        schema=HEAD_PRESSURE,
    )
    calls = [*winters("logged", 2, 3), *winters("not", 2, 3)]
    flagged = judged({"logged": {}, "not": {}}, calls, head_pressure=period)
    assert probability(flagged, "logged", "head control out") > 0.6
    assert probability(flagged, "not", "head control out") < probability(flagged, "logged", "head control out")
    row = flagged.flags.filter(pl.col("unit_id") == "logged", pl.col("flag") == "head control out").row(0, named=True)
    assert row["circuit"] == "2"
    assert "readings" in row["rests_on"]
    held = judged({"logged": {}, "not": {}}, calls, head_pressure=period.with_columns(behaviour=pl.lit("cycling")))
    assert probability(held, "logged", "head control out") < 0.2
    assert probability(held, "logged", "cold lockout") > 0.5, "it locks out all the same"


def test_having_readings_is_no_evidence_by_itself() -> None:
    logged = pl.DataFrame(
        {"unit_id": ["u"] * 4, "week": [52, 53, 54, 55], "logged_hours": [168] * 4},
        schema={"unit_id": pl.String, "week": pl.Int32, "logged_hours": pl.Int64},
    )  # July: nothing could have happened
    calls = winters("u", 1, 2)
    without, given = judged({"u": {}}, calls), judged({"u": {}}, calls, logged_weeks=logged)
    for flag in ("cold lockout", "head control out", "low charge"):
        assert probability(given, "u", flag) == pytest.approx(probability(without, "u", flag), abs=2e-3)


def test_logged_stops_and_logged_quiet_weeks_speak_for_and_against() -> None:
    weeks = [3 * 52 + MIDWINTER + number for number in range(3)]
    logged = pl.DataFrame(
        {"unit_id": ["u"] * 3, "week": weeks, "logged_hours": [168] * 3},
        schema={"unit_id": pl.String, "week": pl.Int32, "logged_hours": pl.Int64},
    )
    at = [START + timedelta(weeks=week, days=2) for week in weeks]
    bands = [band_of(coldest_c(week)) for week in weeks]
    stops = pl.DataFrame(
        {"unit_id": ["u"] * 3, "day": at, "week": weeks, "first_at": at, "stops": [4] * 3, "band": bands}, schema=STOPS
    )
    calls = winters("u", 2, times=3)
    none, quiet, stopped = (
        probability(judged({"u": {}}, calls, **given), "u", "cold lockout")
        for given in ({}, {"logged_weeks": logged}, {"logged_weeks": logged, "logged_stops": stops})
    )
    assert quiet < none < stopped


def test_a_month_of_little_subcooling_and_high_superheat_is_low_charge() -> None:
    month = {"unit_id": ["u"], "circuit": ["1"], "month": [START + timedelta(weeks=200)]}
    facts = {"subcooling_k": [0.5], "subcooling_k_n": [400], "superheat_k": [18.0], "superheat_k_n": [400]}
    low = judged({"u": {}}, [], circuit_months=pl.DataFrame(month | facts, schema=MONTHS))
    well = {"subcooling_k": [7.0], "superheat_k": [6.0]}
    sound = judged({"u": {}}, [], circuit_months=pl.DataFrame(month | facts | well, schema=MONTHS))
    assert probability(low, "u", "low charge") > 5 * probability(sound, "u", "low charge")


@pytest.mark.parametrize("switch", ["lp", "hp"])
def test_running_beyond_a_switch_is_a_jumper(switch: str) -> None:
    span = {
        "unit_id": ["u"],
        "circuit": ["2"],
        "switch": [f"{switch} cut-out"],
        "from_at": [START + timedelta(weeks=WEEKS - 3)],
        "to_at": [START + timedelta(weeks=WEEKS - 2)],
        "hours": [6.5],
        "events_through": [4],
    }
    flagged = judged({"u": {}}, [], jumpered_spans=pl.DataFrame(span, schema=SPANS))
    row = flagged.flags.filter(pl.col("unit_id") == "u", pl.col("flag") == f"{switch} switch jumpered").row(
        0, named=True
    )
    assert row["probability"] > 0.05
    assert row["probability_ever"] >= row["probability"]
    assert row["circuit"] == "2"
    assert "6.5 h beyond" in row["sentence"]


def test_what_was_not_found_on_site_counts_until_new_evidence() -> None:
    def with_check(verdict: str, *later: int) -> float:
        check = pl.DataFrame(
            {
                "unit_id": ["u"],
                "circuit": [None],
                "flag": ["cold lockout"],
                "checked_at": [START + timedelta(weeks=2 * 52)],
                "verdict": [verdict],
                "note": [None],
            },
            schema_overrides={"circuit": pl.String, "note": pl.String},
        )
        flagged = judged({"u": {}}, winters("u", 0, 1, *later), in_checks=check)
        row = flagged.flags.filter(pl.col("unit_id") == "u", pl.col("flag") == "cold lockout")
        assert row["last_verdict"].to_list() == [verdict]
        return probability(flagged, "u", "cold lockout")

    assert with_check("not found") < with_check("could not check") < with_check("confirmed") + 1e-9
    assert with_check("not found", 2, 3) > 0.7, "calls that came after it outweigh it"


def _pieces(odds: list[float], found: list[bool]) -> list[tuple[Piece, float]]:
    at = START
    rows = []
    for unit, (held, seen) in enumerate(zip(odds, found, strict=True)):
        rows.append((Piece(unit, None, "unit list", None, "units", str(unit), "usual"), held))
        said = check_sentence("low charge", "confirmed" if seen else "not found")
        rows.append((Piece(unit, None, "check", at, "checks", str(unit), said), 4.0 if seen else -4.0))
    return rows


def test_checks_move_all_probabilities_of_a_flag() -> None:
    """Against a minimiser of scipy over the same sum."""
    random = np.random.default_rng(5)
    odds = random.normal(0, 1.5, 60)
    found = random.random(60) < 1 / (1 + np.exp(-(odds + 1.2)))
    moved = fleet_shift(_pieces(odds.tolist(), found.tolist()), "low charge")
    assert moved is not None

    def loss(shift: float) -> float:
        signed = np.where(found, 1, -1) * (odds + shift)
        return float(np.log1p(np.exp(-signed)).sum() + shift**2 / (2 * USUAL_SHIFT**2))

    assert moved[0] == pytest.approx(optimize.minimize_scalar(loss).x, abs=1e-5)
    assert 0.2 < moved[0] < 1.2
    assert f"{found.sum()} times" in moved[1]
    assert fleet_shift(_pieces(odds[:4].tolist(), found[:4].tolist()), "low charge") is None
    assert fleet_shift(_pieces(odds.tolist(), found.tolist()), "controls") is None


# Evidence


def test_weights_add_up_to_the_log_odds_of_their_flag() -> None:
    flagged = judged({"cold": {}, "few": {}}, [*winters("cold", 0, 1, 2), *winters("few", 3, times=1)])
    for unit_id in ("cold", "few"):
        row = flagged.flags.filter(pl.col("unit_id") == unit_id, pl.col("flag") == "cold lockout").row(0, named=True)
        pieces = flagged.evidence.filter(pl.col("unit_id") == unit_id, pl.col("flag") == "cold lockout")
        odds = np.log(row["probability"] / (1 - row["probability"]))
        left_out = 0.02 * (row["evidence_count"] + 10)
        assert pieces["weight"].sum() == pytest.approx(odds, abs=left_out + 0.05)


def test_sentences_can_be_told_in_other_units() -> None:
    """Every temperature and difference is written so that a page finds it; 10 K are 18 degF."""
    month = {"unit_id": ["cold"], "circuit": ["1"], "month": [START + timedelta(weeks=200)]}
    facts = {"subcooling_k": [10.0], "subcooling_k_n": [400], "superheat_k": [18.0], "superheat_k_n": [400]}
    months = pl.DataFrame(month | facts, schema=MONTHS)
    flagged = judged({"cold": {}}, winters("cold", 0, 1, 2), circuit_months=months)
    written = {*flagged.evidence["sentence"], *flagged.flags["sentence"]}
    assert any("°C" in one for one in written)
    assert any("10.0 K" in one for one in written)
    told = [ReadingUnits("us").sentence(one) for one in written]
    assert any("18.0 °F" in one for one in told)
    assert not [one for one in told if re.search(r"°C|degC|\d\s*K\b", one)]


def test_evidence_names_rows_that_are_there() -> None:
    flagged = judged({"cold": {}}, winters("cold", 0, 1, 2, said=("switch reset",)))
    pieces = flagged.evidence.filter(pl.col("source_table") == "calls")
    known = {each["call_id"] for each in winters("cold", 0, 1, 2)}
    assert set(pieces.filter(pl.col("unit_id") == "cold")["source_key"]) & known
    assert flagged.evidence.join(flagged.flags, on=["unit_id", "flag"], how="anti").is_empty()


def test_a_light_flag_says_what_it_rests_on() -> None:
    flagged = judged({"u": {"head_control": "none"}}, [])
    row = flagged.flags.filter(pl.col("unit_id") == "u", pl.col("flag") == "no head control").row(0, named=True)
    assert row["probability"] > 0.5
    assert row["rests_on"] == "unit list"


# Properties


def test_answers_do_not_depend_on_the_order_of_rows() -> None:
    units, calls = {"cold": {}, "few": {}}, [*winters("cold", 0, 1, 2), *winters("few", 3, times=1)]
    given = frames(QUIET | units, [*calls, *ordinary(list(QUIET))])
    mixed = {name: frame.sample(fraction=1, shuffle=True, seed=3) for name, frame in given.items()}
    one, other = judge_flags(given, THRESHOLDS), judge_flags(mixed, THRESHOLDS)
    for name in ("flags", "evidence", "call_causes", "unit_states", "unit_causes"):
        assert getattr(one, name).write_csv(float_precision=6) == getattr(other, name).write_csv(float_precision=6)


def test_states_of_a_unit_are_probabilities() -> None:
    flagged = judged({"cold": {}}, winters("cold", 0, 1))
    sums = flagged.unit_states.group_by("unit_id").agg(pl.col("probability").sum())["probability"]
    assert sums.to_numpy() == pytest.approx(np.ones(sums.len()))
    assert (flagged.flags["probability_ever"] >= flagged.flags["probability"]).all()


@pytest.mark.parametrize(
    "change",
    [
        {
            "span": pl.DataFrame(
                {"from_hour": [None], "to_hour": [None]},
                schema=dict.fromkeys(("from_hour", "to_hour"), pl.Datetime("us", "UTC")),
            )
        },
        {"week_bands": None, "year_bands": None},
        {"flag_calls": None, "call_statements": None},
        {"flag_units": None, "flag_calls": None, "call_statements": None},
    ],
    ids=["no calls export", "no weather", "no calls", "no units"],
)
def test_fleets_with_next_to_nothing_are_answered(change: dict[str, pl.DataFrame | None]) -> None:
    given = frames(QUIET, ordinary(list(QUIET)))
    for name, frame in change.items():
        given[name] = given[name].clear() if frame is None else frame
    if "span" in change:
        given["flag_calls"], given["call_statements"] = given["flag_calls"].clear(), given["call_statements"].clear()
        given["flag_units"] = given["flag_units"].with_columns(
            from_h=pl.lit(None, pl.Int64), to_h=pl.lit(None, pl.Int64)
        )
        given["week_bands"] = given["week_bands"].clear()
    flagged = judge_flags(given, THRESHOLDS)
    assert flagged.flags["probability"].is_between(0, 1).all()
    assert not flagged.flags.filter(pl.col("flag") == "cold lockout")["raised"].any()


def test_one_winter_and_two_calls_are_a_doubt_and_not_a_verdict() -> None:
    flagged = judged({"u": {"from_h": 3 * 52 * 168}}, winters("u", 3, times=2))
    assert 0.1 < probability(flagged, "u", "cold lockout") < 0.9
