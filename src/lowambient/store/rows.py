"""One staged file into typed rows: what is kept, refused, repeated, set aside.

A record is refused when what it is about cannot be read: a required cell, its key, an order that cannot be. An
optional cell that cannot be read is set aside on its own, and the record is kept without it.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import duckdb

from lowambient import reference
from lowambient.intake.measures import Measure
from lowambient.intake.plan import MISSING, ColumnPlan, ReadPlan
from lowambient.records import inputs
from lowambient.store import decisions, queries
from lowambient.store.decisions import Clock
from lowambient.store.frames import lent
from lowambient.store.places import MATCHED, Surroundings
from lowambient.store.queries import quoted

STANDARD_ATMOSPHERE_KPA = 101.325
CURRENCY_SUFFIX = r"\s*(usd|eur|gbp|cad|aud|chf)$"


def text_sql(plan: ReadPlan, column: ColumnPlan) -> str:
    """A column's text as SQL over `staged`; null where the cell holds no value."""
    if column.cell is None:
        return f"{quoted(column.constant or '')}::varchar"
    if column.kind == "text":
        return f"cell_text(c{column.cell})"
    return f"cell_value(c{column.cell}, {missing_list(plan)})"


def missing_list(plan: ReadPlan) -> str:
    """Texts that mean "no value" in this file, as an SQL list."""
    words = [*MISSING, *(text.strip().lower() for text in plan.settings.missing)]
    return f"[{', '.join(quoted(word) for word in dict.fromkeys(words))}]"


def make_texts(con: duckdb.DuckDBPyConnection, plan: ReadPlan) -> None:
    """Temporary table `texts`: record, fault, and each column's text under its contract name."""
    columns = "".join(f", {text_sql(plan, column)} as {column.name}" for column in plan.columns)
    con.execute(f"create or replace temp table texts as select rowid as record, fault{columns} from staged")


def make_places(con: duckdb.DuckDBPyConnection, plan: ReadPlan, around: Surroundings) -> None:
    """Temporary table `places`: what each written id of `texts` means, with its site's facts."""
    name = MATCHED.get(plan.target)
    put_places(con, around, plan.target, f"select distinct {name} from texts where {name} is not null" if name else "")


def put_places(con: duckdb.DuckDBPyConnection, around: Surroundings, target: str, ids: str) -> None:
    """Temporary table `places` for the ids that a query gives."""
    written = [row[0] for row in con.execute(ids).fetchall()] if ids else []
    with lent(con, looked_up=around.look_up(target, sorted(written))):
        con.execute("create or replace temp table places as from looked_up")


@dataclass(frozen=True)
class Typed:
    """SQL of one column: `value` over `texts` and `places`, and `in_range` over the value."""

    plan: ColumnPlan
    value: str
    in_range: str


def place_on(plan: ReadPlan) -> str:
    """Condition that joins `places` to `texts`."""
    name = MATCHED.get(plan.target)
    return f"places.written = texts.{name}" if name else "false"


def number_sql(plan: ReadPlan, column: ColumnPlan, text: str) -> str:
    """A number in the contract's unit as SQL."""
    suffix = CURRENCY_SUFFIX
    measure = column.measure
    if measure is not None:
        spelled = "|".join(_escaped(word) for word in spellings(measure.name))
        suffix = rf"\s*({spelled})$"
    number = f"as_number({text}, {quoted(plan.settings.decimal)}, {quoted(suffix)})"
    if measure is None:
        return number
    return converted_sql(plan, measure, number)


def converted_sql(plan: ReadPlan, measure: Measure, number: str) -> str:
    """`number` in the measure it was written in, as the contract's unit."""
    factor, offset = measure.factor, measure.offset
    value = number if factor == 1 else f"({number} * {factor!r})"
    if offset:
        value = f"({value} + ({offset!r}))"
    match counted_from(plan, measure):
        case "gauge":
            return f"({value} + places.barometric_kpa)"
        case "sealed-gauge":
            return f"({value} + {STANDARD_ATMOSPHERE_KPA!r})"
    return value


def counted_from(plan: ReadPlan, measure: Measure) -> str:
    """What a pressure is counted from: `gauge`, `sealed-gauge` or `absolute`."""
    reference_pressure: str = measure.reference_pressure
    declared = plan.settings.pressure
    if reference_pressure == "ask":
        return declared or "gauge"
    if reference_pressure == "gauge" and declared == "sealed-gauge":
        return declared
    return reference_pressure or "absolute"


def spellings(measure_name: str) -> list[str]:
    """Ways to write a unit of measure."""
    return [
        word
        for row in reference.rows("measures")
        if row["measure"] == measure_name
        for word in row["spellings"].split("|")
    ]


def _escaped(word: str) -> str:
    return "".join(f"\\{letter}" if letter in "().%/#-^$*+?[]{}|" else letter for letter in word)


def clock_of(con: duckdb.DuckDBPyConnection, plan: ReadPlan, name: str) -> Clock:
    """The clock of one instant column of `texts`."""
    return Clock.of(con, plan, decisions.forms_of(con, "texts", plan, name), "texts", name)


def typed_column(con: duckdb.DuckDBPyConnection, plan: ReadPlan, column: ColumnPlan, fold: str) -> Typed:
    """How one column of `texts` becomes a value."""
    text = f"texts.{column.name}"
    match column.kind:
        case "text":
            if plan.target == "sites" and column.name == "time_zone":
                return Typed(column, decisions.zone_case(con, "texts", plan), "true")
            text = _reworded(plan, column.name, text)
            matched = MATCHED.get(plan.target) == column.name
            value = f"coalesce(places.meant, {text})" if matched and plan.target == "units" else text
            return Typed(column, "places.meant" if matched and plan.target != "units" else value, "true")
        case "choice":
            return Typed(column, decisions.meant_case(con, "texts", plan, column), "true")
        case "flag":
            return Typed(column, f"({decisions.meant_case(con, 'texts', plan, column)} = 'true')", "true")
        case "instant":
            value = clock_of(con, plan, column.name).instant(text, fold)
            if plan.target == "weather":
                value = f"date_trunc('hour', {value} + interval 30 minute)"
            return Typed(column, value, "{0} between timestamp '1950-01-01' and timestamp '2100-01-01'")
        case _:
            value = number_sql(plan, column, text)
            low, high = column.limits or (float("-inf"), float("inf"))
            whole = " and {0} = floor({0})" if column.kind == "whole" else ""
            return Typed(column, value, f"{{0}} between {low!r} and {high!r}{whole}")


def _reworded(plan: ReadPlan, name: str, text: str) -> str:
    """A text as SQL, with the profile's own words for it put in place."""
    words = plan.settings.values.get(name, {})
    branches = " ".join(f"when {quoted(word)} then {quoted(meant)}" for word, meant in words.items())
    return f"case {text} {branches} else {text} end" if branches else text


def make_folds(con: duckdb.DuckDBPyConnection, plan: ReadPlan) -> str:
    """For readings, temporary table `folds` where times came twice; returns the fold of a record as SQL."""
    if plan.target != "readings":
        return "0"
    clock = clock_of(con, plan, "read_at")
    if clock.ambiguous("texts.read_at") == "false":
        return "0"
    series = [f"texts.{name}" for name in ("unit_id", "circuit") if plan.column(name)]
    con.execute(
        queries.filled(
            "staging",
            "ambiguous_records",
            series=", ".join(series),
            hour_from=clock.hour_from("texts.read_at"),
            local=clock.local("texts.read_at"),
            ambiguous=clock.ambiguous("texts.read_at"),
            place_on=place_on(plan),
        )
    )
    con.execute(queries.text("staging", "folds"))
    return "coalesce(folds.fold, 0)"


def make_typed(con: duckdb.DuckDBPyConnection, plan: ReadPlan) -> None:
    """Temporary table `typed`: record, fault, each column's value or null, and `problems`, a bit a column."""
    fold = make_folds(con, plan)
    typed = [typed_column(con, plan, column, fold) for column in plan.columns]
    con.execute(
        queries.filled(
            "staging",
            "typed",
            texts=", ".join(f"texts.{each.plan.name} as {each.plan.name}__text" for each in typed),
            values=", ".join(f"{each.value} as {each.plan.name}" for each in typed),
            kept=", ".join(_kept_sql(each) for each in typed),
            problems=" + ".join(_problem_sql(place, each) for place, each in enumerate(typed)) or "0",
            place_on=place_on(plan),
            fold_join="left join folds on folds.record = texts.record" if fold != "0" else "",
        )
    )


def _kept_sql(typed: Typed) -> str:
    name = typed.plan.name
    value = f"cast({name} as bigint)" if typed.plan.kind == "whole" else name
    if typed.in_range == "true":
        return f"{value} as {name}"
    return f"case when {typed.in_range.format(name)} then {value} end as {name}"


def _problem_sql(place: int, typed: Typed) -> str:
    name = typed.plan.name
    bad = f"{name} is null" if typed.in_range == "true" else f"not coalesce({typed.in_range.format(name)}, false)"
    return f"case when {name}__text is not null and ({bad}) then {1 << place} else 0 end"


def reason_sql(plan: ReadPlan, column: ColumnPlan) -> str:
    """Why a cell could not be read, as SQL over `texts` and `places`."""
    text = f"texts.{column.name}"
    said = f"{column.name}: ' || chr(34) || left({text}, 80) || chr(34) || '"
    if MATCHED.get(plan.target) == column.name:
        return "coalesce(places.reason, 'id not matched')"
    match column.kind:
        case "choice":
            allowed = ", ".join(reference.vocabulary(column.vocabulary or "")).replace("'", "''")
            return f"'{said} is none of {allowed}'"
        case "flag":
            return f"'{said} is neither yes nor no'"
        case "text":
            return f"'{said} is no area name such as America/Chicago, nor UTC'"
        case "instant":
            return f"'{said} is no date in the form of this file, or an hour that the clocks skipped'"
        case _:
            low, high = column.limits or (0.0, 0.0)
            unit = column.measure.name if column.measure else ""
            kind = "whole number" if column.kind == "whole" else "number"
            return f"'{said} {quoted(unit)[1:-1]} is not a {kind} from {low:g} to {high:g} in the unit of the contract'"


def refuse(con: duckdb.DuckDBPyConnection, plan: ReadPlan) -> None:
    """Temporary table `refused` (record, reason): faults, and required cells that are empty or unreadable."""
    parts = ["typed.fault"]
    for place, column in enumerate(plan.columns):
        if column.required:
            parts.append(
                f"case when typed.fault is not null or typed.{column.name} is not null then null"
                f" when typed.problems & {1 << place} > 0 then {reason_sql(plan, column)}"
                f" else '{column.name} is empty' end"
            )
    con.execute(
        queries.filled(
            "staging",
            "refused",
            reasons=", ".join(parts),
            place_on=place_on(plan),
        )
    )


def refuse_farther_hours(con: duckdb.DuckDBPyConnection, plan: ReadPlan) -> None:
    """Of several observations in one hour the nearest to the hour is kept, the others are refused."""
    exact = clock_of(con, plan, "hour").instant("texts.hour", "0")
    con.execute(queries.filled("staging", "farther_hours", exact=exact))


def refuse_doubles(con: duckdb.DuckDBPyConnection, plan: ReadPlan) -> None:
    """Within a file: an exact repeat counts as such (table `repeats`), another value under the same key is refused."""
    key = key_sql(plan.target)
    names = [column.name for column in plan.columns]
    present = [name if name in names else f"null::varchar as {name}" for name in key]
    con.execute(
        queries.filled(
            "staging",
            "doubles",
            key=", ".join(key),
            key_columns=", ".join(present),
            content=", ".join(f"typed.{name}" for name in names),
            key_match=" and ".join(f"crowded.{name} is not distinct from candidate.{name}" for name in key),
            replaces="true" if plan.settings.replaces == "key" else "false",
        )
    )


def key_sql(target: str) -> Sequence[str]:
    """Columns of the target's grain."""
    return inputs.grain(target)


def keep(con: duckdb.DuckDBPyConnection, plan: ReadPlan, file_no: int) -> None:
    """Adds what is neither refused nor repeated to the raw table."""
    names = [column.name for column in plan.columns]
    con.execute(
        queries.filled(
            "staging",
            "keep_rows",
            table=f"raw_{plan.target}",
            columns=", ".join(names),
            values=", ".join(f"typed.{name}" for name in names),
            file_no=str(file_no),
        )
    )


def part_false_orders(con: duckdb.DuckDBPyConnection, plan: ReadPlan) -> None:
    """Where one value may not exceed another and does, neither can be trusted: what is optional of the two is emptied.

    Temporary table `aside` (record, column_name, written, reason) is begun with them.
    """
    con.execute(
        "create or replace temp table aside (record bigint, column_name varchar, written varchar, reason varchar)"
    )
    planned = {column.name: column for column in plan.columns}
    for first, second in inputs.ordered_pairs(plan.target).values():
        if first in planned and second in planned:
            optional = [name for name in (first, second) if not planned[name].required]
            for name in optional:
                con.execute(queries.filled("staging", "false_orders", column=name, first=first, second=second))
            emptied = ", ".join(f"{name} = null" for name in optional)
            con.execute(f"update typed set {emptied} where {first} > {second}")


def set_aside(con: duckdb.DuckDBPyConnection, plan: ReadPlan) -> None:
    """Adds unreadable optional cells of kept records to `aside`, and takes those of refused records out of it."""
    con.execute("delete from aside where record in (select record from refused)")
    found = con.execute("select bit_or(problems) from typed").fetchone()
    mask = int(found[0] or 0) if found else 0
    for place, column in enumerate(plan.columns):
        if mask & (1 << place) and not column.required:
            con.execute(
                queries.filled(
                    "staging",
                    "aside",
                    column=column.name,
                    bit=str(1 << place),
                    reason=reason_sql(plan, column),
                    place_on=place_on(plan),
                )
            )
