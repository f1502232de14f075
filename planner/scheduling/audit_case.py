"""One application of a check, and how many of them become a line of the audit's report.

A case answers with a margin in the unit of its check: zero or more is kept.
The tolerance of the check is already inside; the words carry the numbers.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Protocol, TypeVar

import numpy as np

from planner.scenario.array import Array, DelayLine, Station, TelescopeClass
from planner.scheduling.plan import AuditCheck, Beam

FAILURES_TOLD = 3


@dataclass(frozen=True)
class Case:
    """One application of a check, or the tightest of many.

    Attributes
    ----------
    margin : float
        By how much it is kept; infinite for a plain yes, minus infinite for a plain no.
    words : str
        What was found, with numbers and times.
    count : int
        How many applications this case stands for.
    """

    margin: float
    words: str
    count: int = 1

    @property
    def kept(self) -> bool:
        """True when the margin is zero or more; a margin that is not a number is not kept."""
        return self.margin >= 0


def holds(condition: bool, words: str) -> Case:
    """Return the case of a plain yes or no; the words say what is wrong."""
    return Case(math.inf if condition else -math.inf, words)


def tightest(margin: np.ndarray, words: Callable[[int], str]) -> Case:
    """Return the smallest of many margins, (sample,); ``words`` tells one sample."""
    worst = int(np.argmin(np.where(np.isnan(margin), -np.inf, margin)))
    return Case(float(margin[worst]), words(worst), len(margin))


def audited(name: str, cases: Iterable[Case]) -> AuditCheck:
    """Return the line of the report: the first failures, or the tightest case."""
    found = list(cases)
    failed = [case for case in found if not case.kept]
    finite = [case for case in found if math.isfinite(case.margin)]
    if failed:
        told = "; ".join(case.words for case in failed[:FAILURES_TOLD])
        more = len(failed) - FAILURES_TOLD
        worst = f"{told}; and {more} more" if more > 0 else told
    elif finite:
        worst = "tightest: " + min(finite, key=lambda case: case.margin).words
    else:
        worst = "nothing wrong found" if found else "nothing to check"
    return AuditCheck(name=name, passed=not failed, checked=sum(case.count for case in found), worst=worst)


def moment(text: str) -> datetime | None:
    """Return the UTC time that a plan tells, or None when it does not tell one.

    Examples
    --------
    >>> moment("2027-03-11T23:30:00Z").minute
    30
    >>> moment("half past eleven") is None
    True
    """
    try:
        found = datetime.fromisoformat(text)
    except ValueError:
        return None
    return found if found.utcoffset() == timedelta(0) else None


class Named(Protocol):
    """Anything with a name."""

    @property
    def name(self) -> str:
        """Its name."""


T = TypeVar("T", bound=Named)


def named(parts: Iterable[T], name: str | None) -> T | None:
    """Return the part of that name, or None."""
    return next((part for part in parts if part.name == name), None)


@dataclass(frozen=True)
class Equipment:
    """What one beam goes through; None for what the scenario does not have."""

    beam: Beam
    own: TelescopeClass | None
    station: Station | None
    line: DelayLine | None


def class_of(array: Array, telescope: str) -> TelescopeClass | None:
    """Return the class of a telescope, or None when either does not exist."""
    known = named(array.telescopes, telescope)
    return None if known is None else named(array.telescope_classes, known.telescope_class)


def equipment(array: Array, beam: Beam) -> Equipment:
    """Look up what a beam names."""
    return Equipment(
        beam,
        class_of(array, beam.telescope),
        named(array.stations, beam.station),
        named(array.delay_lines, beam.delay_line),
    )
