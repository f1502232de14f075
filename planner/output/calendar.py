"""The visits of a plan as an iCalendar file (RFC 5545), for the calendars of those who wait for them.

Times are UTC, as iCalendar's form with a Z. A visit keeps its UID when the same
night, or the rest of it, is planned again, so that a calendar replaces it, and
what the rest has no place for is cancelled (RFC 5545, 3.8.1.11); nothing in the
file comes from the clock, so that the same plan gives the same bytes.
"""

from __future__ import annotations

import uuid

from icalendar import Calendar, Event

from planner.output.reserved_sheet import told_past
from planner.output.svg import clean
from planner.scheduling.numbering import dropped
from planner.scheduling.plan import NightPlan, ReservedTime, Visit, moment

PRODUCT = "-//interferometer-planner//visits 1//EN"
NAMES = uuid.uuid5(uuid.NAMESPACE_URL, "urn:interferometer-planner/visits/1")
BECAME = {"lost": "begun, but not made", "open": "it has no place in the plan for the rest of the night"}
LONGEST = 60  # characters of a name in a title; the description has all of it


def visits_calendar(plan: NightPlan) -> bytes:
    """Return ``visits.ics``: an event for the dark hours, each visit, and time that is not for stars.

    Parameters
    ----------
    plan : NightPlan

    Returns
    -------
    bytes
        UTF-8, lines ended by CRLF and folded at 75 octets. A visit runs from the moment its first
        beams are needed to the end of its last step. DTSTAMP is the night's date, 00:00 UTC.
    """
    calendar = Calendar()
    calendar.add("prodid", PRODUCT)
    calendar.add("version", "2.0")
    site = clean(plan.scenario.array.site.name)
    solver = plan.solver
    dark = _event(plan, "night", plan.night.start_utc, plan.night.end_utc)
    dark.add("summary", f"Night of {plan.night.date}, {clean(plan.scenario.name, LONGEST)}")
    words = f"{len(plan.visits)} visits, score {solver.score}, bound {solver.bound}."
    dark.add("description", f"{words} A proposal: the planner moves nothing.")
    dark.add("transp", "TRANSPARENT")
    calendar.add_component(dark)
    for visit in plan.visits:
        event = _event(plan, visit.id, visit.steps[0].setup_start_utc, visit.steps[-1].end_utc)
        telescopes = "-".join(clean(name, LONGEST) for name in visit.subarray)
        event.add("summary", f"{visit.id} {clean(visit.target, LONGEST)} ({telescopes})")
        event.add("description", _told(visit))
        calendar.add_component(event)
    for number, own in enumerate(plan.reserved, start=1):
        if own.start_utc is not None and own.end_utc is not None and not told_past(plan, own):
            event = _event(plan, _key_of_reserved(plan, number, own), own.start_utc, own.end_utc)
            event.add("summary", f"{clean(own.name, LONGEST)} ({own.kind})")
            whom = ", ".join(clean(name) for name in own.telescopes)
            event.add("description", f"Takes away {whom or 'the whole array'}.")
            calendar.add_component(event)
    for gone in dropped(plan):
        event = _event(plan, gone.id, gone.setup_start_utc, gone.end_utc)
        event.add("summary", f"{gone.id} {clean(gone.target, LONGEST)}: not planned any more")
        event.add("description", f"{clean(gone.target)}, {clean(gone.combiner)}: {BECAME[gone.became]}.")
        event.add("status", "CANCELLED")
        calendar.add_component(event)
    for event in calendar.events:
        event.add("location", site)
        if "status" not in event:
            event.add("status", "TENTATIVE")
    return calendar.to_ical()


def _event(plan: NightPlan, key: str, start_utc: str, end_utc: str) -> Event:
    """An event of the plan's, with what every event must have."""
    event = Event()
    name = "\n".join((plan.scenario.name, plan.night.date, plan.configuration, key))
    event.add("uid", str(uuid.uuid5(NAMES, name)))
    event.add("dtstamp", moment(f"{plan.night.date}T00:00:00Z"))
    # A leap second counts as the one before, as RFC 5545, 3.3.12 wants it.
    event.add("dtstart", moment(start_utc))
    event.add("dtend", moment(end_utc))
    if plan.earlier is not None:  # 3.8.7.4: the latest revision of an event has the highest number
        event.add("sequence", plan.earlier.replanned)
    return event


def _key_of_reserved(plan: NightPlan, number: int, own: ReservedTime) -> str:
    """What names time that is not for stars in every plan of a night.

    A calibration is made many times: in the rest of a night it is another one than those before.
    """
    if own.kind == "reserved":
        return f"{own.kind} {own.name}"
    past = (time.end_utc for time in plan.reserved if told_past(plan, time))
    return "\n".join((f"{own.kind} {number} {own.name}", *(end for end in past if end)))


def _told(visit: Visit) -> str:
    """The steps of a visit, one a line, and until when it may start."""
    lines = [f"{clean(visit.target)}, {clean(visit.combiner)} with {', '.join(map(clean, visit.subarray))}"]
    for step in visit.steps:
        lines.append(f"{step.start_utc[11:19]}-{step.end_utc[11:19]} UTC {step.role} {clean(step.object)}")
    lines.append(f"Latest start {visit.latest_start_utc[11:19]} UTC.")
    return "\n".join(lines)
