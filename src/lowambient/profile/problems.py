"""How a problem in a profile is worded: its key, what was found, what is allowed, and the nearest match."""

import json
import re
from collections.abc import Iterable
from typing import Any

from rapidfuzz import fuzz, process

_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")


def nearest(found: str, allowed: Iterable[str]) -> str | None:
    """The word of `allowed` that `found` most likely means, or null where none is near.

    >>> nearest("sucton_kpa", ["suction_kpa", "liquid_kpa"])
    'suction_kpa'
    """
    # A word of one or two letters is near to anything that contains it, and means nothing by that.
    candidates = [word for word in allowed if len(word) > 2 or len(found) <= 4]
    match = process.extractOne(found, candidates, scorer=fuzz.WRatio, processor=_folded, score_cutoff=65)
    return match[0] if match else None


def key(parent: str, name: str) -> str:
    """Dotted key of `name` under `parent`, quoted as TOML wants it."""
    shown = name if _BARE_KEY.fullmatch(name) else json.dumps(name, ensure_ascii=False)
    return f"{parent}.{shown}" if parent else shown


class Problems:
    """Collects problems, so that a person sees all of them at once.

    `lines` are sentences. Keys are relative to `prefix`; `under` gives a view of the same collection from a
    deeper key.
    """

    def __init__(self, prefix: str = "", known: dict[str, list[str]] | None = None) -> None:
        self._prefix = prefix
        self._known: dict[str, list[str]] = {} if known is None else known

    @property
    def lines(self) -> list[str]:
        """All sentences, those about one key together."""
        return [line for lines in self._known.values() for line in lines]

    def under(self, at: str) -> "Problems":
        """The same collection, with keys relative to `at`."""
        return Problems(self._full(at), self._known)

    def add(self, at: str, found: str, allowed: str) -> None:
        """Notes that key `at` holds `found` where `allowed` is."""
        full = self._full(at)
        self._known.setdefault(full, []).append(f"{full}: found {found}; allowed: {allowed}")

    def missing(self, at: str, wanted: str) -> None:
        """Notes that key `at` is not there."""
        full = self._full(at)
        self._known.setdefault(full, []).append(f"{full}: not given; {wanted}")

    def unknown(self, at: str, found: Any, allowed: Iterable[str], hint: str = "") -> None:
        """Notes a word outside `allowed`, with `hint`, else with the nearest one."""
        names = list(allowed)
        near = nearest(found, names) if isinstance(found, str) else None
        advice = hint or (f"did you mean {near}?" if near else "")
        listed = ", ".join(names) or "none"
        self.add(at, shown(found), f"{listed} ({advice})" if advice else listed)

    def touch(self, at: str) -> bool:
        """Whether a problem has been noted at `at`, below it, or at a table that it stands in."""
        full = self._full(at)
        return any(
            known == full or known.startswith((f"{full}.", f"{full}[")) or full.startswith(f"{known}.")
            for known in self._known
        )

    def _full(self, at: str) -> str:
        return f"{self._prefix}.{at}" if self._prefix and at else self._prefix or at


def shown(value: Any) -> str:
    """A TOML value as a person would recognise it, at most 60 characters."""
    if isinstance(value, dict):
        return "a table"
    text = json.dumps(value, ensure_ascii=False, default=str)
    return text if len(text) <= 60 else text[:57] + "..."


def _folded(word: str) -> str:
    return word.casefold().replace("_", " ").replace("-", " ").strip()
