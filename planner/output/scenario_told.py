"""What a scenario contains, as counts and in words: the answer of ``planner check``."""

from __future__ import annotations

import datetime
from collections.abc import Mapping
from typing import Any

from planner.output.sentences import counted, duration, joined
from planner.scenario.night import RequestExtras, Reserved
from planner.scenario.targets import Scenario


def contents(scenario: Scenario) -> dict[str, int]:
    """Return how many of each part there are, by its name in the plural."""
    array = scenario.array
    return {
        "stations": len(array.stations),
        "telescopes": len(array.telescopes),
        "delay lines": len(array.delay_lines),
        "combiners": len(array.combiners),
        "configurations": len(array.configurations),
        "requests": len(scenario.requests),
        "calibrators": len(scenario.calibrators),
    }


def light_path(scenario: Scenario) -> dict[str, int]:
    """Return how many parts of the light path there are beyond lines and combiners, by plural name."""
    array = scenario.array
    return {
        "routing modes": len(array.routing_modes),
        "path segments": len(array.path_segments),
        "spectral setups": len(array.spectral_setups),
        "fringe trackers": len(array.fringe_trackers),
        "beam-position sensors": len(array.beam_sensors),
        "internal calibrations": len(array.internal_calibrations),
        "dual feed": int(array.dual_feed is not None),
    }


def wishes(scenario: Scenario) -> dict[str, int]:
    """Return how many requests want something of the light path, by what it is."""
    extras = [request.extras for request in scenario.requests]
    return {
        "two stars": sum(own.second_star is not None for own in extras),
        "guide star": sum(own.guide_star is not None for own in extras),
        "spectral setup": sum(own.spectral_setup is not None for own in extras),
        "phase tracking": sum(own.tracking == "phase" for own in extras),
        "no tracking": sum(own.tracking == "none" for own in extras),
    }


def terms(scenario: Scenario) -> dict[str, int]:
    """Return how many requests put terms to their visits and what these are worth, by what it is."""
    extras = [request.extras for request in scenario.requests]
    plain = RequestExtras(target="any")
    weighed = ("frequency_weights", "cell_values", "cells_floor", "cells_goal")
    return {
        "phases": sum(own.phase is not None for own in extras),
        "gaps": sum(own.gap_min_h > 0 for own in extras),
        "order": sum(own.after is not None for own in extras),
        "company": sum(own.only_with is not None for own in extras),
        "all or nothing": sum(own.all_or_nothing for own in extras),
        "values": sum(any(getattr(own, key) != getattr(plain, key) for key in weighed) for own in extras),
    }


WISHES = {  # one request, several requests
    "two stars": ("for two stars", "for two stars"),
    "guide star": ("with a guide star", "with a guide star"),
    "spectral setup": ("in a spectral setup", "in a spectral setup"),
    "phase tracking": ("that wants phase tracking", "that want phase tracking"),
    "no tracking": ("that wants no fringe tracking", "that want no fringe tracking"),
    "phases": ("at phases of its own", "at phases of their own"),
    "gaps": ("with a gap between visits", "with gaps between visits"),
    "order": ("after another", "after others"),
    "company": ("only with another", "only with others"),
    "all or nothing": ("that wants all visits or none", "that want all visits or none"),
    "values": ("with values of its own for cells", "with values of their own for cells"),
}


def counts_told(counts: Mapping[str, int], always: bool = False) -> str:
    """Return counts in a line; those of zero are left out unless ``always``.

    Examples
    --------
    >>> counts_told({"path segments": 3, "fringe trackers": 1, "routing modes": 0, "dual feed": 1})
    '3 path segments, 1 fringe tracker, dual feed'
    """
    told = [
        f"{number} {what.removesuffix('s') if number == 1 else what}" if what.endswith("s") else what
        for what, number in counts.items()
        if number or always
    ]
    return ", ".join(told)


def wishes_told(counts: Mapping[str, int]) -> str:
    """Return in a line what requests want (``wishes``, ``terms``); "" for nothing.

    Examples
    --------
    >>> wishes_told({"two stars": 2, "guide star": 1, "spectral setup": 0, "phase tracking": 1})
    '2 requests for two stars, 1 with a guide star, 1 that wants phase tracking'
    """
    told: list[str] = []
    for what, number in counts.items():
        if number:
            words = WISHES[what][number > 1]
            told.append(f"{number} {words}" if told else f"{counted(number, 'request')} {words}")
    return ", ".join(told)


def programs_told(scenario: Scenario) -> str:
    """Return in a line which programs there are; "" for none.

    The share of the score is told where fairness makes it count.
    """
    told = []
    for own in scenario.programs:
        hours = "" if own.hours_max is None else f", at most {own.hours_max:g} h"
        share = f", share {own.share}" if scenario.plan.fairness > 0 else ""
        told.append(f"{own.name} ({counted(len(own.targets), 'target')}{hours}{share})")
    return ", ".join(told)


def reserved_told(scenario: Scenario) -> str:
    """Return in a line what time is reserved; "" for none."""
    return "; ".join(_one_told(own) for own in scenario.reserved)


def _one_told(own: Reserved) -> str:
    if own.start_utc is None or own.end_utc is None:
        length = duration((own.duration_s or 0.0) / 60.0)
        windows = " or ".join(_span(one.start_utc, one.end_utc) for one in own.windows)
        return f"{own.name}, {length} at a time to be chosen" + (f" within {windows}" if windows else "")
    whom = f" ({joined(own.telescopes)})" if own.telescopes else ""
    return f"{own.name} {_span(own.start_utc, own.end_utc)}{whom}"


def _span(start: datetime.datetime, end: datetime.datetime) -> str:
    until = f"{end:%H:%M}" if end - start < datetime.timedelta(days=1) else f"{end:%Y-%m-%d %H:%M}"
    return f"{start:%Y-%m-%d %H:%M} to {until} UTC"


def check_told(scenario: Scenario) -> dict[str, Any]:
    """Return the answer as plain data, for machines."""
    return {
        "scenario": scenario.name,
        "title": scenario.title,
        "contains": contents(scenario),
        "light_path": light_path(scenario),
        "wishes": wishes(scenario),
        "terms": terms(scenario),
        "programs": [own.model_dump(mode="json") for own in scenario.programs],
        "reserved": [own.model_dump(mode="json") for own in scenario.reserved],
    }
