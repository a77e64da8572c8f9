"""What a column's own cells decide, over the whole file and whatever its order: date forms, words, ids."""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

import duckdb

from lowambient.errors import InputRefused
from lowambient.intake import instants
from lowambient.intake.instants import ZoneStep
from lowambient.intake.plan import ColumnPlan, ReadPlan, meant_values
from lowambient.store.queries import quoted

SAMPLE = 400
VOCABULARY = 2_000
IN_TIME = "{0} between timestamp '1950-01-01' and timestamp '2100-01-01'"
_COUNTED = {instants.EPOCH_S, instants.EPOCH_MS}


@dataclass(frozen=True)
class Forms:
    """How the instants of one column are read: one of the words of `instants`, or strptime patterns tried in order."""

    patterns: tuple[str, ...]
    offsets: bool = False


@dataclass(frozen=True)
class Written:
    """A column of one file: contract `name`, the relation it stands in, `cell` as SQL, and `form` that trims a cell.

    `form` gives null for a cell that holds no value.
    """

    name: str
    relation: str
    cell: str
    form: str
    required: bool

    @property
    def text(self) -> str:
        """The cell's text as SQL; null where it holds no value."""
        return self.form.replace("{0}", self.cell)


def _distinct(con: duckdb.DuckDBPyConnection, written: Written, order: str, limit: int) -> list[tuple[str, str]]:
    """Distinct cells with the text of each."""
    return con.execute(
        f"select cell, {replace(written, cell='cell').text} as word"
        f" from (select distinct {written.cell} as cell from {written.relation})"
        f" where word is not null order by {order} limit {limit}"
    ).fetchall()


def sample_texts(con: duckdb.DuckDBPyConnection, written: Written) -> list[str]:
    """Up to 400 distinct texts of a column, the same ones in whatever order the records stand."""
    return list(dict.fromkeys(word for _, word in _distinct(con, written, "hash(word), word", SAMPLE)))


def forms_of(con: duckdb.DuckDBPyConnection, plan: ReadPlan, written: Written) -> Forms:
    """The forms of an instant column: declared, or proven by its cells.

    Raises InputRefused where no known form fits most cells, or where day and month cannot be told apart.
    """
    if plan.settings.dates:
        patterns = tuple(plan.settings.dates)
    else:
        sample = sample_texts(con, written)
        patterns = tuple(_proven(con, plan, written, sample)) if sample else (instants.ISO,)
    return Forms(patterns, instants.ISO in patterns and _any_offset(con, written))


def _any_offset(con: duckdb.DuckDBPyConnection, written: Written) -> bool:
    found = con.execute(f"select bool_or(has_offset({written.text})) from {written.relation}").fetchone()
    return bool(found and found[0])


def _proven(con: duckdb.DuckDBPyConnection, plan: ReadPlan, written: Written, sample: Sequence[str]) -> list[str]:
    chosen: list[str] = []
    left = list(sample)
    while left and len(chosen) < 4:
        candidates = [each for each in best_formats(left, plan.settings.date_order) if _alike(each, chosen)]
        if not candidates:
            break
        winners = candidates if len(candidates) == 1 else _told_apart(con, written, candidates)
        if len(winners) > 1 and chosen:
            break
        if len(winners) > 1:
            raise _either_first(plan, written, sample)
        form = winners[0]
        chosen.append(form)
        left = [text for text in left if not instants.reads(form, text)]
    if written.required and (not chosen or len(left) > len(sample) / 2):
        raise InputRefused(
            f"{plan.source}: {written.name} is not in a date form that is known, for example {sample[0]!r}:"
            f' write {plan.settings.key}.dates, such as "%m/%d/%Y %H:%M"'
        )
    return chosen or [instants.ISO]


def _alike(form: str, chosen: Sequence[str]) -> bool:
    """Whether a further form agrees with those chosen: on the order of day and month, and on what it counts from."""
    if not chosen:
        return True
    if {form, *chosen} & _COUNTED:
        return False
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
    return [form for form in whole if instants.is_in_order(form, order)]


def _told_apart(con: duckdb.DuckDBPyConnection, written: Written, candidates: Sequence[str]) -> list[str]:
    """Those of the candidates that read the most cells of the whole column."""
    counts = ", ".join(f"count(try_strptime({written.text}, {quoted(form)}))" for form in candidates)
    row = con.execute(f"select {counts} from {written.relation}").fetchone() or ()
    most = max(row)
    return [form for form, count in zip(candidates, row, strict=True) if count == most]


def _either_first(plan: ReadPlan, written: Written, sample: Sequence[str]) -> InputRefused:
    return InputRefused(
        f"{plan.source}: dates of {written.name} such as {sample[0]!r} can be read with the day or the month first,"
        f' and every one in the file fits both: write {plan.settings.key}.dates = "day first" or "month first"'
    )


def local_sql(text: str, forms: Forms) -> str:
    """Local timestamp of a text as SQL; null where it is in none of the forms."""
    tried = [_local_in_form(text, form, forms.offsets) for form in forms.patterns]
    if len(tried) == 1:
        return tried[0]
    return f"coalesce({', '.join(f'case when {IN_TIME.format(each)} then {each} end' for each in tried)})"


def _local_in_form(text: str, form: str, offsets: bool) -> str:
    match form:
        case instants.ISO:
            return f"iso_offset_local({text})" if offsets else f"iso_local({text})"
        case instants.EPOCH_S:
            return f"make_timestamp(cast(plain_number({text}) * 1000000 as bigint))"
        case instants.EPOCH_MS:
            return f"make_timestamp(cast(plain_number({text}) * 1000 as bigint))"
    return f"try_strptime({text}, {quoted(form)})"


def is_utc(forms: Forms) -> bool:
    """Whether the forms give UTC by themselves."""
    return forms.patterns[0] in _COUNTED


@dataclass(frozen=True)
class Clock:
    """How a text column of one file becomes UTC: its forms, and the local time of its zones over the file's span.

    `local` is SQL of the local timestamp; the other SQL is over a column that holds it, so that texts are parsed once,
    and may use `places.time_zone` where each record is in its own site's zone: `places` must stand.
    """

    text: str
    local: str
    forms: Forms
    steps: Mapping[str, Sequence[ZoneStep]]
    by_site: bool

    @classmethod
    def of(
        cls, con: duckdb.DuckDBPyConnection, plan: ReadPlan, written: Written, read_already: str | None = None
    ) -> "Clock":
        """The clock of one instant column; `read_already` is SQL of a local timestamp that goes before its text.

        Raises InputRefused where its forms cannot be told.
        """
        plain = None if plan.settings.dates or read_already else _plain_form(con, written)
        forms = Forms((plain,)) if plain else forms_of(con, plan, written)
        text = written.cell if plain else written.text
        local = local_sql(text, forms)
        if read_already:
            local = f"case when {read_already} is not null then {read_already} else {local} end"
        span = con.execute(
            f"select min(local_at), max(local_at) from (select {local} as local_at from {written.relation})"
            f" where {IN_TIME.format('local_at')}"
        ).fetchone()
        by_site = plan.time_zone == "site"
        zones = [plan.time_zone]
        if by_site:
            zones = [row[0] for row in con.execute("select distinct time_zone from places order by all").fetchall()]
        first, last = span if span and span[0] else (datetime(2000, 1, 1), datetime(2000, 1, 2))  # noqa: DTZ001
        steps = {zone: instants.zone_steps(zone, first, last) for zone in zones}
        return cls(text, local, forms, steps, by_site)

    def instant(self, local: str, fold: str) -> str:
        """UTC timestamp; null also in an hour that does not exist. `fold`: 1 in the second pass of a repeated hour."""
        if is_utc(self.forms):
            return local
        offset = self._by_zone(lambda steps: _offset_case(local, fold, steps))
        if self.forms.offsets:
            offset = f"coalesce(iso_offset_s({self.text}), {offset})"
        return local if offset == "0" else f"({local} - to_seconds({offset}))"

    def ambiguous(self, local: str) -> str:
        """Whether the local time came twice."""
        if is_utc(self.forms) or not any(step.kind == "repeated" for each in self.steps.values() for step in each):
            return "false"
        twice = self._by_zone(lambda steps: _repeated(local, steps, "true", "false"))
        return f"coalesce({twice}{f' and not has_offset({self.text})' if self.forms.offsets else ''}, false)"

    def hour_from(self, local: str) -> str:
        """Where the repeated stretch begins in which the local time lies; null elsewhere."""
        if self.ambiguous(local) == "false":
            return "null::timestamp"
        return self._by_zone(lambda steps: _repeated(local, steps, None, "null"))

    def _by_zone(self, sql: Callable[[Sequence[ZoneStep]], str]) -> str:
        if not self.by_site:
            return sql(next(iter(self.steps.values())))
        branches = " ".join(f"when {quoted(zone)} then {sql(steps)}" for zone, steps in self.steps.items())
        return f"case places.time_zone {branches} end" if branches else "null"


def _plain_form(con: duckdb.DuckDBPyConnection, written: Written) -> str | None:
    """The plain pattern that reads every cell with a value; null where there is none."""
    for form in instants.PLAIN:
        read = f"try_strptime({written.cell}, {quoted(form)})"
        found = con.execute(
            f"select count({read}), count(case when {read} is null then {written.text} end) from {written.relation}"
        ).fetchone()
        if found is not None and found[0] > 0:
            return form if found[1] == 0 else None
    return None


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


def zone_case(con: duckdb.DuckDBPyConnection, plan: ReadPlan, written: Written) -> str:
    """A site's time zone as SQL over its cells, the profile's words put in place; null where it is none."""
    words = plan.settings.values.get(written.name, {})
    meant = {cell: words.get(word, word) for cell, word in _distinct(con, written, "cell", VOCABULARY)}
    return _cell_case(written, {cell: zone for cell, zone in meant.items() if instants.is_zone(zone)})


def meant_case(con: duckdb.DuckDBPyConnection, plan: ReadPlan, column: ColumnPlan, written: Written) -> str:
    """A closed vocabulary or a flag as SQL over its cells; null for texts that mean nothing."""
    cells = _distinct(con, written, "cell", VOCABULARY)
    meant = meant_values(column, plan.settings.values.get(column.name, {}), [word for _, word in cells])
    return _cell_case(written, {cell: meant[word] for cell, word in cells if word in meant})


def _cell_case(written: Written, meant: Mapping[str, str]) -> str:
    branches = " ".join(f"when {quoted(cell)} then {quoted(value)}" for cell, value in meant.items())
    return f"case {written.cell} {branches} end" if branches else "null::varchar"
