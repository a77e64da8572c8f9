"""What a column's own cells decide, over the whole file and whatever its order: date forms, words, ids."""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

import duckdb

from lowambient.errors import InputRefused
from lowambient.intake import instants
from lowambient.intake.instants import ZoneStep
from lowambient.intake.plan import ColumnPlan, ReadPlan, meant_values
from lowambient.store.queries import quoted

SAMPLE = 400
VOCABULARY = 2_000


@dataclass(frozen=True)
class Forms:
    """How the instants of one column are read: one of the words of `instants`, or strptime patterns tried in order."""

    patterns: tuple[str, ...]
    offsets: bool = False


def sample_texts(con: duckdb.DuckDBPyConnection, relation: str, column: str) -> list[str]:
    """Up to 400 distinct texts of a column, the same ones in whatever order the records stand."""
    rows = con.execute(
        f"select {column} from {relation} where {column} is not null group by {column}"
        f" order by hash({column}), {column} limit {SAMPLE}"
    ).fetchall()
    return [row[0] for row in rows]


def forms_of(con: duckdb.DuckDBPyConnection, relation: str, plan: ReadPlan, column: str) -> Forms:
    """The forms of an instant column: declared, or proven by its cells.

    Raises InputRefused where no known form fits most cells, or where day and month cannot be told apart.
    """
    settings = plan.settings
    if settings.dates:
        patterns = tuple(settings.dates)
    else:
        sample = sample_texts(con, relation, column)
        patterns = tuple(_proven(con, relation, plan, column, sample)) if sample else (instants.ISO,)
    offsets = patterns[0] == instants.ISO and _any(con, f"has_offset({column})", relation)
    return Forms(patterns, offsets)


def _any(con: duckdb.DuckDBPyConnection, condition: str, relation: str) -> bool:
    found = con.execute(f"select bool_or({condition}) from {relation}").fetchone()
    return bool(found and found[0])


def _proven(
    con: duckdb.DuckDBPyConnection, relation: str, plan: ReadPlan, column: str, sample: Sequence[str]
) -> list[str]:
    chosen: list[str] = []
    left = list(sample)
    while left and len(chosen) < 4:
        candidates = [each for each in best_formats(left, plan.settings.date_order) if _alike(each, chosen)]
        if not candidates:
            break
        form = candidates[0] if len(candidates) == 1 else _told_apart(con, relation, plan, column, candidates)
        chosen.append(form)
        left = [text for text in left if not instants.reads(form, text)]
    if not chosen or len(left) > len(sample) / 2:
        raise InputRefused(
            f"{plan.source}: {column} is not in a date form that is known, for example {sample[0]!r}:"
            f' write {plan.settings.key}.dates, such as "%m/%d/%Y %H:%M"'
        )
    return chosen


def _alike(form: str, chosen: Sequence[str]) -> bool:
    """Whether a further form agrees with those chosen on the order of day and month."""
    if not chosen:
        return True
    if instants.is_day_first(form):
        return not any(instants.is_month_first(each) for each in chosen)
    return not (instants.is_month_first(form) and any(instants.is_day_first(each) for each in chosen))


def best_formats(texts: Iterable[str], order: str | None) -> list[str]:
    """Formats that read the most of the texts, as equals; `order` (`day first`, `month first`) leaves out the other."""
    fits: dict[str, int] = {}
    texts = list(texts)
    whole = instants.formats_that_fit(texts)
    if not whole:
        for text in texts:
            for form in instants.formats_that_fit([text]):
                fits[form] = fits.get(form, 0) + 1
        most = max(fits.values(), default=0)
        whole = [form for form, count in fits.items() if count == most]
    if order == "day first":
        whole = [form for form in whole if not instants.is_month_first(form)]
    if order == "month first":
        whole = [form for form in whole if not instants.is_day_first(form)]
    return whole


def _told_apart(
    con: duckdb.DuckDBPyConnection, relation: str, plan: ReadPlan, column: str, candidates: Sequence[str]
) -> str:
    counts = ", ".join(f"count(try_strptime({column}, {quoted(form)}))" for form in candidates)
    row = con.execute(f"select {counts} from {relation}").fetchone() or ()
    most = max(row)
    winners = [form for form, count in zip(candidates, row, strict=True) if count == most]
    if len(winners) > 1:
        example = sample_texts(con, relation, column)[0]
        raise InputRefused(
            f"{plan.source}: dates of {column} such as {example!r} can be read with the day or the month first, and"
            f' every one in the file fits both: write {plan.settings.key}.dates = "day first" or "month first"'
        )
    return winners[0]


def local_sql(column: str, forms: Forms) -> str:
    """Local timestamp of a text column as SQL; null where the text is in none of the forms."""
    if forms.patterns == (instants.ISO,):
        return f"iso_local({column})" if forms.offsets else f"try_cast({column} as timestamp)"
    if forms.patterns == (instants.EPOCH_S,):
        return f"make_timestamp(cast(try_cast({column} as double) * 1000000 as bigint))"
    if forms.patterns == (instants.EPOCH_MS,):
        return f"make_timestamp(cast(try_cast({column} as double) * 1000 as bigint))"
    tried = [
        local_sql(column, Forms((form,), forms.offsets))
        if form in instants.WORDS
        else f"try_strptime({column}, {quoted(form)})"
        for form in forms.patterns
    ]
    return f"coalesce({', '.join(tried)})" if len(tried) > 1 else tried[0]


def is_utc(forms: Forms) -> bool:
    """Whether the forms give UTC by themselves."""
    return forms.patterns[0] in (instants.EPOCH_S, instants.EPOCH_MS)


@dataclass(frozen=True)
class Clock:
    """How a text column of one file becomes UTC: its forms, and the local time of its zones over the file's span.

    The SQL it gives may use `places.time_zone` where each record is in its own site's zone.
    """

    forms: Forms
    steps: Mapping[str, Sequence[ZoneStep]]
    by_site: bool

    @classmethod
    def of(cls, con: duckdb.DuckDBPyConnection, plan: ReadPlan, forms: Forms, relation: str, column: str) -> "Clock":
        """The clock of `column` of `relation`; `places` must stand where the file is in its sites' zones."""
        local = local_sql(column, forms)
        span = con.execute(
            f"select min(l), max(l) from (select {local} as l from {relation})"
            " where l between timestamp '1950-01-01' and timestamp '2100-01-01'"
        ).fetchone()
        by_site = plan.time_zone == "site"
        zones = [plan.time_zone]
        if by_site:
            zones = [row[0] for row in con.execute("select distinct time_zone from places order by all").fetchall()]
        first, last = span if span and span[0] else (datetime(2000, 1, 1), datetime(2000, 1, 2))  # noqa: DTZ001
        return cls(forms, {zone: instants.zone_steps(zone, first, last) for zone in zones}, by_site)

    def local(self, text: str) -> str:
        """Local timestamp; null where the text is in none of the forms."""
        return local_sql(text, self.forms)

    def instant(self, text: str, fold: str) -> str:
        """UTC timestamp; null also in an hour that does not exist. `fold`: 1 in the second pass of a repeated hour."""
        if is_utc(self.forms):
            return self.local(text)
        offset = self._by_zone(lambda steps: _offset_case(self.local(text), fold, steps))
        if self.forms.offsets:
            offset = f"coalesce(iso_offset_s({text}), {offset})"
        return f"({self.local(text)} - to_seconds({offset}))"

    def ambiguous(self, text: str) -> str:
        """Whether the local time came twice."""
        if is_utc(self.forms) or not any(step.kind == "repeated" for each in self.steps.values() for step in each):
            return "false"
        twice = self._by_zone(lambda steps: _repeated(self.local(text), steps, "true", "false"))
        return f"coalesce({twice}{f' and not has_offset({text})' if self.forms.offsets else ''}, false)"

    def hour_from(self, text: str) -> str:
        """Where the repeated stretch begins in which the local time lies; null elsewhere."""
        if self.ambiguous(text) == "false":
            return "null::timestamp"
        return self._by_zone(lambda steps: _repeated(self.local(text), steps, None, "null"))

    def _by_zone(self, sql: Callable[[Sequence[ZoneStep]], str]) -> str:
        if not self.by_site:
            return sql(next(iter(self.steps.values())))
        branches = " ".join(f"when {quoted(zone)} then {sql(steps)}" for zone, steps in self.steps.items())
        return f"case places.time_zone {branches} end" if branches else "null"


def _stamp(instant: datetime) -> str:
    return f"timestamp '{instant:%Y-%m-%d %H:%M:%S}'"


def _offset_case(local: str, fold: str, steps: Sequence[ZoneStep]) -> str:
    """Seconds east of UTC of a local timestamp in one zone; null in an hour that does not exist."""
    if len(steps) == 1:
        return str(steps[0].offset_s)
    branches = []
    for step in steps:
        offset = "null" if step.kind == "missing" else str(step.offset_s)
        if step.kind == "repeated" and fold != "0":
            offset = f"case when {fold} = 1 then {step.second_offset_s} else {step.offset_s} end"
        branches.append(f"when {local} < {_stamp(step.local_to)} then {offset}")
    return f"case {' '.join(branches)} end"


def _repeated(local: str, steps: Sequence[ZoneStep], then: str | None, otherwise: str) -> str:
    branches = " ".join(
        f"when {local} >= {_stamp(step.local_from)} and {local} < {_stamp(step.local_to)}"
        f" then {then or _stamp(step.local_from)}"
        for step in steps
        if step.kind == "repeated"
    )
    return f"case {branches} else {otherwise} end" if branches else otherwise


def zone_case(con: duckdb.DuckDBPyConnection, relation: str, plan: ReadPlan) -> str:
    """A site's time zone as SQL over its written texts, the profile's words put in place; null where it is none."""
    rows = con.execute(
        f"select distinct time_zone from {relation} where time_zone is not null order by all limit {VOCABULARY}"
    ).fetchall()
    words = plan.settings.values.get("time_zone", {})
    meant = {text: words.get(text, text) for (text,) in rows}
    known = {text: zone for text, zone in meant.items() if instants.is_zone(zone)}
    branches = " ".join(f"when {quoted(text)} then {quoted(zone)}" for text, zone in known.items())
    return f"case texts.time_zone {branches} end" if branches else "null::varchar"


def meant_case(con: duckdb.DuckDBPyConnection, relation: str, plan: ReadPlan, column: ColumnPlan) -> str:
    """A closed vocabulary or a flag as SQL over its written texts; null for texts that mean nothing."""
    rows = con.execute(
        f"select distinct {column.name} from {relation} where {column.name} is not null order by all limit {VOCABULARY}"
    ).fetchall()
    meant = meant_values(column, plan.settings.values.get(column.name, {}), [row[0] for row in rows])
    if not meant:
        return "null"
    branches = " ".join(f"when {quoted(text)} then {quoted(value)}" for text, value in meant.items())
    return f"case {column.name} {branches} end"
