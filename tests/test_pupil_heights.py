"""Baselines end where a telescope's axes meet: by hand, against astropy, laws, a night of two heights."""

from __future__ import annotations

import functools

import numpy as np
import pytest
from astropy import units as u
from astropy.coordinates import GCRS, CartesianRepresentation, EarthLocation, SkyCoord
from earlier import observed, with_history
from handmade import changed
from invented import combiner, enu, random_array, random_scenario, telescope_class
from nights import planned
from ranked import ranked, scenario_of
from skies import utc
from written import CLASS, Written, csv_text

from planner.constraints.delay_range import path_rate_m_per_s
from planner.errors import InputProblems
from planner.geometry.baselines import baseline_vectors_m, pivots_m
from planner.geometry.delays import path_m
from planner.geometry.placement import placement_of
from planner.geometry.uv import uvw_m
from planner.output.map_ground import baselines
from planner.ranking.seats import seating, seats_of
from planner.scenario.array import Station
from planner.scheduling.audit import audit_plan
from planner.science.history import filled_before
from planner.sky.directions import directions, location_of, natural_directions, place_of
from planner.sky.earth import earth_frame, offline_earth

LOW, HIGH = telescope_class("low", pupil_height_m=2.1), telescope_class("high", pupil_height_m=4.2)


def of_two_heights(array):
    """The array with its first telescope high and the others low."""
    telescopes = tuple(
        own.model_copy(update={"telescope_class": "low" if k else "high"})
        for k, own in enumerate(array.telescopes)
    )
    return array.model_copy(update={"telescope_classes": (LOW, HIGH), "telescopes": telescopes})


def two_pads(**changes):
    """A high telescope in the west and a low one 100 m east of it, on level ground."""
    array = of_two_heights(random_array(np.random.default_rng(0), 2, 2))
    pads = tuple(
        Station(name=f"P{k}", east_m=100.0 * k, north_m=0.0, up_m=0.0, fixed_path_m=50.0) for k in (0, 1)
    )
    return array.model_copy(update={"stations": pads} | changes)


# By hand.


def test_at_the_zenith_a_higher_pupil_changes_nothing_and_lower_down_half_its_height():
    # At the zenith the wave comes to the high telescope 2.1 m earlier, and then has 2.1 m more to go down. In
    # the south at 30 deg it comes 2.1 m sin(30 deg) = 1.05 m earlier: its line gives 1.05 m less.
    standing = placement_of(two_pads(), "as built")
    towards = enu(np.array([[180.0, 180.0]]), np.array([[90.0, 30.0]]))
    path = path_m(towards, standing.vectors_m, standing.fixed_path_m)[0]
    assert path[:, 0] - path[:, 1] == pytest.approx([0.0, -1.05], abs=1e-12)


def test_u_and_v_run_between_the_pupils():
    # On the equator, a star at declination -60 on the meridian stands in the south at 30 deg. The baseline
    # goes 100 m east and 2.1 m down: u = 100; farther north the star is higher, so v = -2.1 cos(30 deg);
    # w = -2.1 sin(30 deg).
    ends = placement_of(two_pads(), "as built").vectors_m
    east, north, up = (0.0, 1.0, 0.0), (0.0, 0.0, 1.0), (1.0, 0.0, 0.0)
    still = np.zeros((1, 4, 4))
    still[0, 0, 0], still[0, 1:, 1:] = 1.0, [east, north, up]
    found = uvw_m(np.deg2rad([[0.0, -60.0]]), still, baseline_vectors_m(ends))[0, 0, 0]
    assert found == pytest.approx([100.0, -2.1 * np.sqrt(3.0) / 2.0, -1.05], abs=1e-12)


def test_a_seat_ends_where_its_class_does():
    # A station that takes both classes is two seats, 2.1 m apart in height, and in the path down to the pad.
    free = {"station": None, "movable": True}
    array = two_pads()
    movable = tuple(own.model_copy(update=free) for own in array.telescopes)
    array = array.model_copy(update={"telescopes": movable})
    seats = seats_of(array)
    assert [(seat.station, seat.telescope_class) for seat in seats] == [
        ("P0", "high"), ("P0", "low"), ("P1", "high"), ("P1", "low"),
    ]  # fmt: skip
    stand = seating(array, seats)
    assert (stand.vectors_m[0] - stand.vectors_m[1]).tolist() == pytest.approx([0.0, 0.0, 2.1])
    assert stand.fixed_path_m.tolist() == pytest.approx([54.2, 52.1, 54.2, 52.1])


def test_the_map_of_a_ranking_tells_baselines_between_pupils():
    # Level pads 30 and 40 m apart to the east and north: 50 m; with 12 m between the pupils' heights 51.42 m.
    scenario = scenario_of()
    tall = telescope_class("tall", pupil_height_m=14.0)
    first, *others = scenario.array.telescopes
    array = scenario.array.model_copy(
        update={
            "telescope_classes": (*scenario.array.telescope_classes, tall),
            "telescopes": (first.model_copy(update={"telescope_class": "tall"}), *others),
            "stations": tuple(
                own.model_copy(update={"east_m": 30.0, "north_m": 40.0}) if own.name == "M1"
                else own.model_copy(update={"east_m": 0.0, "north_m": 0.0}) if own.name == "K1" else own
                for own in scenario.array.stations
            ),
        }
    )  # fmt: skip
    scenario = scenario.model_copy(update={"array": array})
    one = ranked(scenario, ("K1", "M1"), 100.0)

    class Told:
        pass

    Told.scenario = scenario
    [(name, length, _)] = baselines(Told, one)
    assert name == "K1–M1"
    assert length == pytest.approx(np.sqrt(50.0**2 + 12.0**2))


# The outside.


def test_delays_between_pupils_are_those_of_astropys_earth_locations():
    # Each crossing of axes as an EarthLocation, its geocentric place by get_gcrs_posvel, the star's apparent
    # direction on GCRS axes by transforming to GCRS of the moving observer: 0.005 mm on 200 m.
    scenario = random_scenario(3, telescopes=4)
    array = of_two_heights(scenario.array)
    site = array.site
    with offline_earth():
        times = utc("2027-03-12T01:00:00", "2027-03-12T07:30:00")
        ground = location_of(place_of(site))
        lon, lat = np.deg2rad([site.longitude_deg, site.latitude_deg])
        east = np.array([-np.sin(lon), np.cos(lon), 0.0])
        up = np.array([np.cos(lat) * np.cos(lon), np.cos(lat) * np.sin(lon), np.sin(lat)])
        ends = []
        for telescope in array.telescopes:
            pad, own = array.station(telescope.station), array.class_of(telescope.name)
            shift = (
                pad.east_m * east + pad.north_m * np.cross(up, east) + (pad.up_m + own.pupil_height_m) * up
            )
            xyz = [axis.to_value(u.m) + s for axis, s in zip(ground.geocentric, shift, strict=True)]
            ends.append(
                EarthLocation.from_geocentric(*xyz, unit="m").get_gcrs_posvel(times)[0].xyz.to_value("m")
            )
        standing = placement_of(array, "as built")
        frame = earth_frame(place_of(site), times)
        place, velocity = ground.get_gcrs_posvel(times)
        for wish in scenario.requests:
            seen = SkyCoord(wish.star.ra_deg * u.deg, wish.star.dec_deg * u.deg).transform_to(
                GCRS(
                    obstime=times,
                    obsgeoloc=CartesianRepresentation(place.xyz),
                    obsgeovel=CartesianRepresentation(velocity.xyz),
                )
            )
            towards = seen.represent_as("unitspherical").to_cartesian().xyz.value
            expected = np.array([np.sum((end - ends[0]) * towards, axis=0) for end in ends]).T
            found = path_m(
                directions(natural_directions([wish.star], frame), frame),
                standing.vectors_m,
                np.zeros(len(ends)),
            )[0]
            assert found - found[:, :1] == pytest.approx(expected, abs=1e-5)


# Laws.


def test_pupils_that_are_all_higher_change_no_baseline_and_no_carriages_speed():
    array = of_two_heights(random_array(np.random.default_rng(7), 4, 2))
    higher = array.model_copy(
        update={
            "telescope_classes": tuple(
                own.model_copy(update={"pupil_height_m": own.pupil_height_m + 10.0})
                for own in array.telescope_classes
            )
        }
    )
    low, high = (placement_of(own, "as built") for own in (array, higher))
    assert high.vectors_m == pytest.approx(low.vectors_m, abs=1e-9)
    assert high.fixed_path_m == pytest.approx(low.fixed_path_m + 10.0, abs=1e-9)
    towards = enu(np.array([[30.0, 200.0]]), np.array([[40.0, 70.0]]))
    rates = [path_rate_m_per_s(towards, own.vectors_m, -25.0) for own in (low, high)]
    assert rates[0] == pytest.approx(rates[1], abs=1e-12)


# Earlier nights.


def with_rows(*rows):
    """A scenario in which a station takes two classes, and what an earlier night observed on it."""
    written = Written(files={"history.csv": csv_text(list(rows)).encode()})
    written.scenario["history"] = "history.csv"
    written.array["telescope_class"].append(CLASS | {"name": "tall", "pupil_height_m": 5.0})
    written.array["telescope"].append({"name": "T3", "telescope_class": "tall", "movable": True})
    written.array["combiner"][0]["limiting_magnitude"]["tall"] = 7.0
    for own in written.array["configuration"]:
        own["placement"]["T3"] = "P3" if own["placement"]["T2"] == "P2" else "P2"
    return written


ROW = {
    "target": "alpha",
    "combiner": "pair in K",
    "stations": "P1, P2",
    "start_utc": "2027-03-09T23:15:00",
    "end_utc": "2027-03-09T23:45:00Z",
}


def refused(written, tmp_path):
    with pytest.raises(InputProblems) as told:
        written.read(tmp_path)
    return [str(problem) for problem in told.value.problems]


def test_an_earlier_observation_names_its_telescopes_where_their_heights_may_differ(tmp_path):
    assert refused(with_rows(ROW), tmp_path) == [
        "history.csv: line 2, stations: pupils of several heights can be on 'P2', and baselines end there. "
        "Add a column telescopes with their names, or leave only one class there."
    ]
    scenario = with_rows(ROW | {"telescopes": "T1, T3"}, ROW | {"telescopes": "T1,T2"}).read(tmp_path)
    assert [row.telescopes for row in scenario.history] == [("T1", "T3"), ("T1", "T2")]


@pytest.mark.parametrize(
    ("telescopes", "words"),
    [
        ("T1", "history.csv: line 2, telescopes: names 1 telescope for 2 stations. "),
        ("T1, T9", "history.csv: line 2, telescopes: 'T9' is not a telescope of array.toml. "),
    ],
)
def test_telescopes_of_an_earlier_observation_fit_its_stations(tmp_path, telescopes, words):
    [problem] = refused(with_rows(ROW | {"telescopes": telescopes}), tmp_path)
    assert problem.startswith(words)


def test_the_cells_of_an_earlier_night_depend_on_how_high_its_telescopes_were(tmp_path):
    row = ROW | {"end_utc": "2027-03-10T02:45:00Z"}
    found = []
    for names in ("T1, T2", "T1, T3"):
        written = with_rows(row | {"telescopes": names})
        written.array["telescope_class"][1]["pupil_height_m"] = 30.0
        scenario = written.read(tmp_path / names.replace(", ", ""))
        found.append(set(filled_before(scenario, scenario.requests[0]).tolist()))
    assert min(map(len, found)) > 0
    assert found[0] != found[1]


# A whole night.


@functools.cache
def night():
    """A night of pairs of two heights, with a history that names its telescopes, and its plan."""
    base = random_scenario(3, requests=4, telescopes=4)
    array = of_two_heights(base.array)
    light = combiner(2, limiting_magnitude={"low": 6.0, "high": 6.0}, mixed_classes=True)
    array = array.model_copy(update={"combiners": (light,)})
    scenario = with_history(
        base.model_copy(update={"array": array}),
        observed("target 0", light.name, ("P0", "P1"), 1.0, 1.5, days=-3),
    )
    return planned(scenario)[1]


def test_a_night_of_two_heights_passes_its_audit():
    plan = night()
    mixed = [v for v in plan.visits if "T0" in v.subarray]
    assert mixed
    assert audit_plan(plan).passed
    assert next(own for own in plan.requests if own.target == "target 0").cells_filled_before > 0


@pytest.mark.parametrize("kind", [0, 1])
def test_the_audit_hears_of_a_pupil_that_is_a_little_higher(kind):
    heights = f"scenario.array.telescope_classes.{kind}.pupil_height_m"
    told = changed(night(), heights, lambda own: own + 0.05)
    failed = {check.name for check in audit_plan(told).checks if not check.passed}
    assert "delay" in failed


def test_ends_of_an_unknown_station_are_refused():
    with pytest.raises(KeyError):
        pivots_m(two_pads(), ["P9"], [LOW])
