"""Would a unit lock out in two or more cold spells of a typical winter, if it stays as it is?"""

from collections.abc import Mapping

import numpy as np
import numpy.typing as npt
from scipy import stats

from lowambient.flags.history import History
from lowambient.flags.sources import Source

Array = npt.NDArray[np.float64]


def calls_a_year(history: History, source: Source) -> Array:
    """Calls that a typical year at its station brings a unit in each state: unit by state; 0 without weather."""
    with_none = np.concatenate([history.year_hours, np.zeros((1, history.year_hours.shape[1]))])
    return np.asarray(with_none[history.station] @ source.hazards(history.coldest_c).T)


def recurring(calls: Array, thresholds: Mapping[str, float]) -> Array:
    """Probability of lockouts in at least `recurring_spells` separate spells, given calls expected a winter [-].

    Spells with a lockout are taken as Poisson of mean `lockout_spells_per_call` times the calls expected.
    """
    mean = thresholds["lockout_spells_per_call"] * calls
    return np.asarray(stats.poisson.sf(round(thresholds["recurring_spells"]) - 1, mean))
