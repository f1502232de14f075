"""The plan as a document: what ``plan.json`` holds.

The document carries the scenario it was made from, so that the audit needs no
other file. Times are ISO 8601 UTC ending in ``Z``; delays are metres of
light in the delay line; mount azimuths are cable-wrap angles (they may lie
outside 0..360), from north through east.
"""

from __future__ import annotations

import datetime
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

from planner.scenario.targets import Scenario

SCHEMA_NAME = "interferometer-planner/plan/1"


VisitKey = Annotated[str, Field(pattern=r"^V[0-9]{2,6}$")]


class Document(BaseModel):
    """A part of ``plan.json``."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class Beam(Document):
    """One telescope's light during one step."""

    telescope: str
    station: str
    delay_line: str
    combiner_input: int = Field(description="Input of the combiner, counted from 1.")
    delay_start_m: float = Field(
        description="Optical path in the line when recording starts, metres of light."
    )
    delay_end_m: float = Field(description="The same when recording ends.")
    azimuth_start_deg: float = Field(description="Mount azimuth when recording starts, a cable-wrap angle.")
    azimuth_end_deg: float
    altitude_start_deg: float = Field(description="True altitude, without refraction.")
    altitude_end_deg: float
    path_segment: str | None = Field(default=None, description="Fixed path segment in the beam, if any.")
    differential_start_m: float | None = Field(
        default=None, description="Dual feed: path of the second star's differential line at the start."
    )
    differential_end_m: float | None = Field(default=None, description="The same when recording ends.")


class Step(Document):
    """One star tracked and recorded."""

    role: Literal["science", "calibrator"]
    object: str
    setup_start_utc: str = Field(
        description="The beams are free from here on; nothing records until start_utc."
    )
    start_utc: str
    end_utc: str
    common_offset_m: float = Field(description="K of the delay equation, held during the step.")
    beams: tuple[Beam, ...]
    chain: tuple[tuple[str, str], ...] = Field(
        default=(), description="Baselines, as pairs of telescopes, that hold the tracked beams together."
    )
    tracking_margin_mag: float | None = Field(
        default=None, description="By how much the weakest of them can be tracked at the worst moment."
    )
    air_offset_um: float | None = Field(
        default=None,
        description="Lines in air: largest path difference between two beams that is left in the science "
        "band when it is zero in the tracking band.",
    )
    air_contrast: float | None = Field(
        default=None, description="Fringe contrast that this leaves in the worst channel."
    )
    swap_start_utc: str | None = Field(
        default=None, description="Dual feed: the stars change places from here on; nothing is recorded."
    )
    swap_end_utc: str | None = None
    shared: bool = Field(
        default=False,
        description="The very exposure that closes the visit before: it is made once and opens this one too.",
    )


class Contrast(Document):
    """What imperfect tracking leaves of the fringe contrast on one baseline."""

    telescopes: tuple[str, str]
    contrast: float


class DualFeedVisit(Document):
    """The two stars of a dual-feed visit, and what an error of the path means."""

    second_star: str
    separation_arcsec: float
    position_angle_deg: float = Field(description="Of the second star from the target, north through east.")
    angle_error_uas: float | None = Field(description="Error wanted of the angle, from the request.")
    path_error_nm: float | None = Field(
        description="Path error that is this angle on the longest baseline as the star sees it at worst."
    )
    baseline_error_um: float | None = Field(
        description="Error of that baseline that alone would be this angle: path error over separation."
    )


class Visit(Document):
    """Calibrator, science, calibrator, for one request."""

    id: VisitKey = Field(description="Its number in this night; it stays when the night is planned again.")
    target: str
    combiner: str
    subarray: tuple[str, ...]
    steps: tuple[Step, ...]
    latest_start_utc: str = Field(
        description="Latest start that keeps this visit and all later ones as planned."
    )
    latest_offsets_m: tuple[float, ...] | None = Field(
        default=None,
        description="Common offsets of its steps at the latest start; null where those of the steps hold.",
    )
    margins: tuple[Margin, ...]
    new_cells: tuple[tuple[int, int], ...] = Field(
        description="Cells that no earlier visit of this request fills, tonight or before; (u, v) indices."
    )
    value: int = Field(description="What the visit adds to the worth of its request.")
    cells_again: tuple[tuple[int, int], ...] = Field(
        default=(),
        description="Cells that an earlier visit fills too and that still add value; (u, v) indices.",
    )
    budget_s: float = Field(
        default=0.0, description="Time it takes from its program: its first capture, its steps and set-ups."
    )
    fillers: tuple[Filler, ...] = Field(
        default=(), description="Other visits that fit in its place, the most valuable first."
    )
    spectral_setup: str | None = None
    routing_mode: str | None = None
    tracking: Literal["group delay", "phase"] | None = Field(
        default=None, description="What the fringe tracker does; null where there is none."
    )
    tracked: tuple[str, ...] = Field(default=(), description="Telescopes whose fringes are tracked.")
    contrasts: tuple[Contrast, ...] = Field(
        default=(), description="Contrast left on each baseline at the shortest science channel."
    )
    dual_feed: DualFeedVisit | None = None


class FillerStep(Document):
    """One star recorded in a filler."""

    object: str
    start_utc: str
    end_utc: str


class Filler(Document):
    """A visit that fits where another one is planned, with all others left as they are."""

    target: str
    subarray: tuple[str, ...] = ()
    start_utc: str
    end_utc: str
    value: int = Field(description="What the plan would gain by it when the visit here is lost.")
    steps: tuple[FillerStep, ...] = Field(
        default=(), description="What is recorded: a calibrator, the target, a calibrator."
    )


class Margin(Document):
    """By how much the tightest moment of a visit keeps a limit."""

    limit: str
    margin: float
    unit: str
    object: str


class ReservedTime(Document):
    """Time that is not for stars: reserved by the user, or an internal calibration."""

    name: str
    kind: Literal["reserved", "internal calibration"]
    start_utc: str | None = Field(description="Null where it fits nowhere.")
    end_utc: str | None
    telescopes: tuple[str, ...] = Field(description="Telescopes it takes away; empty means the whole array.")
    ready_utc: str | None = Field(
        default=None, description="The next star is acquired from here on at the earliest."
    )


class EarlierVisit(Document):
    """A visit of an earlier plan of this night."""

    id: VisitKey
    target: str
    combiner: str
    subarray: tuple[str, ...]
    setup_start_utc: str
    start_utc: str
    end_utc: str
    became: Literal["made", "lost", "open"] = Field(
        description="Made; begun but not made; or not begun when the night was planned again."
    )


class EarlierPlans(Document):
    """What a plan for the rest of a night follows."""

    replanned: int = Field(ge=1, description="How often the night has been planned again, with this plan.")
    visits: tuple[EarlierVisit, ...] = Field(
        description="Every visit of the plans before, each as its last plan had it, by number."
    )


class RequestOutcome(Document):
    """What became of one request."""

    target: str
    combiner: str
    priority: int
    visits_wanted: int
    visits_planned: int
    cells_filled: int
    cells_reachable: int = Field(description="Cells in reach tonight that earlier nights have not filled.")
    cells_filled_before: int = Field(
        default=0,
        description="Cells that earlier nights have filled with this combiner, in reach tonight or not.",
    )
    feasible_starts: int = Field(description="Slots of the night at which a whole visit could start.")
    subarrays: int = Field(default=0, description="Subarrays that can follow it at some slot.")
    subarrays_offered: int = Field(default=0, description="Those of which the solver was offered visits.")
    assignments: int = Field(
        default=0,
        description="Ways to lead the light of the subarrays offered (lines, mode, path segments) that serve "
        "it at some slot.",
    )
    assignments_offered: int = Field(
        default=0,
        description="Those ways that the solver was offered visits of; the bound covers no others.",
    )
    reason: str | None = Field(
        description="Why fewer visits were planned than wanted; null when none is missing."
    )
    worth: int = Field(default=0, description="What its visits are worth together.")
    forced: Forced | None = Field(
        default=None, description="What serving it would cost; null when it is served, or was not asked."
    )


class Forced(Document):
    """What it would cost to serve a request that was left out."""

    score: int = Field(description="Score of the best plan found that serves it.")
    cost: int = Field(description="What that is less than the plan's own score; at most so much is lost.")
    cost_least: int = Field(description="Proven: no plan that serves it costs less.")
    start_utc: str = Field(description="Start of its first visit in that plan.")
    displaced: tuple[str, ...] = Field(description="Targets that lose visits to it.")


class ProgramOutcome(Document):
    """What became of a program."""

    name: str
    targets: tuple[str, ...]
    visits: int
    score: int
    share: int
    hours_used: float
    hours_max: float | None


class Travel(Document):
    """How far things move in the whole plan, and how far they moved before the plan was made calmer."""

    carriages_m: float = Field(description="Distance that all carriages run on their rails between steps, m.")
    mounts_deg: float = Field(
        description="Angle that all mounts turn between steps, azimuth and altitude, deg."
    )
    carriages_before_m: float
    mounts_before_deg: float


class LostTime(Document):
    """What the plan keeps of its score when stretches of the night are lost, simulated."""

    probability: float
    stretch_min: float
    nights: int
    score_mean: float
    score_tenth: int = Field(description="One night in ten keeps less.")


class SolverReport(Document):
    """How the plan was found and what is proven about it."""

    made_by: Literal["cp-sat", "path search", "local search", "greedy", "nothing to plan"]
    status: Literal["optimal", "feasible", "empty"]
    score: int
    bound: int
    gap: float
    effort: float
    candidates: int = Field(
        description="Candidate visits the solver chose from; the bound is over all plans of these."
    )
    solver: str
    seconds: float | None = Field(
        default=None, description="Time limit instead of the effort; such a plan does not repeat itself."
    )
    stopped_by: Literal["time limit", "Ctrl-C"] | None = Field(
        default=None, description="What ended the search early; such a plan does not repeat itself."
    )


class EarthOrientation(Document):
    """State of UT1 and polar motion for this night."""

    source: str
    state: Literal["measured", "predicted", "frozen"]
    ut1_minus_utc_s: float
    error_s: float
    delay_error_mm: float = Field(description="What that error means on the longest baseline in use.")
    sentence: str


class Night(Document):
    """The dark hours and the grid."""

    date: str
    sun_altitude_max_deg: float
    start_utc: str = Field(description="The Sun goes below the limit.")
    end_utc: str = Field(description="The Sun comes above the limit.")
    slot_s: int
    tick_s: int
    moon_illumination: float


class AuditCheck(Document):
    """One kind of check of the audit."""

    name: str
    passed: bool
    checked: int = Field(description="How many times it was applied.")
    worst: str = Field(description="The tightest case, or the first failures.")


class NotChecked(Document):
    """Something that a plan tells and the audit takes on trust."""

    what: str
    keys: tuple[str, ...] = Field(description="Where it stands in the plan; * for any position.")
    why: str


class AuditReport(Document):
    """Result of the independent check."""

    passed: bool
    checks: tuple[AuditCheck, ...]
    not_checked: tuple[NotChecked, ...] = ()


class NightPlan(Document):
    """Everything in ``plan.json``."""

    schema_name: str = Field(default=SCHEMA_NAME, alias="schema")
    planner_version: str
    scenario: Scenario
    night: Night
    configuration: str
    placement: dict[str, str] = Field(description="Telescope to station.")
    solver: SolverReport
    visits: tuple[Visit, ...]
    reserved: tuple[ReservedTime, ...] = ()
    requests: tuple[RequestOutcome, ...]
    earth_orientation: EarthOrientation
    programs: tuple[ProgramOutcome, ...] = ()
    unfair: int = Field(default=0, description="What fairness takes off the score.")
    travel: Travel | None = None
    lost_time: LostTime | None = None
    complete: bool = Field(
        default=True,
        description="False where the report was never written: visits and steps are all there, but margins, "
        "latest starts, fillers, reasons, travel and lost time are missing.",
    )
    earlier: EarlierPlans | None = Field(default=None, description="Null in a plan for the whole night.")
    audit: AuditReport | None = None

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False, populate_by_name=True)


Visit.model_rebuild()


def moment(text: str) -> datetime.datetime:
    """Return a time of the plan; a leap second counts as the second before it."""
    return datetime.datetime.fromisoformat(text.replace(":60Z", ":59Z"))
