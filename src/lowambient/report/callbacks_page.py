"""The analyst's page: how often calls come back, for which symptoms, in which weather, and whether repairs held."""

import polars as pl

from lowambient.report import callback_charts as charts
from lowambient.report import interval_lists as lists
from lowambient.report import linked_rates, temperature_charts
from lowambient.report.book import Book, Context
from lowambient.report.figures import Figures, Row
from lowambient.report.unit_files import pages_of

PEOPLE_SHOWN = 40
SITES_SHOWN = 30
UNITS_SHOWN = 60
REPAIRS_SHOWN = 100
SYMPTOMS_SHOWN = 16

LISTED = ("fleet", "symptom", "work", "weather band", "season", "unit kind", "technician")
"""Dimensions whose groups the page lists; months and sites are in its charts and in the download."""

VERDICTS = ("not held", "held", "cannot tell", "too early")
MAIN_MEASURE = "coldest demand hour"


def context(book: Book) -> Context:
    """What the template shows."""
    tables, figures = book.tables, book.figures
    rates, threshold = tables["callback_rates"], book.by_key("thresholds")
    labels = band_labels(book)
    in_force = {"days": threshold["recall_window_days"]["value"], "cold hours": threshold["recall_cold_hours"]["value"]}
    least = threshold["least_group_calls"]["value"]
    curve = _common(tables["rate_curve"])
    sites = _sites(book)
    repairs, clusters = _repairs(book), tables["clusters"]
    return {
        "fact": book.by_key("summary"),
        "threshold": threshold,
        "unit_pages": pages_of(book.tables),
        "all_calls": _one(book, "days", "fleet", "related"),
        "whatever": _one(book, "days", "fleet", "any"),
        "in_cold": _one(book, "cold hours", "fleet", "related"),
        "shortest": _end(book, first=True),
        "longest": _end(book, first=False),
        "surest": _surest(book, "symptom"),
        "fixed": next(iter(book.rows("first_time_fix", tables["first_time_fix"].filter(dimension="fleet"))), None),
        "fix_groups": book.rows("first_time_fix", tables["first_time_fix"].filter(pl.col("dimension") != "fleet")),
        "groups": [
            (row, labels.get(row["value"]))
            for row in book.rows("callback_rates", book.first(_listed(rates), rates.height))
        ],
        "windows": book.rows("callback_rates", rates.filter(dimension="window").sort("clock", "window")),
        "soon": _at(book, (7.0, in_force["days"])),
        "clusters": book.rows("clusters"),
        "oftenest_back": _first(book, "clusters", clusters.filter("callback_differs"), "callback_lower"),
        "changes": book.rows("rate_change", _main_first(_common(tables["rate_change"]))),
        "cold_change": _first(
            book,
            "rate_change",
            tables["rate_change"].filter("changes", measure=MAIN_MEASURE, symptom="low-pressure trip"),
            "ratio",
        ),
        "gathering": book.rows("cold_gathering", book.first(_gathering(book), UNITS_SHOWN)),
        "by_work": book.rows("follow_up_by_work"),
        "repairs": book.rows("follow_up", book.first(repairs, REPAIRS_SHOWN)),
        "repairs_in_all": repairs.height,
        "verdicts": book.rows("follow_up_verdicts"),
        "chart_rates": linked_rates.rates(_cells(book), least, _middles(book, figures), figures),
        "chart_sites": lists.sites(sites),
        "chart_windows": charts.windows(rates.filter(dimension="window")),
        "chart_time": charts.time_to_callback(tables["time_to_callback"], in_force),
        "chart_age": charts.calls_by_service_age(tables["calls_by_service_age"]),
        "chart_fix": lists.first_time_fix(_people_capped(tables["first_time_fix"])),
        "chart_clusters": lists.clusters(clusters, _cluster_share(clusters)),
        "chart_curve": temperature_charts.rate_curve(curve, tables["rate_change"], figures),
        "chart_gathering": charts.gathering(_gathering(book)),
        "chart_held": lists.held(
            tables["follow_up_by_work"],
            tables["follow_up_verdicts"],
            threshold["held_ratio"]["value"],
        ),
    }


def bands(book: Book) -> dict[str, tuple[float, float]]:
    """Edges [degC] of the weather bands that the tables name, the coldest first."""
    rates = book.tables["callback_rates"].filter(pl.col("lower_c").is_not_null())
    edges = rates.select("value", "lower_c", "upper_c").unique().sort("lower_c")
    return {value: (lower, upper) for value, lower, upper in edges.iter_rows()}


def band_labels(book: Book) -> dict[str, str]:
    """Weather bands of the tables as the reader says them."""
    figures, labels = book.figures, {}
    for value, edges in bands(book).items():
        low, high = (figures.text(edge, "degC", 0 if figures.units.system == "us" else 1) for edge in edges)
        labels[value] = f"{low} to {high} {figures.units.temperature_unit}"
    return labels


def _groups(book: Book, labels: dict[str, str]) -> list[tuple[Row, str | None]]:
    """Groups listed, each with its name where the reader says it otherwise than the table."""
    listed = _listed(book.tables["callback_rates"])
    return [(row, labels.get(row["value"])) for row in book.rows("callback_rates", book.first(listed, listed.height))]


def _middles(book: Book, figures: Figures) -> dict[str, float]:
    """Middle of each weather band in the reader's unit."""
    return {value: round(figures.shown(sum(pair) / 2, "degC"), 1) for value, pair in bands(book).items()}


def _one(book: Book, clock: str, dimension: str, value: str) -> Row | None:
    found = book.tables["callback_rates"].filter(
        pl.col("rate").is_not_null(), clock=clock, dimension=dimension, value=value
    )
    return next(iter(book.rows("callback_rates", found)), None)


def _first(book: Book, table: str, frame: pl.DataFrame, by: str) -> Row | None:
    """The row in which `by` is highest."""
    return next(iter(book.rows(table, frame.sort(by, descending=True, nulls_last=True, maintain_order=True))), None)


def _end(book: Book, *, first: bool) -> Row | None:
    """Callback rate with the shortest or the longest window shown, in days."""
    rows = book.tables["callback_rates"].filter(pl.col("rate").is_not_null(), clock="days", dimension="window")
    return next(iter(book.rows("callback_rates", rows.sort("window", descending=not first))), None)


def _surest(book: Book, dimension: str) -> Row | None:
    """Of the groups that differ, the one whose interval begins highest: the surest, not the luckiest."""
    rows = book.tables["callback_rates"].filter("differs", clock="days", dimension=dimension)
    return _first(book, "callback_rates", rows, "lower")


def _listed(rates: pl.DataFrame) -> pl.DataFrame:
    """Groups that the page lists, days before cold hours."""
    order = pl.col("dimension").replace_strict({name: at for at, name in enumerate(LISTED)}, default=len(LISTED))
    kept = rates.filter(pl.col("dimension").is_in(LISTED)).sort(
        pl.col("clock").cast(pl.String) == "cold hours", order, "place", "value"
    )
    return kept.filter(
        (pl.col("dimension") != "technician")
        | (pl.col("calls").rank("ordinal", descending=True).over("clock", "dimension") <= PEOPLE_SHOWN)
    )


def _at(book: Book, times: tuple[float, ...]) -> list[Row]:
    """Kaplan-Meier rows at some times in days."""
    found = book.tables["time_to_callback"].filter(
        pl.col("time").is_in(times), pl.col("share").is_not_null(), clock="days"
    )
    return book.rows("time_to_callback", found.sort("time"))


def _cells(book: Book) -> pl.DataFrame:
    """Cells of `recall_cells` to draw: all but those of people beyond `PEOPLE_SHOWN`, who have fewest calls."""
    cells = book.tables["recall_cells"]
    people = cells.filter(dimension="technician").group_by("value").agg(pl.col("calls").sum())
    left_out = people.sort("calls", "value", descending=[True, False])["value"].to_list()[PEOPLE_SHOWN:]
    return cells.filter((pl.col("dimension") != "technician") | ~pl.col("value").is_in(left_out))


def _people_capped(fixes: pl.DataFrame) -> pl.DataFrame:
    place = pl.col("calls").rank("ordinal", descending=True).over("dimension")
    return fixes.filter((pl.col("dimension") != "technician") | (place <= PEOPLE_SHOWN))


def _sites(book: Book) -> pl.DataFrame:
    """Sites with most calls, named, on both clocks."""
    rates = book.tables["callback_rates"].filter(dimension="site")
    most = rates.filter(pl.col("rate").is_not_null(), clock="days").sort("calls", "value", descending=[True, False])
    listed = book.tables["sites"]
    names = (
        listed.select(pl.col("site_id").alias("value"), "name")
        if {"site_id", "name"} <= set(listed.columns)
        else pl.DataFrame(schema={"value": pl.String, "name": pl.String})
    )
    shown = rates.join(most.head(SITES_SHOWN).select("value"), on="value", how="semi").join(
        names, on="value", how="left"
    )
    name = pl.col("name").fill_null(pl.col("value"))
    twice = pl.struct("clock", name).is_duplicated()  # two sites of one name stay two rows
    return shown.with_columns(
        pl.when(twice).then(pl.format("{} ({})", name, "value")).otherwise(name).alias("name")
    ).sort("clock", "name", "value")


def _common(table: pl.DataFrame) -> pl.DataFrame:
    """Rows of the symptoms with most episodes."""
    totals = table.group_by("symptom").agg(pl.col("episodes").sum())
    kept = totals.sort("episodes", "symptom", descending=[True, False]).head(SYMPTOMS_SHOWN)
    return table.join(kept.select("symptom"), on="symptom", how="semi", maintain_order="left")


def _main_first(table: pl.DataFrame) -> pl.DataFrame:
    return table.sort(pl.col("measure").cast(pl.String) != MAIN_MEASURE, "symptom")


def _gathering(book: Book) -> pl.DataFrame:
    """Units with episodes, those whose episodes gather most surely first."""
    table = book.tables["cold_gathering"].filter(pl.col("episodes") > 0)
    return table.sort("adjusted_p", "p", "episodes", "unit_id", descending=[False, False, True, False], nulls_last=True)


def _repairs(book: Book) -> pl.DataFrame:
    """Repairs that did not hold first, then those that did, then the undecided; apart before overlapping ones."""
    order = pl.col("verdict").replace_strict({name: at for at, name in enumerate(VERDICTS)}, default=len(VERDICTS))
    return book.tables["follow_up"].sort(
        order, "apart", "expected_untreated_calls", "call_id", descending=[False, True, True, False]
    )


def _cluster_share(clusters: pl.DataFrame) -> float | None:
    """Share of callbacks among the calls of all clusters together."""
    calls = int(clusters["calls"].sum())
    return round(int(clusters["callbacks"].sum()) / calls, 4) if calls else None
