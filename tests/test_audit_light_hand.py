"""The audit of the light path against the hand: set-ups, beam sizes, tracking, air, reserved time.

The plan is ``handmade``'s: V01 (A and B, pair K) ends at 00:40, V02 (A and C,
pair H) lasts from 00:50 to 01:10, V03 (A and B, pair K) starts at 01:20. Capture
takes 90 s, so what changes between two of them has 510 s; what V02 does not use
has 2,310 s.
"""

from __future__ import annotations

import itertools
from datetime import datetime

import numpy as np
import pytest
from audited import failed
from handmade import utc
from hypothesis import given
from hypothesis import strategies as st
from invented import telescope_class
from lit_plans import feeds
from lit_plans import with_changes as changes_of
from scipy.sparse.csgraph import connected_components
from test_audit import ARRAY, in_steps, with_changes, words

from planner.geometry.air import group_refractivity
from planner.geometry.dual_feed import field_angle_deg, parallactic_deg
from planner.scenario.array import Site
from planner.scenario.light_path import FringeTracker, PathSegment, RoutingMode, SpectralSetup
from planner.scenario.night import Reserved
from planner.scheduling.audit_air import group_index, phase_refractivity
from planner.scheduling.audit_sky import unit_vectors
from planner.scheduling.audit_tracking import held_mag
from planner.scheduling.plan import Contrast, ReservedTime

SECOND = "scenario.requests.1"


def in_visits(path, values):
    """One change for each visit; ``path`` has {n} for the visit."""
    return [(path.format(n=n), value) for n, value in enumerate(values)]


def segments(change_s):
    """Ways of no length, so that no delay changes."""
    return (
        PathSegment(name="direct", path_m=0.0, change_s=0.0),
        PathSegment(name="mirror", path_m=0.0, change_s=change_s),
    )


def led(visit, beam, segment):
    return in_steps(visit, f"beams.{beam}.path_segment", segment)


@pytest.mark.parametrize(("beyond", "expected"), [(0.0, set()), (1.0, {"set-up"})])
@pytest.mark.parametrize("slow", ["feed_out_s", "feed_in_s"])
def test_feed_optics_move_out_and_in_at_once_before_the_combiner_is_set_up(slow, beyond, expected):
    # 300 s to set up; 210 s are left for the slower of the two feeds.
    feed = {"feed_out_s": 200.0, "feed_in_s": 200.0} | {slow: 210.0 + beyond}
    found = with_changes(
        (f"{ARRAY}.combiners.0.feed_out_s", feed["feed_out_s"]),
        (f"{ARRAY}.combiners.1.feed_in_s", feed["feed_in_s"]),
        (f"{ARRAY}.combiners.1.setup_s", 300.0),
    )
    assert failed(found) == expected


@pytest.mark.parametrize(("change_s", "expected"), [(510.0, set()), (511.0, {"set-up"})])
def test_a_combiner_changes_to_a_spectral_setup_and_back_in_the_time_of_that_setup(change_s, expected):
    fine = SpectralSetup(name="fine", combiner="pair K", change_s=change_s, wavelengths_um=(1.6, 1.7))
    found = with_changes(
        (f"{ARRAY}.spectral_setups", (fine,)),
        *(("visits.1." + key, value) for key, value in (("combiner", "pair K"), ("spectral_setup", "fine"))),
        (f"{SECOND}.combiner", "pair K"),
        (f"{SECOND}.extras.spectral_setup", "fine"),
        ("requests.1.combiner", "pair K"),
        (f"{ARRAY}.combiners.1.beam_path_m", ()),
    )
    # pair K has no constant paths, V02 was made with pair H's.
    assert failed(found) - {"delay"} == expected
    if expected:
        told = words(found, "set-up")
        assert "pair K changes from its own keys to fine (511.0 s)" in told
        assert "pair K changes from fine to its own keys (511.0 s)" in told


@pytest.mark.parametrize(("change_s", "expected"), [(510.0, set()), (511.0, {"set-up"})])
def test_a_routing_mode_changes_in_its_own_time(change_s, expected):
    modes = (RoutingMode(name="left", change_s=0.0), RoutingMode(name="right", change_s=change_s))
    found = with_changes(
        (f"{ARRAY}.routing_modes", modes),
        *in_visits("visits.{n}.routing_mode", ("left", "right", "left")),
    )
    assert failed(found) == expected


@pytest.mark.parametrize(("change_s", "expected"), [(510.0, set()), (511.0, {"set-up"})])
def test_a_line_is_led_to_another_input_in_the_time_of_the_mode(change_s, expected):
    mode = RoutingMode(name="only", change_s=0.0, input_change_s=change_s)
    found = with_changes(
        (f"{ARRAY}.routing_modes", (mode,)),
        *in_visits("visits.{n}.routing_mode", ("only",) * 3),
        (f"{ARRAY}.combiners.1.beam_path_m", (0.0, 0.0)),
        *in_steps(1, "beams.0.combiner_input", 2),
        *in_steps(1, "beams.1.combiner_input", 1),
    )
    assert failed(found) - {"delay"} == expected


@pytest.mark.parametrize(("change_s", "expected"), [(510.0, set()), (511.0, {"set-up"})])
def test_a_path_segment_is_switched_in_its_own_time(change_s, expected):
    found = with_changes(
        (f"{ARRAY}.path_segments", segments(change_s)),
        *(leaf for visit in (0, 2) for beam in (0, 1) for leaf in led(visit, beam, "direct")),
        *(leaf for beam in (0, 1) for leaf in led(1, beam, "mirror")),
    )
    assert failed(found) == expected


@pytest.mark.parametrize(("change_s", "expected"), [(2310.0, set()), (2311.0, {"set-up"})])
def test_a_path_segment_of_a_telescope_that_pauses_is_switched_ahead(change_s, expected):
    # B rests while A and C record.
    found = with_changes(
        (f"{ARRAY}.path_segments", segments(change_s)),
        *(leaf for visit in (0, 1, 2) for beam in (0, 1) for leaf in led(visit, beam, "direct")),
        *led(2, 1, "mirror"),
    )
    assert failed(found) == expected


def given_time(start, end, ready, telescopes=(), setup_start="00:48"):
    """A time reserved between V01 and V02, in scenario and plan, with the set-up of V02 after it."""
    hours = [datetime.fromisoformat(utc(clock)) for clock in (start, end)]
    ready_s = (datetime.fromisoformat(utc(ready)) - hours[1]).total_seconds()
    wish = Reserved(
        name="works", start_utc=hours[0], end_utc=hours[1], telescopes=telescopes, ready_s=ready_s
    )
    told = ReservedTime(
        name="works",
        kind="reserved",
        start_utc=utc(start),
        end_utc=utc(end),
        telescopes=telescopes,
        ready_utc=utc(ready),
    )
    return [
        ("scenario.reserved", (wish,)),
        ("reserved", (told,)),
        ("visits.1.steps.0.setup_start_utc", utc(setup_start)),
    ]


def test_devices_move_while_reserved_time_runs_and_the_star_is_acquired_when_it_is_ready():
    # 00:48 to 00:50 is time for capture (90 s), not for setting pair H up (240 s).
    alone = with_changes(("visits.1.steps.0.setup_start_utc", utc("00:48")))
    assert failed(alone) == {"set-up"}
    assert failed(with_changes(*given_time("00:41", "00:47", "00:48"))) == set()
    # Told of a telescope that V02 does not use, it frees nothing; of one that it uses, it does.
    assert failed(with_changes(*given_time("00:41", "00:47", "00:48", ("B",)))) == {"set-up"}
    assert failed(with_changes(*given_time("00:41", "00:47", "00:48", ("C",)))) == set()
    # V02 acquires its star from 00:48:30 on.
    assert failed(with_changes(*given_time("00:41", "00:47", "00:49"))) == {"reserved time"}
    # Even so 510 s are all there is.
    slow = (f"{ARRAY}.combiners.1.setup_s", 511.0)
    assert failed(with_changes(*given_time("00:41", "00:47", "00:48"), slow)) == {"set-up"}


def test_a_set_up_does_not_begin_in_reserved_time():
    assert failed(with_changes(*given_time("00:41", "00:45", "00:45", setup_start="00:44"))) == {
        "reserved time"
    }
    assert failed(with_changes(*given_time("00:41", "00:45", "00:45", ("B",), setup_start="00:44"))) == set()


@pytest.mark.parametrize(("beam_mm", "expected"), [(80.8, set()), (80.9, {"routing mode"})])
def test_beams_of_two_classes_agree_to_a_hundredth_after_their_compression(beam_mm, expected):
    # 80 mm and 20 mm; the mode compresses the first four times: 20 mm and 20.2 mm.
    twin = telescope_class(name="twin", beam_mm=beam_mm)
    mode = RoutingMode(name="only", change_s=0.0, compression={"one metre": 1.0, "twin": 4.0})
    mixed = [
        (f"{ARRAY}.telescope_classes", (telescope_class(beam_mm=20.0), twin)),
        (f"{ARRAY}.telescopes.1.telescope_class", "twin"),
        (f"{ARRAY}.combiners.0.limiting_magnitude", {"one metre": 6.0, "twin": 6.0}),
        (f"{ARRAY}.combiners.0.mixed_classes", True),
    ]
    modes = [
        (f"{ARRAY}.routing_modes", (mode,)),
        *in_visits("visits.{n}.routing_mode", ("only",) * 3),
    ]
    assert failed(with_changes(*mixed, *modes)) == expected
    assert failed(with_changes(*mixed)) == {"routing mode"}


def tracked(vis2_min, margin_mag, contrast):
    """Pair K with a tracker in K that sees points of magnitude 4 and reaches 6; pair H has none."""
    tracker = FringeTracker(
        name="holder",
        beams=2,
        band="K",
        wavelength_um=2.2,
        group_delay_limit={"one metre": 6.0},
        vis2_min=vis2_min,
        group_delay_rms_um=0.2,
    )
    changes = [
        (f"{ARRAY}.fringe_trackers", (tracker,)),
        (f"{ARRAY}.combiners.0.fringe_tracker", "holder"),
        ("scenario.requests.0.star.diameter_mas", 0.0),
        ("scenario.calibrators.0.diameter_mas", None),
    ]
    for visit in (0, 2):
        changes += [
            (f"visits.{visit}.tracking", "group delay"),
            (f"visits.{visit}.tracked", ("A", "B")),
            (f"visits.{visit}.contrasts", (Contrast(telescopes=("A", "B"), contrast=contrast),)),
            *in_steps(visit, "chain", (("A", "B"),)),
            *in_steps(visit, "tracking_margin_mag", margin_mag),
        ]
    return changes


def test_points_are_tracked_by_their_magnitude_and_by_the_contrast_that_is_asked_for():
    # 2 mag by brightness. V = 1 where V = 1/2 is enough: 2.5 log10 2 = 0.753 mag.
    # Two beams with 0.2 um each at 2.05 um: (2 pi/2.05)^2 (0.04 + 0.04)/2 = 0.37575, exp of minus that.
    contrast = 0.6868
    # Calibrators of unknown size count as points for the tracker, as resolved for the combiner.
    assert failed(with_changes(*tracked(0.0, 2.0, contrast))) == {"calibrators"}
    assert failed(with_changes(*tracked(0.25, 0.753, contrast))) == {"calibrators"}
    assert failed(with_changes(*tracked(0.25, 2.0, contrast))) == {"calibrators", "fringe tracker"}
    assert failed(with_changes(*tracked(0.0, 2.0, 0.71))) == {"calibrators", "tracked telescopes"}


@given(st.lists(st.integers(-3, 3), min_size=6, max_size=6))
def test_beams_hang_together_by_the_largest_limit_that_leaves_them_in_one_piece(values):
    pairs = np.full((4, 4), 0.0)
    for (i, j), value in zip(itertools.combinations(range(4), 2), values, strict=True):
        pairs[i, j] = pairs[j, i] = value
    whole = [limit for limit in values if connected_components(pairs >= limit, directed=False)[0] == 1]
    assert held_mag(pairs[None]).tolist() == [max(whole)]


def air(**changes):
    values = {"name": "x", "latitude_deg": 0.0, "longitude_deg": 0.0, "height_m": 0.0}
    return Site.model_validate(values | changes)


def test_the_audit_knows_the_refractive_index_of_standard_air():
    # Dry air, 450 ppm of carbon dioxide, 633 nm: Ciddor 1996, Appl. Opt. 35, 1566, table 1; from memory.
    for temperature_c, pressure_hpa, expected in ((20.0, 1000.0, 26824.4),):
        site = air(temperature_c=temperature_c, pressure_hpa=pressure_hpa, relative_humidity=0.0)
        assert 1e8 * phase_refractivity(site, 0.633) == pytest.approx(expected, abs=0.15)
    assert group_index(air(), 2.2) == 1.0  # without pressure


@given(st.floats(0.5, 2.5), st.floats(500.0, 1013.0), st.floats(-10.0, 30.0), st.floats(0.0, 1.0))
def test_two_evaluations_of_the_group_index_agree(wavelength_um, pressure_hpa, temperature_c, humidity):
    site = air(pressure_hpa=pressure_hpa, temperature_c=temperature_c, relative_humidity=humidity)
    # 1e-10 of 90 m of light are 9 nm; the audit leaves 2 nm and 1e-4 of the offset open.
    assert group_index(site, wavelength_um) - 1.0 == pytest.approx(
        group_refractivity(site, wavelength_um), abs=1e-10
    )


def test_the_pair_turns_in_the_field_as_the_zenith_does():
    # Orientations by the closed formula of the planner, at the start and the end of the science steps.
    found, angles = feeds(), []
    for visit in found.visits:
        beam = visit.steps[1].beams[0]
        if visit.dual_feed is not None:
            azimuth = np.array([beam.azimuth_start_deg, beam.azimuth_end_deg])
            altitude = np.array([beam.altitude_start_deg, beam.altitude_end_deg])
            zenith = parallactic_deg(unit_vectors(azimuth, altitude), found.scenario.array.site.latitude_deg)
            angles += field_angle_deg(visit.dual_feed.position_angle_deg, zenith).tolist()
    low, high = min(angles), max(angles)
    for room_deg, expected in ((0.3, set()), (-0.5, {"field orientation"})):
        allowed = (low - room_deg, high + room_deg)
        told = changes_of(found, ("scenario.array.dual_feed.field_angle_deg", allowed))
        assert failed(told) == expected
