"""In which bands must the stars have a magnitude, and have they?

A combiner (in its spectral setup), its fringe tracker, its beam-position sensor
and the guiding of its telescopes each work in a band of their own. A fringe
tracker follows the second star of a dual feed, a beam-position sensor either of
the two stars, and a guide star beside the target is guided on: there the
target's own magnitude is not asked for.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import NamedTuple

from planner.errors import Problem
from planner.scenario.checks import Draft
from planner.scenario.in_force import Wish, accepted, named, wishes
from planner.scenario.messages import shown
from planner.scenario.parts import Item
from planner.scenario.tables import StarTable


class Need(NamedTuple):
    """A band, what works in it, and whether that is the target (a calibrator is always asked)."""

    band: str
    why: str
    of_target: bool


def magnitude_problems(draft: Draft) -> list[Problem]:
    """Return every band in which something works and the stars have no magnitude."""
    problems: list[Problem] = []
    needed: dict[str, dict[str, str]] = {"targets": {}, "calibrators": {}}
    for wish in wishes(draft):
        told = set()
        for need in _needs(draft, wish):
            needed["calibrators"].setdefault(need.band, need.why)
            if not need.of_target:
                continue
            needed["targets"].setdefault(need.band, need.why)
            column = f"mag_{need.band}"
            has_column = column in draft.tables["targets"].columns
            if has_column and column not in told and not _has(wish.row, column):
                told.add(column)
                place, remedy = wish.row.place, f"Give the star's magnitude in {need.band}."
                problems.append(
                    Problem(place.file, f"{place.key}, {column}", f"is empty, {need.why}", remedy)
                )
    for role, table in draft.tables.items():
        for band, why in needed[role].items() if table.rows else ():
            problems += _no_magnitude(table, draft.rows[role], band, why)
    return problems


def _needs(draft: Draft, wish: Wish) -> Iterator[Need]:
    """Everything that needs a magnitude of the stars of a request."""
    band = wish.sure("band")
    if band is not None:
        # A setup that leaves the band alone works in the combiner's.
        own = wish.setup is not None and "band" in wish.setup.raw
        yield Need(band, f"but {wish.title if own else wish.combiner_title} works in {band}", True)
    for further in wish.sure("further_limits") or ():
        own = wish.setup is not None and "further_limits" in wish.setup.raw
        title = wish.title if own else wish.combiner_title
        yield Need(further, f"but {title} also records in {further}", True)
    tracker = named(draft, "fringe_tracker", wish.combiner.sure("fringe_tracker"))
    dual = wish.mentions("second_star")
    if tracker is not None and (dual or wish.asks("tracking") in ("group delay", "phase")):
        yield from _works_in(tracker, "fringe tracker", "band", not dual)
    sensor = named(draft, "beam_sensor", wish.combiner.sure("beam_sensor"))
    if sensor is not None:
        yield from _works_in(sensor, "beam-position sensor", "band", not _second_has(wish, sensor))
    for telescope_class in accepted(draft, wish.sure("limiting_magnitude")):
        guided = not wish.mentions("guide_star")
        yield from _works_in(telescope_class, "telescope class", "guide_band", guided)


def _works_in(item: Item, kind: str, key: str, of_target: bool) -> Iterator[Need]:
    band = item.sure(key)
    if band is not None:
        does = "guides" if key == "guide_band" else "works"
        yield Need(band, f"but {kind} {shown(item.text('name'))} {does} in {band}", of_target)


def _second_has(wish: Wish, sensor: Item) -> bool:
    """Whether the second star has a magnitude in the sensor's band, or that is uncertain."""
    star = wish.asks("second_star")
    if star is None:
        return wish.mentions("second_star")
    return sensor.sure("band") in star["mag"]


def _no_magnitude(table: StarTable, rows: Iterable[Item], band: str, why: str) -> list[Problem]:
    """A band that the table lacks, or that no calibrator has a magnitude in."""
    column = f"mag_{band}"
    if not table.rows:
        return []
    if column not in table.columns:
        remedy = f"Add this column: magnitude in {band}."
        return [Problem(table.file, column, f"is missing, {why}", remedy)]
    if table.kind.role == "targets" or any(_has(item, column) for item in rows):
        return []
    remedy = f"Give the magnitude in {band} of at least one calibrator."
    return [Problem(table.file, column, f"is empty in every row, {why}", remedy)]


def _has(item: Item, column: str) -> bool:
    """Whether a cell is filled, or was refused for another reason."""
    return column in item.raw or column in item.broken
