"""Refrigerant names as people write them, brought to one canonical name."""

import re
import unicodedata
from collections.abc import Iterable
from difflib import get_close_matches
from functools import cache

from lowambient.errors import RefrigerantRefused
from lowambient.refrigerant.catalogue import refrigerants

_WORD = "(?:refrigerant|gas|freon)"
"""Words of the trade that stand before or after a number and mean any refrigerant."""
_DESIGNATION = re.compile(rf"{_WORD}?(?:hcfo|hcfc|hfc|cfc|hfo|pfc|hc|fc|r)*(?P<number>\d.*?){_WORD}?")
_BETWEEN_WORDS = re.compile(r"[\s/,;&+()]+|->|→")


def canonical_name(written: str) -> str:
    """The canonical name of the refrigerant that `written` means.

    Prefixes (R, HFC, HCFC, CFC, HFO, HC, or the word refrigerant), spaces, dashes, case and full-width characters
    do not matter.

    Raises: RefrigerantRefused when the name is unknown (with the nearest names), means several refrigerants, or
    names a blend whose saturation temperature cannot be computed (with the reason).

    >>> canonical_name("HFC 410a"), canonical_name("r1234ze (e)"), canonical_name("Propane")
    ('R-410A', 'R-1234ze(E)', 'R-290')
    """
    name = _found(written)
    if name is None:
        raise RefrigerantRefused(_unknown(written))
    refused = refrigerants()[name].refused
    if refused:
        raise RefrigerantRefused(f"{name} has no saturation table: {refused}")
    return name


def canonical_names(written: Iterable[str]) -> tuple[dict[str, str], dict[str, str]]:
    """Canonical names of the distinct values of `written`, and the reasons for those refused; keys as written."""
    names: dict[str, str] = {}
    reasons: dict[str, str] = {}
    for value in dict.fromkeys(written):
        try:
            names[value] = canonical_name(value)
        except RefrigerantRefused as refusal:
            reasons[value] = str(refusal)
    return names, reasons


def _found(written: str) -> str | None:
    whole = _one(written)
    words = {_one(word) for word in _words(written)}
    return whole or (words.pop() if len(words) == 1 else None)


def _one(written: str) -> str | None:
    squeezed = _squeezed(written)
    designation = _DESIGNATION.fullmatch(squeezed)
    if squeezed in _spellings() or designation is None:
        return _spellings().get(squeezed)
    return _spellings().get("r" + designation["number"].replace("o", "0"))  # no designation has the letter o


def _words(written: str) -> list[str]:
    words = _BETWEEN_WORDS.split(unicodedata.normalize("NFKC", written))
    return [word for word in words if _squeezed(word)]


@cache
def _spellings() -> dict[str, str]:
    spellings = {}
    for name, refrigerant in refrigerants().items():
        for spelling in (name, *refrigerant.aliases):
            spellings[_squeezed(spelling)] = name
    return spellings


def _squeezed(text: str) -> str:
    folded = unicodedata.normalize("NFKC", text).casefold()
    return "".join(character for character in folded if character.isalnum())


def _unknown(written: str) -> str:
    squeezed = _squeezed(written)
    if not squeezed:
        return "no refrigerant is named"
    named = list(dict.fromkeys(name for word in _words(written) if (name := _one(word))))
    if len(named) > 1:
        return f"“{written}” names more than one refrigerant: {', '.join(named)}"
    family = _family(squeezed)
    if family:
        return f"“{written}” does not say which: {', '.join(family)}"
    near = get_close_matches(squeezed, _spellings(), n=3, cutoff=0.6)
    nearest = dict.fromkeys([*named, *(_spellings()[spelling] for spelling in near)])
    advice = f"; nearest: {', '.join(nearest)}" if nearest else ""
    return f"“{written}” is not a refrigerant known here{advice}"


def _family(squeezed: str) -> list[str]:
    """Tabulated refrigerants that `squeezed` names but for their last letter, as `R-407` does."""
    parts = _DESIGNATION.fullmatch(squeezed)
    if parts is None or not parts["number"].isdigit():
        return []
    member = re.compile(rf"R-{parts['number']}[A-Z]")
    return [name for name, row in refrigerants().items() if member.fullmatch(name) and not row.refused]
