"""A number on a page: in the reader's units, rounded to what is known, carrying the cell it came from."""

import json
import math
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

import polars as pl
from markupsafe import Markup, escape

from lowambient.report import schemas
from lowambient.report.reading_units import STANDARD_ATMOSPHERE_KPA, ReadingUnits
from lowambient.report.tables import CSV_INSTANT

_PERCENT = ' data-shown="percent"'
_WITH_OWN_ZERO = ("degC", "K", "kPa")
"""Units whose small values are no small amounts."""
_MANY_CALLS = 9.5
"""Expected numbers of calls from here on show whole: nobody knows them closer."""
UTC = ZoneInfo("UTC")
NOT_KNOWN = Markup('<span class="none" title="not known">–</span>')
# Control characters, which HTML forbids, as their pictures (Unicode block U+2400); tab and line feed stay.
PICTURES = {code: 0x2400 + code for code in range(32) if code not in (9, 10)} | {127: 0x2421}


@dataclass(frozen=True)
class Row:
    """One row of a written table; `key` holds its grain as the CSV writes it, null as None."""

    table: str
    key: tuple[str | None, ...]
    values: dict[str, Any]

    def __getitem__(self, column: str) -> Any:
        return self.values[column]


def rows(table: str, written: pl.DataFrame) -> Iterator[Row]:
    """Rows of a written table, or of a part of it, in the order given; joined columns beside its own are kept."""
    keys = schemas.grain(table)
    for values in written.iter_rows(named=True):
        yield Row(table, tuple(None if values[key] is None else cell_text(values[key]) for key in keys), values)


def cell_text(value: Any) -> str:
    """A value as the CSV writes it."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, datetime):
        return value.strftime(CSV_INSTANT)
    return repr(value) if isinstance(value, float) else str(value)


def shown_text(value: Any) -> Markup:
    """Text from an export, its direction kept to itself, with control characters made visible."""
    return NOT_KNOWN if value is None else Markup("<bdi>{}</bdi>").format(str(value).translate(PICTURES))


def clipped(value: Any, characters: int = 160) -> str:
    """The beginning of a long text."""
    text = "" if value is None else str(value)
    return text if len(text) <= characters else text[: characters - 1] + "…"


@dataclass(frozen=True)
class Figures:
    """Formats cells of written tables for one reader's units.

    Where they belong to one place, gauge pressures are against its barometer and `moment` tells its clock.
    """

    units: ReadingUnits
    barometric_kpa: float = STANDARD_ATMOSPHERE_KPA
    zone: ZoneInfo = UTC

    def figure(self, row: Row, column: str, digits: int | None = None, unit: str | None = None) -> Markup:
        """A cell as a bare number (date, yes or no), with its table, key and column.

        The kind of quantity is read off the column's name, or given as the contract's `unit`. The unit `share` shows a
        share or a probability in per cent, and `calls` an expected number of calls as closely as it can be known.
        """
        value = row[column]
        if value is None:
            return NOT_KNOWN
        shown = self.text(value, unit or _unit_of(column), digits)
        return _data(row, column, shown, _PERCENT if unit == "share" else "")

    def moment(self, row: Row, column: str) -> Markup:
        """A cell that holds an instant, to the minute on the clock of the place."""
        value = row[column]
        if value is None:
            return NOT_KNOWN
        return _data(row, column, value.astimezone(self.zone).strftime("%Y-%m-%d %H:%M"))

    def quantity(self, row: Row, column: str, digits: int | None = None, unit: str | None = None) -> Markup:
        """A cell with its unit."""
        figure = self.figure(row, column, digits, unit)
        if row[column] is None:
            return figure
        return Markup("{}{}").format(figure, self.unit_text(unit or _unit_of(column)))

    def interval(self, row: Row, lower: str, upper: str, digits: int | None = None, unit: str | None = None) -> Markup:
        """Two cells as an interval."""
        if row[lower] is None or row[upper] is None:
            return NOT_KNOWN
        return Markup("{}\N{NO-BREAK SPACE}to\N{NO-BREAK SPACE}{}").format(
            self.figure(row, lower, digits, unit), self.figure(row, upper, digits, unit)
        )

    def shown(self, value: float, unit: str) -> float:
        """A number of the contract in the reader's unit."""
        if unit == "share":
            return 100 * value
        if unit == "kPa":
            return self.units.pressure(value, self.barometric_kpa)
        return {
            "degC": self.units.temperature,
            "K": self.units.difference,
            "km": self.units.distance,
        }.get(unit, float)(value)

    def unit_text(self, unit: str) -> str:
        """The reader's unit for a unit of the contract, with the space before it; nothing for a pure number."""
        if unit == "-":
            return ""
        shown = {
            "degC": self.units.temperature_unit,
            "K": self.units.difference_unit,
            "km": self.units.distance_unit,
            "kPa": self.units.pressure_unit,
            "share": "%",
        }.get(unit, unit)
        return f"\N{NO-BREAK SPACE}{shown}"

    def text(self, value: Any, unit: str, digits: int | None = None) -> str:
        """A value of the contract as people read it."""
        if isinstance(value, bool):
            return "yes" if value else "no"
        if isinstance(value, datetime):
            return value.strftime("%Y-%m-%d")
        if isinstance(value, str):
            return value[:10]  # an instant held as text
        if unit == "share":
            return share_text(value, digits)
        shown = self.shown(value, unit)
        kept = _digits(value, unit) if digits is None else digits
        return number_text(shown, kept) if unit in _WITH_OWN_ZERO else amount_text(shown, kept)


def _data(row: Row, column: str, shown: str, attribute: str = "") -> Markup:
    """A shown text with the cell it stands for; each part is a name of ours, a number, or escaped."""
    return Markup(
        f'<data value="{escape(cell_text(row[column]))}" data-table="{row.table}" '
        f"data-key='{_in_single_quotes(row.key)}' data-column=\"{column}\"{attribute}>{escape(shown)}</data>"
    )


def share_text(share: float, digits: int | None = None) -> str:
    """A share in per cent, by default a whole one; what lies between never shows as 0 or 100.

    >>> share_text(0.004), share_text(0.35), share_text(0.9991), share_text(0.000001, 3)
    ('under 1', '35', 'over 99', 'under 0.001')
    """
    if share == 0:
        return "0"
    kept = digits or 0
    step = 10.0**-kept
    if 0 < 1 - share < step / 100:
        return f"over {100 - step:.{kept}f}"
    return f"under {step:.{kept}f}" if 0 < share < step / 100 else number_text(100 * share, kept)


def amount_text(value: float, digits: int) -> str:
    """A number with `digits` decimals; a positive one too small for them is under the least that they show.

    >>> amount_text(0.04, 1), amount_text(0, 1), amount_text(1234.5, 0)
    ('under 0.1', '0', '1,234')
    """
    if value == 0:
        return "0"
    step = 10.0**-digits
    return f"under {step:.{digits}f}" if 0 < value < step / 2 else number_text(value, digits)


def _in_single_quotes(key: tuple[str | None, ...]) -> str:
    """A key as JSON for an attribute in single quotes: JSON is full of double ones, which need no escape there."""
    text = json.dumps(key, ensure_ascii=False).translate(PICTURES)
    return text.replace("&", "&amp;").replace("'", "&#39;").replace("<", "&lt;").replace(">", "&gt;")


def number_text(value: float, digits: int) -> str:
    """A number with `digits` decimals, thousands grouped, a true minus, and no minus before zero."""
    text = f"{value:,.{digits}f}"
    if not any(digit in "123456789" for digit in text):
        text = text.removeprefix("-")
    return text.replace("-", "−")


def _digits(value: float, unit: str) -> int:
    if isinstance(value, int) or unit in ("h", "km", "kPa"):
        return 0
    if unit == "calls":
        return 0 if abs(value) >= _MANY_CALLS else 1
    if unit in ("degC", "K"):
        return 0 if unit == "degC" else 1
    if value == int(value) or abs(value) >= 10:
        return 0
    return min(4, 1 - math.floor(math.log10(abs(value))))  # two digits that count


def _unit_of(column: str) -> str:
    suffixes = {
        "_c": "degC",
        "_km": "km",
        "_kpa": "kPa",
        "_k": "K",
        "hours": "h",
        "hours_mean": "h",
        "percent": "%",
    }
    return next((unit for suffix, unit in suffixes.items() if column.endswith(suffix)), "-")


def weight_mark(weight: float | None, top: float) -> Markup:
    """A quiet bar of a log-odds weight about the middle: right speaks for, left against; it repeats a number."""
    if weight is None or top <= 0:
        return Markup("")
    end = round(50 + 48 * max(-1.0, min(weight / top, 1.0)), 1)
    side = "for" if weight >= 0 else "against"
    return Markup(
        '<svg class="weight" viewBox="0 0 100 10" aria-hidden="true" focusable="false">'
        '<path d="M50 0V10"/><path class="{}" d="M50 5H{}"/></svg>'
    ).format(side, end)


def interval_mark(lower: float | None, middle: float | None, upper: float | None, top: float) -> Markup:
    """A small drawing of an interval and its middle on a scale from 0 to `top`; it repeats numbers beside it."""
    if lower is None or middle is None or upper is None or top <= 0:
        return Markup("")
    x1, x, x2 = (round(2 + 96 * min(value / top, 1), 1) for value in (lower, middle, upper))
    return Markup(
        '<svg class="interval" viewBox="0 0 100 10" aria-hidden="true" focusable="false">'
        '<path d="M2 5H98"/><path class="span" d="M{} 5H{}"/><circle cx="{}" cy="5" r="3"/></svg>'
    ).format(x1, x2, x)
