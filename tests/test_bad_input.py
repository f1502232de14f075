"""Spoiled scenarios and nights at the edge of the world: an audited plan, or a reason in words."""

from __future__ import annotations

import datetime
import functools

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from mutations import Files, plain, shipped, spoiled
from written import LINE, Written

from planner.commands import Asked, assess_feasibility, plan_night
from planner.errors import InputProblems, NoNight
from planner.output.starting import starting_files
from planner.scenario.reading import read_scenario
from planner.terminal import safe

SEEDS = {"plain": range(1840), "tiny": range(130), "twostars": range(30)}


@functools.cache
def sound(name: str) -> Files:
    """A sound scenario with little effort, before it is spoiled."""
    made = plain() if name == "plain" else shipped(name)
    made.toml["scenario.toml"]["effort"] = {"deterministic": 0.1}
    made.toml["scenario.toml"]["night"] |= {"slot_s": 1200, "tick_s": 60}
    return made


def judged(files, folder):
    """The scenario when it reads, else None: then each problem says where, what and what to do, in a line."""
    for old in folder.iterdir():
        old.unlink()
    files.write(folder)
    try:
        return read_scenario(folder)
    except InputProblems as error:
        told = error.problems
    assert told
    for one in told:
        assert all((one.file, one.found, one.remedy)), one
        assert one.remedy.endswith((".", "?")), one.remedy
        assert len(safe(str(one))) < 2000
        assert "\n" not in str(one)
    return None


def planned_or_told(scenario):
    """Plan a night: the audited plan, in which nothing lacks without a reason; None without a night."""
    effort = scenario.effort.model_copy(update={"deterministic": min(0.1, scenario.effort.deterministic)})
    try:
        plan = plan_night(scenario.model_copy(update={"effort": effort})).plan
    except NoNight:
        return None
    assert plan.audit.passed, [check for check in plan.audit.checks if not check.passed]
    for request in plan.requests:
        assert request.reason or request.visits_planned == request.visits_wanted
    return plan


@pytest.mark.slow
@pytest.mark.parametrize("name", SEEDS)
def test_two_thousand_spoiled_scenarios_read_or_tell_what_is_wrong(name, tmp_path):
    read = sum(judged(spoiled(sound(name), seed), tmp_path) is not None for seed in SEEDS[name])
    # Some mistakes leave a scenario that means something else; most are noticed.
    assert 0.02 * len(SEEDS[name]) < read < 0.4 * len(SEEDS[name])


@settings(max_examples=60)
@given(seed=st.integers(min_value=10_000, max_value=10**9))
def test_any_spoiled_scenario_reads_or_tells_what_is_wrong(tmp_path_factory, seed):
    judged(spoiled(sound("plain"), seed), tmp_path_factory.mktemp("spoiled"))


@pytest.mark.slow
def test_what_still_reads_gives_a_plan_that_passes_its_audit_or_a_reason(tmp_path):
    # A sample; about 400 such nights were planned when this was written.
    count = {"plain": 18, "tiny": 2}
    for name, most in count.items():
        for seed in SEEDS[name]:
            scenario = judged(spoiled(sound(name), seed), tmp_path)
            if scenario is not None:
                planned_or_told(scenario)
                most -= 1
            if most == 0:
                break
        assert most == 0


def sky_of(latitude_deg=-25.0, longitude_deg=-67.0, date=datetime.date(2027, 3, 11), **site):
    """The written scenario elsewhere, in another night, without its absolute window."""
    written = Written()
    written.array["site"] |= {"latitude_deg": latitude_deg, "longitude_deg": longitude_deg, **site}
    written.scenario["night"] |= {"date": date, "slot_s": 600, "tick_s": 60}
    written.scenario["effort"] = {"deterministic": 0.5}
    del written.scenario["request"]
    return written


def test_times_beyond_the_years_and_sizes_next_to_nothing_are_told(tmp_path):
    # In UTC the first of these times is before the first one that Python knows, the second after the last.
    written = Written()
    east, west = (datetime.timezone(datetime.timedelta(hours=hours)) for hours in (1, -1))
    first = datetime.datetime(1, 1, 1, tzinfo=east)
    last = datetime.datetime(9999, 12, 31, 23, 59, tzinfo=west)
    written.scenario["request"] = [
        {"target": written.targets[0]["name"], "windows": [{"start_utc": first, "end_utc": last}]}
    ]
    written.scenario["reserved"] = [{"name": "x", "start_utc": first, "end_utc": last}]
    written.array["telescope_class"][0]["diameter_m"] = 1e-300
    written.targets[0]["field"] = "1e-300"
    told = "\n".join(written.messages(tmp_path))
    assert told.count("0001-01-01T00:00:00+01:00, outside 1990 to 2060") == 2
    assert told.count("9999-12-31T23:59:00-01:00, outside 1990 to 2060") == 2
    assert told.count("is 1e-300, too small to be meant") == 2


def test_near_the_pole_there_is_no_night_in_summer_and_no_day_in_winter(tmp_path):
    # By hand: at 89 deg north the Sun keeps within a degree of its declination, 23.4 deg on 21 June.
    summer = sky_of(89.0, date=datetime.date(2027, 6, 21)).read(tmp_path)
    with pytest.raises(NoNight, match="the Sun never goes below -18 deg: it is lowest at 22"):
        plan_night(summer)
    winter = sky_of(89.0, date=datetime.date(2027, 12, 21))
    winter.scenario["night"] |= {"slot_s": 1800}
    for number, row in enumerate((*winter.targets, *winter.calibrators)):
        row |= {"ra": str(80.0 + number), "dec": "60.0"}
    plan = planned_or_told(winter.read(tmp_path))
    assert plan.visits
    dark = [datetime.datetime.fromisoformat(text) for text in (plan.night.start_utc, plan.night.end_utc)]
    assert (dark[1] - dark[0]).total_seconds() == pytest.approx(86_400, abs=2)


def test_longitudes_on_both_sides_of_the_date_line_are_one_place(tmp_path):
    west, east, same = (
        planned_or_told(sky_of(longitude_deg=longitude).read(tmp_path))
        for longitude in (-179.9, 179.9, 180.1)
    )
    assert west.visits
    assert west.visits == same.visits
    # Sunset at 18:20 local time, half a day from UTC, dusk 76 minutes later: 07:36 UTC, a day apart by date.
    assert west.night.start_utc.startswith("2027-03-12T07:3")
    assert east.night.start_utc.startswith("2027-03-11T07:3")


def test_targets_at_the_pole_and_in_the_zenith_get_visits_or_reasons(tmp_path):
    written = sky_of(-35.0)
    written.array["telescope_class"][0]["azimuth_tracking_max_deg_per_s"] = 0.02
    # The zenith: declination of the latitude, right ascension of the sidereal time at 02:00 UTC, 8 h 50 min.
    for row, (ra, dec) in zip(written.targets, ((0.0, -90.0), (132.5, -35.0)), strict=True):
        row |= {"ra": str(ra), "dec": str(dec)}
    for row, (ra, dec) in zip(written.calibrators, ((40.0, -89.0), (131.0, -34.0)), strict=True):
        row |= {"ra": str(ra), "dec": str(dec), "mag_K": "4.0"}
    plan = planned_or_told(written.read(tmp_path))
    assert {visit.target for visit in plan.visits} == {"alpha", "beta"}
    pole = next(step for visit in plan.visits for step in visit.steps if step.object == "alpha")
    # By hand: the celestial pole stands as high as the latitude; precession moves it by 0.15 deg since 2000.
    assert pole.beams[0].altitude_start_deg == pytest.approx(35.0, abs=0.16)


def test_a_station_on_top_of_another_is_told(tmp_path):
    written = Written()
    written.array["station"][1] |= {"east_m": 0.0}
    assert written.messages(tmp_path)


def test_one_telescope_makes_no_subarray_and_that_is_told(tmp_path):
    written = Written()
    written.array["telescope"].pop()
    written.array["configuration"] = [{"name": "wide"}]
    written.scenario.pop("request")
    assert written.messages(tmp_path)


def test_a_stroke_of_no_length_is_told(tmp_path):
    written = Written()
    written.array["delay_line"] = [LINE | {"stroke_m": [5.0, 5.0]}, LINE | {"name": "L2"}]
    assert written.messages(tmp_path) == [
        "array.toml: delay_line[0]: has a stroke_m of 0 m, which is not positive. "
        "Change stroke_m: usable optical path as [shortest, longest] in metres, longest above shortest."
    ]


def test_a_night_with_a_leap_second_is_planned_to_the_second(tmp_path):
    # IERS Bulletin C 52: 2016-12-31 ended with 23:59:60 UTC. At 20 deg west that is in the evening.
    written = sky_of(longitude_deg=-20.0, date=datetime.date(2016, 12, 31))
    plan = planned_or_told(written.read(tmp_path))
    steps = [step for visit in plan.visits for step in visit.steps]
    assert plan.night.start_utc < "2016-12-31T23"
    before = {int(step.start_utc[17:19]) % 60 for step in steps if step.start_utc < "2016-12-31T23:59:59"}
    after = {int(step.start_utc[17:19]) % 60 for step in steps if step.start_utc > "2017"}
    # Ticks are seconds that pass: a minute after 23:59:50 it is 00:00:49, as a second was put in between.
    assert len(after) == 1
    assert before in (set(), {(after.pop() + 1) % 60})


@pytest.mark.parametrize(("longitude_deg", "begins"), [(-31, False), (-34, True)])
def test_a_step_may_lie_across_a_leap_second_or_begin_with_it(tmp_path, longitude_deg, begins):
    changes = {
        "longitude_deg = -30.0": f"longitude_deg = {longitude_deg}.0",
        "latitude_deg = 35.0": "latitude_deg = -28.0",
        "date = 2027-01-08": "date = 2016-12-31",
    }
    for name, text in starting_files().items():
        for old, new in changes.items():
            text = text.replace(old, new)
        (tmp_path / name).write_text(text, encoding="utf-8")
    plan = planned_or_told(read_scenario(tmp_path))
    second = "2016-12-31T23:59:60Z"
    steps = [step for visit in plan.visits for step in visit.steps]
    across = [step for step in steps if step.start_utc <= second < step.end_utc]
    assert len(across) == 1
    assert (across[0].start_utc == second) == begins


def test_five_hundred_targets_are_read_and_judged(tmp_path):
    written = sky_of()
    first = written.targets[0]
    written.targets = [
        first | {"name": f"s{n}", "ra": f"{75.0 + 0.02 * n:.2f}", "dec": f"{-12.0 + 0.01 * n:.2f}"}
        for n in range(500)
    ]
    scenario = written.read(tmp_path)
    assert len(scenario.requests) == 500
    answer = assess_feasibility(scenario, Asked(targets=("s250",)))
    assert answer.nights[0].serving is not None
