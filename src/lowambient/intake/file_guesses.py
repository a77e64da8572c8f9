"""Guesses about files that have the same columns: table, units, dates, clock, missing values, file names."""

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

from lowambient.intake.clock_guesses import Clock, clock_in_header, guess_clock
from lowambient.intake.column_guesses import Feed, Guess, guess_channel, guess_table
from lowambient.intake.instants import is_day_first, is_month_first
from lowambient.intake.samples import ColumnSample, FileSample, as_number, longer_look
from lowambient.intake.unit_guesses import Measured, Unit, are_si, column_facts, guess_units, within
from lowambient.profile.measures import measures, normalised
from lowambient.records.inputs import required_columns

_EVENTS = ("read_at", "hour", "opened_at", "checked_at")
_SERIES = ("unit_id", "station_id", "circuit", "channel")
_SENTINELS = frozenset((-99.0, -999.0, -9999.0, 99.9, 999.0, 999.9, 9999.0, 99999.0, 32767.0, -32768.0, 65535.0))
_UNIT_IN_NAME = r"[A-Za-z]+[-_ ]?\d+[A-Za-z]?"
_CIRCUIT_IN_NAME = r"[-_ ](?:c|ckt|cir|circ|circuit)[-_ ]?(?P<circuit>[1-8A-Da-d])(?![A-Za-z0-9])"


@dataclass(frozen=True)
class DateFormats:
    """Formats of a file's dates; `is_open` says that day and month cannot be told apart in any of them."""

    formats: tuple[str, ...]
    is_open: bool


@dataclass(frozen=True)
class FileGuesses:
    """What files with the same columns look like; every property is a guess from their first records."""

    files: tuple[FileSample, ...]

    @cached_property
    def sample(self) -> FileSample:
        """The first file, its columns lengthened by what the other files hold."""
        columns = tuple(
            replace(column, cells=tuple(cell for file in self.files for cell in file.columns[place].cells))
            for place, column in enumerate(self.files[0].columns)
        )
        return replace(self.files[0], columns=columns)

    @cached_property
    def guess(self) -> Guess | None:
        """The contract table that the files look like."""
        return guess_table(self.sample)

    @property
    def feeds(self) -> dict[str, Feed]:
        """Columns of the file by contract column."""
        return self.guess.feeds if self.guess else {}

    @property
    def is_long(self) -> bool:
        """Whether each row is one channel of the readings."""
        return self.guess is not None and self.guess.table == "long"

    @property
    def table(self) -> str:
        """Contract table; empty where the files look like none."""
        return "readings" if self.is_long else self.guess.table if self.guess else ""

    @property
    def required(self) -> list[str]:
        """Columns that every row must have and that neither file name nor default gives."""
        needed = [*required_columns(self.table), *(("channel", "value") if self.is_long else ())]
        given = {"kind"} if self.table == "weather" else set()
        return [name for name in needed if name not in given and f"(?P<{name}>" not in self.name_pattern]

    def facts(self, target: str) -> dict[str, Any]:
        """What the contract says of a column."""
        return column_facts(self.table, target)

    @cached_property
    def units(self) -> dict[str, Unit]:
        """Unit of measure of each mapped column that has one."""
        columns = {
            target: Measured(self.table, target, feed.column.header, feed.column.numbers)
            for target, feed in self.feeds.items()
        }
        return guess_units(columns, si=self.sample.decimal == ",")

    @cached_property
    def channels(self) -> dict[str, tuple[str, float, Unit | None]]:
        """Long readings: contract column, score and unit of each text in the channel column that means one."""
        channel, value = (self.feeds[name].column for name in ("channel", "value"))
        numbers: dict[str, list[float]] = {}
        for written, text in zip(channel.cells, value.cells, strict=True):
            if (number := as_number(text, value.decimal)) is not None:
                numbers.setdefault(written, []).append(number)
        found = {written: meant for written in channel.counts if (meant := guess_channel(written))}
        columns = {
            written: Measured("readings", meant[0], written, numbers.get(written, []))
            for written, meant in found.items()
        }
        units = {} if "value_unit" in self.feeds else guess_units(columns, si=value.decimal == ",")
        return {written: (*meant, units.get(written)) for written, meant in found.items()}

    @property
    def has_open_pressures(self) -> bool:
        """Whether a column of units writes pressures that do not say what they are counted from."""
        written = self.feeds["value_unit"].column.counts if "value_unit" in self.feeds else ()
        known = (measures("pressure").get(normalised(text)) for text in written)
        return any(each.reference_pressure == "ask" for each in known if each)

    @property
    def is_us(self) -> bool:
        """Whether the file has the habits of the United States, by its units and its decimal sign."""
        units = [unit for _, _, unit in self.channels.values() if unit] if self.is_long else self.units.values()
        return not are_si((unit.name for unit in units), otherwise=self.sample.decimal == ",")

    @cached_property
    def missing(self) -> list[str]:
        """Texts and numbers that stand for none among the numbers of mapped columns."""
        found: dict[str, None] = {}
        for target, feed in self.feeds.items():
            numbers = feed.column.numbers
            if self.facts(target).get("kind") not in ("number", "whole") or not numbers:
                continue
            ends = (min(numbers), max(numbers))
            for text, count in feed.column.counts.items():
                number = as_number(text, self.sample.decimal)
                absurd = number in _SENTINELS and number in ends and not self._is_possible(target, number)
                if count > 1 and (number is None or absurd):
                    found[text] = None
        return list(found)[:12]

    def _is_possible(self, target: str, number: float | None) -> bool:
        if number is None:
            return False
        unit, facts = self.units.get(target), self.facts(target)
        return within(facts.get("limit"), number, unit.name if unit else None, facts.get("measure"))

    @cached_property
    def dated(self) -> dict[str, ColumnSample]:
        """Mapped columns of instants that hold dates."""
        return {
            target: feed.column
            for target, feed in self.feeds.items()
            if self.facts(target).get("kind") == "instant" and feed.column.is_dated
        }

    @cached_property
    def date_formats(self) -> DateFormats:
        """Formats of all date columns; one column that tells day from month decides for the others."""
        fitting = [column.date_formats or column.mixed_formats for column in self.dated.values()]
        unclear = [formats for formats in fitting if _is_ambiguous(formats)]
        proven = [formats for formats in fitting if not _is_ambiguous(formats)]
        order = [each for formats in proven for each in formats if is_day_first(each) or is_month_first(each)]
        is_open = bool(unclear) and not order
        day_first = is_day_first(order[0]) if order else not self.is_us
        chosen = [[each for each in formats if is_day_first(each) == day_first] for formats in unclear]
        return DateFormats(tuple(dict.fromkeys(each for formats in proven + chosen for each in formats)), is_open)

    @cached_property
    def clock(self) -> Clock | None:
        """What the times of events tell of their clock; null where there are none."""
        target = next((name for name in _EVENTS if name in self.dated), None)
        if target is None:
            return None
        if told := clock_in_header(self.feeds[target].column.name):
            return told
        air = self.feeds.get("outdoor_c") or self.feeds.get("temperature_c")
        series = [self.feeds[name].column.place for name in _SERIES if name in self.feeds]
        places = [self.feeds[target].column.place, *([air.column.place] if air else []), *series]
        rows = longer_look(self.files, places)
        first = 2 if air else 1
        return guess_clock(
            [row[0] for row in rows],
            self.date_formats.formats,
            [" ".join(row[first:]) for row in rows],
            [as_number(row[1], self.sample.decimal) if air else None for row in rows],
        )

    @cached_property
    def name_pattern(self) -> str:
        """A pattern that reads unit or station, perhaps circuit, from the file names; empty where not needed."""
        needed = {"readings": "unit_id", "weather": "station_id"}.get(self.table)
        if needed is None or needed in self.feeds:
            return ""
        if needed == "unit_id":
            unit = f"(?P<unit_id>{_UNIT_IN_NAME})"
            for pattern in (unit + _CIRCUIT_IN_NAME, unit):
                if all(re.search(pattern, file.path.name) for file in self.files):
                    return pattern
        return f"^(?P<{needed}>[^.]+)"


def _is_ambiguous(formats: Sequence[str]) -> bool:
    return any(map(is_day_first, formats)) and any(map(is_month_first, formats))
