"""Single changes of a scenario that might open a visit.

A change is an edit of the scenario, so that what is offered to the user can be
written into the files and asked again.
"""

from __future__ import annotations

import datetime
import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from planner.constraints.phase import MIN_PER_DAY, PHASE
from planner.scenario.array import TelescopeClass
from planner.scenario.night import Window
from planner.scenario.programs import PhaseWindow, phase_gaps_s
from planner.scenario.targets import Request, Scenario
from planner.units import handy_short

Edit = Callable[[Scenario], Scenario]

# What a change costs an observatory: common practice, no source. Beams are switched at night, a limit is a
# decision, telescopes move by day, hardware is built. The size of the change is added as a fraction.
COST = {
    "subarray": 1.0,
    "setup": 1.5,
    "tracking": 1.7,
    "combiner": 2.0,
    "date": 3.0,
    "step": 4.0,
    "reserved": 4.5,
    "contrast": 4.7,
    "limit": 5.0,
    "pupil": 5.5,
    "line": 6.0,
    "configuration": 7.0,
    "path": 8.0,
}


@dataclass(frozen=True)
class Change:
    """A change, not tried yet.

    Attributes
    ----------
    kind : str
        A key of ``COST``.
    size : float
        0 to 1 within its kind.
    sentence : str
    edit : callable
        Scenario to changed scenario.
    """

    kind: str
    size: float
    sentence: str
    edit: Edit

    @property
    def cost(self) -> float:
        """Rank among changes."""
        return COST[self.kind] + min(max(self.size, 0.0), 1.0)


@dataclass(frozen=True)
class Knob:
    """A limit that can be relaxed by a number.

    Attributes
    ----------
    limit : str
    unit : str
    step : float
        What the number is rounded up to.
    most : float
        No more than this is tried.
    classes : tuple of str
        Telescope classes that it concerns; empty means the request.
    change : callable
        Number to change.
    """

    limit: str
    unit: str
    step: float
    most: float
    classes: tuple[str, ...]
    change: Callable[[float], Change]


def on_request(name: str, **changes: Any) -> Edit:
    """Return the edit that changes a request."""

    def edit(scenario: Scenario) -> Scenario:
        requests = tuple(
            request.model_copy(update=changes) if request.name == name else request
            for request in scenario.requests
        )
        return scenario.model_copy(update={"requests": requests})

    return edit


def on_extras(request: Request, **changes: Any) -> Edit:
    """Return the edit that changes what a request asks for beyond its row."""
    return on_request(request.name, extras=request.extras.model_copy(update=changes))


def on_recording(request: Request, seconds: float) -> Edit:
    """Return the edit that changes how long a science target is recorded, in the request's spectral setup."""
    setup = request.extras.spectral_setup

    def edit(scenario: Scenario) -> Scenario:
        array = scenario.array
        setups = tuple(
            own.model_copy(update={"science_recording_s": seconds})
            if own.combiner == request.combiner and own.name == setup
            else own
            for own in array.spectral_setups
        )
        changed = scenario.model_copy(update={"array": array.model_copy(update={"spectral_setups": setups})})
        if setup is not None and setups != array.spectral_setups:
            return changed
        return on_combiner(request.combiner, science_recording_s=seconds)(scenario)

    return edit


def on_classes(names: tuple[str, ...], new: Callable[[TelescopeClass], dict[str, float]]) -> Edit:
    """Return the edit that changes telescope classes."""

    def edit(scenario: Scenario) -> Scenario:
        classes = tuple(
            own.model_copy(update=new(own)) if own.name in names else own
            for own in scenario.array.telescope_classes
        )
        array = scenario.array.model_copy(update={"telescope_classes": classes})
        return scenario.model_copy(update={"array": array})

    return edit


def on_night(**changes: Any) -> Edit:
    """Return the edit that changes the night's settings."""
    return lambda scenario: scenario.model_copy(update={"night": scenario.night.model_copy(update=changes)})


def on_limits(**changes: Any) -> Edit:
    """Return the edit that changes the scenario's limits."""
    return lambda scenario: scenario.model_copy(update={"limits": scenario.limits.model_copy(update=changes)})


def on_combiner(name: str, **changes: Any) -> Edit:
    """Return the edit that changes a combiner."""

    def edit(scenario: Scenario) -> Scenario:
        combiners = tuple(
            own.model_copy(update=changes) if own.name == name else own for own in scenario.array.combiners
        )
        return scenario.model_copy(
            update={"array": scenario.array.model_copy(update={"combiners": combiners})}
        )

    return edit


def served_too(lines: tuple[str, ...], stations: tuple[str, ...]) -> Edit:
    """Return the edit that lets delay lines serve more stations."""

    def edit(scenario: Scenario) -> Scenario:
        changed = tuple(
            own.model_copy(update={"stations": tuple(dict.fromkeys((*own.stations, *stations)))})
            if own.name in lines and own.stations
            else own
            for own in scenario.array.delay_lines
        )
        return scenario.model_copy(
            update={"array": scenario.array.model_copy(update={"delay_lines": changed})}
        )

    return edit


def longer_path(station: str, by_m: float) -> Edit:
    """Return the edit that adds a segment to a station's fixed path."""

    def edit(scenario: Scenario) -> Scenario:
        stations = tuple(
            own.model_copy(update={"fixed_path_m": round(own.fixed_path_m + by_m, 6)})
            if own.name == station
            else own
            for own in scenario.array.stations
        )
        return scenario.model_copy(update={"array": scenario.array.model_copy(update={"stations": stations})})

    return edit


def knobs(scenario: Scenario, request: Request) -> list[Knob]:
    """Return every limit of a request that can be relaxed by a number."""
    combiner = scenario.combiner_of(request)
    classes = [own for own in scenario.array.telescope_classes if own.name in combiner.limiting_magnitude]
    names = tuple(own.name for own in classes)
    found = []
    groups: list[tuple[str, ...]] = [(own.name,) for own in classes]
    if len(names) > 1:
        groups.append(names)
    for group in groups:
        own = [one for one in classes if one.name in group]
        found.append(_lower_altitude(group, min(one.altitude_min_deg for one in own)))
        found.append(_higher_altitude(group, max(one.altitude_max_deg for one in own)))
        found.append(_more_shadow(group, max(one.obstruction_max for one in own)))
    return [*found, *_of_request(scenario, request)]


def _classes_told(group: tuple[str, ...]) -> str:
    return ("class " if len(group) == 1 else "classes ") + " and ".join(repr(name) for name in group)


def _lower_altitude(group: tuple[str, ...], lowest: float) -> Knob:
    def change(x: float) -> Change:
        edit = on_classes(group, lambda own: {"altitude_min_deg": round(own.altitude_min_deg - x, 6)})
        to = f", to {lowest - x:g} deg" if len(group) == 1 else ""
        return Change(
            "limit", x / 20.0, f"Lower the altitude limit of {_classes_told(group)} by {x:g} deg{to}", edit
        )

    return Knob("altitude, lower limit", "deg", 0.1, min(15.0, lowest), group, change)


def _higher_altitude(group: tuple[str, ...], highest: float) -> Knob:
    def change(x: float) -> Change:
        edit = on_classes(
            group, lambda own: {"altitude_max_deg": min(90.0, round(own.altitude_max_deg + x, 6))}
        )
        return Change(
            "limit", x / 20.0, f"Raise the upper altitude limit of {_classes_told(group)} by {x:g} deg", edit
        )

    return Knob("altitude, upper limit", "deg", 0.1, 90.0 - highest, group, change)


def _more_shadow(group: tuple[str, ...], allowed: float) -> Knob:
    def change(x: float) -> Change:
        edit = on_classes(group, lambda own: {"obstruction_max": round(own.obstruction_max + x, 6)})
        sentence = f"Accept {100 * x:g} % more of the pupil hidden by neighbours for {_classes_told(group)}"
        return Change("limit", 0.2 + x, sentence, edit)

    return Knob("shadowing", "of the pupil", 0.01, min(0.3, 0.99 - allowed), group, change)


def _of_request(scenario: Scenario, request: Request) -> list[Knob]:
    limits, extras, name = scenario.limits, request.extras, request.name
    found = []

    def first(own: float | None, common: float | None) -> float | None:
        return common if own is None else own

    def knob(
        limit: str, unit: str, sizes: tuple[float, float], told: Callable[[float], tuple[str, Edit]]
    ) -> None:
        step, most = sizes

        def change(x: float) -> Change:
            sentence, edit = told(x)
            return Change("limit", x / max(most, step) / 2.0, sentence, edit)

        if most >= step:
            found.append(Knob(limit, unit, step, most, (), change))

    airmass = first(extras.airmass_max, limits.airmass_max)
    if airmass is not None:
        knob(
            "airmass",
            "airmass",
            (0.01, 1.5),
            lambda x: (
                f"Raise the largest airmass of {name} to {two_places(airmass + x):g}",
                on_extras(request, airmass_max=two_places(airmass + x)),
            ),
        )
    separation = first(extras.moon_separation_min_deg, limits.moon_separation_min_deg) or 0.0
    knob(
        "Moon separation",
        "deg",
        (0.1, separation),
        lambda x: (
            f"Let {name} come {x:g} deg nearer to the Moon, to {separation - x:g} deg",
            on_extras(request, moon_separation_min_deg=max(0.0, round(separation - x, 6))),
        ),
    )
    lit = first(extras.moon_illumination_max, limits.moon_illumination_max)
    lit = 1.0 if lit is None else lit
    knob(
        "Moon lit fraction",
        "of the disk",
        (0.01, 1.0 - lit),
        lambda x: (
            f"Accept a Moon that is lit to {min(1.0, two_places(lit + x)):g} for {name}",
            on_extras(request, moon_illumination_max=min(1.0, two_places(lit + x))),
        ),
    )
    if extras.windows:
        knob(
            "absolute window",
            "min",
            (1.0, 240.0),
            lambda x: (
                f"Widen the absolute windows of {name} by {x:g} min on either side",
                on_extras(request, windows=tuple(_wider(window, x) for window in extras.windows)),
            ),
        )
    if extras.phase is not None:
        found += _of_phase(request, extras.phase)
    if extras.hour_angle_range_h is not None:
        low, high = extras.hour_angle_range_h
        knob(
            "hour angle",
            "h",
            (0.05, min(6.0, 12.0 + low, 12.0 - high)),
            lambda x: (
                f"Widen the hour angles of {name} by {x:g} h on either side",
                on_extras(request, hour_angle_range_h=(round(low - x, 6), round(high + x, 6))),
            ),
        )
    elif limits.hour_angle_max_h is not None:
        largest = limits.hour_angle_max_h
        knob(
            "hour angle",
            "h",
            (0.05, min(6.0, 12.0 - largest)),
            lambda x: (
                f"Raise the largest hour angle by {x:g} h, to {largest + x:g} h",
                on_limits(hour_angle_max_h=round(largest + x, 6)),
            ),
        )
    return found


def _of_phase(request: Request, window: PhaseWindow) -> list[Knob]:
    """Wider ranges of phase: until what the longest gap leaves out is in."""
    most = math.ceil(max(phase_gaps_s(window), default=0.0) / 120.0)

    def change(x: float) -> Change:
        wider = _wider_phases(window, x)
        if not phase_gaps_s(wider):
            sentence, edit = f"Record {request.name} at any phase", on_extras(request, phase=None)
        else:
            told = " and ".join(f"{low:.3f} to {high:.3f}" for low, high in wider.phases)
            by, unit = handy_short(x, "min")
            sentence = f"Widen the phases of {request.name} by {by:.3g} {unit} on either side, to {told}"
            edit = on_extras(request, phase=wider)
        return Change("limit", x / most / 2.0, sentence, edit)

    return [Knob(PHASE, "min", 1.0, float(most), (), change)] if most else []


def _wider_phases(window: PhaseWindow, minutes: float) -> PhaseWindow:
    """Ranges that begin earlier and end later by so many minutes; what then overlaps is one range."""
    by = minutes / (window.period_d * MIN_PER_DAY)
    wide = [(low - by, (high if high > low else high + 1.0) + by) for low, high in window.phases]
    if any(high - low >= 1.0 for low, high in wide):
        return window.model_copy(update={"phases": ((0.0, 1.0),)})
    return window.model_copy(update={"phases": tuple((low % 1.0, high % 1.0) for low, high in wide)})


def two_places(value: float) -> float:
    """Return the next number of two decimal places, so that what is told is what is tried.

    Examples
    --------
    >>> two_places(1.1612), two_places(1.16)
    (1.17, 1.16)
    """
    return math.ceil(value * 100.0 - 1e-6) / 100.0


def _wider(window: Window, minutes: float) -> Window:
    by = datetime.timedelta(minutes=minutes)
    return window.model_copy(update={"start_utc": window.start_utc - by, "end_utc": window.end_utc + by})
