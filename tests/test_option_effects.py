"""Effects of options: the prior as the reference states it, moved by the fleet's own record as Bayes' rule says."""

import numpy as np
import polars as pl
import pytest
from plan_frames import THRESHOLDS, follow_up_by_work
from scipy import integrate, stats

from lowambient import reference
from lowambient.plan.conditions import BESIDE, CAUSES
from lowambient.plan.option_effects import Effect, option_effects, package_effects
from lowambient.plan.options import FAN_CYCLING, RECONNECT, options, packages
from lowambient.profile import OptionProfile

EVERY = options({})


def effects(record: pl.DataFrame, *, background=0.1, reach=None, weight=0.5, given=None) -> dict:
    thresholds = THRESHOLDS | {"follow_up_weight": weight}
    table = option_effects(options(given or {}), record, background, reach or {}, thresholds)
    return {(row["option"], row["condition"]): row for row in table.iter_rows(named=True)}


def test_without_a_record_the_plan_takes_the_reference():
    found = effects(follow_up_by_work().clear())
    for row in reference.rows("option_effects"):
        told = found[row["option"], row["condition"]]
        assert told["mean"] == pytest.approx(float(row["mean"]))
        assert told["alpha"] + told["beta"] == pytest.approx(float(row["weight"]))
        assert told["ratio"] is None


@pytest.mark.parametrize(("ratio", "weight", "background", "reach"), [(0.2, 0.5, 0.1, 1.0), (0.9, 1.0, 0.0, 0.7)])
def test_the_record_moves_the_prior_as_numerical_integration_says(ratio, weight, background, reach):
    record = follow_up_by_work(ratio)
    told = effects(record, background=background, reach={FAN_CYCLING: reach}, weight=weight)[
        FAN_CYCLING, "no head control"
    ]
    spread = np.log(1.8) / stats.norm.ppf(0.975)

    def density(share: float) -> float:
        ratio_then = 1 - (1 - background) * share * reach
        likelihood = stats.norm.pdf(np.log(ratio), np.log(ratio_then), spread) ** weight
        return stats.beta.pdf(share, told["prior_alpha"], told["prior_beta"]) * likelihood

    total, first, second = (integrate.quad(lambda x, k=k: x**k * density(x), 0, 1)[0] for k in range(3))
    posterior = Effect(told["alpha"], told["beta"])
    assert posterior.mean == pytest.approx(first / total, abs=0.002)
    assert posterior.square == pytest.approx(second / total, abs=0.003)


def test_a_good_record_raises_a_bad_one_lowers_and_too_little_leaves_it():
    prior = effects(follow_up_by_work().clear())[FAN_CYCLING, "no head control"]["mean"]
    good = effects(follow_up_by_work(0.05))[FAN_CYCLING, "no head control"]
    bad = effects(follow_up_by_work(0.95))[FAN_CYCLING, "no head control"]
    assert bad["mean"] < prior < good["mean"]
    assert effects(follow_up_by_work(0.05, expected=2.0))[FAN_CYCLING, "no head control"]["mean"] == prior
    # the record of one kind of work says nothing about another
    assert effects(follow_up_by_work(0.95))[RECONNECT, "head control out"]["mean"] == pytest.approx(0.8)


def test_no_call_after_the_work_is_a_record_with_an_upper_end_only():
    none_after = follow_up_by_work(0.05).with_columns(lower=pl.lit(0.0), upper=pl.lit(0.2))
    assert effects(none_after)[FAN_CYCLING, "no head control"]["mean"] > 0.75


def test_the_profile_sets_the_prior_mean_and_keeps_its_weight():
    told = effects(follow_up_by_work().clear(), given={FAN_CYCLING: OptionProfile(effect=0.4)})[
        FAN_CYCLING, "no head control"
    ]
    assert (told["mean"], told["alpha"] + told["beta"], told["source"]) == (
        pytest.approx(0.4),
        pytest.approx(10),
        "profile",
    )


def test_options_of_a_package_work_one_after_the_other():
    table = option_effects(EVERY, follow_up_by_work().clear(), 0.1, {}, THRESHOLDS)
    both = next(each for each in packages({}) if each.name == "fan-cycling control + wind baffles")
    found = package_effects(table, both)
    assert set(found) == {"head control out", "no head control", "control overcome"}
    random = np.random.default_rng(4)
    drawn = 1 - (1 - random.beta(7.5, 2.5, 400_000)) * (1 - random.beta(1.5, 8.5, 400_000))
    assert found["no head control"].mean == pytest.approx(drawn.mean(), abs=0.001)
    assert found["no head control"].square - found["no head control"].mean ** 2 == pytest.approx(drawn.var(), rel=0.03)


def test_no_package_mixes_what_answers_a_cause_with_what_answers_a_condition_beside_it():
    # the branches of an outcome would then overlap
    table = option_effects(EVERY, follow_up_by_work().clear(), 0.1, {}, THRESHOLDS)
    for package in packages({}):
        answered = set(package_effects(table, package))
        assert not (answered & set(CAUSES) and answered & set(BESIDE)), package.name


def test_every_judged_figure_is_marked_and_every_name_is_known():
    names = {row["option"] for row in reference.rows("options")}
    for table in ("options", "option_effects", "check_accuracy", "usual_costs"):
        for row in reference.rows(table):
            assert row["source"].startswith(("judgement", "common practice")), row
    for row in reference.rows("packages"):
        assert set(row["options"].split(" | ")) <= names
        assert row["package"] == " + ".join(row["options"].split(" | "))
        assert bool(row["lowest_ambient_c"]) == bool(row["source"])
    for row in reference.rows("option_effects"):
        assert row["option"] in names
        assert row["condition"] in (*CAUSES, *BESIDE)
        assert 0 < float(row["mean"]) < 1
    works = {row["work"] for row in reference.rows("work_kinds")}
    assert {row["work"] for row in reference.rows("options")} - {""} <= works


def test_lowest_ambients_are_the_published_ones():
    # unbranded manuals, degF: fan cycling and speed 35, flooded 0, fan speed with wind baffles -20
    by_name = {package.name: package.lowest_ambient_c for package in packages({})}
    for name, fahrenheit in (
        ("fan-cycling control", 35),
        ("fan-speed control", 35),
        ("flooded condenser", 0),
        ("fan-speed control + wind baffles", -20),
    ):
        assert by_name[name] == pytest.approx((fahrenheit - 32) / 1.8, abs=0.001)
