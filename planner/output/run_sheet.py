"""The run sheet: times, carriages, margins of each visit, and what to do when it fails; the night's sums."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from planner.constraints.tonight import NightLimits
from planner.geometry.air import group_refractivity
from planner.geometry.delays import travel_m
from planner.output.contrast_told import ranges_told, vis2_of_visit
from planner.output.light_sheet import Optics, Row, change_told, light_rows, line_told
from planner.output.reserved_sheet import pauses_between, reserved_minutes, told_past
from planner.output.robust_sheet import instead_told
from planner.output.sentences import duration, joined, margins_told, shares_told, slack_told, thousands
from planner.output.star_told import star_told
from planner.output.tracks import (
    StepTrack,
    VisitTrack,
    clock,
    delay_m,
    minutes_between,
    sidereal_of,
    tick_hours,
)
from planner.scheduling.candidates import RequestOffer
from planner.scheduling.plan import NightPlan, ReservedTime, Step, Visit, moment


@dataclass(frozen=True)
class StepRow:
    """One step in words."""

    role: str
    object: str
    setup: str
    start: str
    end: str
    minutes: str
    pointing: str
    shared: bool


@dataclass(frozen=True)
class CarriageRow:
    """One beam of a visit: whose light, which line, where its carriage goes.

    ``stands`` and ``runs`` are texts: metres of light at the ends of each
    step, metres of rail in each of the three set-ups.
    """

    line: str
    telescope: str
    station: str
    combiner_input: int
    comes_from: str
    stands: tuple[str, ...]
    runs: tuple[str, ...]


@dataclass(frozen=True)
class VisitRow:
    """A visit as the report shows it."""

    key: str
    target: str
    combiner: str
    subarray: str
    request: str
    setup: str
    start: str
    start_utc: str
    end_utc: str
    sidereal: str
    end: str
    latest: str
    slack: str
    new_cells: int
    cells_again: int
    value: int
    priority: int
    stars: tuple[tuple[str, str], ...]
    steps: tuple[StepRow, ...]
    carriages: tuple[CarriageRow, ...]
    margins: tuple[str, ...]
    if_it_fails: tuple[str, ...]
    change: str
    light: tuple[Row, ...]

    @property
    def plain(self) -> bool:
        """Whether the value is that of its new cells, all alike."""
        return self.value == self.new_cells * self.priority


@dataclass(frozen=True)
class NightSums:
    """Where the dark time goes, minutes."""

    dark: float
    science: float
    calibrators: float
    setup: float
    reserved: float
    past: float
    spare: float

    def rows(self) -> tuple[tuple[str, str, str, int], ...]:
        """Return (kind, words, duration, share of the dark time in whole per cent)."""
        parts = [
            ("science", "on science stars", self.science),
            ("calibrator", "on calibrators", self.calibrators),
            ("setup", "set-up", self.setup),
            ("reserved", "not for stars", self.reserved),
            ("past", "already past", self.past),
            ("spare", "spare", self.spare),
        ]
        parts = [own for own in parts if own[0] not in ("reserved", "past") or own[2] > 0]
        shares = shares_told([max(0.0, own[2]) for own in parts])
        return tuple(
            (kind, words, duration(value), share)
            for (kind, words, value), share in zip(parts, shares, strict=True)
        )


def night_sums(plan: NightPlan) -> NightSums:
    """Add up recording, set-up and spare time of the dark hours; set-up in twilight is not counted."""
    steps = [step for visit in plan.visits for step in visit.steps if not step.shared]
    dark = minutes_between(plan.night.start_utc, plan.night.end_utc)
    science = sum(minutes_between(s.start_utc, s.end_utc) for s in steps if s.role == "science")
    calibrators = sum(minutes_between(s.start_utc, s.end_utc) for s in steps if s.role == "calibrator")
    setup = sum(_dark_minutes(plan, step) for step in steps)
    past = sum(_past_minutes(plan, own) for own in plan.reserved if told_past(plan, own))
    reserved = reserved_minutes(plan) - past
    spare = dark - science - calibrators - setup - reserved - past
    return NightSums(dark, science, calibrators, setup, reserved, past, spare)


def _past_minutes(plan: NightPlan, own: ReservedTime) -> float:
    """How much of the dark hours is over."""
    return max(0.0, minutes_between(plan.night.start_utc, own.end_utc)) if own.end_utc else 0.0


def _dark_minutes(plan: NightPlan, step: Step) -> float:
    first = max(step.setup_start_utc, plan.night.start_utc, key=moment)
    return max(0.0, minutes_between(first, step.start_utc))


def visit_rows(
    limits: NightLimits, offers: Sequence[RequestOffer], plan: NightPlan, tracks: Sequence[VisitTrack]
) -> tuple[VisitRow, ...]:
    """Return every visit of the plan in words."""
    last_seen: dict[int, tuple[str, float]] = {}
    rows = []
    scenario, optics = limits.scenario, Optics()
    sidereal = sidereal_of(limits, [track.visit.steps[0].start_utc for track in tracks])
    for place, track in enumerate(tracks):
        visit, request = track.visit, scenario.requests[track.request]
        slack = minutes_between(visit.steps[0].start_utc, visit.latest_start_utc)
        rows.append(
            VisitRow(
                key=track.key,
                target=visit.target,
                combiner=visit.combiner,
                subarray="–".join(visit.subarray),
                request=f"R{track.request + 1:02d}",
                setup=clock(visit.steps[0].setup_start_utc),
                start=clock(visit.steps[0].start_utc),
                start_utc=visit.steps[0].start_utc,
                end_utc=visit.steps[-1].end_utc,
                sidereal=sidereal[place],
                end=clock(visit.steps[-1].end_utc),
                latest=clock(visit.latest_start_utc),
                slack="no slack" if slack <= 0 else f"slack {slack_told(slack)}",
                new_cells=len(visit.new_cells),
                cells_again=len(visit.cells_again),
                value=visit.value,
                priority=request.priority,
                stars=_stars(limits, track),
                steps=tuple(_step_row(step) for step in visit.steps),
                carriages=_carriages(limits, track, last_seen),
                margins=margins_told(scenario, request, visit),
                if_it_fails=(
                    *_if_it_fails(limits, offers, (plan, tracks), place),
                    *instead_told(visit),
                ),
                change=_with_time(
                    change_told(scenario.array, visit, optics), plan, tracks[max(0, place - 1) : place + 1]
                ),
                light=(
                    ("Expected V²", ranges_told(request.star, vis2_of_visit(limits, track))),
                    *light_rows(scenario, request, visit),
                ),
            )
        )
    return tuple(rows)


def _with_time(change: str, plan: NightPlan, pair: Sequence[VisitTrack]) -> str:
    """Add when there is time to change and to move, where the set-up told follows what is not for stars."""
    if len(pair) < 2:
        return change
    before, after = (track.visit for track in pair)
    between = pauses_between(plan, before, after)
    if not between:
        return change
    until = clock(after.steps[0].setup_start_utc)
    return (
        f"{change} The set-up told is the last part: change and move between "
        f"{clock(before.steps[-1].end_utc)} and {until}, beside {joined(between)}."
    ).strip()


def _step_row(step: Step) -> StepRow:
    minutes = minutes_between(step.start_utc, step.end_utc)
    return StepRow(
        role=step.role,
        object=step.object,
        setup=clock(step.setup_start_utc),
        start=clock(step.start_utc),
        end=clock(step.end_utc),
        minutes=f"{minutes:g} min",
        pointing=_pointing(step),
        shared=step.shared,
    )


def _pointing(step: Step) -> str:
    """Azimuth on the compass and altitude when recording starts."""
    beam = step.beams[0]
    return f"az. {beam.azimuth_start_deg % 360.0:.1f}, alt. {beam.altitude_start_deg:.1f} deg"


def _stars(limits: NightLimits, track: VisitTrack) -> tuple[tuple[str, str], ...]:
    """Name, place and brightness of the stars of a visit, the science star first."""
    ordered = sorted(track.steps, key=lambda step: not step.science)
    return tuple(
        (star.name, star_told(star))
        for star in (limits.sky.stars[k] for k in dict.fromkeys(s.star for s in ordered))
    )


def _carriages(
    limits: NightLimits, track: VisitTrack, last_seen: dict[int, tuple[str, float]]
) -> tuple[CarriageRow, ...]:
    """Rows of a visit's beams; ``last_seen``, where each carriage was left, is brought up to date."""
    array = limits.scenario.array
    combiner = array.combiner(track.visit.combiner, track.visit.spectral_setup)
    told = {beam.delay_line: beam for beam in track.science.step.beams}
    index = 1.0 + group_refractivity(array.site, float(np.mean(combiner.wavelengths_um)))
    ends = np.stack([_ends(limits, track, step) for step in track.steps])
    rows = []
    for beam, line in enumerate(track.lines):
        own = array.delay_lines[line]
        before = last_seen.get(line)
        path = ends[:, :, beam]
        shared = track.visit.steps[0].shared
        runs = [path[0, 0] - before[1] if before and not shared else np.nan, *(path[1:, 0] - path[:-1, 1])]
        telescope = int(track.telescopes[beam])
        rows.append(
            CarriageRow(
                line=line_told(own.name, told[own.name].path_segment),
                telescope=limits.placement.telescopes[telescope],
                station=limits.placement.stations[telescope],
                combiner_input=told[own.name].combiner_input,
                comes_from=_comes_from(before, shared),
                stands=tuple(f"{start:.2f} → {end:.2f}" for start, end in path),
                runs=tuple(
                    "" if np.isnan(run) else _run_told(float(travel_m(run, own, index))) for run in runs
                ),
            )
        )
        last_seen[line] = (track.key, float(path[-1, 1]))
    return tuple(rows)


def _run_told(run_m: float) -> str:
    """A carriage's run with its sign, which one that rounds to nothing has not; "" when none is known."""
    if np.isnan(run_m):
        return ""
    told = f"{run_m:+.2f}".replace("-", "−")
    return told[1:] if float(told[1:]) == 0.0 else told


def _comes_from(before: tuple[str, float] | None, shared: bool) -> str:
    """Where a carriage stood, and which visit left it there."""
    if before is None:
        return "first use"
    return f"tracking, in {before[0]}" if shared else f"{before[1]:.2f} ({before[0]})"


def _ends(limits: NightLimits, track: VisitTrack, step: StepTrack) -> np.ndarray:
    """Optical path when a step starts and ends, (2, beam)."""
    return delay_m(limits, track, step, np.array([step.first, step.last]))


def _if_it_fails(
    limits: NightLimits,
    offers: Sequence[RequestOffer],
    night: tuple[NightPlan, Sequence[VisitTrack]],
    place: int,
) -> tuple[str, ...]:
    """Say until when to try, what comes next, and whether the request has another chance."""
    plan, tracks = night
    track = tracks[place]
    start, latest = track.visit.steps[0].start_utc, track.visit.latest_start_utc
    slack = minutes_between(start, latest)
    if slack > 0:
        until = f"May start as late as {clock(latest)}, {slack_told(slack)} later than planned."
        until += latest_offsets_told(track.visit)
    else:
        until = f"Has no slack: give it up if the first star is not being recorded at {clock(start)}."
    if place + 1 < len(tracks):
        following = tracks[place + 1]
        first = following.visit.steps[0]
        if first.shared:
            opens = (
                f"Its last exposure, of {first.object}, opens {following.key} as well: make it in any case, "
                f"from {clock(first.start_utc)} to {clock(first.end_utc)}."
            )
            return until, opens, _another_chance(limits, offers[track.request], track, tracks)
        between = "".join(f"then {one}, " for one in pauses_between(plan, track.visit, following.visit))
        after = (
            f"{between}then go on with {following.key} as planned: "
            f"set-up from {clock(first.setup_start_utc)}, start {clock(first.start_utc)}."
        )
    else:
        after = "No visit follows it."
    return until, after[:1].upper() + after[1:], _another_chance(limits, offers[track.request], track, tracks)


def latest_offsets_told(visit: Visit) -> str:
    """Say which common offsets hold at the latest start, where they are not those of the steps."""
    if visit.latest_offsets_m is None:
        return ""
    told = [
        f"{late_m:.2f} m for {step.object} (planned {step.common_offset_m:.2f})"
        for late_m, step in zip(visit.latest_offsets_m, visit.steps, strict=False)
    ]
    return f" The common offsets are then {joined(told)}."


def _another_chance(
    limits: NightLimits, offer: RequestOffer, track: VisitTrack, tracks: Sequence[VisitTrack]
) -> str:
    """Later starts of the request tonight, whatever they would displace."""
    starts = (
        np.unique(np.concatenate([family.start_tick[:, 0] for family in offer.families]))
        if offer.families
        else np.empty(0, dtype=int)
    )
    hour = tick_hours(limits)
    latest_h = (
        track.start_h + minutes_between(track.visit.steps[0].start_utc, track.visit.latest_start_utc) / 60.0
    )
    later = starts[hour[starts] > latest_h + 1e-6]
    planned = [
        other.key for other in tracks if other.request == track.request and other.start_h > track.start_h
    ]
    more = f" {planned[0]} observes the target again." if planned else ""
    if not len(later):
        return f"No later start of it was considered tonight.{more}"
    final = hour[later[-1]]
    minutes = round(final * 60.0)
    at = f"at {minutes // 60 % 24:02d}:{minutes % 60:02d}"
    count = (
        "One later start was considered,"
        if len(later) == 1
        else f"{thousands(len(later))} later starts were considered, the last"
    )
    return f"{count} {at}; replanning decides what gives way.{more}"
