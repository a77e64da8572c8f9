"""One circuit as the analysis sees it: what the lists say of it, and its channels as arrays."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt
import polars as pl

from lowambient.records import inputs
from lowambient.refrigerant import saturation
from lowambient.traces.ranks import median

Array = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]
Index = npt.NDArray[np.int64]

CHANNELS = (*inputs.CHANNELS, "station_c", "station_wind_m_s")
EVERY = slice(None)
GAP_STEPS = 5.0
"""Logging intervals without a sample that make a gap; nothing is said about what happened inside one."""
SHORTEST_GAP_S = 120.0
HOUR_S = 3600.0


@dataclass(frozen=True)
class Listed:
    """What the unit list says of a circuit; pressures in absolute kPa, null where the list is blank.

    `circuit` is null for readings of a unit as a whole.
    """

    unit_id: str
    circuit: str | None
    refrigerant: str | None
    barometric_kpa: float
    duty: str | None = None
    head_control: str | None = None
    pump_down: bool | None = None
    heat_pump: bool | None = None
    lp_switch_at: str | None = None
    lp_cut_out_kpa: float | None = None
    lp_reset_kpa: float | None = None
    hp_cut_out_kpa: float | None = None
    fan_on_kpa: float | None = None
    fan_off_kpa: float | None = None
    condenser_fans: int | None = None
    shared_condenser: bool | None = None
    space_c: float | None = None

    def without_settings(self) -> "Listed":
        """The same circuit as if nothing were known of its switches."""
        return replace(
            self, lp_cut_out_kpa=None, lp_reset_kpa=None, hp_cut_out_kpa=None, fan_on_kpa=None, fan_off_kpa=None
        )


@dataclass(frozen=True)
class Trace:
    """Channels of one circuit by instant, each an array (samples,), NaN where nothing was read.

    `at_s` are seconds since 1970 UTC, strictly increasing; `step_s` is the usual time between two samples; flags are
    0, 1 or NaN; `cooling` is false where the unit is known to heat or defrost. `head_kpa` is the liquid tap, else the
    discharge tap, said in `head_tap` (empty where neither is logged).
    """

    at_s: Array
    step_s: float
    channels: Mapping[str, Array]
    refrigerant: str | None

    def __len__(self) -> int:
        return len(self.at_s)

    def __getitem__(self, channel: str) -> Array:
        return self.channels[channel]

    @cached_property
    def _was_read(self) -> dict[str, bool]:
        """What `has` found so far."""
        return {}

    def has(self, channel: str) -> bool:
        """Whether the channel was read at all."""
        if channel not in self._was_read:
            self._was_read[channel] = bool(np.isfinite(self.channels[channel]).any())
        return self._was_read[channel]

    @cached_property
    def head_tap(self) -> str:
        """The channel that stands for head pressure: liquid_kpa, discharge_kpa, or empty."""
        return next((tap for tap in ("liquid_kpa", "discharge_kpa") if self.has(tap)), "")

    @property
    def head_kpa(self) -> Array:
        """Head pressure at the liquid tap, else at the discharge tap."""
        return self.channels[self.head_tap or "liquid_kpa"]

    @cached_property
    def outdoor_c(self) -> Array:
        """Outdoor temperature at the condenser as logged, the station's where none was."""
        logged = self.channels["outdoor_c"]
        return np.where(np.isfinite(logged), logged, self.channels["station_c"])

    @cached_property
    def has_weather(self) -> bool:
        """Whether the outdoor temperature is known at all."""
        return bool(np.isfinite(self.outdoor_c).any())

    @cached_property
    def hours(self) -> Array:
        """Hours that each sample stands for: to the next one, at most one usual step."""
        lasts_s = np.diff(self.at_s, append=np.inf)
        return np.asarray(np.minimum(lasts_s, np.nan_to_num(self.step_s)) / HOUR_S)

    @cached_property
    def log_split(self) -> Array:
        """Natural logarithm of head over suction pressure, both absolute; NaN or infinite where that has none."""
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.asarray(np.log(self.head_kpa / self.channels["suction_kpa"]))

    @cached_property
    def cooling(self) -> Mask:
        """Samples at which the unit is not known to heat or defrost."""
        return np.asarray(self.channels["heating"] != 1.0)

    def condensing_c(self, samples: Index | slice = EVERY) -> Array:
        """Bubble temperature at a liquid tap, dew temperature at a discharge tap, of some samples or of all."""
        if self.head_tap == "liquid_kpa":
            return self.bubble_c("liquid_kpa", samples)
        return self.dew_c("discharge_kpa", samples)

    def bubble_c(self, channel: str, samples: Index | slice = EVERY) -> Array:
        """Bubble temperature of a pressure channel at some samples; NaN without a refrigerant."""
        kpa = self.channels[channel][samples]
        return np.full(len(kpa), np.nan) if self.refrigerant is None else saturation.bubble_c(self.refrigerant, kpa)

    def dew_c(self, channel: str, samples: Index | slice = EVERY) -> Array:
        """Dew temperature of a pressure channel at some samples; NaN without a refrigerant."""
        kpa = self.channels[channel][samples]
        return np.full(len(kpa), np.nan) if self.refrigerant is None else saturation.dew_c(self.refrigerant, kpa)

    @cached_property
    def gap_before(self) -> Mask:
        """Samples before which the log is silent for so long that they stand for themselves; the first is one."""
        limit_s = max(GAP_STEPS * self.step_s, SHORTEST_GAP_S)
        return np.concatenate([[True], np.diff(self.at_s) > limit_s])

    def with_channels(self, **changed: Array) -> "Trace":
        """The same trace with some channels replaced."""
        return replace(self, channels={**self.channels, **changed}) if changed else self


def trace_of(frame: pl.DataFrame, listed: Listed) -> Trace:
    """The trace of one circuit from its readings: in time order, each instant once.

    `frame` has read_at and whichever of CHANNELS were read; of rows with the same instant the means are taken.
    """
    read = what_was_read(frame)
    read_us = read["read_at"].dt.timestamp("us").to_numpy()
    if np.any(np.diff(read_us) <= 0):
        read = _in_order(read)
        read_us = read["read_at"].dt.timestamp("us").to_numpy()
    at_s = read_us / 1e6
    unread = np.full(len(at_s), np.nan)
    channels = {name: _numbers(read[name]) if name in read else unread for name in CHANNELS if name != "mode"}
    channels["heating"] = _heating(read["mode"]) if "mode" in read else unread
    step_s = median(np.diff(at_s)) if len(at_s) > 1 else np.nan
    return Trace(at_s, step_s, channels, listed.refrigerant)


def what_was_read(frame: pl.DataFrame) -> pl.DataFrame:
    """Readings with read_at and those of CHANNELS that have a value."""
    columns = (frame[name] for name in ("read_at", *CHANNELS) if name in frame.columns)
    return pl.DataFrame([each for each in columns if each.null_count() < len(each) or each.name == "read_at"])


def _numbers(column: pl.Series) -> Array:
    """A column as floats, NaN for null."""
    return column.cast(pl.Float64).to_numpy()


def _heating(mode: pl.Series) -> Array:
    """1 where the unit heats or defrosts, 0 where it does not, NaN where that is not known."""
    return _numbers(mode.cast(pl.String).is_in(["heating", "defrost"])) if mode.dtype != pl.Float64 else _numbers(mode)


def _in_order(frame: pl.DataFrame) -> pl.DataFrame:
    """Readings in time order; of rows with the same instant the means, a mode as its share of heating."""
    frame = frame.sort("read_at")
    if not frame["read_at"].is_duplicated().any():
        return frame
    mode = pl.col("^mode$").cast(pl.String).is_in(["heating", "defrost"]).cast(pl.Float64)
    values = frame.select("read_at", pl.exclude("read_at", "mode").cast(pl.Float64), mode)
    return values.unique().group_by("read_at").mean().sort("read_at")
