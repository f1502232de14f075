"""Answers as text for a terminal, or as JSON: what the command line prints."""

from __future__ import annotations

import dataclasses
import json
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from planner.commands import PlannedNight, Remaining
    from planner.errors import Problem
    from planner.feasibility.answers import Feasibility
    from planner.ranking.answers import Ranking
    from planner.scenario.plausibility import ListedStar
    from planner.scenario.targets import Scenario
    from planner.scheduling.plan import AuditReport, NightPlan


def safe(text: str) -> str:
    """Keep control characters of names and files off the terminal: one sentence, one line."""
    return "".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in text)


def tell_check(
    found: Scenario,
    defaults: Sequence[tuple[str, str, object]],
    as_json: bool,
    warnings: Sequence[Problem] = (),
    stars: Sequence[ListedStar] | None = None,
) -> None:
    """Print what a scenario contains; ``defaults`` are (file, key, value), ``stars`` None when not asked."""
    from planner.output import scenario_told as told
    from planner.output.stars_listed import lines_listed, stars_listed

    if as_json:
        rows = [{"file": file, "key": key, "value": value} for file, key, value in defaults]
        odd = [dataclasses.asdict(warning) for warning in warnings]
        answer = told.check_told(found) | {"defaults": rows, "warnings": odd}
        print_json(answer if stars is None else answer | {"stars": stars_listed(stars)})
        return
    print(safe(f"{found.name}: {found.title}"))
    print(f"  {told.counts_told(told.contents(found), always=True)}")
    wishes, terms = told.wishes_told(told.wishes(found)), told.wishes_told(told.terms(found))
    for line in (told.counts_told(told.light_path(found)), wishes, terms):
        if line:
            print(f"  {line}")
    if found.programs:
        print(safe(f"  programs: {told.programs_told(found)}"))
    if found.reserved:
        print(safe(f"  reserved: {told.reserved_told(found)}"))
    print(f"  night of {found.night.date}, configuration {safe(found.night.configuration)}")
    for file, key, value in defaults:
        print(safe(f"  {file}: {key} = {value!r}"))
    for line in lines_listed(stars_listed(stars or ())):
        print(safe(f"  {line}"))
    for warning in warnings:
        print(safe(f"Warning: {warning}"))


def tell_feasibility(answer: Feasibility, page: Path, as_json: bool) -> None:
    """Print an answer about feasibility."""
    from planner.output.feasibility_json import night_told, season_told

    if as_json:
        told_nights = [night_told(night) for night in answer.nights]
        season = None if answer.season is None else season_told(answer.season)
        print_json({"page": str(page), "targets": told_nights, "season": season})
    else:
        for night in answer.nights:
            told = night_told(night)
            hours = f"{told['usable_h']:.2f} h" if told["feasible"] else "no visit"
            windows = ", ".join(f"{a[11:19]}-{b[11:19]}" for a, b in told["windows_utc"])
            if windows and not told["feasible"]:
                windows = f"(its limits are kept {windows})"
            print(safe(f"{told['target']}  {told['date']}  {hours}  {windows}".rstrip()))
            for line in _season_lines(answer, night.request):
                print(safe(f"  {line}"))
            if told["feasible"]:
                starts = count(told["visit_starts"], "starts")
                mode = f" in {told['routing_mode']}" if told["routing_mode"] else ""
                print(safe(f"  best with {'-'.join(told['subarray'])}{mode}, {starts} of a visit"))
            else:
                print(safe(f"  why not: {told['reason']}"))
                for remedy in told["remedies"][:3]:
                    print(safe(f"  would help: {remedy['change']} ({remedy['opens_h']:.2f} h)"))
                if not told["remedies"]:
                    tried = ", ".join(told["tried"])
                    print(
                        f"  nothing that was tried helps: {tried}"
                        if tried
                        else "  no change of this scenario could help"
                    )
        if not answer.scenario.calibrators:
            print("No calibrators were given: this is the answer for the science stars alone.")
        print(f"Page: {page}")


def _season_lines(answer: Feasibility, request: int) -> list[str]:
    """Return on how many nights a target is feasible, a line for each configuration."""
    from planner.output.feasibility_months import season_months

    if answer.season is None:
        return []
    return [
        f"feasible on {own.feasible_nights} of {count(len(own.nights), 'nights')} from {own.nights[0]} "
        f"to {own.nights[-1]} in configuration {own.configuration}"
        for own in season_months(answer.season)[request]
    ]


def tell_ranking(ranking: Ranking, page: Path, as_json: bool) -> None:
    """Print a ranking."""
    from planner.output.ranking_json import ranking_told
    from planner.output.ranking_words import incomplete_told, safety_told, score_told, spread_told

    if as_json:
        print_json({"page": str(page)} | ranking_told(ranking))
    else:
        print(f"{count(ranking.considered, 'subarrays')} of {ranking.size}, {ranking.feasible} of use")
        if ranking.stopped is not None:
            print(incomplete_told(ranking))
        for place, one in enumerate(ranking.top[:10], start=1):
            worth = one.truth.score if one.truth else one.score.estimate
            bound = f" of at most {score_told(one.truth.bound)}" if one.truth else ", estimated"
            moves = f"{one.score.moves} to move" if one.score.moves else "stands already"
            print(safe(f"  {place}  {score_told(worth)}{bound}  {one.name}  {moves}"))
        now = ranking.current
        if now is not None and now.truth is not None:
            print(safe(f"As it stands, the best is {now.name} with {score_told(now.truth.score)}"))
        if ranking.spearman is not None:
            print(f"Estimate and plan agree in rank to {ranking.spearman:.2f} over {len(ranking.sample)}")
        print(spread_told(ranking))
        safety = safety_told(ranking)
        if safety:
            print(safety)
        print(f"Page: {page}")


NOTHING_LEFT = "Nothing is left to plan: every visit is made that could still be wanted."


def remaining_told(left: Remaining) -> dict[str, Any]:
    """Return what counts as made and as lost, and from when on the rest is planned, ready for JSON."""
    return {
        **{what: [own.id for own in left.earlier.visits if own.became == what] for what in ("made", "lost")},
        "closed": list(left.closed),
        "from_utc": f"{left.free:%Y-%m-%dT%H:%M:%SZ}",
        "going_on": left.going_on,
    }


def tell_remaining(left: Remaining, as_json: bool) -> None:
    """Print the same in words; as JSON only where no plan follows that says it."""
    told = remaining_told(left)
    if as_json:
        if not left.scenario.requests:
            print_json({"report": None, "visits": 0, "rest_of_night": told})
        return
    made, lost = (", ".join(told[key]) or "none" for key in ("made", "lost"))
    print(f"Made: {made}. Lost: {lost}. Planned anew from {left.free:%H:%M:%S} UTC on.")
    if left.closed:
        print(safe(f"Not observed any more, since what comes after is made: {', '.join(left.closed)}."))
    if not left.scenario.requests:
        print(NOTHING_LEFT)


def tell_night(planned: PlannedNight, report: Path, as_json: bool, left: Remaining | None = None) -> None:
    """Print a night plan; ``left`` is what it began from when it is of the rest of a night."""
    plan = planned.plan
    audit = plan.audit
    passed = audit is not None and audit.passed
    if as_json:
        print_json(
            {
                "report": str(report),
                "rest_of_night": None if left is None else remaining_told(left),
                "visits": len(plan.visits),
                "solver": plan.solver.model_dump(),
                "audit": {"passed": passed},
                "travel": None if plan.travel is None else plan.travel.model_dump(),
                "reserved": [own.model_dump(mode="json") for own in plan.reserved],
                "left_out": [
                    {
                        "target": r.target,
                        "reason": r.reason,
                        "forced": None if r.forced is None else r.forced.model_dump(),
                    }
                    for r in plan.requests
                    if r.reason is not None
                ],
                "lost_time": None if plan.lost_time is None else plan.lost_time.model_dump(),
            }
        )
    else:
        from planner.output.reserved_sheet import earlier_told, elsewhere_told
        from planner.output.robust_sheet import lost_told, why_told

        solver = plan.solver
        proof = _proof(solver.score, solver.bound, solver.made_by)
        print(f"{count(len(plan.visits), 'visits')}, score {solver.score}, {proof}")
        for line in _night_lines(plan, _expected_vis2(planned)):
            print(safe(f"  {line}"))
        for sentence in filter(None, (earlier_told(plan), elsewhere_told(plan))):
            print(safe(sentence))
        if plan.travel is not None:
            from planner.output.sentences import travel_told

            print(travel_told(plan.travel))
        for outcome in plan.requests:
            if outcome.reason is not None:
                what = "fewer" if outcome.visits_planned else "left out"
                print(safe(f"  {what}: {outcome.target}: {why_told(outcome, solver.score)}"))
        lost = lost_told(plan)
        if lost:
            print(lost)
        if left is not None and left.going_on > solver.score:
            print(
                f"Going on with the visits that had not begun is worth {left.going_on}, more than this plan: "
                "the array is given time here to come from anywhere."
            )
        print(f"Audit {'passed' if passed else 'FAILED: do not use this plan'}.")
        print(f"Report: {report}")


def _expected_vis2(planned: PlannedNight) -> dict[str, str]:
    """Squared visibilities that each visit's baselines should show, by the visit's name."""
    from planner.output.contrast_told import ranges_told, vis2_of_visit
    from planner.output.tracks import visit_tracks

    limits = planned.solved.limits
    return {
        track.visit.id: ranges_told(
            limits.scenario.requests[track.request].star, vis2_of_visit(limits, track)
        )
        for track in visit_tracks(limits, planned.plan)
    }


def _night_lines(plan: NightPlan, vis2: Mapping[str, str] | None = None) -> list[str]:
    """Visits and time that is not for stars, in the order of the night; what fits nowhere comes last.

    Each visit is followed by the squared visibilities expected (``vis2``, by its name).
    """
    from planner.output.reserved_sheet import told_past
    from planner.output.tracks import local_clock

    zone = plan.scenario.array.site.time_zone
    found = []
    for visit in plan.visits:
        start, end = visit.steps[0].start_utc, visit.steps[-1].end_utc
        here = f" ({local_clock(start, zone)}-{local_clock(end, zone)} local)" if zone else ""
        words = f"{visit.id}  {start[11:16]}-{end[11:16]}{here}  {visit.target}  {'-'.join(visit.subarray)}"
        found.append((start, words))
        if vis2 is not None:
            # Sorted by time, and a sort keeps the order of equals.
            found.append((start, f"     expected V²: {vis2[visit.id]}"))
    for own in plan.reserved:
        if own.start_utc is None or own.end_utc is None:
            found.append(("~", f"fits nowhere: {own.name} ({own.kind})"))
            continue
        whom = f"  {'-'.join(own.telescopes)}" if own.telescopes else ""
        if told_past(plan, own):
            found.append((own.start_utc, f"---  until {own.end_utc[11:16]}  already past"))
            continue
        words = f"---  {own.start_utc[11:16]}-{own.end_utc[11:16]}  {own.name} ({own.kind}){whom}"
        found.append((own.start_utc, words))
    return [words for _, words in sorted(found, key=lambda one: one[0])]


def _proof(score: int, bound: int, made_by: str) -> str:
    if not bound:
        return "nothing can be planned"
    if score == bound:
        return "proven: no plan of the visits considered is better"
    from planner.output.sentences import at_least_percent

    share = f"at least {at_least_percent(score, bound)} % of the best possible plan (bound {bound})"
    return share if made_by != "greedy" else f"{share}, by greedy choice"


def tell_audit(found: AuditReport) -> None:
    """Print what an audit found."""
    for one in found.checks:
        print(safe(f"{'kept  ' if one.passed else 'BROKEN'}  {one.name} ({one.checked}): {one.worst}"))
    for part in found.not_checked:
        print(safe(f"on trust  {part.what}: {part.why}"))
    print("The audit passed." if found.passed else "The audit FAILED: do not use this plan.")


def count(number: int, what: str) -> str:
    """Return a number with its noun: ``1 station``, ``2 stations``."""
    return f"{number} {what.removesuffix('s') if number == 1 else what}"


def print_json(answer: dict[str, Any]) -> None:
    """Print plain data as JSON; for a terminal that knows ASCII only with escapes of JSON."""
    utf8 = (sys.stdout.encoding or "").lower().replace("-", "") == "utf8"
    print(json.dumps(answer, indent=2, ensure_ascii=not utf8))
