"""One staged file into typed rows: what is kept, refused, repeated, set aside.

A record is refused when what it is about cannot be read: a required cell, its key, an order that cannot be. An
optional cell that cannot be read is set aside on its own, and the record is kept without it.
"""

from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta

import duckdb

from lowambient import reference
from lowambient.intake.plan import MISSING, ColumnPlan, ReadPlan, known_words
from lowambient.records import inputs
from lowambient.store import decisions, queries, staging
from lowambient.store.decisions import IN_TIME, Clock, Written
from lowambient.store.frames import lent
from lowambient.store.places import MATCHED, Surroundings
from lowambient.store.quantities import converted_sql, declared_missing, missing_list, number_sql, suffix_of
from lowambient.store.queries import quoted
from lowambient.store.staging import Read

AWAY_S = "away_s"
"""Seconds from an observation of the weather to the full hour; half a second more where it came after the hour."""

_NAMING = ("circuit", "station_id")


def prepare(con: duckdb.DuckDBPyConnection, plan: ReadPlan, around: Surroundings) -> Read:
    """Works a file out in the temporary tables `typed`, `refused`, `repeats` and `aside`."""
    read = staging.stage(con, plan)
    _make_texts(con, plan)
    _make_places(con, plan, around)
    con.execute("create or replace temp table doubtful_times (column_name varchar, records bigint)")
    typed = _typed_columns(con, plan)
    _make_typed(con, plan, typed)
    _part_false_orders(con, plan)
    _refuse(con, plan)
    _refuse_doubles(con, plan)
    if plan.target == "weather":
        con.execute(queries.text("staging", "farther_hours"))
    _set_aside(con, plan)
    return read


def _missing(plan: ReadPlan, column: ColumnPlan) -> str:
    """Texts that mean "no value" in a column, as an SQL list: in free text only those that the profile declares."""
    if column.kind in ("choice", "flag"):
        means = known_words(column, plan.settings.values.get(column.name, {}))
        words = [*(word for word in MISSING if word not in means), *declared_missing(plan)]
        return f"[{', '.join(quoted(word) for word in dict.fromkeys(words))}]"
    if column.kind != "text" or column.name in _NAMING:
        return missing_list(plan)
    return f"[{', '.join(quoted(word) for word in ['', *declared_missing(plan)])}]"


def _form(plan: ReadPlan, column: ColumnPlan) -> str:
    missing = _missing(plan, column)
    return "cell_text({0})" if missing == "['']" else f"cell_value({{0}}, {missing})"


def _written(plan: ReadPlan, column: ColumnPlan) -> Written:
    return Written(column.name, "texts", f"texts.{column.name}", _form(plan, column), column.required)


def _text(plan: ReadPlan, column: ColumnPlan) -> str:
    return _written(plan, column).text


def _make_texts(con: duckdb.DuckDBPyConnection, plan: ReadPlan) -> None:
    """Temporary view `texts`: record, fault, and each column's cell under its contract name."""
    cells = [
        f"{f'c{each.cell}' if each.cell is not None else quoted(each.constant or '')} as {each.name}"
        for each in plan.columns
    ]
    con.execute(queries.filled("staging", "texts", cells=", ".join(cells)))


def _make_places(con: duckdb.DuckDBPyConnection, plan: ReadPlan, around: Surroundings) -> None:
    name = MATCHED.get(plan.target)
    column = plan.column(name) if name else None
    ids = ""
    if column is not None:
        text = replace(_written(plan, column), cell="cell").text
        ids = f"select {text} from (select distinct {column.name} as cell from texts)"
    put_places(con, around, plan.target, ids)


def put_places(con: duckdb.DuckDBPyConnection, around: Surroundings, target: str, ids: str) -> None:
    """Temporary table `places`: what each id that a query gives means, with its site's facts."""
    written = {row[0] for row in con.execute(ids).fetchall() if row[0] is not None} if ids else set()
    with lent(con, looked_up=around.look_up(target, sorted(written))):
        con.execute("create or replace temp table places as from looked_up")


def place_on(plan: ReadPlan) -> str:
    """Condition that joins `places` to `texts`."""
    name = MATCHED.get(plan.target)
    column = plan.column(name) if name else None
    return f"places.written = {_text(plan, column)}" if column else "false"


@dataclass(frozen=True)
class Typed:
    """SQL of one column: `value` over `texts`, `places` and `folds`; `kept` over `NAME__value` and the like.

    An instant has its local time as SQL too: `value` is then over the column `NAME__local`.
    """

    plan: ColumnPlan
    value: str
    kept: str
    local: str | None = None


def _typed_columns(con: duckdb.DuckDBPyConnection, plan: ReadPlan) -> list[Typed]:
    clocks = {
        column.name: Clock.of(con, plan, _written(plan, column)) for column in plan.columns if column.kind == "instant"
    }
    in_order = {"readings": "read_at", "weather": "hour"}.get(plan.target)
    fold = _make_folds(con, plan, clocks[in_order]) if in_order else "0"
    typed = []
    for column in plan.columns:
        clock = clocks.get(column.name)
        if clock is None:
            typed.append(_typed_column(con, plan, column))
        else:
            value = clock.instant(f"texts.{column.name}__local", fold)
            if not in_order:
                _note_doubtful(con, plan, column, clock)
            held = "nearest_hour({0})" if plan.target == "weather" else "{0}"
            typed.append(Typed(column, value, f"case when {IN_TIME.format(held)} then {held} end", clock.local))
    return typed


def _note_doubtful(con: duckdb.DuckDBPyConnection, plan: ReadPlan, column: ColumnPlan, clock: Clock) -> None:
    """Adds to `doubtful_times` how many times of a column the clocks showed twice: no order of records tells which."""
    ambiguous = clock.ambiguous("texts.local_at")
    if ambiguous == "false":
        return
    parts = {"column": quoted(column.name), "local": clock.local, "ambiguous": ambiguous, "place_on": place_on(plan)}
    con.execute(queries.filled("staging", "doubtful_times", **parts))


def _typed_column(con: duckdb.DuckDBPyConnection, plan: ReadPlan, column: ColumnPlan) -> Typed:
    match column.kind:
        case "text" if plan.target == "sites" and column.name == "time_zone":
            return Typed(column, decisions.zone_case(con, plan, _written(plan, column)), "{0}")
        case "text":
            return Typed(column, _meant_text(plan, column), "{0}")
        case "choice":
            return Typed(column, decisions.meant_case(con, plan, column, _written(plan, column)), "{0}")
        case "flag":
            return Typed(column, f"({decisions.meant_case(con, plan, column, _written(plan, column))} = 'true')", "{0}")
    quantity = (column.column.metadata or {}).get("measure") if column.column is not None else None
    number = number_sql(plan, f"texts.{column.name}", quoted(suffix_of(plan, quantity, column.measure)))
    low, high = column.limits or (float("-inf"), float("inf"))
    plausible = f"{{0}} between {low!r} and {high!r}"
    if column.kind == "whole":
        kept = f"case when {plausible} and {{0}} = floor({{0}}) then cast({{0}} as bigint) end"
    else:
        kept = f"case when {plausible} then {{0}} end"
    return Typed(column, converted_sql(plan, column.measure, number), kept)


def _meant_text(plan: ReadPlan, column: ColumnPlan) -> str:
    """A text in the profile's own words for it, or the listed id that it means.

    A unit whose site is not listed is kept with the site as written.
    """
    text = _text(plan, column)
    words = plan.settings.values.get(column.name, {})
    branches = " ".join(f"when {quoted(word)} then {quoted(meant)}" for word, meant in words.items())
    text = f"case {text} {branches} else {text} end" if branches else text
    if MATCHED.get(plan.target) != column.name:
        return text
    return f"coalesce(places.meant, {text})" if plan.target == "units" else "places.meant"


def _make_folds(con: duckdb.DuckDBPyConnection, plan: ReadPlan, clock: Clock) -> str:
    """Temporary table `folds` where times came twice; returns the fold of a record as SQL."""
    if clock.ambiguous("texts.local_at") == "false":
        return "0"
    series = [_text(plan, column) for name in ("unit_id", "circuit", "station_id") if (column := plan.column(name))]
    con.execute(
        queries.filled(
            "staging",
            "ambiguous_records",
            series=", ".join(series),
            local=clock.local,
            hour_from=clock.hour_from("texts.local_at"),
            ambiguous=clock.ambiguous("texts.local_at"),
            place_on=place_on(plan),
        )
    )
    con.execute(queries.text("staging", "directions"))
    con.execute(queries.text("staging", "folds"))
    return "coalesce(folds.fold, 0)"


def _make_typed(con: duckdb.DuckDBPyConnection, plan: ReadPlan, typed: list[Typed]) -> None:
    """Temporary table `typed`: record, fault, each column's value or null, and `problems`, a bit a column."""
    values = [f"{each.value} as {each.plan.name}__value" for each in typed]
    kept = [f"{each.kept.format(f'{each.plan.name}__value')} as {each.plan.name}" for each in typed]
    if plan.target == "weather":
        kept.append(f"away_from_hour_s(hour__value) as {AWAY_S}")
    con.execute(
        queries.filled(
            "staging",
            "typed",
            locals="".join(f", {each.local} as {each.plan.name}__local" for each in typed if each.local),
            values=", ".join(values),
            kept=", ".join(kept),
            problems=" + ".join(_problem_sql(plan, place, each) for place, each in enumerate(typed)) or "0",
            place_on=place_on(plan),
            fold_join="left join folds on folds.record = texts.record" if _has_folds(typed) else "",
        )
    )


def _has_folds(typed: list[Typed]) -> bool:
    return any("folds.fold" in each.value for each in typed)


def _problem_sql(plan: ReadPlan, place: int, typed: Typed) -> str:
    """The column's bit where its cell holds something that gives no value; the cell is looked at only then."""
    kept = typed.kept.format(f"{typed.plan.name}__value")
    held = f"holds_value(texts.{typed.plan.name}, {_missing(plan, typed.plan)})"
    return f"case when ({kept}) is not null then 0 else case when {held} then {1 << place} else 0 end end"


def reason_sql(plan: ReadPlan, column: ColumnPlan) -> str:
    """Why a cell could not be read, as SQL over `texts` and `places`."""
    if MATCHED.get(plan.target) == column.name:
        return "coalesce(places.reason, 'id not matched')"
    said = f"'{column.name}: ' || chr(34) || left({_text(plan, column)}, 80) || chr(34) || "
    match column.kind:
        case "choice":
            return said + quoted(f" is none of {', '.join(reference.vocabulary(column.vocabulary or ''))}")
        case "flag":
            return said + quoted(" is neither yes nor no")
        case "text":
            return said + quoted(" is no area name such as America/Chicago, nor UTC")
        case "instant":
            return said + quoted(" is no date in the form of this file, or an hour that the clocks skipped")
    low, high = column.limits or (float("-inf"), float("inf"))
    unit = f" {column.measure.name}" if column.measure else ""
    kind = "whole number" if column.kind == "whole" else "number"
    return said + quoted(f"{unit} is not a {kind} from {low:g} to {high:g} in the unit of the contract")


def _part_false_orders(con: duckdb.DuckDBPyConnection, plan: ReadPlan) -> None:
    """Where one value may not exceed another and does, neither can be trusted: what is optional of the two is emptied.

    Temporary table `aside` (record, column_name, written, reason) is begun with them.
    """
    con.execute(queries.text("staging", "no_aside"))
    planned = {column.name: column for column in plan.columns}
    for first, second in inputs.ordered_pairs(plan.target).values():
        if first in planned and second in planned:
            optional = [planned[name] for name in (first, second) if not planned[name].required]
            for column in optional:
                parts = {"column": column.name, "written": _text(plan, column), "first": first, "second": second}
                con.execute(queries.filled("staging", "false_orders", **parts))
            emptied = ", ".join(f"{column.name} = null" for column in optional)
            con.execute(f"update typed set {emptied} where {first} > {second}")


def _refuse(con: duckdb.DuckDBPyConnection, plan: ReadPlan) -> None:
    """Temporary table `refused` (record, reason): faults, and required cells that are empty or unreadable."""
    bad, reasons = ["fault is not null"], ["typed.fault"]
    for place, column in enumerate(plan.columns):
        if column.required:
            bad.append(f"{column.name} is null")
            reasons.append(
                f"case when typed.fault is not null or typed.{column.name} is not null then null"
                f" when typed.problems & {1 << place} > 0 then {reason_sql(plan, column)}"
                f" else '{column.name} is empty' end"
            )
    if plan.target == "calls":  # a mistyped year would stretch the hours in service of every unit
        future = f"coalesce(typed.opened_at > {quoted(str(_a_day_ahead()))}::timestamp, false)"
        bad.append(future)
        reasons.append(f"case when {future} then 'opened_at lies in the future' end")
    parts = {"bad": " or ".join(bad), "reasons": ", ".join(reasons), "place_on": place_on(plan)}
    con.execute(queries.filled("staging", "refused", **parts))


def _a_day_ahead() -> datetime:
    """Now and a day, so that no zone is wronged [UTC]; what lies beyond depends on when a file is read."""
    return datetime.now(UTC).replace(tzinfo=None, microsecond=0) + timedelta(days=1)


def _refuse_doubles(con: duckdb.DuckDBPyConnection, plan: ReadPlan) -> None:
    """Within a file: an exact repeat counts as such (table `repeats`), another value under the same key is refused."""
    key = key_of(plan.target)
    names = [*(column.name for column in plan.columns), *([AWAY_S] if plan.target == "weather" else [])]
    con.execute(
        queries.filled(
            "staging",
            "doubles",
            key=", ".join(key),
            key_columns=", ".join(name if name in names else f"null::varchar as {name}" for name in key),
            content=", ".join(f"typed.{name}" for name in names),
            key_match=" and ".join(f"crowded.{name} is not distinct from candidate.{name}" for name in key),
            replaces="true" if plan.settings.replaces == "key" else "false",
        )
    )


def key_of(target: str) -> list[str]:
    """Columns that name one record of the raw table: the grain, for weather with the distance from the full hour."""
    return [*inputs.grain(target), *([AWAY_S] if target == "weather" else [])]


def keep(con: duckdb.DuckDBPyConnection, plan: ReadPlan, file_no: int) -> None:
    """Adds what is neither refused nor repeated to the raw table."""
    names = [*(column.name for column in plan.columns), *([AWAY_S] if plan.target == "weather" else [])]
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


def _set_aside(con: duckdb.DuckDBPyConnection, plan: ReadPlan) -> None:
    """Adds unreadable optional cells to `aside`, and takes those of records that are not kept out of it."""
    found = con.execute("select bit_or(problems) from typed").fetchone()
    mask = int(found[0] or 0) if found else 0
    for place, column in enumerate(plan.columns):
        if mask & (1 << place) and not column.required:
            con.execute(
                queries.filled(
                    "staging",
                    "aside",
                    column=column.name,
                    written=_text(plan, column),
                    bit=str(1 << place),
                    reason=reason_sql(plan, column),
                    place_on=place_on(plan),
                )
            )
    con.execute(queries.text("staging", "aside_of_kept"))
