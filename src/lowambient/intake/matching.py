"""Which unit a text in another source means: the unit list's spelling, a forgiving match, or an alias."""

import unicodedata
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from rapidfuzz import fuzz, process


def normal_form(written: str) -> str:
    """NFKC, case folded, without spaces and punctuation, so that `rtu 12` and `RTU-12` agree."""
    folded = unicodedata.normalize("NFKC", written).casefold()
    return "".join(letter for letter in folded if letter.isalnum())


@dataclass(frozen=True)
class Match:
    """What a written id means: `meant`, or null with the reason and the nearest listed spelling."""

    meant: str | None
    reason: str | None = None
    nearest: str | None = None


class Matcher:
    """Matches written ids against a list of ids and an alias table.

    An exact spelling wins; then an alias; then the normal form, where it names one id only.
    """

    def __init__(self, listed: Iterable[str], aliases: Mapping[str, str] | None = None, noun: str = "unit") -> None:
        self._noun = noun
        self._listed = sorted(set(listed))
        self._exact = set(self._listed)
        self._forms: dict[str, list[str]] = {}
        for each in self._listed:
            self._forms.setdefault(normal_form(each), []).append(each)
        self._aliases = {normal_form(written): meant for written, meant in (aliases or {}).items()}

    def match(self, written: str) -> Match:
        """The listed id that `written` means, or why none does."""
        if written in self._exact:
            return Match(written)
        form = normal_form(written)
        if form in self._aliases:
            return self._match_alias(written, self._aliases[form])
        candidates = self._forms.get(form, [])
        if len(candidates) == 1:
            return Match(candidates[0])
        if candidates:
            names = ", ".join(candidates)
            return Match(None, f"{self._noun} {written!r} could be any of {names}", candidates[0])
        nearest = self._nearest(form)
        hint = f" (nearest: {nearest})" if nearest else ""
        return Match(None, f"{self._noun} {written!r} is not on the {self._noun} list{hint}", nearest)

    def _match_alias(self, written: str, meant: str) -> Match:
        if meant in self._exact:
            return Match(meant)
        candidates = self._forms.get(normal_form(meant), [])
        if len(candidates) == 1:
            return Match(candidates[0])
        reason = f"alias {written!r} points to {meant!r}, which is not on the {self._noun} list"
        return Match(None, reason, self._nearest(normal_form(meant)))

    def _nearest(self, form: str) -> str | None:
        found = process.extractOne(form, self._forms.keys(), scorer=fuzz.ratio, score_cutoff=60)
        return self._forms[found[0]][0] if found else None
