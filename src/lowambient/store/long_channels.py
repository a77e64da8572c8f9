"""Channels of long readings: which records of a file feed which contract channel, in which unit of measure."""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import duckdb

from lowambient import reference
from lowambient.errors import InputRefused
from lowambient.intake.measures import Measure, measure
from lowambient.intake.plan import ColumnPlan, ReadPlan, known_words, limits_of
from lowambient.records import inputs
from lowambient.store.quantities import converted_sql, number_sql, suffix_of
from lowambient.store.queries import quoted

NEED_UNITS = ("pressure", "temperature")


@dataclass(frozen=True)
class Slot:
    """Records that feed one channel in one measure: their texts in the channel column, each with its unit's text.

    The unit's text is null where the profile says the unit.
    """

    channel: str
    measure: Measure | None
    texts: tuple[tuple[str, str | None], ...]


def slots_of(con: duckdb.DuckDBPyConnection, plan: ReadPlan, relation: str, cells: dict[str, str]) -> list[Slot]:
    """The slots of one file, each channel's measure from the profile, else from the column of units.

    Raises InputRefused where the profile names no channel.
    """
    if not plan.settings.channels:
        raise InputRefused(f"{plan.settings.key}.channels names no channel: map those of {plan.source} to the contract")
    by_record = _units_by_channel(con, plan, relation, cells)
    found: dict[tuple[str, Measure | None], list[tuple[str, str | None]]] = {}
    for written, source in plan.settings.channels.items():
        for unit in [None] if source.unit or not by_record else by_record.get(written, []):
            known, is_known = _measure(plan, source.channel, source.unit or unit)
            if is_known:
                found.setdefault((source.channel, known), []).append((written, unit))
    return [Slot(channel, known, tuple(texts)) for (channel, known), texts in found.items()]


def _units_by_channel(
    con: duckdb.DuckDBPyConnection, plan: ReadPlan, relation: str, cells: dict[str, str]
) -> dict[str, list[str | None]]:
    if plan.column("value_unit") is None:
        return {}
    pairs = con.execute(
        f"select distinct cell_text({cells['channel']}) as channel, cell_text({cells['unit_written']}) as unit"
        f" from {relation} where channel is not null order by all"
    ).fetchall()
    found: dict[str, list[str | None]] = {}
    for channel, unit in pairs:
        found.setdefault(channel, []).append(unit)
    return found


def _measure(plan: ReadPlan, channel: str, unit: str | None) -> tuple[Measure | None, bool]:
    """The measure that a unit's text means for a channel, and whether the channel can be read so."""
    quantity = facts(channel).get("measure")
    if quantity is None or unit is None:
        return None, quantity not in NEED_UNITS
    try:
        known = measure(quantity, unit)
    except InputRefused:
        return None, False
    return known, known.reference_pressure != "ask" or plan.settings.pressure is not None


def facts(channel: str) -> dict[str, Any]:
    """What the contract says of a channel."""
    return inputs.Readings.columns()[channel].metadata or {}


def channels_of(slots: Sequence[Slot]) -> list[str]:
    """Contract channels that the slots feed, each once."""
    return list(dict.fromkeys(slot.channel for slot in slots))


def slot_sql(slots: Sequence[Slot], has_units: bool) -> str:
    """The slot of a record, from `channel_text` and `unit_written`; null where it feeds none.

    Texts are first compared as they stand: trimming each would cost more than reading them.
    """
    if has_units:
        return _case(
            f"when cell_text(channel_text) = {quoted(text)} and {_is_unit(unit)} then {place}"
            for place, slot in enumerate(slots)
            for text, unit in slot.texts
        )
    branches = [f"when {quoted(text)} then {place}" for place, slot in enumerate(slots) for text, _ in slot.texts]
    if not branches:
        return "null"
    trimmed = f"case cell_text(channel_text) {' '.join(branches)} end"
    return f"case channel_text {' '.join(branches)} else {trimmed} end"


def _is_unit(unit: str | None) -> str:
    return "true" if unit is None else f"cell_text(unit_written) = {quoted(unit)}"


def _case(branches: Iterable[str]) -> str:
    found = " ".join(branches)
    return f"case {found} end" if found else "null"


def by_slot(slots: Sequence[Slot], sql: Callable[[Slot], str]) -> str:
    """SQL that depends on `slot`."""
    return _case(f"when slot = {place} then {sql(slot)}" for place, slot in enumerate(slots))


def number_by_slot(plan: ReadPlan, slots: Sequence[Slot]) -> str:
    """The number in `value_text` as written: a flag as 0 and 1, a choice as its place in the vocabulary."""
    suffixes = {suffix_of(plan, facts(slot.channel).get("measure"), slot.measure) for slot in slots}
    if len(suffixes) == 1:
        suffix = quoted(suffixes.pop())
    else:
        suffix = by_slot(slots, lambda slot: quoted(suffix_of(plan, facts(slot.channel).get("measure"), slot.measure)))
    number = number_sql(plan, "value_text", suffix)
    worded: dict[str, list[str]] = {}
    for place, slot in enumerate(slots):
        if _is_worded(slot.channel):
            worded.setdefault(_word_number(plan, slot.channel), []).append(str(place))
    words = [f"when slot in ({', '.join(places)}) then {sql}" for sql, places in worded.items()]
    return f"case {' '.join(words)} else {number} end" if words else number


def _is_worded(channel: str) -> bool:
    return facts(channel)["kind"] in ("flag", "choice")


def _word_number(plan: ReadPlan, channel: str) -> str:
    column = inputs.Readings.columns()[channel]
    kind = facts(channel)["kind"]
    planned = ColumnPlan(channel, kind, False, None, None, None, None, column)
    order = _order(channel)
    own = plan.settings.values.get(channel, {})
    known = {word: order.index(meant) for word, meant in known_words(planned, own).items()}
    exact = " ".join(f"when {quoted(word)} then {number}" for word, number in known.items())
    loose = " ".join(f"when word_form({quoted(word)}) then {number}" for word, number in reversed(known.items()))
    return f"case lower(value_text) {exact} else case word_form(value_text) {loose} end end"


def _order(channel: str) -> tuple[str, ...]:
    """Values of a flag or a choice, in the order in which their numbers count from 0."""
    return ("false", "true") if facts(channel)["kind"] == "flag" else reference.vocabulary(facts(channel)["vocabulary"])


def converted(plan: ReadPlan, slot: Slot, number: str) -> str:
    """A slot's number in the contract's unit, as SQL over `places`."""
    return converted_sql(plan, slot.measure, number)


def value_of(plan: ReadPlan, slots: Sequence[Slot], channel: str) -> str:
    """A channel's value from the numbers `k0`, `k1`, ... of its slots in one group."""
    parts = [converted(plan, slot, f"texts.k{place}") for place, slot in enumerate(slots) if slot.channel == channel]
    return f"coalesce({', '.join(parts)})" if len(parts) > 1 else parts[0]


def in_range(channel: str, value: str) -> str:
    """Whether a value is plausible for its channel, as SQL."""
    limits = limits_of(inputs.Readings.columns()[channel])
    if limits is None:
        return "true"
    whole = f" and {value} = floor({value})" if facts(channel)["kind"] == "whole" else ""
    return f"{value} between {limits[0]!r} and {limits[1]!r}{whole}"


def stored(channel: str) -> str:
    """A channel's number as the contract's type."""
    match facts(channel)["kind"]:
        case "flag":
            return f"({channel} <> 0) as {channel}"
        case "whole":
            return f"cast({channel} as bigint) as {channel}"
        case "choice":
            words = ", ".join(quoted(word) for word in _order(channel))
            return f"[{words}][cast({channel} as integer) + 1] as {channel}"
    return channel


def numbered(channel: str) -> str:
    """The contract's type of a channel as a number; the inverse of `stored`."""
    match facts(channel)["kind"]:
        case "choice":
            words = ", ".join(quoted(word) for word in _order(channel))
            return f"cast(list_position([{words}], {channel}) - 1 as double) as {channel}"
    return f"cast({channel} as double) as {channel}"
