"""What a visit says of a condition and does to it, from its statements, its words and its type of work."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from lowambient import reference
from lowambient.flags.history import STATEMENTS, Calls
from lowambient.flags.sources import MARKS

Array = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Effects:
    """One element a ticket: log odds for the condition just before the visit; probabilities that the visit ended it or
    brought it about."""

    odds: Array
    ends: Array
    begins: Array


def visit_effects(calls: Calls, condition: str) -> Effects:
    """The rows of `reference/visit_effects.tsv` for a condition, laid over all tickets; none where nobody went.

    Odds of several statements of one note are not added: the one that says most counts, because the note is one.
    """
    count = len(calls)
    most, least = np.zeros(count), np.zeros(count)
    stays, keeps_out = np.ones(count), np.ones(count)
    for row in reference.rows("visit_effects"):
        if row["condition"] != condition:
            continue
        certainty = _certainty(calls, row["sign_kind"], row["sign"])
        odds = float(row["odds"]) * certainty
        most, least = np.maximum(most, odds), np.minimum(least, odds)
        stays *= 1 - float(row["ends"]) * certainty
        keeps_out *= 1 - float(row["begins"]) * certainty
    went = calls.is_completed
    return Effects(
        np.where(went, most + least, 0.0), np.where(went, 1 - stays, 0.0), np.where(went, 1 - keeps_out, 0.0)
    )


def _certainty(calls: Calls, kind: str, sign: str) -> Array:
    if kind == "statement":
        return calls.statements[:, STATEMENTS.index(sign)]
    found = calls.mark == MARKS.index(sign) if kind == "words" else calls.work_type == sign
    return np.asarray(found.astype(np.float64))
