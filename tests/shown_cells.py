"""Reads pages as a browser would, and holds each shown number against the cell that it names."""

import csv
import html.parser
import io
import json
from collections.abc import Callable, Mapping
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

from lowambient.report import schemas

TO_US: dict[str, Callable[[float], float]] = {
    "degC": lambda c: c * 9 / 5 + 32,
    "K": lambda k: k * 9 / 5,
    "km": lambda km: km / 1.609344,
}
"""Definitions of the units: NIST SP 811 (2008), appendix B."""
KPA_OF_PSI = 6.894757
SLACK = 1.000001


class Reader(html.parser.HTMLParser):
    """Collects `<data>` cells, texts of exports, and the text outside both."""

    VOID = ("meta", "link", "br", "path", "circle", "img", "input")

    def __init__(self, text: str) -> None:
        super().__init__(convert_charrefs=True)
        self.open: list[str] = []
        self.cells: list[tuple[dict[str, str], str]] = []
        self.plain: list[str] = []
        self.foreign: list[str] = []
        self.tags: list[tuple[str, dict[str, str]]] = []
        self.specs: dict[str, str] = {}
        self._spec: str | None = None
        self.feed(text)
        self.close()

    def handle_starttag(self, tag: str, attributes: list[tuple[str, str | None]]) -> None:
        named = {name: value or "" for name, value in attributes}
        self.tags.append((tag, named))
        if tag == "data":
            self.cells.append((named, ""))
        if tag == "bdi":
            self.foreign.append("")
        self._spec = named.get("id") if named.get("type") == "application/json" else None
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        if tag not in self.VOID:
            assert self.open.pop() == tag

    def handle_data(self, text: str) -> None:
        if self._spec and "script" in self.open:
            self.specs[self._spec] = self.specs.get(self._spec, "") + text
        if "script" in self.open or "style" in self.open:
            return
        if "data" in self.open:
            named, before = self.cells[-1]
            self.cells[-1] = (named, before + text)
        elif "bdi" in self.open:
            self.foreign[-1] += text
        else:
            self.plain.append(text)


def read(page: Path | str) -> Reader:
    return Reader(page if isinstance(page, str) else page.read_text(encoding="utf-8"))


Cells = dict[tuple[str | None, ...], dict[str, str]]


def cells(out: Path, table: str) -> Cells:
    """Rows of a written CSV by their grain, read with the standard library; an empty cell is None in the key."""
    text = (out / "tables" / f"{table}.csv").read_text(encoding="utf-8")
    rows = csv.DictReader(io.StringIO(text, newline=""))
    return {tuple(row[key] or None for key in schemas.grain(table)): row for row in rows}


def cell_named(named: Mapping[str, str], table: Cells) -> tuple[str, dict[str, str]]:
    """The cell that a number names, which must hold the value that the page carries, and its row."""
    row = table[tuple(json.loads(named["data-key"]))]
    cell = row[named["data-column"]]
    assert cell == named["value"] or float(cell) == float(named["value"]), named
    return cell, row


def assert_shown(text: str, cell: str, named: Mapping[str, str], as_read: Callable[[float], float], zone: str) -> None:
    """A shown text says what its cell holds, to the digits shown; `as_read` brings it into the reader's unit."""
    if cell in ("true", "false"):
        assert text == {"true": "yes", "false": "no"}[cell]
    elif cell.endswith("Z") or cell[4:5] == "-":
        assert text in (cell[:10], on_the_clock(cell, zone)), named
    else:
        percent = named.get("data-shown") == "percent"
        assert_number(text, 100 * float(cell) if percent else as_read(float(cell)), 100.0 if percent else None)


def assert_number(text: str, value: float, whole: float | None = None) -> None:
    """A number to its last digit, or under the least or over the most that so many digits can show."""
    word, _, number = text.rpartition(" ")
    plain = number.replace(",", "").replace("−", "-")
    step = 10.0 ** -len(plain.partition(".")[2])
    if word == "under":
        assert float(plain) == step
        assert 0 < value < step
    elif word == "over":
        assert whole is not None
        assert float(plain) == whole - step
        assert whole - step < value < whole
    else:
        assert word == ""
        assert abs(value - float(plain)) <= step / 2 * SLACK
        assert value <= 0 or float(plain) > 0 or whole is None


def on_the_clock(cell: str, zone: str) -> str:
    """An instant to the minute on the clock of a place."""
    at = datetime.fromisoformat(cell)
    return at.astimezone(ZoneInfo(zone)).strftime("%Y-%m-%d %H:%M") if at.tzinfo else ""
