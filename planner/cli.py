"""The command line: arguments in, text and exit code out; no astronomy here.

Exit codes: 0 done, 1 the answer is no, 2 bad input, 3 a fault of the planner
itself, 130 stopped. Heavy libraries are imported inside the commands, so that
``--help`` is quick.
"""

from __future__ import annotations

import enum
import io
import logging
import os
import shlex
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from planner.cli_options import (
    BAD_INPUT,
    DONE,
    FAULT,
    STOPPED,
    STOPPED_TOLD,
    AsJson,
    Day,
    FromDay,
    Pdf,
    PlanFolder,
    Quiet,
    ScenarioFolder,
    Seconds,
    ToDay,
    days,
    end_with_no,
    plain_answers,
    progress,
    tell_notes,
)
from planner.terminal import (
    NOTHING_LEFT,
    print_json,
    safe,
    tell_audit,
    tell_check,
    tell_feasibility,
    tell_night,
    tell_ranking,
    tell_remaining,
)

if TYPE_CHECKING:
    from planner.commands import PlannedNight, Remaining

app = typer.Typer(
    name="planner",
    help="What is feasible, which telescopes to configure, how to spend tonight: "
    "plans for a multi-telescope optical interferometer. It moves nothing.",
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
)

WHOLE = "Folders are written whole or not at all."


def main() -> None:
    """Run the command line; nothing ends with a traceback, unless PLANNER_TRACEBACK is set."""
    for stream in (sys.stdout, sys.stderr):
        # A terminal that lacks a letter of a name shows its number instead.
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")
    # matplotlib says at length that it has no home to remember its fonts in; it then does without.
    logging.getLogger("matplotlib").setLevel(logging.ERROR)
    try:
        app()
        sys.stdout.flush()
    except SystemExit as end:
        # typer was stopped before the command began, and says nothing.
        if isinstance(getattr(end.__context__, "__cause__", None), KeyboardInterrupt):
            print(STOPPED_TOLD, file=sys.stderr)
        raise
    except KeyboardInterrupt:
        print(STOPPED_TOLD, file=sys.stderr)
        sys.exit(STOPPED)
    except OSError as error:
        if os.environ.get("PLANNER_TRACEBACK"):
            raise
        print(safe(f"Cannot go on here: {error.strerror or error}. {WHOLE}"), file=sys.stderr)
        tell_notes(error)
        sys.exit(BAD_INPUT)
    except Exception as fault:
        if os.environ.get("PLANNER_TRACEBACK"):
            raise
        kind = type(fault).__name__
        print(
            safe(
                f"The planner met a fault of its own ({kind}: {fault}). {WHOLE} Please "
                "report it with your scenario; with PLANNER_TRACEBACK=1 in the environment it shows where "
                "it happened."
            ),
            file=sys.stderr,
        )
        tell_notes(fault)
        sys.exit(FAULT)


def _whole_path(folder: Path) -> Path:
    """Return a folder with its whole path; what is ``..`` is the folder above as the user wrote it."""
    return Path(os.path.abspath(folder))


def _version(wanted: bool) -> None:
    if wanted:
        from planner.versions import versions

        print(*versions().lines(), sep="\n")
        raise typer.Exit(DONE)


@app.callback()
def _top(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the versions and stop.")
    ] = False,
) -> None:
    """Options that stand before the command."""


@app.command(epilog="Example: planner new my-array")
def new(
    folder: Annotated[
        Path, typer.Argument(metavar="FOLDER", help="A folder that does not exist, or is empty.")
    ],
    quiet: Quiet = False,
) -> None:
    """Write a scenario to start from: an invented array, real stars, every key explained."""
    with plain_answers(quiet):
        from planner.commands import new_scenario

        made = new_scenario(folder)
        print(safe(f"A scenario to start from: {made}"))
        there = os.path.relpath(made)
        # A name that begins with a dash would be read as an option.
        print(
            safe(f"Next: planner night {shlex.quote(os.path.join('.', there) if there[0] == '-' else there)}")
        )


class File(enum.StrEnum):
    """Files that have a published schema."""

    scenario = "scenario"
    array = "array"
    plan = "plan"


@app.command(epilog="Example: planner schema array > array.schema.json")
def schema(
    file: Annotated[File, typer.Argument(metavar="FILE", help="scenario, array or plan.")],
) -> None:
    """Print the JSON Schema of scenario.toml, array.toml or plan.json."""
    with plain_answers():
        if file is File.plan:
            from planner.scheduling.plan_file import schema_text

            print(schema_text(), end="")
        else:
            from planner.scenario.schema import array_schema, scenario_schema, schema_json

            print(schema_json(array_schema() if file is File.array else scenario_schema()), end="")


@app.command(epilog="Example: planner check scenarios/demo")
def check(
    scenario: ScenarioFolder,
    defaults: Annotated[
        bool, typer.Option("--defaults", help="List every default that is in force.")
    ] = False,
    stars: Annotated[
        bool, typer.Option("--stars", help="List every star: where it is, in which constellation and row.")
    ] = False,
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> None:
    """Read and validate everything, say what it contains, and warn of what is hardly meant."""
    with plain_answers(quiet, as_json):
        from planner.scenario.reading import look_over

        found = look_over(scenario)
        tell_check(
            found.scenario,
            found.defaults if defaults else (),
            as_json,
            found.warnings,
            found.stars if stars else None,
        )


class Movable(enum.StrEnum):
    """Where movable telescopes may stand."""

    any = "any"
    listed = "listed"


@app.command(epilog="Example: planner feasibility scenarios/demo --target 'alf Leo' --date 2027-04-02")
def feasibility(
    scenario: ScenarioFolder,
    target: Annotated[list[str] | None, typer.Option(help="Only this target; may be repeated.")] = None,
    date: Day = None,
    from_: FromDay = None,
    to: ToDay = None,
    configuration: Annotated[
        str | None, typer.Option(help="Another configuration than the scenario's.")
    ] = None,
    subarray: Annotated[
        str | None, typer.Option(metavar="T1,T2,...", help="Only the subarray made of these telescopes.")
    ] = None,
    season: Annotated[
        bool, typer.Option("--season", help="Also twelve months around the night, which takes longer.")
    ] = False,
    out: Annotated[
        Path | None,
        typer.Option(
            help="Folder of the answer [reports/SCENARIO-feasibility-DATE]; replaces an earlier one."
        ),
    ] = None,
    pdf: Pdf = False,
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> None:
    """Say when each target can be observed, with what, why not, and what would help."""
    with plain_answers(quiet, as_json):
        from planner.output.contents import FEASIBILITY
        from planner.output.writing import check_folder

        if out is not None:
            check_folder(_whole_path(out), FEASIBILITY)
        from planner import commands

        evening, first, last = days({"--date": date, "--from": from_, "--to": to})
        found = commands.read_scenario(scenario)
        asked = commands.Asked(
            targets=tuple(target or ()),
            date=evening,
            first=first,
            last=last,
            configuration=configuration,
            subarray=tuple(name.strip() for name in subarray.split(",")) if subarray is not None else (),
            season=season,
        )
        question = commands.question_of(found, asked)
        when = f"{first}-to-{last}" if first else f"{question.scenario.night.date}"
        folder = _whole_path(out or Path("reports") / f"{found.name}-feasibility-{when}")
        check_folder(folder, FEASIBILITY)
        with progress(quiet or as_json) as tell:
            answer = commands.assess_feasibility(found, asked, tell)
            tell("Drawing the page and the sheets")
            page = commands.write_feasibility(answer, folder, pdf)
        tell_feasibility(answer, page, as_json)
        if not any(one.serving for one in answer.nights):
            end_with_no("None of the targets can be observed then.", quiet)


@app.command(epilog="Example: planner rank scenarios/demo --size 4 --top 10")
def rank(
    scenario: ScenarioFolder,
    size: Annotated[
        int | None, typer.Option(help="Telescopes in a subarray, 2 to 6 [as many as a request wants].")
    ] = None,
    date: Day = None,
    from_: FromDay = None,
    to: ToDay = None,
    configuration: Annotated[
        str | None, typer.Option(help="Where the telescopes stand now, if not where the scenario says.")
    ] = None,
    movable: Annotated[
        Movable, typer.Option(help="Put movable telescopes on any station, or only as a configuration lists.")
    ] = Movable.any,
    top: Annotated[int, typer.Option(help="For how many subarrays true plans are made.")] = 20,
    check: Annotated[
        int, typer.Option(help="For how many, spread over all, estimate and plan are compared; 0: none.")
    ] = 8,
    out: Annotated[
        Path | None,
        typer.Option(help="Folder of the answer [reports/SCENARIO-rank-DATE]; replaces an earlier one."),
    ] = None,
    pdf: Pdf = False,
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> None:
    """Rank every subarray that the stations allow, and say which to configure and why.

    Ctrl-C while it plans ends the planning: what is ranked by then is written, and named as incomplete.
    """
    with plain_answers(quiet, as_json):
        from planner.output.contents import RANKING
        from planner.output.writing import check_folder

        if out is not None:
            check_folder(_whole_path(out), RANKING)
        from planner import commands

        evening, first, last = days({"--date": date, "--from": from_, "--to": to})
        found = commands.read_scenario(scenario)
        choice = commands.Choice(
            size=size,
            date=evening,
            first=first,
            last=last,
            configuration=configuration,
            listed_only=movable is Movable.listed,
            top=top,
            check=check,
        )
        question = commands.choice_of(found, choice)
        when = f"{first}-to-{last}" if first else f"{question.nights[0]}"
        folder = _whole_path(out or Path("reports") / f"{found.name}-rank-{when}")
        check_folder(folder, RANKING)
        with progress(quiet or as_json) as tell:
            ranking = commands.rank_subarrays(found, choice, tell)
            tell("Drawing the page")
            page = commands.write_ranking(ranking, folder, pdf)
        tell_ranking(ranking, page, as_json)
        if not ranking.top:
            end_with_no("No subarray is of use then.", quiet)


@app.command(epilog="Example: planner night scenarios/demo --date 2027-03-11 --out my-plan")
def night(
    scenario: ScenarioFolder,
    date: Day = None,
    configuration: Annotated[
        str | None, typer.Option(help="Another configuration than the scenario's.")
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option(help="Folder of the plan [reports/SCENARIO-DATE]; an earlier plan there is replaced."),
    ] = None,
    seconds: Seconds = None,
    pdf: Pdf = False,
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> None:
    """Plan a night: the visits, a proven bound, and a report.

    Ctrl-C while it chooses ends the choosing: the best plan so far is audited and written.
    """
    with plain_answers(quiet, as_json):
        from planner.output.contents import check_night_folders

        if out is not None:
            check_night_folders(_whole_path(out))
        from planner import commands
        from planner.output.safe_plan import plan_kept_safe

        [evening] = days({"--date": date})
        found = commands.for_night(commands.read_scenario(scenario), evening, configuration)
        folder = _whole_path(out or Path("reports") / f"{found.name}-{found.night.date}")
        check_night_folders(folder)
        with plan_kept_safe(folder) as keep, progress(quiet or as_json) as tell:
            planned = commands.plan_night(found, tell=tell, seconds=seconds, keep=keep)
            tell("Drawing the report")
            report = commands.write_night(planned, folder, pdf)
        _end_of_night(planned, report, as_json, quiet)


@app.command(epilog="Example: planner replan reports/demo-2027-03-11 --at 03:20 --lost V04,V05")
def replan(
    plan: PlanFolder,
    at: Annotated[
        str | None,
        typer.Option(
            metavar="HH:MM",
            help="From when on: a time of the plan's night, UTC; or with an offset (21:30-05:00), or "
            "'HH:MM local' in the site's time_zone.",
        ),
    ] = None,
    lost: Annotated[
        list[str] | None,
        typer.Option(metavar="V10,V11,...", help="Visits that had begun but were not made; may be repeated."),
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option(
            help="Folder of the plan [reports/SCENARIO-DATE-from-HHMM]; an earlier plan there is replaced."
        ),
    ] = None,
    seconds: Seconds = None,
    pdf: Pdf = False,
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> None:
    """Plan the rest of a night that has begun: what was made counts, what was lost is open again.

    Visits that had begun by then count as made, but for those that --lost names.
    """
    with plain_answers(quiet, as_json):
        from planner.output.contents import check_night_folders

        if out is not None:
            check_night_folders(_whole_path(out))
        from planner import commands
        from planner.output.safe_plan import plan_kept_safe

        keys = [key.strip() for listed in lost or () for key in listed.split(",")]
        left = commands.left_of_night(commands.read_plan(plan), at, keys)
        name = f"{left.scenario.name}-{left.scenario.night.date}-from-{left.free:%H%M}"
        folder = _whole_path(out or Path("reports") / name)
        check_night_folders(folder)
        tell_remaining(left, as_json)
        if not left.scenario.requests:
            end_with_no(NOTHING_LEFT, quiet)
        with plan_kept_safe(folder) as keep, progress(quiet or as_json) as tell:
            planned = commands.plan_night(left, tell=tell, seconds=seconds, keep=keep)
            tell("Drawing the report")
            report = commands.write_night(planned, folder, pdf)
        _end_of_night(planned, report, as_json, quiet, left)


def _end_of_night(
    planned: PlannedNight, report: Path, as_json: bool, quiet: bool, left: Remaining | None = None
) -> None:
    tell_night(planned, report, as_json, left)
    audit_report = planned.plan.audit
    if audit_report is None or not audit_report.passed:
        end_with_no("Audit FAILED: do not use this plan.", quiet)
    if not planned.plan.visits:
        end_with_no("Nothing can be planned.", quiet)


@app.command(epilog="Example: planner audit reports/demo-2027-03-11")
def audit(
    plan: PlanFolder,
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> None:
    """Check a plan again, from its files alone, by code that does not trust the solver."""
    with plain_answers(quiet, as_json):
        from planner import commands

        found = commands.audit_plan(commands.read_plan(plan))
        if as_json:
            print_json(found.model_dump())
        else:
            tell_audit(found)
        if not found.passed:
            end_with_no("The audit FAILED: do not use this plan.", quiet)
