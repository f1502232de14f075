"""The report: one HTML file with everything in it, for the screen at night and for paper.

Every name from a file is escaped by jinja2 (autoescape is always on) or, in
figures, by matplotlib and ElementTree. The page allows itself no resource from
outside and no script but its own, whose hash it names.
"""

from __future__ import annotations

import base64
import hashlib
import re
from collections.abc import Sequence

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from planner.constraints.tonight import NightLimits
from planner.output.device_sheet import line_rows, pointing_rows, rails_told
from planner.output.figure_delay import delay_figure
from planner.output.figure_night import night_figure
from planner.output.figure_sky import altitude_figure, sky_figure
from planner.output.figure_uv import number_of, uv_figure, visibility_figure
from planner.output.figures import DARK, PALETTE, Drawn
from planner.output.reserved_sheet import earlier_told, elsewhere_told, pause_rows, unplaced_told
from planner.output.robust_sheet import brief_told, lost_told, why_told
from planner.output.run_sheet import night_sums, visit_rows
from planner.output.sentences import (
    audit_told,
    considered_told,
    counted,
    duration,
    score_told,
    served_told,
    some_served_told,
    thousands,
    travel_told,
)
from planner.output.svg import clean, inlined
from planner.output.target_sheet import target_rows
from planner.output.tracks import (
    VisitTrack,
    clock,
    local_clock,
    sidereal_of,
    to_minute,
    twilight,
    visit_tracks,
)
from planner.output.worth_sheet import program_rows, worth_told
from planner.scenario.local_time import zone_told
from planner.scheduling.candidates import RequestOffer
from planner.scheduling.plan import NightPlan, RequestOutcome, moment

LEFT_OUT_MAX = 7  # on the first screen; all of them stand in the table of requests


def drawn_night(limits: NightLimits, offers: tuple[RequestOffer, ...], plan: NightPlan) -> dict[str, Drawn]:
    """Draw every figure of a night.

    Returns
    -------
    dict
        {name: figure}: ``night``, ``delay``, ``altitude``, ``sky``, and for each
        request with a planned visit ``uv-R01`` and, when it has a diameter,
        ``vis-R01``. All but ``night`` are left out when nothing is planned.
    """
    tracks, sky = visit_tracks(limits, plan), twilight(limits, plan)
    tips = {track.key: tip(track) for track in tracks}
    figures = {"night": night_figure(limits, plan, tracks, sky, tips)}
    if not tracks:
        return figures
    figures["delay"] = delay_figure(limits, tracks, sky, tips)
    figures["altitude"] = altitude_figure(limits, tracks, sky, tips)
    figures["sky"] = sky_figure(limits, tracks, tips)
    for request in sorted({track.request for track in tracks}):
        figures[f"uv-{number_of(request)}"] = uv_figure(limits, offers[request], tracks, tips)
        expected = visibility_figure(limits, request, tracks, tips)
        if expected is not None:
            figures[f"vis-{number_of(request)}"] = expected
    return figures


def night_figures(limits: NightLimits, offers: tuple[RequestOffer, ...], plan: NightPlan) -> dict[str, str]:
    """Return the SVG text of every figure of a night, by name, from :func:`drawn_night`."""
    return {name: figure.svg for name, figure in drawn_night(limits, offers, plan).items()}


def tip(track: VisitTrack) -> str:
    """Return one line about a visit, shown where it is pointed at."""
    visit = track.visit
    first, last = track.steps[0].step, track.steps[-1]
    shared = (
        f"; opened by the exposure of {clean(first.object, 40)} that closes the visit before"
        if first.shared
        else ""
    )
    if last.opens:
        shared += f"; its last exposure, of {clean(last.step.object, 40)}, opens {last.opens} as well"
    return (
        f"{track.key} {clean(visit.target, 40)}, {clean(visit.combiner, 40)} with "
        f"{'–'.join(clean(name, 20) for name in visit.subarray)}: {clock(visit.steps[0].start_utc)} to "
        f"{clock(visit.steps[-1].end_utc)} UTC, latest start {clock(visit.latest_start_utc)}{shared}"
    )


def page_environment() -> Environment:
    """Return what every page is made with: names are escaped, and what a template lacks is an error."""
    environment = Environment(
        loader=PackageLoader("planner.output", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        finalize=lambda value: unbroken(clean(value)) if type(value) is str else value,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["count"] = thousands
    environment.filters["css_text"] = css_text
    return environment


NUMBER_AND_UNIT = re.compile(r"(?<=\d) (?=%|(?:m|mm|s|min|h|deg|mag|mas)\b)")


def unbroken(text: str) -> str:
    """Return text in which a number and its unit stay on one line.

    Examples
    --------
    >>> unbroken("20 % of 3 min") == "20\N{NO-BREAK SPACE}% of 3\N{NO-BREAK SPACE}min"
    True
    """
    return NUMBER_AND_UNIT.sub("\N{NO-BREAK SPACE}", text)


def css_text(text: str) -> Markup:
    """Return text as a string of CSS in which a name can neither end the string nor the style sheet.

    Examples
    --------
    >>> print(css_text('a "b"'))
    "a \\22 b\\22 "
    """
    plain = (
        sign if sign == " " or (sign.isascii() and sign.isalnum()) else f"\\{ord(sign):x} "
        for sign in clean(text)
    )
    return Markup('"' + "".join(plain) + '"')


def render_report(
    limits: NightLimits, offers: tuple[RequestOffer, ...], plan: NightPlan, figures: dict[str, str]
) -> str:
    """Return the report of a plan as one HTML page.

    Parameters
    ----------
    limits : NightLimits
    offers : tuple of RequestOffer
    plan : NightPlan
        With its audit; a plan without one is shown as not audited.
    figures : dict
        From :func:`night_figures`.
    """
    environment = page_environment()
    script = environment.get_template("light.js.j2").render()
    digest = base64.b64encode(hashlib.sha256(script.encode("utf-8")).digest()).decode("ascii")
    tracks = visit_tracks(limits, plan)
    left_out = left_out_first(plan.requests)
    pauses, lines = pause_rows(plan), line_rows(limits, tracks)
    pause_starts = [pause.start_utc for row in pauses for pause in row]
    return environment.get_template("report.html.j2").render(
        plan=plan,
        date=moment(f"{plan.night.date}T12:00:00Z").strftime("%A %-d %B %Y"),
        site=plan.scenario.array.site,
        score=score_told(plan.solver),
        audit=audit_told(plan.audit),
        served=served_told(plan),
        some_served=some_served_told(plan),
        travel=travel_told(plan.travel),
        worth=worth_told(plan),
        considered=considered_told(plan.scenario.effort),
        offered=considered_told(plan.scenario.effort, plan.requests),
        lost=lost_told(plan),
        why={request.target: why_told(request, plan.solver.score) for request in plan.requests},
        brief={request.target: brief_told(request, plan.solver.score) for request in left_out},
        programs=program_rows(plan),
        sums=night_sums(plan),
        first_date=moment(
            plan.visits[0].steps[0].setup_start_utc if plan.visits else plan.night.start_utc
        ).strftime("%-d %B %Y"),
        dark_from=to_minute(plan.night.start_utc),
        dark_until=to_minute(plan.night.end_utc),
        duration=duration,
        counted=counted,
        left_out=left_out[:LEFT_OUT_MAX],
        left_out_more=len(left_out) - LEFT_OUT_MAX,
        visits=visit_rows(limits, offers, plan, tracks),
        pauses=pauses,
        local=local_times(plan),
        zone=local_time_told(plan),
        sidereal=dict(zip(pause_starts, sidereal_of(limits, pause_starts), strict=True)),
        unplaced=unplaced_told(plan),
        elsewhere=elsewhere_told(plan),
        earlier=earlier_told(plan),
        lines=lines,
        rails=rails_told(lines) if lines else "",
        pointings=pointing_rows(limits, tracks),
        targets=target_rows(limits, offers, plan, tracks),
        figures={
            name: Markup(inlined(svg, PALETTE, linked=name == "night")) for name, svg in figures.items()
        },
        light=PALETTE,
        dark=DARK,
        script=Markup(script),
        script_hash=digest,
    )


def local_times(plan: NightPlan) -> dict[str, str]:
    """Return what the site's clocks show at the starts, latest starts and ends that the page tells."""
    times = [time for own in plan.reserved for time in (own.start_utc, own.end_utc) if time]
    for visit in plan.visits:
        times += [visit.steps[0].start_utc, visit.latest_start_utc, visit.steps[-1].end_utc]
    return {time: local_clock(time, plan.scenario.array.site.time_zone) for time in times}


def local_time_told(plan: NightPlan) -> str:
    """Say what local time is in this night; "" where the site has no zone."""
    name = plan.scenario.array.site.time_zone
    return "" if name is None else zone_told(name, moment(plan.night.start_utc), moment(plan.night.end_utc))


def left_out_first(requests: Sequence[RequestOutcome]) -> list[RequestOutcome]:
    """Return the requests with fewer visits than wanted: those without any first, by priority."""
    short = [request for request in requests if request.visits_planned < request.visits_wanted]
    return sorted(short, key=lambda request: (request.visits_planned > 0, -request.priority))
