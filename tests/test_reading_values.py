"""A refused value is told with its key and the remedy, and nothing that follows from it is told."""

from __future__ import annotations

import datetime

import pytest
from written import Case, Written, said, window

from planner.scenario.messages import Place, checked
from planner.scenario.night import ScenarioFile, Window
from planner.scenario.parts import ARRAY_SECTIONS, SCENARIO_SECTIONS
from planner.scenario.targets import Star

SECTIONS = [*ARRAY_SECTIONS.values(), *SCENARIO_SECTIONS.values()]

VALUES: list[Case] = [
    (
        lambda w: w.array["site"].pop("latitude_deg"),
        "array.toml: site.latitude_deg",
        "is missing",
        "Add it: geodetic latitude, north positive (WGS84).",
    ),
    (
        lambda w: w.array["site"].update(latitude_deg="north"),
        "array.toml: site.latitude_deg",
        "is 'north', not a number",
        "Give a number: geodetic latitude, north positive (WGS84).",
    ),
    (
        lambda w: w.array["site"].update(latitude_deg=True),
        "array.toml: site.latitude_deg",
        "is true, not a number",
        "Give a number: geodetic latitude, north positive (WGS84).",
    ),
    (
        lambda w: w.array["site"].update(latitude_deg=-91),
        "array.toml: site.latitude_deg",
        "is -91, which is below -90",
        "Give a number of at least -90: geodetic latitude, north positive (WGS84).",
    ),
    (
        lambda w: w.array["site"].update(latitude_deg=float("nan")),
        "array.toml: site.latitude_deg",
        "is nan, not a finite number",
        "Give a number: geodetic latitude, north positive (WGS84).",
    ),
    (
        lambda w: w.array["site"].update(latitude_deg=10**400),
        "array.toml: site.latitude_deg",
        "is a whole number of 401 digits or so, which is too large",
        "Give a smaller number: geodetic latitude, north positive (WGS84).",
    ),
    (
        lambda w: w.array["site"].update(latitude_deg=[list(range(90))]),
        "array.toml: site.latitude_deg",
        "is [[0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15, 1..., not a number",
        "Give a number: geodetic latitude, north positive (WGS84).",
    ),
    (
        lambda w: w.array["site"].update(pressure_hpa=2000.0),
        "array.toml: site.pressure_hpa",
        "is 2000.0, which is above 1100",
        "Give a number of at most 1100: air pressure for refraction; 0 means no refraction.",
    ),
    (
        lambda w: w.array["site"].update(name=5),
        "array.toml: site.name",
        "is 5, not text in quotes",
        "Give text in quotes: name of the site.",
    ),
    (
        lambda w: w.array["site"].update(name=""),
        "array.toml: site.name",
        "is empty",
        "Give it: name of the site.",
    ),
    (
        lambda w: w.array["site"].update(name="x" * 81),
        "array.toml: site.name",
        "has 81 characters, more than 80",
        "Shorten it: name of the site.",
    ),
    (
        lambda w: w.array["site"].update(horizon_deg=[[0, 10], [90, 10, 5]]),
        "array.toml: site.horizon_deg[1]",
        "has 3 values where 2 are expected",
        "Give 2 values: skyline as [azimuth, altitude] points in degrees, azimuth rising.",
    ),
    (
        lambda w: w.array["site"].update(horizon_deg=[[0, 10], [90]]),
        "array.toml: site.horizon_deg[1]",
        "has 1 value where 2 are expected",
        "Give 2 values: skyline as [azimuth, altitude] points in degrees, azimuth rising.",
    ),
    (
        lambda w: w.array["site"].update(horizon_deg=[[0, 10], 7]),
        "array.toml: site.horizon_deg[1]",
        "is 7, not a list",
        "Give a list: skyline as [azimuth, altitude] points in degrees, azimuth rising.",
    ),
    (
        lambda w: w.array["site"].update(horizon_deg=[[0, 10], [0, 20]]),
        "array.toml: site.horizon_deg",
        "has azimuths that do not rise from one point to the next",
        "Change horizon_deg: skyline as [azimuth, altitude] points in degrees, azimuth rising.",
    ),
    (
        lambda w: w.array["station"][1].update(horizon_deg=[[360, 10]]),
        "array.toml: station[1].horizon_deg",
        "has an azimuth outside 0 (included) to 360 (excluded) degrees",
        "Change horizon_deg: own skyline as [azimuth, altitude] points in degrees, azimuth rising.",
    ),
    (
        lambda w: w.array["station"][1].update(horizon_deg=[[0, 91]]),
        "array.toml: station[1].horizon_deg",
        "has an altitude outside 0 to 90 degrees",
        "Change horizon_deg: own skyline as [azimuth, altitude] points in degrees, azimuth rising.",
    ),
    (
        lambda w: w.array["telescope_class"][0].update(diameter_m=0),
        "array.toml: telescope_class[0].diameter_m",
        "is 0, which is not above 0",
        "Give a number above 0: diameter of the pupil.",
    ),
    (
        lambda w: w.array["telescope_class"][0].update(altitude_min_deg=90),
        "array.toml: telescope_class[0].altitude_min_deg",
        "is 90, which is not below 90",
        "Give a number below 90: lowest altitude the telescope observes at.",
    ),
    (
        lambda w: w.array["telescope_class"][0].update(altitude_max_deg=20.0),
        "array.toml: telescope_class[0]",
        "has altitude_min_deg at or above altitude_max_deg",
        "Change altitude_min_deg: lowest altitude the telescope observes at; "
        "altitude_max_deg: highest altitude.",
    ),
    (
        lambda w: w.array["telescope_class"][0].update(azimuth_range_deg=[0, 300]),
        "array.toml: telescope_class[0]",
        "has an azimuth_range_deg 300 degrees wide, which leaves sky unreached",
        "Change azimuth_range_deg: travel of the cable wrap as [from, to], at least 360 wide.",
    ),
    (
        lambda w: w.array["telescope_class"][0].update(azimuth_range_deg=[0.0, 1081.0]),
        "array.toml: telescope_class[0]",
        "has an azimuth_range_deg outside -720 to 720 or wider than three turns",
        "Change azimuth_range_deg: travel of the cable wrap as [from, to], at least 360 wide.",
    ),
    (
        lambda w: w.array["telescope"][1].update(movable="yes"),
        "array.toml: telescope[1].movable",
        "is 'yes', not true or false",
        "Give true or false: true when configurations place it.",
    ),
    (
        lambda w: w.array["delay_line"][1].update(stroke_m=[10.0, 5.0]),
        "array.toml: delay_line[1]",
        "has a stroke_m of -5 m, which is not positive",
        "Change stroke_m: usable optical path as [shortest, longest] in metres, longest above shortest.",
    ),
    (
        lambda w: w.array["delay_line"][1].update(stroke_m=[-1.0, 5.0]),
        "array.toml: delay_line[1]",
        "has a stroke_m that starts below zero (-1)",
        "Change stroke_m: usable optical path as [shortest, longest] in metres, longest above shortest.",
    ),
    (
        lambda w: w.array["delay_line"][1].update(stroke_m=[1.0]),
        "array.toml: delay_line[1].stroke_m",
        "has 1 value where 2 are expected",
        "Give 2 values: usable optical path as [shortest, longest] in metres, longest above shortest.",
    ),
    (
        lambda w: w.array["delay_line"][1].update(stroke_m=[]),
        "array.toml: delay_line[1].stroke_m",
        "has 0 values where 2 are expected",
        "Give 2 values: usable optical path as [shortest, longest] in metres, longest above shortest.",
    ),
    (
        lambda w: w.array["delay_line"][1].update(stroke_m=5.0),
        "array.toml: delay_line[1].stroke_m",
        "is 5.0, not a list",
        "Give a list: usable optical path as [shortest, longest] in metres, longest above shortest.",
    ),
    (
        lambda w: w.array["delay_line"][1].update(medium="helium"),
        "array.toml: delay_line[1].medium",
        "is 'helium', not 'vacuum' or 'air'",
        "Give one of these: 'vacuum' or 'air'.",
    ),
    (
        lambda w: w.array["combiner"][0].update(beams=2.5),
        "array.toml: combiner[0].beams",
        "is 2.5, not a whole number",
        "Give a whole number: how many telescopes it combines, 2 to 6.",
    ),
    (
        lambda w: w.array["combiner"][0].update(beams=7),
        "array.toml: combiner[0].beams",
        "is 7, which is above 6",
        "Give a number of at most 6: how many telescopes it combines, 2 to 6.",
    ),
    (
        lambda w: w.array["combiner"][0].update(wavelengths_um=[]),
        "array.toml: combiner[0].wavelengths_um",
        "is empty",
        "Give it: centres of the spectral channels that are kept, in micrometres.",
    ),
    (
        lambda w: w.array["combiner"][0].update(wavelengths_um=[2.0, -1]),
        "array.toml: combiner[0].wavelengths_um[1]",
        "is -1, which is below 0.05",
        "Give a number of at least 0.05: centres of the spectral channels that are kept, in micrometres.",
    ),
    (
        lambda w: w.array["combiner"][0].update(limiting_magnitude={}),
        "array.toml: combiner[0]",
        "has an empty limiting_magnitude, so no telescope class can use it",
        "Change limiting_magnitude: faintest magnitude for each telescope class; a class not "
        "named cannot be used.",
    ),
    (
        lambda w: w.array["combiner"][0].update(limiting_magnitude=6),
        "array.toml: combiner[0].limiting_magnitude",
        "is 6, not a table",
        "Give a table: faintest magnitude for each telescope class; a class not named cannot be used.",
    ),
    (
        lambda w: w.array["combiner"][0].update(limiting_magnitude={"one metre": "six"}),
        'array.toml: combiner[0].limiting_magnitude."one metre"',
        "is 'six', not a number",
        "Give a number: faintest magnitude for each telescope class; a class not named cannot be used.",
    ),
    (
        lambda w: w.array["combiner"][0].update(beam_path_m=[0.0]),
        "array.toml: combiner[0]",
        "has 1 beam_path_m values for 2 beams",
        "Change beams: how many telescopes it combines, 2 to 6; beam_path_m: constant path of"
        " each combiner input; empty means all zero.",
    ),
    (
        lambda w: w.array["combiner"][0].update(beam_path_m=[0.0], beams="x"),
        "array.toml: combiner[0].beams",
        "is 'x', not a whole number",
        "Give a whole number: how many telescopes it combines, 2 to 6.",
    ),
    (
        lambda w: w.array["configuration"][0].update(placement={"T2": 2}),
        "array.toml: configuration[0].placement.T2",
        "is 2, not text in quotes",
        "Give text in quotes: movable telescope = station; others are not used.",
    ),
    (
        lambda w: w.scenario["night"].update(date="2027-3-11"),
        "scenario.toml: night.date",
        "is '2027-3-11', not a date",
        "Write it like 2027-03-11: local date of the evening, YYYY-MM-DD, 1990 to 2060.",
    ),
    (
        lambda w: w.array["site"].update(name="here\nAudit passed."),
        "array.toml: site.name",
        "is 'here\\nAudit passed.', which holds a character that cannot be printed",
        "Remove it: name of the site.",
    ),
    (
        lambda w: w.array["combiner"][0].update(setup_s=1e20),
        "array.toml: combiner[0].setup_s",
        "is 1e+20, which is above 86400",
        "Give a number of at most 86400: time to change to this combiner.",
    ),
    (
        lambda w: w.scenario["night"].update(date=5),
        "scenario.toml: night.date",
        "is 5, not a date",
        "Write it like 2027-03-11: local date of the evening, YYYY-MM-DD, 1990 to 2060.",
    ),
    (
        lambda w: w.scenario["night"].update(date=datetime.datetime(2027, 3, 11)),
        "scenario.toml: night.date",
        "is 2027-03-11T00:00:00, not a date",
        "Write it like 2027-03-11: local date of the evening, YYYY-MM-DD, 1990 to 2060.",
    ),
    (
        lambda w: w.scenario["night"].update(slot_s=100),
        "scenario.toml: night",
        "has a slot_s (100) that is not a multiple of tick_s (30)",
        "Change slot_s: visits start on multiples of this; tick_s: steps start and end on "
        "multiples of this; limits are kept at each.",
    ),
    (
        lambda w: w.scenario["limits"].update(airmass_max=1),
        "scenario.toml: limits.airmass_max",
        "is 1, which is not above 1",
        "Give a number above 1: largest airmass.",
    ),
    (
        lambda w: w.scenario["request"][0].update(hour_angle_range_h=[3, -3]),
        "scenario.toml: request[0]",
        "has an hour_angle_range_h that does not rise within -12 to 12",
        "Change hour_angle_range_h: hour angle of the science star as [from, to], within -12 to 12.",
    ),
    (
        lambda w: window(w).update(start_utc=datetime.datetime(2027, 3, 12, 2)),
        "scenario.toml: request[0].windows[0].start_utc",
        "is 2027-03-12T02:00:00, without a zone",
        "End it with Z for UTC: start, such as 2027-03-12T02:10:00Z.",
    ),
    (
        lambda w: window(w).update(end_utc=datetime.time(4)),
        "scenario.toml: request[0].windows[0].end_utc",
        "is 04:00:00, not a time in UTC",
        "Write it like 2027-03-12T02:10:00Z: end, later than the start.",
    ),
    (
        lambda w: window(w).update(end_utc=window(w)["start_utc"]),
        "scenario.toml: request[0].windows[0]",
        "has an end_utc that is not later than its start_utc",
        "Change start_utc: start, such as 2027-03-12T02:10:00Z; end_utc: end, later than the start.",
    ),
    (
        lambda w: window(w).pop("end_utc"),
        "scenario.toml: request[0].windows[0].end_utc",
        "is missing",
        "Add it: end, later than the start.",
    ),
    (
        lambda w: window(w).update(colour=1),
        "scenario.toml: request[0].windows[0].colour",
        "is not a key of windows",
        "Remove it, or use one of: start_utc, end_utc.",
    ),
    (
        lambda w: w.scenario["request"][0]["windows"].append(5),
        "scenario.toml: request[0].windows[1]",
        "is 5, not a table",
        "Write a table with start_utc and end_utc.",
    ),
    (
        lambda w: w.scenario["request"][0].update(windows={"start_utc": 1}),
        "scenario.toml: request[0].windows",
        "is {'start_utc': 1}, not a list",
        "Give a list: the visit must lie inside one of these intervals; empty means any time.",
    ),
]


@pytest.mark.parametrize(("spoil", "where", "found", "remedy"), VALUES)
def test_each_refused_value_is_told_in_full_and_alone(tmp_path, spoil, where, found, remedy):
    written = Written()
    spoil(written)
    assert written.messages(tmp_path) == [said(where, found, remedy)]


def test_a_rule_between_two_keys_is_told_though_a_third_key_is_refused(tmp_path):
    written = Written()
    written.array["telescope_class"][0].update(
        altitude_max_deg=20.0, azimuth_range_deg=[0, 300], diameter_m="big", colour="red"
    )
    del written.array["telescope_class"][0]["acquisition_s"]
    assert [message.partition(": ")[2].partition(". ")[0] for message in written.messages(tmp_path)] == [
        "telescope_class[0].acquisition_s: is missing",
        "telescope_class[0].colour: is not a key of telescope_class",
        "telescope_class[0].diameter_m: is 'big', not a number",
        "telescope_class[0]: has altitude_min_deg at or above altitude_max_deg",
        "telescope_class[0]: has an azimuth_range_deg 300 degrees wide, which leaves sky unreached",
    ]


def test_both_ends_of_a_window_are_told_at_once(tmp_path):
    written = Written()
    window(written).update(start_utc=datetime.datetime(2027, 3, 12, 2), end_utc="four")
    written.scenario["request"][0]["windows"].append({"start_utc": 5})
    assert [message.partition(": ")[2].partition(". ")[0] for message in written.messages(tmp_path)] == [
        "request[0].windows[0].end_utc: is 'four', not a time in UTC",
        "request[0].windows[0].start_utc: is 2027-03-12T02:00:00, without a zone",
        "request[0].windows[1].end_utc: is missing",
        "request[0].windows[1].start_utc: is 5, not a time in UTC",
    ]


def test_a_date_and_a_time_may_also_stand_in_quotes(tmp_path):
    written = Written()
    written.scenario["night"]["date"] = "2027-03-11"
    window(written).update(start_utc="2027-03-12T02:10:00Z", end_utc="2027-03-12T01:00:00-03:00")
    assert written.read(tmp_path) == Written().read(tmp_path)


@pytest.mark.parametrize("model", [*(s.model for s in SECTIONS), Window, Star, ScenarioFile])
def test_an_empty_table_lacks_every_required_key_and_no_other(model):
    required = {name for name, field in model.model_fields.items() if field.is_required()}
    problems = checked(model, {}, Place("file", "table", "table")).problems
    # Reserved time must say when, in one of two ways: that is told of the whole table.
    when = {"needs either start_utc and end_utc, or duration_s"}
    assert {p.key for p in problems} - {"table"} == {f"table.{name}" for name in required}
    assert {p.found for p in problems if p.key == "table"} <= when
    assert {p.found for p in problems if p.key != "table"} <= {"is missing"}
