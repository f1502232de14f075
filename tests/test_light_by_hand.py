"""The light path by hand: what each part of it forbids, costs and says, on the smallest nights."""

from __future__ import annotations

import re

import numpy as np
import pytest
from invented import combiner, delay_line, telescope_class
from light_nights import LARGE, MAIN, PAIR, SMALL, bright_star, by_hand, plain_array, wish
from nights import build, planned
from scipy.special import j1

from planner.constraints.brightness import brightness_limits
from planner.scenario.array import Array
from planner.scenario.light_path import (
    BeamSensor,
    FringeTracker,
    PathSegment,
    RoutingMode,
    SpectralSetup,
)
from planner.scheduling.plan import NightPlan
from planner.scheduling.routes import matching, modes_for
from planner.scheduling.setup import carriage_s, combiner_change_s, mode_change_s, step_ticks
from planner.scheduling.table import wait_ticks

ARCSEC = np.deg2rad(1.0 / 3600.0)


def why(array: Array, *requests: object) -> str:
    """Reason that the plan gives for its first request, of which no visit could be made."""
    night, plan = planned(by_hand(array, *requests))
    assert not np.any(night.problem.request == 0)
    assert plan.requests[0].reason is not None
    return plan.requests[0].reason


def made(array: Array, *requests: object) -> NightPlan:
    """The plan of a night in which the first request gets a visit."""
    plan = planned(by_hand(array, *requests))[1]
    assert plan.requests[0].visits_planned == 1
    return plan


def mode(name: str = "straight", **changes: object) -> RoutingMode:
    return RoutingMode.model_validate({"name": name, "change_s": 150.0} | changes)


def test_beams_swap_inputs_where_only_that_leads_both_and_stay_out_where_nothing_does():
    # Beam 0 must leave input 0 to beam 1, which reaches no other.
    assert matching([(0, 1), (0,)], 2) == (1, 0)
    assert matching([(0,), (0,), (0, 1, 2)], 3) is None
    # An input that the combiner has not is none.
    assert matching([(2,), (0,)], 2) is None


def test_the_plan_tells_the_inputs_that_the_routing_allows():
    own = mode(inputs={"D0": (1, 2), "D1": (1,)})
    served = tuple(delay_line(f"D{k}", stations=(f"P{k}",)) for k in range(2))
    plan = made(plain_array([0, 30], routing_modes=(own,), delay_lines=served))
    beams = {beam.telescope: beam.combiner_input for beam in plan.visits[0].steps[1].beams}
    assert beams == {"T0": 2, "T1": 1}
    assert plan.visits[0].routing_mode == "straight"


def test_two_lines_that_reach_one_input_only_are_told_by_name():
    array = plain_array([0, 30], routing_modes=(mode("narrow", inputs={"D0": (1,), "D1": (1,)}),))
    assert why(array) == (
        "light path: no matching of T0-T1 to lines and inputs of main: T0 reaches D0, D1; "
        "T1 reaches D0, D1; in narrow D0 reaches 1, D1 reaches 1"
    )


def test_too_few_lines_are_told_by_name():
    array = plain_array([0, 30], delay_lines=(delay_line("D0"), delay_line("D1", stations=("P9",))))
    found = "light path: the beams of T0-T1 find no 2 different delay lines: T0 reaches D0; T1 reaches D0"
    assert why(array) == found
    only_first = (delay_line("D0", stations=("P0",)),)
    assert why(plain_array([0, 30], delay_lines=only_first)) == "light path: no delay line serves T1 on P1"


def two_classes(**routing: object) -> Array:
    """Beams of 20 and 60 mm on one combiner that may mix them."""
    array = plain_array([0, 30], **routing)
    both = telescope_class(SMALL, beam_mm=20.0), telescope_class(LARGE, beam_mm=60.0)
    mixing = combiner(2, name=MAIN, limiting_magnitude={SMALL: 6, LARGE: 6}, mixed_classes=True)
    second = array.telescopes[1].model_copy(update={"telescope_class": LARGE})
    return array.model_copy(
        update={
            "telescope_classes": both,
            "telescopes": (array.telescopes[0], second),
            "combiners": (mixing,),
        }
    )


@pytest.mark.parametrize(("ratio", "fits"), [(3.0, True), (3.02, True), (3.04, False), (1.0, False)])
def test_beams_of_20_and_60_mm_combine_when_one_is_compressed_by_three(ratio, fits):
    # 60/3.02 = 19.87 mm, within 1 % of 20; 60/3.04 = 19.74 mm is not.
    array = two_classes(routing_modes=(mode(compression={SMALL: 1.0, LARGE: ratio}),))
    assert bool(modes_for(array, array.combiners[0], array.telescope_classes)) == fits


def test_beams_of_two_sizes_that_nothing_compresses_do_not_meet():
    told = "light path: no routing mode of main leads beams of T0-T1 (one metre, two metre) with one size"
    assert why(two_classes(routing_modes=(mode(compression={SMALL: 1.0, LARGE: 2.0}),))) == told
    assert why(two_classes()) == told
    assert made(two_classes(routing_modes=(mode(compression={SMALL: 1.0, LARGE: 3.0}),)))


def test_a_mode_takes_its_own_time_wherever_the_optics_come_from():
    modes = (mode("a", change_s=150.0), mode("b", change_s=210.0))
    assert mode_change_s(modes).tolist() == [[0.0, 210.0], [150.0, 0.0]]


def test_feed_optics_move_at_once_and_then_the_combiner_is_set_up():
    main = combiner(2, name=MAIN, feed_in_s=110.0, feed_out_s=70.0, setup_s=240.0)
    pair = combiner(2, name=PAIR, feed_in_s=40.0, feed_out_s=200.0, setup_s=120.0)
    setups = tuple(
        SpectralSetup(name=name, combiner=MAIN, change_s=s) for name, s in (("fine", 170), ("coarse", 60))
    )
    array = plain_array([0, 30], combiners=(main, pair), spectral_setups=setups)
    states = [(MAIN, None), (MAIN, "fine"), (MAIN, "coarse"), (PAIR, None)]
    # main to pair: the slower of 70 out and 40 in, then 120; back: the slower of 200 and 110, then 240.
    # From fine to coarse 60, back to the combiner's own keys what is left takes.
    assert combiner_change_s(array, states).tolist() == [
        [0.0, 170.0, 60.0, 190.0],
        [170.0, 0.0, 60.0, 190.0],
        [60.0, 170.0, 0.0, 190.0],
        [440.0, 440.0, 440.0, 0.0],
    ]


SLOW = 1000.0  # a change that takes longer than any slew


def changing(kind: str) -> tuple[Array, tuple[object, object]]:
    """Two requests between which one part of the light path has to change, in 1000 s."""
    served = tuple(delay_line(f"D{k}", stations=(f"P{k}",)) for k in range(3))
    array = plain_array([0, 30, 60], delay_lines=served)
    first, second = wish(bright_star("one")), wish(bright_star("two", 172.0))
    same = {"telescopes": ("T0", "T1")}
    if kind == "input":
        # D0 must give way to D1, which reaches input 1 only; beside D2 it takes input 1 itself.
        own = mode(inputs={"D0": (1, 2), "D1": (1,), "D2": (2,)}, input_change_s=SLOW)
        array = array.model_copy(update={"routing_modes": (own,)})
        return array, (wish(first.star, **same), wish(second.star, telescopes=("T0", "T2")))
    if kind == "mode":
        modes = mode("a", change_s=SLOW), mode("b", change_s=SLOW)
        both = (
            combiner(2, name=MAIN, setup_s=0.0, routing_modes=("a",)),
            combiner(2, name=PAIR, setup_s=0.0, routing_modes=("b",)),
        )
        array = array.model_copy(update={"routing_modes": modes, "combiners": both})
        return array, (wish(first.star, **same), wish(second.star, PAIR, **same))
    if kind == "feed optics":
        both = (
            combiner(2, name=MAIN, setup_s=0.0, feed_out_s=SLOW, feed_in_s=SLOW),
            combiner(2, name=PAIR, setup_s=0.0),
        )
        array = array.model_copy(update={"combiners": both})
        return array, (wish(first.star, **same), wish(second.star, PAIR, **same))
    if kind == "spectral setup":
        own = SpectralSetup(name="fine", combiner=MAIN, change_s=SLOW)
        array = array.model_copy(update={"spectral_setups": (own,)})
        return array, (wish(first.star, **same), wish(second.star, spectral_setup="fine", **same))
    # T0 needs 55 m more of path with T1, whose light comes by a way longer by 60 m, and none with T2.
    longer = array.stations[1].model_copy(update={"fixed_path_m": 60.0})
    segments = (
        PathSegment(name="direct", path_m=0.0, change_s=SLOW),
        PathSegment(name="long", path_m=55.0, change_s=SLOW, stations=("P0",)),
    )
    lines = tuple(line.model_copy(update={"stroke_m": (0.0, 38.0)}) for line in served)
    stations = (array.stations[0], longer, array.stations[2])
    array = array.model_copy(update={"stations": stations, "path_segments": segments, "delay_lines": lines})
    return array, (wish(first.star, **same), wish(second.star, telescopes=("T0", "T2")))


def led_as_the_first(night, request):
    """Candidates of a request whose light is led as that of its first one; more ways may open more starts."""
    subarrays = [family.facts.subarray for family in night.families]
    candidates = np.flatnonzero(night.problem.request == request)
    of_candidate = [subarrays[family] for family in night.table.family[candidates]]
    return candidates[[subarray == of_candidate[0] for subarray in of_candidate]]


@pytest.mark.parametrize("kind", ["input", "mode", "feed optics", "spectral setup", "path segment"])
def test_what_changes_between_two_visits_takes_its_time_and_then_the_star_is_captured(kind):
    # 1000 s, then 40 s of acquisition and 50 s of fringe search: 1090 s are 36.3 ticks of 30 s, so 37.
    array, requests = changing(kind)
    night = build(by_hand(array, *requests))
    of = [led_as_the_first(night, number) for number in range(2)]
    for earlier, later in ((of[0], of[1]), (of[1], of[0])):
        assert len(earlier)
        wait = wait_ticks(night.limits, night.table, earlier[:1], later[-1:])
        assert wait.tolist() == [37]
    alike = wait_ticks(night.limits, night.table, of[0][:1], of[0][-1:])
    assert alike[0] < 20


def test_a_line_takes_the_time_of_the_mode_in_which_it_is_led_to_another_input():
    # In mode a input 1 comes from D0, in b from D1: only b takes 1000 s for it.
    modes = (
        mode("a", change_s=0.0, inputs={"D0": (1,), "D1": (2,)}),
        mode("b", change_s=0.0, inputs={"D0": (2,), "D1": (1,)}, input_change_s=SLOW),
    )
    both = tuple(
        combiner(2, name=name, setup_s=0.0, routing_modes=(own,)) for name, own in ((MAIN, "a"), (PAIR, "b"))
    )
    served = tuple(delay_line(f"D{k}", stations=(f"P{k}",)) for k in range(2))
    array = plain_array([0, 30], routing_modes=modes, combiners=both, delay_lines=served)
    night = build(by_hand(array, wish(bright_star("one")), wish(bright_star("two", 172.0), PAIR)))
    one, two = (np.flatnonzero(night.problem.request == number) for number in range(2))
    assert wait_ticks(night.limits, night.table, one[:1], two[-1:]).tolist() == [37]
    assert wait_ticks(night.limits, night.table, two[:1], one[-1:])[0] < 20


def test_overheads_are_part_of_a_step_and_a_setup_has_its_own():
    # 480 + 30 s are 17 ticks of 30 s, 240 + 30 are 9; in the setup 600 + 60 are 22, 240 + 60 are 10.
    setup = SpectralSetup(
        name="fine", combiner=MAIN, change_s=10.0, science_recording_s=600.0, overhead_s=60.0
    )
    array = plain_array(
        [0, 30], combiners=(combiner(2, name=MAIN, overhead_s=30.0),), spectral_setups=(setup,)
    )
    for name, science, calibrator in ((None, 17, 9), ("fine", 22, 10)):
        own = array.combiner(MAIN, name)
        assert [step_ticks(own, 0.0, 30, kind).total for kind in (True, False)] == [science, calibrator]
    night = build(by_hand(array, wish(spectral_setup="fine")))
    lengths = {tuple(row) for f in night.families for row in f.end_tick - f.start_tick}
    assert lengths == {(10, 22, 10)}


def test_a_band_recorded_at_the_same_time_has_its_own_limit():
    own = combiner(2, name=MAIN, further_limits={"L": {SMALL: 2.9}})
    # L = 3.4 against 2.9.
    told = why(plain_array([0, 30], combiners=(own,)))
    assert told == "limiting magnitude in L: at best 0.5 mag short for main"


def test_a_change_of_combiner_moves_the_carriages_by_the_constant_path():
    # Input 2 of the second combiner is 5 m longer, so its line is 5 m shorter for the same star: 2.5 m of
    # rail at 0.5 m/s and 3 s to settle are 8 s if it goes alone.
    both = combiner(2, name=MAIN), combiner(2, name=PAIR, beam_path_m=(0.0, 5.0))
    array = plain_array([0, 30], combiners=both)
    # One star under two names.
    night = build(by_hand(array, wish(bright_star("one")), wish(bright_star("two"), PAIR)))
    one, two = (next(f for f in night.families if f.request == number) for number in range(2))
    ticks = np.intersect1d(one.start_tick[:, 1], two.start_tick[:, 1])
    apart = [
        own.delay_m[np.isin(own.start_tick[:, 1], ticks), 1, 0, 1]
        - own.delay_m[np.isin(own.start_tick[:, 1], ticks), 1, 0, 0]
        for own in (one, two)
    ]
    assert len(ticks)
    np.testing.assert_allclose(apart[1] - apart[0], -5.0, atol=1e-9)
    assert carriage_s(np.array(-5.0), array.delay_lines[1]) == pytest.approx(8.0)


TRACKER = FringeTracker(
    name="holder",
    beams=3,
    band="H",
    wavelength_um=1.65,
    group_delay_limit={SMALL: 6.0},
    phase_limit={SMALL: 3.5},
    vis2_min=0.03,
    group_delay_rms_um=0.2,
    phase_rms_um=0.1,
    untracked_rms_um=0.6,
)


def tracked_array(east_m: list[float], beams: int, tracker: FringeTracker = TRACKER) -> Array:
    own = combiner(beams, name=MAIN, fringe_tracker="holder")
    return plain_array(east_m, beams, combiners=(own,), fringe_trackers=(tracker,))


def test_a_tracker_of_three_beams_follows_the_near_ones_and_the_far_one_rides_untracked():
    # A disk of 4 mas is dark in H on 104 m (1.22 lambda/theta) and keeps V^2 of 0.03 up to 87 m: the
    # telescope 120 m away hangs on nothing. H = 3: no baseline leaves 3.5 - 3 mag for the phase at 40 m
    # (V = 0.75 costs 0.31 mag), two of 20 m do (0.07 mag).
    target = bright_star(diameter_mas=4.0)
    night, plan = planned(by_hand(tracked_array([0, 20, 40, 160], 4), wish(target)))
    visit = plan.visits[0]
    assert visit.tracked == ("T0", "T1", "T2")
    step = visit.steps[1]
    assert {frozenset(pair) for pair in step.chain} == {frozenset(("T0", "T1")), frozenset(("T1", "T2"))}
    assert visit.tracking == "phase"
    # The margin of the weaker link at the worst tick: both are 20 m to the east.
    family = next(f for f in night.families if f.request == 0)
    row = int(night.table.row[next(c for c in range(len(night.problem)) if visit_starts(night, c, step))])
    ticks = slice(family.start_tick[row, 1], family.end_tick[row, 1] + 1)
    projected = 20.0 * np.sqrt(1.0 - night.limits.sky.direction[0][ticks, 0] ** 2)
    x = np.pi * 4.0e-3 * ARCSEC * projected / 1.65e-6
    margin = 3.5 - (3.0 - 2.5 * np.log10(2.0 * j1(x) / x))
    assert step.tracking_margin_mag == pytest.approx(margin.min(), abs=6e-4)
    # At 2.05 um: two held beams exp(-(2 pi/2.05)^2 (0.1^2 + 0.1^2)/2) = 0.910; a held one and an untracked
    # one, 0.1^2 + 0.6^2, 0.176.
    told = {c.telescopes: c.contrast for c in visit.contrasts}
    assert told[("T0", "T1")] == pytest.approx(0.910, abs=1e-3)
    assert told[("T0", "T3")] == pytest.approx(0.176, abs=1e-3)


def visit_starts(night: object, candidate: int, step: object) -> bool:
    """Whether a candidate's science step starts with a step of the plan."""
    number, row = int(night.table.family[candidate]), int(night.table.row[candidate])
    start = night.families[number].start_tick[row, 1]
    return night.limits.sky.times[start].isot[:19] == step.start_utc[:19]


def test_a_disk_that_is_resolved_on_every_chain_is_refused_by_what_the_best_moment_lacks():
    # 12 mas on 60 m pass from the first side lobe on: its V^2 of 0.017498 is the best there is, and the
    # tracker wants 0.03: 1.25 log10(0.017498/0.03) = -0.293 mag; H = 3 leaves 0.8 to the limit.
    told = why(tracked_array([0, 60], 2), wish(bright_star(diameter_mas=12.0)))
    assert re.fullmatch(r"fringe tracker: at best 0\.293 mag short, at \d\d:\d\d UTC \(T0-T1\)", told)


def test_a_request_that_wants_no_tracking_gets_fringes_that_no_tracker_sees():
    plan = made(tracked_array([0, 60], 2), wish(bright_star(diameter_mas=12.0), tracking="none"))
    assert plan.visits[0].tracking is None
    assert plan.visits[0].tracked == ()


def guiding(**changes: object) -> Array:
    guide = {"guide_band": "V", "guide_limiting_magnitude": 11.0} | changes
    return plain_array([0, 30], telescope_classes=(telescope_class(SMALL, **guide),))


def margins(array: Array, request: object) -> dict[str, float]:
    scenario = by_hand(array, request)
    found = brightness_limits(scenario, request, [request.star], True, array.telescope_classes)
    return {verdict.limit: float(verdict.margin[0, 0]) for verdict in found}


def test_a_guide_star_must_be_bright_and_near_and_the_target_is_its_own_without_one():
    faint = bright_star(mag={"K": 4.0, "V": 12.0})
    beside = {"ra_deg": 170.0, "dec_deg": -40.0 + 20.0 / 3600.0, "mag": {"V": 10.0}}
    assert margins(guiding(), wish(faint))["guide star"] == pytest.approx(-1.0)
    near = margins(guiding(guide_distance_max_arcsec=30.0), wish(faint, guide_star=beside))
    # 11 - 10 mag; 30 - 20 arcsec.
    assert near["guide star"] == pytest.approx(1.0)
    assert near["guide star distance"] == pytest.approx(10.0, abs=1e-6)
    assert margins(guiding(), wish(faint, guide_star=beside))["guide star distance"] == pytest.approx(-20.0)
    told = why(guiding(), wish(faint, guide_star=beside))
    assert told == "guide star distance: at best 20 arcsec short for main"
    assert why(guiding(), wish(faint)) == "guide star: at best 1 mag short for main"


def test_limits_that_no_telescopes_keep_together_are_told_for_the_nearest():
    # The small ones see K = 3.5 but cannot guide on V = 6 (5); the large ones guide but see only K = 3.
    classes = (
        telescope_class(SMALL, guide_band="V", guide_limiting_magnitude=5.0),
        telescope_class(LARGE, guide_band="V", guide_limiting_magnitude=9.0),
    )
    array = plain_array([0, 30, 60, 90])
    telescopes = tuple(
        own.model_copy(update={"telescope_class": SMALL if k < 2 else LARGE})
        for k, own in enumerate(array.telescopes)
    )
    own = combiner(2, name=MAIN, limiting_magnitude={SMALL: 6.0, LARGE: 3.0})
    array = array.model_copy(
        update={"telescope_classes": classes, "telescopes": telescopes, "combiners": (own,)}
    )
    told = "guide star: 1 mag short with T0-T1, and no other telescopes keep every limit of brightness"
    assert why(array) == told


def test_the_beam_sensor_follows_the_brighter_of_two_stars():
    sensor = BeamSensor(name="watcher", beams=4, band="H", limiting_magnitude={SMALL: 8.0})
    own = combiner(2, name=MAIN, beam_sensor="watcher")
    array = plain_array([0, 30], combiners=(own,), beam_sensors=(sensor,))
    faint = bright_star(mag={"K": 4.0, "H": 8.5})
    second = {"name": "B", "ra_deg": 170.0, "dec_deg": -40.0, "mag": {"H": 7.0}}
    assert margins(array, wish(faint))["beam-position sensor"] == pytest.approx(-0.5)
    assert margins(array, wish(faint, second_star=second))["beam-position sensor"] == pytest.approx(1.0)
    assert why(array, wish(faint)) == "beam-position sensor: at best 0.5 mag short for main"
