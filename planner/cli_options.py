"""What the commands share: exit codes, options, how problems become text, and progress on a terminal."""

from __future__ import annotations

import contextlib
import datetime
import io
import sys
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, NoReturn

import typer

from planner.errors import InputProblems, NoNight, Problem
from planner.terminal import safe

if TYPE_CHECKING:
    from planner.commands import Tell

DONE, NO, BAD_INPUT, FAULT, STOPPED = 0, 1, 2, 3, 130
STOPPED_TOLD = "Stopped. Nothing was written."

ScenarioFolder = Annotated[Path, typer.Argument(metavar="SCENARIO", help="Folder with scenario.toml.")]
PlanFolder = Annotated[Path, typer.Argument(metavar="PLAN", help="A plan's folder, or its plan.json.")]
Seconds = Annotated[
    float | None,
    typer.Option(
        min=0.1, max=86_400, help="Choose for so long, not by the scenario's effort; it does not repeat."
    ),
]
AsJson = Annotated[bool, typer.Option("--json", help="Print the answer as JSON.")]
Quiet = Annotated[bool, typer.Option("--quiet", help="Print problems only; the exit code says the rest.")]
Pdf = Annotated[bool, typer.Option("--pdf", help="Write each figure as PDF too.")]
Day = Annotated[
    str | None,
    typer.Option(metavar="YYYY-MM-DD", help="Local date of the evening."),
]
FromDay = Annotated[
    str | None,
    typer.Option("--from", metavar="YYYY-MM-DD", help="First evening of a range."),
]
ToDay = Annotated[
    str | None,
    typer.Option("--to", metavar="YYYY-MM-DD", help="Last evening of a range."),
]


@contextlib.contextmanager
def plain_answers(quiet: bool = False, as_json: bool = False) -> Iterator[None]:
    """Turn what the user can mend into text and an exit code.

    Parameters
    ----------
    quiet : bool
        Whether only problems are told.
    as_json : bool
        Whether the answer is asked for as JSON.
    """
    try:
        if quiet and as_json:
            found = "stands beside --json"
            remedy = "Give --json for the answer, or --quiet for the exit code alone."
            raise InputProblems([Problem("command line", "--quiet", found, remedy)])
        with contextlib.redirect_stdout(io.StringIO()) if quiet else contextlib.nullcontext():
            yield
    except InputProblems as error:
        for problem in error.problems:
            print(safe(str(problem)), file=sys.stderr)
        tell_notes(error)
        raise typer.Exit(BAD_INPUT) from None
    except KeyboardInterrupt as stop:
        print(STOPPED_TOLD if not notes_of(stop) else "Stopped. No report was written.", file=sys.stderr)
        tell_notes(stop)
        raise typer.Exit(STOPPED) from None
    except NoNight as error:
        print(safe(str(error)), file=sys.stderr)
        raise typer.Exit(NO) from None


def notes_of(error: BaseException) -> list[str]:
    """Return what was noted on an exception on its way: what is safe in spite of it."""
    return list(getattr(error, "__notes__", ()))


def tell_notes(error: BaseException) -> None:
    """Print what was noted on an exception."""
    for note in notes_of(error):
        print(safe(note), file=sys.stderr)


def end_with_no(why: str, quiet: bool) -> NoReturn:
    """End with the exit code of a no; who has not seen the answer is told why.

    Raises
    ------
    typer.Exit
    """
    if quiet:
        print(safe(why), file=sys.stderr)
    raise typer.Exit(NO)


@contextlib.contextmanager
def progress(quiet: bool = False) -> Iterator[Tell]:
    """Tell on the error stream what is being done, and how long it will take where that can be known.

    A terminal sees a bar, anything else plain lines; who asks for problems only, or for JSON, sees nothing.
    """
    if quiet:
        yield lambda sentence: None
        return
    from rich.console import Console

    console = Console(stderr=True)
    if not console.is_terminal:
        from planner.progress import PlainLines

        yield PlainLines(lambda line: print(safe(line), file=sys.stderr, flush=True))
        return
    from rich.progress import BarColumn, Progress, SpinnerColumn, TextColumn, TimeRemainingColumn

    # Without markup: a name with square brackets is no markup.
    columns = (SpinnerColumn(), TextColumn("{task.description}", markup=False), BarColumn(bar_width=30))
    with Progress(*columns, TimeRemainingColumn(), console=console, transient=True) as bar:
        task = bar.add_task("Reading the scenario ...", total=None)

        def tell(sentence: str) -> None:
            whole, done = getattr(sentence, "whole", None), getattr(sentence, "done", 0)
            own = bar.tasks[0]
            if whole != own.total or done < own.completed:
                bar.reset(task, total=whole)
                own.total = whole
            bar.update(task, completed=done, description=f"{safe(sentence)} ...")

        yield tell


def days(options: Mapping[str, str | None]) -> list[datetime.date | None]:
    """Return the dates of what options give, in their order.

    Raises
    ------
    InputProblems
        With each that is no date.
    """
    from planner.scenario.messages import date_trouble

    troubles = [(key, date_trouble(text)) for key, text in options.items() if text is not None]
    problems = [
        Problem("command line", key, trouble[0], f"{trouble[1]}.")
        for key, trouble in troubles
        if trouble is not None
    ]
    if problems:
        raise InputProblems(problems)
    return [None if text is None else datetime.date.fromisoformat(text) for text in options.values()]
