"""The clocks at a site: local time beside UTC, and clock times that come twice or never."""

from __future__ import annotations

import datetime
import re

import handmade
import pytest
from invented import random_scenario
from pages import read_page
from test_report import of_night

from planner.output.html import local_time_told, local_times
from planner.scenario.array import Site
from planner.scenario.local_time import moments_of, zone_named, zone_told
from planner.scheduling.begun_night import _time_of_night
from planner.scheduling.plan_file import plan_json
from planner.terminal import _night_lines

UTC = datetime.UTC
# Summer time ends on the last Sunday of October at 01:00 UTC (03:00 becomes 02:00), and begins on the last
# of March at 01:00 UTC (02:00 becomes 03:00): Directive 2000/84/EC, articles 2 and 3. "CET" follows it.
BACK = datetime.datetime(2027, 10, 31, 1, 0, tzinfo=UTC)


def night_of(start_utc, end_utc, time_zone="CET"):
    """The plan by hand in another night and zone; only its night and its site are asked for."""
    plan = handmade.plan()
    night = plan.night.model_copy(update={"start_utc": start_utc, "end_utc": end_utc})
    site = plan.scenario.array.site.model_copy(update={"time_zone": time_zone})
    array = plan.scenario.array.model_copy(update={"site": site})
    scenario = plan.scenario.model_copy(update={"array": array})
    return plan.model_copy(update={"night": night, "scenario": scenario})


AUTUMN = ("2027-10-30T19:00:00Z", "2027-10-31T05:00:00Z")
SPRING = ("2027-03-27T19:00:00Z", "2027-03-28T04:00:00Z")


def asked(plan, at):
    problems = []
    return _time_of_night(plan, at, problems), [str(problem) for problem in problems]


def test_a_clock_time_is_one_moment_or_two_or_none():
    zone = zone_named("CET")
    assert moments_of(datetime.datetime(2027, 10, 31, 2, 30), zone) == [
        BACK - datetime.timedelta(minutes=30), BACK + datetime.timedelta(minutes=30),
    ]  # fmt: skip
    assert moments_of(datetime.datetime(2027, 10, 31, 3, 0), zone) == [BACK + datetime.timedelta(hours=1)]
    assert moments_of(datetime.datetime(2027, 3, 28, 2, 30), zone) == []


def test_local_time_on_the_command_line():
    autumn, spring = night_of(*AUTUMN), night_of(*SPRING)
    assert asked(autumn, "23:30 local") == (datetime.datetime(2027, 10, 30, 21, 30, tzinfo=UTC), [])
    assert asked(autumn, "05:15local") == (datetime.datetime(2027, 10, 31, 4, 15, tzinfo=UTC), [])
    # Without the word it is UTC, with an offset what that says.
    assert asked(autumn, "01:30")[0] == datetime.datetime(2027, 10, 31, 1, 30, tzinfo=UTC)
    when, told = asked(autumn, "02:30 local")
    assert when is None
    assert "which clocks in CET show twice in this night. Give 02:30+02:00 or 02:30+01:00." in told[0]
    assert asked(autumn, "02:30+02:00")[0] == BACK - datetime.timedelta(minutes=30)
    assert asked(autumn, "02:30+01:00")[0] == BACK + datetime.timedelta(minutes=30)
    assert "which clocks skip, or outside the night" in asked(spring, "02:30 local")[1][0]
    assert "outside the night" in asked(spring, "12:00 local")[1][0]
    assert "not a time" in asked(spring, "half past local")[1][0]
    assert "has no time_zone" in asked(night_of(*SPRING, time_zone=None), "02:30 local")[1][0]


def test_a_change_of_clocks_is_told():
    first, last = (datetime.datetime.fromisoformat(text) for text in AUTUMN)
    assert (
        zone_told("CET", first, last) == "Local time is that of CET, UTC+02:00, from 01:00 UTC on UTC+01:00."
    )
    assert local_time_told(night_of(*AUTUMN, time_zone=None)) == ""


@pytest.mark.parametrize("name", ["Nowhere/Else", "../UTC", "/etc/passwd", "Etc", "utc5"])
def test_a_zone_that_does_not_exist_is_refused(name):
    with pytest.raises(ValueError, match="no zone of the IANA time zone database"):
        Site(name="x", latitude_deg=0.0, longitude_deg=0.0, height_m=0.0, time_zone=name)


def test_the_sheet_and_the_terminal_tell_local_time_beside_utc():
    scenario = random_scenario(3, requests=3, telescopes=3, beams=2)
    site = scenario.array.site.model_copy(update={"time_zone": "Etc/GMT+5"})
    array = scenario.array.model_copy(update={"site": site})
    _, plan, _, page = of_night(scenario.model_copy(update={"array": array}))
    rows = read_page(page).all("tr", data_visit=plan.visits[0].id)
    text = " ".join(row.text() for row in rows)
    # By hand: Etc/GMT+5 is five hours behind UTC (POSIX counts west as positive).
    for visit in plan.visits:
        start, end = visit.steps[0].start_utc, visit.steps[-1].end_utc
        hour = (int(start[11:13]) - 5) % 24
        assert local_times(plan)[start] == f"{hour:02d}:{start[14:16]}"
        line = next(line for line in _night_lines(plan) if line.startswith(visit.id))
        assert f"({local_times(plan)[start]}-{local_times(plan)[end]} local)" in line
        assert f"local time {local_times(plan)[start]} to {local_times(plan)[end]}" in read_page(page).text()
    assert local_times(plan)[plan.visits[0].steps[0].start_utc] in text
    assert "Local time is that of Etc/GMT+5, UTC-05:00." in read_page(page).text()


def test_windows_take_times_with_an_offset():
    plan = handmade.plan()
    text = plan_json(plan)
    window = '"windows": [{"start_utc": "2027-03-11T21:10:00-05:00", "end_utc": "2027-03-11T23:10:00-05:00"}]'
    changed = type(plan).model_validate_json(re.sub(r'"windows": \[\]', window, text, count=1))
    own = next(r.extras.windows for r in changed.scenario.requests if r.extras.windows)[0]
    assert own.start_utc == datetime.datetime(2027, 3, 12, 2, 10, tzinfo=UTC)
    assert own.start_utc.tzinfo is UTC
