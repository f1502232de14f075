"""When a search has to end before its effort is spent: a time limit, or Ctrl-C."""

from __future__ import annotations

import signal
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Literal, Protocol

Why = Literal["time limit", "Ctrl-C"]


class Stop(Protocol):
    """Says whether a search has to end, and why; a part of the time may be meant."""

    def __call__(self, share: float = 1.0) -> Why | None: ...  # noqa: D102


def never(share: float = 1.0) -> Why | None:
    """Nothing but the effort ends the search."""
    return None


@contextmanager
def stopping(seconds: float | None = None) -> Iterator[Stop]:
    """Give a function that says whether the search has to end, and why.

    Parameters
    ----------
    seconds : float, optional
        From now on.

    Notes
    -----
    While it is in force, the first Ctrl-C ends the search with what it has
    found; a second one ends the program. Outside the main thread Ctrl-C is left alone.
    """
    began = time.monotonic()
    pressed = threading.Event()

    def stop(share: float = 1.0) -> Why | None:
        if pressed.is_set():
            return "Ctrl-C"
        over = seconds is not None and time.monotonic() - began >= share * seconds
        return "time limit" if over else None

    if threading.current_thread() is not threading.main_thread():
        yield stop
        return
    before = signal.getsignal(signal.SIGINT)

    def press(number: int, frame: object) -> None:
        if pressed.is_set():
            raise KeyboardInterrupt
        pressed.set()

    signal.signal(signal.SIGINT, press)
    try:
        yield stop
    finally:
        signal.signal(signal.SIGINT, before)
