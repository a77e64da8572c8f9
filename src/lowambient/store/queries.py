"""Where the SQL files lie: beside the package when installed, at the top of the checkout otherwise."""

from functools import cache
from pathlib import Path
from string import Template


@cache
def folder() -> Path:
    """The `queries` folder."""
    installed = Path(__file__).parent.parent / "queries"
    return installed if installed.is_dir() else Path(__file__).parents[3] / "queries"


@cache
def text(kind: str, name: str) -> str:
    """Text of `queries/KIND/NAME.sql`."""
    return (folder() / kind / f"{name}.sql").read_text(encoding="utf-8")


def filled(kind: str, name: str, **parts: str) -> str:
    """Text of a query with each `${part}` filled in; a part that is left over is an error (KeyError)."""
    return Template(text(kind, name)).substitute(parts)


def names(kind: str) -> list[str]:
    """Names of the queries of one kind, sorted."""
    return sorted(path.stem for path in (folder() / kind).glob("*.sql"))


def quoted(value: str) -> str:
    """A text as an SQL literal."""
    return "'" + value.replace("'", "''") + "'"
