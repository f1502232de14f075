"""A second opinion on a plan, by code that does not trust the one that made it.

The audit reads the plan's document and nothing else. It shares no formula and
no matrix with the planner: directions come from astropy's full transformation,
shadows from rays in three dimensions, set-ups from the history of each device,
coverage from baselines that astropy turns to GCRS axes, the air's group index
from a numeric derivative, what a fringe tracker holds from growing sets. What
does not exist in the scenario, or cannot be read, is a failed check.

What a plan tells beside what is done is judged in ``audit_told``, which also
lists what is taken on trust.
"""

from __future__ import annotations

import numpy as np

from planner.scheduling.audit_air import air_cases
from planner.scheduling.audit_beams import (
    beam_cases,
    bracket_cases,
    calibrator_cases,
    configuration_cases,
)
from planner.scheduling.audit_brightness import (
    guide_cases,
    guide_distance_cases,
    magnitude_cases,
    sensor_cases,
)
from planner.scheduling.audit_case import audited
from planner.scheduling.audit_coverage import coverage_cases, total_cases
from planner.scheduling.audit_delay import delay_cases, paths, pupil_cases, speed_cases, stroke_cases
from planner.scheduling.audit_earlier import number_cases
from planner.scheduling.audit_history import earlier_nights, history_cases
from planner.scheduling.audit_latest import latest_offset_cases
from planner.scheduling.audit_limits import (
    airmass_cases,
    altitude_cases,
    azimuth_rate_cases,
    cable_wrap_cases,
    hour_angle_cases,
    moon_lit_cases,
    moon_separation_cases,
    pointing_cases,
    skyline_cases,
    sun_cases,
    window_cases,
)
from planner.scheduling.audit_margins import Recomputed
from planner.scheduling.audit_moves import setup_cases
from planner.scheduling.audit_phase import phase_cases
from planner.scheduling.audit_reserved import calibration_cases, reserved_cases
from planner.scheduling.audit_routing import inlet_cases, routing_cases, segment_cases, spectral_setup_cases
from planner.scheduling.audit_rules import (
    company_cases,
    gap_cases,
    order_cases,
    program_cases,
    spans,
    whole_cases,
)
from planner.scheduling.audit_shadow import shadow_cases, shadows
from planner.scheduling.audit_shared import shared_cases, travel_cases
from planner.scheduling.audit_sky import tracked_steps
from planner.scheduling.audit_times import recording_cases, stages, swap_cases, time_cases
from planner.scheduling.audit_told import NOT_CHECKED, Evidence, told_checks
from planner.scheduling.audit_tracking import tracked_cases, tracking_cases
from planner.scheduling.audit_two_stars import differential_cases, field_cases, pair_cases
from planner.scheduling.plan import AuditReport, NightPlan
from planner.sky.earth import offline_earth


def audit_plan(plan: NightPlan) -> AuditReport:
    """Check a plan again, from its document alone.

    Parameters
    ----------
    plan : NightPlan
        Its own ``audit`` is ignored.

    Returns
    -------
    AuditReport
        Passed when every check passed. A plan that makes no sense fails; nothing is raised.
    """
    # Numbers that no plan would hold may overflow on the way: the comparison with their limit fails then.
    with offline_earth(), np.errstate(over="ignore", invalid="ignore"):
        tracked = tracked_steps(plan)
        told = stages(plan)
        light = paths(plan, tracked)
        dark = shadows(plan, tracked)
        earlier = earlier_nights(plan)
        visits = spans(plan, told)
        checks = (
            audited("configuration", configuration_cases(plan)),
            audited("times", time_cases(plan, told)),
            audited("recording time", recording_cases(plan, told)),
            audited("set-up", setup_cases(plan, told)),
            audited("beams and lines", beam_cases(plan)),
            audited("spectral setup", spectral_setup_cases(plan)),
            audited("routing mode", routing_cases(plan)),
            audited("path segments", segment_cases(plan)),
            audited("brackets", bracket_cases(plan)),
            audited("visit numbers", number_cases(plan)),
            audited("Sun", sun_cases(plan, tracked)),
            audited("pointing", pointing_cases(plan, tracked)),
            audited("altitude", altitude_cases(plan, tracked)),
            audited("cable wrap", cable_wrap_cases(plan, tracked)),
            audited("azimuth tracking rate", azimuth_rate_cases(plan, tracked)),
            audited("skyline", skyline_cases(plan, tracked)),
            audited("shadowing", shadow_cases(dark)),
            audited("delay", delay_cases(light)),
            audited("delay line stroke", stroke_cases(light)),
            audited("offsets of latest starts", latest_offset_cases(plan)),
            audited("pupil relay", pupil_cases(light)),
            audited("carriage tracking speed", speed_cases(light)),
            audited("Moon separation", moon_separation_cases(plan, tracked)),
            audited("Moon lit fraction", moon_lit_cases(plan, tracked)),
            audited("airmass", airmass_cases(plan, tracked)),
            audited("hour angle", hour_angle_cases(plan, tracked)),
            audited("orbital phase", phase_cases(plan, tracked)),
            audited("absolute windows", window_cases(plan)),
            audited("limiting magnitude", magnitude_cases(plan)),
            audited("guide star", guide_cases(plan)),
            audited("guide star distance", guide_distance_cases(plan)),
            audited("beam-position sensor", sensor_cases(plan)),
            audited("tracked telescopes", tracked_cases(plan)),
            audited("fringe tracker", tracking_cases(plan, tracked)),
            audited("air in the lines", air_cases(plan, tracked, light)),
            audited("light inlets", inlet_cases(plan)),
            audited("two stars", pair_cases(plan, tracked)),
            audited("field orientation", field_cases(plan, tracked)),
            audited("differential delay", differential_cases(plan, tracked)),
            audited("swap of two stars", swap_cases(plan, told)),
            audited("reserved time", reserved_cases(plan, told)),
            audited("internal calibrations", calibration_cases(plan, told)),
            audited("calibrators", calibrator_cases(plan, tracked)),
            audited("coverage", coverage_cases(plan, tracked, earlier)),
            audited("earlier nights", history_cases(plan, earlier)),
            audited("counts and score", total_cases(plan)),
            audited("gaps between visits", gap_cases(plan, visits)),
            audited("order of requests", order_cases(plan, visits)),
            audited("requests that go together", company_cases(plan)),
            audited("all or nothing", whole_cases(plan)),
            audited("programs", program_cases(plan, visits)),
            audited("shared calibrators", shared_cases(plan)),
            audited("travel", travel_cases(plan)),
            *told_checks(Evidence(plan, Recomputed(tracked, light, dark), told, earlier)),
        )
    return AuditReport(passed=all(check.passed for check in checks), checks=checks, not_checked=NOT_CHECKED)
