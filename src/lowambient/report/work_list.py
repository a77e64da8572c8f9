"""The work list as a workbook: a dispatcher sends from it, a tech lead fills it in, and `load` reads it back.

Every text cell is typed as text, so nothing in it can run as a formula. Rows whose verdict stays empty are told as
refused when the workbook is loaded, with their line: nothing is taken from them.
"""

from datetime import date
from pathlib import Path
from typing import Any

import polars as pl
import xlsxwriter

from lowambient import reference
from lowambient.report.tables import XLSX_BORN, XLSX_CELL_CHARACTERS

SHEET = "Work"
ROOM_BELOW = 200
"""Empty lines under the list in which further findings can be written; they have the same drop-downs."""

_HEADS: tuple[tuple[str, str | None, int], ...] = (
    ("No.", "place", 5),
    ("Why", "why", 16),
    ("Unit", "unit_id", 14),
    ("Site", "site_id", 10),
    ("Site name", "site_name", 24),
    ("Latitude", "latitude", 10),
    ("Longitude", "longitude", 10),
    ("Serves", "description", 22),
    ("Check first", "first_check", 60),
    ("Bring", "bring", 34),
    ("Work", "package", 34),
    ("Make sure of", "make_sure_of", 44),
    ("After the check", "after_check", 44),
    ("Crew hours", "crew_h", 11),
    ("Cost", "cost", 11),
    ("Circuit", None, 9),
    ("Flag", "flag", 20),
    ("Verdict", None, 16),
    ("Checked at", None, 18),
    ("Note", None, 40),
)
PROFILE_PART = """[[source]]
table = "checks"
files = "work_list.xlsx"
sheet = "Work"
time_zone = "site"
[source.columns]
unit_id = "Unit"
circuit = "Circuit"
flag = "Flag"
verdict = "Verdict"
checked_at = "Checked at"
note = "Note"
"""
"""What a `fleet.toml` needs to read the filled-in workbook back."""

_HOW_TO = (
    "One line for each unit: go there, look at what stands under Check first, then do the work.",
    "Fill in Verdict, Checked at (date and time on the site's clock) and Note. Leave Circuit empty for the whole unit.",
    "Flag says what the verdict is about: change it where you looked at something else. For further findings write the"
    " unit again in an empty line below the list.",
    "Units drawn at random are on the list although nothing much speaks against them: they show what is missed.",
    "Lines without a verdict are not read; loading names them.",
    "Live electrical and refrigerant circuits are for licensed people under local codes; lock out and tag out."
    " Never bypass a safety switch, and never set a low-pressure switch lower. The maker's data stands over all here.",
    "To read this workbook back, put the following into fleet.toml, with the path of this file, and run the load:",
)


def write_work_list(work: pl.DataFrame, path: Path) -> Path:
    """Writes the workbook of the table `work_list`. Equal rows give equal bytes."""
    options = {"strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False}
    with xlsxwriter.Workbook(str(path), options) as book:
        book.set_properties({"created": XLSX_BORN})
        sheet = book.add_worksheet(SHEET)
        _fill(book, sheet, work)
        lists = book.add_worksheet("Lists")
        _choices(sheet, lists, work.height + ROOM_BELOW)
        _how_to(book, book.add_worksheet("How to"))
    return path


def _fill(book: Any, sheet: Any, work: pl.DataFrame) -> None:
    head = book.add_format({"bold": True, "text_wrap": True, "bottom": 1})
    wrapped = book.add_format({"text_wrap": True, "valign": "top"})
    to_fill = book.add_format({"text_wrap": True, "valign": "top", "bg_color": "#FFF7DB", "border": 1})
    instant = book.add_format({"num_format": "yyyy-mm-dd hh:mm", "valign": "top", "bg_color": "#FFF7DB", "border": 1})
    first_to_fill = next(at for at, (name, _, _) in enumerate(_HEADS) if name == "Circuit")
    for at, (name, _, width) in enumerate(_HEADS):
        sheet.set_column(at, at, width)
        sheet.write_string(0, at, name, head)
    for line, row in enumerate(work.iter_rows(named=True), 1):
        for at, (name, column, _) in enumerate(_HEADS):
            form = instant if name == "Checked at" else to_fill if at >= first_to_fill else wrapped
            _write(sheet, line, at, row[column] if column else None, form)
    sheet.freeze_panes(1, 3)
    sheet.autofilter(0, 0, max(work.height, 1), len(_HEADS) - 1)
    sheet.set_landscape()
    sheet.fit_to_pages(1, 0)
    sheet.repeat_rows(0)


def _write(sheet: Any, line: int, at: int, value: Any, form: Any) -> None:
    if value is None:
        sheet.write_blank(line, at, None, form)
    elif isinstance(value, (int, float)):
        sheet.write_number(line, at, value, form)
    else:
        sheet.write_string(line, at, str(value)[:XLSX_CELL_CHARACTERS], form)


def _choices(sheet: Any, lists: Any, last: int) -> None:
    """Drop-downs of the closed vocabularies, and a date for when it was checked."""
    places = {name: at for at, (name, _, _) in enumerate(_HEADS)}
    for at, (head, vocabulary) in enumerate((("Flag", "flag"), ("Verdict", "verdict"))):
        words = reference.vocabulary(vocabulary)
        lists.set_column(at, at, 30)
        lists.write_string(0, at, head)
        for line, word in enumerate(words, 1):
            lists.write_string(line, at, word)
        letter = "AB"[at]
        sheet.data_validation(
            1,
            places[head],
            last,
            places[head],
            {
                "validate": "list",
                "source": f"=Lists!${letter}$2:${letter}${len(words) + 1}",
                "error_title": head,
                "error_message": f"Choose one of the list: {', '.join(words)}"[:255],
            },
        )
    sheet.data_validation(
        1,
        places["Checked at"],
        last,
        places["Checked at"],
        {
            "validate": "date",
            "criteria": "between",
            "minimum": date(2000, 1, 1),
            "maximum": date(2099, 12, 31),
            "error_title": "Checked at",
            "error_message": "A date, or date and time, such as 2024-11-05 14:30.",
        },
    )


def _how_to(book: Any, sheet: Any) -> None:
    wrapped = book.add_format({"text_wrap": True, "valign": "top"})
    fixed = book.add_format({"font_name": "Courier New"})
    sheet.set_column(0, 0, 110)
    for line, sentence in enumerate(_HOW_TO):
        sheet.write_string(line, 0, sentence, wrapped)
    for line, text in enumerate(PROFILE_PART.splitlines(), len(_HOW_TO) + 1):
        sheet.write_string(line, 0, text, fixed)
