"""Units of measure of foreign columns: the same table that the profile is validated against."""

from lowambient.profile.measures import Measure, measure, measure_names

__all__ = ["Measure", "measure", "measure_names"]
