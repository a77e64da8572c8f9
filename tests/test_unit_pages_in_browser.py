"""Unit pages and the list of units to revisit, opened from disk: marks counted, hostile notes, phone, dark."""

import csv
import io
import shutil
from pathlib import Path

import polars as pl
import pytest
import test_pages_in_browser as pages
from playwright.sync_api import Browser, BrowserContext, Page, expect
from report_frames import FACTS, HOSTILE
from test_pages_in_browser import SIZES, look
from unit_frames import unit_page_frames

from lowambient.report import write_pages, write_tables, write_unit_page, write_unit_pages
from lowambient.report.mail import MOST_BYTES
from lowambient.report.unit_files import file_name

pytestmark = [pytest.mark.browser, pytest.mark.slow]

FRAMES = unit_page_frames()
IDS = FRAMES["units"]["unit_id"].to_list()
CHARTS = {
    IDS[0]: ("history", "log-0", "steady-0", "switches", "minima"),
    IDS[1]: ("history", "log-0", "log-1", "steady-0", "steady-1", "switches", "minima"),
    IDS[4]: ("history",),
}


browser, desktop = pages.browser, pages.desktop


@pytest.fixture(scope="module")
def usual(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return written(FRAMES, tmp_path_factory.mktemp("usual"))


@pytest.fixture(scope="module")
def hostile(tmp_path_factory: pytest.TempPathFactory) -> Path:
    texts = tuple(HOSTILE.values())
    return written(unit_page_frames(names=texts, notes=texts), tmp_path_factory.mktemp("hostile"))


def written(frames: dict[str, pl.DataFrame], out: Path) -> Path:
    write_tables(frames, out / "tables")
    write_pages(frames, FACTS, out, units="us")
    write_unit_pages(frames, FACTS, out, units="us")
    return out


@pytest.mark.parametrize("notes", [(), tuple(HOSTILE.values())], ids=["usual", "hostile"])
def test_a_unit_page_in_a_single_file_opens_by_itself(
    notes: tuple[str, ...], desktop: BrowserContext, tmp_path: Path
) -> None:
    frames = unit_page_frames(names=notes, notes=notes) if notes else FRAMES
    unit_id = frames["units"]["unit_id"][1]
    page = tmp_path / "one.html"
    write_unit_page(frames, FACTS, unit_id, page, units="us", single_file=True)
    seen = look(desktop, page, CHARTS[IDS[1]])
    assert seen.faults == []
    assert seen.asked == [page.as_uri()]
    assert seen.page.evaluate("window.hacked") is None
    assert page.stat().st_size <= MOST_BYTES


def page_of(out: Path, unit_id: str) -> Path:
    return out / "units" / file_name(unit_id)


def of_unit(name: str, unit_id: str) -> pl.DataFrame:
    return FRAMES[name].filter(pl.col("unit_id") == unit_id)


def marks(page: Page, chart: str, kind: str, colour: str = "") -> int:
    """Marks drawn in a chart, legends and axes left out; of one colour where that is given."""
    where = f"#{chart} g.mark-{kind}.role-mark > *" + (
        f"[fill='{colour}'], #{chart} g.mark-{kind}.role-mark > [stroke='{colour}']" if colour else ""
    )
    return page.locator(where).count()


@pytest.mark.parametrize("unit_id", CHARTS)
def test_pages_open_from_disk_without_a_fault(unit_id: str, usual: Path, desktop: BrowserContext) -> None:
    seen = look(desktop, page_of(usual, unit_id), CHARTS[unit_id])
    assert seen.faults == []
    assert all(url.startswith("file:") for url in seen.asked)
    assert seen.page.locator(".plot").count() == len(CHARTS[unit_id])


def test_marks_are_as_many_as_rows(usual: Path, desktop: BrowserContext) -> None:
    unit_id = IDS[1]
    page = look(desktop, page_of(usual, unit_id), CHARTS[unit_id]).page
    calls = of_unit("calls", unit_id)
    assert marks(page, "history", "symbol") == calls["outdoor_min_c"].drop_nulls().len()
    low = (calls["symptom"] == "low-pressure trip") & calls["outdoor_min_c"].is_not_null()
    assert marks(page, "history", "symbol", "var(--vermillion)") == low.sum()
    stated = of_unit("call_statements", unit_id).height
    assert marks(page, "history", "rect") == calls.height + stated
    spans = of_unit("flags", unit_id)["raised"].sum() + of_unit("head_pressure", unit_id).height + 2
    assert marks(page, "history", "rule") == spans + 2  # and the two ambients
    trips, lockouts = of_unit("trips", unit_id).filter(circuit="1"), of_unit("lockouts", unit_id).filter(circuit="1")
    assert marks(page, "log-0", "symbol") == trips.height + 2  # the second window holds days 3 to 6
    assert marks(page, "log-0", "rect") == lockouts.height
    assert marks(page, "log-0", "line") == 6  # three lines in each of two windows, none broken
    assert marks(page, "steady-0", "symbol") == of_unit("steady_points", unit_id).filter(circuit="1").height
    found = of_unit("set_points", unit_id)
    assert marks(page, "switches", "symbol") == found["estimate_kpa"].drop_nulls().len()
    assert marks(page, "switches", "rule") == found["lower_kpa"].drop_nulls().len()
    assert marks(page, "switches", "rect") == found["listed_kpa"].drop_nulls().len()
    assert marks(page, "minima", "rect") > 1


def test_lanes_are_named_in_the_order_of_the_page(usual: Path, desktop: BrowserContext) -> None:
    page = look(desktop, page_of(usual, IDS[0]), CHARTS[IDS[0]]).page
    names = page.locator("#history .role-axis-label text").all_text_contents()
    lanes = [name for name in names if not name.lstrip("−-").replace(".", "").isdigit() and "2018" not in name]
    expected = [
        "low-pressure trip",
        "no cooling",
        "drain",
        "fan",
        "note: switch reset",
        "flag: head control out",
        "flag: low charge",
        "head: held",
        "head: follows ambient",
        "logged, circuit 1",
    ]
    assert sorted(set(expected) - set(lanes)) == []
    shown = [name for name in lanes if name in expected]
    assert shown[0] == "low-pressure trip"
    assert shown[-6:] == expected[-6:]


def test_hostile_notes_run_nothing_and_show_as_text(hostile: Path, desktop: BrowserContext) -> None:
    unit_id = HOSTILE["script"]
    seen = look(desktop, page_of(hostile, unit_id), CHARTS[IDS[0]])
    page = seen.page
    shown = page.evaluate("document.body.textContent")
    for name, text in HOSTILE.items():
        assert text.replace("\x07", "\u2407").replace("\x00", "\u2400") in shown, name
    tips = []
    for dot in page.locator("#history g.mark-symbol.role-mark > path").all():
        dot.dispatch_event("pointermove", {"bubbles": True})
        dot.dispatch_event("mousemove", {"bubbles": True})
        dot.hover(force=True)
        tips.append(page.locator("#vg-tooltip-element").text_content() or "")
    assert any(HOSTILE["script"] in tip or HOSTILE["image"] in tip or HOSTILE["closing"] in tip for tip in tips)
    assert page.evaluate("window.hacked") is None
    assert page.locator("img").count() == 0
    assert seen.faults == []
    for link in look(desktop, hostile / "revisit.html").page.locator("#revisit tbody th a").all()[:3]:
        path = (hostile / (link.get_attribute("href") or "")).resolve()
        assert path.parent == hostile / "units"
        assert path.is_file()


def test_revisit_sorts_filters_pages_and_leads_to_units(usual: Path, desktop: BrowserContext) -> None:
    seen = look(desktop, usual / "revisit.html")
    page = seen.page
    text = (usual / "tables" / "revisit.csv").read_text(encoding="utf-8")
    rows = sorted(csv.DictReader(io.StringIO(text, newline="")), key=lambda row: int(row["rank"]))
    ranks = page.locator("#revisit tbody tr td:first-child")
    assert ranks.all_text_contents() == [row["rank"] for row in rows][:20]
    page.locator("section:has(#revisit)").get_by_role("combobox", name="Suspected").select_option("low charge")
    assert ranks.all_text_contents() == [row["rank"] for row in rows if row["flag"] == "low charge"]
    page.locator("section:has(#revisit)").get_by_label("Find").fill(IDS[2])
    assert ranks.count() == 1
    page.locator("#revisit tbody th a").first.click()
    page.wait_for_selector("html[data-ready=true]", state="attached")
    assert page.locator("h1").inner_text().startswith(IDS[2])
    assert seen.faults == []
    page.get_by_role("link", name="Revisit").click()
    expect(page.locator("h1")).to_have_text("Which units are to be looked at again?")


def test_saved_rows_are_safe_in_a_spreadsheet(hostile: Path, desktop: BrowserContext) -> None:
    page = look(desktop, hostile / "revisit.html").page
    with page.expect_download() as download:
        page.locator("section:has(#revisit)").get_by_role("button", name="Save matching rows").click()
    rows = list(csv.reader(io.StringIO(Path(download.value.path()).read_text(encoding="utf-8-sig"), newline="")))
    assert len(rows) > 10
    assert not [cell for row in rows for cell in row if cell[:1] in ("=", "+", "-", "@")]


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("name", ["revisit", "unit"])
def test_axe_finds_no_serious_violation(name: str, size: str, scheme: str, browser: Browser, usual: Path) -> None:
    """Rules and contrast thresholds of WCAG 2 A and AA, as the axe-core library judges them."""
    context = browser.new_context(viewport=SIZES[size], color_scheme=scheme)
    path, charts = (usual / "revisit.html", ()) if name == "revisit" else (page_of(usual, IDS[1]), CHARTS[IDS[1]])
    page = look(context, path, charts).page
    page.eval_on_selector_all("details", "drawers => drawers.forEach(drawer => { drawer.open = true; })")
    assert pages.serious_faults(page) == []
    context.close()


@pytest.mark.parametrize("fleet", ["usual", "hostile"])
@pytest.mark.parametrize("name", ["revisit", "unit"])
def test_a_phone_needs_no_sideways_scroll(
    name: str, fleet: str, browser: Browser, request: pytest.FixtureRequest
) -> None:
    out = request.getfixturevalue(fleet)
    first = HOSTILE["script"] if fleet == "hostile" else IDS[0]
    context = browser.new_context(viewport=SIZES["phone"])
    path, charts = (out / "revisit.html", ()) if name == "revisit" else (page_of(out, first), CHARTS[IDS[0]])
    page = look(context, path, charts).page
    page.eval_on_selector_all("details", "drawers => drawers.forEach(drawer => { drawer.open = true; })")
    assert page.evaluate("document.documentElement.scrollWidth") == SIZES["phone"]["width"]
    for chart in charts:
        box = page.locator(f"#{chart} svg").first.bounding_box()
        assert box is not None
        assert box["x"] + box["width"] <= SIZES["phone"]["width"]
    context.close()


def test_dark_unit_pages_are_dark_charts_included(browser: Browser, usual: Path) -> None:
    context = browser.new_context(viewport=SIZES["desktop"], color_scheme="dark")
    page = look(context, page_of(usual, IDS[0]), CHARTS[IDS[0]]).page
    brightness = """(colour) => { const [r, g, b] = colour.match(/\\d+/g).map(Number); return (r + g + b) / 3; }"""
    for chart in CHARTS[IDS[0]]:
        where = f"document.querySelector('#{chart} .role-axis-label text')"
        assert page.evaluate(f"({brightness})(getComputedStyle({where}).fill)") > 140
    assert page.evaluate(f"({brightness})(getComputedStyle(document.body).backgroundColor)") < 40
    context.close()


def test_a_page_alone_opens_from_disk(tmp_path: Path, desktop: BrowserContext) -> None:
    page = tmp_path / "sent" / "unit.html"
    write_unit_page(FRAMES, FACTS, IDS[0], page, units="si")
    seen = look(desktop, page, CHARTS[IDS[0]])
    assert seen.faults == []
    assert seen.page.get_by_role("navigation").count() == 0
    shutil.rmtree(page.parent)
