"""All pages in one file that can be mailed: still charts, shortened tables, and the units that matter first."""

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import jinja2
import polars as pl

from lowambient.report.book import Book, Tables
from lowambient.report.facts import RunFacts
from lowambient.report.pages import OUTLINES, PAGES, asset_text, book_of, environment_of
from lowambient.report.reading_units import System
from lowambient.report.single_file import inlined
from lowambient.report.still_charts import still
from lowambient.report.unit_files import file_names, units_with_pages
from lowambient.report.unit_page import Press

MOST_BYTES = 2_500_000
"""Mail is refused from about 5 to 10 MB in all, and others have something to send too (judgement)."""
UNIT_BYTES, UNITS_BYTES = 110_000, 900_000
"""What one unit, and all of them, may take of it."""
ROWS = (30, 20, 10, 3)
"""Rows of a table; fewer where the pages would be too large."""
_SPARE_BYTES = 4_000


def write_mail(frames: Tables, facts: RunFacts, page: Path, *, units: System) -> Path:
    """Write the pages of a run as sections of one file of at most `MOST_BYTES`; returns `page`.

    Units that are planned or raised come first, as many as fit; what is left out is said. `frames` is what
    `write_pages` and `write_unit_pages` take. Raises as `as_written` does.
    """
    book = book_of(frames, facts, units)
    parts = _Units.chosen(frames, book)
    room = MOST_BYTES - _size(_bound(book, [], parts, ())) - _SPARE_BYTES
    sections, left_out = _sections(book, parts, room)
    page.write_text(_bound(book, sections, parts, left_out), encoding="utf-8", newline="\n")
    return page


@dataclass(frozen=True)
class _Units:
    """Units in the file: the address of each, its section, and how many have a page in the run."""

    addresses: Mapping[str, str]
    sections: list[str]
    in_all: int

    @classmethod
    def chosen(cls, frames: Tables, book: Book) -> "_Units":
        listed = book.tables["units"]
        names = file_names(listed["unit_id"] if listed.width else [])
        wanted = units_with_pages(book.tables)
        press = Press(frames, book.facts, book.figures.units.system, _dress(both=False))
        addresses, sections, room = {}, [], UNITS_BYTES
        for unit_id in _foremost(book.tables):
            if unit_id not in names:
                continue
            address = names[unit_id].removesuffix(".html")
            section = press.page(unit_id, root="", assets="", name=address, most_bytes=UNIT_BYTES)
            room -= _size(section)
            if room < 0:
                break
            addresses[unit_id] = f"#page-{address}"
            sections.append(section)
        return cls(addresses, sections, len(wanted & names.keys()))


def _foremost(tables: Tables) -> Iterator[str]:
    """Units by turns from the head of the plan and of the list to revisit, each once."""
    planned = tables["plan"].filter("selected").sort("rank", "unit_id")["unit_id"]
    raised = tables["revisit"].sort("rank")["unit_id"]
    places = pl.concat(
        pl.DataFrame({"unit_id": ids, "list": [of] * len(ids)}).with_row_index("place")
        for of, ids in enumerate((planned.cast(pl.String), raised.cast(pl.String)))
    )
    yield from places.sort("place", "list")["unit_id"].unique(maintain_order=True)


def _sections(book: Book, parts: _Units, room: int) -> tuple[list[str], tuple[str, ...]]:
    """Sections of the pages with as many rows as fit; with fewest rows, names of pages that do not fit at all."""
    for rows in ROWS:
        made = {name: _section(book, name, rows, parts) for name in PAGES}
        if sum(map(_size, made.values())) <= room:
            return list(made.values()), ()
    kept: list[str] = []
    left_out: list[str] = []
    for name, section in made.items():
        if _size(section) <= room:
            kept.append(section)
            room -= _size(section)
        else:
            left_out.append(name)
    return kept, tuple(left_out)


def _section(book: Book, name: str, rows: int, parts: _Units) -> str:
    short = Book(book.tables, book.facts, book.figures, rows)
    context = {**PAGES[name](short), "unit_pages": parts.addresses}
    return _environment(short).get_template(f"{name}.html").render(page=name, **context)


def _bound(book: Book, sections: list[str], parts: _Units, left_out: tuple[str, ...]) -> str:
    """The whole file."""
    environment = _environment(book)
    environment.globals["layout"] = "base.html"
    text = environment.get_template("mail.html").render(
        page="mail",
        sections=[*sections, *parts.sections],
        units_shown=list(parts.addresses.items()),
        units_in_all=parts.in_all,
        left_out=left_out,
    )
    return inlined(text)


def _environment(book: Book) -> jinja2.Environment:
    environment = environment_of(book)
    environment.globals.update(_dress())
    return environment


def _dress(*, both: bool = True) -> dict[str, Any]:
    """What templates are told otherwise than on pages of their own."""
    text = asset_text(OUTLINES)
    outlines = json.loads(text[text.index("=") + 1 :].strip().removesuffix(";"))
    return {
        "layout": "section.html",
        "mailed": True,
        "unit_folder": "",
        "whole_is": "in the tables of whoever sent this",
        "page_link": _page_link,
        "still": partial(still, outlines=outlines, both=both),
    }


def _page_link(page: str, part: str = "") -> str:
    return f"#{part}" if part else f"#page-{page}"


def _size(text: str) -> int:
    return len(text.encode())
