"""What the feasibility page says in words: times, amounts, margins, and the paragraph for a proposal."""

from __future__ import annotations

import datetime
import math
import re

from planner.feasibility.answers import Calibrator, Reach, SubarrayNight, TargetNight
from planner.output.feasibility_months import TargetMonths
from planner.output.sentences import (
    MARGINS,
    counted,
    duration,
    joined,
    known_margin,
    names_told,
    thousands,
    unset_limits,
)
from planner.scenario.targets import Scenario
from planner.sky.curve import SkyCurve
from planner.units import handy, handy_short

# As ``sentences.MARGINS``: limits that a plan's visits do not list, or count in another way.
MORE_MARGINS: dict[str, tuple[float, str]] = {
    "delay range": (12.0, "{} m of light left for the common offset"),
    "carriage tracking rate": (0.001, "carriages {} mm/s of light below their fastest tracking"),
    "Sun": (6.0, "Sun {} deg below its limit"),
    # Feasibility counts what is left for the common offset, as of the whole stroke.
    "pupil relay": (6.0, "{} m of light left that keep the pupil in place"),
    "differential delay": (0.01, "{} m of differential delay left for its common offset"),
}
GAP_NIGHTS = 14  # a shorter pause, such as the Moon makes, is not told
KINDS = {
    "subarray": "another subarray",
    "combiner": "another combiner",
    "date": "another date",
    "step": "shorter science step",
    "limit": "relaxed limit",
    "calibrator": "other calibrators",
    "line": "another delay line",
    "configuration": "another configuration",
    "path": "fixed path segment",
    "setup": "another spectral setup",
    "contrast": "smaller squared visibility",
    "tracking": "other tracking or guiding",
    "reserved": "less reserved time",
    "pupil": "whole stroke, pupil not kept in place",
}


def number_of_target(request: int) -> str:
    """Return R01, R02, ...: the place of a request in the scenario, numbered as a night does."""
    return f"R{request + 1:02d}"


def sheet_file(request: int, name: str) -> str:
    """Return the file of a target's sheet: its number and its star, in letters that every disk takes.

    Examples
    --------
    >>> sheet_file(6, "alf Lyn"), sheet_file(0, "β Ori / A"), sheet_file(1, "星")
    ('R07-alf-Lyn.html', 'R01-Ori-A.html', 'R02.html')
    """
    plain = re.sub(r"[^A-Za-z0-9]+", "-", name).strip("-")[:40].strip("-")
    return f"{number_of_target(request)}{'-' if plain else ''}{plain}.html"


def clock_told(curve: SkyCurve, second: float) -> str:
    """Return a moment of the night as ``00:12:31``, UTC, to the nearest second."""
    return curve.utc_text(second)[11:19]


def date_told(date: datetime.date) -> str:
    """Return a date in words.

    Examples
    --------
    >>> date_told(datetime.date(2027, 3, 1))
    '1 March 2027'
    """
    return date.strftime("%-d %B %Y")


def month_told(month: tuple[int, int], style: str = "%B %Y") -> str:
    """Return a (year, month) in words."""
    return datetime.date(*month, 1).strftime(style)


def months_told(months: TargetMonths) -> str:
    """Return the months with a feasible night, those in a row as one stretch: ``Nov 2027 to Feb 2028``."""
    stretches: list[list[tuple[int, int]]] = []
    for month, nights in zip(months.months, months.feasible_by_month, strict=True):
        if not nights:
            continue
        before = stretches[-1][-1] if stretches else (0, 0)
        if month[0] * 12 + month[1] == before[0] * 12 + before[1] + 1:
            stretches[-1].append(month)
        else:
            stretches.append([month])
    told = [
        month_told(own[0], "%b %Y")
        if len(own) == 1
        else f"{month_told(own[0], '%b %Y')} to {month_told(own[-1], '%b %Y')}"
        for own in stretches
    ]
    return joined(told) or "none"


def number_told(value: float) -> str:
    """Return a number with three figures, never in powers of ten.

    Examples
    --------
    >>> number_told(0.0314), number_told(2.0), number_told(1234.6)
    ('0.0314', '2', '1,235')
    """
    return f"{value:,.0f}" if abs(value) >= 999.5 else f"{value:.3g}" if abs(value) >= 1e-4 else "0"


def amount_told(limit: str, value: float, unit: str) -> str:
    """Return by how much a limit is missed, with its unit; nothing where there is no number."""
    if not math.isfinite(value):
        return ""
    if unit in ("of the pupil", "of the disk"):
        return f"{100.0 * value:.2g} % {unit}"
    value, unit = handy_short(value, unit)
    return number_told(value) if unit == limit else f"{number_told(value)} {unit}".rstrip()


def hours_told(hours: float) -> str:
    """Return hours for a table: whole ones from ten on, tenths below, a dash for none.

    Examples
    --------
    >>> hours_told(0.0), hours_told(0.04), hours_told(7.26), hours_told(123.4)
    ('–', '<0.1', '7.3', '123')
    """
    if hours <= 0:
        return "–"
    return "<0.1" if hours < 0.05 else f"{hours:,.0f}" if hours >= 9.95 else f"{hours:.1f}"


def best_margins_told(night: TargetNight, best: SubarrayNight) -> tuple[str, ...]:
    """Return the margins at the best moment, the tightest first; limits that say nothing are left out."""
    array = night.scenario.array
    shadow = min(array.class_of(name).obstruction_max for name in best.telescopes)
    unset = unset_limits(night.scenario, night.scenario.requests[night.request])
    known = MARGINS | MORE_MARGINS | {"shadowing": (0.05, "")}

    def words(limit: str, margin: float, unit: str) -> str:
        if margin <= 0:
            return f"{limit} at its very edge"
        if limit == "shadowing":
            return f"{100.0 * margin:.2g} % of a pupil left to shadow"
        told, unit = handy(margin, unit)
        template = known[limit][1] if limit in known else known_margin(limit, unit)[1]
        return template.format(number_told(told))

    kept = [
        (limit, margin, unit)
        for limit, margin, unit in best.best_margins
        if limit not in unset and not (limit == "shadowing" and margin >= shadow)
    ]
    return tuple(words(*one) for one in sorted(kept, key=lambda one: one[1] / known.get(one[0], (1.0,))[0]))


def usable_calibrator(calibrator: Calibrator) -> bool:
    """Whether a calibrator is bright and small enough, and up together with the science star."""
    kept = calibrator.magnitude_margin >= 0 and calibrator.vis2_margin >= 0
    return kept and calibrator.shared_h > 0


def sentence(text: str) -> str:
    """Return a text as a sentence: first letter large, one full stop at the end.

    Examples
    --------
    >>> sentence("altitude, lower limit: 3 deg short"), sentence("Done.")
    ('Altitude, lower limit: 3 deg short.', 'Done.')
    """
    text = text.strip()
    return f"{text[:1].upper()}{text[1:]}{'' if text.endswith(('.', '!', '?')) else '.'}"


def paragraph(night: TargetNight | None, months: TargetMonths | None) -> str:
    """Return a target's answer as plain sentences, to be read in a proposal.

    Parameters
    ----------
    night : TargetNight or None
    months : TargetMonths or None
        One of the two is needed.
    """
    told = [] if night is None else _night_sentences(night)
    if months is not None:
        told.append(_season_sentence(months, alone=night is None))
    if night is not None:
        if night.reach is not None:
            told.append(_reach_sentence(night, night.reach))
        told.append(_calibrator_sentence(night))
    return " ".join(told)


def _place(scenario: Scenario) -> str:
    return f"From {scenario.array.site.name} in configuration {scenario.night.configuration}"


def _night_sentences(night: TargetNight) -> list[str]:
    scenario, serving, count = night.scenario, len(night.serving), len(night.subarrays)
    combiner = scenario.requests[night.request].combiner
    when = f"on the night of {date_told(scenario.night.date)}"
    if not serving:
        refused = (
            f"{_place(scenario)}, {night.name} cannot be observed for a whole visit with {combiner} {when}."
        )
        told = [refused, *([sentence(night.exclusion.sentence)] if night.exclusion else [])]
        return [*told, *_remedy_sentences(night)]
    if serving == count:
        which = (
            "its only subarray"
            if count == 1
            else "both subarrays"
            if count == 2
            else f"all {count} subarrays"
        )
    else:
        which = f"{serving} of {count} subarrays"
    best = night.subarrays[0]
    start, end = (clock_told(night.curve, edge) for edge in (best.spans[0][0], best.spans[-1][1]))
    intervals = "" if len(best.spans) == 1 else f"in {len(best.spans)} intervals "
    starts = len(best.visit_starts_s)
    name = names_told(best.telescopes)
    called = name if serving == 1 else f"the best of them, {name},"
    told = [
        f"{_place(scenario)}, {night.name} can be observed with {combiner} on {which} {when}.",
        f"{called[:1].upper()}{called[1:]} can be used {intervals}between {start} and {end} UTC, for "
        f"{duration(best.usable_h * 60.0)} in all; {visit_told(scenario)}, which "
        f"takes {duration(night.visit_s / 60.0)} at least, can start at {counted(starts, 'time')}.",
    ]
    if (night.usable_h - best.usable_h) * 60.0 >= 1.0:
        told.append(f"One subarray or another can be used for {duration(night.usable_h * 60.0)}.")
    return told


def visit_told(scenario: Scenario) -> str:
    """Return what a visit is made of."""
    if scenario.calibrators:
        return "a whole visit (calibrator, science, calibrator)"
    return "the science step, without calibrators"


SCIENCE_ONLY = "No calibrators were given: this is the answer for the science star alone."


def _remedy_sentences(night: TargetNight) -> list[str]:
    if night.remedies:
        first = night.remedies[0]
        opens = f"{duration(first.opens_h * 60.0)} and {counted(first.visits, 'start')} of a whole visit"
        return [f"The smallest change found that helps: {first.sentence.rstrip('.')}; it opens {opens}."]
    if night.remedies_tried:
        return ["Nothing that was tried helps."]
    return []


def _reach_sentence(night: TargetNight, reach: Reach) -> str:
    combiner = night.scenario.combiner_of(night.scenario.requests[night.request])
    if reach.longest_m - reach.shortest_m < 0.05:
        baselines, verb = f"A projected baseline of {reach.longest_m:.1f} m", "reaches"
    else:
        baselines = f"Projected baselines from {reach.shortest_m:.1f} to {reach.longest_m:.1f} m"
        verb = "reach"
    return (
        f"{baselines} {verb} a resolution of {number_told(reach.resolution_mas)} mas "
        f"(λ/2B at {min(combiner.wavelengths_um):g} µm) and {counted(reach.cells, 'independent cell')} of "
        f"the (u, v) plane for a field of {number_told(reach.field_mas)} mas."
    )


def _calibrator_sentence(night: TargetNight) -> str:
    if not night.scenario.calibrators:
        return SCIENCE_ONLY
    within = f"within {night.scenario.limits.bracket_distance_max_deg:g} deg of it"
    count, usable = len(night.calibrators), [one for one in night.calibrators if usable_calibrator(one)]
    if not count:
        return f"No calibrator of the list lies {within}."
    lie = f"{counted(count, 'calibrator')} {'lies' if count == 1 else 'lie'} {within}"
    if not usable:
        return f"{lie}, but none that can be used together with it."
    nearest = f"{usable[0].name} at {usable[0].distance_deg:.1f} deg"
    if count == 1:
        return f"{lie} and can be used together with it: {nearest}."
    if len(usable) == count:
        every = "both" if count == 2 else "all"
        return f"{lie} and {every} can be used together with it; the nearest is {nearest}."
    which = f"of which {thousands(len(usable))} can be used together with it"
    return f"{lie}, {which}; the nearest of these is {nearest}."


def _season_sentence(months: TargetMonths, alone: bool) -> str:
    span = f"from {date_told(months.nights[0])} to {date_told(months.nights[-1])}"
    subject = f"{_place(months.scenario)}, {months.name}" if alone else "It"
    if not months.feasible_nights:
        why = f"; most of the dark hours are closed by {months.closed_by[0][0]}" if months.closed_by else ""
        kept = 100.0 * (1.0 - sum(share for _, share in months.closed_by))
        if kept >= 0.5:
            visit = visit_told(months.scenario)
            why = (
                f"; its limits are kept in {kept:.0f} % of the dark hours, but they leave no room for {visit}"
            )
        return f"{subject} is not feasible on any night {span}{why}."
    count = f"{months.feasible_nights} of {counted(len(months.nights), 'night')}"
    told = f"{subject} is feasible on {count} {span}"
    if months.first is not None and months.first == months.last:
        return f"{told}, that of {date_told(months.first)}."
    ends = [
        f"{word} on {date_told(night)}"
        for word, night, edge in (
            ("first", months.first, months.nights[0]),
            ("last", months.last, months.nights[-1]),
        )
        if night is not None and night != edge
    ]
    told += f", {joined(ends)}" if ends else ""
    if months.gap is not None and (months.gap[1] - months.gap[0]).days + 1 >= GAP_NIGHTS:
        told += f", but on none from {date_told(months.gap[0])} to {date_told(months.gap[1])}"
    if len(months.months) > 1:
        best = months.months[months.best_month]
        told += f"; the best month is {month_told(best)} with {hours_told(months.hours[months.best_month])} h"
    return f"{told}."
