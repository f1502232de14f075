"""How far a long piece of work has come: sentences, and how much of the whole lies behind."""

from __future__ import annotations

import time
from collections.abc import Callable


class PartDone(str):
    """What is being done, as a sentence, and how much of it is done.

    Attributes
    ----------
    done, whole : int
        ``done`` of ``whole`` equal parts lie behind.
    """

    done: int
    whole: int

    def __new__(cls, sentence: str, done: int, whole: int) -> PartDone:
        """Return the sentence with its share."""
        part = super().__new__(cls, sentence)
        part.done, part.whole = done, whole
        return part


class Pace:
    """How long the rest of a piece of work will take, from how long its parts have taken so far.

    Parameters
    ----------
    clock : callable
        Seconds that pass.
    """

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self.clock = clock
        self.first: tuple[float, int, int] | None = None

    def rest_s(self, sentence: str) -> float | None:
        """Take note of a sentence; return the seconds that are left of its work, None where nobody knows."""
        if not isinstance(sentence, PartDone):
            self.first = None
            return None
        now = self.clock()
        # Another number of parts, or fewer of them done, is another piece of work.
        if self.first is None or self.first[2] != sentence.whole or sentence.done < self.first[1]:
            self.first = now, sentence.done, sentence.whole
        began, before, whole = self.first
        if sentence.done < before + 2:
            return None  # one part says little of the others
        return (now - began) / (sentence.done - before) * (whole - sentence.done)


PATIENCE_S = 10.0  # a line that is not for a terminal comes no sooner after the start, or the one before


class PlainLines:
    """Progress as plain lines, seldom enough for a file: no sooner than ten seconds after the one before.

    Parameters
    ----------
    write : callable
        Takes one line.
    clock : callable
        Seconds that pass.
    """

    def __init__(self, write: Callable[[str], object], clock: Callable[[], float] = time.monotonic) -> None:
        self.write, self.clock, self.pace = write, clock, Pace(clock)
        self.last = clock()

    def __call__(self, sentence: str) -> None:
        """Take note of what is being done, and write a line when it is time for one."""
        rest = self.pace.rest_s(sentence)
        if self.clock() - self.last < PATIENCE_S:
            return
        self.last = self.clock()
        share = f", {sentence.done} of {sentence.whole} done" if isinstance(sentence, PartDone) else ""
        left = "" if rest is None else f", about {rest_told(rest)} left"
        self.write(f"{sentence}{share}{left}")


def rest_told(seconds: float) -> str:
    """Return a time that is left in the unit that fits.

    Examples
    --------
    >>> rest_told(7.4), rest_told(130.0), rest_told(8000.0)
    ('7 s', '2 min', '2.2 h')
    """
    if seconds < 100.0:
        return f"{max(1, round(seconds))} s"
    return f"{round(seconds / 60.0)} min" if seconds < 5400.0 else f"{seconds / 3600.0:.1f} h"
