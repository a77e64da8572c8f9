"""Pages: templates of `reports/` filled with rows of the written tables."""

import csv
import json
import re
import shutil
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any

import jinja2
import polars as pl

from lowambient.records import outputs
from lowambient.report import callbacks_page, figures, revisit_page, schemas, winter_page
from lowambient.report.book import Book, Context, Tables
from lowambient.report.facts import RunFacts
from lowambient.report.figures import Figures, Row
from lowambient.report.judged import plan
from lowambient.report.reading_units import ReadingUnits, System
from lowambient.report.summaries import page_tables
from lowambient.report.tables import XLSX_ROWS, as_written, empty, write_table

ROWS_SHOWN = 300  # of a long table: what a person reads and a phone opens at once; the whole is in the download
GROUPS_SHOWN = 100
OUTLINES = "outlines.js"
ABBREVIATION = re.compile(r"\b(?:lp|hp)\b")


def write_pages(frames: Tables, facts: RunFacts, out: Path, *, units: System) -> list[Path]:
    """Write the pages, their assets and the tables counted for them under `out`; returns what was written.

    `frames` holds tables of the output contract, the working tables of `schemas.WORKING`, and the inputs `sites`,
    `units` and `stations`; one that is missing counts as without rows. The pages link to `out/tables`, where
    `write_tables` puts the same frames. Raises as `as_written` does.
    """
    book = book_of(frames, facts, units)
    out.mkdir(parents=True, exist_ok=True)
    assets = copy_assets(out / "assets")
    (out / "tables").mkdir(exist_ok=True)
    counted = [path for table in schemas.PAGE for path in write_table(table, book.tables[table], out / "tables")]
    environment = environment_of(book)
    pages = []
    for name, context in PAGES.items():
        text = environment.get_template(f"{name}.html").render(page=name, **context(book))
        page = out / f"{name}.html"
        page.write_text(text, encoding="utf-8", newline="\n")
        pages.append(page)
    return [*pages, *assets, *counted]


def book_of(frames: Tables, facts: RunFacts, units: System) -> Book:
    """What pages are made from; raises as `as_written` does."""
    return Book(_all_tables(frames, facts), facts, Figures(ReadingUnits(units)))


def _all_tables(frames: Tables, facts: RunFacts) -> dict[str, pl.DataFrame]:
    handed_in = {
        table: as_written(table, frames.get(table, empty(table))) for table in (*outputs.TABLES, *schemas.WORKING)
    }
    inputs = {table: frames.get(table, pl.DataFrame()) for table in ("sites", "units", "stations")}
    given = {**handed_in, **inputs, "plan": plan(frames)}
    return {**given, **page_tables(given, facts, _vendored_versions())}


# Pages


def _index(book: Book) -> Context:
    return {
        "fact": book.by_key("summary"),
        "fleet": winter_page.fleet_row(book),
        "planned": book.by_key("plan_summary"),
        "currency": book.facts.currency,
        "threshold": book.by_key("thresholds"),
    }


def _intake(book: Book) -> Context:
    tables = book.tables
    trouble = (pl.col("refused") > 0).alias("trouble")
    loads = tables["loads"].sort(trouble, "refused", descending=True, maintain_order=True)
    return {
        "fact": book.by_key("summary"),
        "totals": book.rows("load_totals"),
        "files_in_all": loads.height,
        "loads": book.rows("loads", book.first(loads, ROWS_SHOWN)),
        "refusals": book.rows("refusal_reasons", _commonest(book, "refusal_reasons", "rows")),
        "set_aside": book.rows("set_aside_reasons", _commonest(book, "set_aside_reasons", "cells")),
        "unmatched": book.rows("unmatched_ids", _commonest(book, "unmatched_ids", "rows")),
        "coverage": _coverage(book),
        "threshold": book.by_key("thresholds"),
        "group_limit": book.most(GROUPS_SHOWN),
    }


def _commonest(book: Book, table: str, by: str) -> pl.DataFrame:
    return book.first(book.tables[table].sort(by, descending=True, maintain_order=True), GROUPS_SHOWN)


def _coverage(book: Book) -> list[tuple[Row, Row | None]]:
    """Units with fewest hours of weather first, then those without readings, without calls; each with its station."""
    stations = book.by_key("unit_station")
    worst = book.tables["coverage"].sort("weather_hours", pl.col("readings") > 0, pl.col("calls") > 0, "unit_id")
    shown = book.rows("coverage", book.first(worst, ROWS_SHOWN))
    return [(row, stations.get(row["unit_id"])) for row in shown]


def _methods(book: Book) -> Context:
    return {
        "thresholds": book.rows("thresholds"),
        "versions": book.rows("versions"),
        "costs": book.rows("costs"),
        "columns": {
            table: [(name, column.description) for name, column in schema.columns().items()]
            for table, schema in schemas.ALL.items()
        },
        "about": {table: (schema.__doc__ or "").strip().splitlines()[0] for table, schema in schemas.ALL.items()},
        "contract": list(outputs.TABLES),
        "contents": book.by_key("contents"),
        "threshold": book.by_key("thresholds"),
    }


PAGES: dict[str, Callable[[Book], Context]] = {
    "index": _index,
    "winter": winter_page.context,
    "revisit": revisit_page.context,
    "callbacks": callbacks_page.context,
    "intake": _intake,
    "methods": _methods,
}


# Templates and assets


def template_folder() -> Path:
    """Folder of the templates: inside an installed package, else `reports/` of the source tree."""
    installed = Path(__file__).parents[1] / "templates"
    return installed if installed.is_dir() else Path(__file__).parents[3] / "reports"


def environment_of(book: Book) -> jinja2.Environment:
    """Templates with the formats and globals that every page uses."""
    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(template_folder()),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    formats = book.figures
    environment.filters.update(
        figure=formats.figure,
        quantity=formats.quantity,
        interval=formats.interval,
        moment=formats.moment,
        in_units=formats.units.sentence,
        written=figures.shown_text,
        clipped=figures.clipped,
        spelt=_spelt,
        begun=_begun,
        order=_order,
        adds_up=_adds_up,
    )
    environment.globals.update(
        facts=book.facts,
        units=formats.units,
        root="",
        assets="",
        layout="base.html",
        mailed=False,
        unit_folder="units/",
        whole_is="in the download",
        page_link=_page_link,
        interval_mark=figures.interval_mark,
        weight_mark=figures.weight_mark,
        rows_shown=book.most(ROWS_SHOWN),
        has_workbook={row.key[0]: row["rows"] <= XLSX_ROWS for row in book.rows("contents")},
    )
    return environment


def _page_link(page: str, part: str = "") -> str:
    """Where a page, or a part of it, lies beside the others."""
    return f"{page}.html#{part}" if part else f"{page}.html"


def _order(value: Any) -> str:
    """What a table's script sorts a cell by: numbers as they are, what is not known before all others."""
    if value is None:
        return "-1e99"
    return figures.cell_text(value)


def _spelt(words: str) -> str:
    """Words of the data with the switches' abbreviations in capitals."""
    return ABBREVIATION.sub(lambda found: found[0].upper(), words)


def _begun(words: str) -> str:
    """Words as they begin a sentence."""
    return words[:1].upper() + words[1:]


def _adds_up(row: Row) -> bool:
    return bool(row["rows_read"] == row["loaded"] + row["refused"] + row["repeated"])


def vendored() -> list[dict[str, str]]:
    """Scripts and outlines that come with the pages, each with package, version, licence and digest."""
    text = (template_folder() / "assets" / "vendored.tsv").read_text(encoding="utf-8")
    lines = [line for line in text.splitlines() if not line.startswith("#")]
    return list(csv.DictReader(lines, delimiter="\t"))


def _vendored_versions() -> dict[str, str]:
    return {f"{one['package']} ({one['licence']})": one["version"] for one in vendored()}


def copy_assets(folder: Path) -> list[Path]:
    """Copy style sheet, scripts and licences; outlines become a script, since pages on disk cannot fetch data."""
    source = template_folder() / "assets"
    shutil.copytree(source, folder, dirs_exist_ok=True, ignore=shutil.ignore_patterns("*.json"))
    (folder / OUTLINES).write_text(asset_text(OUTLINES), encoding="utf-8", newline="\n")
    return sorted(path for path in folder.rglob("*") if path.is_file())


@cache
def asset_text(name: str) -> str:
    """A style sheet, script or licence as `copy_assets` puts it into its folder."""
    source = template_folder() / "assets"
    if name != OUTLINES:
        return (source / name).read_text(encoding="utf-8")
    outlines = {
        "states": json.loads((source / "states-10m.json").read_text(encoding="utf-8")),
        "countries": json.loads((source / "countries-110m.json").read_text(encoding="utf-8")),
    }
    return f"window.outlines = {json.dumps(outlines, separators=(',', ':'))};\n"
