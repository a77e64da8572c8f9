"""The row rules that the store generates as SQL and the schemas of the contract, asked about the same values.

Each batch is written to a file and loaded; the same values stand in a frame that the table's dataframely schema judges.
Every rule that a schema has must be one that the batches break, and the store must draw from it what the contract
promises: a row whose required cell fails is refused with the reason, an optional cell that fails is emptied and set
aside with it, an order that cannot be empties what is optional of the two, an exact repeat is counted and another row
under the same key refuses both.
"""

import csv
import io
import math
import random
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from itertools import product
from typing import Any

import dataframely as dy
import polars as pl
import pytest
from conftest import SITES, UNITS
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from lowambient import reference
from lowambient.profile import load_profile
from lowambient.records import inputs
from lowambient.records.columns import EARLIEST, LATEST
from lowambient.store import Store, load_all

MICROSECOND = timedelta(microseconds=1)
NOON = datetime(2016, 1, 5, 12, tzinfo=UTC)
UNITS_OF_MEASURE = {"pressure": "kPaa", "temperature": "°C"}
LISTED = ("RTU-1", "RTU-2", "RTU-3")
CONFLICT = "conflict: another record of this file has the same key and other values"
LONG_CONFLICT = (
    "conflict: another record of this file has the same unit, circuit, instant and channel and another value"
)
NOT_IN_RANGE = ("min", "max", "inf", "nan", "dtype")

# a batch holds hundreds of rows and names those that differ, so nothing is gained by shrinking it
few_batches = settings(max_examples=2, deadline=None, derandomize=True, database=None, phases=[Phase.generate])


@pytest.fixture(autouse=True)
def _no_clock(monkeypatch: pytest.MonkeyPatch) -> None:
    """What lies in the future is a matter of the clock when a file is read, not of the contract."""
    monkeypatch.setattr("lowambient.store.rows._a_day_ahead", lambda: datetime(2200, 1, 1))


@dataclass(frozen=True)
class Cell:
    """A cell as written, and the value it stands for.

    `value` is null where the cell holds nothing; a text that is no value of the column's kind stands for itself.
    """

    text: str
    value: Any

    @property
    def trimmed(self) -> str:
        return self.text.strip()


Row = dict[str, Cell]

# the contract's hour is the one nearest to the observation, half past belongs to the next
OFF_THE_HOUR = (
    Cell("1949-12-31 23:29:59", EARLIEST - timedelta(hours=1)),
    Cell("1949-12-31 23:30:00", EARLIEST),
    Cell("2100-01-01 00:29:59", LATEST),
    Cell("2100-01-01 00:30:00", LATEST + timedelta(hours=1)),
)


class Batch:
    """Rows of one file; their texts would be too long to print."""

    def __init__(self, rows: list[Row]) -> None:
        self.rows = rows

    def __repr__(self) -> str:
        return f"Batch of {len(self.rows)} rows"


# --- what may stand in a column ---------------------------------------------------------------------------------


def nothing(column: dy.Column) -> list[Cell]:
    """Cells that hold nothing: a frame of texts can say that in two ways."""
    return [Cell("", None), Cell("  ", "" if facts(column)["kind"] == "text" else None)]


def facts(column: dy.Column) -> dict[str, Any]:
    return column.metadata or {}


def bounds(column: dy.Column) -> tuple[float, float]:
    low, high = getattr(column, "min", None), getattr(column, "max", None)
    return (-math.inf if low is None else low, math.inf if high is None else high)


def measure_of(column: dy.Column) -> str | None:
    return UNITS_OF_MEASURE.get(facts(column).get("measure", ""))


def number(value: float) -> Cell:
    return Cell(repr(value), value)


def whole(value: int) -> Cell:
    return Cell(str(value), value)


def instant(value: datetime) -> Cell:
    return Cell(f"{value:%Y-%m-%d %H:%M:%S}" + (f".{value.microsecond:06d}" if value.microsecond else ""), value)


def plain(table: str, name: str, column: dy.Column, row: int) -> Cell:
    """A cell that no rule objects to; those of the key differ from row to row."""
    match facts(column)["kind"]:
        case "number":
            low, high = bounds(column)
            return number((low + high) / 2)
        case "whole":
            return whole(2)
        case "flag":
            return Cell("yes", True)
        case "choice":
            return _word(reference.vocabulary(facts(column)["vocabulary"])[0])
        case "instant":
            return instant(NOON + row * timedelta(hours=1) if name in inputs.grain(table) else NOON)
    listed = {"circuit": "1", "time_zone": "America/Chicago", "unit_id": LISTED[row % 3]}
    is_own_key = inputs.grain(table) == [name]
    return _word(f"K{row}" if is_own_key else listed.get(name, "S1"))


def _word(text: str) -> Cell:
    return Cell(text, text)


def edges(table: str, name: str, column: dy.Column) -> list[Cell]:
    """Cells at, just inside and just outside what the schema allows, and cells that are no value of the kind."""
    match facts(column)["kind"]:
        case "number":
            low, high = bounds(column)
            near = [each for end in (low, high) for each in (end, *_beside(end))]
            odd = [Cell(text, float(text)) for text in ("inf", "-inf", "Infinity", "1e999", "-nan")]
            missing = [Cell(text, None) for text in ("nan", "NaN", "n/a")]
            return [*map(number, near), *map(number, _beside((low + high) / 2)), *odd, *missing, _word("broken")]
        case "whole":
            low, most = int(column.min or 0), int(reference.limit("count").upper)
            near = [low - 1, low, low + 1, most - 1, most, most + 1, 10**12]
            return [*map(whole, near), Cell("3.0", 3), Cell("2.5", 2.5), Cell("inf", math.inf), _word("broken")]
        case "flag":
            return [Cell("true", True), Cell("0", False), Cell("no", False), Cell("n/a", None), _word("perhaps")]
        case "choice":
            known = reference.vocabulary(facts(column)["vocabulary"])
            return [*map(_word, known), _word(known[0] + "x"), _word("perhaps")]
        case "instant":
            near = [EARLIEST, LATEST] if table == "weather" else [EARLIEST, LATEST, NOON]
            step = timedelta(hours=1) if table == "weather" else MICROSECOND
            cells = [instant(each + side * step) for each in near for side in (-1, 0, 1)]
            return [*cells, Cell("2016-01-05", datetime(2016, 1, 5, tzinfo=UTC)), Cell("n/a", None), _word("soon")]
    texts = {"time_zone": ("UTC", "Europe/Oslo", "EST", "Central"), "circuit": ("2", "A")}
    return [_word(text) for text in texts.get(name, ())]


def _beside(value: float) -> tuple[float, float]:
    return math.nextafter(value, -math.inf), math.nextafter(value, math.inf)


def drawn(table: str, name: str, column: dy.Column) -> st.SearchStrategy[Cell]:
    """Cells that hypothesis thinks of."""
    match facts(column)["kind"]:
        case "number":
            low, high = bounds(column)
            wide = st.floats(allow_nan=False, allow_infinity=False)
            return (st.floats(low, high) | st.floats(2 * low - 1, 2 * high + 1) | wide).map(number)
        case "whole":
            return st.integers(-300, 300).map(whole)
        case "instant":
            moments = st.datetimes(datetime(1900, 1, 1), datetime(2199, 1, 1), timezones=st.just(UTC))
            if table == "weather":
                moments = moments.map(lambda each: each.replace(minute=0, second=0, microsecond=0))
            return moments.map(instant)
        case "choice" | "flag":
            return st.sampled_from(edges(table, name, column))
    if name in ("unit_id", "circuit", "time_zone"):
        return st.sampled_from([*edges(table, name, column), *nothing(column)])
    return st.text("ab é,'\"\n;\\", max_size=6).map(lambda text: Cell(text, text.strip()))


# --- batches of rows --------------------------------------------------------------------------------------------


def pools_of(draw: st.DrawFn, table: str) -> dict[str, list[Cell]]:
    """Odd cells of each column."""
    return {
        name: [*nothing(column), *edges(table, name, column), *draw(st.lists(drawn(table, name, column), max_size=4))]
        for name, column in inputs.TABLES[table].columns().items()
    }


@st.composite
def batches(draw: st.DrawFn, table: str) -> Batch:
    """Rows that each have one odd cell, rows that have several, pairs of odd cells of each order, and doubles."""
    columns = inputs.TABLES[table].columns()
    pools = pools_of(draw, table)
    dice = random.Random(draw(st.integers(0, 2**32)))
    changes: list[Row] = [{name: cell} for name, pool in pools.items() for cell in pool]
    for first, second in inputs.ordered_pairs(table).values():
        pairs = [{first: one, second: other} for one, other in product(pools[first], pools[second])]
        changes += dice.sample(pairs, min(60, len(pairs)))
    changes += [{name: dice.choice(pool) for name, pool in pools.items() if dice.random() < 0.15} for _ in range(150)]
    rows = [
        {name: plain(table, name, column, place) for name, column in columns.items()} | change
        for place, change in enumerate(changes)
    ]
    rows += [dict(row) for row in dice.sample(rows, 20)]
    keys = inputs.grain(table)
    crowded = dice.sample(rows, 40)
    rows += [one | {name: other[name] for name in keys} for one, other in zip(crowded[:20], crowded[20:], strict=True)]
    if "circuit" in keys:
        rows += [row | {"circuit": _word("other")} for row in dice.sample(rows, 10)]
    if "hour" in keys:
        rows += [rows[0] | {"station_id": _word(f"S{hour.text}"), "hour": hour} for hour in OFF_THE_HOUR]
    dice.shuffle(rows)
    return Batch(rows)


# --- the schema's judgement -------------------------------------------------------------------------------------


@dataclass
class Judged:
    """Accepted rows as tuples of columns, and by place in the batch what was refused, set aside, repeated."""

    accepted: list[tuple[Any, ...]] = field(default_factory=list)
    refused: dict[int, str] = field(default_factory=dict)
    aside: set[tuple[int, str, str, str]] = field(default_factory=set)
    repeated: set[int] = field(default_factory=set)


Failed = dict[int, set[str]]


def as_frame(table: str, values: dict[int, dict[str, Any]]) -> pl.DataFrame:
    """Values by place in the batch as a frame that the schema can judge; words of vocabularies are still texts."""
    schema = inputs.TABLES[table]
    types = {
        name: pl.String if facts(column)["kind"] == "choice" else column.dtype
        for name, column in schema.columns().items()
    }
    rows = [(place, *(row[name] for name in types)) for place, row in values.items()]
    return pl.DataFrame(rows, schema={"place": pl.Int64, **types}, orient="row")


def broken_rules(table: str, values: dict[int, dict[str, Any]]) -> Failed:
    """Rules of the table's schema that each row breaks, by place in the batch."""
    numbered = type(f"Numbered{table}", (inputs.TABLES[table],), {"place": dy.Int64(nullable=False)})
    details = numbered.filter(as_frame(table, values), cast=True).failure.details()
    rules = [name for name in details.columns if name not in numbered.column_names()]
    found = details.select("place", *(pl.col(name).cast(pl.String) for name in rules))
    return {row["place"]: {name for name in rules if row[name] == "invalid"} for row in found.iter_rows(named=True)}


def is_value(name: str, column: dy.Column, cell: Cell) -> bool:
    """Whether the cell is a value of the column's type; words of vocabularies are left to the schema.

    A site's time zone must be UTC or an area name, which no type of a frame says.
    """
    if name == "time_zone":
        return cell.value in (None, "", "UTC") or "/" in cell.value
    types = {"number": float, "whole": int, "flag": bool, "instant": datetime}
    return cell.value is None or type(cell.value) is types.get(facts(column)["kind"], str)


def first_look(table: str, rows: list[Row]) -> tuple[dict[int, dict[str, Any]], Failed]:
    """Values of each row with what fails emptied, and the rules of single columns that each row breaks.

    A schema says nothing else of a row with a word that it does not know, so it is asked again without those.
    """
    columns = inputs.TABLES[table].columns()
    found: Failed = {
        place: {f"{name}|dtype" for name, cell in row.items() if not is_value(name, columns[name], cell)}
        for place, row in enumerate(rows)
    }
    values = {place: {name: cell.value for name, cell in row.items()} for place, row in enumerate(rows)}
    _empty(values, found)
    for place, rules in broken_rules(table, values).items():
        found[place] |= {rule for rule in rules if rule.endswith("|dtype")}
    _empty(values, found)
    for place, rules in broken_rules(table, values).items():
        known = {rule.split("|")[0] for rule in found[place]}
        found[place] |= {rule for rule in rules if "|" in rule and rule.split("|")[0] not in known}
    _empty(values, found)
    return values, found


def _empty(values: dict[int, dict[str, Any]], found: Failed) -> None:
    for place, rules in found.items():
        values[place] |= {rule.split("|")[0]: None for rule in rules}


def reason(name: str, column: dy.Column, cell: Cell, rule: str) -> str:
    """What the store says of a cell that breaks a rule."""
    if rule in ("nullability", "min_length"):
        return f"{name} is empty"
    assert rule in NOT_IN_RANGE, f"the store has no rule for {name}|{rule}"
    kind = facts(column)["kind"]
    said = {
        "choice": f" is none of {', '.join(reference.vocabulary(facts(column).get('vocabulary', '')))}",
        "flag": " is neither yes nor no",
        "instant": " is no date in the form of this file, or an hour that the clocks skipped",
        "text": " is no area name such as America/Chicago, nor UTC",
    }
    if kind in ("number", "whole"):
        low, high = bounds(column)
        unit = f" {measure_of(column)}" if measure_of(column) else ""
        noun = "whole number" if kind == "whole" else "number"
        said[kind] = f"{unit} is not a {noun} from {low:g} to {high:g} in the unit of the contract"
    return f'{name}: "{cell.trimmed}"{said[kind]}'


def by_schema(table: str, rows: list[Row]) -> tuple[Judged, set[str]]:
    """What the contract promises of a batch by the rules of its schema, and the rules that the batch broke."""
    columns, judged = inputs.TABLES[table].columns(), Judged()
    values, found = first_look(table, rows)
    seen = set().union(*found.values())
    for place, rules in found.items():
        told = {rule.split("|")[0]: rule.split("|")[1] for rule in sorted(rules)}
        reasons = {name: reason(name, columns[name], rows[place][name], told[name]) for name in columns if name in told}
        needed = [said for name, said in reasons.items() if not columns[name].nullable]
        if needed:
            judged.refused[place] = "; ".join(needed)
            del values[place]
        else:
            judged.aside |= {
                (place, name, rows[place][name].trimmed, said)
                for name, said in reasons.items()
                if told[name] != "min_length"
            }
    seen |= _part_orders(table, rows, values, judged)
    seen |= _part_doubles(table, values, judged)
    judged.accepted = [tuple(row.values()) for row in values.values()]
    judged.aside = {each for each in judged.aside if each[0] in values}
    return judged, seen


def _part_orders(table: str, rows: list[Row], values: dict[int, dict[str, Any]], judged: Judged) -> set[str]:
    """Empties what is optional of two cells whose order cannot be."""
    columns, seen = inputs.TABLES[table].columns(), set()
    for place, rules in broken_rules(table, values).items():
        for rule in rules & inputs.ordered_pairs(table).keys():
            first, second = inputs.ordered_pairs(table)[rule]
            for name in (first, second):
                if columns[name].nullable:
                    judged.aside.add((place, name, rows[place][name].trimmed, f"{first} lies above {second}"))
                    values[place][name] = None
            seen.add(rule)
    return seen


def _part_doubles(table: str, values: dict[int, dict[str, Any]], judged: Judged) -> set[str]:
    """Takes out exact repeats, then rows that break what is left: the rule that the key stands once."""
    first: dict[tuple[Any, ...], int] = {}
    for place, row in values.items():
        if first.setdefault(tuple(row.values()), place) != place:
            judged.repeated.add(place)
    for place in judged.repeated:
        del values[place]
    broken = {place: rules for place, rules in broken_rules(table, values).items() if rules}
    for place in broken:
        judged.refused[place] = CONFLICT
        del values[place]
    return set().union(*broken.values())


# --- the store's judgement --------------------------------------------------------------------------------------


def as_csv(rows: Iterable[list[str]]) -> str:
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerows(rows)
    return out.getvalue()


def source_of(table: str, columns: dict[str, str], more: str = "") -> str:
    mapped = "\n".join(f"{name} = {written}" for name, written in columns.items())
    zone = 'time_zone = "UTC"\n'
    return (
        f'[[source]]\ntable = "{table}"\nfiles = "{table}.csv"\ndelimiter = ","\nencoding = "utf-8"\n{zone}{more}'
        f"[source.columns]\n{mapped}\n"
    )


BASE = {
    "sites": ("Site,Zone\n" + as_csv([[line.split(",")[0], line.split(",")[5]] for line in SITES.splitlines()[1:]])),
    "units": ("Tag,Site\n" + as_csv([line.split(",")[:2] for line in UNITS.splitlines()[1:]])),
}
BASE_SOURCES = {
    "sites": source_of("sites", {"site_id": '"Site"', "time_zone": '"Zone"'}),
    "units": source_of("units", {"unit_id": '"Tag"', "site_id": '"Site"'}),
}


def load(folder: Any, table: str, text: str, source: str) -> Store:
    """A store in memory with one small fleet and the file under test."""
    sources = BASE_SOURCES | {table: source}
    for name, content in (BASE | {table: text}).items():
        (folder / f"{name}.csv").write_text(content, encoding="utf-8", newline="")
    profile = folder / "fleet.toml"
    profile.write_text('[fleet]\nname = "Rules"\n' + "\n".join(sources.values()), encoding="utf-8")
    store = Store(None)
    load_all(store, load_profile(profile))
    return store


def by_store(store: Store, table: str) -> Judged:
    """What the store made of the file, each part from its own table."""
    ask = store.connection.execute
    (file_no,) = ask("select file_no from files where target = ?", [table]).fetchone()
    columns = ", ".join(inputs.TABLES[table].column_names())
    refused = ask("select record, reason from refused_records where file_no = ?", [file_no]).fetchall()
    aside = ask(
        "select record, column_name, written, reason from set_aside_cells where file_no = ?", [file_no]
    ).fetchall()
    repeated = ask("select record from repeated_records where file_no = ?", [file_no]).fetchall()
    found = Judged(
        [
            tuple(each.replace(tzinfo=UTC) if isinstance(each, datetime) else each for each in row)
            for row in ask(f"select {columns} from in_{table}").fetchall()
        ],
        dict(refused),
        set(aside),
        {row[0] for row in repeated},
    )
    assert len(refused) == len(found.refused)
    return found


def assert_agree(found: Judged, expected: Judged, rows: int) -> None:
    """Names a few of the places where the store (first) and the schema (second) differ."""
    refused = {place: (found.refused.get(place), expected.refused.get(place)) for place in range(rows)}
    assert not _few((place, *both) for place, both in refused.items() if both[0] != both[1])
    for one, other in ((found, expected), (expected, found)):
        assert not _few(one.aside - other.aside)
        assert not one.repeated - other.repeated
        assert not _few(Counter(one.accepted) - Counter(other.accepted))
    assert len(found.accepted) + len(found.refused) + len(found.repeated) == rows


def _few(differences: Iterable[Any]) -> list[Any]:
    return sorted(differences, key=str)[:3]


# --- the tests --------------------------------------------------------------------------------------------------


def rules_of(table: str) -> set[str]:
    """Names of all rules of a schema, save those that no file can break: a frame's own types stand for them."""
    nothing = {place: dict.fromkeys(inputs.TABLES[table].column_names()) for place in range(1)}
    numbered = type(f"Numbered{table}", (inputs.TABLES[table],), {"place": dy.Int64(nullable=False)})
    details = numbered.filter(as_frame(table, nothing), cast=True).failure.details()
    return {
        name
        for name in details.columns
        if name not in numbered.column_names() and not name.endswith("|dtype") and not name.startswith("place|")
    }


@pytest.mark.parametrize("table", list(inputs.TABLES))
def test_store_and_schema_accept_the_same_rows_for_the_same_reasons(
    table: str, tmp_path_factory: pytest.TempPathFactory
) -> None:
    columns = inputs.TABLES[table].columns()
    units = {name: measure_of(column) for name, column in columns.items()}
    mapped = {
        name: f'{{ column = "{name}", unit = "{unit}" }}' if unit else f'"{name}"' for name, unit in units.items()
    }
    broken: set[str] = set()

    @few_batches
    @given(batches(table))
    def agree(batch: Batch) -> None:
        cells = [[str(place), *(cell.text for cell in row.values())] for place, row in enumerate(batch.rows)]
        text = as_csv([["no", *columns], *cells])
        expected, seen = by_schema(table, batch.rows)
        broken.update(seen)
        with load(tmp_path_factory.mktemp(table), table, text, source_of(table, mapped)) as store:
            assert_agree(by_store(store, table), expected, len(batch.rows))

    agree()
    assert not rules_of(table) - broken, "no batch breaks these rules"


# --- long readings ----------------------------------------------------------------------------------------------

# a file of all channels takes longer to plan than three files of a third of them
THIRDS = tuple(inputs.CHANNELS[place::3] for place in range(3))


def long_source(channels: Sequence[str]) -> str:
    columns = {name: f'"{name}"' for name in ("unit_id", "circuit", "read_at", "channel", "value")}
    lines = ["[source.channels]"]
    for name in channels:
        unit = measure_of(inputs.Readings.columns()[name])
        lines.append(f'{name} = {{ channel = "{name}"' + (f', unit = "{unit}"' if unit else "") + " }")
    return source_of("readings", columns, 'layout = "long"\n') + "\n".join(lines) + "\n"


@st.composite
def long_batches(draw: st.DrawFn, channels: Sequence[str]) -> Batch:
    """Readings of one channel each, which stands on a circuit of its own so that it is not aligned to another."""
    columns = inputs.Readings.columns()
    pools = pools_of(draw, "readings")
    dice = random.Random(draw(st.integers(0, 2**32)))
    changes: list[tuple[str, Row]] = [(name, {name: cell}) for name in channels for cell in pools[name]]
    for channel in channels:
        changes += [(channel, {name: cell}) for name in ("unit_id", "read_at") for cell in pools[name]]
        odd = [name for name in ("unit_id", "read_at", channel) if dice.random() < 0.5]
        changes += [(channel, {name: dice.choice(pools[name]) for name in odd}) for _ in range(15)]
    empty = dict.fromkeys(columns, Cell("", None))
    rows = [
        empty
        | {name: plain("readings", name, columns[name], place) for name in ("unit_id", "read_at", channel)}
        | {"circuit": _word(channel)}
        | change
        for place, (channel, change) in enumerate(changes)
    ]
    rows += dice.sample(rows, 20)
    rows += [row | {(name := channel_of(row)): dice.choice(pools[name])} for row in dice.sample(rows, 20)]
    dice.shuffle(rows)
    return Batch(rows)


def channel_of(row: Row) -> str:
    return row["circuit"].text


def long_reason(name: str, column: dy.Column, cell: Cell, rule: str) -> str:
    """What the store says of the unit, the time or the value of one record."""
    if name not in inputs.CHANNELS:
        return reason(name, column, cell, rule)
    assert rule in NOT_IN_RANGE, f"the store has no rule for {name}|{rule}"
    is_number = isinstance(cell.value, int | float) and math.isfinite(cell.value)
    return f'value: "{cell.trimmed}" ' + ("is not plausible for its channel" if is_number else "cannot be read")


def by_schema_long(rows: list[Row]) -> tuple[Judged, set[str]]:
    """What the contract promises of long records: what a wide reading would set aside refuses the record."""
    columns, judged = inputs.Readings.columns(), Judged()
    values, found = first_look("readings", rows)
    seen = set().union(*found.values())
    for place, rules in found.items():
        row, channel = rows[place], channel_of(rows[place])
        told = {rule.split("|")[0]: rule.split("|")[1] for rule in sorted(rules)}
        reasons = [long_reason(name, columns[name], row[name], told[name]) for name in columns if name in told]
        if row[channel].value is None:
            reasons.append("value is empty")
        if reasons:
            judged.refused[place] = "; ".join(reasons)
            del values[place]
    seen |= _part_doubles("readings", values, judged)
    judged.refused = {place: LONG_CONFLICT if said == CONFLICT else said for place, said in judged.refused.items()}
    judged.accepted = [tuple(row.values()) for row in values.values()]
    return judged, seen


@pytest.mark.parametrize("channels", THIRDS, ids=["first third", "second third", "last third"])
def test_store_and_schema_accept_the_same_long_readings_for_the_same_reasons(
    channels: Sequence[str], tmp_path_factory: pytest.TempPathFactory
) -> None:
    names = ("unit_id", "circuit", "read_at")
    broken: set[str] = set()

    @few_batches
    @given(long_batches(channels))
    def agree(batch: Batch) -> None:
        cells = [
            [str(place), *(row[name].text for name in names), channel_of(row), row[channel_of(row)].text]
            for place, row in enumerate(batch.rows)
        ]
        text = as_csv([["no", *names, "channel", "value"], *cells])
        expected, seen = by_schema_long(batch.rows)
        broken.update(seen)
        with load(tmp_path_factory.mktemp("long"), "readings", text, long_source(channels)) as store:
            assert_agree(by_store(store, "readings"), expected, len(batch.rows))

    agree()
    left_out = {"circuit", *inputs.CHANNELS} - set(channels)
    assert not {rule for rule in rules_of("readings") if rule.split("|")[0] not in left_out} - broken
