"""What a package avoids: means, intervals and pay-back against drawing units; the check against trying every answer."""

import numpy as np
import polars as pl
import pytest
from plan_frames import plan_inputs
from scipy import stats

from lowambient.plan import conditions as conditions_module
from lowambient.plan.benefits import Outcomes, cause_share, least_calls, outcomes
from lowambient.plan.conditions import CAUSES, Conditions, conditions
from lowambient.plan.option_effects import Effect
from lowambient.plan.preseason import Work, checked, likelihoods

DRAWS = 200_000


def random_conditions(seed: int, units: int = 5) -> Conditions:
    random = np.random.default_rng(seed)
    states = random.dirichlet([1, 1, 1], units)
    causes = random.dirichlet([1, 1, 0.5, 0.5], units)
    return Conditions(
        tuple(f"u{place}" for place in range(units)),
        states[:, 1:],
        np.column_stack([random.uniform(0.2, 1, units), random.uniform(1, 6, units)]),
        random.uniform(0, 0.2, units),
        causes,
        {"lp switch jumpered": random.uniform(0, 1, units), "economizer idle": random.uniform(0, 1, units)},
        random.uniform(0, 1, units),
    )


EFFECTS = {"head control out": Effect(8.0, 2.0), "no head control": Effect(3.0, 4.0)}


def drawn_shares(known: Conditions, unit: int, random: np.random.Generator, effects=EFFECTS) -> np.ndarray:
    """Expected calls avoided a winter, for drawn states, causes and effects of one unit."""
    p = np.r_[1 - known.probability[unit].sum(), known.probability[unit]]
    state = random.choice(3, DRAWS, p=p)
    cause = random.choice(len(CAUSES), DRAWS, p=known.causes[unit] / known.causes[unit].sum())
    calls = np.r_[0.0, known.avoidable[unit]][state]
    share = np.zeros(DRAWS)
    for name, effect in effects.items():
        here = cause == CAUSES.index(name)
        share[here] = random.beta(effect.alpha, effect.beta, here.sum())
    return calls * share


@pytest.mark.parametrize("seed", range(3))
def test_mean_interval_and_pay_back_are_those_of_drawn_units(seed):
    known = random_conditions(seed)
    reach = np.linspace(0.6, 1.0, 5)
    found = outcomes(known, np.arange(5), EFFECTS, reach)
    lower, upper = found.interval()
    paid = found.pays_back(np.full(5, 2.0), 3.0)
    random = np.random.default_rng(seed)
    for unit in range(5):
        drawn = drawn_shares(known, unit, random) * reach[unit]
        assert found.mean[unit] == pytest.approx(drawn.mean(), rel=0.02, abs=0.005)
        for end, level in ((lower[unit], 0.05), (upper[unit], 0.95)):
            assert np.mean(drawn < end - 0.02) <= level + 0.005
            assert np.mean(drawn <= end + 0.02) >= level - 0.005
        assert paid[unit] == pytest.approx(np.mean(random.poisson(3 * drawn) >= 2), abs=0.006)


def test_mean_share_by_cause_is_the_mean_of_the_branches():
    known = random_conditions(7)
    rows = np.arange(5)
    for effects in (EFFECTS, {"economizer idle": Effect(3.0, 3.0)}):
        share = cause_share(effects, known.beside, rows)
        direct = np.sum(share * known.causes * known.expected[:, None], axis=1)
        assert outcomes(known, rows, effects, np.ones(5)).mean == pytest.approx(direct)


def test_nothing_avoided_has_an_interval_of_nothing_and_pays_back_only_what_is_free():
    found = Outcomes(np.zeros((2, 1)), np.zeros((2, 1)), (Effect(1.0, 1.0),))
    assert found.mean.tolist() == [0.0, 0.0]
    assert [end.tolist() for end in found.interval()] == [[0.0, 0.0], [0.0, 0.0]]
    least = least_calls(np.array([0.0, 10.0]), np.array([100.0, 0.0]))
    assert least.tolist() == [0.0, np.inf]
    assert found.pays_back(least, 3.0).tolist() == [1.0, 0.0]


def test_a_certain_unit_pays_back_as_poisson_says():
    found = Outcomes(np.ones((1, 1)), np.full((1, 1), 4.0), (Effect(0.5e6, 0.5e6),))
    # 3 winters of 2 calls avoided each: P(N >= 5), N Poisson with mean 6
    assert found.pays_back(np.array([5.0]), 3.0)[0] == pytest.approx(stats.poisson.sf(4, 6.0), abs=1e-4)


def test_probabilities_of_results_add_up_and_a_perfect_check_would_find_the_cause():
    table = likelihoods()
    assert table.sum(axis=0) == pytest.approx(np.ones(5))
    assert np.all(table >= 0)
    for result in range(3):
        assert table[result].argmax() == result


def tried(known: Conditions, unit: int, work: Work, worth: float) -> tuple[float, float]:
    """Worth of the best work before a check and, on average, after it, by summing over states, causes and results."""
    table = likelihoods()
    packages = work.cost.shape[1]

    def gain(package: int, weights: np.ndarray) -> float:
        calls = 0.0
        for cause, name in enumerate(CAUSES):
            effect = work.effects[package].get(name)
            if effect is not None:
                for state in range(2):
                    p = known.probability[unit, state] * known.causes[unit, cause] * weights[cause]
                    calls += p * known.avoidable[unit, state] * effect.mean * work.reach[unit, package]
        sound = 1 - known.probability[unit].sum()
        chance = sum(known.probability[unit].sum() * known.causes[unit] * weights[:4]) + sound * weights[4]
        return worth * calls - chance * work.cost[unit, package]

    allowed = [package for package in range(packages) if work.fits[unit, package]]
    before = max([0.0, *(gain(package, np.ones(5)) for package in allowed)])
    after = sum(max([0.0, *(gain(package, table[result]) for package in allowed)]) for result in range(4))
    return before, after


@pytest.mark.parametrize("seed", range(5))
def test_the_worth_of_a_check_is_what_summing_over_every_result_gives(seed):
    known = random_conditions(20 + seed)
    random = np.random.default_rng(seed)
    effects = [
        {"head control out": Effect(8, 2)},
        {"no head control": Effect(6, 2), "head control out": Effect(6, 2)},
        {"low charge": Effect(8, 2)},
    ]
    work = Work(
        effects,
        random.random((5, 3)) < 0.8,
        random.uniform(0.5, 1, (5, 3)),
        random.uniform(100, 900, (5, 3)),
        np.ones((5, 3)),
    )
    worth = random.uniform(200, 900, 5)
    found = checked(known, np.arange(5), work, worth, np.full(5, 150.0), np.full(5, 1.25))
    for unit in range(5):
        before, after = tried(known, unit, work, worth[unit])
        assert found.value_of_information[unit] == pytest.approx(after - before, abs=1e-6)
        assert worth[unit] * found.outcomes.mean[unit] - (found.cost[unit] - 150.0) == pytest.approx(after, abs=1e-6)
    assert np.all(found.value_of_information >= 0)


def test_a_check_is_worth_nothing_where_its_answer_changes_nothing():
    # the unit is surely out of control and the work surely right: no result would stop it
    known = Conditions(
        ("u",), np.array([[1.0]]), np.array([[5.0]]), np.zeros(1), np.array([[1.0, 0, 0, 0]]), {}, np.zeros(1)
    )
    work = Work(
        [{"head control out": Effect(8, 2)}],
        np.ones((1, 1), bool),
        np.ones((1, 1)),
        np.full((1, 1), 100.0),
        np.ones((1, 1)),
    )
    found = checked(known, np.array([0]), work, np.array([1000.0]), np.array([50.0]), np.array([1.0]))
    assert found.value_of_information[0] == pytest.approx(0.0, abs=1e-9)
    assert found.outcomes.mean[0] == pytest.approx(4.0)


def test_many_states_are_joined_without_moving_means_and_hardly_intervals(monkeypatch):
    given = plan_inputs(units=40, sites=10, seed=3, finer=11)
    every = given.units, given.unit_states, given.unit_causes
    joined = conditions(*every)
    monkeypatch.setattr(conditions_module, "_MOST_STATES", 100)
    apart = conditions(*every)
    assert joined.probability.shape == (40, 8)
    assert apart.probability.shape == (40, 22)
    assert joined.expected == pytest.approx(apart.expected)
    assert joined.probability.sum(axis=1) == pytest.approx(apart.probability.sum(axis=1))
    upper = [outcomes(known, np.arange(40), EFFECTS, np.ones(40)).interval()[1] for known in (joined, apart)]
    assert np.all(np.abs(upper[0] - upper[1]) <= 0.08 * np.maximum(upper[1], 0.5))


def test_states_and_causes_are_read_as_the_flags_write_them():
    units = pl.DataFrame({"unit_id": ["b", "a", "c"]})
    states = pl.DataFrame(
        {
            "unit_id": ["a", "a", "a", "b", "b"],
            "state": ["fine", "weak", "bad", "fine", "bad"],
            "probability": [0.5, 0.2, 0.3, 0.9, 0.1],
            "cold_calls_per_winter": [0.1, 1.1, 4.1, 0.2, 3.2],
            "is_sound": [True, False, False, True, False],
        }
    )
    causes = pl.DataFrame(
        {
            "unit_id": ["a", "b"],
            "p_bypassed": [0.7, 0.0],
            "p_no_control": [0.9, 0.6],
            "p_low_charge": [0.1, 0.0],
            "p_lp_jumpered": [0.2, None],
            "p_economizer_idle": [0.3, 0.4],
        }
    )
    known = conditions(units, states, causes)
    assert known.unit_id == ("a", "b", "c")
    assert known.expected == pytest.approx([0.2 * 1.0 + 0.3 * 4.0, 0.1 * 3.0, 0.0])
    assert known.causes[0] == pytest.approx([0.975 * 0.7, 0.975 * 0.3, 0.025, 0.0])
    assert known.causes[1] == pytest.approx([0.0, 0.6, 0.0, 0.4])
    assert known.of("head control out") == pytest.approx([0.5 * 0.975 * 0.7, 0.0, 0.0])
    assert known.of("low charge") == pytest.approx([0.1, 0.0, 0.0])
    assert known.of("control overcome") == pytest.approx([0.0, 0.1 * 0.4, 0.0])
    assert known.of("lp switch jumpered") == pytest.approx([0.2, 0.0, 0.0])
    with pytest.raises(ValueError, match=r"add up to 0\.9"):
        conditions(units, states.with_columns(pl.col("probability") * 0.9), causes)
