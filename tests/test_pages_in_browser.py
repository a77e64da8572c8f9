"""Pages opened from disk in Chromium: charts, tables, hostile text, accessibility, phone, paper, dark."""

import csv
import io
import json
import shutil
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import polars as pl
import pytest
from axe_playwright_python.sync_playwright import Axe
from conftest import NO_NETWORK
from playwright.sync_api import Browser, BrowserContext, Page, expect, sync_playwright
from report_frames import FACTS, HOSTILE, empty_frames, fleet_frames

from lowambient.report import RunFacts, write_mail, write_pages, write_tables
from lowambient.report.unit_files import file_names

pytestmark = pytest.mark.browser

CHROMIUM = shutil.which("chromium")
ARGUMENTS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--no-first-run",
]
PAGES = ("index", "winter", "revisit", "callbacks", "intake", "methods")
CHARTS = ("forecast", "budget", "rate", "map", "winters")
CHARTS_OF = {
    "winter": CHARTS,
    "callbacks": (*("rates", "sites", "windows", "time", "age", "fix", "clusters", "curve", "gathering", "held"),),
}
SIZES = {"desktop": {"width": 1280, "height": 900}, "phone": {"width": 390, "height": 844}}


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Browser]:
    """Chromium without a network, so that a page that needs one shows it."""
    if CHROMIUM is None:
        pytest.skip("no chromium on this machine")
    program = tmp_path_factory.mktemp("browser") / "chromium"
    program.write_text(f'#!/bin/sh\nexec {" ".join(NO_NETWORK)} {CHROMIUM} "$@"\n')
    program.chmod(0o755)
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=program, args=ARGUMENTS)
        yield browser
        browser.close()


@pytest.fixture(scope="module")
def usual(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return written(fleet_frames(), tmp_path_factory.mktemp("usual"))


@pytest.fixture(scope="module")
def hostile(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return written(fleet_frames(names=tuple(HOSTILE.values())), tmp_path_factory.mktemp("hostile"))


@pytest.fixture(scope="module")
def empty(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return written(empty_frames(), tmp_path_factory.mktemp("empty"), RunFacts(fleet="Nobody"))


def written(frames: dict[str, pl.DataFrame], out: Path, facts: RunFacts = FACTS) -> Path:
    write_tables(frames, out / "tables")
    write_pages(frames, facts, out, units="us")
    return out


@dataclass
class Seen:
    """A page, with all that went wrong on it and all that it asked for."""

    page: Page
    faults: list[str] = field(default_factory=list)
    asked: list[str] = field(default_factory=list)


def look(context: BrowserContext, path: Path, charts: tuple[str, ...] = ()) -> Seen:
    """Open a page from disk and wait until its script is done and its charts are drawn."""
    seen = Seen(context.new_page())
    seen.page.on("console", lambda message: seen.faults.append(f"{message.type}: {message.text}"))
    seen.page.on("pageerror", lambda error: seen.faults.append(str(error)))
    seen.page.on("dialog", lambda dialog: (seen.faults.append("dialog"), dialog.dismiss()))
    seen.page.on("request", lambda request: seen.asked.append(request.url))
    seen.page.goto(path.as_uri())
    seen.page.wait_for_selector("html[data-ready=true]", state="attached")
    for chart in charts:
        seen.page.wait_for_selector(f"#{chart}[data-drawn=true]", state="attached")
    return seen


@pytest.fixture
def desktop(browser: Browser) -> Iterator[BrowserContext]:
    context = browser.new_context(viewport=SIZES["desktop"])
    context.set_default_timeout(20_000)
    yield context
    context.close()


def table(out: Path, name: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO((out / "tables" / f"{name}.csv").read_text(encoding="utf-8"), newline="")))


def column(page: Page, name: str, at: int) -> list[str]:
    return page.eval_on_selector_all(
        f"#{name} tbody tr", f"rows => rows.map(row => row.cells[{at}].textContent.trim())"
    )


@pytest.mark.parametrize("fleet", ["usual", "hostile", "empty"])
@pytest.mark.parametrize("name", PAGES)
def test_pages_open_without_a_fault_and_ask_only_for_files(
    name: str, fleet: str, desktop: BrowserContext, request: pytest.FixtureRequest
) -> None:
    charts = CHARTS_OF.get(name, ()) if fleet != "empty" else ()
    seen = look(desktop, request.getfixturevalue(fleet) / f"{name}.html", charts)
    assert seen.faults == []
    assert all(url.startswith("file://") for url in seen.asked)
    assert seen.page.evaluate("window.hacked") is None


@pytest.fixture(scope="module")
def mailed(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """The file for mailing of each fleet, in a folder of its own, as it comes out of a mail."""
    fleets = {
        "usual": (fleet_frames(), FACTS),
        "hostile": (fleet_frames(names=tuple(HOSTILE.values())), FACTS),
        "empty": (empty_frames(), RunFacts(fleet="Nobody")),
    }
    folder = tmp_path_factory.mktemp("mailed")
    return {
        name: write_mail(frames, facts, folder / f"{name}.html", units="us") for name, (frames, facts) in fleets.items()
    }


@pytest.mark.slow
@pytest.mark.parametrize("fleet", ["usual", "hostile", "empty"])
def test_the_mailed_file_needs_nothing_but_itself(fleet: str, desktop: BrowserContext, mailed: dict[str, Path]) -> None:
    seen = look(desktop, mailed[fleet])
    assert seen.faults == []
    assert seen.asked == [mailed[fleet].as_uri()]
    assert seen.page.evaluate("window.hacked") is None
    assert seen.page.evaluate("getComputedStyle(document.querySelector('.skip')).position") == "absolute"
    # the policy still holds: a script that comes in later does not run
    seen.page.evaluate(
        "document.body.append(Object.assign(document.createElement('script'), {text: 'window.late = 1'}))"
    )
    assert seen.page.evaluate("window.late") is None


@pytest.mark.slow
def test_the_mailed_file_draws_a_mark_for_each_row_and_sorts(
    usual: Path, desktop: BrowserContext, mailed: dict[str, Path]
) -> None:
    page = look(desktop, mailed["usual"]).page
    pictures = page.locator("#page-winter .still:visible")
    assert pictures.count() == len(CHARTS)
    bars = page.locator("#page-winter .still .wide g.mark-rect.role-mark > path")
    bands = [row for row in table(usual, "exposure") if float(row["unit_hours"]) > 0]
    default = [row for row in bands if row["measure"] == "coldest demand hour"]
    assert bars.count() == 2 * len(table(usual, "winters")) + len(default)
    assert all((picture.get_attribute("aria-label") or "").endswith(".") for picture in pictures.all())
    hours = page.locator("#sites thead th").nth(1)
    hours.click()
    expect(hours).to_have_attribute("aria-sort", "ascending")
    shown = [float(text.replace(",", "")) for text in column(page, "sites", 1)]
    assert shown == sorted(shown)
    page.get_by_role("navigation").get_by_role("link", name="Revisit").click()
    assert page.url.endswith("#page-revisit")


@pytest.mark.slow
@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("fleet", ["usual", "hostile"])
def test_the_mailed_file_is_accessible_and_fits_a_phone(
    fleet: str, size: str, browser: Browser, mailed: dict[str, Path]
) -> None:
    context = browser.new_context(viewport=SIZES[size], color_scheme="dark" if size == "phone" else "light")
    page = look(context, mailed[fleet]).page
    page.eval_on_selector_all("details", "drawers => drawers.forEach(drawer => { drawer.open = true; })")
    assert page.evaluate("document.documentElement.scrollWidth") == SIZES[size]["width"]
    assert serious_faults(page) == []
    context.close()


def serious_faults(page: Page) -> list[str]:
    """What axe-core finds serious by the rules and contrast thresholds of WCAG 2 A and AA."""
    found = Axe().run(page).response["violations"]
    return [
        json.dumps((one["id"], [node["html"][:200] for node in one["nodes"][:3]]))
        for one in found
        if one["impact"] in ("serious", "critical")
    ]


def marks(page: Page, chart: str, kind: str) -> int:
    """Marks drawn in a chart: `symbol` or `rect`, legends left out."""
    return page.locator(f"#{chart} g.mark-{kind}.role-mark > path").count()


def test_charts_draw_one_mark_for_each_row(usual: Path, desktop: BrowserContext) -> None:
    page = look(desktop, usual / "winter.html", CHARTS).page
    exposure = [row for row in table(usual, "exposure") if float(row["unit_hours"]) > 0]
    for measure in ("coldest demand hour", "at opening"):
        page.locator("#rate").get_by_label(measure).check()
        rows = [row for row in exposure if row["measure"] == measure]
        expect(page.locator("#rate g.mark-symbol.role-mark > path")).to_have_count(len(rows))
        assert len(rows) == 23
        assert marks(page, "rate", "rect") == len(rows)
        drawn = page.eval_on_selector_all(
            "#rate g.mark-symbol.role-mark > path", "dots => dots.map(dot => dot.getAttribute('aria-label'))"
        )
        assert sorted(label.split("episodes: ")[1].split(";")[0] for label in drawn) == sorted(
            row["episodes"] for row in rows
        )
    placed = [site for site in fleet_frames()["sites"].to_dicts() if site["latitude"] is not None]
    assert marks(page, "map", "symbol") == len(placed) == 11
    assert marks(page, "forecast", "symbol") == 1 + len(table(usual, "backtest"))
    assert marks(page, "budget", "symbol") == len(table(usual, "budget_curve")) + 1
    assert marks(page, "winters", "rect") == 2 * len(table(usual, "winters"))


def test_each_town_has_its_own_map(tmp_path: Path, desktop: BrowserContext) -> None:
    frames = fleet_frames()
    towns = {0: (41.9, -87.9), 1: (41.3, -122.3), 2: (62.9, -141.9)}
    frames["sites"] = frames["sites"].with_columns(
        latitude=pl.Series([towns[at % 3][0] + 0.02 * at for at in range(12)]),
        longitude=pl.Series([towns[at % 3][1] - 0.03 * at for at in range(12)]),
    )
    page = look(desktop, written(frames, tmp_path) / "winter.html", CHARTS).page
    groups = page.locator("#map g.mark-symbol.role-mark")
    shown = [
        box
        for dot in page.locator("#map g.mark-symbol.role-mark > path").all()
        if (box := dot.bounding_box()) and box["width"] > 0
    ]
    assert groups.count() == 3
    assert [groups.nth(at).locator("> path").count() for at in range(3)] == [4, 4, 4]
    plots = [
        background.bounding_box() for background in page.locator("#map g.mark-group.role-scope path.background").all()
    ]
    for dot in shown:
        middle = (dot["x"] + dot["width"] / 2, dot["y"] + dot["height"] / 2)
        inside = [
            plot
            for plot in plots
            if plot and 0 < middle[0] - plot["x"] < plot["width"] and 0 < middle[1] - plot["y"] < plot["height"]
        ]
        assert inside, dot
    assert len(shown) == 12


def test_charts_name_themselves(usual: Path, desktop: BrowserContext) -> None:
    page = look(desktop, usual / "winter.html", CHARTS).page
    for chart in CHARTS:
        place = page.locator(f"#{chart}")
        assert place.get_attribute("role") == "graphics-document"
        assert place.get_attribute("aria-label") == place.get_attribute("data-alternative")
        assert page.locator(f"figure:has(#{chart}) figcaption").inner_text().endswith(".")
        assert page.locator(f"#{chart} details, #{chart} .vega-actions").count() == 0


def test_a_band_lights_up_in_both_parts(usual: Path, desktop: BrowserContext) -> None:
    page = look(desktop, usual / "winter.html", CHARTS).page
    dot = page.locator("#rate g.mark-symbol.role-mark > path").nth(9)
    before = page.locator("#rate [fill='var(--vermillion)']").count()
    dot.hover()
    expect(page.locator("#rate [fill='var(--vermillion)']")).to_have_count(2)
    assert before == 0
    assert "episodes" in page.locator("#vg-tooltip-element").inner_text()


def test_tables_sort_by_value(usual: Path, desktop: BrowserContext) -> None:
    page = look(desktop, usual / "winter.html").page
    assert column(page, "units", 0) == [str(place) for place in range(1, 21)]
    hours, first = page.locator("#sites thead th").nth(1), page.locator("#sites tbody tr td").first
    expected = sorted(
        (float(row["cold_hours_typical"]) for row in table(usual, "forecast") if row["level"] == "site"),
        reverse=True,
    )
    hours.click()
    expect(hours).to_have_attribute("aria-sort", "ascending")
    expect(first).to_have_text(f"{min(expected):,.0f}")
    ascending = [float(text.replace(",", "")) for text in column(page, "sites", 1)]
    assert ascending == [round(value) for value in sorted(expected)[:10]]
    hours.click()
    expect(hours).to_have_attribute("aria-sort", "descending")
    expect(first).to_have_text(f"{max(expected):,.0f}")
    descending = [float(text.replace(",", "")) for text in column(page, "sites", 1)]
    assert descending == [round(value) for value in expected[:10]]


def test_the_plan_is_listed_filtered_and_leads_to_pages_of_units(usual: Path, desktop: BrowserContext) -> None:
    page = look(desktop, usual / "winter.html", CHARTS).page
    chosen = sorted(
        (row for row in table(usual, "plan") if row["selected"] == "true"), key=lambda row: int(row["rank"])
    )
    assert column(page, "plan", 1) == [row["unit_id"] for row in chosen]
    links = page.eval_on_selector_all("#plan tbody th a", "links => links.map(link => link.getAttribute('href'))")
    assert links == [f"units/{file_names(row['unit_id'] for row in chosen)[row['unit_id']]}" for row in chosen]
    marks_drawn = page.locator("#plan svg.interval circle").count()
    assert marks_drawn == len(chosen) == 15
    part = page.locator("section:has(#plan)")
    part.get_by_role("combobox", name="Work").select_option("fan-cycling control")
    fans = [row["unit_id"] for row in chosen if row["option"] == "fan-cycling control"]
    assert 0 < len(fans) < len(chosen)
    assert column(page, "plan", 1) == fans
    cost = page.locator("#plan thead th").nth(3)
    cost.click()
    expect(cost).to_have_attribute("aria-sort", "ascending")
    costs = sorted(float(row["cost"]) for row in chosen if row["unit_id"] in fans)
    assert [float(text.replace(",", "")) for text in column(page, "plan", 3)] == [round(value) for value in costs]
    with page.expect_download() as download:
        part.get_by_role("button", name="Save matching rows").click()
    saved = list(csv.reader(io.StringIO(Path(download.value.path()).read_text(encoding="utf-8-sig"), newline="")))
    assert len(saved) == 1 + len(fans)
    assert part.locator("a[href='work_list.xlsx']").count() == 1


def test_tables_sort_from_the_keyboard(usual: Path, desktop: BrowserContext) -> None:
    page = look(desktop, usual / "winter.html").page
    page.locator("#sites thead th").nth(4).get_by_role("button").focus()
    page.keyboard.press("Enter")
    expect(page.locator("#sites thead th").nth(4)).to_have_attribute("aria-sort", "ascending")


@pytest.mark.parametrize("name", ["winter", "callbacks", "intake", "methods"])
def test_every_control_is_reached_by_keyboard_and_shows_it(name: str, usual: Path, desktop: BrowserContext) -> None:
    """Tab goes through all that can be worked, in the order of the page, and what has the focus is outlined."""
    page = look(desktop, usual / f"{name}.html", CHARTS_OF.get(name, ())).page
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.className") == "skip"
    left = page.evaluate("document.activeElement.getBoundingClientRect().left")
    assert left >= 0
    wanted = page.evaluate(
        """() => { const workable = "a[href], button, input, select, summary, [tabindex='0']";
          const all = [...document.querySelectorAll(workable)];
          window.wanted = all.filter(one => one.checkVisibility() && !one.disabled
            && !(one.type === "radio" && !one.checked) && one.tabIndex >= 0);
          return window.wanted.length; }"""
    )
    reached = []
    for _ in range(2 * wanted):
        at, outlined = page.evaluate(
            """() => { const now = document.activeElement, style = getComputedStyle(now);
              return [window.wanted.indexOf(now), style.outlineStyle !== "none" || now.type === "radio"
                || now.className === "skip"]; }"""
        )
        if at >= 0:
            reached.append(at)
            assert outlined, at
        page.keyboard.press("Tab")
        if len(set(reached)) == wanted:
            break
    assert sorted(set(reached)) == list(range(wanted))
    first = list(dict.fromkeys(reached))
    assert first == sorted(first)


def test_a_drawer_opens_and_a_list_filters_from_the_keyboard(usual: Path, desktop: BrowserContext) -> None:
    page = look(desktop, usual / "callbacks.html", CHARTS_OF["callbacks"]).page
    drawer = page.locator("details:has(#groups)")
    drawer.locator("summary").first.focus()
    page.keyboard.press("Enter")
    assert drawer.get_attribute("open") is not None
    chosen = drawer.get_by_role("combobox", name="Grouped by")
    chosen.focus()
    page.keyboard.type("weather band")
    expect(chosen).to_have_value("weather band")
    assert set(column(page, "groups", 1)) == {"weather band"}


def test_files_are_sorted_and_filtered_on_the_page_of_what_was_read(usual: Path, desktop: BrowserContext) -> None:
    page = look(desktop, usual / "intake.html").page
    loads = table(usual, "loads")
    part = page.locator("section:has(#files)")
    target = max({row["target"] for row in loads}, key=lambda one: sum(row["target"] == one for row in loads))
    part.get_by_role("combobox", name="Table fed").select_option(target)
    mine = [row for row in loads if row["target"] == target]
    assert 0 < len(mine) < len(loads)
    head = page.locator("#files thead th").nth(2)
    head.click()
    head.click()
    expect(head).to_have_attribute("aria-sort", "descending")
    shown = [int(text.replace(",", "")) for text in column(page, "files", 2)]
    assert shown == sorted((int(row["rows_read"]) for row in mine), reverse=True)[: len(shown)]


def test_tables_filter_and_page(usual: Path, desktop: BrowserContext) -> None:
    page = look(desktop, usual / "winter.html").page
    rows = table(usual, "unit_ranking")
    part = page.locator("section:has(#units)")
    part.get_by_role("button", name="Later rows").click()
    assert column(page, "units", 0) == [str(place) for place in range(21, 41)]
    part.get_by_role("combobox", name="Head-pressure control").select_option("flooded")
    flooded = sorted((row for row in rows if row["head_control"] == "flooded"), key=lambda row: int(row["rank"]))
    assert column(page, "units", 0) == [row["rank"] for row in flooded][:20]
    part.get_by_label("Find").fill("kitchen")
    both = [row for row in flooded if row["description"] == "kitchen"]
    assert 0 < len(both) < len(flooded)
    assert column(page, "units", 0) == [row["rank"] for row in both]
    assert f"of {len(both)} that match, {len(rows)} in all" in part.get_by_role("status").inner_text()
    part.get_by_label("Find").fill("no such unit")
    assert part.get_by_role("status").inner_text() == "No row matches"


def test_matching_rows_are_saved_and_safe_in_a_spreadsheet(hostile: Path, desktop: BrowserContext) -> None:
    page = look(desktop, hostile / "intake.html").page
    part = page.locator("section:has(#unmatched)")
    with page.expect_download() as download:
        part.get_by_role("button", name="Save matching rows").click()
    text = Path(download.value.path()).read_text(encoding="utf-8-sig")
    rows = list(csv.reader(io.StringIO(text, newline="")))
    assert rows[0][0] == "As written"
    assert len(rows) == 1 + len(table(hostile, "unmatched"))
    assert "'" + HOSTILE["formula"] in [row[0] for row in rows]
    assert HOSTILE["closing"] in [row[0] for row in rows]
    assert not [cell for row in rows for cell in row if cell[:1] in ("=", "+", "-", "@")]


def test_hostile_names_show_as_text_in_tables_filters_and_tooltips(hostile: Path, desktop: BrowserContext) -> None:
    seen = look(desktop, hostile / "winter.html", CHARTS)
    page = seen.page
    shown = page.evaluate("[...document.querySelectorAll('#sites bdi')].map(name => name.textContent)")
    page.locator("section:has(#sites)").get_by_role("button", name="Later rows").click()
    shown += page.evaluate("[...document.querySelectorAll('#sites bdi')].map(name => name.textContent)")
    for name, text in HOSTILE.items():
        assert text.replace("\x07", "\u2407").replace("\x00", "\u2400") in shown, name
    tips = []
    for dot in page.locator("#map g.mark-symbol.role-mark > path").all():
        dot.dispatch_event("pointermove", {"bubbles": True})
        dot.dispatch_event("mousemove", {"bubbles": True})
        dot.hover(force=True)
        tips.append(page.locator("#vg-tooltip-element").text_content() or "")
    assert any(HOSTILE["script"] in tip for tip in tips)
    assert page.evaluate("window.hacked") is None
    assert page.locator("img").count() == 0
    assert seen.faults == []


@pytest.mark.slow
@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("name", PAGES)
def test_axe_finds_no_serious_violation(name: str, size: str, scheme: str, browser: Browser, usual: Path) -> None:
    """Rules and contrast thresholds of WCAG 2 A and AA, as the axe-core library judges them."""
    context = browser.new_context(viewport=SIZES[size], color_scheme=scheme)
    page = look(context, usual / f"{name}.html", CHARTS_OF.get(name, ())).page
    page.eval_on_selector_all("details", "drawers => drawers.forEach(drawer => { drawer.open = true; })")
    assert serious_faults(page) == []
    context.close()


@pytest.mark.parametrize("fleet", ["usual", "hostile", "empty"])
@pytest.mark.parametrize("name", PAGES)
def test_a_phone_needs_no_sideways_scroll(
    name: str, fleet: str, browser: Browser, request: pytest.FixtureRequest
) -> None:
    context = browser.new_context(viewport=SIZES["phone"])
    charts = CHARTS_OF.get(name, ()) if fleet != "empty" else ()
    page = look(context, request.getfixturevalue(fleet) / f"{name}.html", charts).page
    page.eval_on_selector_all("details", "drawers => drawers.forEach(drawer => { drawer.open = true; })")
    assert page.evaluate("document.documentElement.scrollWidth") == SIZES["phone"]["width"]
    for chart in charts:
        box = page.locator(f"#{chart} svg").first.bounding_box()
        assert box is not None
        assert box["x"] + box["width"] <= SIZES["phone"]["width"]
    context.close()


def test_wide_tables_are_cards_on_a_phone_and_still_sort(browser: Browser, usual: Path) -> None:
    """No cell lies outside the screen, each names its column, and a list stands in for the head that is gone."""
    context = browser.new_context(viewport=SIZES["phone"])
    page = look(context, usual / "winter.html", CHARTS).page
    for name in ("plan", "units"):
        head = [text.strip(" ↕↑↓\xa0") for text in page.locator(f"#{name} thead th").all_text_contents()]
        labels = page.eval_on_selector_all(
            f"#{name} tbody tr:first-child td", "cells => cells.map(cell => cell.dataset.label)"
        )
        assert labels == [text for text in head if text != "Unit"]
    for table_shown in page.locator(".scroll table:visible").all():
        box = table_shown.bounding_box()
        assert box is not None
        assert box["x"] + box["width"] <= SIZES["phone"]["width"]
    part = page.locator("section:has(#plan)")
    chosen = [row for row in table(usual, "plan") if row["selected"] == "true"]
    costs = sorted(round(float(row["cost"])) for row in chosen)
    part.get_by_label("Sort by").select_option(label="Cost, USD, highest first")
    shown = [int(text.replace(",", "")) for text in column(page, "plan", 3)]
    assert shown == costs[::-1][:10]
    part.get_by_label("Sort by").select_option(label="as listed")
    ranked = sorted(chosen, key=lambda row: int(row["rank"]))
    assert column(page, "plan", 1) == [row["unit_id"] for row in ranked][:10]
    context.close()
    desktop = browser.new_context(viewport=SIZES["desktop"])
    page = look(desktop, usual / "winter.html").page
    assert page.get_by_label("Sort by").locator("visible=true").count() == 0
    assert page.locator("table.stacked").count() == 0
    desktop.close()


def test_charts_follow_the_window(usual: Path, desktop: BrowserContext) -> None:
    page = look(desktop, usual / "winter.html", CHARTS).page
    wide = page.locator("#rate svg").first.bounding_box()
    page.set_viewport_size({"width": 500, "height": 900})
    expect(page.locator("#rate[data-width='468'][data-drawn=true]")).to_be_attached()
    narrow = page.locator("#rate svg").first.bounding_box()
    assert wide is not None
    assert narrow is not None
    assert narrow["width"] < wide["width"]


def test_dark_pages_are_dark_charts_included(browser: Browser, usual: Path) -> None:
    context = browser.new_context(viewport=SIZES["desktop"], color_scheme="dark")
    page = look(context, usual / "winter.html", CHARTS).page
    brightness = """(colour) => { const [r, g, b] = colour.match(/\\d+/g).map(Number); return (r + g + b) / 3; }"""
    ground = page.evaluate(f"({brightness})(getComputedStyle(document.body).backgroundColor)")
    label = page.evaluate(
        f"({brightness})(getComputedStyle(document.querySelector('#rate .role-axis-label text')).fill)"
    )
    assert ground < 40
    assert label > 140
    page.emulate_media(color_scheme="light")
    label = page.evaluate(
        f"({brightness})(getComputedStyle(document.querySelector('#rate .role-axis-label text')).fill)"
    )
    assert label < 110
    context.close()


@pytest.mark.slow
def test_paper_gets_every_row_and_open_drawers(usual: Path, desktop: BrowserContext) -> None:
    page = look(desktop, usual / "winter.html", CHARTS).page
    assert len(column(page, "units", 0)) == 20
    page.evaluate("window.dispatchEvent(new Event('beforeprint'))")
    assert column(page, "units", 0) == [str(place) for place in range(1, 61)]
    assert page.locator("details:not([open])").count() == 0
    page.evaluate("window.dispatchEvent(new Event('afterprint'))")
    assert len(column(page, "units", 0)) == 20
    assert page.locator("details[open]").count() == 0
    for name in PAGES:
        paper = look(desktop, usual / f"{name}.html").page.pdf(format="Letter")
        assert paper.startswith(b"%PDF-")
        assert len(paper) > 10_000


def test_pages_read_whole_without_script(browser: Browser, usual: Path) -> None:
    context = browser.new_context(java_script_enabled=False, viewport=SIZES["desktop"])
    page = context.new_page()
    page.goto((usual / "winter.html").as_uri())
    assert page.locator("#units tbody tr").count() == 60
    assert page.locator("#units tbody tr").last.is_visible()
    notes = page.locator("noscript p").all()
    assert len(notes) == len(CHARTS)
    assert all(note.is_visible() for note in notes)
    assert page.get_by_role("button").count() == 0
    page.goto((usual / "intake.html").as_uri())
    assert page.locator("#files tbody tr").count() == len(table(usual, "loads"))
    context.close()
