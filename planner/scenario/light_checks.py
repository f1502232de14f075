"""Does the way of the light hold together: routing, spectral setups, tracking, guiding, two stars at once.

A check keeps silent where another problem already makes its answer uncertain.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Mapping
from typing import Any

from planner.errors import Problem
from planner.scenario.checks import Draft
from planner.scenario.in_force import Wish, accepted, named, setups_of, wishes
from planner.scenario.messages import Loc, among, shown
from planner.scenario.parts import Item

ARCSEC_PER_RAD = math.degrees(1.0) * 3600.0


def light_problems(draft: Draft) -> list[Problem]:
    """Return every disagreement about what stands between the pads and the detector."""
    problems = [
        *_setups_twice(draft),
        *_unknown_setups(draft),
        *_inputs_too_high(draft),
        *_inputs_without_lines(draft),
        *_sensor_beams(draft),
        *_air(draft),
    ]
    certain = wishes(draft)
    problems += _modes_for_one_star(draft, certain)
    for wish in certain:
        if wish.extras is None:
            continue
        problems += _tracking(draft, wish, wish.extras)
        problems += _guide_star(draft, wish, wish.extras)
        if "second_star" not in wish.extras.broken and wish.asks("second_star") is not None:
            problems += _second_star(draft, wish, wish.extras)
    return problems


def _setups_twice(draft: Draft) -> Iterator[Problem]:
    """The spectral setups of one combiner have names of their own."""
    remedy = "Give each spectral setup of a combiner its own name."
    first = {
        (item.text("name"), item.text("setup_name")): f"setup_name of {item.place.key}"
        for item in draft.items("combiner")
    }
    for item in draft.items("spectral_setup"):
        pair = (item.text("combiner"), item.text("name"))
        if None in pair:
            continue
        if pair in first:
            yield item.place.problem(("name",), f"{shown(pair[1])} is also the {first[pair]}", remedy)
        first.setdefault(pair, f"name of {item.place.key}")


def _unknown_setups(draft: Draft) -> Iterator[Problem]:
    """A request names a spectral setup of its own combiner."""
    setups = draft.sections.get("spectral_setup")
    if setups is None or any(None in (item.text("combiner"), item.text("name")) for item in setups):
        return
    known = draft.names("combiner") or []
    if any(item.text("combiner") not in known for item in setups):
        return
    combiner_of = {row.text("name"): row.text("combiner") for row in draft.rows.get("targets", ())}
    for item in draft.items("request"):
        name = item.text("spectral_setup")
        combiner = named(draft, "combiner", combiner_of.get(item.text("target")))
        if name is None or combiner is None or "setup_name" in combiner.broken:
            continue
        own = [*setups_of(draft, combiner), *filter(None, [combiner.text("setup_name")])]
        if name not in own:
            found = f"{shown(name)} is not a spectral setup of combiner {shown(combiner.text('name'))}"
            remedy = among(name, own) if own else "Add it as a [[spectral_setup]], or leave it out here."
            yield item.place.problem(("spectral_setup",), found, remedy)


def _inputs_too_high(draft: Draft) -> Iterator[Problem]:
    """No line is led to an input that no combiner has."""
    beams = [item.sure("beams") for item in draft.items("combiner")]
    if not beams or None in beams:
        return
    for mode in draft.items("routing_mode"):
        for line, inputs in (mode.sure("inputs") or {}).items():
            for place, number in enumerate(inputs):
                if number > max(beams):
                    found = f"is {number}, but the largest combiner has {max(beams)} beams"
                    remedy = f"Leave it out, or give an input from 1 to {max(beams)}."
                    yield mode.place.problem(("inputs", line, place), found, remedy)


def _inputs_without_lines(draft: Draft) -> Iterator[Problem]:
    """Each combiner can have a line at each of its inputs, in one of its routing modes at least."""
    for item in draft.items("combiner"):
        beams, modes = item.sure("beams"), _modes_of(draft, item)
        lines = draft.names("delay_line")
        if beams is None or not modes or not lines or any(not _sound_inputs(m, lines) for m in modes):
            continue
        short = [(mode, _short_of_lines(mode.sure("inputs"), beams)) for mode in modes]
        if all(said for _, said in short):
            told = "; ".join(f"in routing mode {shown(mode.text('name'))}, {said}" for mode, said in short)
            remedy = "Lead more lines to these inputs in one of the modes, or take fewer beams."
            found = f"{shown(item.text('name'))} can never have a delay line at each input: {told}"
            yield item.place.problem(("routing_modes",) if "routing_modes" in item.raw else (), found, remedy)


def _modes_for_one_star(draft: Draft, certain: list[Wish]) -> Iterator[Problem]:
    """A request for one star finds a routing mode that is not the dual feed's; told once for a combiner."""
    told = set()
    for wish in certain:
        modes, name = _modes_of(draft, wish.combiner), wish.combiner.text("name")
        if wish.mentions("second_star") or name in told or not modes:
            continue
        if all(mode.sure("dual_feed") is True for mode in modes):
            told.add(name)
            found = f"{shown(name)} has routing modes for two stars only"
            remedy = "Give it a routing mode without dual_feed, or the request a second_star."
            yield wish.row.place.problem(("combiner",), found, remedy)


def _modes_of(draft: Draft, combiner: Item) -> list[Item] | None:
    """The routing modes of a combiner, none when the array has none; None when that is uncertain."""
    known, wanted = draft.names("routing_mode"), combiner.sure("routing_modes")
    if known is None or wanted is None or len(set(known)) < len(known) or not set(wanted) <= set(known):
        return None
    return [mode for mode in draft.items("routing_mode") if not wanted or mode.text("name") in wanted]


def _sound_inputs(mode: Item, lines: list[str]) -> bool:
    inputs = mode.sure("inputs")
    return inputs is not None and set(inputs) <= set(lines)


def _short_of_lines(inputs: Mapping[str, Any], beams: int) -> str:
    """The fewest inputs that have too few lines between them, in words; empty when all can be filled.

    Lines can be chosen for all inputs exactly when any k inputs are reached by
    k lines or more (P. Hall 1935, J. London Math. Soc. 10, 26; from memory).
    """
    for count in range(1, beams + 1) if inputs else ():
        for some in itertools.combinations(range(1, beams + 1), count):
            lines = sum(1 for reached in inputs.values() if set(some) & set(reached))
            if lines < count:
                which = f"input{'s' if count > 1 else ''} {', '.join(map(str, some))}"
                reach = f"{lines or 'no'} delay line{'' if lines == 1 else 's'}"
                return f"{which} can be reached by {reach}"
    return ""


def _sensor_beams(draft: Draft) -> Iterator[Problem]:
    """A beam-position sensor serves all beams of its combiners."""
    for item in draft.items("combiner"):
        sensor = named(draft, "beam_sensor", item.sure("beam_sensor"))
        beams, serves = item.sure("beams"), None if sensor is None else sensor.sure("beams")
        if beams is not None and serves is not None and serves < beams:
            served = f"serves {serves} beam{'' if serves == 1 else 's'}"
            found = f"{shown(item.text('beam_sensor'))} {served}, but the combiner has {beams}"
            remedy = "Name a sensor for more beams, or correct its beams."
            yield item.place.problem(("beam_sensor",), found, remedy)


def _air(draft: Draft) -> Iterator[Problem]:
    """The loss by air is told from the resolution, for lines that are alike."""
    lines = [(shown(line.text("name")), line.sure("medium")) for line in draft.items("delay_line")]
    other = next((line for line in lines if line[1] != lines[0][1]), None)
    for item in draft.items("combiner"):
        if not item.sure("air_contrast_min"):
            continue
        if item.sure("resolution") is None and "resolution" not in item.broken:
            remedy = "Add it: wavelength over channel width, or leave air_contrast_min out."
            found = "is missing, but air_contrast_min asks for the loss by air"
            yield item.place.problem(("resolution",), found, remedy)
        if other is not None and None not in (other[1], lines[0][1]):
            media = f"{lines[0][0]} is in {lines[0][1]} and {other[0]} in {other[1]}"
            remedy = "Give all delay lines one medium, or leave air_contrast_min out."
            found = f"needs delay lines of one medium, but {media}"
            yield item.place.problem(("air_contrast_min",), found, remedy)


def _tracking(draft: Draft, wish: Wish, extras: Item) -> Iterator[Problem]:
    """Phase tracking needs a tracker that can do it."""
    if extras.sure("tracking") != "phase":
        return
    missing, tracker = _without_tracker(draft, wish)
    if missing:
        found = f"is 'phase', but {wish.combiner_title} has no fringe tracker"
        yield extras.place.problem(("tracking",), found, "Take another combiner, or ask for less.")
    elif tracker is not None and tracker.sure("phase_limit") == {}:
        found = f"is 'phase', but fringe tracker {shown(tracker.text('name'))} has no phase_limit"
        yield extras.place.problem(("tracking",), found, "Give the tracker its phase_limit, or ask for less.")


def _without_tracker(draft: Draft, wish: Wish) -> tuple[bool, Item | None]:
    """Whether the combiner certainly works without a tracker, and its tracker if that is certain."""
    if "fringe_tracker" in wish.combiner.broken:
        return False, None
    name = wish.combiner.sure("fringe_tracker")
    return name is None, named(draft, "fringe_tracker", name)


def _guide_star(draft: Draft, wish: Wish, extras: Item) -> Iterator[Problem]:
    """A guide star has a magnitude in each band in which telescopes may guide on it."""
    star = extras.sure("guide_star")
    limits = wish.sure("limiting_magnitude")
    if star is None or limits is None:
        return
    classes = accepted(draft, limits)
    if len(classes) < len(limits) or any("guide_band" in item.broken for item in classes):
        return
    guided = {item.sure("guide_band"): item for item in reversed(classes)}
    guided.pop(None, None)
    if not guided:
        found = f"is given, but no telescope class that {wish.combiner_title} accepts has a guide_band"
        remedy = "Give a class its guide_band and guide_limiting_magnitude, or leave guide_star out."
        yield extras.place.problem(("guide_star",), found, remedy)
    for band, item in guided.items():
        if band not in star["mag"]:
            why = f"telescope class {shown(item.text('name'))} guides"
            yield _no_magnitude(extras, ("guide_star", "mag"), band, why)


def _no_magnitude(extras: Item, loc: Loc, band: str, why: str) -> Problem:
    found = f"has no magnitude in {band}, in which {why}"
    return extras.place.problem(loc, found, f"Add it: the star's magnitude in {band}.")


def _second_star(draft: Draft, wish: Wish, extras: Item) -> Iterator[Problem]:
    """A second star needs a dual feed that reaches it, a tracker that follows it and room for its beams."""
    loc, star, place = ("second_star",), extras.sure("second_star"), extras.place
    if draft.sections.get("dual_feed") == ():
        found = f"is given, but {draft.files['array']} has no [dual_feed]"
        yield place.problem(loc, found, "Add [dual_feed], or leave second_star out.")
    for feed in draft.items("dual_feed"):
        reach = feed.sure("separation_arcsec")
        if reach is not None and not {"ra", "dec"} & wish.row.broken:
            apart = round(_separation_arcsec(wish.row.raw, star), 3)
            if not reach[0] <= apart <= reach[1]:
                found = f"is {apart:.3f} arcsec from {shown(wish.row.text('name'))}"
                reached = f"but separation_arcsec is {reach[0]:g} to {reach[1]:g}"
                remedy = "Correct the places of the two stars, or choose another second star."
                yield place.problem(loc, f"{found}, {reached}", remedy)
    missing, tracker = _without_tracker(draft, wish)
    if missing:
        found = f"is given, but {wish.combiner_title} has no fringe tracker to follow it"
        yield place.problem(loc, found, "Take a combiner with a fringe tracker, or leave second_star out.")
    elif tracker is not None and tracker.sure("band") not in (None, *star["mag"]):
        why = f"fringe tracker {shown(tracker.text('name'))} works"
        yield _no_magnitude(extras, (*loc, "mag"), tracker.sure("band"), why)
    modes = _modes_of(draft, wish.combiner)
    if modes and all(mode.sure("dual_feed") is False for mode in modes):
        found = f"is given, but no routing mode of {wish.combiner_title} has dual_feed = true"
        remedy = "Write dual_feed = true in the mode that leads two stars, or leave second_star out."
        yield place.problem(loc, found, remedy)
    yield from _beams_of_two(draft, wish, extras)


def _beams_of_two(draft: Draft, wish: Wish, extras: Item) -> Iterator[Problem]:
    """With two stars the sensor holds two beams of each telescope."""
    sensor = named(draft, "beam_sensor", wish.combiner.sure("beam_sensor"))
    beams, serves = wish.sure("beams"), None if sensor is None else sensor.sure("beams")
    if sensor is not None and None not in (beams, serves) and beams <= serves < 2 * beams:
        name = shown(sensor.text("name"))
        found = f"makes {2 * beams} beams, but beam-position sensor {name} serves {serves}"
        remedy = "Take a combiner of fewer beams, or correct the sensor's beams."
        yield extras.place.problem(("second_star",), found, remedy)


def _separation_arcsec(row: Mapping[str, Any], star: Mapping[str, Any]) -> float:
    """Angle between two places: twice the arc sine of half the chord, exact for the smallest angles."""
    first, second = _direction(row["ra"], row["dec"]), _direction(star["ra_deg"], star["dec_deg"])
    return 2.0 * math.asin(min(1.0, math.dist(first, second) / 2.0)) * ARCSEC_PER_RAD


def _direction(ra_deg: float, dec_deg: float) -> tuple[float, float, float]:
    ra, dec = math.radians(ra_deg), math.radians(dec_deg)
    return math.cos(dec) * math.cos(ra), math.cos(dec) * math.sin(ra), math.sin(dec)
