"""The analysis over every circuit of a fleet, in this process or in several."""

import os
from collections.abc import Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from contextlib import contextmanager
from multiprocessing import get_context

import polars as pl

from lowambient.traces.analysis import TABLES, analyse
from lowambient.traces.circuit import Listed

CIRCUITS_AHEAD = 3
"""Circuits that wait for each process: enough that none is idle, few enough to bound the memory."""

THREADS = "POLARS_MAX_THREADS"

Given = tuple[Listed, pl.DataFrame]


def analyse_fleet(circuits: Iterable[Given], processes: int = 1) -> dict[str, pl.DataFrame]:
    """Tables of `analysis.TABLES` for all circuits, each with unit_id and circuit, sorted by its grain.

    The answer does not depend on `processes` nor on the order of `circuits`.
    """
    parts: dict[str, list[pl.DataFrame]] = {name: [] for name in TABLES}
    for found in _in_processes(circuits, processes) if processes > 1 else map(_one, circuits):
        for name, frame in found.items():
            if frame.height:
                parts[name].append(frame)
    return {name: _joined(name, frames) for name, frames in parts.items()}


def _one(given: Given) -> dict[str, pl.DataFrame]:
    listed, readings = given
    return {name: _named(frame, listed) for name, frame in analyse(readings, listed).frames().items()}


def _named(frame: pl.DataFrame, listed: Listed) -> pl.DataFrame:
    whose = {"unit_id": listed.unit_id, "circuit": listed.circuit}
    keys = [pl.repeat(value, frame.height, dtype=pl.String, eager=True).alias(name) for name, value in whose.items()]
    return pl.DataFrame([*keys, *frame.iter_columns()])


def _in_processes(circuits: Iterable[Given], processes: int) -> Iterator[dict[str, pl.DataFrame]]:
    """Analyses as they are done; new circuits are only fetched as earlier ones are finished."""
    with _alone(), ProcessPoolExecutor(processes, mp_context=get_context("spawn")) as pool:
        running: set[Future[dict[str, pl.DataFrame]]] = set()
        for given in circuits:
            if len(running) >= CIRCUITS_AHEAD * processes:
                done, running = wait(running, return_when=FIRST_COMPLETED)
                yield from (each.result() for each in done)
            running.add(pool.submit(_one, given))
        yield from (each.result() for each in running)


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


def _joined(name: str, frames: list[pl.DataFrame]) -> pl.DataFrame:
    schema = {"unit_id": pl.String(), "circuit": pl.String(), **TABLES[name]}
    whole = pl.concat(frames) if frames else pl.DataFrame(schema=schema)
    return whole.sort(whole.columns, nulls_last=False)
