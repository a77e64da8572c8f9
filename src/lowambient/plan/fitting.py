"""Which packages fit a unit, and for the others the reason why not, as a sentence."""

from collections.abc import Iterator, Mapping, Sequence
from functools import reduce

import numpy as np
import numpy.typing as npt
import polars as pl

from lowambient import reference
from lowambient.plan.climate import ColdShares
from lowambient.plan.conditions import (
    CONTROL_OUT,
    ECONOMIZER_IDLE,
    LOW_CHARGE,
    LP_JUMPERED,
    NO_CONTROL,
    OVERCOME,
    Conditions,
)
from lowambient.plan.options import (
    BAFFLES,
    CHARGE,
    CHECK,
    DELAY,
    DO_NOTHING,
    ECONOMIZER,
    FAN_CYCLING,
    FAN_SPEED,
    FLOODED,
    LP_SWITCH,
    RECONNECT,
    Package,
)
from lowambient.refrigerant.names import canonical_names

_HAS_CONTROL = ("fan cycling", "fan speed", "fan staging by ambient", "flooded", "dampers")
_BY_PRESSURE = tuple(control for control in _HAS_CONTROL if control != "fan staging by ambient")
"""Controls that go by head pressure; stages that go by outdoor temperature do not see a low load."""
_FLAMMABLE = ("A2L", "A2", "A3", "B2L", "B2", "B3")
_P = {
    "p_out": CONTROL_OUT,
    "p_none": NO_CONTROL,
    "p_overcome": OVERCOME,
    "p_charge": LOW_CHARGE,
    "p_jumpered": LP_JUMPERED,
    "p_economizer": ECONOMIZER_IDLE,
}
_ANSWERS = {
    RECONNECT: ("p_out", "p_overcome"),
    FAN_CYCLING: ("p_out", "p_none", "p_overcome"),
    FAN_SPEED: ("p_out", "p_none", "p_overcome"),
    FLOODED: ("p_out", "p_none", "p_overcome"),
    BAFFLES: ("p_out", "p_none", "p_overcome"),
    DELAY: ("p_out", "p_none", "p_overcome"),
    LP_SWITCH: ("p_jumpered",),
    ECONOMIZER: ("p_economizer",),
    CHARGE: ("p_charge",),
    CHECK: ("p_out", "p_none", "p_charge"),
}
_WHAT = {
    "p_out": "a head-pressure control that is out",
    "p_none": "a missing head-pressure control",
    "p_overcome": "a head-pressure control that does not suffice",
    "p_charge": "low charge",
    "p_jumpered": "a jumpered LP switch",
    "p_economizer": "an idle economizer",
}

Rule = tuple[pl.Expr, pl.Expr]
"""Where a rule refuses, and the sentence it says then."""


def unit_facts(
    units: pl.DataFrame,
    unit_counts: pl.DataFrame,
    unit_limits: pl.DataFrame,
    winter_minimums: pl.DataFrame,
    known: Conditions,
) -> pl.DataFrame:
    """What fitting asks about each unit; grain unit, sorted. `units`: the input table; `winter_minimums`: station_id,
    winter_minimum_c."""
    listed = units.select(
        "unit_id",
        "site_id",
        "description",
        "refrigerant",
        "duty",
        "head_control",
        "heat_pump",
        "lp_switch_at",
        "economizer",
        "coverage",
        "outage_cost_per_h",
        pl.col("circuits").fill_null(1),
        "condenser_fans",
        "shared_condenser",
    ).sort("unit_id")
    counts = unit_counts.select("unit_id", "station_id", "still_served", "cold_hours_typical", "winters")
    return (
        listed.join(counts, on="unit_id", how="left", maintain_order="left")
        .join(
            unit_limits.select("unit_id", "demand_from_c", "starve_ambient_c"),
            on="unit_id",
            how="left",
            maintain_order="left",
        )
        .join(
            winter_minimums.select("station_id", "winter_minimum_c"), on="station_id", how="left", maintain_order="left"
        )
        .with_columns(
            pl.col("still_served").fill_null(value=False),
            pl.col("head_control").cast(pl.String).fill_null("unknown"),
            _flammable(listed["refrigerant"]),
            *(pl.Series(name, known.of(condition)) for name, condition in _P.items()),
        )
    )


def holds_to_c(facts: pl.DataFrame, package: Package) -> npt.NDArray[np.float64]:
    """Coldest outdoor temperature that head pressure is held to with the package, for each unit; NaN for a package
    that holds none. A control that is reconnected holds as far as its kind does, where the unit list says the kind."""
    lowest = np.full(facts.height, np.nan if package.lowest_ambient_c is None else package.lowest_ambient_c)
    if RECONNECT not in package.names:
        return lowest
    own = pl.when(pl.col("head_control").is_in(_HAS_CONTROL)).then(pl.col("starve_ambient_c"))
    return np.asarray(np.fmin(lowest, facts.select(own.cast(pl.Float64)).to_series().fill_null(np.nan).to_numpy()))


def fitting(
    facts: pl.DataFrame, packages: Sequence[Package], shares: ColdShares, thresholds: Mapping[str, float]
) -> tuple[pl.DataFrame, npt.NDArray[np.bool_]]:
    """The table `option_fit`, and the same as an array (units, packages).

    Grain: unit_id, option (a package, or `do nothing`), in order of units and packages. `fits`; `reason`: why not, or
    what has to be made sure of first.
    """
    columns = [_fit(facts, package, shares, thresholds) for package in packages]
    rows = [
        facts.select(
            "unit_id",
            pl.lit(place).alias("place"),
            pl.lit(package.name).alias("option"),
            refused.is_null().alias("fits"),
            pl.Series("reason", pl.select(pl.coalesce(refused, said)).to_series()),
        )
        for place, (package, (refused, said)) in enumerate(zip(packages, columns, strict=True))
    ]
    nothing = facts.select(
        "unit_id",
        pl.lit(len(packages)).alias("place"),
        pl.lit(DO_NOTHING).alias("option"),
        pl.lit(value=True).alias("fits"),
        pl.lit("It is left as it is.").alias("reason"),
    )
    whole = pl.col("place").cast(pl.Int64)
    table = pl.concat([each.with_columns(whole) for each in (*rows, nothing)]).sort("unit_id", "place").drop("place")
    fits = np.column_stack([refused.is_null().to_numpy() for refused, _ in columns])
    return table, fits


def _fit(
    facts: pl.DataFrame, package: Package, shares: ColdShares, thresholds: Mapping[str, float]
) -> tuple[pl.Series, pl.Series]:
    """Why each unit refuses the package (null where it fits), and what is said where it fits."""
    limit_c = holds_to_c(facts, package)
    seen = facts.with_columns(
        pl.Series("limit_c", limit_c, nan_to_null=True),
        pl.Series("share_below", shares.below(limit_c), nan_to_null=True),
    )
    rules = list(_rules(package, thresholds))
    refused = reduce(
        lambda later, rule: pl.when(rule[0]).then(rule[1]).otherwise(later), reversed(rules), pl.lit(None, pl.String)
    )
    said = pl.lit(f"{_sentence(package.needs)}") if package.needs else pl.lit("")
    told = seen.select(
        refused.alias("refused"), (_about_cold(package, thresholds) + said).str.strip_chars().alias("said")
    )
    return told["refused"], told["said"]


def _rules(package: Package, thresholds: Mapping[str, float]) -> Iterator[Rule]:
    names = package.names
    if not package.offered:
        yield pl.lit(value=True), pl.lit("The profile does not offer it.")
    yield ~pl.col("still_served"), pl.lit("The unit is no longer in service.")
    yield (
        pl.col("cold_hours_typical") <= 0,
        pl.lit("No hour of a typical winter is cold for it while cooling can be wanted."),
    )
    for name in names:
        yield from _OWN[name]()
    yield from _likely(package, thresholds)
    yield from _jumpered(names, thresholds)
    if package.lowest_ambient_c is not None and RECONNECT not in names:
        yield from _climate(thresholds["option_below_limit_most"])


def _control_is_listed() -> Iterator[Rule]:
    yield (
        pl.col("head_control") == "none",
        pl.lit("The unit list says that it has no head-pressure control to reconnect."),
    )
    yield pl.col("head_control") == "floating", pl.lit("Its head pressure floats by design.")


def _no_control_is_listed(kind: str) -> Iterator[Rule]:
    yield pl.col("head_control") == "floating", pl.lit("Its head pressure floats by design.")
    has = pl.col("head_control").is_in(_BY_PRESSURE)
    yield (
        has,
        pl.format("The unit list says {}: put that right before {} is fitted beside it.", "head_control", pl.lit(kind)),
    )


def _fan_cycling() -> Iterator[Rule]:
    yield from _no_control_is_listed("a fan-cycling control")
    shared = pl.col("shared_condenser").fill_null(value=False) & (pl.col("circuits") > 1)
    yield shared, pl.lit("Its circuits share the condenser fans: a switch on one circuit stops the air of the other.")


def _fan_speed() -> Iterator[Rule]:
    yield from _no_control_is_listed("a fan-speed control")
    shared = pl.col("shared_condenser").fill_null(value=False) & (pl.col("circuits") > 2)
    yield shared, pl.lit("More than two circuits share the condenser fans: no one pressure can set their speed.")


def _flooded() -> Iterator[Rule]:
    yield from _no_control_is_listed("a flooding valve")
    yield (
        pl.col("heat_pump").fill_null(value=False),
        pl.lit("It is a heat pump: a flooding valve stands against the flow in heating."),
    )
    yield (
        pl.col("flammable"),
        pl.format(
            "{} is flammable: the charge that a flooded condenser needs is the maker's to approve.",
            pl.col("refrigerant"),
        ),
    )


def _delay() -> Iterator[Rule]:
    at_liquid = pl.col("lp_switch_at").cast(pl.String) == "liquid"
    yield (
        at_liquid,
        pl.lit("Its LP switch sits in the liquid line and guards the charge: a delay would take that guard away."),
    )


def _baffles() -> Iterator[Rule]:
    yield pl.col("head_control") == "floating", pl.lit("Its head pressure floats by design.")


def _economizer() -> Iterator[Rule]:
    yield ~pl.col("economizer").fill_null(value=False), pl.lit("The unit list names no economizer.")
    yield pl.col("duty").cast(pl.String) == "refrigeration", pl.lit("Outdoor air cannot cool a refrigerated space.")


def _nothing_more() -> Iterator[Rule]:
    return iter(())


_OWN = {
    RECONNECT: _control_is_listed,
    FAN_CYCLING: _fan_cycling,
    FAN_SPEED: _fan_speed,
    FLOODED: _flooded,
    BAFFLES: _baffles,
    DELAY: _delay,
    LP_SWITCH: _nothing_more,
    ECONOMIZER: _economizer,
    CHARGE: _nothing_more,
    CHECK: _nothing_more,
}


def _likely(package: Package, thresholds: Mapping[str, float]) -> Iterator[Rule]:
    """Some condition that each option answers has to be likely enough."""
    for name in package.names:
        answers = _ANSWERS[name]
        p = pl.sum_horizontal(answers)
        what = " or ".join(_WHAT[answer] for answer in answers)
        sentence = pl.format("Little speaks for {}: probability {} %.", pl.lit(what), (100 * p).round(0).cast(pl.Int64))
        yield p < thresholds["option_least_probability"], sentence


def _jumpered(names: tuple[str, ...], thresholds: Mapping[str, float]) -> Iterator[Rule]:
    if LP_SWITCH in names or CHECK in names:
        return
    likely = pl.col("p_jumpered") >= thresholds["lp_jumpered_likely"]
    yield (
        likely,
        pl.lit("Its LP switch is likely jumpered: it is put right, like for like, with whatever else is done."),
    )


def _climate(most_below: float) -> Iterator[Rule]:
    # the typical minimum decides first: an option that holds down to it holds all winter
    colder = pl.col("winter_minimum_c").fill_null(-99.0) < pl.col("limit_c")
    sentence = pl.format(
        "It holds down to {}; a typical winter here reaches {}, and {} % of the cold hours lie below its limit.",
        _both_of("limit_c"),
        _both_of("winter_minimum_c"),
        (100 * pl.col("share_below")).round(0).cast(pl.Int64),
    )
    yield colder & (pl.col("share_below") > most_below), sentence


def _about_cold(package: Package, thresholds: Mapping[str, float]) -> pl.Expr:
    if package.lowest_ambient_c is None:
        return pl.lit("")
    below = pl.format(
        "Holds down to {}; {} % of the cold hours lie below, where {} % of its effect is counted. ",
        _both_of("limit_c"),
        (100 * pl.col("share_below")).round(0).cast(pl.Int64),
        pl.lit(round(100 * thresholds["effect_below_limit"])),
    )
    not_known = pl.format("Holds down to {}; what a typical winter reaches here is not known. ", _both_of("limit_c"))
    return pl.when(pl.col("share_below").is_null()).then(not_known).otherwise(below)


def _both_of(column: str) -> pl.Expr:
    celsius = pl.col(column)
    fahrenheit = (celsius * 1.8 + 32).round(0).cast(pl.Int64)
    return pl.format("{} °F ({} °C)", fahrenheit, celsius.round(0).cast(pl.Int64)).fill_null("a temperature not known")


def _sentence(needs: str) -> str:
    return f"Make sure of: {needs}."


def _flammable(written: pl.Series) -> pl.Series:
    names, _ = canonical_names(written.drop_nulls().unique(maintain_order=True))
    safety = {row["name"]: row["safety_class"] for row in reference.rows("refrigerants")}
    burns = {text: safety.get(name, "") in _FLAMMABLE for text, name in names.items() if name}
    return (
        written.replace_strict(burns, default=False, return_dtype=pl.Boolean).fill_null(value=False).alias("flammable")
    )
