"""Rooms, arrows and what an import costs."""

import json
import subprocess
import sys
from pathlib import Path

import pytest

HEAVY = {
    "polars",
    "duckdb",
    "numpy",
    "scipy",
    "CoolProp",
    "altair",
    "jinja2",
    "sklearn",
    "pyarrow",
    "dataframely",
    "rich",
}
SOURCE = Path(__file__).parents[1] / "src" / "lowambient"


def modules_after(arguments: list[str]) -> set[str]:
    """Top-level modules that are loaded when a command has ended."""
    script = (
        "import sys, json\nfrom lowambient.cli import main\n"
        f"sys.argv = ['lowambient', *{arguments!r}]\n"
        "try:\n    main()\nexcept SystemExit as stop:\n    assert not stop.code, stop.code\n"
        "print(json.dumps(sorted({name.split('.')[0] for name in sys.modules})), file=sys.stderr)"
    )
    run = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    return set(json.loads(run.stderr.splitlines()[-1]))


@pytest.mark.parametrize(
    "arguments",
    [["--help"], ["run", "--help"], ["--version"], ["saturation", "R-410A", "250", "psig", "--elevation", "0"]],
    ids=" ".join,
)
def test_short_answers_load_no_heavy_library(arguments: list[str]) -> None:
    assert not modules_after(arguments) & HEAVY


def test_the_check_sees_a_heavy_library(tmp_path: Path) -> None:
    folder = tmp_path / "fleet"
    assert "rapidfuzz" in modules_after(["new", str(folder)])


def test_nothing_in_the_package_is_called_by_a_word_that_says_nothing() -> None:
    names = {path.stem for path in SOURCE.rglob("*.py")}
    assert not names & {"utils", "util", "helpers", "common", "misc", "core", "tools"}


def test_the_demo_generator_and_the_package_do_not_know_each_other() -> None:
    assert not [path for path in SOURCE.rglob("*.py") if "demo_data" in path.read_text(encoding="utf-8")]
    demo = Path(__file__).parents[1] / "demo_data"
    assert not [path for path in demo.glob("*.py") if "import lowambient" in path.read_text(encoding="utf-8")]
