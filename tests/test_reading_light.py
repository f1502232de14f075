"""The way of the light as a user writes it: each refused value is told with its full key, and alone."""

from __future__ import annotations

import datetime

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from test_reading import ODD, _reads_or_tells, _spoil
from written import Case, Written, said

from planner.scenario.array import Array
from planner.scenario.messages import Place, checked
from planner.scenario.night import GuideStar, Reserved, SecondStar
from planner.scenario.reading import describe_defaults

UTC = datetime.UTC


def lit() -> Written:
    """Return the small scenario with every table of the light's way: K recorded, H beside it in a setup,
    fringes tracked in Y, beams held in J, guiding in V."""
    written = Written()
    array, scenario = written.array, written.scenario
    array["telescope_class"][0] |= {
        "guide_band": "V",
        "guide_limiting_magnitude": 12.0,
        "guide_distance_max_arcsec": 40.0,
    }
    array["combiner"][0] |= {
        "resolution": 30.0,
        "air_contrast_min": 0.8,
        "fringe_tracker": "follower",
        "beam_sensor": "table camera",
        "routing_modes": ["plain", "twin"],
    }
    array["routing_mode"] = [
        {"name": "plain", "change_s": 60.0, "compression": {"one metre": 4.0}},
        {"name": "twin", "change_s": 120.0, "dual_feed": True, "inputs": {"L1": [1, 2], "L2": [2]}},
    ]
    array["path_segment"] = [
        {"name": "straight", "path_m": 0.0, "change_s": 60.0},
        {"name": "detour", "path_m": 20.0, "stations": ["P1", "P2"], "change_s": 90.0},
    ]
    array["spectral_setup"] = [
        {
            "name": "fine",
            "combiner": "pair in K",
            "change_s": 45.0,
            "resolution": 500.0,
            "limiting_magnitude": {"one metre": 4.0},
            "further_limits": {"H": {"one metre": 5.0}},
        }
    ]
    array["fringe_tracker"] = [
        {
            "name": "follower",
            "beams": 2,
            "band": "Y",
            "wavelength_um": 1.02,
            "group_delay_limit": {"one metre": 8.0},
            "phase_limit": {"one metre": 6.0},
        }
    ]
    array["beam_sensor"] = [
        {"name": "table camera", "beams": 4, "band": "J", "limiting_magnitude": {"one metre": 9.0}}
    ]
    array["internal_calibration"] = [
        {"name": "lamp", "combiners": ["pair in K"], "duration_s": 600.0, "when": "before dusk"}
    ]
    array["dual_feed"] = {
        "separation_arcsec": [2.0, 30.0],
        "differential_stroke_m": [-0.1, 0.1],
        "swap_s": 120.0,
    }
    scenario["request"][0] |= {
        "spectral_setup": "fine",
        "tracking": "phase",
        "guide_star": {"ra_deg": 79.175, "dec_deg": -8.2, "mag": {"V": 9.0}},
        # Ten arcseconds north of the target.
        "second_star": {
            "name": "alpha B",
            "ra_deg": 79.1723333333,
            "dec_deg": -8.1988611111,
            "mag": {"Y": 5.0},
        },
    }
    scenario["reserved"] = [
        {
            "name": "alignment",
            "duration_s": 1800.0,
            "windows": [
                {
                    "start_utc": datetime.datetime(2027, 3, 12, 2, tzinfo=UTC),
                    "end_utc": datetime.datetime(2027, 3, 12, 5, tzinfo=UTC),
                }
            ],
        },
        {
            "name": "mirror",
            "start_utc": datetime.datetime(2027, 3, 12, 6, tzinfo=UTC),
            "end_utc": datetime.datetime(2027, 3, 12, 7, tzinfo=UTC),
            "telescopes": ["T2"],
        },
    ]
    written.targets[0] |= {"mag_H": "4.2", "mag_J": "4.5", "mag_Y": "", "mag_V": ""}
    written.targets[1] |= {"mag_H": "", "mag_J": "3.9", "mag_Y": "4.1", "mag_V": "6.0"}
    written.calibrators[0] |= {"mag_H": "4.6", "mag_J": "4.9", "mag_Y": "5.1", "mag_V": "6.2"}
    return written


def extras(written: Written) -> dict:
    """Return the only [[request]] table."""
    return written.scenario["request"][0]


VALUES: list[Case] = [
    (
        lambda w: extras(w)["guide_star"].pop("ra_deg"),
        "scenario.toml: request[0].guide_star.ra_deg",
        "is missing",
        "Add it: right ascension, ICRS, at the target's epoch.",
    ),
    (
        lambda w: extras(w)["guide_star"].update(dec_deg=-95.0),
        "scenario.toml: request[0].guide_star.dec_deg",
        "is -95.0, which is below -90",
        "Give a number of at least -90: declination, ICRS.",
    ),
    (
        lambda w: extras(w)["guide_star"]["mag"].update(V="nine"),
        "scenario.toml: request[0].guide_star.mag.V",
        "is 'nine', not a number",
        "Give a number: its magnitude by band, such as { V = 9.5 }.",
    ),
    (
        lambda w: extras(w)["guide_star"].update(pmra=1.0),
        "scenario.toml: request[0].guide_star.pmra",
        "is not a key of guide_star",
        "Remove it, or use one of: ra_deg, dec_deg, mag.",
    ),
    (
        lambda w: extras(w).update(guide_star="HIP 1"),
        "scenario.toml: request[0].guide_star",
        "is 'HIP 1', not a table",
        "Write a table with ra_deg, dec_deg and mag.",
    ),
    (
        lambda w: extras(w)["second_star"].update(swop=True),
        "scenario.toml: request[0].second_star.swop",
        "is not a key of second_star",
        "Did you mean 'swap'?",
    ),
    (
        lambda w: extras(w)["second_star"].update(swap="yes"),
        "scenario.toml: request[0].second_star.swap",
        "is 'yes', not true or false",
        "Give true or false: true to exchange the two stars in the middle of the science step.",
    ),
    (
        lambda w: extras(w).update(second_star=[1]),
        "scenario.toml: request[0].second_star",
        "is [1], not a table",
        "Write a table with name, ra_deg, dec_deg and mag.",
    ),
    (
        lambda w: extras(w).update(tracking="phases"),
        "scenario.toml: request[0].tracking",
        "is 'phases', not 'group delay', 'phase' or 'none'",
        "Give one of these: fringe tracking wanted at least: 'group delay', 'phase', or 'none'.",
    ),
    (
        lambda w: w.scenario["reserved"][1].update(start_utc=datetime.datetime(2027, 3, 12, 6)),
        "scenario.toml: reserved[1].start_utc",
        "is 2027-03-12T06:00:00, without a zone",
        "End it with Z for UTC: start, such as 2027-03-12T02:10:00Z.",
    ),
    (
        lambda w: w.scenario["reserved"][1].update(end_utc=7),
        "scenario.toml: reserved[1].end_utc",
        "is 7, not a time in UTC",
        "Write it like 2027-03-12T02:10:00Z: end, later than the start.",
    ),
    (
        lambda w: w.scenario["reserved"][1].update(end_utc=w.scenario["reserved"][1]["start_utc"]),
        "scenario.toml: reserved[1]",
        "has an end_utc that is not later than its start_utc",
        "Change start_utc: start, such as 2027-03-12T02:10:00Z; end_utc: end, later than the start.",
    ),
    (
        lambda w: w.scenario["reserved"][1].pop("end_utc"),
        "scenario.toml: reserved[1]",
        "needs either start_utc and end_utc, or duration_s",
        "Change start_utc: start, such as 2027-03-12T02:10:00Z; end_utc: end, later than the start; "
        "duration_s: how long it takes, at a time to be chosen.",
    ),
    (
        lambda w: w.scenario["reserved"][0].update(telescopes=["T1"]),
        "scenario.toml: reserved[0]",
        "names telescopes without start_utc and end_utc; a chosen time takes the array",
        "Change start_utc: start, such as 2027-03-12T02:10:00Z; end_utc: end, later than the start; "
        "telescopes: telescopes that it takes away, at a given time only; empty means the whole array.",
    ),
    (
        lambda w: w.scenario["reserved"][0]["windows"][0].update(end_utc="late"),
        "scenario.toml: reserved[0].windows[0].end_utc",
        "is 'late', not a time in UTC",
        "Write it like 2027-03-12T02:10:00Z: end, later than the start.",
    ),
    (
        lambda w: w.array["routing_mode"][1]["inputs"].update(L2=2),
        "array.toml: routing_mode[1].inputs.L2",
        "is 2, not a list",
        "Give a list: combiner inputs that each delay line reaches, as line = [inputs]; empty means all.",
    ),
    (
        lambda w: w.array["routing_mode"][1]["inputs"].update(L2=[2, 0]),
        "array.toml: routing_mode[1].inputs.L2[1]",
        "is 0, which is below 1",
        "Give a number of at least 1: combiner inputs that each delay line reaches, as line = [inputs]; "
        "empty means all.",
    ),
    (
        lambda w: w.array["routing_mode"][0]["compression"].update({"one metre": 0.0}),
        'array.toml: routing_mode[0].compression."one metre"',
        "is 0.0, which is not above 0",
        "Give a number above 0: beam compression of each telescope class led through, as class = ratio; "
        "empty means all classes, each with 1.",
    ),
    (
        lambda w: w.array["spectral_setup"][0]["further_limits"].update(H=5.0),
        "array.toml: spectral_setup[0].further_limits.H",
        "is 5.0, not a table",
        "Give a table: bands recorded at the same time: band = { class = faintest magnitude }.",
    ),
    (
        lambda w: w.array["combiner"][0].update(further_limits={"H": {"one metre": "faint"}}),
        'array.toml: combiner[0].further_limits.H."one metre"',
        "is 'faint', not a number",
        "Give a number: bands recorded at the same time: band = { class = faintest magnitude }.",
    ),
    (
        lambda w: w.array["combiner"][0].update(further_limits={"H": {}}),
        "array.toml: combiner[0]",
        "has nothing in further_limits for 'H', so no telescope class can use it",
        "Change further_limits: bands recorded at the same time: band = { class = faintest magnitude }.",
    ),
    (
        lambda w: w.array["spectral_setup"][0].update(limiting_magnitude={}),
        "array.toml: spectral_setup[0]",
        "has an empty limiting_magnitude, so no telescope class can use it",
        "Change limiting_magnitude: faintest magnitude for each telescope class.",
    ),
    (
        lambda w: w.array["beam_sensor"][0].update(limiting_magnitude={}),
        "array.toml: beam_sensor[0]",
        "has an empty limiting_magnitude, so it can hold no telescope class",
        "Change limiting_magnitude: faintest magnitude for each telescope class; a class not named "
        "cannot be held.",
    ),
    (
        lambda w: w.array["fringe_tracker"][0].update(phase_limit={"one metre": 9.0}),
        "array.toml: fringe_tracker[0]",
        "has a phase_limit for 'one metre' that is fainter than its group_delay_limit",
        "Change group_delay_limit: faintest correlated magnitude for group-delay tracking, for each "
        "telescope class; phase_limit: faintest correlated magnitude for phase tracking, for each "
        "telescope class.",
    ),
    (
        lambda w: w.array["internal_calibration"][0].update(when="at noon"),
        "array.toml: internal_calibration[0].when",
        "is 'at noon', not 'before dusk', 'after dawn' or 'in the night'",
        "Give one of these: 'before dusk', 'after dawn' or 'in the night'.",
    ),
    (
        lambda w: w.array["dual_feed"].pop("swap_s"),
        "array.toml: dual_feed.swap_s",
        "is missing",
        "Add it: time to exchange the two stars and find fringes again.",
    ),
    (
        lambda w: w.array["delay_line"][0].update(pupil_stroke_m=[10.0, 95.0]),
        "array.toml: delay_line[0]",
        "has a pupil_stroke_m that does not rise within 0 to 90",
        "Change pupil_stroke_m: part of the stroke in which its relay mirror keeps the pupil in place; "
        "none means all.",
    ),
    (
        lambda w: w.array["telescope_class"][0].pop("guide_limiting_magnitude"),
        "array.toml: telescope_class[0]",
        "has one of guide_band and guide_limiting_magnitude without the other",
        "Change guide_band: band of the guide star's limit; none means guiding limits nothing; "
        "guide_limiting_magnitude: faintest guide star.",
    ),
]


@pytest.mark.parametrize(("spoil", "where", "found", "remedy"), VALUES)
def test_each_refused_value_on_the_way_of_the_light_is_told_in_full_and_alone(
    tmp_path, spoil, where, found, remedy
):
    written = lit()
    spoil(written)
    assert written.messages(tmp_path) == [said(where, found, remedy)]


def test_the_way_of_the_light_is_read_as_it_is_written(tmp_path):
    scenario = lit().read(tmp_path)
    array: Array = scenario.array
    assert [mode.name for mode in array.routing_modes] == ["plain", "twin"]
    assert array.routing_modes[1].inputs == {"L1": (1, 2), "L2": (2,)}
    assert [segment.path_m for segment in array.path_segments] == [0.0, 20.0]
    first, second = scenario.requests
    assert (scenario.combiner_of(first).title, scenario.combiner_of(second).title) == (
        "pair in K, fine",
        "pair in K",
    )
    assert scenario.combiner_of(first).resolution == 500.0
    assert scenario.combiner_of(first).limiting_magnitude == {"one metre": 4.0}
    assert first.extras.guide_star == GuideStar(ra_deg=79.175, dec_deg=-8.2, mag={"V": 9.0})
    assert isinstance(first.extras.second_star, SecondStar)
    assert array.dual_feed is not None
    assert array.dual_feed.field_angle_deg == (-180.0, 180.0)
    assert [(block.name, block.duration_s) for block in scenario.reserved] == [
        ("alignment", 1800.0),
        ("mirror", None),
    ]


def test_the_combiners_own_setup_may_be_asked_for_by_its_name(tmp_path):
    written = lit()
    written.array["combiner"][0]["setup_name"] = "coarse"
    extras(written)["spectral_setup"] = "coarse"
    scenario = written.read(tmp_path)
    assert scenario.combiner_of(scenario.requests[0]).resolution == 30.0


def test_time_may_be_reserved_on_a_date_far_from_the_night(tmp_path):
    written = lit()
    written.scenario["reserved"][1] |= {
        "start_utc": datetime.datetime(2031, 1, 1, tzinfo=UTC),
        "end_utc": datetime.datetime(2031, 1, 2, tzinfo=UTC),
    }
    assert written.messages(tmp_path) == []


def test_a_reserved_time_with_nothing_in_it_lacks_its_name_and_its_time():
    problems = checked(Reserved, {}, Place("file", "table", "table")).problems
    assert {(problem.key, problem.found) for problem in problems} == {
        ("table.name", "is missing"),
        ("table", "needs either start_utc and end_utc, or duration_s"),
    }


def test_every_fault_of_a_table_inside_a_request_is_told_at_once(tmp_path):
    written = lit()
    extras(written)["second_star"] |= {"ra_deg": 400.0, "dec_deg": "low", "colour": "red"}
    extras(written)["guide_star"] |= {"mag": 9.0}
    assert [message.partition(": ")[2].partition(". ")[0] for message in written.messages(tmp_path)] == [
        "request[0].guide_star.mag: is 9.0, not a table",
        "request[0].second_star.colour: is not a key of second_star",
        "request[0].second_star.dec_deg: is 'low', not a number",
        "request[0].second_star.ra_deg: is 400.0, which is not below 360",
    ]


def test_the_defaults_in_force_reach_into_the_tables_of_a_request(tmp_path):
    listed = describe_defaults(lit().write(tmp_path / "written"))
    assert ("scenario.toml", "request[0].second_star.diameter_mas", 0.0) in listed
    assert ("scenario.toml", "request[0].second_star.swap", False) in listed
    assert ("scenario.toml", "reserved[0].ready_s", 0.0) in listed
    assert ("array.toml", "dual_feed.field_angle_deg", (-180.0, 180.0)) in listed
    assert ("array.toml", "spectral_setup[0].band", None) in listed
    assert ("array.toml", "routing_mode[0].inputs", {}) in listed
    assert ("array.toml", "station[0].inlet_beams", 1) in listed
    assert not {"request[0].second_star", "request[0].tracking", "dual_feed"} & {key for _, key, _ in listed}
    assert not [key for _, key, _ in describe_defaults(Written().write(tmp_path / "x")) if "dual" in key]


@settings(max_examples=150, deadline=None)
@given(st.data())
def test_a_spoiled_way_of_the_light_is_read_or_told_in_our_words_and_never_anything_else(data):
    written = lit()
    for _ in range(data.draw(st.integers(1, 4))):
        _spoil(data, data.draw(st.sampled_from([written.scenario, written.array])), ODD)
    _reads_or_tells(written)


def test_any_odd_value_of_any_key_of_the_new_tables_is_read_or_told():
    kinds = ("routing_mode", "path_segment", "spectral_setup", "fringe_tracker", "beam_sensor")
    for kind in (*kinds, "internal_calibration", "dual_feed"):
        table = lit().array[kind]
        for key in table if isinstance(table, dict) else table[-1]:
            for odd in ("x", -1, 2, 2.5, True, [], [1], [{}], {}, {"a": 1}, {"L1": [2], "H": {"a": 1}}):
                written = lit()
                own = written.array[kind]
                (own if isinstance(own, dict) else own[-1])[key] = odd
                _reads_or_tells(written)
