"""What the retrofit plan is made from."""

from collections.abc import Mapping
from dataclasses import dataclass

import polars as pl

from lowambient.profile import Costs, OptionProfile, PlanLimits


@dataclass(frozen=True)
class PlanInputs:
    """Frames that the plan rests on, by the names of their tables, and what the profile says.

    `calls`: those that speak for what a cold call takes; `follow_up_by_work` as in `follow_up`; `station_hours`,
    `winter_minimums` as the marts.
    """

    units: pl.DataFrame
    sites: pl.DataFrame
    calls: pl.DataFrame
    unit_counts: pl.DataFrame
    unit_limits: pl.DataFrame
    unit_states: pl.DataFrame
    unit_causes: pl.DataFrame
    station_hours: pl.DataFrame
    winter_minimums: pl.DataFrame
    follow_up_by_work: pl.DataFrame
    costs: Costs
    limits: PlanLimits
    options: Mapping[str, OptionProfile]
    thresholds: Mapping[str, float]
