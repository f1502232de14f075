"""The light path of each visit in words: what changes, routing, fringe tracking, guide star, air, two stars.

An array without such parts has nothing to tell, and nothing is told.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from planner.constraints.brightness import apart_arcsec
from planner.output.sentences import joined, names_told
from planner.output.star_told import places_told
from planner.output.tracks import clock
from planner.scenario.array import Array
from planner.scenario.targets import Request, Scenario, Star
from planner.scheduling.plan import Beam, DualFeedVisit, Step, Visit

Row = tuple[str, str]  # what, and what is said about it


@dataclass
class Optics:
    """How the light path was left, as far as the plan has used it: brought up to date visit by visit."""

    mode: str | None = None
    combiner: str | None = None
    setup_of: dict[str, str | None] = field(default_factory=dict)
    line_of: dict[str, str] = field(default_factory=dict)
    telescope_in: dict[str, str] = field(default_factory=dict)
    segment_of: dict[str, str | None] = field(default_factory=dict)
    input_of: dict[str, int] = field(default_factory=dict)


def switched(array: Array) -> bool:
    """Whether the array has a part of the light path that is switched from visit to visit."""
    return bool(array.routing_modes or array.path_segments or array.spectral_setups)


def change_told(array: Array, visit: Visit, was: Optics) -> str:
    """Say in a sentence what has to be switched before a visit, noting it in ``was``; "" where nothing can.

    A state that no visit has used before counts as a change: nobody knows how it stands.
    """
    if not switched(array):
        return ""
    told = []
    if array.routing_modes and visit.routing_mode != was.mode:
        told.append(f"routing mode {visit.routing_mode}")
    if visit.combiner != was.combiner:
        told.append(f"combiner {visit.combiner}")
    setups = {setup.combiner for setup in array.spectral_setups}
    if visit.combiner in setups and was.setup_of.get(visit.combiner, "") != visit.spectral_setup:
        told.append(f"spectral setup {visit.spectral_setup or 'of the combiner itself'}")
    for beam in visit.steps[0].beams:
        own = _beam_change(array, beam, was)
        if own:
            told.append(f"{beam.telescope} {' '.join(own)}")
    first = was.combiner is None
    _note(visit, was)
    # Before the first visit everything is in place: its set-up holds no time for switching.
    if not told:
        return "Nothing to change."
    return f"{'To be in place before the night' if first else 'Change'}: {'; '.join(told)}."


def _beam_change(array: Array, beam: Beam, was: Optics) -> list[str]:
    own = []
    # A line that another telescope had in between has to be led back.
    if (
        was.line_of.get(beam.telescope) != beam.delay_line
        or was.telescope_in.get(beam.delay_line) != beam.telescope
    ):
        own.append(f"into {beam.delay_line}")
    if array.routing_modes and (own or was.input_of.get(beam.delay_line) != beam.combiner_input):
        own.append(f"to input {beam.combiner_input}")
    if beam.path_segment is not None and was.segment_of.get(beam.telescope) != beam.path_segment:
        own.append(f"with {beam.path_segment}")
    return own


def _note(visit: Visit, was: Optics) -> None:
    was.mode, was.combiner = visit.routing_mode, visit.combiner
    was.setup_of[visit.combiner] = visit.spectral_setup
    for beam in visit.steps[0].beams:
        was.line_of[beam.telescope] = beam.delay_line
        was.telescope_in[beam.delay_line] = beam.telescope
        was.segment_of[beam.telescope] = beam.path_segment
        was.input_of[beam.delay_line] = beam.combiner_input


def light_rows(scenario: Scenario, request: Request, visit: Visit) -> tuple[Row, ...]:
    """Return what there is to say about a visit's light path, as (what, words)."""
    routing = [
        f"{words} {value}"
        for words, value in (("mode", visit.routing_mode), ("spectral setup", visit.spectral_setup))
        if value is not None
    ]
    rows = [
        ("Routing", ", ".join(routing)),
        ("Fringes", _tracking(scenario, request, visit)),
        ("Contrast", _contrasts(visit)),
        ("Guide star", _guide_star(scenario.array, request, visit)),
        ("Air", _air(visit)),
        ("Two stars", "" if visit.dual_feed is None else _two_stars(visit.dual_feed, visit)),
        ("Differential delay", _differential(visit)),
    ]
    return tuple((what, words) for what, words in rows if words)


def _tracking(scenario: Scenario, request: Request, visit: Visit) -> str:
    """Tracked telescopes, how they are linked, and by how much the weakest link is kept."""
    if visit.tracking is None:
        tracker = scenario.array.tracker_of(scenario.array.combiner(request.combiner))
        return (
            ""
            if tracker is None
            else f"recorded without the fringe tracker {tracker.name}, as the request wants"
        )
    whole = len(visit.tracked) == len(visit.subarray)
    which = "all telescopes" if whole else joined(visit.tracked)
    told = [f"{visit.tracking} tracking of {which}"]
    chains: dict[tuple[tuple[str, ...], ...], list[Step]] = {}
    for step in visit.steps:
        chains.setdefault(tuple(sorted(step.chain)), []).append(step)
    for chain, steps in chains.items():
        stars = joined(list(dict.fromkeys(step.object for step in steps)))
        on = f"on {stars} " if len(chains) > 1 else ""
        told.append(f"{on}linked by {', '.join(names_told(pair) for pair in chain)}")
    margins = [s.tracking_margin_mag for s in visit.steps if s.tracking_margin_mag is not None]
    if margins:
        least = min(margins)
        told.append(
            f"the weakest link {least:.2f} mag brighter than the limit at worst"
            if least >= 0
            else f"LIMIT BROKEN, the weakest link {-least:.2f} mag fainter than the limit"
        )
    return "; ".join(told)


def _contrasts(visit: Visit) -> str:
    """Contrast that tracking leaves: of tracked pairs in one, of baselines with an untracked beam by name."""
    if not visit.contrasts:
        return ""
    tracked = set(visit.tracked)
    held = [own.contrast for own in visit.contrasts if tracked.issuperset(own.telescopes)]
    loose = [own for own in visit.contrasts if not tracked.issuperset(own.telescopes)]
    told = []
    if held:
        told.append(f"{_span(held)} left on baselines between tracked telescopes")
    if loose:
        pairs = ", ".join(f"{names_told(own.telescopes)} {own.contrast:.2f}" for own in loose)
        told.append(f"with an untracked beam {pairs}")
    return "; ".join(told)


def _span(values: Sequence[float]) -> str:
    low, high = f"{min(values):.2f}", f"{max(values):.2f}"
    return low if low == high else f"{low} to {high}"


def _guide_star(array: Array, request: Request, visit: Visit) -> str:
    """Which star the telescopes are guided on, for classes that need one."""
    bands = dict.fromkeys(
        own.guide_band for own in map(array.class_of, visit.subarray) if own.guide_band is not None
    )
    if not bands:
        return ""
    guide = request.extras.guide_star
    if guide is None:
        return "the target itself"
    apart = apart_arcsec(request.star, guide.ra_deg, guide.dec_deg)
    seen = ", ".join(f"{band} {guide.mag[band]:.2f}" for band in bands if band in guide.mag)
    epoch_yr = request.star.epoch_yr
    place = Star(name="guide star", ra_deg=guide.ra_deg, dec_deg=guide.dec_deg, epoch_yr=epoch_yr)
    where = f"{' '.join(places_told(place))} (ICRS, J{epoch_yr:g})"
    told = [f"off axis, {apart:.1f} arcsec from the target", where, *([seen] if seen else [])]
    return ", ".join(told).replace("-", "−")


def _air(visit: Visit) -> str:
    """What the air in the lines leaves, over all steps."""
    offsets = [step.air_offset_um for step in visit.steps if step.air_offset_um]
    contrasts = [step.air_contrast for step in visit.steps if step.air_contrast is not None]
    told = []
    if offsets:
        told.append(f"up to {max(offsets):.1f} µm between two beams in the science band")
    if contrasts:
        told.append(f"contrast left {min(contrasts):.2f} at worst")
    return "; ".join(told)


def _two_stars(dual: DualFeedVisit, visit: Visit) -> str:
    told = [
        f"{dual.second_star}, {dual.separation_arcsec:.2f} arcsec away "
        f"at position angle {dual.position_angle_deg:.1f} deg"
    ]
    for step in visit.steps:
        if step.swap_start_utc is not None and step.swap_end_utc is not None:
            told.append(
                f"the two change places from {clock(step.swap_start_utc)} to {clock(step.swap_end_utc)}, "
                "nothing is recorded then"
            )
    if dual.angle_error_uas is not None and dual.path_error_nm is not None:
        wanted = f"an angle to {dual.angle_error_uas:g} µas wants the path to {dual.path_error_nm:.1f} nm"
        if dual.baseline_error_um is not None:
            wanted += f" and the longest baseline to {dual.baseline_error_um:.0f} µm"
        told.append(wanted)
    return "; ".join(told)


def _differential(visit: Visit) -> str:
    """Path that each telescope adds for its second star, from start to end of the step."""
    told = [
        f"{beam.telescope} {1e3 * beam.differential_start_m:+.2f} → {1e3 * beam.differential_end_m:+.2f} mm"
        for step in visit.steps
        for beam in step.beams
        if beam.differential_start_m is not None and beam.differential_end_m is not None
    ]
    return ", ".join(told).replace("-", "−")


def line_told(line: str, segment: str | None) -> str:
    """Return a delay line with the path segment that stands before it.

    Examples
    --------
    >>> line_told("L3", "P2"), line_told("L3", None)
    ('L3 with P2', 'L3')
    """
    return f"{line} with {segment}" if segment else line


def lines_told(lines: Iterable[str], segments: Sequence[str]) -> str:
    """Return the delay lines of a subarray as one word, or with their path segments where there are any.

    Examples
    --------
    >>> lines_told(("L1", "L2"), ()), lines_told(("L1", "L2"), ("P2", ""))
    ('L1–L2', 'L1 with P2, L2')
    """
    lines = tuple(lines)
    if not any(segments):
        return names_told(lines)
    return ", ".join(line_told(line, own) for line, own in zip(lines, segments, strict=True))
