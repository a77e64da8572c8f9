"""What a cold call costs, to whom, and where each figure comes from: the profile, the fleet's own calls, or assumed."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

from lowambient import reference
from lowambient.profile import Costs

Array = npt.NDArray[np.float64]

FROM_PROFILE, FROM_FLEET, ASSUMED = "profile", "fleet's own calls", "assumed"
CUSTOMER_PAYS = "time and material"
"""Coverage under which the customer pays each visit; taken too where the unit list does not say (judgement)."""

_COLUMNS = {"name": pl.String, "value": pl.Float64, "unit": pl.String, "standing": pl.String, "source": pl.String}


@dataclass(frozen=True)
class CallCosts:
    """Figures of one cold call. `figures`: by name as in `usual_costs.tsv`; `travel_h`: of sites with calls enough of
    their own; `assumptions`: grain name; value, unit, standing, source of every figure."""

    figures: Mapping[str, float]
    travel_h: Mapping[str, float]
    assumptions: pl.DataFrame

    @property
    def a_call(self) -> float:
        """Cost of one call: driving out, labour with its share after hours, parts [currency]."""
        one = self.figures
        dearer = 1 + one["after_hours_share"] * (one["after_hours_factor"] - 1)
        return one["truck_roll"] + one["call_labour_h"] * one["labour_per_h"] * dearer + one["call_parts"]

    def travel_of(self, sites: pl.Series) -> Array:
        """Hours of driving of one visit to each site."""
        usual = self.figures["call_travel_h"]
        return np.array([self.travel_h.get(site, usual) for site in sites], dtype=np.float64)

    def by_payer(self, facts: pl.DataFrame) -> tuple[Array, Array]:
        """What one call costs the contractor and what it costs the customer, for each unit of `facts` [currency].

        Under full maintenance and warranty the contractor bears the visit; otherwise it is billed to the customer, at
        what it costs. The customer also bears the hours without cooling, at the unit's outage_cost_per_h.
        """
        billed = facts["coverage"].cast(pl.String).fill_null(CUSTOMER_PAYS).eq(CUSTOMER_PAYS).to_numpy()
        hourly = facts["outage_cost_per_h"].cast(pl.Float64).fill_null(self.figures["outage_cost_per_h"]).to_numpy()
        outage = np.maximum(hourly, 0.0) * self.figures["outage_h"]
        return np.where(billed, 0.0, self.a_call), np.where(billed, self.a_call, 0.0) + outage


def call_costs(
    calls: pl.DataFrame, units: pl.DataFrame, sites: pl.DataFrame, costs: Costs, thresholds: Mapping[str, float]
) -> CallCosts:
    """Figures of one cold call from the profile, else from these calls, else usual ones that are said to be assumed.

    `calls`: grain call, the input table's columns, of the calls that speak for cold ones (the whole fleet's service
    calls where too few are cold). Medians, because one forgotten ticket can stand open for months. `outage_h`: from
    opening to closing. After hours: opened outside working hours on the site's own clock, or at the weekend.
    """
    usual = {row["name"]: (float(row["value"]), row["unit"], row["source"]) for row in reference.rows("usual_costs")}
    least = thresholds["own_costs_least_calls"]
    placed = _placed(calls, units, sites)
    own = {name: (value, count) for name, value, count in _own(placed, usual) if count >= least and value is not None}
    given = {name: value for name, value in vars(costs).items() if isinstance(value, float)}
    rows = []
    for name, (value, unit, source) in usual.items():
        if name in given:
            rows.append((name, given[name], unit, FROM_PROFILE, "profile, [costs]"))
        elif name in own:
            rows.append((name, float(own[name][0]), unit, FROM_FLEET, f"of {own[name][1]} calls"))
        else:
            rows.append((name, value, unit, ASSUMED, source))
    assumptions = pl.DataFrame(rows, schema=_COLUMNS, orient="row")
    by_site = placed.group_by("site_id").agg(pl.col("travel_h").median(), pl.col("travel_h").count().alias("count"))
    enough = by_site.filter(pl.col("count") >= least, pl.col("site_id").is_not_null())
    figures = dict(assumptions.select("name", "value").iter_rows())
    return CallCosts(figures, dict(enough.select("site_id", "travel_h").iter_rows()), assumptions)


def _placed(calls: pl.DataFrame, units: pl.DataFrame, sites: pl.DataFrame) -> pl.DataFrame:
    """Calls that were carried out, with their site and the local clock of their opening."""
    done = calls.filter(
        pl.col("work_type").cast(pl.String).fill_null("service") == "service",
        pl.col("status").cast(pl.String).fill_null("completed") == "completed",
    )
    zoned = (
        done.join(units.select("unit_id", "site_id"), on="unit_id", how="left", maintain_order="left")
        .join(sites.select("site_id", "time_zone"), on="site_id", how="left", maintain_order="left")
        .with_columns(pl.col("time_zone").fill_null("UTC"), pl.col("opened_at").dt.replace_time_zone("UTC"))
    )
    clocks = [
        part.with_columns(
            pl.col("opened_at")
            .dt.convert_time_zone(zone)
            .dt.replace_time_zone(None, ambiguous="earliest")
            .alias("local")
        )
        for (zone,), part in zoned.group_by("time_zone", maintain_order=True)
    ]
    return (
        pl.concat(clocks)
        if clocks
        else zoned.with_columns(pl.col("opened_at").dt.replace_time_zone(None).alias("local"))
    )


def _own(placed: pl.DataFrame, usual: Mapping[str, tuple[float, str, str]]) -> Iterator[tuple[str, float | None, int]]:
    """Figures of these calls and how many of them speak for each."""
    for name, column in (("call_labour_h", "labour_h"), ("call_travel_h", "travel_h"), ("call_parts", "parts_cost")):
        values = placed[column].cast(pl.Float64).drop_nulls()
        yield name, values.median(), len(values)  # type: ignore[misc]
    opened = placed["local"].dt
    in_hours = (opened.hour() >= usual["working_from_h"][0]) & (opened.hour() < usual["working_to_h"][0])
    yield "after_hours_share", (~(in_hours & (opened.weekday() <= 5))).mean(), placed.height  # type: ignore[misc]
    closed = placed["closed_at"].dt.replace_time_zone(None) - placed["opened_at"].dt.replace_time_zone(None)
    open_h = (closed.dt.total_seconds() / 3600).drop_nulls()
    yield "outage_h", open_h.median(), len(open_h)  # type: ignore[misc]
