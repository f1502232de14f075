"""The feasibility page and the sheets of its targets: HTML with everything in it, for screen and paper.

Every name from a file is escaped by jinja2; the pages allow themselves no
resource from outside and no script at all.
"""

from __future__ import annotations

import re
from collections.abc import Mapping

from markupsafe import Markup

from planner import __version__
from planner.feasibility.answers import Feasibility
from planner.output.feasibility_sheet import TargetSheet, target_sheets
from planner.output.feasibility_words import date_told, sentence
from planner.output.figures import DARK, PALETTE
from planner.output.html import page_environment
from planner.output.sentences import counted
from planner.output.svg import inlined

CALIBRATORS_MAX = 6  # on a sheet, which is one page
MONTHS_MAX = 13
CONFIGURATIONS_MAX = 5
WINDOWS_MAX = 4


def render_feasibility(found: Feasibility, figures: Mapping[str, str]) -> str:
    """Return the answer for every target as one HTML page.

    Parameters
    ----------
    found : Feasibility
    figures : mapping
        {name: SVG text}: ``R01-night`` and ``R01-season`` of each target, where there are any.
    """
    sheets = target_sheets(found)
    template = page_environment().get_template("feasibility.html.j2")
    return template.render(
        **_shared(found, figures),
        targets=sheets,
        one_night=_one_night(found),
        season=_season(sheets),
        verdict=verdict(found, sheets),
    )


def render_sheet(found: Feasibility, sheet: TargetSheet, figures: Mapping[str, str]) -> str:
    """Return one target's sheet: an A4 page to be put into a proposal.

    Parameters
    ----------
    found : Feasibility
    sheet : TargetSheet
        From :func:`~planner.output.feasibility_sheet.target_sheets`.
    figures : mapping
        As for :func:`render_feasibility`.
    """
    template = page_environment().get_template("sheet.html.j2")
    own = {name: svg for name, svg in figures.items() if name.startswith(f"{sheet.number}-")}
    return template.render(
        **_shared(found, own),
        target=sheet,
        calibrators_max=CALIBRATORS_MAX,
        months_max=MONTHS_MAX,
        configurations_max=CONFIGURATIONS_MAX,
        windows_max=WINDOWS_MAX,
    )


def _shared(found: Feasibility, figures: Mapping[str, str]) -> dict[str, object]:
    return {
        "scenario": found.scenario,
        "site": found.scenario.array.site,
        "version": __version__,
        "counted": counted,
        "sentence": sentence,
        "shapes": {name: _shape(svg) for name, svg in figures.items()},
        "figures": {name: Markup(inlined(svg, PALETTE, linked=False)) for name, svg in figures.items()},
        "light": PALETTE,
        "dark": DARK,
    }


def _shape(svg: str) -> str:
    """Return height over width of a figure, so that those on a sheet share the room fairly."""
    found = re.search(r'viewBox="[\d.]+ [\d.]+ ([\d.]+) ([\d.]+)"', svg)
    return f"{float(found[2]) / float(found[1]):.3f}" if found else "1"


def _one_night(found: Feasibility) -> str:
    """Return the date in words when the question was about one night, else nothing.

    For a range of nights each target comes with its own best night, or none.
    """
    asked = found.scenario.night.date
    whole = len(found.nights) >= (len(found.season.requests) if found.season is not None else 1)
    one = whole and all(night.scenario.night.date == asked for night in found.nights)
    return date_told(asked) if one else ""


def _season(sheets: tuple[TargetSheet, ...]) -> dict[str, object] | None:
    """Return what the table of months needs beyond its rows, or None without a season."""
    known = [sheet.season for sheet in sheets if sheet.season is not None]
    if not known:
        return None
    return {
        "configuration": known[0].asked.configuration,
        "several": len(known[0].rows) > 1,
        "months": known[0].asked.months,
        "nights": known[0].nights,
        "first": known[0].first_night,
        "last": known[0].last_night,
        "step": known[0].step,
    }


def verdict(found: Feasibility, sheets: tuple[TargetSheet, ...]) -> str:
    """Say how many of the targets are feasible, and when.

    Raises
    ------
    ValueError
        When there is no target at all.
    """
    if not sheets:
        raise ValueError("there is no target to tell about")
    feasible, count = sum(sheet.feasible for sheet in sheets), len(sheets)
    date = _one_night(found)
    if date:
        when = f"on the night of {date}"
    else:
        first = next(sheet.season for sheet in sheets if sheet.season is not None)
        which = "some" if feasible else "any"
        when = f"on {which} night from {first.first_night} to {first.last_night}"
    if count == 1:
        return f"{sheets[0].name} is {'' if feasible else 'not '}feasible {when}."
    if feasible in (0, count):
        which = "None" if not feasible else "Both" if count == 2 else "All"
        whole = f"{which} of the {count} targets" if count > 2 or not feasible else "Both targets"
        return f"{whole} {'is' if not feasible else 'are'} feasible {when}."
    return f"{feasible} of {count} targets {'is' if feasible == 1 else 'are'} feasible {when}."
