"""What is known of each refrigerant: the rows of `reference/refrigerants.tsv`."""

from dataclasses import dataclass
from functools import cache

from lowambient import reference


@dataclass(frozen=True)
class Refrigerant:
    """One row: `composition` holds (component, mass fraction [-]) pairs; `refused` is empty when tables exist.

    `number` is the permanent key of the refrigerant in the store, null when refused. `model` is the CoolProp fluid
    of a pure or pseudo-pure refrigerant; a blend has none of its own. `caution` goes with every answer.
    """

    name: str
    number: int | None
    kind: str
    model: str
    composition: tuple[tuple[str, float], ...]
    safety_class: str
    aliases: tuple[str, ...]
    refused: str
    caution: str


@cache
def refrigerants() -> dict[str, Refrigerant]:
    """All refrigerants by canonical name, in the order of the reference table."""
    return {row["name"]: _refrigerant(row) for row in reference.rows("refrigerants")}


@cache
def tabulated() -> tuple[str, ...]:
    """Canonical names of the refrigerants that have saturation tables."""
    return tuple(name for name, refrigerant in refrigerants().items() if not refrigerant.refused)


def _refrigerant(row: dict[str, str]) -> Refrigerant:
    return Refrigerant(
        name=row["name"],
        number=int(row["refrigerant_no"]) if row["refrigerant_no"] else None,
        kind=row["kind"],
        model=row["model"],
        composition=_composition(row["composition"]),
        safety_class=row["safety_class"],
        aliases=tuple(alias for alias in row["aliases"].split("|") if alias),
        refused=row["refused"],
        caution=row["caution"],
    )


def _composition(text: str) -> tuple[tuple[str, float], ...]:
    parts = [part.rpartition(" ") for part in text.split(" + ") if part]
    return tuple((component, float(fraction)) for component, _, fraction in parts)
