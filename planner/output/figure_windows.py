"""One target through one night: when it can be observed, with which telescopes, and how near each limit is.

Time runs from dusk to dawn, UTC below and local sidereal time above. Above,
the openings: of any subarray, then of the best ones. Below, the margins of the
best subarray, a strip for each limit with its own scale and its zero drawn:
above zero the limit is kept, hatching marks where it is not.
"""

from __future__ import annotations

import textwrap
from dataclasses import dataclass
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Polygon, Rectangle

from planner.constraints.verdict import Verdict
from planner.feasibility.answers import SubarrayNight, TargetNight
from planner.feasibility.spans import Spans
from planner.output.figure_night import hours
from planner.output.figures import (
    BEHIND,
    FAINT,
    FILLED,
    HAIR,
    INK,
    MIDDLE,
    PAPER,
    PRINT_PX,
    PRINT_SMALL,
    REACH,
    SCIENCE,
    SOFT,
    Drawn,
    crossing,
    draw,
    heading,
    panel,
    runs,
    signed,
    write,
)
from planner.output.sentences import names_told, unset_limits
from planner.output.svg import Picture, clean
from planner.output.tracks import Twilight, sidereal_time_h
from planner.sky.directions import place_of

CHARACTER = 7.0  # width in pixels of a character of small text, on the safe side
WIDTH, LEFT, RIGHT = 1180.0, 240.0, 110.0
PLOT = WIDTH - LEFT - RIGHT
SIDEREAL_Y, FIRST_ROW, ROW, BAR = 62.0, 84.0, 27.0, 12.0
ROWS_MAX, NAME_MAX, WRAP = 6, 30, 124
LINE, STRIP, TALL_STRIP, STRIP_GAP = 17.0, 46.0, 76.0, 14.0
ALTITUDE = "altitude, lower limit"
# What counts as room, by unit: a limit that never comes nearer all night needs no strip of its own. Chosen so
# that no change of plan within the night (another slot, another telescope) would use it up.
ROOM = {
    "deg": 10.0,
    "deg/s": 0.2,
    "m": 10.0,
    "m/s of light": 0.005,
    "mag": 1.0,
    "h": 1.0,
    "min": 60.0,
    "airmass": 0.5,
}
ROOM |= {"of the disk": 0.2, "of the pupil": 0.05, "of V squared": 0.2, "of contrast": 0.2, "arcsec": 5.0}
GROUND: dict[str, Any] = {"color": FILLED, "lw": 0, "zorder": 0.1, "alpha": 0.55}
NOT_KEPT: dict[str, Any] = {"facecolor": "none", "edgecolor": FAINT, "hatch": "////", "linewidth": 0.0}
# A strip shows no more than so many times the room; what is beyond lies on its edge.
DRAWN_BELOW, DRAWN_ABOVE = -4.0, 8.0
DOTTED: dict[str, Any] = {"color": FAINT, "linewidth": 1.0, "linestyle": (0, (1.5, 2.5))}


@dataclass(frozen=True)
class Strip:
    """One limit along the night, and its place."""

    verdict: Verdict
    top: float
    height: float

    def scale(self) -> tuple[float, float]:
        """Lowest and highest margin drawn; zero is always within."""
        room = ROOM.get(self.verdict.unit, np.inf)
        finite = self.verdict.margin[np.isfinite(self.verdict.margin)]
        low = max(float(finite.min(initial=0.0)), DRAWN_BELOW * room)
        high = min(float(finite.max(initial=0.0)), DRAWN_ABOVE * room)
        return low, high if high > low else low + 1.0

    def y(self, margin: np.ndarray | float) -> np.ndarray:
        """Pixels from the top, of a margin; what is cut off lies on the edge."""
        low, high = self.scale()
        return self.top + self.height * (high - np.clip(margin, low, high)) / (high - low)


@dataclass(frozen=True)
class Page:
    """Where everything stands, in pixels from the top."""

    night: TargetNight
    sky: Twilight
    rows: tuple[SubarrayNight, ...]
    said: tuple[str, ...]
    strips: tuple[Strip, ...]
    joined: tuple[str, ...]
    margins_top: float
    bottom: float

    @property
    def best_spans(self) -> Spans:
        """Openings of the best subarray."""
        return self.rows[0].spans if self.rows else ()

    def hour(self, second: float) -> float:
        """Hour of UTC, of a second after dusk."""
        return self.sky.dark_h[0] + float(second) / 3600.0

    def each_hour(self, seconds: np.ndarray) -> np.ndarray:
        """Hours of UTC, of seconds after dusk."""
        return self.sky.dark_h[0] + seconds / 3600.0

    @property
    def pixel_h(self) -> float:
        """Hours to a pixel."""
        return (self.sky.span_h[1] - self.sky.span_h[0]) / PLOT


def windows_figure(night: TargetNight, name: str) -> Drawn:
    """Return one target's night as SVG and PDF.

    Parameters
    ----------
    night : TargetNight
    name : str
        Of the figure's file, made of letters, figures and dashes.
    """
    page = _page(night)
    picture = Picture(
        name=name,
        width=WIDTH,
        height=page.bottom + 70.0,
        title=f"When {night.name} can be observed in the night of {night.scenario.night.date.isoformat()}",
        description=_story(page),
        tips={},
    )

    def paint(figure: Figure) -> None:
        axes = panel(figure, LEFT, 0.0, PLOT, picture.height)
        axes.set_xlim(*page.sky.span_h)
        axes.set_ylim(picture.height, 0.0)
        _ground(axes, page)
        _any_row(axes, page)
        for number, row in enumerate(page.rows):
            _row(axes, page, row, FIRST_ROW + ROW * (number + 1))
        for number, words in enumerate(page.said):
            y = FIRST_ROW + ROW * (len(page.rows) + 0.5) + LINE * (number + 0.75)
            write(axes, page.sky.span_h[0], y, words, va="center")
        for strip in page.strips:
            _strip(axes, page, strip)
        for number, words in enumerate(page.joined):
            y = page.bottom - 8.0 - LINE * (len(page.joined) - number - 0.5)
            write(axes, page.sky.span_h[0], y, words, va="center", **PRINT_SMALL)
            if not number:
                _left(axes, page, y, "kept all night", {})
        _legend(axes, page)

    return draw(picture, paint, PRINT_PX)


def _page(night: TargetNight) -> Page:
    said = f"No whole visit: {night.exclusion.sentence}" if night.exclusion else ""
    lines = tuple(textwrap.wrap(clean(said), WRAP - 14, max_lines=3, placeholder=" …"))
    rows = night.subarrays[:ROWS_MAX]
    margins_top = FIRST_ROW + ROW * (len(rows) + 1) + LINE * len(lines) + 28.0
    y, strips, roomy = margins_top + (6.0 if night.curves else -24.0), [], []
    for verdict in sorted(night.curves, key=lambda verdict: verdict.limit != ALTITUDE):
        if words := _roomy(night, verdict):
            roomy.append(words)
            continue
        strips.append(Strip(verdict, y, TALL_STRIP if verdict.limit == ALTITUDE else STRIP))
        y += strips[-1].height + STRIP_GAP
    whole = "; ".join(words.replace(" ", "\xa0") for words in roomy)  # no line ends within one of them
    joined = tuple(line.replace("\xa0", " ") for line in textwrap.wrap(whole, WRAP))
    bottom = y + LINE * len(joined) + (10.0 if joined else 4.0)
    return Page(night, _twilight(night), rows, lines, tuple(strips), joined, margins_top, bottom)


def _twilight(night: TargetNight) -> Twilight:
    """The time axis of the night: dusk to dawn."""
    curve = night.curve
    seconds = np.linspace(0.0, curve.length_s, max(2, int(curve.length_s // 120) + 1))
    dusk = float(curve.dark.start.utc.mjd % 1.0) * 24.0
    return Twilight(
        hours=dusk + seconds / 3600.0,
        bodies=curve.at([0], seconds).sun_moon,
        dark_h=(dusk, dusk + curve.length_s / 3600.0),
        sidereal_h=sidereal_time_h(curve.dark.start, place_of(night.scenario.array.site).longitude_deg),
    )


def _roomy(night: TargetNight, verdict: Verdict) -> str:
    """Return in words by how much a limit is kept all night; nothing when it needs a strip."""
    limit, least = clean(verdict.limit, NAME_MAX), float(np.min(verdict.margin, initial=np.inf))
    unset = unset_limits(night.scenario, night.scenario.requests[night.request])
    if least == np.inf or verdict.limit in unset:
        return f"{limit} (no limit set)"
    told = f"{signed(least)} {clean(verdict.unit)}"
    if 0 <= least == np.max(verdict.margin):
        return f"{limit} {told} throughout"
    roomy = verdict.limit != ALTITUDE and least >= ROOM.get(verdict.unit, np.inf)
    return f"{limit} at least {told}" if roomy else ""


def _clock(page: Page, second: float) -> str:
    minutes = round(page.hour(second) * 60.0)
    return f"{minutes // 60 % 24:02d}:{minutes % 60:02d}"


def _told(page: Page, verdict: Verdict) -> str:
    """Return the smallest margin inside the openings of the best subarray, in words with its time.

    Without openings a limit that is never kept is told by its best moment, another one by its worst.
    """
    grid, margin = page.night.grid_s, np.broadcast_to(verdict.margin, page.night.grid_s.shape)
    inside = np.zeros(len(grid), dtype=bool)
    for start, end in page.best_spans:
        inside |= (grid >= start) & (grid <= end)
    never = bool((margin < 0).all())
    shown = np.where(inside, margin, np.inf) if inside.any() else margin
    at = int(np.argmax(shown) if never else np.argmin(shown))
    # An edge of an opening lies on the limit: rounding must not make it look broken.
    value = max(float(margin[at]), 0.0) if inside.any() else float(margin[at])
    word = "at least" if inside.any() else "at best" if never else "at worst"
    when = "all night" if margin.min() == margin.max() else _clock(page, grid[at])
    return f"{word} {signed(value)} {clean(verdict.unit, 14)}, {when}"


def _story(page: Page) -> str:
    night = page.night
    told = ", ".join(_span(page, span) for span in night.any_spans)
    usable = f"{night.usable_h:.1f} h usable with some subarray: {told} UTC." if told else "Never usable."
    found = [usable, f"Dark from {_clock(page, 0.0)} to {_clock(page, night.curve.length_s)} UTC."]
    if page.rows:
        best = page.rows[0]
        found.append(
            f"Best subarray {names_told(best.telescopes)}: {best.usable_h:.1f} h, a visit of "
            f"{night.visit_s / 60.0:.0f} min can start at {len(best.visit_starts_s)} moments."
        )
        if best.best_s is not None and best.best_altitude_deg is not None:
            highest = f"{best.best_altitude_deg:.0f} deg at {_clock(page, best.best_s)}"
            found.append(f"The star is highest in its openings at {highest}.")
    where = " in its openings" if page.best_spans else ""
    found += [f"{strip.verdict.limit}: {_told(page, strip.verdict)}{where}." for strip in page.strips]
    if night.exclusion:
        found.append(night.exclusion.sentence)
    return " ".join(found)


def _span(page: Page, span: tuple[float, float]) -> str:
    return f"{_clock(page, span[0])}–{_clock(page, span[1])}"


def _left(axes: Axes, page: Page, y: float, text: str, style: dict[str, Any]) -> None:
    write(axes, page.sky.span_h[0] - 10.0 * page.pixel_h, y, text, **{"ha": "right", "va": "center", **style})


def _right(axes: Axes, page: Page, y: float, text: str, style: dict[str, Any]) -> None:
    write(axes, page.sky.span_h[1] + 10.0 * page.pixel_h, y, text, **{"va": "center", **style})


def _bar(axes: Axes, page: Page, span: tuple[float, float], box: tuple[float, float], style: dict) -> None:
    """A rectangle over a span, from a middle and a height in pixels."""
    middle, height = box
    width = (span[1] - span[0]) / 3600.0
    axes.add_patch(Rectangle((page.hour(span[0]), middle - height / 2.0), width, height, **style))


def _ground(axes: Axes, page: Page) -> None:
    """Heading, hours, and the openings of the best subarray behind its margins."""
    night, (start, end) = page.night, page.sky.span_h
    date, configuration = night.scenario.night.date, clean(night.scenario.night.configuration, 30)
    usable = f"{night.usable_h:.1f} h" if night.any_spans else "never"
    facts = f"night of {date.isoformat()}, configuration {configuration}, {usable} usable, "
    facts += f"shortest visit {night.visit_s / 60.0:.0f} min"
    ends = start - (LEFT - 8.0) * page.pixel_h, end + (RIGHT - 8.0) * page.pixel_h
    heading(axes, ends, night.name, facts)
    whole = np.arange(np.ceil(start), end)
    axes.vlines(whole, SIDEREAL_Y, page.bottom, color=HAIR, linewidth=0.7, zorder=0.2)
    axes.vlines((start, end), SIDEREAL_Y, page.bottom, color=FAINT, linewidth=0.8)
    hours(axes, page.sky, page.bottom, SIDEREAL_Y)
    for name in (text for text in axes.texts if text.get_text() in ("UTC", "sidereal time")):
        name.set_x(-20.0 / PLOT)  # an hour at dusk itself needs the room
    for second, side, word in ((0.0, "left", "dusk"), (night.curve.length_s, "right", "dawn")):
        text = f"{word} {_clock(page, second)}"
        write(axes, page.hour(second), page.bottom + 24.0, text, ha=side, va="top", **PRINT_SMALL)
    if page.rows and page.strips:
        best = clean(names_told(page.rows[0].telescopes), 80)
        words = f"Margins of {best}: above the zero line a limit is kept"
        write(axes, start, page.margins_top - 9.0, words, va="center", weight="bold")
        last = page.strips[-1]
        tall = last.top + last.height - page.margins_top
        for span in page.best_spans:
            _bar(axes, page, span, (page.margins_top + tall / 2.0, tall), GROUND)


def _any_row(axes: Axes, page: Page) -> None:
    """When some subarray is usable, with the times."""
    _left(axes, page, FIRST_ROW, "some subarray", {"weight": "bold"})
    _right(axes, page, FIRST_ROW, f"{page.night.usable_h:.1f} h", {"weight": "bold"})
    spans = page.night.any_spans
    nexts = [*(start for start, _ in spans[1:]), page.night.curve.length_s]
    for span, following in zip(spans, nexts, strict=False):
        _bar(axes, page, span, (FIRST_ROW, 20.0), {"color": SCIENCE, "lw": 0})
        words, room = _span(page, span), len(_span(page, span)) * 9.0 * page.pixel_h * 3600.0
        if span[1] - span[0] > room:
            x = page.hour(sum(span) / 2.0)
            write(axes, x, FIRST_ROW, words, **MIDDLE, color=PAPER, weight="bold")
        elif following - span[1] > room:
            x = page.hour(span[1]) + 8.0 * page.pixel_h
            write(axes, x, FIRST_ROW, words, va="center", weight="bold")
    if not page.night.any_spans:
        middle = page.hour(page.night.curve.length_s / 2.0)
        write(axes, middle, FIRST_ROW, "at no moment of the night", **MIDDLE, style="italic")


def _row(axes: Axes, page: Page, one: SubarrayNight, y: float) -> None:
    """One subarray: openings solid, starts of visits as ticks, and what blocks the rest in words."""
    whole = names_told(one.telescopes)
    if len(whole) <= NAME_MAX:
        _left(axes, page, y, clean(whole), {})
    else:  # six telescopes take two lines
        half = (len(one.telescopes) + 1) // 2
        for names, side in ((one.telescopes[:half], -6.5), (one.telescopes[half:], 6.5)):
            _left(axes, page, y + side, clean(names_told(names), NAME_MAX), {"fontsize": 11.0})
    starts = len(one.visit_starts_s)
    _right(axes, page, y, f"{one.usable_h:.1f} h" + ("" if starts else ", no visit"), {})
    for span in one.spans:
        _bar(axes, page, span, (y, BAR), {"color": SCIENCE, "lw": 0})
    if starts:
        edge = y + BAR / 2.0
        axes.vlines(page.each_hour(one.visit_starts_s), edge + 1.5, edge + 5.0, color=INK, linewidth=0.8)
    for blocked in one.blocked:
        first, last = (page.hour(second) for second in blocked.span)
        axes.hlines(y, first, last, **DOTTED)
        words = clean(blocked.limit, NAME_MAX)
        if (last - first) / page.pixel_h > (len(words) + 2) * CHARACTER:
            write(axes, (first + last) / 2.0, y, words, **MIDDLE, **PRINT_SMALL, bbox=BEHIND)


def _strip(axes: Axes, page: Page, strip: Strip) -> None:
    """One limit: curve, zero line, hatching where it is not kept, its scale and its smallest margin."""
    verdict, grid = strip.verdict, page.night.grid_s
    margin = np.broadcast_to(verdict.margin, grid.shape).astype(float)
    zero, bottom = float(strip.y(0.0)), strip.top + strip.height
    for first, last in runs(margin < 0):
        span = crossing(grid, margin, first), crossing(grid, margin, last)
        _bar(axes, page, span, ((strip.top + bottom) / 2.0, strip.height), NOT_KEPT)
        below = page.each_hour(np.array([span[0], *grid[first:last], span[1]]))
        area = np.stack([below, strip.y(np.array([0.0, *margin[first:last], 0.0]))], axis=-1)
        axes.add_patch(Polygon(area, closed=True, facecolor=REACH, edgecolor="none", zorder=1.5))
    axes.hlines(zero, *page.sky.span_h, color=SOFT, linewidth=0.9, zorder=1.8)
    axes.plot(page.each_hour(grid), strip.y(margin), color=INK, linewidth=1.5, zorder=2.5)
    best, lines = page.rows[0] if page.rows else None, [_told(page, verdict)]
    if verdict.limit == ALTITUDE and best and best.best_s is not None and best.best_altitude_deg is not None:
        lines.append(f"star highest {best.best_altitude_deg:.1f} deg, {_clock(page, best.best_s)}")
        y = float(strip.y(float(np.interp(best.best_s, grid, margin))))
        axes.plot([page.hour(best.best_s)], [y], marker="o", markersize=6, color=SCIENCE, zorder=3)
    y = (strip.top + bottom - 16.0 * len(lines)) / 2.0
    _left(axes, page, y, clean(verdict.limit, NAME_MAX), {})
    for number, words in enumerate(lines, start=1):
        _left(axes, page, y + 16.0 * number, words, PRINT_SMALL)
    middle = min(max(zero, strip.top + 4.0), bottom - 3.0)
    _right(axes, page, middle, f"0 {clean(verdict.unit, 13)}", PRINT_SMALL)
    ends = margin.min(), margin.max()
    for value, furthest, inward in zip(strip.scale(), ends, (-5.0, 5.0), strict=True):
        y = float(strip.y(value)) + inward
        if value and abs(y - middle) >= 12.0:
            words = "" if np.isclose(furthest, value) else "over " if value > 0 else "under "
            _right(axes, page, y, words + signed(value), PRINT_SMALL)


def _legend(axes: Axes, page: Page) -> None:
    """What the marks mean that occur, in a line below the hours."""
    y, x, pixel_h = page.bottom + 56.0, page.sky.span_h[0], page.pixel_h
    visits = any(len(row.visit_starts_s) for row in page.rows)
    entries: tuple[tuple[str, bool, float, dict[str, Any]], ...] = (
        ("everything is kept", bool(page.night.any_spans), 12.0, {"color": SCIENCE, "lw": 0}),
        ("a whole visit can start", visits, 4.0, {"fc": "none", "ec": INK, "lw": 0, "hatch": "||||"}),
        ("blocked, and by what", bool(page.rows), 0.0, DOTTED),
        ("limit not kept", bool(page.strips), 14.0, NOT_KEPT),
        ("openings of the best subarray", bool(page.best_spans), 14.0, GROUND),
    )
    for words, _, height, style in (entry for entry in entries if entry[1]):
        axes.add_patch(Rectangle((x, y - height / 2.0), 22.0 * pixel_h, height, **style))
        write(axes, x + 28.0 * pixel_h, y, words, va="center", **PRINT_SMALL)
        x += (48.0 + len(words) * 6.6) * pixel_h
