"""When in the year, and when in the night, a target can be observed, and what forbids it otherwise.

A column is a night, a row an hour of local mean solar time, evening above.
Regions with the same answer are one path each: tone, hatch and letter say
which limit binds. Below stand the usable hours of each night and the sums of
the months.
"""

from __future__ import annotations

import datetime
from dataclasses import dataclass
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import PathPatch, Rectangle
from scipy import ndimage

from planner.feasibility.answers import DAYLIGHT, OPEN, Season
from planner.output.feasibility_words import hours_told
from planner.output.figure_places import apart
from planner.output.figures import (
    BEHIND,
    FAINT,
    FILLED,
    HAIR,
    INK,
    MIDDLE,
    PALETTE,
    PRINT_PX,
    PRINT_SMALL,
    PRINT_SMALL_PX,
    SCIENCE,
    SOFT,
    Drawn,
    draw,
    heading,
    panel,
    region,
    runs,
    write,
)
from planner.output.svg import Picture, clean

WIDTH, LEFT, RIGHT = 1180.0, 88.0, 24.0
PLOT = WIDTH - LEFT - RIGHT
NIGHT_MAX_PX = 150.0  # a single night is no wider
DATED_NIGHTS = 70  # up to so many nights are named by their dates
CALENDAR_TOP, CALENDAR_HEIGHT = 78.0, 330.0
FLAGS, STRIP, SUMS = 30.0, 76.0, 42.0
LEGEND_LINE, LETTER_ROOM_PX, LETTERS_MAX = 24.0, 11.0, 3
NAME_MAX = 40
# Tones differ in lightness too; they repeat after seven codes, hatches after six, so that 42 limits differ.
TONES = ("mist", "straw", "slate", "plum", "civil", "reach", "nautical")
HATCHES = ("///", "\\\\\\", "|||", "---", "xx", "++")
ENOUGH, SHORT = -2, -3  # keys of the legend beside the codes: nights with and without room for a visit
PALE: dict[str, Any] = {"facecolor": FILLED, "edgecolor": SCIENCE, "hatch": "////", "linewidth": 0.0}
LETTER: dict[str, Any] = {**MIDDLE, "weight": "bold", "fontsize": PRINT_SMALL_PX, "bbox": BEHIND}
MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


@dataclass(frozen=True)
class Calendar:
    """One target in one configuration, with its places in pixels.

    Attributes
    ----------
    season : Season
    at : (int, int)
        Configuration and target.
    codes : ndarray of int8 (night, column)
        Without the columns in which the Sun is too high every night.
    first_h : float
        Upper edge of the first column, hours from local mean midnight.
    hours : ndarray (night,)
        Usable.
    feasible : ndarray of bool (night,)
    """

    season: Season
    at: tuple[int, int]
    codes: np.ndarray
    first_h: float
    hours: np.ndarray
    feasible: np.ndarray

    @property
    def night_px(self) -> float:
        """Width of a night, in tenths of a pixel, which keeps the paths short."""
        width = PLOT / len(self.codes)
        return min(NIGHT_MAX_PX, float(np.floor(width * 10.0) / 10.0) or width)

    @property
    def column_px(self) -> float:
        """Height of a column of the night."""
        return round(CALENDAR_HEIGHT / self.codes.shape[1], 1)

    @property
    def width(self) -> float:
        """Of all nights."""
        return self.night_px * len(self.codes)

    @property
    def bottom(self) -> float:
        """End of the morning."""
        return CALENDAR_TOP + self.column_px * self.codes.shape[1]

    @property
    def strip_bottom(self) -> float:
        """Zero of the usable hours."""
        return self.bottom + FLAGS + STRIP

    def occurring(self) -> list[int]:
        """Codes of limits that bind somewhere, in order."""
        return [int(code) for code in np.unique(self.codes) if code > 0]

    def ends(self) -> tuple[datetime.date, datetime.date] | None:
        """First and last feasible night."""
        nights = np.flatnonzero(self.feasible)
        first, last = (nights[0], nights[-1]) if len(nights) else (0, -1)
        return (self.season.nights[first], self.season.nights[last]) if len(nights) else None

    def months(self) -> list[tuple[tuple[int, int], int, int]]:
        """Year and month, first night and one past the last."""
        keys = [(night.year, night.month) for night in self.season.nights]
        return [(key, keys.index(key), keys.index(key) + keys.count(key)) for key in self.season.months()]


def season_figure(season: Season, configuration: int, target: int, name: str) -> Drawn:
    """Return the calendar of one target in one configuration as SVG and PDF.

    Parameters
    ----------
    season : Season
    configuration, target : int
        Index on the axes of ``season.binding``.
    name : str
        Of the figure's file, made of letters, figures and dashes.
    """
    calendar = _calendar(season, configuration, target)
    entries = _entries(calendar)
    top = calendar.strip_bottom + SUMS
    star = season.scenario.requests[season.requests[target]].name
    picture = Picture(
        name=name,
        width=WIDTH,
        height=top + LEGEND_LINE * (max(line for line, *_ in entries) + 1),
        title=f"When {star} can be observed, {_range(season)}",
        description=_story(calendar),
        tips={},
    )

    def paint(figure: Figure) -> None:
        axes = panel(figure, LEFT, 0.0, PLOT, picture.height)
        axes.set_xlim(0.0, PLOT)
        axes.set_ylim(picture.height, 0.0)
        _heading(axes, calendar, star)
        _cells(axes, calendar)
        _hour_axis(axes, calendar)
        _month_axis(axes, calendar)
        _hours_strip(axes, calendar)
        _flags(axes, calendar)
        for line, x, code, words in entries:
            _key(axes, (x, top + LEGEND_LINE * (line + 0.5)), code, words)

    return draw(picture, paint, PRINT_PX)


def _calendar(season: Season, configuration: int, target: int) -> Calendar:
    codes = season.binding[configuration, target]
    dark = np.flatnonzero((codes != DAYLIGHT).any(axis=0))
    first, last = (max(int(dark[0]) - 1, 0), int(dark[-1]) + 2) if len(dark) else (0, codes.shape[1])
    return Calendar(
        season=season,
        at=(configuration, target),
        codes=codes[:, first:last],
        first_h=float(season.offset_h[first]) - season.step_s / 7200.0,
        hours=season.usable_h()[configuration, target],
        feasible=season.feasible()[configuration, target],
    )


def _range(season: Season) -> str:
    first, last = season.nights[0].isoformat(), season.nights[-1].isoformat()
    return f"night of {first}" if first == last else f"{first} to {last}"


def _count(calendar: Calendar) -> str:
    nights, visit_min = len(calendar.feasible), calendar.season.visit_s[calendar.at[1]] / 60.0
    return f"{int(calendar.feasible.sum())} of {nights} nights allow a visit of {visit_min:.0f} min"


def _story(calendar: Calendar) -> str:
    season, (configuration, target) = calendar.season, calendar.at
    name, hours = season.configurations[configuration], calendar.hours.sum()
    found = [f"Configuration {name}: {_count(calendar)}; {hours:.0f} usable hours in all."]
    ends = calendar.ends()
    if ends is not None:
        found.append(f"First feasible night {ends[0].isoformat()}, last {ends[1].isoformat()}.")
        best = int(np.argmax(calendar.hours))
        found.append(f"Most in the night of {season.nights[best].isoformat()}: {calendar.hours[best]:.1f} h.")
        sums = season.hours_by_month()[configuration, target]
        told = [f"{MONTHS[m - 1]} {y}: {h:.0f} h" for (y, m), h in zip(season.months(), sums, strict=True)]
        found.append(f"By month: {', '.join(told)}.")
    bound = [
        (season.limits[k - 1], (calendar.codes == k).sum() * season.step_s) for k in calendar.occurring()
    ]
    if bound:
        told = [
            f"{limit} {seconds / 3600.0:.0f} h" for limit, seconds in sorted(bound, key=lambda pair: -pair[1])
        ]
        found.append(f"What binds in the dark: {', '.join(told)}.")
    return " ".join(found)


def look(code: int) -> dict[str, Any]:
    """Return how a code is filled: tone and hatch of a limit, plain for what is usable and for daylight."""
    if code in (OPEN, DAYLIGHT):
        return {"facecolor": SCIENCE if code == OPEN else "none", "edgecolor": "none", "linewidth": 0.0}
    tone, hatch = TONES[(code - 1) % len(TONES)], HATCHES[(code - 1) % len(HATCHES)]
    return {"facecolor": PALETTE[tone], "edgecolor": SOFT, "hatch": hatch, "linewidth": 0.0}


def letter(code: int) -> str:
    """Return the letter of a limit, a for the first.

    Examples
    --------
    >>> letter(1), letter(26), letter(27)
    ('a', 'z', 'a1')
    """
    rounds, place = divmod(code - 1, 26)
    return "abcdefghijklmnopqrstuvwxyz"[place] + (str(rounds) if rounds else "")


def _heading(axes: Axes, calendar: Calendar, star: str) -> None:
    name = clean(calendar.season.configurations[calendar.at[0]], 30)
    facts = f"{_range(calendar.season)}, configuration {name}: {_count(calendar)}"
    heading(axes, (8.0 - LEFT, PLOT + RIGHT - 8.0), star, facts)


def _cells(axes: Axes, calendar: Calendar) -> None:
    """One path for each answer, and letters where there is room."""
    box = (0.0, CALENDAR_TOP), calendar.width, calendar.bottom - CALENDAR_TOP
    cell = calendar.night_px, calendar.column_px
    occurring = calendar.occurring()
    for code in (OPEN, *occurring):
        if (calendar.codes == code).any():
            axes.add_patch(PathPatch(region(calendar.codes == code, box[0], cell), **look(code)))
    for code in occurring:
        for x, y in _roomy_places(calendar.codes == code, calendar):
            write(axes, x, y, letter(code), **LETTER)
    axes.add_patch(Rectangle(*box, facecolor="none", edgecolor=FAINT, linewidth=0.8))


def _roomy_places(mask: np.ndarray, calendar: Calendar) -> list[tuple[float, float]]:
    """Middles of the widest places of a region's largest parts, pixels."""
    parts, count = ndimage.label(mask)
    spacing = calendar.night_px, calendar.column_px
    radius = ndimage.distance_transform_edt(np.pad(mask, 1), spacing)[1:-1, 1:-1]
    found = []
    for part in range(1, count + 1):
        x, y = np.unravel_index(int(np.argmax(np.where(parts == part, radius, 0.0))), mask.shape)
        if radius[x, y] >= LETTER_ROOM_PX:
            found.append((-float(radius[x, y]), int(x), int(y)))
    widest = sorted(found)[:LETTERS_MAX]
    return [((x + 0.5) * spacing[0], CALENDAR_TOP + (y + 0.5) * spacing[1]) for _, x, y in widest]


def _hour_axis(axes: Axes, calendar: Calendar) -> None:
    """Hours of local mean solar time, evening above."""
    step_h = calendar.season.step_s / 3600.0
    first, last = calendar.first_h, calendar.first_h + step_h * calendar.codes.shape[1]
    for hour in range(int(np.ceil(first - 1e-9)), int(np.floor(last + 1e-9)) + 1):
        y = CALENDAR_TOP + (hour - first) / step_h * calendar.column_px
        axes.hlines(y, -5.0, 0.0, color=FAINT, linewidth=0.8, clip_on=False)
        if hour % 2 == 0:
            write(axes, -9.0, y, f"{hour % 24:02d}", ha="right", va="center")
            if hour == 0:
                axes.hlines(y, 0.0, calendar.width, color=INK, linewidth=0.7, linestyle=(0, (1, 3)))
    middle = (CALENDAR_TOP + calendar.bottom) / 2.0
    write(axes, 26.0 - LEFT, middle, "local mean solar time, h", **MIDDLE, rotation=90, color=SOFT)


def _month_axis(axes: Axes, calendar: Calendar) -> None:
    """Months above the calendar and their sums below the hours; nights by date when there are few."""
    sums, pixel = calendar.season.hours_by_month()[calendar.at], calendar.night_px
    dated, last_year = len(calendar.codes) <= DATED_NIGHTS, 0
    names, hours, years = [], [], []
    for number, ((year, month), first, last) in enumerate(calendar.months()):
        middle, room = (first + last) / 2.0 * pixel, (last - first) * pixel
        if first:
            ends = CALENDAR_TOP - 6.0, calendar.strip_bottom + SUMS - 12.0
            axes.vlines(first * pixel, *ends, color=HAIR, linewidth=0.8)
        names.append((MONTHS[month - 1] + (f" {year}" if dated else ""), middle, room))
        hours.append((hours_told(sums[number]), middle, room))
        if year != last_year and not dated:
            years.append((str(year), first * pixel + 18.0, room))
        last_year = year
    apart(axes, years, CALENDAR_TOP - 29.0, {"color": SOFT})
    apart(axes, names, CALENDAR_TOP - (29.0 if dated else 12.0), {})
    apart(axes, hours, calendar.strip_bottom + SUMS - 22.0, {"weight": "bold"})
    write(axes, -9.0, calendar.strip_bottom + SUMS - 22.0, "sum, h", ha="right", va="center", color=SOFT)
    if dated:
        for number in range(0, len(calendar.codes), int(np.ceil(24.0 / pixel))):
            day = str(calendar.season.nights[number].day)
            write(axes, (number + 0.5) * pixel, CALENDAR_TOP - 10.0, day, **MIDDLE, **PRINT_SMALL)


def _hours_strip(axes: Axes, calendar: Calendar) -> None:
    """Usable hours of each night: solid and underlined where a whole visit fits, pale where none does."""
    bottom = calendar.strip_bottom
    most = max(float(np.ceil(calendar.hours.max(initial=0.0))), 1.0)
    scale = STRIP / most
    for value in (0.0, most / 2.0, most):
        y = bottom - value * scale
        axes.hlines(y, 0.0, calendar.width, color=HAIR, linewidth=0.8, zorder=0.5)
        write(axes, -9.0, y, f"{value:g}", ha="right", va="center", **PRINT_SMALL)
    write(axes, 26.0 - LEFT, bottom - STRIP / 2.0, "usable, h", **MIDDLE, rotation=90, color=SOFT)
    edges = np.arange(len(calendar.hours) + 1) * calendar.night_px
    for wanted, style in ((True, look(OPEN)), (False, PALE)):
        shown = (calendar.feasible == wanted) & (calendar.hours > 0)
        if shown.any():
            top = np.where(shown, np.round(bottom - calendar.hours * scale, 1), np.nan)
            axes.stairs(top, edges, baseline=bottom, fill=True, **style)
    axes.hlines(bottom, 0.0, calendar.width, color=FAINT, linewidth=0.8)
    for first, last in runs(calendar.feasible):
        ends = first * calendar.night_px, last * calendar.night_px
        axes.hlines(bottom + 4.5, *ends, color=INK, linewidth=3.0)


def _flags(axes: Axes, calendar: Calendar) -> None:
    """The first and the last feasible night, and the long gaps between."""
    ends, y, nights = calendar.ends(), calendar.bottom + 10.0, calendar.season.nights
    if ends is None:
        middle = calendar.width / 2.0, calendar.strip_bottom - STRIP / 2.0
        write(axes, *middle, "no night allows a whole visit", **MIDDLE, style="italic", bbox=BEHIND)
        return
    first = "first feasible night: " if ends[0] > nights[0] else "feasible on "
    last = "last feasible night: " if ends[1] < nights[-1] else "feasible on "
    if ends[0] == ends[1]:
        first = last = "only feasible night: "
    words = first + ends[0].isoformat(), last + ends[1].isoformat()
    wide = [len(text) * 7.0 + 5.0 for text in words]
    poles = nights.index(ends[0]) * calendar.night_px, (nights.index(ends[1]) + 1) * calendar.night_px
    places = min(poles[0] + 5.0, PLOT - wide[0]), max(poles[1] - wide[1], 5.0)
    meet = places[1] < places[0] + wide[0]
    for pole, x, text, lower in zip(poles, places, words, (0.0, 13.0 * meet), strict=True):
        axes.vlines(pole, y - 6.0, calendar.strip_bottom + 6.0, color=INK, linewidth=1.1)
        if text != words[0] or not lower:
            write(axes, x, y + lower, text, va="center", fontsize=PRINT_SMALL_PX)
    for a, b in runs(~calendar.feasible):
        dates = [f"{night.day} {MONTHS[night.month - 1]}" for night in (nights[a], nights[b - 1])]
        gap = f"no visit {dates[0]} to {dates[1]}"
        if a and b < len(nights) and (b - a) * calendar.night_px > len(gap) * 7.0 + 16.0:
            x, low = (a + b) / 2.0 * calendar.night_px, calendar.strip_bottom - STRIP / 4.0
            write(axes, x, low, gap, **MIDDLE, **PRINT_SMALL, style="italic", bbox=BEHIND)


def _entries(calendar: Calendar) -> list[tuple[int, float, int, str]]:
    """Line, place, code and words of the legend."""
    step_h = calendar.season.step_s / 3600.0
    names = {OPEN: "usable"} | {
        k: clean(calendar.season.limits[k - 1], NAME_MAX) for k in calendar.occurring()
    }
    counts = {code: int((calendar.codes == code).sum()) for code in names}
    said = {k: f"{names[k]}, {hours_told(n * step_h)} h" for k, n in counts.items() if n}
    said[DAYLIGHT] = "Sun too high"
    if calendar.feasible.any():
        said[ENOUGH] = "a whole visit fits"
    if (short_h := float(calendar.hours[~calendar.feasible].sum())) > 0:
        said[SHORT] = f"no whole visit fits, {hours_told(short_h)} h of the usable ones"
    entries, line, x = [], 0, 0.0
    for code, words in said.items():
        room = 60.0 + len(words) * 6.7
        if x and x + room > PLOT + RIGHT:
            line, x = line + 1, 0.0
        entries.append((line, x, code, words))
        x += room
    return entries


def _key(axes: Axes, at: tuple[float, float], code: int, words: str) -> None:
    """A sample of what a code looks like, with its letter, and what it means."""
    if code == ENOUGH:
        axes.hlines(at[1], at[0], at[0] + 32.0, color=INK, linewidth=3.0)
    else:
        style = dict(PALE if code == SHORT else look(code))
        style |= {"edgecolor": FAINT, "linewidth": 0.8} if code == DAYLIGHT else {}
        axes.add_patch(Rectangle((at[0], at[1] - 8.0), 32.0, 16.0, **style))
    if code > 0:
        write(axes, at[0] + 16.0, at[1], letter(code), **LETTER)
    write(axes, at[0] + 39.0, at[1], words, va="center", **PRINT_SMALL)
