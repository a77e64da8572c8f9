"""Ctrl-C in the middle of a long statement: DuckDB by itself would notice after many seconds."""

import signal
import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager

import duckdb


@contextmanager
def interruptible(connection: duckdb.DuckDBPyConnection) -> Iterator[None]:
    """Inside, SIGINT stops the statement at once, and Python's own handler follows.

    The signal is noticed through a pipe by a thread beside, since the main thread is inside DuckDB. Only the main
    thread can ask for that; elsewhere this does nothing.
    """
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    heard, told = socket.socketpair()
    told.setblocking(False)
    before = signal.set_wakeup_fd(told.fileno(), warn_on_full_buffer=False)
    listener = threading.Thread(target=_interrupt_on_signal, args=(heard, connection), daemon=True)
    listener.start()
    try:
        yield
    finally:
        signal.set_wakeup_fd(before)
        told.close()
        listener.join()
        heard.close()


def _interrupt_on_signal(heard: socket.socket, connection: duckdb.DuckDBPyConnection) -> None:
    while number := heard.recv(1):
        if number[0] == signal.SIGINT:
            connection.interrupt()
