"""Flags that are new since an earlier run: against plain loops, on the page, and folders that are no run."""

import re
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from report_frames import FACTS
from unit_frames import unit_page_frames

from lowambient.errors import InputRefused
from lowambient.report import EarlierRun, write_pages, write_tables
from lowambient.report.tables import as_written, empty


def run_of(frames: dict[str, pl.DataFrame], folder: Path) -> Path:
    """A folder as a run leaves it."""
    write_tables(frames, folder / "tables")
    write_pages(frames, FACTS, folder, units="us")
    (folder / "run.json").write_text("{}")
    return folder


def drawn(seed: int) -> pl.DataFrame:
    """The flags of the frames, raised by lot; some of each run are missing from it."""
    random = np.random.default_rng(seed)
    flags = unit_page_frames()["flags"]
    flags = flags.with_columns(raised=pl.Series(random.random(flags.height) < 0.5))
    return flags.filter(pl.Series(random.random(flags.height) < 0.8))


@pytest.mark.parametrize("seed", range(4))
def test_new_is_what_was_not_raised_then(seed: int, tmp_path: Path) -> None:
    then, now = drawn(2 * seed), drawn(2 * seed + 1)
    write_tables({"flags": then}, tmp_path / "tables")
    (tmp_path / "run.json").write_text("{}")
    marked = EarlierRun.read(tmp_path).marked(as_written("flags", now))
    raised_then = {(row["unit_id"], row["circuit"], row["flag"]) for row in then.to_dicts() if row["raised"]}
    assert marked.drop("new_since").equals(as_written("flags", now).drop("new_since"))
    for row in marked.to_dicts():
        key = row["unit_id"], row["circuit"], row["flag"]
        assert row["new_since"] == (row["raised"] and key not in raised_then)
    assert 0 < marked.filter("new_since").height < raised(marked)


def test_the_page_marks_new_flags_and_says_nothing_of_them_without_another_run(tmp_path: Path) -> None:
    frames = unit_page_frames() | {"plan": empty("plan")}
    alone = frames["flags"].with_columns(new_since=pl.lit(None, dtype=pl.Boolean))
    first = run_of(frames | {"flags": alone}, tmp_path / "first")
    assert "run before" not in (first / "revisit.html").read_text(encoding="utf-8")
    before = EarlierRun.read(first)

    same = run_of(frames | {"flags": before.marked(alone)}, tmp_path / "same")
    text = (same / "revisit.html").read_text(encoding="utf-8")
    assert "None of them is new since the run before." in text
    assert marks(text) == ["raised before"] * raised(alone)

    some = alone.with_columns(raised=pl.col("raised") & (pl.col("flag") != alone.filter("raised")["flag"][0]))
    later = EarlierRun.read(run_of(frames | {"flags": some}, tmp_path / "some")).marked(alone)
    text = (run_of(frames | {"flags": later}, tmp_path / "later") / "revisit.html").read_text(encoding="utf-8")
    assert marks(text).count("new") == raised(alone) - raised(some) > 0
    assert marks(text).count("raised before") == raised(some) > 0


def raised(flags: pl.DataFrame) -> int:
    """Flags that are raised."""
    return flags.filter("raised").height


def marks(text: str) -> list[str]:
    """What stands beside each flag on the page."""
    return re.findall(r'<td data-label="Since the run before">([^<]*)</td>', text)


def test_folders_that_are_no_run_are_refused(tmp_path: Path) -> None:
    with pytest.raises(InputRefused, match="no folder of a run"):
        EarlierRun.read(tmp_path / "nowhere")
    (tmp_path / "run.json").write_text("{}")
    with pytest.raises(InputRefused, match="no folder of a run"):
        EarlierRun.read(tmp_path)
    (tmp_path / "tables").mkdir()
    (tmp_path / "tables" / "flags.parquet").write_bytes(b"PAR1 and no more")
    with pytest.raises(InputRefused, match="no table of flags that can be read"):
        EarlierRun.read(tmp_path)
    pl.DataFrame({"unit_id": ["a"], "raised": [True]}).write_parquet(tmp_path / "tables" / "flags.parquet")
    with pytest.raises(InputRefused, match="no table of flags that can be read"):
        EarlierRun.read(tmp_path)


def test_a_run_of_another_fleet_is_refused(tmp_path: Path) -> None:
    flags = unit_page_frames()["flags"]
    write_tables({"flags": flags.with_columns(pl.format("other {}", "unit_id").alias("unit_id"))}, tmp_path / "tables")
    (tmp_path / "run.json").write_text("{}")
    with pytest.raises(InputRefused, match="another fleet"):
        EarlierRun.read(tmp_path).marked(flags)
