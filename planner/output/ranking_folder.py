"""The folder of a ranking: the page, figures and tables."""

from __future__ import annotations

from pathlib import Path

from planner.output.contents import RANKING
from planner.output.figure_array import array_figure
from planner.output.figure_heat import heat_figure
from planner.output.figure_planes import planes_figure
from planner.output.figure_ranking import bars_figure
from planner.output.figures import Drawn
from planner.output.folder import figure_files
from planner.output.ranking_page import render_ranking
from planner.output.ranking_tables import ranking_table, request_table
from planner.output.tables import table_text
from planner.output.writing import check_folder, replace_folder
from planner.ranking.answers import Ranking

PAGE_FILE, TABLE_FILE, REQUESTS_FILE = "ranking.html", "ranking.ecsv", "by_request.ecsv"


def ranking_figures(ranking: Ranking) -> dict[str, Drawn]:
    """Draw every figure of a ranking.

    Returns
    -------
    dict
        {name: figure}: ``array`` always; ``bars``, ``heat`` where there is a subarray; ``planes`` where
        the best of them serve a request.
    """
    figures = {"array": array_figure(ranking, "array")}
    if ranking.top:
        figures["bars"] = bars_figure(ranking, "bars")
        figures["heat"] = heat_figure(ranking, "heat")
        planes = planes_figure(ranking, "planes")
        if planes is not None:
            figures["planes"] = planes
    return figures


def write_ranking_folder(ranking: Ranking, folder: Path, pdf: bool = False) -> Path:
    """Write page, figures and tables to ``folder``, replacing an earlier ranking there.

    Parameters
    ----------
    ranking : Ranking
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
    check_folder(folder, RANKING)
    drawn = ranking_figures(ranking)
    files: dict[str, str | bytes] = {
        PAGE_FILE: render_ranking(ranking, {name: figure.svg for name, figure in drawn.items()}),
        TABLE_FILE: table_text(ranking_table(ranking)),
        REQUESTS_FILE: table_text(request_table(ranking)),
    }
    replace_folder(folder, files | figure_files(drawn, pdf))
    return folder / PAGE_FILE
