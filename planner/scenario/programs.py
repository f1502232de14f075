"""What a request is worth and how requests hang together: weights, goals, phases, programs, the good plan.

Everything that counts is a whole number, so that a plan repeats itself on any machine.
"""

from __future__ import annotations

from typing import Annotated

from pydantic import Field, model_validator

from planner.scenario.values import Name, NotNegative, Number, Part, Positive, Whole
from planner.units import DAY_S

SAME_PHASE = 1e-12


class PhaseWindow(Part):
    """Phases of an orbit, or of anything periodic, at which the science step has to be recorded."""

    epoch_bjd: Number = Field(
        ge=2_300_000, le=2_600_000, description="Phase zero: a barycentric Julian date, TDB."
    )
    period_d: Number = Field(gt=1e-3, le=1e6, description="Period in days.")
    phases: tuple[tuple[Number, Number], ...] = Field(
        min_length=1,
        description="Ranges of phase as [[from, to]], each within 0 to 1; from 0.9 to 0.1 goes through zero.",
    )

    @model_validator(mode="after")
    def _within_one(self) -> PhaseWindow:
        for low, high in self.phases:
            if not (0 <= low <= 1 and 0 <= high <= 1) or low == high or (low, high) == (1, 0):
                raise ValueError(f"has the phases [{low:g}, {high:g}], not two different ones within 0 to 1")
        return self


def phase_spans(window: PhaseWindow) -> tuple[tuple[float, float], ...]:
    """Return the ranges of phase as spans in order that do not touch; the last may end beyond 1.

    A whole turn is ``((0.0, 1.0),)``.

    Examples
    --------
    >>> own = PhaseWindow(epoch_bjd=2_450_000.0, period_d=2.0, phases=((0.9, 0.1), (0.1, 0.2), (0.4, 0.5)))
    >>> phase_spans(own)
    ((0.4, 0.5), (0.9, 1.2))
    """
    turned = [(low % 1.0, high if high > low % 1.0 else high + 1.0) for low, high in window.phases]
    found: list[tuple[float, float]] = []
    for low, high in sorted(turned):
        if found and low <= found[-1][1] + SAME_PHASE:
            found[-1] = (found[-1][0], max(found[-1][1], high))
        else:
            found.append((low, high))
    # What the last one covers beyond zero is not told a second time.
    while len(found) > 1 and found[0][0] <= found[-1][1] - 1.0 + SAME_PHASE:
        found[-1] = (found[-1][0], max(found[-1][1], found.pop(0)[1] + 1.0))
    whole = any(high - low >= 1.0 - SAME_PHASE for low, high in found)
    return ((0.0, 1.0),) if whole else tuple(found)


def phase_gaps_s(window: PhaseWindow) -> tuple[float, ...]:
    """Return how long each stretch that the ranges leave out lasts, seconds; none for a whole turn."""
    spans = phase_spans(window)
    if spans == ((0.0, 1.0),):
        return ()
    nexts = (*(low for low, _ in spans[1:]), spans[0][0] + 1.0)
    return tuple((low - high) * window.period_d * DAY_S for (_, high), low in zip(spans, nexts, strict=True))


class FrequencyWeight(Part):
    """What a cell of some spatial frequencies is worth."""

    from_mega_lambda: NotNegative = Field(
        default=0.0, description="Spatial frequency from which it holds, in 10^6 wavelengths."
    )
    to_mega_lambda: Positive = Field(description="Spatial frequency up to which it holds.")
    weight: Whole = Field(
        ge=0, le=100, description="Factor on the value of such a cell; 0 does not count it."
    )

    @model_validator(mode="after")
    def _order(self) -> FrequencyWeight:
        if self.to_mega_lambda <= self.from_mega_lambda:
            raise ValueError("has a to_mega_lambda that is not larger than its from_mega_lambda")
        return self


Worth = Annotated[int, Field(strict=True, ge=1, le=100)]


class Program(Part):
    """``[[program]]``: requests that belong together and share a time budget."""

    name: Name = Field(description="Name of the program.")
    targets: tuple[Name, ...] = Field(
        min_length=1, description="Its targets; each is in one program at most."
    )
    hours_max: Positive | None = Field(
        default=None,
        le=24,
        description="Time for its visits this night, from the capture of the first star to the last record.",
    )
    share: Whole = Field(
        default=1,
        ge=1,
        le=1000,
        description="Its part of the night's score, beside the shares of the others.",
    )


class GoodPlan(Part):
    """``[plan]``: what makes a plan good beside its score."""

    share_calibrators: Annotated[bool, Field(strict=True)] = Field(
        default=False,
        description="true lets the calibrator that closes one bracket open the next, where it serves both.",
    )
    fairness: NotNegative = Field(
        default=0.0,
        le=1,
        description="Part that is taken off what a program gets beyond its share of the score; 0 is off.",
    )
    least_travel: Annotated[bool, Field(strict=True)] = Field(
        default=True, description="false leaves the carriages the way the first plan moves them."
    )
    irreplaceable_early: Annotated[bool, Field(strict=True)] = Field(
        default=False, description="true puts early what could not be tried again later in the night."
    )
    early_cost_max: NotNegative = Field(
        default=0.0, le=0.5, description="Part of the score that irreplaceable_early may cost."
    )
    lost_probability: NotNegative = Field(
        default=0.2, le=1, description="Chance that a stretch of the night is lost, for the estimate."
    )
    lost_stretch_min: Positive = Field(
        default=30.0, ge=1, le=720, description="Length of such a stretch, minutes."
    )
    forced_effort: NotNegative = Field(
        default=6.0,
        le=10000,
        description="Work units to find what each request left out would cost; 0 does not ask.",
    )
