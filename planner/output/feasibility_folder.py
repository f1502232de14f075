"""The folder of a feasibility answer: the page, a sheet for each target, figures and tables."""

from __future__ import annotations

from pathlib import Path

from planner.feasibility.answers import Feasibility
from planner.output.contents import FEASIBILITY, SHEETS
from planner.output.feasibility_months import asked_configuration
from planner.output.feasibility_page import render_feasibility, render_sheet
from planner.output.feasibility_sheet import target_sheets
from planner.output.feasibility_tables import blocked_table, season_table, targets_table, windows_table
from planner.output.feasibility_words import number_of_target
from planner.output.figure_season import season_figure
from planner.output.figure_windows import windows_figure
from planner.output.figures import Drawn
from planner.output.folder import figure_files
from planner.output.tables import table_text
from planner.output.writing import check_folder, replace_folder

PAGE_FILE, TARGETS_FILE = "feasibility.html", "targets.ecsv"
WINDOWS_FILE, BLOCKED_FILE, SEASON_FILE = "windows.ecsv", "blocked.ecsv", "season.ecsv"


def feasibility_figures(found: Feasibility) -> dict[str, Drawn]:
    """Draw every target's night and season.

    Returns
    -------
    dict
        {name: figure}: ``R01-night`` for each target with a night, ``R01-season`` for each in the season.
    """
    figures: dict[str, Drawn] = {}
    for night in found.nights:
        name = f"{number_of_target(night.request)}-night"
        figures.setdefault(name, windows_figure(night, name))
    season = found.season
    if season is not None:
        configuration = asked_configuration(season)
        for target, request in enumerate(season.requests):
            name = f"{number_of_target(request)}-season"
            figures[name] = season_figure(season, configuration, target, name)
    return figures


def write_feasibility_folder(found: Feasibility, folder: Path, pdf: bool = False) -> Path:
    """Write page, sheets, figures and tables to ``folder``, replacing an earlier answer there.

    Parameters
    ----------
    found : Feasibility
    folder : Path
    pdf : bool
        Whether each figure is written as PDF too.

    Returns
    -------
    Path
        The page.

    Raises
    ------
    InputProblems
        When the folder holds something else, or cannot be written.
    """
    check_folder(folder, FEASIBILITY)
    drawn = feasibility_figures(found)
    svgs = {name: figure.svg for name, figure in drawn.items()}
    files: dict[str, str | bytes] = {
        PAGE_FILE: render_feasibility(found, svgs),
        TARGETS_FILE: table_text(targets_table(found)),
        WINDOWS_FILE: table_text(windows_table(found)),
        BLOCKED_FILE: table_text(blocked_table(found)),
    }
    if found.season is not None:
        files[SEASON_FILE] = table_text(season_table(found.season))
    for sheet in target_sheets(found):
        files[f"{SHEETS}/{sheet.file}"] = render_sheet(found, sheet, svgs)
    replace_folder(folder, files | figure_files(drawn, pdf))
    return folder / PAGE_FILE
