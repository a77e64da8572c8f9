"""Files for mailing: nothing asked for, policy by digest, licences handed on, never larger than mail bears."""

import base64
import html.parser
import re
from collections import Counter
from hashlib import sha256
from pathlib import Path

import polars as pl
import pytest
import vl_convert
from report_frames import FACTS, HOSTILE
from unit_frames import unit_page_frames

from lowambient.report import mail, single_file, still_charts, write_mail, write_unit_page
from lowambient.report.charts import Spec
from lowambient.report.pages import PAGES, copy_assets, vendored
from lowambient.report.single_file import inlined, script_text
from lowambient.report.still_charts import drawn, fitted, still, unpacked
from lowambient.report.unit_files import file_name, units_with_pages

RUNS = re.compile(r"<script>(.*?)</script>", re.DOTALL)
FRAMES = unit_page_frames()


@pytest.fixture(scope="module")
def usual(tmp_path_factory: pytest.TempPathFactory) -> str:
    page = write_mail(FRAMES, FACTS, tmp_path_factory.mktemp("mail") / "mail.html", units="us")
    return page.read_text(encoding="utf-8")


class Outline(html.parser.HTMLParser):
    """Ids, links, sections and images of a page."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.ids: list[str] = []
        self.links: list[str] = []
        self.images: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attributes: list[tuple[str, str | None]]) -> None:
        named = {name: value or "" for name, value in attributes}
        self.ids += [named["id"]] if "id" in named else []
        self.links += [named["href"]] if tag == "a" and "href" in named else []
        self.images += [named.get("aria-label", "")] if named.get("role") == "img" else []


def test_each_script_is_whole_and_named_by_its_digest(usual: str, tmp_path: Path) -> None:
    copy_assets(tmp_path)
    scripts = RUNS.findall(usual)
    assert scripts == [(tmp_path / name).read_text(encoding="utf-8") for name in ("dataTables.min.js", "pages.js")]
    allowed = re.findall(r"'sha256-([^']*)'", usual)
    assert allowed == [base64.b64encode(sha256(one.encode()).digest()).decode() for one in scripts]
    assert (tmp_path / "pages.css").read_text(encoding="utf-8") in usual
    assert not re.search(r'(src|href)="[^"]*assets/', usual)


def test_every_page_is_a_section_and_every_link_leads_into_the_file(usual: str) -> None:
    outline = Outline(usual)
    assert [name for name in PAGES if f"page-{name}" not in outline.ids] == []
    assert [one for one, times in Counter(outline.ids).items() if times > 1] == []
    assert [link for link in outline.links if not link.startswith("#") or link[1:] not in outline.ids] == []
    assert len(outline.images) > 15
    assert all(label.endswith(".") for label in outline.images)


def test_planned_and_raised_units_come_first_and_the_rest_is_named(usual: str, tmp_path: Path) -> None:
    outline = Outline(usual)
    plan, flags = FRAMES["plan"].filter("selected"), FRAMES["flags"].filter("raised")
    wanted = {*plan["unit_id"], *flags["unit_id"]}
    there = [unit_id for unit_id in FRAMES["units"]["unit_id"] if f"page-{file_name(unit_id)[:-5]}" in outline.ids]
    assert 0 < len(there) <= len(wanted)
    assert set(there) <= wanted
    assert plan.sort("rank")["unit_id"][0] in there
    with_pages = len(units_with_pages(FRAMES))
    told = re.search(r"Of (\d+) units with a page of their own, (\d+) stands?", usual.replace("stand at", "stands at"))
    assert told is not None
    assert (int(told[1]), int(told[2])) == (with_pages, len(there))
    assert "lowambient unit FLEET.TOML UNIT_ID --single-file" in usual


@pytest.mark.parametrize("most", [600_000, 1_000_000])
def test_the_file_is_never_larger_than_allowed(most: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """With long notes on every unit; what no longer fits is named."""
    frames = {**FRAMES, "call_notes": FRAMES["call_notes"].with_columns(complaint=pl.lit("no cooling, " * 40))}
    monkeypatch.setattr(mail, "MOST_BYTES", most)
    monkeypatch.setattr(mail, "UNITS_BYTES", most // 3)
    page = write_mail(frames, FACTS, tmp_path / "mail.html", units="si")
    assert page.stat().st_size <= most
    text = page.read_text(encoding="utf-8")
    sections = {name for name in PAGES if f'id="page-{name}"' in text}
    for name in PAGES:
        assert (f"{name}.html" in text.partition("Left out,")[2].partition("</p>")[0]) == (name not in sections)
    assert "index" in sections


def test_licences_of_others_go_with_their_scripts(usual: str, tmp_path: Path) -> None:
    copy_assets(tmp_path)
    table_script = next(one for one in vendored() if one["file"] == "dataTables.min.js")
    lines = (tmp_path / table_script["licence_text"]).read_text(encoding="utf-8").splitlines()
    assert next(line for line in lines if "opyright" in line) in usual
    assert "vega.min.js" not in usual


def test_still_charts_hold_what_the_script_would_draw() -> None:
    """One bar a row, both widths, ids of their own, and a hostile name as text."""
    texts = [*HOSTILE.values(), "\ufffe", "\ud800", "\x0c"]
    spec: Spec = {
        "data": {"values": [{"a": text, "b": at} for at, text in enumerate(texts)]},
        "mark": {"type": "bar", "clip": True},
        "encoding": {"y": {"field": "a", "type": "nominal"}, "x": {"field": "b", "type": "quantitative"}},
        "usermeta": {"gutter_px": 120},
        "config": {"font": "system-ui, sans-serif"},
    }
    picture = still(spec, 'A "quoted" <name>.', {})
    outline = Outline(picture)
    assert outline.images == ['A "quoted" <name>.']
    assert len(set(outline.ids)) == len(outline.ids) > 0
    assert picture.count("<svg") == 2
    assert len(re.findall(r'class="mark-rect role-mark', picture)) == 2
    assert "<script" not in picture
    assert "<img" not in picture
    bars = re.search(r'class="mark-rect role-mark[^>]*>(.*?)</g>', drawn(spec, {}, 340), re.DOTALL)
    assert bars is not None
    assert bars[1].count("<path") == len(texts)


def test_still_charts_are_drawn_by_the_version_that_the_pages_use() -> None:
    (version,) = (one["version"] for one in vendored() if one["file"] == "vega-lite.min.js")
    assert ".".join(version.split(".")[:2]) == still_charts.LANGUAGE
    assert still_charts.LANGUAGE in vl_convert.get_vegalite_versions()


def test_short_columns_unfold_as_the_script_unfolds_them() -> None:
    columns = {
        "at": {"steps": [10, 1, 2]},
        "to": {"minutes": [11, None, 13]},
        "line": {"runs": ["x", "y"], "lengths": [1, 2]},
        "kind": {"kinds": ["p", "q"], "of": [1, 0, 1]},
        "value": [0.5, 1, None],
    }
    spec = unpacked({"usermeta": {"columns": {"readings": columns}}})
    assert spec["datasets"]["readings"] == [
        {"at": 600_000, "to": 660_000, "line": "x", "kind": "q", "value": 0.5},
        {"at": 660_000, "to": None, "line": "y", "kind": "p", "value": 1},
        {"at": 780_000, "to": 780_000, "line": "y", "kind": "q", "value": None},
    ]


def test_stills_fit_their_width() -> None:
    views = [{"height": 50, "projection": {"type": "mercator"}}, {"height": 50}]
    spec = {"columns": 2, "spacing": 20, "usermeta": {"gutter_px": 40}}
    wide = fitted({**spec, "concat": [dict(one) for one in views]}, 900)
    assert [view["width"] for view in wide["concat"]] == [400, 400]
    narrow = fitted({**spec, "concat": views}, 340)
    assert narrow["columns"] == 1
    assert narrow["concat"][0]["projection"]["clipExtent"] == [[0, 0], [300, 50]]


def test_a_script_cannot_end_or_reopen_its_element(monkeypatch: pytest.MonkeyPatch) -> None:
    script_text.cache_clear()
    monkeypatch.setattr(single_file, "asset_text", lambda _: 'a = "</script><!--";\r\nb = /<\\/SCRIPT/;')
    assert script_text("any.js") == 'a = "<\\/script><\\!--";\nb = /<\\/SCRIPT/;'
    script_text.cache_clear()


def test_a_page_without_scripts_allows_none() -> None:
    head = "<meta content=\"script-src 'self' file:; connect-src 'none'\">"
    assert inlined(f"{head}<body></body>") == "<meta content=\"script-src 'none'; connect-src 'none'\"><body></body>"


def test_the_page_of_one_unit_is_one_file(tmp_path: Path) -> None:
    frames = unit_page_frames()
    unit_id = frames["units"]["unit_id"][0]
    alone = tmp_path / "mail" / "one.html"
    assert write_unit_page(frames, FACTS, unit_id, alone, units="us", single_file=True) == [alone]
    assert [*alone.parent.iterdir()] == [alone]
    assert "assets/" not in alone.read_text(encoding="utf-8")
