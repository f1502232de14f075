"""The plan's folder: written under a temporary name and renamed, so there is never half a plan."""

from __future__ import annotations

import glob
import os
import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path

from planner.constraints.tonight import NightLimits
from planner.errors import InputProblems, Problem
from planner.output.html import night_figures, render_report
from planner.output.tables import plan_table, table_text
from planner.scheduling.candidates import RequestOffer
from planner.scheduling.plan import NightPlan
from planner.scheduling.plan_file import PLAN_FILE, plan_json

REPORT_FILE, TABLE_FILE, FIGURES = "report.html", "plan.ecsv", "figures"
PLAN_FILES = {PLAN_FILE, REPORT_FILE, TABLE_FILE}


def write_plan_folder(
    limits: NightLimits, offers: tuple[RequestOffer, ...], plan: NightPlan, folder: Path
) -> Path:
    """Write report, plan, table and figures to ``folder``, replacing an earlier plan there.

    Returns
    -------
    Path
        The report.

    Raises
    ------
    InputProblems
        When the folder holds something else than a plan, or cannot be written.
    """
    check_folder(folder)
    figures = night_figures(limits, offers, plan)
    files = {
        PLAN_FILE: plan_json(plan),
        TABLE_FILE: table_text(plan_table(plan)),
        REPORT_FILE: render_report(limits, offers, plan, figures),
    }
    files |= {f"{FIGURES}/{name}.svg": svg for name, svg in figures.items()}
    try:
        _replace(folder, files)
    except OSError as error:
        remedy = "Choose a folder you may write to with --out, or make room."
        raise InputProblems(
            [Problem(str(folder), "", f"cannot be written ({error.strerror})", remedy)]
        ) from None
    return folder / REPORT_FILE


def check_folder(folder: Path) -> None:
    """Refuse a folder that cannot be written or holds something else than a plan, before any work is done.

    Raises
    ------
    InputProblems
    """
    other = "Give another folder with --out."
    try:
        if folder.is_symlink() or (folder.exists() and not folder.is_dir()):
            raise InputProblems([Problem(str(folder), "", "exists and is not a folder", other)])
        strange = sorted(_strange(folder)) if folder.is_dir() else []
        if strange:
            found = f"holds {strange[0]!r}, which is not part of a plan"
            remedy = "Give a new folder with --out, so that nothing of yours is replaced."
            raise InputProblems([Problem(str(folder), "", found, remedy)])
        parent = next(path for path in folder.absolute().parents if path.exists())
        if not parent.is_dir() or not os.access(parent, os.W_OK | os.X_OK):
            raise InputProblems([Problem(str(folder), "", f"cannot be made in {parent}", other)])
    except OSError as error:
        found = f"cannot be used ({error.strerror})"
        raise InputProblems([Problem(str(folder)[:80], "", found, other)]) from None


def _strange(folder: Path) -> Iterator[str]:
    """Names in a folder that no plan of ours puts there."""
    for path in folder.iterdir():
        if path.name == FIGURES and path.is_dir() and not path.is_symlink():
            yield from (f"{FIGURES}/{own.name}" for own in path.iterdir() if own.suffix != ".svg")
        elif path.name not in PLAN_FILES or not path.is_file():
            yield path.name


def _replace(folder: Path, files: dict[str, str]) -> None:
    """Write the files beside ``folder``, then put them in its place by renaming."""
    folder = folder.absolute()
    folder.parent.mkdir(parents=True, exist_ok=True)
    if not folder.exists():
        # An earlier run was killed between its two renames: its older plan still stands beside.
        for kept in sorted(folder.parent.glob(f".{glob.escape(folder.name)}-*-old"))[:1]:
            kept.rename(folder)
    fresh = Path(tempfile.mkdtemp(prefix=f".{folder.name}-", dir=folder.parent))
    old = fresh.with_name(fresh.name + "-old")
    try:
        fresh.chmod(0o777 & ~_umask())
        for name, text in files.items():
            target = fresh / name
            target.parent.mkdir(exist_ok=True)
            with target.open("w", encoding="utf-8", newline="\n") as stream:
                stream.write(text)
                stream.flush()
                os.fsync(stream.fileno())
        if folder.exists():
            folder.rename(old)
        try:
            fresh.rename(folder)
        except OSError:
            if old.exists():
                old.rename(folder)
            raise
    finally:
        shutil.rmtree(fresh, ignore_errors=True)
        shutil.rmtree(old, ignore_errors=True)


def _umask() -> int:
    current = os.umask(0)
    os.umask(current)
    return current
