"""What checks on site say of all probabilities of a flag: too high, too low, by how much.

Each check compares what was found with the probability that the flag had just before it. That comparison is fair
although units are mostly looked at where the probability is high, because it asks only what came true among those of
like probability; units drawn at random fill in the low end.
"""

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from lowambient.flags.signs import Piece, check_sentence

Array = npt.NDArray[np.float64]
Rows = Sequence[tuple[Piece, float]]

FEWEST = 5
"""Checks of a flag from which all its probabilities may move (judgement)."""
USUAL_SHIFT = 0.35
"""Standard deviation of the shift beforehand, natural log odds (judgement): small, because
whoever chose the units to check may have known more than the records say."""


def fleet_shift(pieces: Rows, flag: str) -> tuple[float, str] | None:
    """Shift of the log odds of a flag over the whole fleet, with its sentence; None without enough checks.

    `pieces`: of all units, within a unit in the order in which they were added, with weights. The shift b maximises
    the sum of log P(found | log odds before + b) less b**2 / (2 USUAL_SHIFT**2).
    """
    before: dict[int, float] = {}
    odds, found = [], []
    outcomes = {check_sentence(flag, "confirmed"): True, check_sentence(flag, "not found"): False}
    for piece, weight in pieces:
        held = before.get(piece.unit, 0.0)
        if piece.kind == "check" and piece.sentence in outcomes:
            odds.append(held)
            found.append(outcomes[piece.sentence])
        before[piece.unit] = held + weight
    if len(odds) < FEWEST:
        return None
    shift = _most_likely(np.array(odds), np.array(found, dtype=np.float64))
    expected = float((1 / (1 + np.exp(-np.array(odds)))).sum())
    came = f"{sum(found)} times where {expected:.1f} were to be expected"
    sentence = f"Checks of this flag on {len(odds)} units found it {came}."
    return shift, sentence


def _most_likely(odds: Array, found: Array) -> float:
    """The shift, by Newton's method; the sum is concave."""
    shift = 0.0
    for _ in range(50):
        share = 1 / (1 + np.exp(-(odds + shift)))
        slope = float((found - share).sum()) - shift / USUAL_SHIFT**2
        step = slope / (float((share * (1 - share)).sum()) + 1 / USUAL_SHIFT**2)
        shift += step
        if abs(step) < 1e-10:
            break
    return shift
