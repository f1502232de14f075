"""The visits of a plan as an iCalendar file (RFC 5545), for the calendars of those who wait for them.

Times are UTC, as iCalendar's form with a Z. A visit keeps its UID when the same
night is planned again, so that a calendar replaces it; nothing in the file comes
from the clock, so that the same plan gives the same bytes.
"""

from __future__ import annotations

import uuid

from icalendar import Calendar, Event

from planner.output.svg import clean
from planner.scheduling.plan import NightPlan, Visit, moment
from planner.scheduling.remaining import is_past

PRODUCT = "-//interferometer-planner//visits 1//EN"
NAMES = uuid.uuid5(uuid.NAMESPACE_URL, "urn:interferometer-planner/visits/1")
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
        if own.start_utc is not None and own.end_utc is not None:
            event = _event(plan, f"{own.kind} {number} {own.name}", own.start_utc, own.end_utc)
            event.add("summary", f"{clean(own.name, LONGEST)} ({own.kind})")
            whom = ", ".join(clean(name) for name in own.telescopes)
            event.add("description", f"Takes away {whom or 'the whole array'}.")
            calendar.add_component(event)
    for event in calendar.events:
        event.add("location", site)
        event.add("status", "TENTATIVE")
    return calendar.to_ical()


def _event(plan: NightPlan, key: str, start_utc: str, end_utc: str) -> Event:
    """An event of the plan's, with what every event must have."""
    event = Event()
    name = "\n".join((plan.scenario.name, plan.night.date, plan.configuration, key, *_from_when(plan)))
    event.add("uid", str(uuid.uuid5(NAMES, name)))
    event.add("dtstamp", moment(f"{plan.night.date}T00:00:00Z"))
    # A leap second counts as the one before, as RFC 5545, 3.3.12 wants it.
    event.add("dtstart", moment(start_utc))
    event.add("dtend", moment(end_utc))
    return event


def _from_when(plan: NightPlan) -> tuple[str, ...]:
    """From when on a plan for the rest of a night is: its visits are others than those of the whole night."""
    past = (own for own in plan.scenario.reserved if is_past(plan, own))
    return tuple(own.end_utc.isoformat() for own in past if own.end_utc is not None)


def _told(visit: Visit) -> str:
    """The steps of a visit, one a line, and until when it may start."""
    lines = [f"{clean(visit.target)}, {clean(visit.combiner)} with {', '.join(map(clean, visit.subarray))}"]
    for step in visit.steps:
        lines.append(f"{step.start_utc[11:19]}-{step.end_utc[11:19]} UTC {step.role} {clean(step.object)}")
    lines.append(f"Latest start {visit.latest_start_utc[11:19]} UTC.")
    return "\n".join(lines)
