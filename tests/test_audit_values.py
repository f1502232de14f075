"""The audit of what cells are worth and of how far things move, by plans that tell it wrongly."""

from __future__ import annotations

import itertools

import pytest
from audited import failed
from handmade import changed
from test_audit import EARLIER, plus, words
from test_audit_rules import FIRST, three, totals, two, weights, with_changes

from planner.scheduling.plan import Travel


def values(cells, again, value):
    return {"new_cells": cells, "cells_again": again, "value": value}


A, B = ((8, 2), (9, 2)), ((8, 1),)
PLAIN = values(A, (), 6), values(B, (), 3)


# Extras of the request, then both visits. Priority 3; spatial frequencies 34.0 and 38.0, then 33.3 million.
WORTH = {
    "one value": ({}, *PLAIN),
    "a first filling is worth five": (
        {"cell_values": (5,)},
        values(A, (), 30),
        values(B, (), 15),
    ),
    # Five and two: 2 x 15; then 15 for the new one and 2 x 6 for those filled again.
    "a second filling is worth two": (
        {"cell_values": (5, 2)},
        values(A, (), 30),
        values(B, A, 27),
    ),
    "three fillings are wanted": (
        {"cell_values": (5, 2), "cells_goal": 3},
        values(A, (), 30),
        values(B, A, 15),
    ),
    "one filling is wanted": ({"cells_goal": 1}, values(A, (), 3), values(B, (), 0)),
    "three cells at least": ({"cells_floor": 3}, values(A, (), 0), values(B, (), 9)),
    "four cells at least": ({"cells_floor": 4}, values(A, (), 0), values(B, (), 0)),
    "both visits or none": ({"all_or_nothing": True}, values(A, (), 0), values(B, (), 9)),
    "high frequencies weigh four": (
        {"frequency_weights": weights((36.0, 40.0, 4))},
        values(A, (), 15),
        values(B, (), 3),
    ),
    "the first weight that holds counts": (
        {"frequency_weights": weights((36.0, 40.0, 4), (30.0, 50.0, 2))},
        values(A, (), 18),
        values(B, (), 6),
    ),
    "low frequencies do not count": (
        {"frequency_weights": weights((0.0, 36.0, 0))},
        values(A, (), 3),
        values(B, (), 0),
    ),
    "low frequencies do not count, and two cells at least are wanted": (
        {"frequency_weights": weights((0.0, 36.0, 0)), "cells_floor": 2},
        values(A, (), 0),
        values(B, (), 0),
    ),
    "low frequencies do not count, but (9, 2) counts twice": (
        {"frequency_weights": weights((0.0, 36.0, 0)), "cell_values": (5, 2)},
        values(A, (), 15),
        values(B, ((9, 2),), 6),
    ),
}
# The same with what the first visit records recorded on an earlier night: both of its cells are filled once.
AFTER_EARLIER = {
    "one value": ({}, values((), (), 0), values(B, (), 3)),
    "a second filling is worth two": (
        {"cell_values": (5, 2)},
        values((), A, 12),
        values(B, (), 15),
    ),
    # Two fillings are left: 6 and 6; then 15 and one of them.
    "four fillings are wanted": (
        {"cell_values": (5, 2), "cells_goal": 4},
        values((), A, 12),
        values(B, (), 9),
    ),
    "three cells at least": (
        {"cell_values": (5, 2), "cells_floor": 3},
        values((), A, 0),
        values(B, (), 27),
    ),
    "two cells at least": ({"cells_floor": 2}, values((), (), 0), values(B, (), 3)),
}


def valued(extras, first, second, before=0):
    changes = [(f"{FIRST}.{key}", value) for key, value in extras.items()]
    for number, own in enumerate((first, second)):
        changes += [(f"visits.{number}.{key}", value) for key, value in own.items()]
    found = with_changes(two(), *changes)
    if before:
        found = with_changes(
            found, ("scenario.history", (EARLIER,)), ("requests.0.cells_filled_before", before)
        )
    return totals(found)


@pytest.mark.parametrize("name", WORTH)
def test_what_cells_are_worth_by_hand(name):
    extras, first, second = WORTH[name]
    assert failed(valued(extras, first, second)) == set()


@pytest.mark.parametrize("name", AFTER_EARLIER)
def test_what_cells_are_worth_after_an_earlier_night_by_hand(name):
    extras, first, second = AFTER_EARLIER[name]
    assert failed(valued(extras, first, second, before=2)) == set()


@pytest.mark.parametrize("name", [*WORTH, *(f"earlier: {name}" for name in AFTER_EARLIER)])
@pytest.mark.parametrize("visit", [0, 1])
def test_a_visit_told_to_be_worth_one_more_is_found(name, visit):
    own = name.removeprefix("earlier: ")
    told = (WORTH[name], 0) if name in WORTH else (AFTER_EARLIER[own], 2)
    found = valued(*told[0], before=told[1])
    found = totals(changed(found, f"visits.{visit}.value", plus(1)))
    assert failed(found) == {"coverage"}


CLAIMS = {
    "a cell filled again is left out": values(B, ((8, 2),), 27),
    "no cell is told to be filled again": values(B, (), 15),
    "a cell filled before is called new": values((*B, (8, 2)), ((9, 2),), 27),
    "a cell that nobody filled is called filled again": values((), (*A, (8, 1)), 27),
    "a cell is claimed in both ways": values(B, (*A, (8, 1)), 27),
    "a cell is filled again that is not crossed": values(B, (*A, (7, 2)), 27),
}


@pytest.mark.parametrize("name", CLAIMS)
def test_cells_filled_again_are_told_exactly(name):
    extras = {"cell_values": (5, 2)}
    assert "coverage" in failed(valued(extras, values(A, (), 30), CLAIMS[name]))


def test_a_third_filling_that_adds_nothing_is_not_told():
    once = {"cell_values": (5,)}
    assert failed(valued(once, values(A, (), 30), values(B, (), 15))) == set()
    assert failed(valued(once, values(A, (), 30), values(B, A, 15))) == {"coverage"}
    assert "add nothing more" in words(valued(once, values(A, (), 30), values(B, A, 15)), "coverage")


def moved():
    """How far things move between the steps of the three visits, told by a loop over the steps."""
    found, run_m, turned_deg = three(), 0.0, 0.0
    lines, mounts = {}, {}
    for visit in found.visits:
        for step in visit.steps:
            for own in step.beams:
                if own.delay_line in lines:
                    run_m += abs(own.delay_start_m - lines[own.delay_line]) / 2.0
                if own.telescope in mounts:
                    azimuth, altitude = mounts[own.telescope]
                    turned_deg += abs(own.azimuth_start_deg - azimuth)
                    turned_deg += abs(own.altitude_start_deg - altitude)
                lines[own.delay_line] = own.delay_end_m
                mounts[own.telescope] = own.azimuth_end_deg, own.altitude_end_deg
    return run_m, turned_deg


@pytest.mark.parametrize(
    ("key", "by", "expected"),
    [
        ("carriages_m", 0.0, set()),
        ("carriages_m", 5e-5, set()),
        ("carriages_m", 2e-4, {"travel"}),
        ("mounts_deg", -2e-4, {"travel"}),
        ("carriages_before_m", -1e9, {"travel"}),
        ("mounts_before_deg", -1e9, {"travel"}),
    ],
)
def test_carriages_and_mounts_move_as_far_as_is_told(key, by, expected):
    # Two metres of light for a metre of rail.
    assert {line.path_per_travel for line in three().scenario.array.delay_lines} == {2.0}
    run_m, turned_deg = moved()
    assert run_m > 1.0
    assert turned_deg > 100.0
    told = {
        "carriages_m": run_m,
        "mounts_deg": turned_deg,
        "carriages_before_m": 2.0 * run_m,
        "mounts_before_deg": turned_deg,
    }
    told[key] += by
    assert failed(changed(three(), "travel", Travel(**told))) == expected


def test_a_shared_exposure_moves_nothing():
    found = two()
    steps = [*found.visits[0].steps, *found.visits[1].steps[1:]]
    pairs = list(itertools.pairwise(steps))
    told = Travel(
        carriages_m=sum(
            abs(b.beams[k].delay_start_m - a.beams[k].delay_end_m) / 2.0 for a, b in pairs for k in range(2)
        ),
        mounts_deg=sum(
            abs(getattr(b.beams[k], f"{axis}_start_deg") - getattr(a.beams[k], f"{axis}_end_deg"))
            for a, b in pairs
            for k in range(2)
            for axis in ("azimuth", "altitude")
        ),
        carriages_before_m=0.0,
        mounts_before_deg=0.0,
    )
    assert failed(changed(found, "travel", told)) == set()
