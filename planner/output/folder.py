"""The folder of a plan: report, table, calendar, figures, and the plan itself."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from planner.constraints.tonight import NightLimits
from planner.output.calendar import visits_calendar
from planner.output.contents import FIGURES, PLAN
from planner.output.figures import Drawn
from planner.output.html import drawn_night, render_report
from planner.output.tables import plan_table, table_text
from planner.output.writing import check_folder, replace_folder
from planner.scheduling.candidates import RequestOffer
from planner.scheduling.plan import NightPlan
from planner.scheduling.plan_file import PLAN_FILE, plan_json

REPORT_FILE, TABLE_FILE, CALENDAR_FILE = "report.html", "plan.ecsv", "visits.ics"


def write_plan_folder(
    limits: NightLimits, offers: tuple[RequestOffer, ...], plan: NightPlan, folder: Path, pdf: bool = False
) -> Path:
    """Write report, plan, table, calendar and figures to ``folder``, replacing an earlier plan there.

    Parameters
    ----------
    limits : NightLimits
    offers : tuple of RequestOffer
    plan : NightPlan
    folder : Path
    pdf : bool
        Whether each figure is written as PDF too.

    Returns
    -------
    Path
        The report.

    Raises
    ------
    InputProblems
        When the folder holds something else than a plan, or cannot be written.
    """
    check_folder(folder, PLAN)
    drawn = drawn_night(limits, offers, plan)
    figures = {name: figure.svg for name, figure in drawn.items()}
    files: dict[str, str | bytes] = {
        PLAN_FILE: plan_json(plan),
        TABLE_FILE: table_text(plan_table(plan)),
        CALENDAR_FILE: visits_calendar(plan),
        REPORT_FILE: render_report(limits, offers, plan, figures),
    }
    replace_folder(folder, files | figure_files(drawn, pdf))
    return folder / REPORT_FILE


def figure_files(figures: Mapping[str, Drawn], pdf: bool) -> dict[str, str | bytes]:
    """Return the files of figures, as SVG and where asked for as PDF, by their path in an answer's folder."""
    files: dict[str, str | bytes] = {}
    for name, figure in figures.items():
        files[f"{FIGURES}/{name}.svg"] = figure.svg
        if pdf:
            files[f"{FIGURES}/{name}.pdf"] = figure.pdf
    return files
