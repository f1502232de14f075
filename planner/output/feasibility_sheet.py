"""One target in words and rows: what the feasibility page and the target's own sheet show of it."""

from __future__ import annotations

from dataclasses import dataclass

from planner.feasibility.answers import (
    Blocked,
    Calibrator,
    Feasibility,
    Remedy,
    SubarrayNight,
    TargetNight,
)
from planner.feasibility.nights import visit_s
from planner.geometry.placement import placement_of
from planner.output.contrast_told import ranges_told
from planner.output.feasibility_months import TargetMonths, asked_configuration, season_months
from planner.output.feasibility_season import SeasonSheet, season_sheet
from planner.output.feasibility_words import (
    KINDS,
    amount_told,
    best_margins_told,
    clock_told,
    date_told,
    months_told,
    names_told,
    number_of_target,
    number_told,
    paragraph,
    sheet_file,
    usable_calibrator,
)
from planner.output.light_sheet import lines_told
from planner.output.sentences import duration, thousands
from planner.output.star_told import places_told
from planner.scenario.targets import Request
from planner.sky.curve import SkyCurve

SUBARRAYS_MAX = 12  # rows on the page; all of them stand in windows.ecsv
MARGINS_MAX = 4
LEAST_TOLD = (
    0.05  # a limit that begins to say no is missed by nothing at first: less than this share is not told
)


@dataclass(frozen=True)
class OpeningRow:
    """An interval in which everything holds; times to the second, UTC."""

    start: str
    end: str
    length: str
    opened_by: str
    closed_by: str


@dataclass(frozen=True)
class BlockedRow:
    """An interval in which a limit says no; ``since`` is empty when it says no from the start of it."""

    start: str
    end: str
    limit: str
    short: str
    worst: str
    least: str
    since: str
    also: str


@dataclass(frozen=True)
class SubarrayRow:
    """A subarray that allows a whole visit."""

    name: str
    lines: str
    mode: str
    tracked: str
    hours: str
    windows: tuple[str, ...]
    hour_angle: str
    starts: str


@dataclass(frozen=True)
class RemedyRow:
    """A change that was tried and helps."""

    kind: str
    sentence: str
    opens: str
    visits: int
    subarray: str


@dataclass(frozen=True)
class CalibratorRow:
    """A calibrator within the bracket distance."""

    name: str
    distance: str
    magnitude: str
    magnitude_margin: str
    vis2: str
    vis2_margin: str
    shared: str
    usable: bool


@dataclass(frozen=True)
class NightSheet:
    """A target in one night and one configuration; texts, but for ``feasible`` and the counts."""

    date: str
    date_words: str
    configuration: str
    dusk: str
    dawn: str
    feasible: bool
    best: str
    best_lines: str
    best_light: tuple[tuple[str, str], ...]
    best_hours: str
    any_hours: str
    starts: int
    visit: str
    serving: int
    subarrays: int
    openings: tuple[OpeningRow, ...]
    hour_angle: str
    best_time: str
    best_altitude: str
    margins: tuple[str, ...]
    blocked: tuple[BlockedRow, ...]
    serving_rows: tuple[SubarrayRow, ...]
    serving_more: int
    reason: str
    remedies: tuple[RemedyRow, ...]
    tried: tuple[str, ...]
    calibrators: tuple[CalibratorRow, ...]
    reach: tuple[tuple[str, str], ...]
    orientation: str


@dataclass(frozen=True)
class Asks:
    """What a proposal has to ask for: visits, their time at least, and months where a season is known.

    Attributes
    ----------
    visits : int
    hours : float
        Of all visits, each as short as it can be.
    months : str
        Those with a feasible night; empty without a season.
    """

    visits: int
    hours: float
    months: str

    @property
    def time(self) -> str:
        """The hours, told."""
        return duration(self.hours * 60.0)


def asks_of(found: Feasibility, request: int, night: TargetNight | None, months: TargetMonths | None) -> Asks:
    """Return what a proposal has to ask for a target."""
    wish = found.scenario.requests[request]
    shortest_s = visit_s(found.scenario, wish) if night is None else night.visit_s
    hours = wish.visits * shortest_s / 3600.0
    return Asks(wish.visits, hours, "" if months is None else months_told(months))


@dataclass(frozen=True)
class TargetSheet:
    """Everything said about one target."""

    number: str
    file: str
    name: str
    asks: Asks
    what: tuple[tuple[str, str], ...]
    combiner: str
    paragraph: str
    night: NightSheet | None
    season: SeasonSheet | None

    @property
    def feasible(self) -> bool:
        """Whether a whole visit is possible in the night, or without a night on some night of the season."""
        if self.night is not None:
            return self.night.feasible
        return self.season is not None and self.season.asked.feasible


def target_sheets(found: Feasibility) -> tuple[TargetSheet, ...]:
    """Return what is said about each target, in the order of the scenario."""
    nights: dict[int, TargetNight] = {}
    for night in found.nights:
        nights.setdefault(night.request, night)
    season = found.season
    months = season_months(season) if season is not None else {}
    asked = asked_configuration(season) if season is not None else 0
    return tuple(
        _target_sheet(found, request, nights.get(request), months.get(request, ()), asked)
        for request in sorted(nights.keys() | months.keys())
    )


def _target_sheet(
    found: Feasibility,
    request: int,
    night: TargetNight | None,
    months: tuple[TargetMonths, ...],
    asked: int,
) -> TargetSheet:
    wish = found.scenario.requests[request]
    return TargetSheet(
        number=number_of_target(request),
        file=sheet_file(request, wish.name),
        asks=asks_of(found, request, night, months[asked] if months else None),
        name=wish.name,
        what=_what(wish, found.scenario.combiner_of(wish).band),
        combiner=wish.combiner,
        paragraph=paragraph(night, months[asked] if months else None),
        night=None if night is None else _night_sheet(night),
        season=season_sheet(months, asked, found.season.step_s) if found.season and months else None,
    )


def _what(wish: Request, band: str) -> tuple[tuple[str, str], ...]:
    """Place, motion, brightness and size of a star, as (words, value)."""
    star = wish.star
    ra, dec = places_told(star)
    rows = [("right ascension", ra), ("declination", dec), ("frame, epoch", f"ICRS, J{star.epoch_yr:g}")]
    if star.pmra_mas_per_yr or star.pmdec_mas_per_yr:
        motion = f"{star.pmra_mas_per_yr:+.2f}, {star.pmdec_mas_per_yr:+.2f} mas/yr".replace("-", "−")
        rows.append(("proper motion", motion))
    if band in star.mag:
        rows.append((f"magnitude in {band}", f"{star.mag[band]:.2f}".replace("-", "−")))
    if star.diameter_mas:
        error = f" ± {star.diameter_error_mas:g}" if star.diameter_error_mas else ""
        rows.append(("diameter", f"{star.diameter_mas:g}{error} mas, uniform disk"))
    rows.append(("field", f"{wish.field_mas:g} mas"))
    return tuple(rows)


def _night_sheet(night: TargetNight) -> NightSheet:
    curve = night.curve
    settings, serving = night.scenario.night, night.serving
    best = night.subarrays[0] if night.subarrays else None
    placement = placement_of(night.scenario.array, settings.configuration)
    exclusion = night.exclusion
    return NightSheet(
        date=settings.date.isoformat(),
        date_words=date_told(settings.date),
        configuration=settings.configuration,
        dusk=curve.utc_text(0.0),
        dawn=curve.utc_text(curve.length_s),
        feasible=bool(serving),
        best=names_told(best.telescopes) if best else "",
        best_lines=lines_told(best.lines, best.segments) if best else "",
        best_light=_light(best) if best else (),
        best_hours=duration(best.usable_h * 60.0) if best else "",
        any_hours=duration(night.usable_h * 60.0),
        starts=len(best.visit_starts_s) if best else 0,
        visit=duration(night.visit_s / 60.0),
        serving=len(serving),
        subarrays=len(night.subarrays),
        openings=_openings(curve, best) if best else (),
        hour_angle=hour_angle_told(best) if best else "",
        best_time=f"{clock_told(curve, best.best_s)} UTC" if best and best.best_s is not None else "",
        best_altitude=""
        if best is None or best.best_altitude_deg is None
        else f"{best.best_altitude_deg:.1f} deg",
        margins=best_margins_told(night, best)[:MARGINS_MAX] if best else (),
        blocked=_blocked_rows(curve, best) if best else (),
        serving_rows=tuple(_subarray_row(curve, one) for one in serving[:SUBARRAYS_MAX]),
        serving_more=max(0, len(serving) - SUBARRAYS_MAX),
        reason=exclusion.sentence if exclusion else "",
        remedies=tuple(_remedy_row(remedy) for remedy in night.remedies),
        tried=night.remedies_tried,
        calibrators=tuple(_calibrator_row(one) for one in night.calibrators),
        reach=_reach(night),
        orientation=night.curve.frame.orientation.sentence(placement.longest_baseline_m()),
    )


def _openings(curve: SkyCurve, best: SubarrayNight) -> tuple[OpeningRow, ...]:
    return tuple(
        OpeningRow(
            start=clock_told(curve, opening.span[0]),
            end=clock_told(curve, opening.span[1]),
            length=duration((opening.span[1] - opening.span[0]) / 60.0),
            opened_by="dusk" if opening.opened_by == "Sun" else opening.opened_by,
            closed_by="dawn" if opening.closed_by == "Sun" else opening.closed_by,
        )
        for opening in best.openings
    )


def _blocked_rows(curve: SkyCurve, best: SubarrayNight) -> tuple[BlockedRow, ...]:
    def row(blocked: Blocked) -> BlockedRow:
        start, end = blocked.span
        short, least = (
            amount_told(blocked.limit, value, blocked.unit) for value in (blocked.short, blocked.least)
        )
        return BlockedRow(
            start=clock_told(curve, start),
            end=clock_told(curve, end),
            limit=blocked.limit,
            short=short,
            worst=clock_told(curve, blocked.worst_s) if short else "",
            least=least if least != short and blocked.least >= LEAST_TOLD * blocked.short else "",
            since=clock_told(curve, blocked.since_s) if blocked.since_s < start - 0.5 else "",
            also=", ".join(blocked.also),
        )

    return tuple(row(blocked) for blocked in best.blocked)


def _tracked(one: SubarrayNight) -> str:
    return "all telescopes" if set(one.tracked) == set(one.telescopes) else names_told(one.tracked)


def _light(one: SubarrayNight) -> tuple[tuple[str, str], ...]:
    """What the array's optics do for a subarray, as (words, value); nothing where there are no such parts."""
    lines = lines_told(one.lines, one.segments) if any(one.segments) else ""
    rows = (
        ("routing mode", one.mode or ""),
        ("delay lines", lines),
        ("fringes tracked", _tracked(one)),
    )
    return tuple((words, value) for words, value in rows if value)


def hour_angle_told(one: SubarrayNight) -> str:
    """Return the range of hour angles, from the first opening to the last."""
    if one.hour_angle_h is None:
        return ""
    first, last = (f"{value:+.2f}".replace("-", "−") for value in one.hour_angle_h)
    return f"{first} to {last} h"


def _subarray_row(curve: SkyCurve, one: SubarrayNight) -> SubarrayRow:
    return SubarrayRow(
        name=names_told(one.telescopes),
        lines=lines_told(one.lines, one.segments),
        mode=one.mode or "",
        tracked=_tracked(one),
        hours=duration(one.usable_h * 60.0),
        windows=windows_told(curve, one),
        hour_angle=hour_angle_told(one),
        starts=thousands(len(one.visit_starts_s)),
    )


def windows_told(curve: SkyCurve, one: SubarrayNight) -> tuple[str, ...]:
    """Return each opening as ``00:12:31 – 03:44:10``."""
    return tuple(f"{clock_told(curve, start)} – {clock_told(curve, end)}" for start, end in one.spans)


def _remedy_row(remedy: Remedy) -> RemedyRow:
    return RemedyRow(
        kind=KINDS.get(remedy.kind, remedy.kind),
        sentence=remedy.sentence,
        opens=duration(remedy.opens_h * 60.0),
        visits=remedy.visits,
        subarray=names_told(remedy.telescopes),
    )


def _calibrator_row(one: Calibrator) -> CalibratorRow:
    def signed(value: float) -> str:
        return f"{value:+.2f}".replace("-", "−") if abs(value) < 1e9 else ""

    return CalibratorRow(
        name=one.name,
        distance=f"{one.distance_deg:.2f}",
        magnitude="not given" if one.magnitude is None else f"{one.magnitude:.2f}".replace("-", "−"),
        magnitude_margin=signed(one.magnitude_margin),
        vis2="no diameter" if one.vis2 is None else f"{one.vis2:.2f}",
        vis2_margin=signed(one.vis2_margin),
        shared=duration(one.shared_h * 60.0),
        usable=usable_calibrator(one),
    )


def _reach(night: TargetNight) -> tuple[tuple[str, str], ...]:
    reach = night.reach
    if reach is None:
        return ()
    combiner = night.scenario.combiner_of(night.scenario.requests[night.request])
    shortest_um = min(combiner.wavelengths_um)
    return (
        ("projected baselines", f"{reach.shortest_m:.1f} to {reach.longest_m:.1f} m"),
        ("resolution", f"{number_told(reach.resolution_mas)} mas (λ/2B at {shortest_um:g} µm)"),
        ("field", f"{number_told(reach.field_mas)} mas"),
        ("cells of side 1/field", thousands(reach.cells)),
        ("expected V²", ranges_told(night.scenario.requests[night.request].star, reach.vis2)),
    )
