"""The commands: what each reads, in which order it calls the rooms, what it writes."""

import json
import shutil
import uuid
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from importlib import metadata
from pathlib import Path
from typing import Literal

import polars as pl

import lowambient
from lowambient.errors import InputRefused
from lowambient.intake.hourly_forecast import read_forecast
from lowambient.intake.matching import Matcher
from lowambient.judgement import input_frame, judge
from lowambient.plan.outlook import coverage_sentences, day_sentences, outlook
from lowambient.profile import Profile, load_profile, words_digest
from lowambient.records import outputs
from lowambient.refrigerant.names import canonical_names
from lowambient.report import (
    EarlierRun,
    RunFacts,
    write_mail,
    write_pages,
    write_tables,
    write_unit_page,
    write_unit_pages,
)
from lowambient.report.work_list import write_work_list
from lowambient.store import Loaded, Progress, Store, failed_audits, load_all, queries

System = Literal["us", "si"]
LIKELY_STATED = 0.5
"""Probability from which a note is taken to state something: more likely made than not."""
PACKAGES = ("polars", "duckdb", "numpy", "scipy", "scikit-learn", "altair", "coolprop")
ON_UNIT_PAGES = (
    "coldest_days",
    "log_days",
    "shown_windows",
    "shown_readings",
    "steady_points",
    "trace_faults",
    "unit_limits",
)
PLAN_TABLES = (
    "option_fit",
    "option_effects",
    "work_list",
    "budget_curve",
    "plan_sensitivity",
    "plan_assumptions",
    "plan_summary",
)
SHOWN = (
    *PLAN_TABLES,
    "backtest",
    "backtest_pit",
    "unit_ranking",
    "cold_hours",
    "unit_station",
    "unit_service",
    "unmatched",
    "set_aside",
    "exposure_left_out",
    "recall_cells",
    "first_time_fix",
    "time_to_callback",
    "calls_by_service_age",
    "follow_up_by_work",
    "rate_curve",
    "rate_change",
    "cold_gathering",
)


@dataclass(frozen=True)
class Written:
    """What a run wrote: a sentence for the person, and the audits that failed."""

    sentence: str
    failed_audits: tuple[str, ...]


def load(path: Path, *, threads: int | None = None, progress: Progress | None = None) -> Loaded:
    """Brings the store of the profile at `path` to what its files hold now.

    Raises InputRefused, StoreUnavailable, NoSpace.
    """
    profile = load_profile(path)
    with Store(profile.store, threads=threads) as store:
        return load_all(store, profile, progress)


def loaded_sentence(loaded: Loaded) -> str:
    """What a load did, for the person who asked for it."""
    parts = [f"Loaded {len(loaded.fresh)} files"]
    if loaded.unchanged:
        parts.append(f"{len(loaded.unchanged)} stood already")
    if loaded.removed:
        parts.append(f"{len(loaded.removed)} no longer named were taken out: {', '.join(loaded.removed)}")
    return "; ".join(parts) + "."


def report(
    path: Path,
    out: Path,
    *,
    units: System | None = None,
    since: Path | None = None,
    single_file: bool = False,
    threads: int | None = None,
    progress: Progress | None = None,
) -> Written:
    """Judges, ranks, and writes pages and tables of what the store holds into the folder `out`.

    The folder is written beside and renamed, so that it is the old one or the new one whole. `since` is the folder of
    an earlier run, which may be `out` itself: flags that it did not raise are marked as new. With `single_file` the
    pages are also written as one file that can be mailed, `mail.html`.
    Raises InputRefused for an `out` that holds other things or a `since` that is no run, StoreUnavailable, NoSpace.
    """
    profile = load_profile(path)
    check_out(out)
    before = EarlierRun.read(since) if since else None
    with Store(profile.store, threads=threads) as store:
        with store.transaction():
            judge(store, profile, progress)
        failed = tuple(failed_audits(store))
        frames = _frames(store)
        facts = _facts(store, profile, failed)
        digests = dict(store.query("select source, digest from files order by source").iter_rows())
        if profile.words:
            digests["words of the company"] = words_digest(profile.words)
    if before is not None:
        frames["flags"] = before.marked(frames["flags"])
        digests["flags of the run before"] = before.digest
    system: System = units or profile.units  # type: ignore[assignment]
    with _written_beside(out) as folder:
        write_tables(frames, folder / "tables")
        write_work_list(frames["work_list"], folder / "work_list.xlsx")
        pages = write_pages(frames, facts, folder, units=system)
        pages += write_unit_pages(frames, facts, folder, units=system, said=_pages_said(progress))
        if single_file:
            write_mail(frames, facts, folder / "mail.html", units=system)
        _write_run(folder, facts, digests)
    count = sum(page.suffix == ".html" for page in pages)
    mailed = f", or mail {out / 'mail.html'}" if single_file else ""
    return Written(f"Wrote {count} pages and their tables: open {out / 'winter.html'}{mailed}", failed)


def _pages_said(progress: Progress | None) -> Callable[[int, int], None] | None:
    if progress is None:
        return None
    return lambda done, pages: progress.step("pages of units", done, pages)


def unit_page(path: Path, unit_id: str, page: Path, *, units: System | None = None, single_file: bool = False) -> str:
    """Writes the page of one unit, as the store was judged last, to the file `page`; returns what it did.

    `unit_id` is matched as the unit list writes it, else regardless of case, spaces and punctuation.
    Raises InputRefused for a unit that is not listed or a store that was never judged, StoreUnavailable, NoSpace.
    """
    profile = load_profile(path)
    if page.is_dir():
        raise InputRefused(f"{page} is a folder: name a file with --out")
    with Store(profile.store, read_only=True) as store:
        if not store.has("shown_readings"):
            raise InputRefused("the store holds exports only: run `lowambient report` first")
        listed = _listed_as(store, unit_id)
        frames = _frames(store, listed)
        facts = _facts(store, profile, ())
    system: System = units or profile.units  # type: ignore[assignment]
    write_unit_page(frames, facts, listed, page, units=system, single_file=single_file)
    return f"Wrote the page of {listed}: open {page}"


def _listed_as(store: Store, unit_id: str) -> str:
    """The unit id as listed; raises InputRefused with the reason."""
    listed = store.frame("in_units", "unit_id")["unit_id"].to_list()
    aliases = dict(store.frame("in_aliases", "written").select("written", "unit_id").iter_rows())
    match = Matcher(listed, aliases).match(unit_id)
    if match.meant is None:
        raise InputRefused(match.reason or f"{unit_id!r} is no unit of the list")
    return match.meant


def table_csv(path: Path, name: str) -> str:
    """A table of the store as CSV.

    Raises InputRefused for a table that is not there, StoreUnavailable.
    """
    profile = load_profile(path)
    with Store(profile.store, read_only=True) as store:
        names = store.relations()
        if name not in names:
            raise InputRefused(f"the store has no table {name!r}; it has {', '.join(names)}")
        return store.frame(name, "all").write_csv()


def study_csv(path: Path, name: str) -> str:
    """The answer of a study, a query of `queries/studies`, as CSV.

    Raises InputRefused for a study that is not there or a store that was never judged, StoreUnavailable.
    """
    profile = load_profile(path)
    if name not in queries.names("studies"):
        raise InputRefused(f"there is no study {name!r}; there are {', '.join(queries.names('studies'))}")
    with Store(profile.store, read_only=True) as store:
        if "callback_windows" not in store.relations():
            raise InputRefused("the store holds exports only: run `lowambient report` first")
        return store.query(queries.text("studies", name)).write_csv()


def outlook_csv(path: Path, forecast_file: Path, by: Literal["unit", "day"]) -> tuple[str, list[str]]:
    """The outlook of the next days as CSV, by unit or by day, and sentences for the person who asked.

    Raises InputRefused for a forecast that cannot be used, or a store without the states of units; StoreUnavailable.
    """
    profile = load_profile(path)
    weather = read_forecast(forecast_file)
    with Store(profile.store, read_only=True) as store:
        if not {"unit_states", "unit_counts"} <= set(store.relations()):
            raise InputRefused("the store does not say what state units are in: run `lowambient report` first")
        states, facts = store.frame("unit_states", "unit_id, state"), _facts_of_units(store)
    units, days = outlook(states, facts, weather, profile.thresholds)
    served = facts.filter(pl.col("still_served"))
    likely = units.filter(pl.col("probability") >= profile.thresholds["outlook_likely"]).height
    told = [*coverage_sentences(served, weather), f"{likely} units are likely to call within the forecast."]
    return (units if by == "unit" else days).write_csv(), [*told, *day_sentences(days)]


def _facts_of_units(store: Store) -> pl.DataFrame:
    """What the outlook asks about each unit; grain unit, sorted."""
    counts = store.frame("unit_counts", "unit_id").select(
        "unit_id", "site_id", "site_name", "description", "station_id", "still_served"
    )
    outage = input_frame(store, "units").select("unit_id", "outage_cost_per_h")
    zones = input_frame(store, "sites").select("site_id", "time_zone")
    return counts.join(outage, on="unit_id", how="left").join(zones, on="site_id", how="left").sort("unit_id")


def check_folders(out: Path, since: Path | None) -> None:
    """Raises InputRefused, before anything is read, for folders that `report` would refuse."""
    check_out(out)
    if since is not None:
        EarlierRun.read(since)


def check_out(out: Path) -> None:
    """Raises InputRefused where `out` is a file, or a folder that a run did not write."""
    if out.is_file():
        raise InputRefused(f"{out} is a file: name a folder with --out")
    if out.is_dir() and any(out.iterdir()) and not (out / "run.json").exists():
        raise InputRefused(f"{out} holds other files: name a new or empty folder with --out")


@contextmanager
def _written_beside(out: Path) -> Iterator[Path]:
    """A folder beside `out` that takes its place when all is written, and is gone when something fails."""
    out = out.absolute()
    new = out.with_name(f".{out.name}-{uuid.uuid4().hex[:8]}")
    old = new.with_name(f"{new.name}-old")
    new.mkdir(parents=True)
    try:
        yield new
        if out.exists():
            out.rename(old)
        new.rename(out)
    finally:
        shutil.rmtree(new, ignore_errors=True)
        shutil.rmtree(old, ignore_errors=True)


def _frames(store: Store, of_unit: str | None = None) -> dict[str, pl.DataFrame]:
    """Tables that pages show, all of them or those of one unit; and what a visit wrote down, and what that states."""
    tables = {name: store.frame(name, "all", of_unit) for name in (*outputs.TABLES, *SHOWN, *ON_UNIT_PAGES)}
    tables["call_notes"] = store.frame("in_calls", "call_id", of_unit)
    stated = store.frame("call_statements", "all").filter(pl.col("probability") >= LIKELY_STATED)
    whose = tables["call_notes"].select("call_id", "unit_id", "opened_at")
    tables["call_statements"] = stated.join(whose, on="call_id", maintain_order="left")
    return tables | {name: input_frame(store, name) for name in ("sites", "units", "stations")}


def _facts(store: Store, profile: Profile, failed: tuple[str, ...]) -> RunFacts:
    span = store.frame("span").row(0, named=True)
    last_winter = store.query("select max(last_winter) as winter from unit_counts").item()
    costs = {name: value for name, value in vars(profile.costs).items() if isinstance(value, float)}
    return RunFacts(
        fleet=profile.name,
        versions={"lowambient": lowambient.__version__, **{name: metadata.version(name) for name in PACKAGES}},
        thresholds=profile.thresholds,
        data_from=span["from_hour"],
        data_to=span["to_hour"],
        last_winter=last_winter,
        notes=tuple(_notes(store)),
        failed_audits=failed,
        costs=costs,
        currency=profile.costs.currency,
    )


def _notes(store: Store) -> Iterator[str]:
    """Remarks and assumptions that the pages show, each once."""
    for note, source, files in store.query(
        "select note, min(source) as source, count(*) as files from file_notes inner join files using (file_no)"
        " group by note order by source, note"
    ).iter_rows():
        yield f"{source}{f' and {files - 1} more files' if files > 1 else ''}: {note}."
    refrigerants = store.query("select distinct refrigerant from in_units order by all")["refrigerant"]
    for reason in sorted(set(canonical_names(refrigerants.drop_nulls().to_list())[1].values())):
        yield f"{reason}; units with it have no reset ambient."
    blank = store.query("select count(*) from in_units where refrigerant is null").item()
    if blank:
        yield f"{blank} units have no refrigerant on the list, and so no reset ambient."
    elevation = store.query("select count(*) from in_sites where elevation_m is null").item()
    if elevation:
        yield f"{elevation} sites have no elevation: gauge pressures there are taken at sea level."


def _write_run(folder: Path, facts: RunFacts, digests: Mapping[str, str]) -> None:
    run = {"versions": facts.versions, "thresholds": facts.thresholds, "inputs": digests}
    text = json.dumps(run, indent=2, sort_keys=True, ensure_ascii=False)
    (folder / "run.json").write_text(text + "\n", encoding="utf-8")
