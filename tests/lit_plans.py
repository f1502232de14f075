"""Two small plans of the solver on arrays with a whole light path, and how to change them in one respect."""

from __future__ import annotations

import functools
import re
from datetime import datetime, timedelta
from pathlib import Path

from earlier import earlier_rows, with_history
from handmade import changed
from test_every_plan_rules import close_night

from planner.commands import plan_night
from planner.scenario.programs import PhaseWindow
from planner.scenario.reading import read_scenario

SCENARIOS = Path(__file__).parents[1] / "scenarios"
KEEP = {
    "twostars": ("del Oph", "kap Oph", "xi1 Lup", "bet Aqr veiled", "alf PsA"),
    "steps": ("alf Aql", "alf Cep", "eps Cyg", "del Cas"),
}


@functools.cache
def solved(name):
    """A plan for some requests of a demonstration scenario, each once."""
    return plan_night(small(name)).plan


def small(name):
    """Some requests of a demonstration scenario, each once, with little effort."""
    own = read_scenario(SCENARIOS / name)
    wanted = tuple(r.model_copy(update={"visits": 1}) for r in own.requests if r.name in KEEP[name])
    small = {"deterministic": 0.2, "subarrays_per_request": 1, "calibrators_per_request": 1}
    changes = {
        "requests": wanted,
        "effort": own.effort.model_copy(update=small),
        "night": own.night.model_copy(update={"tick_s": 60}),
    }
    return own.model_copy(update=changes)


@functools.cache
def terms(seed=5, effort=0.3):
    """A plan with programs, fairness, shared exposures, floors and goals, a phase, and earlier nights."""
    own = close_night(seed)
    first, *others = own.requests
    phase = PhaseWindow(epoch_bjd=2_461_000.0, period_d=0.7, phases=((0.2, 0.9),))
    phased = first.model_copy(update={"extras": first.extras.model_copy(update={"phase": phase})})
    asked = own.model_copy(
        update={
            "requests": (phased, *others),
            "effort": own.effort.model_copy(update={"deterministic": effort}),
        }
    )
    return plan_night(with_history(asked, *earlier_rows(asked, seed, count=1))).plan


def feeds():
    return solved("twostars")


def steps():
    return solved("steps")


def resolved(found, path):
    """The path with each <name> replaced by the position of the part of that name (a visit's target)."""
    keys = []
    part = found
    for key in re.findall(r"<[^>]+>|[^.]+", path):
        own = key
        if key.startswith("<"):
            names = [getattr(one, "target", None) or getattr(one, "name", None) for one in part]
            own = str(names.index(key.strip("<>")))
        keys.append(own)
        if isinstance(part, dict):
            part = part.get(own)
        else:
            part = part[int(own)] if own.isdigit() else getattr(part, own, None)
    return ".".join(keys)


def with_changes(found, *changes):
    for path, change in changes:
        found = changed(found, resolved(found, path), change)
    return found


def plus(amount):
    return lambda value: value + amount


def later(seconds):
    """A change of a time as the plan writes it."""
    return lambda told: (datetime.fromisoformat(told) + timedelta(seconds=seconds)).isoformat()[:-6] + "Z"


def without(name):
    return lambda parts: tuple(part for part in parts if part.name != name)


def every_step(path, change):
    """The same change in each step; ``path`` has {k} for the step."""
    return [(path.format(k=k), change) for k in range(3)]
