"""Pages of single units: everything that is known of one, what is suspected, why, and what would settle it."""

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import jinja2
import polars as pl

from lowambient.refrigerant.catalogue import refrigerants
from lowambient.refrigerant.names import canonical_names
from lowambient.refrigerant.pressure import SEA_LEVEL_KPA, barometric_kpa
from lowambient.report import schemas
from lowambient.report.book import Book
from lowambient.report.facts import RunFacts
from lowambient.report.figures import Figures, Row, rows
from lowambient.report.judged import plan, speaking
from lowambient.report.pages import copy_assets, environment_of
from lowambient.report.reading_units import ReadingUnits, System
from lowambient.report.single_file import inlined
from lowambient.report.summaries import thresholds_used
from lowambient.report.tables import as_written, empty
from lowambient.report.unit_drawings import drawings
from lowambient.report.unit_files import file_names, units_with_pages
from lowambient.report.unit_frames import EXTRA, extra
from lowambient.report.unit_header import BLANK, header
from lowambient.report.unit_place import Place

MOST_BYTES = 300_000
MOST_SHOWN = (80, 40, 15, 4)
"""Calls, and pieces of evidence, on a page; fewer where texts are so long that the page would be too large."""
ROWS_SHOWN = 60
LEAST_TOLD, FLAGS_TOLD = 0.05, 6
"""Flags of less probability, and those beyond so many, are only named (judgement)."""
WRITTEN = ("flags", "evidence", "calls", "trips", "lockouts", "set_points", "head_pressure", "coverage", "follow_up")
WORKING = ("unit_ranking", "unit_station")
LISTED = ("sites", "units")
FLAMMABLE = ("A2L", "A2", "A3", "B2L")

Tables = Mapping[str, pl.DataFrame]
Said = Callable[[int, int], None]


def write_unit_pages(
    frames: Tables,
    facts: RunFacts,
    out: Path,
    *,
    units: System,
    wanted: Iterable[str] | None = None,
    said: Said | None = None,
) -> list[Path]:
    """Write `out/units/UNIT.html` for each of `wanted`, by default of `units_with_pages`; returns what was written.

    `frames` holds what `write_pages` takes and the frames of `unit_frames.EXTRA`; one that is missing counts as without
    rows. `said` is told how many pages of how many are written. Raises as `as_written` does.
    """
    press = Press(frames, facts, units)
    ids = press.with_pages() if wanted is None else list(wanted)
    names = file_names(press.listed)
    folder = out / "units"
    folder.mkdir(parents=True, exist_ok=True)
    pages = []
    for done, unit_id in enumerate(ids, 1):
        page = folder / names[unit_id]
        page.write_text(press.page(unit_id), encoding="utf-8", newline="\n")
        pages.append(page)
        if said is not None:
            said(done, len(ids))
    return pages


def write_unit_page(
    frames: Tables, facts: RunFacts, unit_id: str, page: Path, *, units: System, single_file: bool = False
) -> list[Path]:
    """Write the page of one unit to the file `page`; returns what was written.

    In the `units` folder of a run it leads to the run's pages and uses its assets; elsewhere it stands alone, with a
    folder `assets` beside it. A `single_file` holds its scripts and styles itself.
    Raises KeyError for a unit that is not listed, and as `as_written` does.
    """
    text_of = Press(frames, facts, units).page
    folder = page.absolute().parent
    in_run = folder.name == "units" and (folder.parent / "run.json").is_file()
    folder.mkdir(parents=True, exist_ok=True)
    text = text_of(unit_id) if in_run else text_of(unit_id, root=None, assets="")
    page.write_text(inlined(text) if single_file else text, encoding="utf-8", newline="\n")
    return [page] if in_run or single_file else [page, *copy_assets(folder / "assets")]


@dataclass(frozen=True)
class Part:
    """One unit's rows of every table."""

    unit_id: str
    tables: Tables

    def __getitem__(self, table: str) -> pl.DataFrame:
        return self.tables[table]


class Press:
    """Prints unit pages: tables are checked and parted by unit once, templates and charts are made once."""

    def __init__(
        self, frames: Tables, facts: RunFacts, units: System, dressed: Mapping[str, Any] | None = None
    ) -> None:
        """`dressed` holds what templates are told otherwise than on pages of their own."""
        self.facts = facts
        self.figures = Figures(ReadingUnits(units))
        written = {name: as_written(name, frames.get(name, empty(name))) for name in (*WRITTEN, *WORKING)}
        listed = {name: _listed(name, frames) for name in LISTED}
        self.tables = {**written, **listed, "plan": plan(frames)}
        self.tables |= {name: extra(name, frames) for name in EXTRA}
        self.listed: list[str] = self.tables["units"]["unit_id"].to_list()
        self._sites = {row["site_id"]: row for row in self.tables["sites"].iter_rows(named=True)}
        self._days = _parted(self.tables["coldest_days"], "station_id")
        self._parts = {
            name: _parted(frame, "unit_id")
            for name, frame in self.tables.items()
            if "unit_id" in frame.columns and name != "units"
        }
        self._units = {row["unit_id"]: row for row in self.tables["units"].iter_rows(named=True)}
        self._refrigerants, self._refused = canonical_names(
            [one for one in self.tables["units"]["refrigerant"].unique(maintain_order=True) if one]
        )
        used = as_written("thresholds", thresholds_used(facts.thresholds))
        book = Book({"contents": _contents(frames), "thresholds": used}, facts, self.figures)
        self._thresholds = book.by_key("thresholds")
        environment = _environment(book)
        environment.globals.update(dressed or {})
        self._template = environment.get_template("unit.html")

    def with_pages(self) -> list[str]:
        """Units with a raised flag, a chosen option or a log, as listed."""
        wanted = units_with_pages(self.tables)
        return [unit_id for unit_id in self.listed if unit_id in wanted]

    def page(
        self,
        unit_id: str,
        *,
        root: str | None = "../",
        assets: str = "../",
        name: str = "unit",
        most_bytes: int = MOST_BYTES,
    ) -> str:
        """The page of one unit as HTML; raises KeyError for one that is not listed.

        Fewer calls and pieces of evidence are shown where it would be larger than `most_bytes`.
        """
        part = self._part(unit_id)
        place = self._place(unit_id)
        context = {**self._context(part, place), **drawings(part.tables, place), "root": root, "assets": assets}
        text = ""
        for most in MOST_SHOWN:
            shown = {"calls": self._calls(part, most), "evidence": evidence_of(part["evidence"], most)}
            text = self._template.render(page=name, **context, **shown)
            if len(text.encode()) <= most_bytes:
                break
        return text

    def _part(self, unit_id: str) -> Part:
        parts = {name: by_unit.get(unit_id, self.tables[name].clear()) for name, by_unit in self._parts.items()}
        station = parts["unit_station"]["station_id"]
        days = self._days.get(station[0]) if len(station) else None
        return Part(unit_id, {**parts, "days": self.tables["coldest_days"].clear() if days is None else days})

    def _place(self, unit_id: str) -> Place:
        unit = self._units[unit_id]
        site = self._sites.get(unit["site_id"], {})
        elevation_m = site.get("elevation_m")
        barometer = SEA_LEVEL_KPA if elevation_m is None else barometric_kpa(elevation_m)
        zone = ZoneInfo(site["time_zone"]) if site.get("time_zone") else ZoneInfo("UTC")
        here = replace(self.figures, barometric_kpa=barometer, zone=zone)
        return Place(here, self._refrigerants.get(unit["refrigerant"] or ""), unit, site)

    def _context(self, part: Part, place: Place) -> dict[str, Any]:
        flags = (
            part["flags"]
            .join(speaking(part["evidence"]), on=["unit_id", "flag"], how="left")
            .sort("raised", "probability", "flag", descending=[True, True, False], nulls_last=True)
        )
        is_told = pl.col("raised") | (pl.col("probability") >= LEAST_TOLD)
        shown = {
            "lockouts": part["lockouts"].sort("started_at", descending=True),
            "trips": part["trips"].sort("tripped_at", descending=True),
            "head_pressure": part["head_pressure"].sort("circuit", "period_start"),
            "set_points": part["set_points"].sort("circuit", "switch"),
            "plan": part["plan"].sort(pl.col("selected").fill_null(value=False), "rank", descending=[True, False]),
            "follow_up": part["follow_up"].filter("apart"),
        }
        return {
            "unit": place.unit,
            "site": place.site,
            "here": place.here,
            "zone": place.here.zone.key,
            "facts_of_unit": header(place),
            "threshold": self._thresholds,
            "doubts": list(self._doubts(part, place)),
            "flags": list(rows("flags", flags.filter(is_told).head(FLAGS_TOLD))),
            "slight": list(rows("flags", pl.concat([flags.filter(is_told).tail(-FLAGS_TOLD), flags.filter(~is_told)]))),
            "top_weight": max((abs(weight) for weight in part["evidence"]["weight"] if weight is not None), default=0),
            "coverage": next(iter(rows("coverage", part["coverage"])), None),
            "ranking": next(iter(rows("unit_ranking", part["unit_ranking"])), None),
            "station": next(iter(rows("unit_station", part["unit_station"])), None),
            "counts": {name: frame.height for name, frame in part.tables.items()},
            **{name: list(rows(name, frame.head(ROWS_SHOWN))) for name, frame in shown.items()},
            "faults": part["trace_faults"].sort("circuit", "from_at").head(ROWS_SHOWN).to_dicts(),
            "is_flammable": _is_flammable(place.refrigerant),
        }

    def _calls(self, part: Part, most: int) -> list[dict[str, Any]]:
        """Newest calls with their notes and what they state."""
        newest = part["calls"].sort("opened_at", "call_id", descending=True).head(most)
        joined = newest.join(part["call_notes"].drop("unit_id"), on="call_id", how="left")
        stated: dict[str, list[str]] = {}
        for call_id, statement, words in part["call_statements"].select("call_id", "statement", "words").iter_rows():
            stated.setdefault(call_id, []).append(f"{statement} (“{words}”)" if words else statement)
        return [{"row": row, "stated": stated.get(row["call_id"], [])} for row in rows("calls", joined)]

    def _doubts(self, part: Part, place: Place) -> Iterator[str]:
        unit = place.unit
        if unit["refrigerant"] is None:
            yield "The list names no refrigerant, so no pressure is shown as a temperature."
        elif place.refrigerant is None:
            reason = self._refused.get(unit["refrigerant"], "it is not known here")
            yield f"Its refrigerant has no saturation table ({reason}), so no pressure is shown as a temperature."
        for column, text in BLANK.items():
            if unit[column] is None:
                yield text
        limits = part["unit_limits"]
        if limits.height:
            if limits["demand_source"][0] == "contradicted by calls":
                yield "Listed as comfort cooling, but called for when nobody needs comfort: any hour counts as demand."
            if limits["reset_source"][0] == "usual":
                yield "No low-pressure reset is listed: the usual one of its refrigerant is taken."
        if place.site.get("elevation_m") is None:
            yield "The site has no elevation: gauge pressures are taken at sea level."
        if not part["unit_station"].height or part["unit_station"]["station_id"][0] is None:
            yield "No weather station serves it, so nothing is said about its weather."
        if part["coverage"].height == 0 or part["coverage"]["readings"][0] == 0:
            yield "It was never logged: what is said rests on calls, words and lists."


def evidence_of(evidence: pl.DataFrame, most: int) -> dict[str, list[Row]]:
    """Evidence of each flag, the pieces of least `place` first, `most` pieces in all."""
    pieces: dict[str, list[Row]] = {}
    for row in rows("evidence", evidence.sort("place", "flag").head(most)):
        pieces.setdefault(row["flag"], []).append(row)
    return pieces


def _is_flammable(refrigerant: str | None) -> bool:
    return refrigerant is not None and refrigerants()[refrigerant].safety_class in FLAMMABLE


def _listed(name: str, frames: Tables) -> pl.DataFrame:
    from lowambient.records import inputs

    schema = pl.DataFrame(inputs.TABLES[name].create_empty()).schema
    frame = frames.get(name, pl.DataFrame(schema=schema))
    texts = [column for column, kind in frame.schema.items() if isinstance(kind, pl.Enum | pl.Categorical)]
    return frame.with_columns(
        pl.col(texts).cast(pl.String),
        *(pl.lit(None, kind).alias(column) for column, kind in schema.items() if column not in frame.columns),
    )


def _parted(frame: pl.DataFrame, by: str) -> dict[str, pl.DataFrame]:
    parts = frame.partition_by(by, as_dict=True, maintain_order=True)
    return {str(key[0]): part for key, part in parts.items()}


def _contents(frames: Tables) -> pl.DataFrame:
    rows_of = {name: frame.height for name, frame in frames.items() if name in schemas.ALL}
    return pl.DataFrame(
        {"table": list(rows_of), "rows": list(rows_of.values())}, schema={"table": pl.String, "rows": pl.Int64}
    )


def _environment(book: Book) -> jinja2.Environment:
    environment = environment_of(book)
    environment.globals["rows_shown"] = ROWS_SHOWN
    return environment
