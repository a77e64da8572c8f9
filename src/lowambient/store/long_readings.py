"""Long readings (one record a channel and instant) set side by side as they are read.

The file is grouped in one pass by DuckDB's reader. Only where a group is not sound is the file read once more, record
by record, to say which of its records are refused, repeated or kept.
"""

from dataclasses import dataclass
from itertools import islice

import duckdb

from lowambient.intake import instants
from lowambient.intake.plan import MISSING, ReadPlan
from lowambient.intake.source_records import records
from lowambient.store import candidates, long_channels, queries, rows, staging
from lowambient.store.decisions import IN_TIME, Clock, Written
from lowambient.store.long_channels import Slot, by_slot, channels_of
from lowambient.store.places import Surroundings
from lowambient.store.quantities import declared_missing, missing_list
from lowambient.store.queries import quoted
from lowambient.store.staging import Read

LOCAL = "texts.local_time"
HEAD_RECORDS = 400


@dataclass(frozen=True)
class Grouped:
    """A long file as grouped: the relation it was read from, its slots, how it was read, and the time of a record.

    `form` is the form of times that the head of the file proves.
    """

    relation: str
    slots: list[Slot]
    read: Read
    form: str | None

    @property
    def local(self) -> str:
        """The local timestamp of `time_text` in that form, as SQL."""
        return _local_sql(self.form)


def prepare(con: duckdb.DuckDBPyConnection, plan: ReadPlan, around: Surroundings) -> Read:
    """Works a long file out in temporary tables (`grouped`, `mended`, `refused`, `repeats`, `aside`).

    Runs outside any transaction: a table made inside one has no record numbers yet.
    Raises InputRefused where the channels or the dates of the file cannot be told.
    """
    grouped, clock = _set_side_by_side(con, plan, around)
    con.execute(queries.text("staging", "no_aside"))
    if _is_sound(con):
        con.execute(queries.text("staging", "nothing_refused"))
    else:
        _look_closely(con, plan, grouped, clock)
    return grouped.read


def name_conflicts(con: duckdb.DuckDBPyConnection, plan: ReadPlan, around: Surroundings, file_no: int) -> Read:
    """Reads a long file again to name the records behind the `conflicts` of its readings with other files.

    They are added to the temporary table `named`.
    """
    grouped, clock = _set_side_by_side(con, plan, around)
    con.execute(queries.filled("staging", "long_contested", file_no=str(file_no)))
    _look_closely(con, plan, grouped, clock)
    con.execute(queries.filled("staging", "long_conflicts", file_no=str(file_no)))
    return grouped.read


def keep(con: duckdb.DuckDBPyConnection, plan: ReadPlan, file_no: int) -> None:
    """Adds what `prepare` worked out to `raw_readings`."""
    names = [row[0] for row in con.execute("from fed_channels").fetchall()]
    con.execute(
        queries.filled(
            "staging",
            "long_keep",
            file_no=str(file_no),
            columns="".join(f", {name}" for name in names),
            stored="".join(f", {long_channels.stored(name)}" for name in names),
        )
    )


def _set_side_by_side(con: duckdb.DuckDBPyConnection, plan: ReadPlan, around: Surroundings) -> tuple[Grouped, Clock]:
    """Groups the file, and judges each group and each circuit."""
    grouped = _grouped(con, plan)
    con.execute(queries.text("staging", "spellings"))
    header = quoted(_header_cell(plan, "unit_id") or "")
    rows.put_places(
        con, around, plan.target, f"select distinct cell_text(unit_text) from spellings where unit_text <> {header}"
    )
    odd_times = Written("read_at", "grouped as texts", "texts.odd_time", "cell_text({0})", grouped.form is None)
    clock = Clock.of(con, plan, odd_times, read_already="texts.local_at")
    _judge_groups(con, plan, grouped.slots, clock)
    return grouped, clock


def _header_cell(plan: ReadPlan, name: str) -> str | None:
    """What the header says above a column: as an id it is a header that comes again."""
    column = plan.column(name)
    return plan.dialect.columns[column.cell] if column is not None and column.cell is not None else None


def _grouped(con: duckdb.DuckDBPyConnection, plan: ReadPlan) -> Grouped:
    """Groups the file by DuckDB's reader where that takes it whole, else record by record."""
    form = _sure_format(plan)
    fast = staging.fast_source(plan)
    if fast is not None:
        try:
            slots, count = _group(con, plan, fast, form)
        except staging.NOT_TAKEN:
            count = -1
        if staging.is_whole(plan, count):
            numbered = queries.filled("staging", "numbered", fault=staging.fault_sql(plan), source=fast)
            return Grouped(numbered, slots, Read(count, staging.is_by_line(plan, count)), form)
    staging.stage_carefully(con, plan)
    slots, count = _group(con, plan, "staged", form)
    return Grouped("(select rowid as record, * from staged)", slots, Read(count, False), form)


def _sure_format(plan: ReadPlan) -> str | None:
    """The form of times that the head of the file proves."""
    column = plan.column("read_at")
    if column is None or column.cell is None:
        return None
    head = islice(records(plan.path, plan.dialect, plan.settings), HEAD_RECORDS)
    texts = [record.cells[column.cell] for record in head if record.cells is not None]
    known = [text for text in texts if text.strip().lower() not in {*MISSING, *declared_missing(plan)}]
    return instants.sure_format(known, plan.settings.dates, plan.settings.date_order)


def _local_sql(form: str | None) -> str:
    return f"try_strptime(time_text, {quoted(form)})" if form else "null::timestamp"


def _cells(plan: ReadPlan) -> dict[str, str]:
    """Cells of a record as they stand."""
    names = {"unit": "unit_id", "circuit": "circuit", "time": "read_at", "channel": "channel", "value": "value"}
    return {part: _cell(plan, name) for part, name in {**names, "unit_written": "value_unit"}.items()}


def _cell(plan: ReadPlan, name: str) -> str:
    column = plan.column(name)
    if column is None:
        return "null::varchar"
    return f"c{column.cell}" if column.cell is not None else f"{quoted(column.constant or '')}::varchar"


def _group(con: duckdb.DuckDBPyConnection, plan: ReadPlan, relation: str, form: str | None) -> tuple[list[Slot], int]:
    cells = _cells(plan)
    slots = long_channels.slots_of(con, plan, relation, cells)
    con.execute(
        queries.filled(
            "staging",
            "long_grouped",
            **cells,
            relation=relation,
            local=_local_sql(form),
            slot=long_channels.slot_sql(slots, plan.column("value_unit") is not None),
            number=long_channels.number_by_slot(plan, slots),
            numbers="".join(
                f", max(case when slot = {place} then number end) as k{place}" for place in range(len(slots))
            ),
        )
    )
    channels = ", ".join(f"({quoted(name)})" for name in channels_of(slots))
    con.execute(queries.filled("staging", "fed_channels", channels=channels or "(null)"))
    found = con.execute("select sum(n)::bigint from grouped").fetchone()
    return slots, int(found[0] or 0) if found else 0


def _judge_groups(con: duckdb.DuckDBPyConnection, plan: ReadPlan, slots: list[Slot], clock: Clock) -> None:
    channels = channels_of(slots)
    circuit = f"cell_value(texts.circuit_text, {missing_list(plan)})"
    con.execute(
        queries.filled(
            "staging",
            "long_timed",
            circuit=circuit,
            local=clock.local,
            instant=clock.instant(LOCAL, "0"),
            ambiguous=clock.ambiguous(LOCAL),
            values="".join(f", {long_channels.value_of(plan, slots, name)} as {name}" for name in channels),
            given=" + ".join(f"cast({name} is not null as integer)" for name in channels) or "0",
            in_time=IN_TIME.format("read_at"),
            in_range="".join(f" and ({name} is null or {long_channels.in_range(name, name)})" for name in channels),
        )
    )
    counts = ", ".join(f"count({name})" for name in channels) or "0"
    reference = " ".join(f"when count({name}) then {quoted(name)}" for name in channels) or "when 0 then null"
    con.execute(queries.filled("staging", "long_circuits", counts=counts, reference=reference))
    con.execute(queries.filled("staging", "drawn_in", circuit=circuit))
    is_read = " ".join(f"when {quoted(name)} then {name} is not null" for name in channels) or "when '' then false"
    con.execute(queries.filled("staging", "off_grid", is_read=is_read))


def _is_sound(con: duckdb.DuckDBPyConnection) -> bool:
    found = con.execute(queries.text("staging", "long_is_sound")).fetchone()
    return bool(found and found[0])


def _look_closely(con: duckdb.DuckDBPyConnection, plan: ReadPlan, grouped: Grouped, clock: Clock) -> None:
    slots = grouped.slots
    channels = channels_of(slots)
    con.execute(queries.text("staging", "unsound"))
    can_number = candidates.can_number(plan, grouped.read)
    if can_number:
        candidates.put_candidates(con, plan, slots, grouped.form)
    con.execute(
        queries.filled(
            "staging",
            "long_suspects",
            **_cells(plan),
            relation="candidates" if can_number else grouped.relation,
            local_in_form=grouped.local,
            slot=long_channels.slot_sql(slots, plan.column("value_unit") is not None),
            number=long_channels.number_by_slot(plan, slots),
            circuit_value=f"cell_value(texts.circuit_text, {missing_list(plan)})",
            local=clock.local,
            instant=clock.instant(LOCAL, "0"),
            second_instant=clock.instant(LOCAL, "1"),
            ambiguous=clock.ambiguous(LOCAL),
            hour_from=clock.hour_from(LOCAL),
            channel_fed=by_slot(slots, lambda slot: quoted(slot.channel)),
            converted=by_slot(slots, lambda slot: long_channels.converted(plan, slot, "texts.number")),
        )
    )
    con.execute(queries.text("staging", "directions"))
    con.execute(queries.text("staging", "folds"))
    known = ", ".join(quoted(written) for written in plan.settings.channels)
    con.execute(
        queries.filled(
            "staging",
            "long_refused",
            in_range=" ".join(f"when {quoted(name)} then {long_channels.in_range(name, 'value')}" for name in channels),
            in_time=IN_TIME.format("suspects.read_at"),
            known_channels=f"[{known}]",
            missing=missing_list(plan),
            replaces="true" if plan.settings.replaces == "key" else "false",
        )
    )
    values = "".join(f", max(value) filter (where channel = {quoted(name)}) as {name}" for name in channels)
    con.execute(queries.filled("staging", "long_mended", values=values))
