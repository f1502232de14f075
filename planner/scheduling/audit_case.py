"""One application of a check, and how many of them become a line of the audit's report.

A case answers with a margin in the unit of its check: zero or more is kept.
The tolerance of the check is already inside; the words carry the numbers.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Protocol, TypeVar

import numpy as np

from planner.scenario.array import Array, Combiner, DelayLine, Station, TelescopeClass
from planner.scenario.light_path import PathSegment, SpectralSetup
from planner.scheduling.plan import AuditCheck, Beam, Visit

FAILURES_TOLD = 3
SETUP_KEYS = (
    "band",
    "resolution",
    "wavelengths_um",
    "limiting_magnitude",
    "further_limits",
    "science_recording_s",
    "calibrator_recording_s",
    "overhead_s",
)


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


class Named(Protocol):
    """Anything with a name."""

    @property
    def name(self) -> str:
        """Its name."""


T = TypeVar("T", bound=Named)


def named(parts: Iterable[T], name: str | None) -> T | None:
    """Return the part of that name, or None."""
    return next((part for part in parts if part.name == name), None)


def number(told: object) -> float:
    """Return what a plan tells as a number, or NaN when it does not tell one.

    Examples
    --------
    >>> number(2), number("much"), number(None)
    (2.0, nan, nan)
    """
    real = isinstance(told, int | float) and not isinstance(told, bool)
    return float(told) if real else math.nan  # type: ignore[arg-type]


def setup_of(array: Array, combiner: str, setup: str | None) -> SpectralSetup | None:
    """Return the spectral setup of that name of a combiner, or None."""
    return named((own for own in array.spectral_setups if own.combiner == combiner), setup)


def combiner_in(array: Array, name: str, setup: str | None) -> Combiner | None:
    """Return a combiner with the keys of one of its spectral setups, or None when either does not exist.

    What a setup leaves out is as the combiner has it. No setup, or the name
    that the combiner gives to its own keys, changes nothing.
    """
    own = named(array.combiners, name)
    if own is None or setup is None or setup == own.setup_name:
        return own
    chosen = setup_of(array, name, setup)
    if chosen is None:
        return None
    told = {key: getattr(chosen, key) for key in SETUP_KEYS}
    return own.model_copy(update={key: value for key, value in told.items() if value is not None})


def combiner_used(array: Array, visit: Visit) -> Combiner | None:
    """Return the combiner of a visit in the spectral setup that the visit tells."""
    return combiner_in(array, visit.combiner, visit.spectral_setup)


@dataclass(frozen=True)
class Equipment:
    """What one beam goes through; None for what the scenario does not have."""

    beam: Beam
    own: TelescopeClass | None
    station: Station | None
    line: DelayLine | None
    segment: PathSegment | None

    @property
    def segment_m(self) -> float | None:
        """Path that the beam's segment adds, zero for no segment; None for one that does not exist."""
        if self.beam.path_segment is None:
            return 0.0
        return None if self.segment is None else self.segment.path_m


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
        named(array.path_segments, beam.path_segment),
    )
