"""Pages that hold their scripts and styles: nothing asked for, policy by digest, licences handed on."""

import base64
import re
from hashlib import sha256
from pathlib import Path

import pytest
from report_frames import FACTS, fleet_frames
from unit_frames import unit_page_frames

from lowambient.report import single_file, write_inlined, write_pages, write_unit_page
from lowambient.report.pages import copy_assets, vendored
from lowambient.report.single_file import MOST_BYTES, inlined, script_text
from lowambient.report.unit_files import file_name

RUNS = re.compile(r"<script>(.*?)</script>", re.DOTALL)


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> dict[str, tuple[str, str]]:
    """Each page as usual and in a single file."""
    out = tmp_path_factory.mktemp("single")
    made = [page for page in write_pages(fleet_frames(), FACTS, out, units="us") if page.suffix == ".html"]
    usual = {page.stem: page.read_text(encoding="utf-8") for page in made}
    assert write_inlined(made) == []
    return {page.stem: (usual[page.stem], page.read_text(encoding="utf-8")) for page in made}


def test_each_script_is_whole_and_named_by_its_digest(pages: dict[str, tuple[str, str]], tmp_path: Path) -> None:
    copy_assets(tmp_path)
    for usual, single in pages.values():
        asked = re.findall(r'src="assets/([^"]*)"', usual)
        scripts = RUNS.findall(single)
        assert scripts == [(tmp_path / name).read_text(encoding="utf-8") for name in asked]
        allowed = re.findall(r"'sha256-([^']*)'", single)
        assert allowed == [base64.b64encode(sha256(one.encode()).digest()).decode() for one in scripts]
        assert (tmp_path / "pages.css").read_text(encoding="utf-8") in single
        assert not re.search(r'(src|href)="[^"]*assets/', single)
        assert len(single.encode()) <= MOST_BYTES


def test_what_stands_on_a_page_stays_as_it_was(pages: dict[str, tuple[str, str]]) -> None:
    for usual, single in pages.values():
        body = usual[usual.index("<body>") : usual.index("</body>")]
        assert body in single


def test_licences_of_others_go_with_their_scripts(pages: dict[str, tuple[str, str]], tmp_path: Path) -> None:
    copy_assets(tmp_path)
    for one in vendored():
        lines = (tmp_path / one["licence_text"]).read_text(encoding="utf-8").splitlines()
        copyright_line = next(line for line in lines if "opyright" in line)
        script = "outlines.js" if one["file"].endswith(".json") else one["file"]
        for usual, single in pages.values():
            assert (copyright_line in single) == (f"assets/{script}" in usual)


def test_a_script_cannot_end_or_reopen_its_element(monkeypatch: pytest.MonkeyPatch) -> None:
    script_text.cache_clear()
    monkeypatch.setattr(single_file, "asset_text", lambda _: 'a = "</script><!--";\r\nb = /<\\/SCRIPT/;')
    assert script_text("any.js") == 'a = "<\\/script><\\!--";\nb = /<\\/SCRIPT/;'
    script_text.cache_clear()


def test_a_page_without_scripts_allows_none() -> None:
    head = "<meta content=\"script-src 'self' file:; connect-src 'none'\">"
    assert inlined(f"{head}<body></body>") == "<meta content=\"script-src 'none'; connect-src 'none'\"><body></body>"


def test_pages_too_large_for_mail_are_named(tmp_path: Path) -> None:
    small, large = tmp_path / "small.html", tmp_path / "large.html"
    small.write_text("<body></body>")
    large.write_text(f"<body>{'x' * MOST_BYTES}</body>")
    assert write_inlined([small, large]) == [large]


def test_the_page_of_one_unit_is_one_file(tmp_path: Path) -> None:
    frames = unit_page_frames()
    unit_id = frames["units"]["unit_id"][0]
    alone = tmp_path / "mail" / "one.html"
    assert write_unit_page(frames, FACTS, unit_id, alone, units="us", single_file=True) == [alone]
    assert [*alone.parent.iterdir()] == [alone]
    assert "assets/" not in alone.read_text(encoding="utf-8")
    # beside the single files of a run, a page must not ask for the assets that the run left out
    (tmp_path / "out" / "units").mkdir(parents=True)
    (tmp_path / "out" / "run.json").write_text("{}")
    beside = tmp_path / "out" / "units" / file_name(unit_id)
    assert write_unit_page(frames, FACTS, unit_id, beside, units="us") == [beside]
    text = beside.read_text(encoding="utf-8")
    assert "assets/" not in text
    assert 'href="../revisit.html"' in text
