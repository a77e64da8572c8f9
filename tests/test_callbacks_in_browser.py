"""The page on callbacks in Chromium: what is drawn against the tables, the window, the symptom, the temperature."""

import re
from collections import Counter
from pathlib import Path

import pytest
import test_pages_in_browser as pages
from playwright.sync_api import Browser, BrowserContext, Page, expect
from statsmodels.stats.proportion import proportion_confint

from lowambient import reference

pytestmark = [pytest.mark.browser, pytest.mark.slow]

browser, desktop, usual = pages.browser, pages.desktop, pages.usual
CHARTS = pages.CHARTS_OF["callbacks"]
LEAST = int(reference.thresholds()["least_group_calls"].value)
PARTS = ("symptom", "weather band", "technician", "month", "work", "unit kind")


def opened(context: BrowserContext, out: Path) -> Page:
    seen = pages.look(context, out / "callbacks.html", CHARTS)
    assert seen.faults == []
    return seen.page


READ_DOTS = """parts => parts.map(part => [...part.querySelectorAll(":scope > path")])
  .map(part => part.map(dot => dot.getAttribute("aria-label")))"""


def dots(page: Page, chart: str) -> list[list[dict[str, str]]]:
    """What each part of a chart says of its dots, by the titles of its tooltips, once it stands still."""
    before: list[list[str]] = []
    for _ in range(50):
        page.wait_for_timeout(100)
        labels = page.eval_on_selector_all(f"#{chart} g.mark-symbol.role-mark", READ_DOTS)
        if labels == before and any(labels):
            break
        before = labels
    return [[dict(pair.split(": ", 1) for pair in label.split("; ")) for label in part] for part in labels]


def expected(out: Path, dimension: str, clock: str, window: float, symptom: str | None = None) -> dict[str, tuple]:
    """Whole windows, callbacks, share, Wilson interval (statsmodels) of each group shown, from the written counts."""
    whole: Counter[str] = Counter()
    back: Counter[str] = Counter()
    for row in pages.table(out, "recall_cells"):
        mine = row["dimension"] == ("fleet" if dimension == "symptom" else dimension)
        right = row["clock"] == clock and float(row["window"]) == window
        if mine and right and (dimension == "symptom" or symptom in (None, row["symptom"])):
            value = row["symptom"] if dimension == "symptom" else row["value"]
            if value != "no weather":
                whole[value] += int(row["calls"]) - int(row["censored"])
                back[value] += int(row["callbacks"])
    return {
        value: (count, back[value], back[value] / count, *proportion_confint(back[value], count, method="wilson"))
        for value, count in whole.items()
        if count >= LEAST
    }


def agree(drawn: list[dict[str, str]], wanted: dict[str, tuple]) -> None:
    assert len(drawn) == len(wanted) > 0
    for dot in drawn:
        name = dot.get("group") or dot["symptom"]
        count, back, *shares = wanted[name]
        assert int(dot["watched throughout"].replace(",", "")) == count
        assert int(dot["came back"].replace(",", "")) == back
        shown = [float(dot[key].rstrip("%")) / 100 for key in ("share", "from (95 %)", "to (95 %)")]
        assert shown == pytest.approx(shares, abs=0.00051)


def test_rates_are_drawn_as_the_tables_hold_them(usual: Path, desktop: BrowserContext) -> None:
    """At the windows in force the counts, added up by the page, are the rates of `callback_rates`; small ones hide."""
    page = opened(desktop, usual)
    for label, clock, window in (("30 days", "days", 30.0), ("100 cold h", "cold hours", 100.0)):
        page.locator("#rates").get_by_label(label, exact=True).check()
        parts = dots(page, "rates")
        assert len(parts) == len(PARTS)
        for dimension, drawn in zip(PARTS, parts, strict=True):
            wanted = expected(usual, dimension, clock, window)
            agree(drawn, wanted)
            rates = {
                row["value"]: (float(row["rate"]), float(row["lower"]), float(row["upper"]))
                for row in pages.table(usual, "callback_rates")
                if row["clock"] == clock
                and row["dimension"] == dimension
                and row["rate"]
                and row["value"] != "no weather"
            }
            assert set(rates) == set(wanted)
            for value, row in rates.items():
                assert row == pytest.approx(wanted[value][2:], abs=1e-4)


def test_one_control_changes_the_window_of_every_part(usual: Path, desktop: BrowserContext) -> None:
    page = opened(desktop, usual)
    shares = []
    for days in (7, 90):
        page.locator("#rates").get_by_label(f"{days} days", exact=True).check()
        parts = dots(page, "rates")
        for dimension, drawn in zip(PARTS, parts, strict=True):
            agree(drawn, expected(usual, dimension, "days", float(days)))
        shares.append({dot["symptom"]: float(dot["share"].rstrip("%")) for dot in parts[0]})
    assert shares[1]["low-pressure trip"] > shares[0]["low-pressure trip"] + 10


@pytest.mark.parametrize("way", ["list", "click"])
def test_a_symptom_narrows_every_other_part(way: str, usual: Path, desktop: BrowserContext) -> None:
    page = opened(desktop, usual)
    if way == "list":
        page.locator("#rates").get_by_role("combobox").select_option("electrical")
    else:
        dot = page.locator("#rates g.mark-symbol.role-mark > path[aria-label*='symptom: electrical']")
        dot.scroll_into_view_if_needed()
        box = dot.bounding_box()
        assert box is not None
        page.mouse.click(box["x"] + 40, box["y"] + box["height"] / 2)
    expect(page.locator("#rates").get_by_role("combobox")).to_have_value("electrical")
    parts = dots(page, "rates")
    agree(parts[0], expected(usual, "symptom", "days", 30.0))
    agree(parts[2], expected(usual, "technician", "days", 30.0, "electrical"))
    assert page.locator("#rates g.mark-symbol.role-mark [fill='var(--vermillion)']").count() == 1


def test_other_charts_draw_a_mark_for_each_row(usual: Path, desktop: BrowserContext) -> None:
    page = opened(desktop, usual)
    rates = pages.table(usual, "callback_rates")
    assert pages.marks(page, "windows", "symbol") == sum(row["dimension"] == "window" for row in rates)
    sites = [row for row in rates if row["dimension"] == "site" and row["clock"] == "days" and row["rate"]]
    assert pages.marks(page, "sites", "symbol") == min(len(sites), 30)
    fixes = pages.table(usual, "first_time_fix")
    assert pages.marks(page, "fix", "symbol") == sum(bool(row["rate"]) and row["dimension"] != "fleet" for row in fixes)
    clusters = pages.table(usual, "clusters")
    assert pages.marks(page, "clusters", "symbol") == sum(
        bool(row[name]) for row in clusters for name in ("cold_rate_ratio", "callback_share")
    )
    tested = [row for row in pages.table(usual, "cold_gathering") if row["p"]]
    assert pages.marks(page, "gathering", "symbol") == len(tested) > 3
    red = page.locator("#gathering g.mark-symbol.role-mark [fill='var(--vermillion)']").count()
    assert red == sum(row["gathers"] == "true" for row in tested)
    assert pages.marks(page, "held", "symbol") == len(pages.table(usual, "follow_up_by_work"))
    assert pages.marks(page, "held", "rect") == len(pages.table(usual, "follow_up_verdicts"))
    curve = {row["clock"] for row in pages.table(usual, "time_to_callback")}
    assert page.locator("#time g.mark-line.role-mark > path").count() == len(curve) == 2


def test_the_curve_follows_symptom_and_measure(usual: Path, desktop: BrowserContext) -> None:
    page = opened(desktop, usual)
    rows = [row for row in pages.table(usual, "rate_curve") if float(row["unit_hours"]) > 0]
    changes = {(row["measure"], row["symptom"]): row["changes"] for row in pages.table(usual, "rate_change")}
    assert set(changes.values()) == {"true", "false"}
    for symptom in ("low-pressure trip", "belt"):
        for measure in ("at opening", "coldest demand hour"):
            page.locator("#curve").get_by_label(measure).check()
            page.locator("#curve").get_by_role("combobox").select_option(symptom)
            mine = [row for row in rows if row["symptom"] == symptom and row["measure"] == measure]
            drawn = dots(page, "curve")[0]
            off_the_top = len(mine) - len(drawn)
            assert 0 <= off_the_top <= 2
            episodes = Counter(dot["episodes"].replace(",", "") for dot in drawn)
            assert not episodes - Counter(row["episodes"] for row in mine)
            marked = page.locator("#curve g.mark-rule.role-mark > line[stroke='var(--vermillion)']").count()
            assert marked == (changes[(measure, symptom)] == "true")


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_on_a_phone_charts_are_drawn_at_their_own_size(scheme: str, browser: Browser, usual: Path) -> None:
    """A chart that is too wide is shrunk by the style sheet, and its words with it: that is looked for here."""
    context = browser.new_context(viewport=pages.SIZES["phone"], color_scheme=scheme)
    page = opened(context, usual)
    for chart in CHARTS:
        svg = page.locator(f"#{chart} svg").first
        box = svg.bounding_box()
        assert box is not None
        assert box["width"] > 0.85 * float(svg.get_attribute("viewBox").split()[2]), chart
    label = page.evaluate("getComputedStyle(document.querySelector('#rates .role-axis-label text')).fill")
    brightness = sum(map(int, re.findall(r"\d+", label)[:3])) / 3
    assert brightness > 140 if scheme == "dark" else brightness < 110
    context.close()
