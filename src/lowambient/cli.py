"""The command line. Each command imports the rooms it needs, so that help and short answers come at once."""

import os
import signal
import sys
from collections.abc import Callable
from contextlib import AbstractContextManager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from lowambient import __version__
from lowambient.errors import LowambientError

if TYPE_CHECKING:
    from lowambient.progress import Bar

INTERRUPTED = 128 + signal.SIGINT

# what typer refuses about a command line; it hands out only descendants of the error that they share
USAGE_ERROR: type[Exception] = typer.BadParameter.__mro__[2]

app = typer.Typer(
    name="lowambient",
    help="Finds, across a fleet of cooling units, those that lock out in the cold, and where retrofit money avoids"
    " the most calls. Start with `lowambient new DIR`.",
    rich_markup_mode=None,
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
)

ProfilePath = Annotated[Path, typer.Argument(metavar="FLEET.TOML", help="The profile that describes the fleet.")]
OutFolder = Annotated[Path, typer.Option("--out", metavar="DIR", help="Folder for pages and tables.")]
Units = Annotated[
    Literal["us", "si"] | None,
    typer.Option("--units", help="Units on the pages; the profile decides where this is left out."),
]
Since = Annotated[
    Path | None,
    typer.Option("--since", metavar="DIR", help="Folder of an earlier run: flags that it did not raise are new."),
]
SingleFile = Annotated[
    bool, typer.Option("--single-file", help="Write the pages also as one file for mailing, mail.html, under 2.5 MB.")
]
SingleUnit = Annotated[
    bool, typer.Option("--single-file", help="The page holds its scripts and styles itself, to be mailed.")
]
Threads = Annotated[int | None, typer.Option("--threads", min=1, help="Threads to use; all cores by default.")]
Quiet = Annotated[bool, typer.Option("--quiet", help="No progress on standard error.")]


def _show_version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"lowambient {__version__}")
        raise typer.Exit


@app.callback()
def options(
    version: Annotated[
        bool, typer.Option("--version", callback=_show_version, is_eager=True, help="Show the version and stop.")
    ] = False,
) -> None:
    """Options that stand before a command."""


@app.command()
def new(folder: Annotated[Path, typer.Argument(metavar="DIR", help="Folder to put the profile in.")]) -> None:
    """Write a commented starter profile, fleet.toml, into DIR."""
    from lowambient.profile.starter import write_starter

    _say(f"Wrote {write_starter(folder)}. Point it at your exports, then: lowambient run {folder / 'fleet.toml'}")


@app.command()
def inspect(
    files: Annotated[list[Path], typer.Argument(metavar="FILE...", help="Exports to look at.")],
) -> None:
    """Look at exports and propose their part of a profile, for a person to correct."""
    from lowambient.intake.proposals import propose

    typer.echo(propose(files), nl=False)


@app.command()
def load(profile: ProfilePath, threads: Threads = None, quiet: Quiet = False) -> None:
    """Read the exports into the store; files that stand already are not read again."""
    from lowambient import pipeline

    with _progress(quiet) as progress:
        loaded = pipeline.load(profile, threads=threads, progress=progress)
    _say(pipeline.loaded_sentence(loaded))


@app.command()
def report(
    profile: ProfilePath,
    out: OutFolder = Path("out"),
    *,
    units: Units = None,
    since: Since = None,
    single_file: SingleFile = False,
    threads: Threads = None,
    quiet: Quiet = False,
) -> None:
    """Judge, rank and write pages and tables from what the store holds."""
    from lowambient import pipeline

    with _progress(quiet) as progress:
        written = pipeline.report(
            profile, out, units=units, since=since, single_file=single_file, threads=threads, progress=progress
        )
    _finish(written.sentence, written.failed_audits)


@app.command()
def run(
    profile: ProfilePath,
    out: OutFolder = Path("out"),
    *,
    units: Units = None,
    since: Since = None,
    single_file: SingleFile = False,
    threads: Threads = None,
    quiet: Quiet = False,
) -> None:
    """Do all of it: load the exports, judge, rank, and write pages and tables."""
    from lowambient import pipeline

    pipeline.check_folders(out, since)
    with _progress(quiet) as progress:
        loaded = pipeline.load(profile, threads=threads, progress=progress)
        written = pipeline.report(
            profile, out, units=units, since=since, single_file=single_file, threads=threads, progress=progress
        )
    _say(pipeline.loaded_sentence(loaded))
    _finish(written.sentence, written.failed_audits)


@app.command()
def unit(
    profile: ProfilePath,
    unit_id: Annotated[str, typer.Argument(metavar="UNIT_ID", help="The unit, as the unit list writes it.")],
    out: Annotated[Path, typer.Option("--out", metavar="FILE", help="File for the page.")] = Path("unit.html"),
    units: Units = None,
    single_file: SingleUnit = False,
) -> None:
    """Write the page of one unit, from the store as the last run judged it."""
    from lowambient import pipeline

    _say(pipeline.unit_page(profile, unit_id, out, units=units, single_file=single_file))


@app.command()
def table(
    profile: ProfilePath,
    name: Annotated[str, typer.Argument(metavar="NAME", help="A table of the store, such as forecast or in_calls.")],
) -> None:
    """Print a table of the store as CSV on standard output."""
    from lowambient import pipeline

    sys.stdout.write(pipeline.table_csv(profile, name))


@app.command()
def study(
    profile: ProfilePath,
    name: Annotated[str, typer.Argument(metavar="NAME", help="A study, such as window_sensitivity.")],
) -> None:
    """Print the answer of a study, one of the queries in queries/studies, as CSV on standard output."""
    from lowambient import pipeline

    sys.stdout.write(pipeline.study_csv(profile, name))


@app.command()
def outlook(
    profile: ProfilePath,
    forecast: Annotated[
        Path,
        typer.Argument(
            metavar="FORECAST.CSV", help="Hourly temperatures: station_id, hour, temperature_c or temperature_f."
        ),
    ],
    by: Annotated[Literal["unit", "day"], typer.Option("--by", help="What a line of the answer is.")] = "unit",
) -> None:
    """Print which units are likely to lock out in the next days and when, as CSV on standard output."""
    from lowambient import pipeline

    table, sentences = pipeline.outlook_csv(profile, forecast, by)
    sys.stdout.write(table)
    for sentence in sentences:
        _say(sentence)


@app.command(context_settings={"ignore_unknown_options": True})
def saturation(
    refrigerant: Annotated[str, typer.Argument(help="As people write it: R-410A, 410a, R22, ...")],
    value: Annotated[float, typer.Argument(help="A pressure, or a temperature.")],
    unit: Annotated[str, typer.Argument(help="psig, psia, barg, bara, kPa, MPa; °F or °C.")],
    elevation: Annotated[str, typer.Option("--elevation", help="Of the site: metres, or feet as `5280 ft`.")] = "0",
    sealed_gauge: Annotated[bool, typer.Option("--sealed-gauge", help="The gauge is sealed at sea level.")] = False,
) -> None:
    """Print bubble and dew point of a refrigerant at a pressure, or its pressures at a temperature."""
    from lowambient.refrigerant.answer import elevation_m, saturation_answer

    typer.echo(saturation_answer(refrigerant, value, unit, elevation_m(elevation), sealed_gauge).text())


def _say(text: str) -> None:
    typer.echo(text, err=True)


def _finish(sentence: str, failed_audits: tuple[str, ...]) -> None:
    _say(sentence)
    if failed_audits:
        for audit in failed_audits:
            _say(f"Audit failed: {audit}")
        raise typer.Exit(1)


def _progress(quiet: bool) -> "AbstractContextManager[Bar | None]":
    from lowambient.progress import progress

    return progress(quiet)


def main() -> None:
    """Runs the command line; ends with the exit code of what went wrong, and never with a traceback for a person's
    mistake."""
    sys.exit(_guarded(lambda: app(standalone_mode=False)))


def _guarded(command: Callable[[], object]) -> int:
    try:
        code = command()
    except LowambientError as error:
        _say(f"lowambient: {error}")
        return error.exit_code
    except (KeyboardInterrupt, typer.Abort):
        code = INTERRUPTED
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except OSError as error:
        _say(f"lowambient: {error.filename or 'the disk'}: {error.strerror}: free space or choose another folder")
        return 4
    except USAGE_ERROR as error:
        error.show()  # type: ignore[attr-defined]
        return 2
    if code == INTERRUPTED:  # typer may have turned Ctrl-C into this exit code by itself
        _say("lowambient: interrupted; what was loaded whole is kept")
    return code if isinstance(code, int) else 0
