"""The command line: arguments in, text and exit code out; no astronomy here.

Exit codes: 0 done, 1 the answer is no, 2 bad input, 3 a fault of the planner
itself, 130 stopped. Heavy libraries are imported inside the commands, so that
``--help`` is quick.
"""

from __future__ import annotations

import contextlib
import datetime
import json
import os
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from planner import __version__
from planner.errors import InputProblems, NoNight

if TYPE_CHECKING:
    from planner.commands import PlannedNight, Tell
    from planner.feasibility.answers import Feasibility
    from planner.scheduling.plan import AuditReport

app = typer.Typer(
    name="planner",
    help="What is feasible, which telescopes to configure, how to spend tonight: "
    "plans for a multi-telescope optical interferometer. It moves nothing.",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
)

DONE, NO, BAD_INPUT, FAULT, STOPPED = 0, 1, 2, 3, 130

ScenarioFolder = Annotated[Path, typer.Argument(metavar="SCENARIO", help="Folder with scenario.toml.")]
AsJson = Annotated[bool, typer.Option("--json", help="Print the answer as JSON.")]


def main() -> None:
    """Run the command line; nothing ends with a traceback, unless PLANNER_TRACEBACK is set."""
    try:
        app()
    except Exception as fault:
        if os.environ.get("PLANNER_TRACEBACK"):
            raise
        kind = type(fault).__name__
        print(
            _safe(
                f"The planner met a fault of its own ({kind}: {fault}). Nothing was written. Please "
                "report it with your scenario; with PLANNER_TRACEBACK=1 in the environment it shows where "
                "it happened."
            ),
            file=sys.stderr,
        )
        sys.exit(FAULT)


def _version(wanted: bool) -> None:
    if wanted:
        print(f"planner {__version__}")
        raise typer.Exit(DONE)


@app.callback()
def _top(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version and stop.")
    ] = False,
) -> None:
    """Options that stand before the command."""


@contextlib.contextmanager
def _plain_answers() -> Iterator[None]:
    """Turn what the user can mend into text and an exit code."""
    try:
        yield
    except InputProblems as error:
        for problem in error.problems:
            print(_safe(str(problem)), file=sys.stderr)
        raise typer.Exit(BAD_INPUT) from None
    except KeyboardInterrupt:
        print("Stopped. Nothing was written.", file=sys.stderr)
        raise typer.Exit(STOPPED) from None
    except NoNight as error:
        print(_safe(str(error)), file=sys.stderr)
        raise typer.Exit(NO) from None


def _safe(text: str) -> str:
    """Keep control characters of names and files off the terminal: one sentence, one line."""
    return "".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in text)


@contextlib.contextmanager
def _progress() -> Iterator[Tell]:
    """Tell on a terminal what is being done; stay silent in a pipe."""
    from rich.console import Console

    console = Console(stderr=True)
    if not console.is_terminal:
        yield lambda sentence: None
        return
    with console.status("Reading the scenario") as status:
        yield lambda sentence: status.update(f"{sentence} ...")


@app.command(epilog="Example: planner check scenarios/demo")
def check(
    scenario: ScenarioFolder,
    defaults: Annotated[
        bool, typer.Option("--defaults", help="List every default that is in force.")
    ] = False,
    as_json: AsJson = False,
) -> None:
    """Read and validate everything, and say what it contains."""
    with _plain_answers():
        from planner.scenario.reading import describe_defaults, read_scenario

        found = read_scenario(scenario)
        array = found.array
        counts = {
            "stations": len(array.stations),
            "telescopes": len(array.telescopes),
            "delay lines": len(array.delay_lines),
            "combiners": len(array.combiners),
            "configurations": len(array.configurations),
            "requests": len(found.requests),
            "calibrators": len(found.calibrators),
        }
        listed = describe_defaults(scenario) if defaults else []
        if as_json:
            rows = [{"file": file, "key": key, "value": value} for file, key, value in listed]
            _print_json({"scenario": found.name, "title": found.title, "contains": counts, "defaults": rows})
            return
        print(_safe(f"{found.name}: {found.title}"))
        print("  " + ", ".join(_count(number, what) for what, number in counts.items()))
        print(f"  night of {found.night.date}, configuration {_safe(found.night.configuration)}")
        for file, key, value in listed:
            print(_safe(f"  {file}: {key} = {value!r}"))


Day = Annotated[
    datetime.datetime | None,
    typer.Option(formats=["%Y-%m-%d"], metavar="YYYY-MM-DD", help="Local date of the evening."),
]


@app.command(epilog="Example: planner feasibility scenarios/demo --target 'alf Leo' --date 2027-04-02")
def feasibility(
    scenario: ScenarioFolder,
    target: Annotated[list[str] | None, typer.Option(help="Only this target; may be repeated.")] = None,
    date: Day = None,
    from_: Annotated[
        datetime.datetime | None,
        typer.Option("--from", formats=["%Y-%m-%d"], metavar="YYYY-MM-DD", help="First evening of a range."),
    ] = None,
    to: Annotated[
        datetime.datetime | None,
        typer.Option("--to", formats=["%Y-%m-%d"], metavar="YYYY-MM-DD", help="Last evening of a range."),
    ] = None,
    configuration: Annotated[
        str | None, typer.Option(help="Another configuration than the scenario's.")
    ] = None,
    subarray: Annotated[
        str | None, typer.Option(metavar="T1,T2,...", help="Only the subarray made of these telescopes.")
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option(
            help="Folder of the answer [reports/SCENARIO-feasibility-DATE]; replaces an earlier one."
        ),
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Say when each target can be observed, with what, why not, and what would help."""
    with _plain_answers():
        from planner import commands
        from planner.output.feasibility_folder import check_feasibility_folder

        found = commands.read_scenario(scenario)
        first, last = (None if day is None else day.date() for day in (from_, to))
        asked = commands.Asked(
            targets=tuple(target or ()),
            date=date.date() if date else None,
            first=first,
            last=last,
            configuration=configuration,
            subarray=tuple(name.strip() for name in subarray.split(",")) if subarray is not None else (),
        )
        question = commands.question_of(found, asked)
        when = f"{first}-to-{last}" if first else f"{question.scenario.night.date}"
        folder = Path(os.path.abspath(out or Path("reports") / f"{found.name}-feasibility-{when}"))
        check_feasibility_folder(folder)
        with _progress() as tell:
            answer = commands.assess_feasibility(found, asked, tell)
            tell("Drawing the page and the sheets")
            page = commands.write_feasibility(answer, folder)
        _tell_feasibility(answer, page, as_json)


def _tell_feasibility(answer: Feasibility, page: Path, as_json: bool) -> None:
    from planner.output.feasibility_json import night_told

    if as_json:
        _print_json({"page": str(page), "targets": [night_told(night) for night in answer.nights]})
    else:
        for night in answer.nights:
            told = night_told(night)
            hours = f"{told['usable_h']:.2f} h" if told["feasible"] else "no visit"
            windows = ", ".join(f"{a[11:19]}-{b[11:19]}" for a, b in told["windows_utc"])
            print(_safe(f"{told['target']}  {told['date']}  {hours}  {windows}".rstrip()))
            if told["feasible"]:
                print(
                    _safe(
                        f"  best with {'-'.join(told['subarray'])}, {told['visit_starts']} starts of a visit"
                    )
                )
            else:
                print(_safe(f"  why not: {told['reason']}"))
                for remedy in told["remedies"][:3]:
                    print(_safe(f"  would help: {remedy['change']} ({remedy['opens_h']:.2f} h)"))
                if not told["remedies"]:
                    print(f"  nothing that was tried helps: {', '.join(told['tried'])}")
        print(f"Page: {page}")
    if not any(night.serving for night in answer.nights):
        raise typer.Exit(NO)


@app.command(epilog="Example: planner night scenarios/demo --date 2027-03-11 --out my-plan")
def night(
    scenario: ScenarioFolder,
    date: Annotated[
        datetime.datetime | None,
        typer.Option(formats=["%Y-%m-%d"], metavar="YYYY-MM-DD", help="Local date of the evening."),
    ] = None,
    configuration: Annotated[
        str | None, typer.Option(help="Another configuration than the scenario's.")
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option(help="Folder of the plan [reports/SCENARIO-DATE]; an earlier plan there is replaced."),
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Plan a night: the visits, a proven bound, and a report."""
    with _plain_answers():
        from planner import commands
        from planner.output.folder import check_folder

        found = commands.for_night(
            commands.read_scenario(scenario), date.date() if date else None, configuration
        )
        folder = Path(os.path.abspath(out or Path("reports") / f"{found.name}-{found.night.date}"))
        check_folder(folder)
        with _progress() as tell:
            planned = commands.plan_night(found, tell=tell)
            tell("Drawing the report")
            report = commands.write_night(planned, folder)
        _tell_night(planned, report, as_json)


def _tell_night(planned: PlannedNight, report: Path, as_json: bool) -> None:
    plan = planned.plan
    audit = plan.audit
    passed = audit is not None and audit.passed
    if as_json:
        _print_json(
            {
                "report": str(report),
                "visits": len(plan.visits),
                "solver": plan.solver.model_dump(),
                "audit": {"passed": passed},
                "left_out": [
                    {"target": r.target, "reason": r.reason} for r in plan.requests if r.reason is not None
                ],
            }
        )
    else:
        solver = plan.solver
        proof = _proof(solver.score, solver.bound, solver.made_by)
        print(f"{len(plan.visits)} visits, score {solver.score}, {proof}")
        for visit in plan.visits:
            first, last = visit.steps[0].start_utc[11:16], visit.steps[-1].end_utc[11:16]
            print(_safe(f"  {visit.id}  {first}-{last}  {visit.target}  {'-'.join(visit.subarray)}"))
        for outcome in plan.requests:
            if outcome.reason is not None:
                what = "fewer" if outcome.visits_planned else "left out"
                print(_safe(f"  {what}: {outcome.target}: {outcome.reason}"))
        print(f"Audit {'passed' if passed else 'FAILED: do not use this plan'}.")
        print(f"Report: {report}")
    if not passed or not plan.visits:
        raise typer.Exit(NO)


def _proof(score: int, bound: int, made_by: str) -> str:
    if not bound:
        return "nothing can be planned"
    if score == bound:
        return "proven: no plan of the visits considered is better"
    from planner.output.sentences import at_least_percent

    share = f"at least {at_least_percent(score, bound)} % of the best possible plan (bound {bound})"
    return share if made_by == "cp-sat" else f"{share}, by greedy choice"


@app.command(epilog="Example: planner audit reports/demo-2027-03-11")
def audit(
    plan: Annotated[Path, typer.Argument(metavar="PLAN", help="A plan's folder, or its plan.json.")],
    as_json: AsJson = False,
) -> None:
    """Check a plan again, from its files alone, by code that does not trust the solver."""
    with _plain_answers():
        from planner import commands

        found = commands.audit_plan(commands.read_plan(plan))
        if as_json:
            _print_json(found.model_dump())
        else:
            _tell_audit(found)
        if not found.passed:
            raise typer.Exit(NO)


def _tell_audit(found: AuditReport) -> None:
    for one in found.checks:
        print(_safe(f"{'kept  ' if one.passed else 'BROKEN'}  {one.name} ({one.checked}): {one.worst}"))
    print("The audit passed." if found.passed else "The audit FAILED: do not use this plan.")


def _count(number: int, what: str) -> str:
    return f"{number} {what.removesuffix('s') if number == 1 else what}"


def _print_json(answer: dict[str, Any]) -> None:
    print(json.dumps(answer, indent=2, ensure_ascii=False))
