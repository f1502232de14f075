"""Our night planner in the place of astroplan's schedulers.

Where ``PriorityScheduler`` or ``SequentialScheduler`` stands, this may stand::

    scheduler = InterferometerScheduler(constraints, observer_of(site), scenario=scenario)
    schedule = astroplan.Schedule(dusk, dawn)
    scheduler(blocks, schedule)
    print(schedule.to_table(), scheduler.left_out, scheduler.plan.solver.bound)
"""

from __future__ import annotations

import datetime
from collections.abc import Iterator, Sequence
from typing import Any

import astroplan
import numpy as np
from astropy import units as u
from astropy.time import Time, TimeDelta

from planner.constraints.tonight import night_limits
from planner.errors import NoNight
from planner.interop.astroplan_blocks import Hours, Wanted, wanted_of
from planner.interop.astroplan_objects import check_site
from planner.scenario.array import Array
from planner.scenario.night import FIRST_DATE, LAST_DATE
from planner.scenario.targets import Scenario
from planner.scheduling.assemble import night_plan
from planner.scheduling.audit import audit_plan
from planner.scheduling.candidates import night_offers
from planner.scheduling.cpsat import solve_night
from planner.scheduling.plan import NightPlan, ReservedTime, Visit
from planner.scheduling.problem import night_problem
from planner.scheduling.setup import carriage_s, combiner_change_s, slew_s
from planner.scheduling.solved import SolvedNight
from planner.scheduling.table import longest_wait_ticks
from planner.sky.directions import place_of
from planner.sky.earth import offline_earth
from planner.sky.night import DarkHours, dark_hours, night_sky, noon_utc, ticks_of, utc_text

NIGHTS_MAX = 3  # noon to noon: a schedule that touches more cannot lie in one night


class InterferometerScheduler(astroplan.Scheduler):
    """Place observing blocks by the night planner.

    Parameters
    ----------
    constraints : sequence of astroplan.Constraint or None
        They hold for every block, beside the block's own.
    observer : astroplan.Observer
        Has to stand at the scenario's site.
    transitioner : astroplan.Transitioner, optional
        One without times of its own: set-ups take what the scenario's array says.
    gap_time : Quantity, optional
        What the longest set-up of the array may take, at least.
    time_resolution : Quantity, optional
        Times are multiples of the scenario's ``tick_s``, which has to be a multiple of this.
    scenario : Scenario
        Array, calibrators, limits, history, reserved time, effort. Its requests are not planned; one of the
        same name as a block's target lends what the block leaves out. The date comes from the schedule.

    Attributes
    ----------
    plan : NightPlan or None
        Of the latest call, with bound and audit; its scenario holds the blocks as requests.
    solved : SolvedNight or None
        What the plan was made from.
    left_out : dict
        Why a block was not placed, by the block's name, or its target's where it has none.

    Raises
    ------
    ValueError
        For what cannot be honoured, also when called.

    Notes
    -----
    What differs from astroplan's schedulers:

    - ``block.duration`` is not asked. A block is one bracketed visit (calibrator, science, calibrator), as
      long as the combiner's recording times and the set-ups inside it; the copies carry that duration.
    - ``block.configuration`` may hold ``combiner``, ``field_mas``, ``spectral_setup``, ``mag`` (a table by
      band), ``diameter_mas``, ``telescopes``; angles as numbers in mas or quantities.
    - ``block.priority``: of n different priorities the most important weighs n and the least 1 for each
      newly filled cell of the (u, v) plane. What is maximised is the sum, so two lesser blocks may displace
      a more important one, and the scores of constraints count as yes or no.
    - Every constraint holds from the first to the last recording of a visit, at each tick. Of our own
      (``interferometer_constraints``), those of as many telescopes as the combiner has beams choose the
      subarray, and the planner keeps them for whichever star is being recorded.
    - Nothing is added: darkness and altitude are limits of the scenario.
    - A ``TransitionBlock`` stands before each visit for its set-up: the slowest move, acquisition, fringe
      search. Time reserved for the whole array stands as one too, under its name.
    - The schedule has to be empty and to lie in one night. It is filled and returned; blocks, lists and
      observer stay as they were.
    """

    def __init__(
        self,
        constraints: Sequence[astroplan.Constraint] | None,
        observer: astroplan.Observer,
        transitioner: astroplan.Transitioner | None = None,
        gap_time: u.Quantity | None = None,
        time_resolution: u.Quantity | None = None,
        *,
        scenario: Scenario,
    ) -> None:
        check_site(observer, scenario.array.site)
        _check_transitioner(transitioner)
        tick = scenario.night.tick_s * u.s
        if time_resolution is not None:
            steps = float((tick / u.Quantity(time_resolution)).to_value(u.one))
            if not steps >= 1 or abs(steps - round(steps)) > 1e-9:
                raise ValueError(
                    f"A plan's times are multiples of the scenario's tick_s of {tick.value:.0f} s, not of "
                    f"time_resolution = {time_resolution}. Leave time_resolution out, or change tick_s."
                )
        super().__init__(
            constraints, observer, transitioner or astroplan.Transitioner(), time_resolution=tick
        )
        self.gap_time = gap_time
        self.scenario = scenario
        self.plan: NightPlan | None = None
        self.solved: SolvedNight | None = None
        self.left_out: dict[str, str] = {}

    def __call__(
        self, blocks: Sequence[astroplan.ObservingBlock], schedule: astroplan.Schedule
    ) -> astroplan.Schedule:
        """Fill a schedule with copies of the blocks and return it.

        Parameters
        ----------
        blocks : sequence of astroplan.ObservingBlock
        schedule : astroplan.Schedule
            Empty; visits and their set-ups lie between its ``start_time`` and ``end_time``.

        Raises
        ------
        ValueError
            For what cannot be honoured; the schedule is then still empty.
        """
        with offline_earth():
            return super().__call__(blocks, schedule)

    def _make_schedule(self, blocks: list[astroplan.ObservingBlock]) -> astroplan.Schedule:
        self.plan, self.solved, self.left_out = None, None, {}
        if self.schedule.scheduled_blocks:
            raise ValueError("The schedule already holds blocks. Give an empty one.")
        start, end = self.schedule.start_time.utc, self.schedule.end_time.utc
        date, dark = night_within(self.scenario, start, end)
        settings = self.scenario.night
        times, _ = ticks_of(dark, settings.tick_s, settings.slot_s)
        own = list(self.constraints or ())
        hours = Hours(times, start, end)
        wanted = wanted_of(blocks, own, self.observer, self.scenario, hours)
        possible = [wish for wish in wanted if wish.closed is None]
        scenario = _with_requests(self.scenario, date, possible)
        solved, plan = _planned(scenario, self.gap_time)
        left_out: dict[str, str] = {}
        placed = []
        for wish in wanted:
            visits = [visit for visit in plan.visits if visit.target == wish.request.name]
            for number, visit in zip(wish.blocks, visits, strict=False):
                placed.append(self._observed(blocks[number], own, visit))
            why = wish.closed or next(o.reason for o in plan.requests if o.target == wish.request.name)
            for number in wish.blocks[len(visits) :]:
                _tell(left_out, str(blocks[number].name or wish.request.name), str(why))
        set_ups = _set_ups(scenario.array, plan.visits)
        _fill(self.schedule, [*placed, *set_ups], plan.reserved)
        self.plan, self.solved, self.left_out = plan, solved, left_out
        return self.schedule

    def _observed(
        self, block: astroplan.ObservingBlock, common: Sequence[astroplan.Constraint], visit: Visit
    ) -> astroplan.ObservingBlock:
        """The copy of a block, with the hours of its visit and everything that it was held to."""
        block.start_time, block.end_time = _time(visit.steps[0].start_utc), _time(visit.steps[-1].end_utc)
        block.duration = (block.end_time - block.start_time).to(u.s)
        block.constraints = [*(block.constraints or ()), *common]
        block.observer = self.observer
        return block


def _check_transitioner(transitioner: Any) -> None:
    plain = type(transitioner) is astroplan.Transitioner
    if transitioner is not None and not (
        plain and transitioner.slew_rate is None and not transitioner.instrument_reconfig_times
    ):
        raise ValueError(
            "Set-ups take what the scenario's array says, not what a transitioner says. Leave it out, or "
            "give a plain astroplan.Transitioner()."
        )


def night_within(scenario: Scenario, start: Time, end: Time) -> tuple[datetime.date, DarkHours]:
    """Return the only night whose dark hours meet a stretch of time.

    Raises
    ------
    ValueError
        When there is none, or more than one.
    """
    if end <= start:
        raise ValueError("The schedule ends before it starts. Exchange its times.")
    place, found = place_of(scenario.array.site), []
    lit: str | None = None
    day = datetime.date.fromisoformat(str(start.strftime("%Y-%m-%d"))) - datetime.timedelta(days=1)
    touched = 0
    while noon_utc(place, day) < end and touched <= NIGHTS_MAX:
        if noon_utc(place, day) + TimeDelta(1.0, format="jd") > start:
            touched += 1
            if not FIRST_DATE <= day <= LAST_DATE:
                raise ValueError(
                    f"The schedule lies in {day}. Choose dates from {FIRST_DATE} to {LAST_DATE}."
                )
            try:
                dark = dark_hours(place, day, scenario.night.sun_altitude_max_deg)
                if dark.start < end and dark.end > start:
                    found.append((day, dark))
            except NoNight as error:
                lit = str(error)
        day += datetime.timedelta(days=1)
    if not found:
        none = f"The Sun is up from {utc_text(start)} to {utc_text(end)}. Choose a schedule at night."
        raise ValueError(lit or none)
    if len(found) > 1 or touched > NIGHTS_MAX:
        nights = " and ".join(str(date) for date, _ in found[:2])
        raise ValueError(f"The schedule meets more nights than one ({nights}). Give each night a schedule.")
    return found[0]


def _with_requests(scenario: Scenario, date: datetime.date, wanted: Sequence[Wanted]) -> Scenario:
    """The scenario of that night with the blocks' requests; what earlier nights observed counts for each."""
    history = [
        observed.model_copy(update={"target": wish.request.name})
        for observed in scenario.history
        for wish in wanted
        if wish.target == observed.target
    ]
    changes: dict[str, object] = {
        "night": scenario.night.model_copy(update={"date": date}),
        "requests": tuple(wish.request for wish in wanted),
        "history": tuple(history),
    }
    return scenario.model_copy(update=changes)


def _planned(scenario: Scenario, gap_time: u.Quantity | None) -> tuple[SolvedNight, NightPlan]:
    """Plan the night and audit the plan."""
    sky = night_sky(scenario, scenario.night.date)
    limits = night_limits(scenario, sky, scenario.night.configuration)
    longest = longest_wait_ticks(limits) * scenario.night.tick_s * u.s
    if gap_time is not None and gap_time < longest:
        raise ValueError(
            f"A set-up of this array can take {longest.value / 60.0:.1f} min, more than gap_time = "
            f"{gap_time}. Leave gap_time out."
        )
    offers = night_offers(limits)
    problem, table, families = night_problem(limits, offers)
    solution = solve_night(problem, scenario.effort.deterministic)
    solved = SolvedNight(limits, offers, problem, table, families, solution)
    plan = night_plan(solved, scenario.night.configuration)
    return solved, plan.model_copy(update={"audit": audit_plan(plan)})


def _tell(left_out: dict[str, str], name: str, why: str) -> None:
    told = left_out.get(name)
    if told is None:
        left_out[name] = why
    elif why not in told.split("; "):
        left_out[name] = f"{told}; {why}"


def _time(text: str) -> Time:
    return Time(text.rstrip("Z"), scale="utc")


def _fill(schedule: astroplan.Schedule, blocks: Sequence[Any], reserved: Sequence[ReservedTime]) -> None:
    """Put blocks into an empty schedule by time, and reserved time where nothing else stands."""
    for block in sorted(blocks, key=lambda block: float(block.start_time.mjd)):
        schedule.insert_slot(block.start_time, block)
    for own in reserved:
        if own.start_utc is None or own.end_utc is None or own.telescopes:
            continue
        for slot in list(schedule.open_slots):
            start, end = max(_time(own.start_utc), slot.start), min(_time(own.end_utc), slot.end)
            if end - start >= 1.0 * u.s:
                taken = astroplan.TransitionBlock({own.name: (end - start).to(u.s)}, start)
                schedule.insert_slot(start, taken)


def _set_ups(array: Array, visits: Sequence[Visit]) -> Iterator[astroplan.TransitionBlock]:
    """The set-up before each visit, as long as the plan says, its parts named by what takes the time."""
    previous: Visit | None = None
    for visit in visits:
        start, end = _time(visit.steps[0].setup_start_utc), _time(visit.steps[0].start_utc)
        whole_s = round(float((end - start).to_value("s")), 3)
        combiner = array.combiner(visit.combiner, visit.spectral_setup)
        acquired_s = max(array.class_of(name).acquisition_s for name in visit.subarray)
        left_s = whole_s - acquired_s - combiner.fringe_search_s
        parts = {"acquisition": acquired_s, "fringe_search": combiner.fringe_search_s}
        moves = moves_s(array, previous, visit) if previous is not None else {}
        slowest = max(moves, key=lambda name: moves[name], default=None)
        # After reserved time the moves are done already.
        if slowest is not None and moves[slowest] <= left_s + 1e-3:
            parts = {slowest: moves[slowest], **parts}
        # The plan counts whole ticks.
        parts["wait"] = whole_s - sum(parts.values())
        if whole_s > 0:
            yield astroplan.TransitionBlock({k: v * u.s for k, v in parts.items() if v > 1e-6}, start)
        previous = visit


def moves_s(array: Array, before: Visit, after: Visit) -> dict[str, float]:
    """Return how long each kind of move takes from the end of one visit to the start of the next, seconds.

    They run at the same time; only what both visits use counts. What does not move is left out.
    """
    old = {beam.telescope: beam for beam in before.steps[-1].beams}
    lines = {beam.delay_line: beam for beam in before.steps[-1].beams}
    states = [(visit.combiner, visit.spectral_setup) for visit in (before, after)]
    found = {"combiner": float(combiner_change_s(array, states)[0, 1])}
    modes = {mode.name: mode for mode in array.routing_modes}
    segments = {segment.name: segment.change_s for segment in array.path_segments}
    if after.routing_mode is not None and after.routing_mode != before.routing_mode:
        found["routing_mode"] = modes[after.routing_mode].change_s

    def takes(name: str, seconds: float) -> None:
        found[name] = max(found.get(name, 0.0), seconds)

    for beam in after.steps[0].beams:
        same, line = old.get(beam.telescope), lines.get(beam.delay_line)
        if same is not None:
            turned = np.array(beam.azimuth_start_deg - same.azimuth_end_deg)
            tilted = np.array(beam.altitude_start_deg - same.altitude_end_deg)
            takes("slew_time", float(slew_s(turned, tilted, array.class_of(beam.telescope))))
            if same.delay_line != beam.delay_line:
                takes("beam_switching", array.delay_line(beam.delay_line).connect_s)
            if same.path_segment != beam.path_segment:
                takes("path_segment", segments.get(beam.path_segment or "", 0.0))
        if line is not None:
            run = np.array(beam.delay_start_m - line.delay_end_m)
            takes("delay_line", float(carriage_s(run, array.delay_line(beam.delay_line))))
            if line.telescope != beam.telescope:
                takes("beam_switching", array.delay_line(beam.delay_line).connect_s)
            if line.combiner_input != beam.combiner_input and after.routing_mode is not None:
                takes("combiner_input", modes[after.routing_mode].input_change_s)
    return {name: seconds for name, seconds in found.items() if seconds > 0}
