"""Writes complaint, finding and action of a ticket as its technician would, and keeps what he really wrote down."""

from dataclasses import dataclass

import numpy as np

from .life import Ticket
from .options import Habits, Technician
from .phrases import (
    ABBREVIATIONS,
    ACTIONS,
    CLOSINGS,
    COMPLAINTS,
    FILLERS,
    FINDINGS,
    NEGATIONS,
    NOTHING,
    OTHER_CAUSES,
    WHO,
)

# how readily a thing done or seen is put on paper [-]
MENTIONED = {
    "found lp tripped": 0.7,
    "running on arrival": 0.8,
    "lp switch jumpered": 0.55,
    "head control bypassed": 0.5,
    "added refrigerant": 0.9,
    "condenser covered": 0.8,
    "maintained": 0.8,
    "cause not found": 0.5,
    "ambient lockout enabled": 0.6,
}


@dataclass(frozen=True)
class Note:
    """The words of one ticket; `written` holds the statements that stand in them and are true."""

    complaint: str
    finding: str
    action: str
    written: tuple[str, ...]
    blank: bool
    wrong: bool


class Writer:
    """One company's way with words: each technician has his own abbreviations and style."""

    def __init__(self, habits: Habits, seed: int) -> None:
        self.habits = habits
        rng = np.random.default_rng([seed, 71])
        self.abbreviations = [
            {long: str(rng.choice(short)) for long, short in ABBREVIATIONS.items() if rng.random() < 0.75}
            for _ in habits.technicians
        ]
        self.rng = np.random.default_rng([seed, 72])

    def write(self, ticket: Ticket, outdoor_c: float) -> Note:
        rng, tech = self.rng, self.habits.technicians[ticket.technician]
        words = self._words(ticket, outdoor_c)
        complaint = self._fill(_any(rng, COMPLAINTS[ticket.symptom]), words)
        if rng.random() < self.habits.note_blank * (0.6 + tech.says_little * 1.4):
            return Note(complaint, _any(rng, NOTHING), _any(rng, NOTHING), (), True, False)
        did = list(ticket.did)
        wrong = (
            ticket.work == "service"
            and rng.random() < self.habits.note_wrong
            and ticket.cause not in {"other", "heating"}
        )
        if wrong:
            did = [d for d in did if d in {"reset", "power cycled"}] + list(
                OTHER_CAUSES[int(rng.integers(len(OTHER_CAUSES)))]
            )
        finding, action, written = [], [], []
        for statement in did:
            if rng.random() > MENTIONED.get(statement, 0.93):
                continue
            if statement in FINDINGS:
                finding.append(self._fill(_any(rng, FINDINGS[statement]), words))
            if statement in ACTIONS:
                action.append(self._fill(_any(rng, ACTIONS[statement]), words))
            if statement in ticket.did:
                written.append(statement)
        self._pad(finding, action, ticket, words)
        return Note(
            complaint,
            self._style(finding, tech, ticket),
            self._style(action, tech, ticket),
            tuple(written),
            False,
            bool(wrong),
        )

    def _pad(self, finding: list[str], action: list[str], ticket: Ticket, words: dict[str, str]) -> None:
        """Closings, fillers, and things said not to be so."""
        rng = self.rng
        if ticket.work == "service" and rng.random() < 0.22:
            said = _any(rng, NEGATIONS)
            clash = {
                "no jumper on lp switch": "jumper",
                "did not need refrigerant": "refrigerant",
                "not low on gas": "low charge",
            }
            if not any(clash.get(said, said) in d for d in ticket.did):
                finding.append(said)
        for place in (finding, action):
            if rng.random() < 0.2:
                place.insert(int(rng.integers(len(place) + 1)), self._fill(_any(rng, FILLERS), words))
        if ticket.work != "planned" and rng.random() < 0.4:
            action.append(self._fill(_any(rng, CLOSINGS), words))

    def _words(self, ticket: Ticket, outdoor_c: float) -> dict[str, str]:
        rng, unit = self.rng, ticket.unit
        place = _any(rng, (unit.serves, unit.serves, "building", "suite", "back room", "store"))
        if unit.duty == "refrigeration":
            place = _any(rng, (unit.use, "box", "walk in"))
        return {
            "place": place,
            "air": str(round(outdoor_c * 1.8 + 32 + rng.normal(0, 2))),
            "setting": f"{unit.ambient_setting_c * 1.8 + 32:.0f}",
            "pounds": str(rng.choice([1, 1.5, 2, 2, 3, 4])).replace(".0", ""),
            "who": _any(rng, WHO),
        }

    def _fill(self, text: str, words: dict[str, str]) -> str:
        return text.format(**words)

    def _style(self, parts: list[str], tech: Technician, ticket: Ticket) -> str:
        rng = self.rng
        if tech.style == "list" and len(parts) > 1:
            text = " ".join(f"{i}) {part}" for i, part in enumerate(parts, 1))
        elif tech.style == "chatty":
            text = ". ".join(part.capitalize() for part in parts) + ("." if parts else "")
            if parts and rng.random() < 0.4:
                text = f"Arrived on site and checked in. {text}"
        else:
            text = _any(rng, (", ", "; ", ". ", " - ", ", ")).join(parts)
        for long, short in self.abbreviations[ticket.technician].items():
            if rng.random() < 0.8:
                text = text.replace(long, short)
        if tech.style == "capitals":
            text = text.upper()
        rate = tech.misspells * (2.0 if tech.style == "careless" else 1.0)
        return " ".join(_misspell(w, rng) if rng.random() < 0.12 * rate * 4 else w for w in text.split(" "))


def _any(rng: np.random.Generator, choices: tuple[str, ...]) -> str:
    return choices[int(rng.integers(len(choices)))]


def _misspell(word: str, rng: np.random.Generator) -> str:
    """A slip of the thumb inside a longer word."""
    if len(word) < 5 or not word.isalpha():
        return word
    i = int(rng.integers(1, len(word) - 2))
    slip = int(rng.integers(3))
    if slip == 0:
        return word[:i] + word[i + 1] + word[i] + word[i + 2 :]
    return word[:i] + word[i + 1 :] if slip == 1 else word[:i] + word[i] + word[i:]
