"""The calendar of the visits, against RFC 5545 (September 2009), whose section stands beside each rule."""

from __future__ import annotations

import datetime
import functools
import re

import handmade
from icalendar import Calendar

from planner.output.calendar import visits_calendar
from planner.scheduling.plan import ReservedTime

UTC = datetime.UTC
ODD = 'a,b;c\\d "e"\nBEGIN:VALARM\r\nX:1\u202e\x07\u2028 é☃' + "long " * 30


@functools.cache
def plan():
    return handmade.plan()


def with_reserved(*own):
    return plan().model_copy(update={"reserved": own})


def renamed(text):
    """The plan with a text in every place that a user names."""
    made = plan()
    site = made.scenario.array.site.model_copy(update={"name": text})
    array = made.scenario.array.model_copy(update={"site": site})
    steps = [tuple(step.model_copy(update={"object": text}) for step in visit.steps) for visit in made.visits]
    changes = {"target": text, "combiner": text, "subarray": (text, text)}
    visits = tuple(
        visit.model_copy(update={**changes, "steps": own})
        for visit, own in zip(made.visits, steps, strict=True)
    )
    scenario = made.scenario.model_copy(update={"name": text, "array": array})
    reserved = ReservedTime(
        name=text, kind="reserved", start_utc="2027-03-12T05:00:00Z", end_utc="2027-03-12T06:00:00Z",
        telescopes=(text,),
    )  # fmt: skip
    return made.model_copy(update={"scenario": scenario, "visits": visits, "reserved": (reserved,)})


def unfolded(content):
    return content.decode("utf-8").replace("\r\n ", "").split("\r\n")


def test_a_visit_lasts_from_when_its_beams_are_needed_to_its_last_step():
    read = Calendar.from_ical(visits_calendar(plan()))
    events = {str(event["summary"]): event for event in read.events}
    # By hand, from handmade.py: the first visit starts at 00:20 and its last step ends 20 minutes later.
    first = next(event for name, event in events.items() if name.startswith("V01 first"))
    step = plan().visits[0].steps[0]
    assert first.end == datetime.datetime(2027, 3, 12, 0, 40, tzinfo=UTC)
    assert first.start == datetime.datetime.fromisoformat(step.setup_start_utc)
    assert "Latest start" in str(first["description"])
    assert "calibrator beside first" in str(first["description"])
    assert len(events) == 1 + len(plan().visits)


def test_the_dark_hours_stand_there_without_taking_up_time():
    # 3.6: a calendar has at least one component, so that a night without a visit is a calendar too.
    night = next(iter(Calendar.from_ical(visits_calendar(plan())).events))
    assert night["transp"] == "TRANSPARENT"
    empty = visits_calendar(plan().model_copy(update={"visits": ()}))
    assert len(list(Calendar.from_ical(empty).events)) == 1


def test_lines_are_short_and_end_as_the_standard_wants():
    for made in (plan(), renamed(ODD)):
        content = visits_calendar(made)
        assert content.endswith(b"END:VCALENDAR\r\n")
        lines = content.split(b"\r\n")
        assert not any(b"\n" in line or b"\r" in line for line in lines)  # 3.1
        assert max(len(line) for line in lines) <= 75  # 3.1, octets without the line break


def test_required_properties_are_there_once():
    lines = unfolded(visits_calendar(renamed(ODD)))
    heads = [re.split("[:;]", line, maxsplit=1)[0] for line in lines if line]
    assert heads.count("PRODID") == heads.count("VERSION") == 1  # 3.6
    assert "VERSION:2.0" in lines  # 3.7.4
    events = "\n".join(lines).split("BEGIN:VEVENT")[1:]
    assert len(events) == 1 + len(plan().visits) + 1
    uids = []
    for event in events:
        own = [re.split("[:;]", line, maxsplit=1)[0] for line in event.strip().split("\n")]
        for name in ("UID", "DTSTAMP", "DTSTART", "DTEND", "SUMMARY", "DESCRIPTION"):  # 3.6.1
            assert own.count(name) == 1
        values = dict(line.split(":", 1) for line in event.strip().split("\n"))
        for name in ("DTSTAMP", "DTSTART", "DTEND"):
            assert re.fullmatch(r"\d{8}T\d{6}Z", values[name])  # 3.3.5, form 2: UTC
        assert values["DTEND"] > values["DTSTART"]  # 3.8.2.2
        uids.append(values["UID"])
    assert len(set(uids)) == len(uids)  # 3.8.4.7


def test_names_are_text_and_nothing_else():
    lines = unfolded(visits_calendar(renamed(ODD)))
    assert [line for line in lines if line.startswith("BEGIN:")].count("BEGIN:VALARM") == 0
    for line in lines:
        name, _, value = line.partition(":")
        if name in ("SUMMARY", "DESCRIPTION", "LOCATION"):
            # 3.3.11: a comma, a semicolon and a backslash stand behind a backslash, a line break is \n.
            assert not re.search(r"(?<!\\)(?:\\\\)*[,;]", value)
            assert re.fullmatch(r"(?:[^\\]|\\[\\;,nN])*", value)
    read = next(
        event
        for event in Calendar.from_ical(visits_calendar(renamed(ODD))).events
        if "V01" in event["summary"]
    )
    assert 'a,b;c\\d "e" BEGIN:VALARM' in str(read["description"])
    assert not set(str(read["description"])) & set("\x07\u202e\u2028\r")


def test_the_same_plan_gives_the_same_bytes_and_a_changed_one_the_same_uids():
    assert visits_calendar(plan()) == visits_calendar(handmade.plan())
    solver = plan().solver.model_copy(update={"score": 1})
    other = visits_calendar(plan().model_copy(update={"solver": solver}))
    assert other != visits_calendar(plan())

    def uids(content):
        return [str(event["uid"]) for event in Calendar.from_ical(content).events]

    assert uids(other) == uids(visits_calendar(plan()))
    later = plan().night.model_copy(update={"date": "2027-03-12"})
    assert not set(uids(other)) & set(uids(visits_calendar(plan().model_copy(update={"night": later}))))


def test_a_leap_second_counts_as_the_second_before():
    # 3.3.12: without support for leap seconds 60 is read as 59. The leap second: IERS Bulletin C 52.
    times = {"start_utc": "2016-12-31T23:00:00Z", "end_utc": "2016-12-31T23:59:60Z"}
    own = ReservedTime(name="survey", kind="reserved", telescopes=(), **times)
    *_, event = Calendar.from_ical(visits_calendar(with_reserved(own))).events
    assert event.end == datetime.datetime(2016, 12, 31, 23, 59, 59, tzinfo=UTC)


def test_what_fits_nowhere_is_not_in_the_calendar():
    own = ReservedTime(name="survey", kind="reserved", telescopes=(), start_utc=None, end_utc=None)
    assert b"survey" not in visits_calendar(with_reserved(own))
