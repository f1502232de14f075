"""A plan on disk before anything is said about it: whatever fails afterwards, it is not lost.

While a plan is audited and its report is made, ``plan.json`` lies in a folder
of its own beside the one that is wanted; once that one is in its place, this
one is taken away.
"""

from __future__ import annotations

import contextlib
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

from planner.output.contents import safe_place
from planner.output.writing import recover_folder, replace_folder
from planner.scheduling.plan import NightPlan
from planner.scheduling.plan_file import PLAN_FILE, plan_json


@contextlib.contextmanager
def plan_kept_safe(folder: Path) -> Iterator[Callable[[NightPlan], None]]:
    """Yield what puts a plan on disk, whole or not at all; each time in the place of the one before.

    When the block ends well the plan stands in ``folder``, and the safe one is
    taken away. Any exception, Ctrl-C too, leaves it there and gets a note that
    says where.

    Parameters
    ----------
    folder : Path
        Where the plan with its report is to be.
    """
    place, written = safe_place(folder), ""
    # An earlier plan comes first: this run may fail before it writes anything there.
    recover_folder(folder)

    def keep(plan: NightPlan) -> None:
        nonlocal written
        text = plan_json(plan)
        replace_folder(place, {PLAN_FILE: text})
        written = text

    try:
        yield keep
    except BaseException as error:
        if written:
            error.add_note(
                f"The plan is not lost: {place / PLAN_FILE} holds its visits, and 'planner audit' and "
                "'planner replan' read it."
            )
        raise
    with contextlib.suppress(OSError):
        # Another run into the same folder may have put its own there.
        if written and (place / PLAN_FILE).read_text(encoding="utf-8") == written:
            shutil.rmtree(place, ignore_errors=True)
