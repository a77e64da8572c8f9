"""The analysis over every circuit of a fleet, in this process or in several."""

import os
from collections.abc import Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from contextlib import contextmanager
from multiprocessing import get_context
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import polars as pl

from lowambient.errors import NoSpace
from lowambient.traces.analysis import TABLES, analyse
from lowambient.traces.circuit import Listed, what_was_read

CIRCUITS_AHEAD = 3
"""Circuits that wait for each process: enough that none is idle, few enough to bound the memory."""

THREADS = "POLARS_MAX_THREADS"
KEPT_BYTES = 30 << 20
"""Twice that stays with a process: glibc keeps no more for something larger than 32 MB."""

Given = tuple[Listed, pl.DataFrame]
Part = tuple[Listed, pl.DataFrame]
"""What one circuit has of a table."""
Found = tuple[Listed, dict[str, pl.DataFrame]]
KEYS: dict[str, pl.DataType] = {"unit_id": pl.String(), "circuit": pl.String()}


def analyse_fleet(circuits: Iterable[Given], processes: int = 1) -> dict[str, pl.DataFrame]:
    """Tables of `analysis.TABLES` for all circuits, each with unit_id and circuit, sorted by its grain.

    The answer does not depend on `processes` nor on the order of `circuits`.
    """
    parts: dict[str, list[Part]] = {name: [] for name in TABLES}
    for listed, found in _in_processes(circuits, processes) if processes > 1 else map(_one, circuits):
        for name, frame in found.items():
            parts[name].append((listed, frame))
    return {name: _joined(name, of_circuits) for name, of_circuits in parts.items()}


def _one(given: Given) -> Found:
    listed, readings = given
    return listed, {name: frame for name, frame in analyse(readings, listed).frames().items() if frame.height}


def _in_processes(circuits: Iterable[Given], processes: int) -> Iterator[Found]:
    """Analyses as they are done; new circuits are only fetched as earlier ones are finished.

    Readings go to the processes in files, which are many times cheaper than what a pool sends by itself.
    """
    with (
        _alone(),
        TemporaryDirectory(prefix="lowambient-") as folder,
        ProcessPoolExecutor(processes, get_context("spawn"), _keep_memory) as pool,
    ):
        running: set[Future[Found]] = set()
        for number, (listed, readings) in enumerate(circuits):
            if len(running) >= CIRCUITS_AHEAD * processes:
                done, running = wait(running, return_when=FIRST_COMPLETED)
                yield from (each.result() for each in done)
            running.add(pool.submit(_one_written, listed, _written(readings, Path(folder) / f"{number}.arrow")))
        yield from (each.result() for each in running)


def _written(readings: pl.DataFrame, path: Path) -> Path:
    try:
        what_was_read(readings).write_ipc_stream(path)
    except OSError as error:
        raise NoSpace(f"{path.parent} takes no working files: {error}") from None
    return path


def _keep_memory() -> None:
    """Has the C library keep the memory of arrays for the next ones, as it does once something large was freed."""
    np.empty(KEPT_BYTES, dtype=np.uint8)


def _one_written(listed: Listed, path: Path) -> Found:
    """The analysis of readings that another process wrote; the file is gone afterwards."""
    found = _one((listed, pl.read_ipc_stream(path)))
    path.unlink()
    return found


@contextmanager
def _alone() -> Iterator[None]:
    """Processes started inside keep polars to one thread: it looks when it is imported."""
    before = os.environ.get(THREADS)
    os.environ[THREADS] = "1"
    try:
        yield
    finally:
        os.environ.pop(THREADS)
        if before is not None:
            os.environ[THREADS] = before


def _joined(name: str, parts: list[Part]) -> pl.DataFrame:
    """One table of all circuits, each row with its unit_id and circuit."""
    schema = pl.Schema(KEYS | TABLES[name])
    if not parts:
        return pl.DataFrame(schema=schema)
    keys = pl.DataFrame([(each.unit_id, each.circuit) for each, _ in parts], schema=KEYS, orient="row")
    rows = np.repeat(np.arange(len(parts)), [frame.height for _, frame in parts])
    whole = pl.concat([keys[rows], pl.concat([frame for _, frame in parts])], how="horizontal")
    return whole.sort(whole.columns, nulls_last=False)
