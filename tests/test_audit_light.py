"""The audit of the light path: it passes plans that keep every rule, and names the rule that a change breaks.

Two small nights of the demonstration arrays: ``feeds`` has routing modes, dual
feed, a tracker of three beams, guide stars and reserved time; ``steps`` has
path segments, lines in air and a tracker of six. Numbers judged by hand are in
``test_audit_light_hand``.
"""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
import test_audit
import test_audit_rules
from audited import failed
from lit_plans import KEEP, every_step, feeds, later, plus, solved, steps, with_changes, without

from planner.scenario.night import Reserved
from planner.scheduling.audit import audit_plan
from planner.scheduling.audit_told import CHECKS

pytestmark = pytest.mark.slow

ARRAY, REQUESTS = "scenario.array", "scenario.requests"
LARGE, MODES = f"{ARRAY}.telescope_classes.<large>", f"{ARRAY}.routing_modes"
SETUPS, SCIENCE = f"{ARRAY}.spectral_setups", "steps.1"
TRACKER, FEED = f"{ARRAY}.fringe_trackers.0", f"{ARRAY}.dual_feed"
SWAPPED, PHASE, RED = "visits.<xi1 Lup>", "visits.<alf PsA>", "visits.<bet Aqr veiled>"
WASHED, ALIGNED = "<Mirror of Hornet washed>", "<Alignment of the differential delay lines>"
IN_NIGHT, DUSK, DAWN = "<Beams exchanged on the laser>", "<Spectra of the lamp>", "<Darks and flats>"


def moved(name, seconds):
    return [(f"reserved.{name}.{edge}_utc", later(seconds)) for edge in ("start", "end", "ready")]


def exchanged(beams):
    """Two beams with each other's inputs."""
    first, second = beams[0].combiner_input, beams[1].combiner_input
    return (
        beams[0].model_copy(update={"combiner_input": second}),
        beams[1].model_copy(update={"combiner_input": first}),
        *beams[2:],
    )


def at(name, number, edge):
    """A time of a visit in ``feeds``."""
    visit = next(visit for visit in feeds().visits if visit.target == name)
    return getattr(visit.steps[number], f"{edge}_utc")


def placed_at(name, told):
    """Move a reserved time of ``feeds`` so that it starts at a time told there."""
    own = next(one for one in feeds().reserved if f"<{one.name}>" == name)
    return (datetime.fromisoformat(told) - datetime.fromisoformat(own.start_utc)).total_seconds()


def with_swap(name):
    """A swap told where nobody asks for one."""
    return [
        (f"visits.<{name}>.{SCIENCE}.swap_start_utc", at(name, 1, "start")),
        (f"visits.<{name}>.{SCIENCE}.swap_end_utc", at(name, 1, "start")),
    ]


TRACKED, FRINGES, PAIR, AIR = "tracked telescopes", "fringe tracker", "two stars", "air in the lines"
SWAP, DIFFERENTIAL, RESERVED = "swap of two stars", "differential delay", "reserved time"
INTERNAL, ROUTING, SETUP = "internal calibrations", "routing mode", "spectral setup"
# What else a change may break, depending on how the night is laid out.
MAY_FOLLOW = {"set-up", "delay line stroke", "air in the lines", "offsets of latest starts"}

ANOTHER_NIGHT = Reserved(
    name="another night",
    start_utc=datetime(2027, 8, 4, 2, tzinfo=UTC),
    end_utc=datetime(2027, 8, 4, 3, tzinfo=UTC),
)

FEEDS = {
    "a routing mode nobody has": ([("visits.<alf PsA>.routing_mode", "sideways")], {ROUTING}),
    "a mode of one star for two": ([(f"{SWAPPED}.routing_mode", "large single feed")], {ROUTING}),
    "a mode of two stars for one": ([(f"{RED}.routing_mode", "large dual feed")], {ROUTING}),
    "a mode that gives the combiner no light": (
        [(f"{ARRAY}.combiners.<Lattice>.routing_modes", ("small single feed", "small dual feed"))],
        {ROUTING},
    ),
    "a mode that does not lead the class": (
        [(f"{MODES}.<large single feed>.compression", {"small": 1.0})],
        {ROUTING},
    ),
    "a line that does not reach its input": (
        [
            (f"{MODES}.<large dual feed>.inputs.North 1", (4,)),
            (f"{MODES}.<large dual feed>.inputs.North 2", (4,)),
        ],
        {ROUTING},
    ),
    "inputs exchanged": (every_step(f"{RED}.steps.{{k}}.beams", exchanged), {"delay", ROUTING}),
    "a pad with room for one beam": ([(f"{ARRAY}.stations.<Adit>.inlet_beams", 1)], {"light inlets"}),
    "another spectral setup": ([(f"{PHASE}.spectral_setup", "low")], {SETUP}),
    "a spectral setup nobody has": ([(f"{PHASE}.spectral_setup", "finest")], {"coverage", SETUP}),
    "a spectral setup that sees less": (
        [(f"{SETUPS}.<high>.limiting_magnitude", {"large": 0.5})],
        {"limiting magnitude"},
    ),
    "a spectral setup that records longer": (
        [(f"{SETUPS}.<high>.calibrator_recording_s", 600.0)],
        {"recording time"},
    ),
    "overheads that grow": ([(f"{ARRAY}.combiners.<Trine>.overhead_s", 90.0)], {"recording time"}),
    "a second band in which the star is too faint": (
        [(f"{ARRAY}.combiners.<Trine>.further_limits", {"H": {"large": 0.5, "small": 0.5}})],
        {"limiting magnitude"},
    ),
    "a second band without a limit for the class": (
        [(f"{ARRAY}.combiners.<Trine>.further_limits", {"H": {"middling": 9.0}})],
        {"limiting magnitude"},
    ),
    "channels of the setup elsewhere": ([(f"{SETUPS}.<high>.wavelengths_um", (2.6,))], {"coverage", TRACKED}),
    "a swap left out": (
        [
            (f"{SWAPPED}.{SCIENCE}.swap_start_utc", None),
            (f"{SWAPPED}.{SCIENCE}.swap_end_utc", None),
        ],
        {SWAP},
    ),
    "a swap that takes longer": ([(f"{FEED}.swap_s", 301.0)], {SWAP}),
    "a swap not in the middle": (
        [(f"{SWAPPED}.{SCIENCE}.swap_{edge}_utc", later(60)) for edge in ("start", "end")],
        {SWAP},
    ),
    "a swap nobody asked for": (lambda: with_swap("bet Aqr veiled"), {SWAP}),
    "a swap without a time": ([(f"{SWAPPED}.{SCIENCE}.swap_end_utc", "soon")], {SWAP}),
    "a second star elsewhere": (
        [(f"{REQUESTS}.<xi1 Lup>.extras.second_star.dec_deg", plus(1e-3))],
        {DIFFERENTIAL, PAIR},
    ),
    "a second star of another name": ([(f"{SWAPPED}.dual_feed.second_star", "nobody")], {PAIR}),
    "a pair too wide": ([(f"{FEED}.separation_arcsec", (2.0, 9.0))], {PAIR}),
    "a position angle the other way round": (
        [(f"{SWAPPED}.dual_feed.position_angle_deg", plus(180.0))],
        {PAIR},
    ),
    "a pair that stands askew": ([(f"{FEED}.field_angle_deg", (-2.0, 2.0))], {"field orientation"}),
    "a differential delay 15 um off": (
        [(f"{SWAPPED}.{SCIENCE}.beams.2.differential_end_m", plus(1.5e-5))],
        {DIFFERENTIAL},
    ),
    "a common number that changes": (
        [(f"{SWAPPED}.{SCIENCE}.beams.{k}.differential_end_m", plus(1e-4)) for k in range(4)],
        {DIFFERENTIAL},
    ),
    "differential lines that end": ([(f"{FEED}.differential_stroke_m", (-0.001, 0.001))], {DIFFERENTIAL}),
    "a differential delay left out": (
        [(f"{SWAPPED}.{SCIENCE}.beams.1.differential_start_m", None)],
        {DIFFERENTIAL},
    ),
    "a differential delay of one star": (
        [(f"{RED}.{SCIENCE}.beams.0.differential_start_m", 0.0)],
        {DIFFERENTIAL},
    ),
    "a path error too small": ([(f"{SWAPPED}.dual_feed.path_error_nm", lambda nm: 0.99 * nm)], {PAIR}),
    "a baseline error too large": (
        [(f"{SWAPPED}.dual_feed.baseline_error_um", lambda um: 1.01 * um)],
        {PAIR},
    ),
    "another angle error": ([(f"{SWAPPED}.dual_feed.angle_error_uas", 10.0)], {PAIR}),
    "a pair that is not told": ([(f"{SWAPPED}.dual_feed", None)], {PAIR}),
    "a guide star too faint": ([(f"{LARGE}.guide_limiting_magnitude", 2.0)], {"guide star"}),
    "a guide star too far": ([(f"{LARGE}.guide_distance_max_arcsec", 30.0)], {"guide star distance"}),
    "a guide star of unknown magnitude": (
        [(f"{REQUESTS}.<bet Aqr veiled>.extras.guide_star.mag", {"H": 1.0})],
        {"guide star"},
    ),
    "a sensor that sees less": (
        [(f"{ARRAY}.beam_sensors.0.limiting_magnitude", {"large": 4.0, "small": 4.0})],
        {"beam-position sensor"},
    ),
    "a sensor of fewer beams": ([(f"{ARRAY}.beam_sensors.0.beams", 7)], {"beam-position sensor"}),
    "a tracked telescope too few": ([(f"{SWAPPED}.tracked", lambda names: names[:2])], {TRACKED}),
    "a tracked telescope that is not there": (
        [(f"{SWAPPED}.tracked", lambda names: (*names[:2], "Cricket"))],
        {TRACKED},
    ),
    "a chain with a link missing": ([(f"{SWAPPED}.{SCIENCE}.chain", lambda chain: chain[:1])], {TRACKED}),
    "a chain that closes on itself": (
        [(f"{SWAPPED}.{SCIENCE}.chain", lambda chain: (chain[0], chain[0][::-1]))],
        {TRACKED},
    ),
    "a chain through an untracked telescope": (
        [(f"{SWAPPED}.{SCIENCE}.chain", lambda chain: (chain[0], (chain[0][0], "Cricket")))],
        {TRACKED},
    ),
    "a tracking margin too wide": ([(f"{SWAPPED}.{SCIENCE}.tracking_margin_mag", plus(0.03))], {FRINGES}),
    "a tracking margin left out": ([(f"{SWAPPED}.steps.0.tracking_margin_mag", None)], {FRINGES}),
    "group delay where the phase is wanted": ([(f"{PHASE}.tracking", "group delay")], {TRACKED}),
    "phase told where group delay alone is held": ([(f"{RED}.tracking", "phase")], {FRINGES, TRACKED}),
    "a tracker that sees less": ([(f"{TRACKER}.group_delay_limit", {"large": 1.0, "small": 1.0})], {FRINGES}),
    "a tracker that wants more contrast": ([(f"{TRACKER}.vis2_min", 0.98)], {FRINGES}),
    "a tracker of four beams": ([(f"{TRACKER}.beams", 4)], {TRACKED}),
    "a contrast too high": ([(f"{SWAPPED}.contrasts.0.contrast", plus(0.001))], {TRACKED}),
    "a contrast left out": ([(f"{SWAPPED}.contrasts", lambda told: told[1:])], {TRACKED}),
    "tracking told where none is wanted": ([("visits.<del Oph>.tracking", "group delay")], {TRACKED}),
    "a chain told where nothing is tracked": (
        [("visits.<kap Oph>.steps.0.chain", (("Cricket", "Mantis"),))],
        {TRACKED},
    ),
    "a pupil out of place": (
        [(f"{ARRAY}.delay_lines.{k}.pupil_stroke_m", (8.0, 12.0)) for k in range(6)],
        {"pupil relay"},
    ),
    "reserved time left out": ([("reserved", without(WASHED.strip("<>")))], {RESERVED}),
    "reserved time told later": (moved(WASHED, 120), {RESERVED}),
    "reserved time of other telescopes": ([(f"reserved.{WASHED}.telescopes", ("Cricket",))], {RESERVED}),
    "reserved time nobody asks for": (
        [("scenario.reserved", lambda own: own[1:] if own[0].name == WASHED.strip("<>") else own[:1])],
        {RESERVED},
    ),
    "a chosen time out of its windows": (moved(ALIGNED, 1800), {RESERVED}),
    "a chosen time cut short": ([(f"reserved.{ALIGNED}.end_utc", later(-60))], {RESERVED}),
    "a chosen time too long": ([(f"reserved.{ALIGNED}.end_utc", later(70))], {RESERVED}),
    "stars too soon after a chosen time": ([(f"reserved.{ALIGNED}.ready_utc", later(-60))], {RESERVED}),
    "a chosen time that does not tell when stars follow": (
        [(f"reserved.{ALIGNED}.ready_utc", None)],
        {RESERVED},
    ),
    "a chosen time on a visit": (
        lambda: moved(ALIGNED, placed_at(ALIGNED, at("alf PsA", 1, "start"))),
        {RESERVED},
    ),
    "a reserved time that ends before it starts": (
        [(f"reserved.{ALIGNED}.end_utc", later(-1600))],
        {RESERVED},
    ),
    "a reserved time at no time": ([(f"reserved.{ALIGNED}.start_utc", "late")], {RESERVED}),
    "a calibration in the night on a visit": (
        lambda: moved(IN_NIGHT, placed_at(IN_NIGHT, at("xi1 Lup", 1, "start"))),
        {INTERNAL},
    ),
    "a calibration in the night in the reserved time": (
        lambda: moved(
            IN_NIGHT, placed_at(IN_NIGHT, next(o.start_utc for o in feeds().reserved if o.name in ALIGNED))
        ),
        {RESERVED},
    ),
    "a calibration left out": ([("reserved", without(IN_NIGHT.strip("<>")))], {INTERNAL}),
    "a calibration cut short": ([(f"reserved.{DUSK}.start_utc", later(60))], {INTERNAL}),
    "a calibration before dusk that ends in the night": (moved(DUSK, 60), {INTERNAL}),
    "a calibration after dawn that starts in the night": (moved(DAWN, -60), {INTERNAL}),
    "a calibration before dusk without a time": (
        [
            (f"reserved.{DUSK}.start_utc", None),
            (f"reserved.{DUSK}.end_utc", None),
        ],
        {INTERNAL},
    ),
    "a calibration for a combiner that is not used": (
        [(f"{ARRAY}.internal_calibrations.{DAWN}.combiners", ("nobody",))],
        {INTERNAL},
    ),
    "a calibration of some telescopes": ([(f"reserved.{DUSK}.telescopes", ("Copper",))], {INTERNAL}),
    "a routing mode that takes long": ([(f"{MODES}.<large dual feed>.change_s", 30000.0)], {"set-up"}),
    "inputs that take long": ([(f"{MODES}.{k}.input_change_s", 40000.0) for k in range(4)], {"set-up"}),
    "a spectral setup that takes long": ([(f"{SETUPS}.<high>.change_s", 30000.0)], {"set-up"}),
    "feed optics that move in slowly": ([(f"{ARRAY}.combiners.<Trine>.feed_in_s", 30000.0)], {"set-up"}),
    "feed optics that move out slowly": ([(f"{ARRAY}.combiners.<Trine>.feed_out_s", 30000.0)], {"set-up"}),
}

STEPS = {
    "another path segment": (
        every_step("visits.<alf Cep>.steps.{k}.beams.1.path_segment", "Middle loop"),
        {"delay"},
    ),
    "a segment that does not serve the pad": (
        [(f"{ARRAY}.path_segments.{k}.stations", ("Crest",)) for k in range(5)],
        {"path segments"},
    ),
    "a segment nobody has": (
        every_step("visits.<alf Cep>.steps.{k}.beams.0.path_segment", "Moebius"),
        {"path segments"},
    ),
    "a beam without a segment": (
        every_step("visits.<alf Cep>.steps.{k}.beams.0.path_segment", None),
        {"path segments"},
    ),
    "a segment that changes within a visit": (
        [("visits.<alf Cep>.steps.2.beams.0.path_segment", "Short loop")],
        {"beams and lines", "delay", "set-up"},
    ),
    "segments that are switched slowly": (
        [(f"{ARRAY}.path_segments.{k}.change_s", 30000.0) for k in range(5)],
        {"set-up"},
    ),
    "an air offset that is not there": ([("visits.<alf Aql>.steps.1.air_offset_um", plus(0.05))], {AIR}),
    "an air offset left out": ([("visits.<alf Aql>.steps.1.air_offset_um", None)], {AIR}),
    "a contrast that air does not leave": ([("visits.<alf Aql>.steps.1.air_contrast", 0.999)], {AIR}),
    "a combiner that bears less air": ([(f"{ARRAY}.combiners.<Triad>.air_contrast_min", 0.9999)], {AIR}),
    "lines told to be in vacuum": ([(f"{ARRAY}.delay_lines.{k}.medium", "vacuum") for k in range(6)], {AIR}),
    "a tracker in another band": ([(f"{TRACKER}.wavelength_um", 1.0)], {AIR, FRINGES}),
}


def broken(name):
    """The plan with the change of that name, and the checks that must fail."""
    found, group = (feeds(), FEEDS) if name in FEEDS else (steps(), STEPS)
    changes, expected = group[name]
    return with_changes(found, *(changes() if callable(changes) else changes)), expected


@pytest.mark.parametrize("name", ["twostars", "steps"])
def test_a_plan_of_the_solver_with_a_light_path_passes(name):
    assert {visit.target for visit in solved(name).visits} == set(KEEP[name])
    assert audit_plan(solved(name)).passed


@pytest.mark.parametrize("name", [*FEEDS, *STEPS])
def test_a_broken_light_path_fails_its_own_check(name):
    found, expected = broken(name)
    told = failed(found)
    assert expected <= told
    assert told - expected <= MAY_FOLLOW


def test_each_check_can_fail():
    # What is told is judged in test_audit_told, offsets of latest starts in test_latest_offsets.
    elsewhere = {*CHECKS, "completeness", "offsets of latest starts"}
    names = {check.name for check in audit_plan(feeds()).checks} - elsewhere
    plain = [expected for _, expected in test_audit.BROKEN.values()]
    light = [expected for group in (FEEDS, STEPS) for _, expected in group.values()]
    terms = (test_audit_rules.TERMS, test_audit_rules.PROGRAMS, test_audit_rules.SHARED)
    between = [expected for group in terms for _, expected in group.values()]
    assert set().union(*plain, *light, *between) == names


KEPT = {
    "an edge of a chain the other way round": [
        (f"{SWAPPED}.{SCIENCE}.chain", lambda chain: (chain[0][::-1], *chain[1:]))
    ],
    "a tracking margin to a hundredth": [(f"{SWAPPED}.{SCIENCE}.tracking_margin_mag", plus(0.01))],
    "a differential delay 5 um off": [(f"{SWAPPED}.{SCIENCE}.beams.2.differential_end_m", plus(5e-6))],
    "another common number for the differential delays": [
        (f"{SWAPPED}.{SCIENCE}.beams.{k}.differential_{edge}_m", plus(1e-3))
        for k in range(4)
        for edge in ("start", "end")
    ],
    "reserved time given for another night": [
        ("scenario.reserved", lambda own: (*own, ANOTHER_NIGHT)),
    ],
}


@pytest.mark.parametrize("name", KEPT)
def test_a_light_path_that_keeps_every_rule_passes(name):
    assert failed(with_changes(feeds(), *KEPT[name])) == set()


def test_a_chosen_time_may_be_told_to_fit_nowhere():
    nowhere = [(f"reserved.{ALIGNED}.{edge}_utc", None) for edge in ("start", "end", "ready")]
    # Without it devices may lack the time in which they moved ahead.
    assert failed(with_changes(feeds(), *nowhere)) <= {"set-up"}


NONSENSE = (
    *(f"{SWAPPED}.{key}" for key in ("spectral_setup", "routing_mode", "tracking", "tracked.0")),
    *(f"{SWAPPED}.contrasts.0.{key}" for key in ("telescopes.0", "contrast")),
    *(f"{SWAPPED}.dual_feed.{key}" for key in ("second_star", "separation_arcsec", "position_angle_deg")),
    *(f"{SWAPPED}.dual_feed.{key}" for key in ("angle_error_uas", "path_error_nm", "baseline_error_um")),
    *(f"{SWAPPED}.{SCIENCE}.{key}" for key in ("chain.0.0", "tracking_margin_mag", "swap_start_utc")),
    *(f"{SWAPPED}.{SCIENCE}.{key}" for key in ("air_offset_um", "air_contrast", "swap_end_utc")),
    *(f"{SWAPPED}.{SCIENCE}.beams.0.{key}" for key in ("path_segment", "differential_start_m")),
    *(f"reserved.{ALIGNED}.{key}" for key in ("name", "start_utc", "end_utc", "ready_utc")),
    *(f"reserved.{DUSK}.{key}" for key in ("name", "start_utc", "end_utc")),
)


@pytest.mark.parametrize("path", NONSENSE)
def test_nonsense_in_the_light_path_fails_and_never_raises(path):
    number = path.endswith(("contrast", "_mag", "_um", "_m", "_nm", "_uas", "_deg", "_arcsec"))
    assert failed(with_changes(feeds(), (path, float("nan") if number else "nonsense")))
