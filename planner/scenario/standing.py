"""Does the array hold together: what stands where, which line serves it, how many beams there are.

A check keeps silent where another problem already makes its answer uncertain.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator, Mapping

from planner.errors import Problem
from planner.scenario.checks import Draft
from planner.scenario.messages import Loc, shown
from planner.scenario.parts import Item

STATIONS_APART_M = 0.1  # nearer than this, two stations are one pad written twice

Standing = tuple[Item, Loc, str, str]  # item and key that say it, telescope, station


def standing_problems(draft: Draft) -> list[Problem]:
    """Return every way in which the array contradicts itself."""
    return [
        *_fixed_or_movable(draft),
        *_same_coordinates(draft),
        *_placements(draft),
        *_enclosures(draft),
        *_unserved_stations(draft),
        *_beams(draft),
        *_observed_telescopes(draft),
    ]


def _fixed_or_movable(draft: Draft) -> Iterator[Problem]:
    """A telescope is fixed on a station or movable."""
    for item in draft.items("telescope"):
        if {"station", "movable"} & item.broken or ("station" in item.raw and item.text("station") is None):
            continue
        station, movable = item.text("station"), item.sure("movable")
        if station is None and not movable:
            remedy = "Give a fixed telescope its station, or write movable = true."
            yield item.place.problem((), "has neither a station nor movable = true", remedy)
        if station is not None and movable:
            yield item.place.problem((), "has both a station and movable = true", "Keep one of the two.")


def _same_coordinates(draft: Draft) -> Iterator[Problem]:
    """No two stations are one pad."""
    pads = []
    for number, item in enumerate(draft.items("station")):
        place = [item.sure(key) for key in ("east_m", "north_m", "up_m")]
        if None not in place and not {"east_m", "north_m", "up_m"} - set(item.raw):
            pads.append((place, number, item))
    pads.sort(key=lambda pad: (pad[0][0], pad[1]))
    close = []
    for index, (place, number, item) in enumerate(pads):
        for other_place, other_number, other in pads[index + 1 :]:
            if other_place[0] - place[0] >= STATIONS_APART_M:
                break
            distance = math.dist(place, other_place)
            if distance < STATIONS_APART_M:
                pair = (item, other) if number < other_number else (other, item)
                close.append((max(number, other_number), min(number, other_number), distance, pair))
    for _, _, distance, (first, second) in sorted(close, key=lambda entry: entry[:2]):
        found = f"stands {distance:.2f} m from {first.place.key}"
        remedy = "Correct east_m, north_m and up_m, or keep one of the two."
        yield second.place.problem((), found, remedy)


def _placements(draft: Draft) -> Iterator[Problem]:
    """One telescope to a station, of a class that may stand there; fixed ones are not placed."""
    fixed = list(_fixed(draft))
    yield from _shared(fixed, {})
    stays = {telescope for _, _, telescope, _ in fixed}
    at = {station: telescope for _, _, telescope, station in reversed(fixed)}
    for item in draft.items("configuration"):
        placed = [
            (item, loc, str(loc[1]), station)
            for loc, station in item.texts("placement")
            if isinstance(loc[1], str)
        ]
        for _, loc, telescope, _ in placed:
            if telescope in stays:
                remedy = "Leave it out: only movable telescopes are placed."
                yield item.place.problem(loc, f"{shown(telescope)} is a fixed telescope", remedy)
        moved = [standing for standing in placed if standing[2] not in stays]
        yield from _shared(moved, at)
    for standing in all_standing(draft):
        yield from _wrong_class(draft, *standing)


def _fixed(draft: Draft) -> Iterator[Standing]:
    for item in draft.items("telescope"):
        name, station = item.text("name"), item.text("station")
        certain = "movable" not in item.broken and not item.sure("movable")
        if certain and name is not None and station is not None:
            yield item, ("station",), name, station


def all_standing(draft: Draft) -> Iterator[Standing]:
    """Every telescope on a station, by itself or by a configuration."""
    fixed = list(_fixed(draft))
    yield from fixed
    stays = {telescope for _, _, telescope, _ in fixed}
    for item in draft.items("configuration"):
        for loc, station in item.texts("placement"):
            if loc[1] not in stays:
                yield item, loc, str(loc[1]), station


def _shared(standing: list[Standing], taken: dict[str, str]) -> Iterator[Problem]:
    taken = dict(taken)
    for item, loc, telescope, station in standing:
        if station in taken:
            found = f"{shown(station)} already carries telescope {shown(taken[station])}"
            yield item.place.problem(loc, found, "Give each telescope its own station.")
        taken.setdefault(station, telescope)


def _wrong_class(draft: Draft, item: Item, loc: Loc, telescope: str, station: str) -> Iterator[Problem]:
    own = [t.text("telescope_class") for t in draft.items("telescope") if t.text("name") == telescope]
    pads = [s for s in draft.items("station") if s.text("name") == station]
    if len(own) != 1 or own[0] is None or len(pads) != 1 or "telescope_classes" in pads[0].broken:
        return
    allowed = [name for _, name in pads[0].texts("telescope_classes")]
    known = draft.names("telescope_class")
    if known is None or own[0] not in known or not set(allowed) <= set(known):
        return
    if allowed and own[0] not in allowed:
        found = f"{shown(station)} does not take telescope class {shown(own[0])}"
        remedy = f"Use another station, or add the class to the telescope_classes of {pads[0].place.key}."
        yield item.place.problem(loc, found, remedy)


def _enclosures(draft: Draft) -> Iterator[Problem]:
    """No enclosure stands in another one: shadows are computed for neighbours, not inside an enclosure."""
    radius = {
        item.text("name"): _known(item, "enclosure_radius_m") for item in draft.items("telescope_class")
    }
    radius_of = {t.text("name"): radius.get(t.text("telescope_class")) for t in draft.items("telescope")}
    pads = {
        item.text("name"): [_known(item, k) for k in ("east_m", "north_m")] for item in draft.items("station")
    }
    twice = [
        name for name, times in Counter(s.text("name") for s in draft.items("station")).items() if times > 1
    ]
    for name in twice:
        del pads[name]
    fixed = list(_fixed(draft))
    yield from _overlapping(fixed, [], radius_of, pads)
    stays = {telescope for _, _, telescope, _ in fixed}
    for item in draft.items("configuration"):
        moved = [
            (item, loc, str(loc[1]), station)
            for loc, station in item.texts("placement")
            if loc[1] not in stays
        ]
        yield from _overlapping(moved, fixed, radius_of, pads)


def _known(item: Item, key: str) -> float | None:
    value = item.sure(key) if key in item.raw else None
    return value if isinstance(value, (int, float)) else None


def _overlapping(
    standing: list[Standing],
    before: list[Standing],
    radius_of: Mapping[str | None, float | None],
    pads: Mapping[str | None, list[float | None]],
) -> Iterator[Problem]:
    others = list(before)
    for item, loc, telescope, station in standing:
        for _, _, other, elsewhere in others:
            radii = [radius_of.get(telescope), radius_of.get(other)]
            places = [*pads.get(station, [None]), *pads.get(elsewhere, [None])]
            if station == elsewhere or None in radii or None in places:
                continue
            east, north, other_east, other_north = (float(value or 0.0) for value in places)
            distance = math.hypot(east - other_east, north - other_north)
            needed = sum(float(value or 0.0) for value in radii)
            if STATIONS_APART_M <= distance < needed:
                found = f"{shown(station)} is {distance:.1f} m from the enclosure's centre of {shown(other)}"
                remedy = f"Their enclosures need {needed:.1f} m: correct the stations or the radii."
                yield item.place.problem(loc, found, remedy)
        others.append((item, loc, telescope, station))


def _unserved_stations(draft: Draft) -> Iterator[Problem]:
    """Where a telescope stands, a delay line serves."""
    known, lines = draft.names("station"), draft.items("delay_line")
    if known is None or not lines or any("stations" in line.broken for line in lines):
        return
    served: set[str] = set()
    for line in lines:
        named = [name for _, name in line.texts("stations")]
        if not named or not set(named) <= set(known):
            return
        served.update(named)
    carries = {station: telescope for _, _, telescope, station in all_standing(draft)}
    for item in draft.items("station"):
        name = item.text("name")
        if name in carries and name not in served:
            found = f"is served by no delay line, but telescope {shown(carries[name])} stands on it"
            remedy = f"Add {shown(name)} to the stations of a delay line."
            yield item.place.problem((), found, remedy)


def _beams(draft: Draft) -> Iterator[Problem]:
    """A combiner has no more beams than there are telescopes and delay lines for it."""
    lines = draft.sections.get("delay_line")
    for item in draft.items("combiner"):
        beams = None if "beams" not in item.raw else item.sure("beams")
        if beams is None:
            continue
        if lines and len(lines) < beams:
            found = f"is {beams}, but the array has {_count(len(lines), 'delay line')}"
            yield item.place.problem(("beams",), found, "Add delay lines, or take fewer beams.")
        telescopes = _telescopes_for(draft, item)
        if telescopes is not None and telescopes < beams:
            one = "" if item.sure("mixed_classes") else "of one class "
            found = f"is {beams}, but the array has {_count(telescopes, 'telescope')} {one}that it accepts"
            remedy = "Add telescopes or their class to limiting_magnitude, or take fewer beams."
            yield item.place.problem(("beams",), found, remedy)


def _count(number: int, what: str) -> str:
    return f"{number} {what}{'' if number == 1 else 's'}"


def _telescopes_for(draft: Draft, combiner: Item) -> int | None:
    """The most telescopes that the combiner could take at once; None when that is uncertain."""
    known, limits = draft.names("telescope_class"), combiner.raw.get("limiting_magnitude")
    classes = [item.text("telescope_class") for item in draft.items("telescope")]
    uncertain = {"limiting_magnitude", "mixed_classes"} & combiner.broken
    if uncertain or known is None or not isinstance(limits, dict) or not classes:
        return None
    if not set(limits) <= set(known) or any(name not in known for name in classes):
        return None
    count = Counter(name for name in classes if name in limits)
    return count.total() if combiner.sure("mixed_classes") else max(count.values(), default=0)


def _observed_telescopes(draft: Draft) -> Iterator[Problem]:
    """Earlier observations name a telescope for each station, or leave no doubt about its pupil's height."""
    for item in draft.rows.get("history", ()):
        if {"stations", "telescopes"} & item.broken:
            continue
        stations, telescopes = item.texts("stations"), item.texts("telescopes")
        if not telescopes:
            yield from _several_heights(draft, item, [name for _, name in stations])
        elif len(telescopes) != len(stations):
            found = f"names {_count(len(telescopes), 'telescope')} for {_count(len(stations), 'station')}"
            remedy = "Name the telescope on each station, in their order, with commas between."
            yield item.place.problem(("telescopes",), found, remedy)
        else:
            for (loc, telescope), (_, station) in zip(telescopes, stations, strict=True):
                yield from _wrong_class(draft, item, loc, telescope, station)


def _several_heights(draft: Draft, item: Item, stations: list[str]) -> Iterator[Problem]:
    """Baselines end at the pupils: their heights must be known of every observation."""
    heights = {own.text("name"): _known(own, "pupil_height_m") for own in draft.items("telescope_class")}
    fixed = {
        t.text("station"): t.text("telescope_class") for t in draft.items("telescope") if t.text("station")
    }
    movable = [t.text("telescope_class") for t in draft.items("telescope") if not t.text("station")]
    for name in stations:
        pads = [pad for pad in draft.items("station") if pad.text("name") == name]
        if len(pads) != 1 or "telescope_classes" in pads[0].broken:
            continue
        allowed: set[str | None] = {own for _, own in pads[0].texts("telescope_classes")} or set(heights)
        classes = {fixed[name]} if name in fixed else set(movable) & allowed or allowed
        possible = {heights.get(own) for own in classes}
        if None not in possible and len(possible) > 1:
            found = f"pupils of several heights can be on {shown(name)}, and baselines end there"
            remedy = "Add a column telescopes with their names, or leave only one class there."
            yield item.place.problem(("stations",), found, remedy)
