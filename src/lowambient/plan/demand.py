"""When a unit can be asked to cool, can starve and cannot reset: the outdoor temperatures that make cold hours."""

from collections.abc import Mapping
from functools import cache

import polars as pl

from lowambient import reference
from lowambient.refrigerant.names import canonical_names
from lowambient.refrigerant.reset_ambient import reset_ambient_c
from lowambient.refrigerant.table import saturation_table
from lowambient.refrigerant.usual_settings import KPA_PER_PSI, usual_setting

"""NIST SP 811 (2008), appendix B."""

LISTED, USUAL, CANNOT_TELL = "listed", "usual", "cannot tell"


def unit_limits(
    units: pl.DataFrame,
    sites: pl.DataFrame,
    thresholds: Mapping[str, float],
    contradicted_duty: pl.DataFrame | None = None,
) -> pl.DataFrame:
    """The outdoor temperatures that decide which hours are cold ones for each unit.

    Grain: unit, sorted. Columns, all °C to thousandths:

    - `demand_from_c`: mechanical cooling can be wanted from here up; null for any temperature. `demand_source`:
      `listed` duty, `not recorded`, or `contradicted by calls`.
    - `starve_ambient_c`: below it the circuit can trip; `starve_source`: `listed` or `not recorded` head control.
    - `reset_ambient_c`: bubble temperature at the LP switch's reset; `reset_source`: `listed` setting, `usual` setting
      of the refrigerant, or `cannot tell`, and then null.
    - `reset_cold_below_c`: outdoors below this a tripped switch stays open: the lower of reset and starve ambient. For
      refrigeration the colder of outdoors and space counts, so where the space itself is colder than the reset
      ambient it is the starve ambient. To tenths, as weather is. Null where the reset ambient is.

    `units` and `sites` are the input tables; a site that is missing or has no elevation is taken at sea level.
    `contradicted_duty` (unit_id, episodes) tells of units listed as comfort cooling that had low-pressure calls when
    nobody needs comfort cooling: from `duty_contradicted_episodes` on, any hour counts as demand. That makes
    exposure depend on calls, for few units, because leaving them without any cold hours would hide them.

    Limits: a listed head control may have been bypassed; then the unit starves in warmer weather than is said here.
    """
    located = units.select("unit_id", "site_id", "refrigerant", "duty", "head_control", "space_c", "lp_reset_kpa").join(
        sites.select("site_id", pl.col("elevation_m").fill_null(0.0)), on="site_id", how="left", maintain_order="left"
    )
    resets = [
        _reset(*key)
        for key in located.select(
            _canonical(located["refrigerant"]).alias("refrigerant"),
            "duty",
            "lp_reset_kpa",
            pl.col("elevation_m").fill_null(0.0),
        ).iter_rows()
    ]
    contradicted = pl.col("contradicted") & (pl.col("duty") == "comfort")
    return (
        located.with_columns(
            pl.Series("reset_ambient_c", [reset for reset, _ in resets], dtype=pl.Float64).round(3),
            pl.Series("reset_source", [source for _, source in resets], dtype=pl.String),
            _looked_up("head_control", _temperatures("starve_ambients", "head_control", thresholds)).alias(
                "starve_ambient_c"
            ),
            _source(pl.col("head_control").cast(pl.String).fill_null("unknown") != "unknown").alias("starve_source"),
            _contradicted(units["unit_id"], contradicted_duty, thresholds["duty_contradicted_episodes"]),
        )
        .with_columns(
            pl.when(contradicted)
            .then(None)
            .otherwise(_looked_up("duty", _temperatures("demand", "duty", thresholds)))
            .alias("demand_from_c"),
            pl.when(contradicted)
            .then(pl.lit("contradicted by calls"))
            .otherwise(_source(pl.col("duty").is_not_null()))
            .alias("demand_source"),
            _reset_cold_below_c().round(1).alias("reset_cold_below_c"),
        )
        .select(
            "unit_id",
            "demand_from_c",
            "demand_source",
            "starve_ambient_c",
            "starve_source",
            "reset_ambient_c",
            "reset_source",
            "reset_cold_below_c",
        )
        .sort("unit_id")
    )


@cache
def _reset(
    refrigerant: str | None, duty: str | None, listed_kpa: float | None, elevation_m: float
) -> tuple[float | None, str]:
    """Reset ambient, °C, and where it comes from; `refrigerant` is canonical, null for one without a table.

    A refrigeration control is set to its box, so no usual setting is taken for it.
    """
    if refrigerant is None:
        return None, CANNOT_TELL
    if listed_kpa is not None:
        bubble_c = saturation_table(refrigerant).bubble_c(listed_kpa)
        return (bubble_c, LISTED) if bubble_c is not None else (None, CANNOT_TELL)
    usual = None if duty == "refrigeration" else usual_setting(refrigerant, "lp reset")
    if usual is None:
        return None, CANNOT_TELL
    of_refrigerant, psig = usual
    return reset_ambient_c(of_refrigerant, psig * KPA_PER_PSI, elevation_m), USUAL


def _canonical(written: pl.Series) -> pl.Series:
    names, _ = canonical_names(written.drop_nulls().unique(maintain_order=True))
    return written.replace_strict(names, default=None, return_dtype=pl.String)


def _temperatures(table: str, column: str, thresholds: Mapping[str, float]) -> dict[str, float]:
    """Temperatures by what the unit list says (empty text: nothing), from a table that names thresholds."""
    rows = reference.rows(table)
    return {row[column]: round(thresholds[row["threshold"]], 3) for row in rows if row["threshold"]}


def _looked_up(column: str, temperatures: dict[str, float]) -> pl.Expr:
    written = pl.col(column).cast(pl.String).fill_null("")
    return written.replace_strict(temperatures, default=None, return_dtype=pl.Float64)


def _source(is_listed: pl.Expr) -> pl.Expr:
    return pl.when(is_listed).then(pl.lit(LISTED)).otherwise(pl.lit("not recorded"))


def _contradicted(unit_ids: pl.Series, contradicted_duty: pl.DataFrame | None, episodes: float) -> pl.Series:
    if contradicted_duty is None:
        return pl.Series("contradicted", [False] * len(unit_ids), dtype=pl.Boolean)
    named = contradicted_duty.filter(pl.col("episodes") >= episodes)["unit_id"]
    return unit_ids.is_in(named.implode()).alias("contradicted")


def _reset_cold_below_c() -> pl.Expr:
    starve, reset = pl.col("starve_ambient_c"), pl.col("reset_ambient_c")
    space_is_colder = (pl.col("duty") == "refrigeration") & (pl.col("space_c") < reset)
    return (
        pl.when(reset.is_null())
        .then(None)
        .when(space_is_colder)
        .then(starve)
        .otherwise(pl.min_horizontal(starve, reset))
    )
