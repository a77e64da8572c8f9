"""What may be wrong with each unit, and what it costs in cold calls: arrays over units from the flags' frames.

The state of a unit says how many cold calls it brings, its causes say why. What remains in the sound state is the
background that no work avoids.
"""

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import polars as pl

Array = npt.NDArray[np.float64]

CONTROL_OUT = "head control out"
NO_CONTROL = "no head control"
LOW_CHARGE = "low charge"
OVERCOME = "control overcome"
"""A control that works and does not save every start in great cold, wind or low load."""
CAUSES = (CONTROL_OUT, NO_CONTROL, LOW_CHARGE, OVERCOME)
"""What is behind the cold calls of a unit that is not sound."""
LP_JUMPERED = "lp switch jumpered"
ECONOMIZER_IDLE = "economizer idle"
BESIDE = (LP_JUMPERED, ECONOMIZER_IDLE)
"""What can hold beside any of them."""

_CHARGE_SHARE = 0.25
"""Of the cold calls of a unit with low charge, what is laid to the charge (judgement): the states that these calls are
counted by are weighed beside low charge, and leave out what it explains; with a flooded condenser it explains more."""

_MOST_STATES = 8
"""States of a unit that are told apart; more are joined with those of nearly as many calls."""

_CAUSE_COLUMNS = ("p_bypassed", "p_no_control", "p_low_charge", "p_lp_jumpered", "p_economizer_idle")


@dataclass(frozen=True)
class Conditions:
    """What is known of each unit; rows of the arrays are `unit_id`, sorted.

    `probability` (units, states) of each state that is not sound; `avoidable` (units, states): its cold calls of a
    typical winter over those of the sound state; `background` (units,): calls of the sound state; `causes` (units,
    CAUSES): share of its avoidable calls that each is behind; `beside`: probability now of what can hold beside them;
    `low_charge` (units,): probability now.
    """

    unit_id: tuple[str, ...]
    probability: Array
    avoidable: Array
    background: Array
    causes: Array
    beside: dict[str, Array]
    low_charge: Array

    @property
    def expected(self) -> Array:
        """Avoidable cold calls of a typical winter (units,)."""
        return np.asarray(np.sum(self.probability * self.avoidable, axis=1))

    def of(self, condition: str) -> Array:
        """Probability that a condition holds now (units,)."""
        if condition in self.beside:
            return self.beside[condition]
        if condition == LOW_CHARGE:
            return self.low_charge
        return np.asarray(self.probability.sum(axis=1) * self.causes[:, CAUSES.index(condition)])

    def scaled(self, factor: npt.ArrayLike) -> "Conditions":
        """The same with avoidable calls times `factor`, one for all or (units, states)."""
        return replace(self, avoidable=self.avoidable * np.asarray(factor))


def conditions(units: pl.DataFrame, unit_states: pl.DataFrame, unit_causes: pl.DataFrame) -> Conditions:
    """What the flags say of each of `units` (unit_id).

    `unit_states`: grain unit, state; probability, cold_calls_per_winter, is_sound. `unit_causes`: grain unit;
    p_bypassed, p_no_control: share of its avoidable calls with a control that is out, and with none; p_low_charge,
    p_lp_jumpered, p_economizer_idle: probability of these now. A unit that is in neither is taken as sound, without
    a call. Where a unit has no sound state its background is taken as 0: all its calls are then avoidable.

    Causes of a unit's avoidable calls: low charge, with `_CHARGE_SHARE` of its probability, whatever the control; else
    the control is out with p_bypassed; else there is none with at most p_no_control; what is left comes in spite of a
    control that works.

    Of more than `_MOST_STATES` states those next to each other in calls are joined: means stay as they are, intervals
    move a little.

    Raises: ValueError where probabilities of a unit's states do not add up to 1, or calls are negative.
    """
    ids = units.select("unit_id").unique().sort("unit_id")
    stated = ids.join(unit_states, on="unit_id", how="left").with_columns(
        pl.col("probability", "cold_calls_per_winter").cast(pl.Float64).fill_null(0.0),
        pl.col("is_sound").fill_null(value=True),
        pl.col("state").fill_null("sound"),
    )
    _check(unit_states)
    probability, calls, background = _by_state(stated, ids.height)
    given = ids.join(unit_causes, on="unit_id", how="left").sort("unit_id")
    one = {name: given[name].cast(pl.Float64).fill_null(0.0).to_numpy().clip(0, 1) for name in _CAUSE_COLUMNS}
    by_charge = _CHARGE_SHARE * one["p_low_charge"]
    no_control = np.minimum(one["p_no_control"], 1 - one["p_bypassed"])
    overcome = np.maximum(1 - one["p_bypassed"] - no_control, 0.0)
    else_ = 1 - by_charge
    causes = np.column_stack([else_ * one["p_bypassed"], else_ * no_control, by_charge, else_ * overcome])
    probability, avoidable = _joined(probability, np.maximum(calls - background[:, None], 0.0))
    return Conditions(
        tuple(ids["unit_id"]),
        probability,
        avoidable,
        background,
        causes,
        {LP_JUMPERED: one["p_lp_jumpered"], ECONOMIZER_IDLE: one["p_economizer_idle"]},
        one["p_low_charge"],
    )


def _check(unit_states: pl.DataFrame) -> None:
    sums = unit_states.group_by("unit_id").agg(pl.col("probability").sum()).sort("unit_id")
    wrong = sums.filter((pl.col("probability") - 1).abs() > 1e-3)
    if wrong.height:
        raise ValueError(
            f"states of {wrong['unit_id'][0]} have probabilities that add up to {wrong['probability'][0]:.6g}"
        )
    if unit_states.height and not unit_states["cold_calls_per_winter"].fill_null(0).ge(0).all():
        raise ValueError("a state has fewer cold calls than none")


def _joined(probability: Array, avoidable: Array) -> tuple[Array, Array]:
    """At most `_MOST_STATES` states a unit, each as probable as its parts together, with their mean calls."""
    if probability.shape[1] <= _MOST_STATES:
        return probability, avoidable
    order = np.argsort(avoidable, axis=1, kind="stable")
    p, calls = (np.take_along_axis(each, order, axis=1) for each in (probability, avoidable))
    begins = np.array([part[0] for part in np.array_split(np.arange(p.shape[1]), _MOST_STATES)])
    total, product = (np.add.reduceat(each, begins, axis=1) for each in (p, p * calls))
    return total, product / np.where(total > 0, total, 1.0)


def _by_state(stated: pl.DataFrame, count: int) -> tuple[Array, Array, Array]:
    """Probability and calls of the states that are not sound (units, states), and the background (units,)."""
    row = stated["unit_id"].rank("dense").to_numpy().astype(np.intp) - 1
    sound = stated["is_sound"].to_numpy()
    chance, calls = stated["probability"].to_numpy(), stated["cold_calls_per_winter"].to_numpy()
    weight = np.bincount(row[sound], chance[sound], count)
    plain = np.bincount(row[sound], calls[sound], count) / np.maximum(np.bincount(row[sound], minlength=count), 1)
    weighed = np.bincount(row[sound], chance[sound] * calls[sound], count)
    background = np.where(weight > 0, weighed / np.where(weight > 0, weight, 1), plain)
    names = sorted(set(stated.filter(~pl.col("is_sound"))["state"]))
    column = {name: place for place, name in enumerate(names)}
    table = np.zeros((2, count, max(len(names), 1)))
    unsound = np.flatnonzero(~sound)
    places = np.array([column[name] for name in stated["state"].gather(unsound)], dtype=np.intp)
    table[0, row[unsound], places] = chance[unsound]
    table[1, row[unsound], places] = calls[unsound]
    return table[0], table[1], background
