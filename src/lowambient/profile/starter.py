"""A commented starter profile for people who begin: `starter.toml`, with its lists filled in from the contract."""

import tomllib
from collections.abc import Iterator
from pathlib import Path
from textwrap import wrap
from typing import Any

from lowambient import reference
from lowambient.errors import InputRefused, NoSpace
from lowambient.profile.measures import measure_names
from lowambient.profile.rules import contract

_TEMPLATE = Path(__file__).with_name("starter.toml")
_LIST = "#: "
_INDENT = 50


def write_starter(folder: Path) -> Path:
    """Writes `fleet.toml` into `folder`, made where it is not there, and returns its path.

    Raises: InputRefused where a profile is there already, NoSpace where nothing can be written.
    """
    path = folder / "fleet.toml"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with path.open("x", encoding="utf-8", newline="\n") as file:
            file.write(starter_text())
    except FileExistsError as error:
        raise InputRefused(
            f"{error.filename} is there already and is left as it is; name another folder, or move it away first"
        ) from None
    except OSError as error:
        raise NoSpace(f"{path} cannot be written: {error.strerror}") from None
    return path


def starter_text() -> str:
    """The starter profile: the template with each line `#: LIST` replaced by that list, commented out."""
    template = _TEMPLATE.read_text(encoding="utf-8")
    mapped: dict[str, set[str]] = {}
    for source in tomllib.loads(template)["source"]:
        given = {*source.get("columns", ()), *source.get("constants", ())}
        mapped[source["table"]] = mapped.get(source["table"], set()) | given
    lines: list[str] = []
    for line in template.splitlines():
        if line.startswith(_LIST):
            listed, _, argument = line.removeprefix(_LIST).partition(" ")
            lines += _LISTS[listed](argument, mapped.get(argument, set()))
        else:
            lines.append(line)
    return "\n".join(lines) + "\n"


def _thresholds(_argument: str, _mapped: set[str]) -> Iterator[str]:
    for one in reference.thresholds().values():
        setting = f"# {one.name} = {one.value:.10g}"
        yield f"{setting:<{_INDENT}} # {one.unit}, {one.lower:g} to {one.upper:g}"
        yield from wrap(one.source, 110, initial_indent="#     ", subsequent_indent="#     ")


def _options(_argument: str, _mapped: set[str]) -> Iterator[str]:
    for row in reference.rows("options"):
        yield f"#   {row['option']}: {row['parts_cost']} of parts, {row['crew_h']} h for each {row['for_each']}"


def _measures(quantity: str, _mapped: set[str]) -> Iterator[str]:
    yield f"#   {quantity + ':':<13}{', '.join(measure_names(quantity))}"


def _columns(table: str, mapped: set[str]) -> Iterator[str]:
    """Columns of the contract that the template does not map, each as a line to fill in."""
    for name, column in contract(table).items():
        if name not in mapped:
            says = column["description"]
            if column["kind"] == "choice":
                says += f": {', '.join(reference.vocabulary(column['vocabulary']))}"
            yield f"{f'# {name} = {_example(column)}':<{_INDENT}} # {says}"


def _example(column: dict[str, Any]) -> str:
    quantity = column.get("measure")
    return f'{{ column = "…", unit = "{_USUAL[quantity]}" }}' if quantity in _USUAL else '"…"'


_USUAL = {"pressure": "psig", "temperature": "°F", "speed": "mph", "length": "ft", "ratio": "%", "current": "A"}
_LISTS = {"thresholds": _thresholds, "options": _options, "measures": _measures, "columns": _columns}
