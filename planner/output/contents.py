"""What each kind of folder holds: enough to refuse a wrong one before anything large is loaded."""

from __future__ import annotations

from pathlib import Path

from planner.output.writing import Contents, check_folder

FIGURES, SHEETS = "figures", "sheets"
PLAN = Contents(
    "a plan",
    ("plan[.]json", "report[.]html", "plan[.]ecsv", "visits[.]ics", rf"{FIGURES}/.*[.](svg|pdf)"),
)
PLAN_ALONE = Contents("a plan without its report", ("plan[.]json",))
FEASIBILITY = Contents(
    "a feasibility answer",
    (
        "feasibility[.]html",
        "(targets|windows|blocked|season)[.]ecsv",
        rf"{SHEETS}/[RT]\d+(-[A-Za-z0-9-]+)?[.]html",
        rf"{FIGURES}/[RT]\d+-(night|season)[.](svg|pdf)",
    ),
)
RANKING = Contents(
    "a ranking",
    ("ranking[.](html|ecsv)", "by_request[.]ecsv", rf"{FIGURES}/(array|bars|heat|planes)[.](svg|pdf)"),
)
SUFFIX = "-without-report"


def safe_place(folder: Path) -> Path:
    """Return where the plan of a folder lies while its report is made."""
    return folder.with_name(f"{folder.name}{SUFFIX}")


def check_night_folders(folder: Path) -> None:
    """Refuse a folder for a plan, or the place beside it, that cannot be written or holds something else.

    Raises
    ------
    InputProblems
    """
    check_folder(folder, PLAN)
    check_folder(safe_place(folder), PLAN_ALONE)
