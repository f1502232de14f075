"""The folders that the planner writes: under a temporary name and renamed, so there is never half of one."""

from __future__ import annotations

import glob
import os
import re
import shutil
import tempfile
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from planner.constraints.tonight import NightLimits
from planner.errors import InputProblems, Problem
from planner.output.figures import Drawn
from planner.output.html import night_figures, render_report
from planner.output.tables import plan_table, table_text
from planner.scheduling.candidates import RequestOffer
from planner.scheduling.plan import NightPlan
from planner.scheduling.plan_file import PLAN_FILE, plan_json

REPORT_FILE, TABLE_FILE, FIGURES = "report.html", "plan.ecsv", "figures"


@dataclass(frozen=True)
class Contents:
    """What one kind of folder holds; anything else in it is somebody else's.

    Attributes
    ----------
    what : str
        With its article: ``"a plan"``.
    files : tuple of str
        Regular expressions of whole names, as ``figures/.*[.]svg``.
    """

    what: str
    files: tuple[str, ...]

    def holds(self, name: str) -> bool:
        """Whether a file of that name is one of ours."""
        return any(re.fullmatch(pattern, name) for pattern in self.files)

    def folders(self) -> set[str]:
        """Names of the folders inside."""
        return {pattern.split("/")[0] for pattern in self.files if "/" in pattern}


PLAN = Contents(
    "a plan", (*(re.escape(name) for name in (PLAN_FILE, REPORT_FILE, TABLE_FILE)), rf"{FIGURES}/.*[.]svg")
)


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
    check_folder(folder, PLAN)
    figures = night_figures(limits, offers, plan)
    files = {
        PLAN_FILE: plan_json(plan),
        TABLE_FILE: table_text(plan_table(plan)),
        REPORT_FILE: render_report(limits, offers, plan, figures),
    }
    files |= {f"{FIGURES}/{name}.svg": svg for name, svg in figures.items()}
    replace_folder(folder, files)
    return folder / REPORT_FILE


def check_folder(folder: Path, contents: Contents = PLAN) -> None:
    """Refuse a folder that cannot be written or holds something else, before any work is done.

    Raises
    ------
    InputProblems
    """
    other = "Give another folder with --out."
    try:
        if folder.is_symlink() or (folder.exists() and not folder.is_dir()):
            raise InputProblems([Problem(str(folder), "", "exists and is not a folder", other)])
        strange = sorted(_strange(folder, contents)) if folder.is_dir() else []
        if strange:
            found = f"holds {strange[0]!r}, which is not part of {contents.what}"
            remedy = "Give a new folder with --out, so that nothing of yours is replaced."
            raise InputProblems([Problem(str(folder), "", found, remedy)])
        parent = next(path for path in folder.absolute().parents if path.exists())
        if not parent.is_dir() or not os.access(parent, os.W_OK | os.X_OK):
            raise InputProblems([Problem(str(folder), "", f"cannot be made in {parent}", other)])
    except OSError as error:
        found = f"cannot be used ({error.strerror})"
        raise InputProblems([Problem(str(folder)[:80], "", found, other)]) from None


def _strange(folder: Path, contents: Contents) -> Iterator[str]:
    """Names in a folder that we do not put there."""
    for path in folder.iterdir():
        if path.name in contents.folders() and path.is_dir() and not path.is_symlink():
            names = {f"{path.name}/{own.name}": own.is_file() for own in path.iterdir()}
        else:
            names = {path.name: path.is_file()}
        yield from (name for name, is_file in names.items() if not (is_file and contents.holds(name)))


def replace_folder(folder: Path, files: Mapping[str, str | bytes]) -> None:
    """Write a whole folder, text as UTF-8, in the place of an earlier one, or leave everything as it was.

    Raises
    ------
    InputProblems
        When it cannot be written.
    """
    try:
        _replace(folder, files)
    except OSError as error:
        remedy = "Choose a folder you may write to with --out, or make room."
        raise InputProblems(
            [Problem(str(folder), "", f"cannot be written ({error.strerror})", remedy)]
        ) from None


def _replace(folder: Path, files: Mapping[str, str | bytes]) -> None:
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
        for name, content in files.items():
            target = fresh / name
            target.parent.mkdir(exist_ok=True)
            with target.open("wb") as stream:
                stream.write(content.encode("utf-8") if isinstance(content, str) else content)
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


def figure_files(figures: Mapping[str, Drawn]) -> dict[str, str | bytes]:
    """Return the files of figures, as SVG and as PDF, by their path in an answer's folder."""
    files: dict[str, str | bytes] = {}
    for name, figure in figures.items():
        files[f"{FIGURES}/{name}.svg"] = figure.svg
        files[f"{FIGURES}/{name}.pdf"] = figure.pdf
    return files


def _umask() -> int:
    current = os.umask(0)
    os.umask(current)
    return current
