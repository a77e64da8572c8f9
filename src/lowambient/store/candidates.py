"""The second look at a long file: which of its records may belong to a group that is not sound.

DuckDB numbers records only when it reads with one thread; polars numbers them with all, and a few tests on their
texts leave out nearly all. What is left is judged exactly by the same SQL as ever.
"""

from collections.abc import Sequence
from functools import reduce
from operator import or_

import duckdb
import polars as pl

from lowambient.intake.plan import ReadPlan
from lowambient.store import queries
from lowambient.store.frames import lent
from lowambient.store.long_channels import Slot
from lowambient.store.staging import BATCH, Read, fault_sql, staged_cells

MOST_INSTANTS = 1_000_000
_SAME_IN_POLARS = frozenset("YmdHMS")
"""Parts of a time that polars and DuckDB read alike."""


def can_number(plan: ReadPlan, read: Read) -> bool:
    """Whether polars sees the same records in the file that DuckDB's reader saw."""
    return read.by_line and read.records > 0 and not plan.shape.quotes and not plan.dialect.packed


def put_candidates(con: duckdb.DuckDBPyConnection, plan: ReadPlan, slots: Sequence[Slot], form: str | None) -> None:
    """Temporary table `candidates` (record, fault, `c0`, `c7`, ...): all records of groups in `unsound`, and more."""
    cells = "".join(f", c{cell}" for cell in staged_cells(plan))
    columns = "".join(f", c{cell} varchar" for cell in staged_cells(plan))
    con.execute(queries.filled("staging", "candidates", columns=columns))
    lines = pl.scan_csv(
        plan.path,
        glob=False,
        has_header=False,
        skip_lines=plan.dialect.header_line,
        separator=plan.dialect.delimiter,
        quote_char=None,
        infer_schema=False,
        new_columns=[f"c{place}" for place in range(len(plan.dialect.columns))],
        row_index_name="record",
    )
    for batch in lines.filter(_may_be_unsound(con, plan, slots, form)).collect_batches(chunk_size=BATCH):
        with lent(con, batch_of_cells=batch):
            con.execute(f"insert into candidates select record, {fault_sql(plan)}{cells} from batch_of_cells")


def _may_be_unsound(con: duckdb.DuckDBPyConnection, plan: ReadPlan, slots: Sequence[Slot], form: str | None) -> pl.Expr:
    """True for each record of an unsound group or of an unknown channel, and for few others."""
    tests = [pl.lit(True)]
    unit, channel = _cell(plan, "unit_id"), _cell(plan, "channel")
    if unit is not None:
        units = con.sql("select distinct unit_text from unsound").pl()["unit_text"]
        tests.append(unit.is_null() | unit.is_in(units.drop_nulls().implode()))
    time = _cell(plan, "read_at")
    if time is not None and form is not None and {part[0] for part in form.split("%")[1:]} <= _SAME_IN_POLARS:
        instants = con.sql(f"select distinct local_at from unsound limit {MOST_INSTANTS + 1}").pl()["local_at"]
        if len(instants) <= MOST_INSTANTS:
            local = time.str.strptime(pl.Datetime("us"), form, strict=False)
            tests.append(local.is_null() | local.is_in(instants.drop_nulls().implode()))
    in_unsound = reduce(lambda found, test: pl.when(found).then(test).otherwise(False), tests)
    return in_unsound if channel is None else or_(in_unsound, _is_unknown(plan, channel, slots))


def _is_unknown(plan: ReadPlan, channel: pl.Expr, slots: Sequence[Slot]) -> pl.Expr:
    known = {text for slot in slots for text, _ in slot.texts}
    unknown = channel.is_null() | ~channel.is_in(sorted(known))
    unit = _cell(plan, "value_unit")
    if unit is None:
        return unknown
    pairs = {f"{text}\x1f{unit_text or ''}" for slot in slots for text, unit_text in slot.texts}
    return unknown | ~(channel + pl.lit("\x1f") + unit.fill_null("")).is_in(sorted(pairs))


def _cell(plan: ReadPlan, name: str) -> pl.Expr | None:
    column = plan.column(name)
    return pl.col(f"c{column.cell}") if column is not None and column.cell is not None else None
