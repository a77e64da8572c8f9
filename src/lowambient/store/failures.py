"""DuckDB's errors as those a person can act on."""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import duckdb

from lowambient.errors import LowambientError, NoSpace, StoreUnavailable

_DAMAGED = (duckdb.SerializationException, duckdb.FatalException, duckdb.InternalException)
_FULL = ("no space", "disk full", "disk quota", "file too large")
_CLOSED = ("permission denied", "read-only", "not a directory", "is a directory")


@contextmanager
def translated(path: Path | None) -> Iterator[None]:
    """Inside, what DuckDB raises comes out as StoreUnavailable, NoSpace or KeyboardInterrupt."""
    try:
        yield
    except LowambientError:
        raise
    except duckdb.InterruptException as error:
        raise KeyboardInterrupt from error
    except duckdb.OutOfMemoryException as error:
        raise _out_of_memory(path, error) from error
    except duckdb.IOException as error:
        raise _io_error(path, error) from error
    except _DAMAGED as error:
        raise _fatal(path, error) from error
    except RuntimeError as error:
        if "interrupted" in str(error).lower():
            raise KeyboardInterrupt from error
        raise


def _out_of_memory(path: Path | None, error: Exception) -> LowambientError:
    text = str(error).lower()
    if "max_temp_directory_size" in text or any(word in text for word in _FULL):
        return NoSpace(f"no space left beside {path} for working files: free some, then run again")
    return NoSpace(f"not enough memory for this step ({_first_line(error)}): close other programs")


def _io_error(path: Path | None, error: Exception) -> LowambientError:
    text, first = str(error).lower(), _first_line(error)
    if any(word in text for word in _FULL):
        return NoSpace(f"no space left for {path}: free some, then run again; what was loaded whole is kept")
    if "lock" in text:
        return StoreUnavailable(f"{path} is in use by another program: close it, then run again ({first})")
    if any(word in text for word in _CLOSED):
        return NoSpace(f"{path} cannot be written ({first})")
    if "cannot open" in text or "no such file" in text:
        return NoSpace(f"{path} cannot be opened ({first}): does its folder exist?")
    return StoreUnavailable(f"{path} is not a readable store ({first}): delete it and load again")


def _fatal(path: Path | None, error: Exception) -> LowambientError:
    if any(word in str(error).lower() for word in _FULL):
        return _io_error(path, error)
    return StoreUnavailable(f"{path} is damaged ({_first_line(error)}): delete it and load again, or restore a copy")


def _first_line(error: Exception) -> str:
    return str(error).splitlines()[0]
