"""Both pressure switches of a circuit: which stops are their trips, where they act, what a rest is judged by."""

from dataclasses import dataclass

import numpy as np

from lowambient.refrigerant.usual_settings import usual_kpa
from lowambient.traces.brackets import REPEATABILITY_KPA, Estimate
from lowambient.traces.circuit import Listed, Mask, Trace
from lowambient.traces.held_out import Standing
from lowambient.traces.known import Known, SwitchLimit, hp_known, lp_known, switch_limit
from lowambient.traces.lockouts import Tripped
from lowambient.traces.resets import lp_reset
from lowambient.traces.runs import SPLIT, Running
from lowambient.traces.steady import may_heat_unseen
from lowambient.traces.stops import Stops
from lowambient.traces.trips import Judged, high_pressure, low_pressure

Noises = tuple[float, float]
"""Standard deviations of suction and of head, kPa."""


@dataclass(frozen=True)
class Switches:
    """Both switches as judged, what was known of each before, the reset of the low one as found, and as found, listed
    or usual (absolute kPa); `blurs`: the doubt of a reading of suction and of head at a switch, kPa."""

    low: Judged
    high: Judged
    of_low: Known
    of_high: Known
    reset: Estimate | None
    reset_kpa: float | None
    blurs: Noises

    def tripped(self, stops: Stops, step_s: float) -> Tripped:
        """Stops that are trips of either; one that may be both is the likelier one's."""
        low, high = self.low.probability, self.high.probability
        return Tripped(
            _low_trips(self.low, self.high, stops, step_s),
            self.high.trips(stops, step_s) & ~(low > high),
            np.maximum(low, high),
        )

    def limits(self, known: Listed) -> tuple[SwitchLimit | None, SwitchLimit | None]:
        """Where running lies beyond the low and the high switch; null where that is not known."""
        return (
            switch_limit(self.low.cut_out, self.of_low, self.blurs[0], known.duty is not None),
            switch_limit(self.high.cut_out, self.of_high, self.blurs[1], True),
        )

    def standing(self, trace: Trace, known: Listed, stops: Stops) -> Standing:
        """What a circuit at rest is judged by."""
        return Standing(
            self.reset_kpa,
            self.blurs,
            known.duty,
            cut_outs_kpa=(_acts_kpa(self.low, self.of_low), _acts_kpa(self.high, self.of_high)),
            pumps_down=known.pump_down,
            may_heat=may_heat_unseen(trace, known),
            latches=self.low.latches,
            coldest_run_c=stops.coldest_run_c,
        )


def judged_switches(
    trace: Trace, running: Running, stops: Stops, known: Listed, fan_on: Estimate | None, noises: Noises
) -> Switches:
    """Both switches, judged by all stops; `fan_on`: where a fan comes on, null where that cannot be told."""
    from_split = running.from_what == SPLIT
    at_switch = at_low_switch(trace, known)
    of_low = lp_known(known, trace.refrigerant, from_split)
    of_high = hp_known(known, trace.refrigerant, from_split, fan_on)
    low = low_pressure(at_switch, running, stops, of_low, noises[0])
    high = high_pressure(trace, running, stops, of_high, noises[1])
    usual_reset = usual_kpa(trace.refrigerant, "lp reset", known.barometric_kpa) if trace.refrigerant else None
    is_low = _low_trips(low, high, stops, trace.step_s)
    reset = lp_reset(at_switch, stops, is_low, (known.lp_reset_kpa, usual_reset), noises[0], from_split)
    reset_kpa = reset.kpa if reset else known.lp_reset_kpa or usual_reset
    blurs = float(np.hypot(noises[0], REPEATABILITY_KPA)), float(np.hypot(noises[1], REPEATABILITY_KPA))
    return Switches(low, high, of_low, of_high, reset, reset_kpa, blurs)


def at_low_switch(trace: Trace, listed: Listed) -> Trace:
    """The trace with the pressure that the low-pressure switch sees in place of suction."""
    if listed.lp_switch_at != "liquid" or not trace.head_tap:
        return trace
    return trace.with_channels(suction_kpa=trace.head_kpa)


def _low_trips(low: Judged, high: Judged, stops: Stops, step_s: float) -> Mask:
    return low.trips(stops, step_s) & ~(high.probability > low.probability)


def _acts_kpa(judged: Judged, known: Known) -> float | None:
    """Where a switch cuts out, as found, listed or usual."""
    return judged.cut_out.kpa if judged.cut_out else known.listed_kpa or known.usual_kpa
