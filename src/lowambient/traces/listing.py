"""What the unit and site lists say of each circuit."""

import polars as pl

from lowambient.refrigerant.names import canonical_names
from lowambient.refrigerant.pressure import barometric_kpa
from lowambient.traces.circuit import Listed

TAKEN = (
    "duty",
    "head_control",
    "pump_down",
    "heat_pump",
    "lp_switch_at",
    "lp_cut_out_kpa",
    "lp_reset_kpa",
    "hp_cut_out_kpa",
    "fan_on_kpa",
    "fan_off_kpa",
    "condenser_fans",
    "shared_condenser",
    "space_c",
)


def listed_units(units: pl.DataFrame, sites: pl.DataFrame) -> dict[str, Listed]:
    """Each unit's facts by unit_id, for its circuit 1; a site without elevation is taken at sea level.

    `units` and `sites` are the input tables. A refrigerant without a saturation table is null.
    """
    names, _ = canonical_names(units["refrigerant"].drop_nulls().unique(maintain_order=True))
    elevation_m = dict(sites.select("site_id", "elevation_m").iter_rows())
    return {
        row["unit_id"]: Listed(
            unit_id=row["unit_id"],
            circuit="1",
            refrigerant=names.get(row["refrigerant"]),
            barometric_kpa=barometric_kpa(elevation_m.get(row["site_id"]) or 0.0),
            **{name: row[name] for name in TAKEN},
        )
        for row in units.iter_rows(named=True)
    }
