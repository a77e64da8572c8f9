"""Long work watched: which file is at hand, and how far DuckDB is with it."""

import threading
from types import TracebackType
from typing import Protocol

import duckdb

POLL_S = 0.5


class Progress(Protocol):
    """Told of each step of a long piece of work."""

    def step(self, text: str, done: int, total: int) -> None:
        """`done` of `total` pieces are through; `text` names the one at hand."""


class Watch:
    """Tells `progress` of each file, and from a thread beside how far a long statement is; use it as a context.

    DuckDB's own bar would go to standard output, so it is never printed.
    """

    def __init__(self, connection: duckdb.DuckDBPyConnection, progress: Progress | None, total: int) -> None:
        self._connection = connection
        self._progress = progress
        self._total = total
        self._done = -1
        self._text = ""
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._poll, daemon=True)

    def __enter__(self) -> "Watch":
        if self._progress is not None:
            self._connection.execute("set enable_progress_bar = true; set enable_progress_bar_print = false")
            self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._over.set()
        if self._progress is not None:
            self._thread.join()
            if error is None:
                self._connection.execute("set enable_progress_bar = false")
                self._progress.step("", self._total, self._total)

    def at(self, text: str) -> None:
        """The next piece of the work is at hand."""
        self._done += 1
        self._text = text
        self._tell(text)

    def _tell(self, text: str) -> None:
        if self._progress is not None:
            self._progress.step(text, max(0, self._done), self._total)

    def _poll(self) -> None:
        while not self._over.wait(POLL_S):
            percent = self._connection.query_progress()
            if percent > 0:
                self._tell(f"{self._text} ({percent:.0f} %)")
