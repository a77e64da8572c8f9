"""Progress of long work, on standard error: a bar where a person watches, nothing in a pipe or when asked."""

import sys
from collections.abc import Iterator
from contextlib import contextmanager

from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TaskID, TextColumn, TimeElapsedColumn


class Bar:
    """A bar a step of work; `step` moves it."""

    def __init__(self, bars: Progress) -> None:
        self._bars = bars
        self._task: TaskID | None = None

    def step(self, text: str, done: int, total: int) -> None:
        """`done` of `total` pieces are through; `text` names the one at hand."""
        if self._task is None:
            self._task = self._bars.add_task(text, total=total)
        self._bars.update(self._task, description=text[-50:], completed=done, total=total)


@contextmanager
def progress(quiet: bool) -> Iterator[Bar | None]:
    """Something to report steps to, or null where nobody watches."""
    if quiet or not sys.stderr.isatty():
        yield None
        return
    columns = (TextColumn("{task.description:<50}"), BarColumn(), MofNCompleteColumn(), TimeElapsedColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as bars:
        yield Bar(bars)
