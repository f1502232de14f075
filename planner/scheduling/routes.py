"""How the light of a subarray can be led: routing mode, delay lines, combiner inputs, path segments.

A setting names all of these for one subarray. Lines that differ in nothing but
their names are of one kind and change no window, so choices are counted over
kinds: eight lines of three kinds give 81 choices for four beams, not 4,096.
Which line of a kind a beam is led to matters between visits only.

Inputs follow from the lines: the first matching in the order of the beams.
Another matching of the same lines would differ by the constant paths of the
inputs alone.
"""

from __future__ import annotations

import itertools
import math
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from planner.geometry.placement import Placement
from planner.scenario.array import Array, Combiner, DelayLine, TelescopeClass
from planner.scenario.light_path import RoutingMode

PUPIL = "pupil relay"  # the limit of a line in whose usable part the pupil stays in place
SAME_BEAM = 0.01  # beams of two classes combine when their diameters agree to this fraction
Stroke = tuple[float, float]


@dataclass(frozen=True, order=True)
class Setting:
    """How the beams of a subarray are led.

    Attributes
    ----------
    lines : tuple of int
        Index in ``array.delay_lines``, one for each beam.
    mode : int
        Index in ``array.routing_modes``; -1 for an array without them.
    inputs : tuple of int
        Combiner input of each beam, counted from 0; empty when beam k goes to input k.
    segments : tuple of int
        Index in ``array.path_segments``, -1 for none; empty when no beam has one.
    """

    lines: tuple[int, ...]
    mode: int = -1
    inputs: tuple[int, ...] = ()
    segments: tuple[int, ...] = ()

    def beam_path_m(self, array: Array, combiner: Combiner) -> tuple[float, ...]:
        """Return the constant path of each beam: F of its segment and C of its input, metres of light."""
        inputs = self.inputs or range(len(self.lines))
        inner = [combiner.constant_path_m[number] for number in inputs]
        if not self.segments:
            return tuple(inner)
        return tuple(
            own + segment_path_m(array, segment) for own, segment in zip(inner, self.segments, strict=True)
        )


def usable_stroke_m(line: DelayLine, combiner: Combiner) -> Stroke:
    """Return the part of a line's stroke that a combiner can use: where the pupil is in place, if needed."""
    if combiner.pupil_relay and line.pupil_stroke_m is not None:
        return line.pupil_stroke_m
    return line.stroke_m


def line_kinds(array: Array, mode: RoutingMode | None = None) -> list[list[int]]:
    """Return the delay lines (index in the array) by kind, in the order of the array.

    Lines of a kind reach the same inputs in the routing mode; a line that the mode does not use is left out.
    """
    kinds: dict[tuple[DelayLine, tuple[int, ...] | None], list[int]] = {}
    for index, line in enumerate(array.delay_lines):
        reach = reach_of(mode, line.name)
        if reach != ():
            kinds.setdefault((line.model_copy(update={"name": ""}), reach), []).append(index)
    return list(kinds.values())


def reach_of(mode: RoutingMode | None, line: str) -> tuple[int, ...] | None:
    """Return the inputs that a line reaches in a routing mode, counted from 0; None for all."""
    if mode is None or not mode.inputs:
        return None
    return tuple(sorted({number - 1 for number in mode.inputs.get(line, ())}))


def matching(reaches: Sequence[tuple[int, ...] | None], inputs: int) -> tuple[int, ...] | None:
    """Return a different input for each beam, the first in lexicographic order, or None when there is none.

    Examples
    --------
    >>> matching([(0, 1), (0,)], 2), matching([None, None], 2), matching([(0,), (0,)], 2)
    ((1, 0), (0, 1), None)
    """

    def led(chosen: tuple[int, ...]) -> tuple[int, ...] | None:
        if len(chosen) == len(reaches):
            return chosen
        own = reaches[len(chosen)]
        for number in range(inputs) if own is None else own:
            if number < inputs and number not in chosen:
                found = led((*chosen, number))
                if found is not None:
                    return found
        return None

    return led(())


def modes_for(
    array: Array, combiner: Combiner, classes: Sequence[TelescopeClass], dual_feed: bool = False
) -> list[int]:
    """Return the routing modes that can lead telescopes of these classes to a combiner; [-1] without modes.

    Beams of different size combine only where the compression makes them equal: never without modes.
    """
    if not array.routing_modes:
        return [-1] if beams_fit(None, classes) else []
    return [
        number
        for number, mode in enumerate(array.routing_modes)
        if mode.dual_feed == dual_feed
        and (not combiner.routing_modes or mode.name in combiner.routing_modes)
        and beams_fit(mode, classes)
    ]


def beams_fit(mode: RoutingMode | None, classes: Sequence[TelescopeClass]) -> bool:
    """True when a routing mode leads all of these classes through, with beams of one size."""
    if mode is not None and mode.compression and not all(own.name in mode.compression for own in classes):
        return False
    ratio = {} if mode is None else mode.compression
    sizes = [own.beam_mm / ratio.get(own.name, 1.0) for own in classes if own.beam_mm is not None]
    return not sizes or max(sizes) <= min(sizes) * (1.0 + SAME_BEAM)


def home_lines(array: Array, placement: Placement) -> tuple[int, ...]:
    """Return one delay line for each telescope, shared by as few as possible; -1 where none serves it.

    A preference only: it keeps beams where they are when settings are
    otherwise equal.
    """
    homes: list[int] = []
    for station in placement.stations:
        homes.append(
            min(
                serving(array, station),
                key=lambda line: (
                    homes.count(line),
                    array.delay_lines[line].stroke_m[0] - array.delay_lines[line].stroke_m[1],
                ),
                default=-1,
            )
        )
    return tuple(homes)


def serving(array: Array, station: str) -> list[int]:
    """Return the delay lines that a station's light reaches."""
    return [i for i, line in enumerate(array.delay_lines) if not line.stations or station in line.stations]


def settings_without_segments(
    array: Array,
    placement: Placement,
    combiner: Combiner,
    telescopes: Sequence[int],
    dual_feed: bool = False,
) -> list[Setting]:
    """Return one setting for each routing mode and choice of kinds, those that move fewest beams first.

    Parameters
    ----------
    array : Array
    placement : Placement
    combiner : Combiner
    telescopes : sequence of int
        Index in the placement.
    dual_feed : bool
        Whether two stars of each telescope are led.

    Returns
    -------
    list of Setting
        Empty when the light cannot be led at once.
    """
    classes = [placement.classes[i] for i in telescopes]
    found = []
    for number in modes_for(array, combiner, classes, dual_feed):
        mode = array.routing_modes[number] if number >= 0 else None
        for moved, lines in line_choices(array, placement, telescopes, mode):
            inputs = matching([reach_of(mode, array.delay_lines[i].name) for i in lines], combiner.beams)
            if inputs is not None:
                natural = inputs == tuple(range(len(lines)))
                found.append((moved, number, Setting(lines, number, () if natural else inputs)))
    return [setting for _, _, setting in sorted(found)]


def line_choices(
    array: Array, placement: Placement, telescopes: Sequence[int], mode: RoutingMode | None = None
) -> list[tuple[int, tuple[int, ...]]]:
    """Return one assignment of lines for each choice of kinds, with how many beams leave their home line.

    Sorted by that number; empty when the lines do not suffice.
    """
    homes = home_lines(array, placement)
    kinds = line_kinds(array, mode)
    served = [
        [k for k, lines in enumerate(kinds) if lines[0] in serving(array, placement.stations[telescope])]
        for telescope in telescopes
    ]
    found = []
    for chosen in itertools.product(*served):
        if all(chosen.count(kind) <= len(kinds[kind]) for kind in set(chosen)):
            lines = _handed_out(kinds, chosen, [homes[i] for i in telescopes])
            moved = sum(line != homes[i] for line, i in zip(lines, telescopes, strict=True))
            found.append((moved, lines))
    return sorted(found)


def _handed_out(kinds: list[list[int]], chosen: Sequence[int], homes: Sequence[int]) -> tuple[int, ...]:
    """Give each beam a line of its kind, its home where it can have it."""
    lines = [-1] * len(chosen)
    for place, (kind, home) in enumerate(zip(chosen, homes, strict=True)):
        if home in kinds[kind] and home not in lines:
            lines[place] = home
    for place, kind in enumerate(chosen):
        if lines[place] < 0:
            lines[place] = next(line for line in kinds[kind] if line not in lines)
    return tuple(lines)


def alike_settings(
    array: Array, placement: Placement, telescopes: Sequence[int], setting: Setting
) -> Iterator[Setting]:
    """Yield a setting, then all that hand the lines of each kind out otherwise, home lines first.

    They serve the same stars at the same times, and cost other changes between visits.
    """
    yield setting
    homes = home_lines(array, placement)
    kind_of = _kind_of(array, setting)

    def handed(lines: tuple[int, ...]) -> Iterator[tuple[int, ...]]:
        place = len(lines)
        if place == len(setting.lines):
            yield lines
            return
        home = homes[telescopes[place]]
        for line in sorted(kind_of[setting.lines[place]], key=lambda line: (line != home, line)):
            if line not in lines:
                yield from handed((*lines, line))

    yield from (replace(setting, lines=lines) for lines in handed(()) if lines != setting.lines)


def count_alike(array: Array, setting: Setting) -> int:
    """Return how many settings :func:`alike_settings` yields.

    Two beams on three lines of one kind: six.
    """
    kind_of = _kind_of(array, setting)
    used = Counter(tuple(kind_of[line]) for line in setting.lines)
    return math.prod(math.perm(len(kind), beams) for kind, beams in used.items())


def _kind_of(array: Array, setting: Setting) -> dict[int, list[int]]:
    """The lines of its own kind for each line of a setting's routing mode."""
    mode = array.routing_modes[setting.mode] if setting.mode >= 0 else None
    return {line: kind for kind in line_kinds(array, mode) for line in kind}


def segments_of(array: Array, station: str) -> tuple[int, ...]:
    """Return the path segments that serve a station; (-1,) where none does."""
    own = [i for i, segment in enumerate(array.path_segments) if _serves(segment.stations, station)]
    return tuple(own) or (-1,)


def segment_path_m(array: Array, segment: int) -> float:
    """Return the path that a segment adds to a beam, metres of light; zero for none (-1)."""
    return array.path_segments[segment].path_m if segment >= 0 else 0.0


def _serves(stations: Sequence[str], station: str) -> bool:
    return not stations or station in stations


def with_segments(
    array: Array, placement: Placement, telescopes: Sequence[int], setting: Setting
) -> Iterator[Setting]:
    """Yield the setting with every choice of path segments, the first of each station first."""
    if not array.path_segments:
        yield setting
        return
    for chosen in itertools.product(*(segments_of(array, placement.stations[i]) for i in telescopes)):
        yield replace(setting, segments=chosen)


def settings_of(
    array: Array,
    placement: Placement,
    combiner: Combiner,
    telescopes: Sequence[int],
    dual_feed: bool = False,
) -> list[Setting]:
    """Return every setting of a subarray, segments included; arguments as in settings_without_segments."""
    return [
        setting
        for base in settings_without_segments(array, placement, combiner, telescopes, dual_feed)
        for setting in with_segments(array, placement, telescopes, base)
    ]


def why_not_led(
    array: Array, placement: Placement, combiner: Combiner, telescopes: Sequence[int], dual_feed: bool = False
) -> str:
    """Say with names why the light of a subarray cannot be led to a combiner at once."""
    names = "-".join(placement.telescopes[i] for i in telescopes)
    stations = [placement.stations[i] for i in telescopes]
    classes = [placement.classes[i] for i in telescopes]
    for telescope, station in zip(telescopes, stations, strict=True):
        if not serving(array, station):
            return f"no delay line serves {placement.telescopes[telescope]} on {station}"
    modes = modes_for(array, combiner, classes, dual_feed)
    if not modes:
        kind = "dual-feed routing mode" if dual_feed else "routing mode"
        told = ", ".join(dict.fromkeys(own.name for own in classes))
        return f"no {kind} of {combiner.name} leads beams of {names} ({told}) with one size"
    told = "; ".join(
        f"{placement.telescopes[i]} reaches {', '.join(array.delay_lines[k].name for k in serving(array, s))}"
        for i, s in zip(telescopes, stations, strict=True)
    )
    if modes == [-1] or not any(array.routing_modes[number].inputs for number in modes):
        return f"the beams of {names} find no {len(stations)} different delay lines: {told}"
    inputs = "; ".join(
        f"in {array.routing_modes[number].name} "
        + ", ".join(
            f"{line} reaches {'/'.join(map(str, own))}"
            for line, own in array.routing_modes[number].inputs.items()
        )
        for number in modes
    )
    return f"no matching of {names} to lines and inputs of {combiner.name}: {told}; {inputs}"
