"""Long readings (one record a channel and instant) set side by side as they are read.

The file is grouped in one pass by DuckDB's reader. Only where a group is not sound is the file staged record by
record, to say which of its records are refused, repeated or kept.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import duckdb

from lowambient import reference
from lowambient.errors import InputRefused
from lowambient.intake.measures import measure
from lowambient.intake.plan import ColumnPlan, ReadPlan, known_words, limits_of
from lowambient.records import inputs
from lowambient.store import decisions, queries, rows, staging
from lowambient.store.decisions import Clock
from lowambient.store.places import Surroundings
from lowambient.store.queries import quoted

_UNIT_TEXTS = "select distinct unit_text from grouped where cell_text(unit_text) is not null"


@dataclass(frozen=True)
class ChannelText:
    """One text of the channel column (in one unit of measure): the contract channel it means.

    `read` is SQL over `cells` that gives its number, `converted` a pattern that brings that number into the
    contract's unit.
    """

    channel: str
    condition: str
    read: str
    converted: str


def prepare(con: duckdb.DuckDBPyConnection, plan: ReadPlan, around: Surroundings) -> int:
    """Works a long file out in temporary tables (`timed`, `mended`, `refused`, `repeats`); returns its records.

    Runs outside any transaction: a table made inside one has no record numbers yet.
    Raises InputRefused where the channels or the dates of the file cannot be told.
    """
    relation, channels, count = _grouped(con, plan)
    rows.put_places(con, around, plan.target, _UNIT_TEXTS)
    forms = decisions.forms_of(con, "grouped", plan, "time_text")
    clock = Clock.of(con, plan, forms, "grouped", "time_text")
    _time(con, plan, channels, clock)
    if _is_sound(con):
        con.execute(queries.text("staging", "nothing_refused"))
        con.execute("create or replace temp table mended as from timed where false")
    else:
        if relation != "staged":
            count = staging.stage(con, plan)
        _look_closely(con, plan, channels, clock)
    return count


def name_conflicts(con: duckdb.DuckDBPyConnection, plan: ReadPlan, around: Surroundings, file_no: int) -> None:
    """Reads a long file again to name the records behind the `conflicts` of its readings with other files."""
    staging.stage(con, plan)
    channels = _channels(con, plan, "staged")
    _group(con, plan, channels, "staged")
    rows.put_places(con, around, plan.target, _UNIT_TEXTS)
    clock = Clock.of(con, plan, decisions.forms_of(con, "grouped", plan, "time_text"), "grouped", "time_text")
    _time(con, plan, channels, clock)
    con.execute(
        f"insert into spelled_twice select unit_id, circuit, read_at from conflicts where file_no = {file_no:d}"
    )
    _look_closely(con, plan, channels, clock)
    con.execute(queries.filled("staging", "long_conflicts", file_no=str(file_no)))


def _grouped(con: duckdb.DuckDBPyConnection, plan: ReadPlan) -> tuple[str, list[ChannelText], int]:
    """Groups the file by DuckDB's reader where that takes it whole, else record by record."""
    fast = staging.fast_source(plan)
    if fast is not None:
        try:
            channels = _channels(con, plan, fast)
            count = _group(con, plan, channels, fast)
        except (duckdb.InvalidInputException, duckdb.ConversionException):
            count = -1
        if staging.is_whole(plan, count):
            return fast, channels, count
    staging.stage(con, plan)
    channels = _channels(con, plan, "staged")
    return "staged", channels, _group(con, plan, channels, "staged")


def _channels(con: duckdb.DuckDBPyConnection, plan: ReadPlan, relation: str) -> list[ChannelText]:
    unit_column = plan.column("value_unit")
    texts = []
    for written, source in plan.settings.channels.items():
        units: list[str | None] = [source.unit]
        if unit_column is not None and source.unit is None:
            units = _units_of(con, plan, relation, written)
        for unit in units:
            declared = unit_column is not None and source.unit is None
            texts.append(_channel_text(plan, written, source.channel, unit, declared))
    if not texts:
        raise InputRefused(f"{plan.settings.key}.channels names no channel: map those of {plan.source} to the contract")
    return texts


def _units_of(con: duckdb.DuckDBPyConnection, plan: ReadPlan, relation: str, written: str) -> list[str | None]:
    column, unit = _cell(plan, "channel"), f"cell_text({_cell(plan, 'value_unit')})"
    found = con.execute(
        f"select distinct {unit} from {relation} where {column} = {quoted(written)} order by all limit 40"
    ).fetchall()
    return [row[0] for row in found]


def _cell(plan: ReadPlan, name: str) -> str:
    """A cell as it stands, untrimmed: trimming every record of a large file would cost more than reading it."""
    column = plan.column(name)
    if column is None:
        return "null::varchar"
    if column.cell is None:
        return f"{quoted(column.constant or '')}::varchar"
    return f"c{column.cell}"


def _channel_text(plan: ReadPlan, written: str, channel: str, unit: str | None, by_row: bool) -> ChannelText:
    column = inputs.Readings.columns()[channel]
    facts = column.metadata or {}
    own_unit = f" and unit_written is not distinct from {'null' if unit is None else quoted(unit)}" if by_row else ""
    condition = f"channel_text = {quoted(written)}{own_unit}"
    if facts["kind"] in ("flag", "choice"):
        return ChannelText(channel, condition, _word_number(plan, channel), "{0}")
    quantity = facts.get("measure")
    if quantity and unit:
        return ChannelText(channel, condition, "number", rows.converted_sql(plan, measure(quantity, unit), "{0}"))
    return ChannelText(channel, condition, "number", "{0}")


def _word_number(plan: ReadPlan, channel: str) -> str:
    """A flag as 0 and 1, a choice as its place in the vocabulary, from the words that stand for them."""
    column = inputs.Readings.columns()[channel]
    kind = (column.metadata or {})["kind"]
    planned = ColumnPlan(channel, kind, False, None, None, None, None, column)
    order = ("false", "true") if kind == "flag" else reference.vocabulary(planned.vocabulary or "")
    branches = " ".join(
        f"when {quoted(word)} then {order.index(meant)}"
        for word, meant in known_words(planned, plan.settings.values.get(channel, {})).items()
    )
    return f"case lower(trim(value_text)) {branches} end"


def _cells(plan: ReadPlan) -> dict[str, str]:
    decimal = plan.settings.decimal
    value = f"c{column.cell}" if (column := plan.column("value")) is not None and column.cell is not None else "null"
    plain = value if decimal == "." else f"replace({value}, ',', '.')"
    return {
        "unit": _cell(plan, "unit_id"),
        "circuit": _cell(plan, "circuit"),
        "time": _cell(plan, "read_at"),
        "channel": _cell(plan, "channel"),
        "unit_written": f"cell_text({_cell(plan, 'value_unit')})",
        "value": value,
        "number": f"try_cast({plain} as double)",
    }


def _group(con: duckdb.DuckDBPyConnection, plan: ReadPlan, channels: Sequence[ChannelText], relation: str) -> int:
    con.execute(
        queries.filled(
            "staging",
            "long_grouped",
            **_cells(plan),
            relation=relation,
            channels=", ".join(
                f"max(case when {each.condition} then {each.read} end) as k{place}"
                for place, each in enumerate(channels)
            ),
            seen=_first_of(channels, lambda place, each: f"case when {each.read} is not null then {1 << place} end"),
        )
    )
    found = con.execute("select sum(n)::bigint from grouped").fetchone()
    return int(found[0] or 0) if found else 0


def _first_of(channels: Sequence[ChannelText], then: "object") -> str:
    branches = " ".join(
        f"when {each.condition} then {then(place, each)}"  # type: ignore[operator]
        for place, each in enumerate(channels)
    )
    return f"case {branches} end"


def _by_channel(channels: Sequence[ChannelText]) -> dict[str, list[int]]:
    found: dict[str, list[int]] = {}
    for place, each in enumerate(channels):
        found.setdefault(each.channel, []).append(place)
    return found


def _in_range(channel: str, value: str) -> str:
    limits = limits_of(inputs.Readings.columns()[channel])
    if limits is None:
        return "true"
    whole = f" and {value} = floor({value})" if channel == "fans_running" else ""
    return f"{value} between {limits[0]!r} and {limits[1]!r}{whole}"


def _time(con: duckdb.DuckDBPyConnection, plan: ReadPlan, channels: Sequence[ChannelText], clock: Clock) -> None:
    by_channel = _by_channel(channels)
    values = []
    alone = []
    for channel, places in by_channel.items():
        parts = ", ".join(channels[place].converted.format(f"texts.k{place}") for place in places)
        values.append(f"coalesce({parts}) as {channel}" if len(places) > 1 else f"{parts} as {channel}")
        alone += [
            f"(texts.k{one} is null or texts.k{other} is null)" for one in places for other in places if one < other
        ]
    con.execute(
        queries.filled(
            "staging",
            "long_timed",
            instant=clock.instant("texts.time_text", "0"),
            ambiguous=clock.ambiguous("texts.time_text"),
            alone=" and ".join(alone) or "true",
            values=", ".join(values),
            in_range=" and ".join(f"({channel} is null or {_in_range(channel, channel)})" for channel in by_channel),
        )
    )
    con.execute(queries.text("staging", "long_doubles"))
    con.execute(
        queries.filled(
            "staging",
            "off_grid",
            densest=", ".join(f"count({channel})" for channel in [*by_channel, "null"]),
            channel_steps=" union all ".join(
                queries.filled("staging", "channel_steps", channel=each) for each in by_channel
            ),
        )
    )


def _is_sound(con: duckdb.DuckDBPyConnection) -> bool:
    found = con.execute(
        "select (select bool_and(sound) from timed) and not exists (from spelled_twice) and not exists (from off_grid)"
    ).fetchone()
    return bool(found and found[0])


def _look_closely(
    con: duckdb.DuckDBPyConnection, plan: ReadPlan, channels: Sequence[ChannelText], clock: Clock
) -> None:
    by_channel = _by_channel(channels)
    names = list(by_channel)
    careful = {
        **_cells(plan),
        "channel": f"cell_text({_cell(plan, 'channel')})",
        "value": f"cell_value({_cell(plan, 'value')}, {rows.missing_list(plan)})",
        "number": f"as_number(cell_value({_cell(plan, 'value')}, {rows.missing_list(plan)}),"
        f" {quoted(plan.settings.decimal)}, '\\s*[a-z°%]+$')",
    }
    in_range = " ".join(f"when {place} then {_in_range(name, 'value')}" for place, name in enumerate(names))
    con.execute(
        queries.filled(
            "staging",
            "long_suspects",
            **careful,
            local=clock.local("texts.time_text"),
            instant=clock.instant("texts.time_text", "0"),
            second_instant=clock.instant("texts.time_text", "1"),
            ambiguous=clock.ambiguous("texts.time_text"),
            hour_from=clock.hour_from("texts.time_text"),
            channel_no=_first_of(channels, lambda _, each: str(names.index(each.channel))),
            converted=_first_of(channels, lambda _, each: each.converted.format(each.read)),
        )
    )
    con.execute(queries.text("staging", "folds"))
    con.execute(queries.filled("staging", "long_refused", value_in_range=f"case channel_no {in_range} end"))
    con.execute(
        queries.filled(
            "staging",
            "long_mended",
            values=", ".join(
                f"max(value) filter (where channel_no = {place}) as {name}" for place, name in enumerate(names)
            ),
        )
    )


def keep(con: duckdb.DuckDBPyConnection, plan: ReadPlan, file_no: int) -> None:
    """Adds what `prepare` worked out to `raw_readings`."""
    names = list(dict.fromkeys(source.channel for source in plan.settings.channels.values()))
    con.execute(
        queries.filled(
            "staging",
            "long_keep",
            file_no=str(file_no),
            columns=", ".join(names),
            stored=", ".join(_stored(name) for name in names),
        )
    )


def _stored(channel: str) -> str:
    column = inputs.Readings.columns()[channel]
    facts = column.metadata or {}
    match facts["kind"]:
        case "flag":
            return f"({channel} <> 0) as {channel}"
        case "whole":
            return f"cast({channel} as bigint) as {channel}"
        case "choice":
            words = ", ".join(quoted(word) for word in reference.vocabulary(facts["vocabulary"]))
            return f"[{words}][cast({channel} as integer) + 1] as {channel}"
    return channel
