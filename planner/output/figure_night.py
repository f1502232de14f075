"""The night in one picture: Sun and Moon, every visit with its steps, and the telescopes it ties together.

Time runs from sunset to sunrise; the local sidereal time stands above, UTC
below. A science step is a tall solid block, a calibrator step a low hatched
one, a set-up a thin line, spare time is empty. Below, each telescope is a
thread that thickens while it works; time that is not for stars is hatched.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from planner.constraints.tonight import NightLimits
from planner.output.figure_pauses import PAUSE_ROW, Pause, hatched, notch, paint_names, pauses_of
from planner.output.figure_steps import paint_steps
from planner.output.figures import (
    FAINT,
    HAIR,
    INK,
    MIDDLE,
    MOON,
    PALETTE,
    PANEL,
    PAPER,
    REACH,
    SMALL,
    SMALL_PX,
    SOFT,
    Drawn,
    draw,
    legend,
    legend_rows,
    panel,
    together,
    write,
)
from planner.output.reserved_sheet import reserved_summary
from planner.output.svg import Picture, clean
from planner.output.tracks import SIDEREAL_HOURS_PER_HOUR, Twilight, VisitTrack
from planner.scheduling.plan import NightPlan

WIDTH, LEFT, RIGHT = 1180.0, 112.0, 16.0
PLOT = WIDTH - LEFT - RIGHT
SUN_TOP, MOON_TOP, FLAGS_TOP = 24.0, 44.0, 62.0
FLAG, RIBBON = 15.0, 46.0
NAME_MAX = 14
MOON_WORDS = 150.0
CHARACTER = 6.3  # width of a character of a flag, pixels, on the safe side
BANDS = (("civil", -6.0, 0.0), ("nautical", -12.0, -6.0), ("astronomical", -18.0, -12.0))
LEGEND_LINE = 14.0
STEP_KEYS = (("science star recorded", True, 14.0), ("calibrator recorded", False, 22.0))


@dataclass(frozen=True)
class Rows:
    """Where things stand, in pixels from the top."""

    levels: int
    threads: tuple[int, ...]
    thread_px: float
    pauses: tuple[Pause, ...] = ()

    @property
    def ribbon(self) -> float:
        """Middle of the ribbon of steps."""
        return FLAGS_TOP + self.levels * FLAG + 6.0 + RIBBON / 2.0

    @property
    def first_thread(self) -> float:
        """The first telescope."""
        return self.ribbon + RIBBON / 2.0 + 8.0 + self.thread_px / 2.0

    @property
    def bottom(self) -> float:
        """The axis of UTC."""
        rows = max((pause.level + 1 for pause in self.pauses), default=0)
        return self.pause_top + rows * PAUSE_ROW + (16.0 if rows else 0.0)

    @property
    def pause_top(self) -> float:
        """The rows of time that is not for stars."""
        return self.first_thread + (len(self.threads) - 0.5) * self.thread_px + 6.0

    @property
    def height(self) -> float:
        """Of the whole picture."""
        return self.bottom + 48.0

    def flag(self, level: int) -> float:
        """Upper edge of a flag; level 0 is the lowest."""
        return FLAGS_TOP + (self.levels - 1 - level) * FLAG

    def thread(self, telescope: int) -> float:
        """Middle of a telescope's thread."""
        return self.first_thread + self.threads.index(telescope) * self.thread_px


def per_pixel_h(sky: Twilight) -> float:
    """Hours to a pixel of every figure with this time axis."""
    start, end = sky.span_h
    return (end - start) / PLOT


def flag_levels(tracks: Sequence[VisitTrack], pixel_h: float) -> list[int]:
    """Return a level for each visit's flag so that none covers another."""
    ends: list[float] = []
    levels = []
    for track in tracks:
        x = track.drawn_from_h / pixel_h
        level = next((i for i, end in enumerate(ends) if end <= x), len(ends))
        if level == len(ends):
            ends.append(-np.inf)
        ends[level] = x + len(_flag(track)) * CHARACTER + 8.0
        levels.append(level)
    return levels


def _flag(track: VisitTrack) -> str:
    return f"{track.key} {clean(track.visit.target, NAME_MAX)}"


def rows_of(
    limits: NightLimits, tracks: Sequence[VisitTrack], levels: Sequence[int], pauses: tuple[Pause, ...] = ()
) -> Rows:
    """Give every placed telescope a thread, or only those in use when there are many."""
    placed = len(limits.placement.telescopes)
    used = sorted({int(i) for track in tracks for i in track.telescopes})
    threads = tuple(range(placed)) if placed <= 14 else tuple(used)
    thread_px = float(np.clip(150.0 / max(len(threads), 1), 8.0, 15.0))
    return Rows(max(levels, default=0) + 1, threads, thread_px, pauses)


def night_figure(
    limits: NightLimits,
    plan: NightPlan,
    tracks: Sequence[VisitTrack],
    sky: Twilight,
    tips: dict[str, str],
) -> Drawn:
    """Return the picture of the night as SVG; visits are grouped as ``night-V01``."""
    levels = flag_levels(tracks, per_pixel_h(sky))
    rows = rows_of(limits, tracks, levels, pauses_of(limits, plan, sky, per_pixel_h(sky)))
    lines = _legend_lines(rows, tracks)
    height = rows.height + LEGEND_LINE * (len(lines) - 1)
    picture = Picture(
        name="night",
        width=WIDTH,
        height=height,
        title=f"The night of {plan.night.date} in one picture",
        description=(
            f"{len(tracks)} visits between {plan.night.start_utc} and {plan.night.end_utc}, each with its "
            "calibrator, science and calibrator steps, set-ups, and the telescopes it uses"
            f"{reserved_summary(plan)}; "
            "the table of visits says the same."
        ),
        tips=tips,
    )

    def paint(figure: Figure) -> None:
        axes = panel(figure, LEFT, 0.0, PLOT, height)
        axes.set_xlim(*sky.span_h)
        axes.set_ylim(height, 0.0)
        _bands(axes, sky, rows)
        _sun(axes, sky)
        _moon(axes, sky)
        hours(axes, sky, rows.bottom, SUN_TOP - 4.0)
        _threads(axes, limits, tracks, rows)
        _pauses(axes, rows)
        _spare(axes, sky, tracks, rows)
        poles = [
            [(track.drawn_from_h, rows.flag(level)), (track.drawn_from_h, rows.bottom)]
            for track, level in zip(tracks, levels, strict=True)
        ]
        together(axes, poles, color=REACH, linewidth=0.8)
        for track, level in zip(tracks, levels, strict=True):
            _visit(axes, track, level, rows, picture)
        _legend(axes, rows, lines, sky)

    return draw(picture, paint)


def hours(axes: Axes, sky: Twilight, utc_y: float, sidereal_y: float) -> None:
    """Mark the hours of UTC along ``utc_y`` and of sidereal time along ``sidereal_y``, pixels downwards."""
    start, end = sky.span_h
    lines = [[(start, utc_y), (end, utc_y)]]
    for hour in range(int(np.ceil(start)), int(np.floor(end)) + 1):
        lines.append([(hour, utc_y), (hour, utc_y + 4)])
        write(axes, hour, utc_y + 6, f"{hour % 24:02d}", ha="center", va="top")
    write_left(axes, utc_y + 6, "UTC", va="top", color=SOFT)
    lines.append([(start, sidereal_y), (end, sidereal_y)])
    ahead = (-sky.sidereal_at(start)) % 1.0 / SIDEREAL_HOURS_PER_HOUR
    for sidereal in np.arange(start + ahead, end, 1.0 / SIDEREAL_HOURS_PER_HOUR).tolist():
        lines.append([(sidereal, sidereal_y - 4), (sidereal, sidereal_y)])
        whole = round(sky.sidereal_at(sidereal)) % 24
        write(axes, sidereal, sidereal_y - 6, f"{whole:02d}", ha="center", va="bottom", color=SOFT)
    write_left(axes, sidereal_y - 6, "sidereal time", va="bottom", color=SOFT)
    together(axes, lines, color=FAINT, linewidth=0.8)


def write_left(axes: Axes, y: float, text: str, **style: object) -> None:
    """Write a row's name to the left of the plot."""
    place = {"transform": axes.get_yaxis_transform(), "ha": "right", "clip_on": False}
    write(axes, -8.0 / PLOT, y, text, **{**place, **style})


def twilight_edges(sky: Twilight, altitude_deg: float) -> list[float]:
    """Return the hours at which the Sun crosses an altitude: one in the evening, one in the morning."""
    height = sky.bodies.sun_altitude_deg - altitude_deg
    crossing = np.flatnonzero(np.sign(height[:-1]) != np.sign(height[1:]))
    return [
        float(np.interp(0.0, sorted(height[i : i + 2]), sky.hours[i : i + 2][np.argsort(height[i : i + 2])]))
        for i in crossing
    ]


def _bands(axes: Axes, sky: Twilight, rows: Rows) -> None:
    """Ground outside the dark hours, and its edges with their times."""
    start, end = sky.span_h
    for first, last in ((start, sky.dark_h[0]), (sky.dark_h[1], end)):
        axes.add_patch(
            Rectangle((first, FLAGS_TOP - 4), last - first, rows.bottom - FLAGS_TOP + 4, color=PANEL, lw=0)
        )
    for hour, side in zip(sky.dark_h, ("right", "left"), strict=True):
        axes.vlines(hour, SUN_TOP, rows.bottom, color=SOFT, linewidth=0.8, linestyle=(0, (1, 2)))
        gap, words = (-4, "dark from") if side == "right" else (4, "dark until")
        text = f"{words} {_hm(hour)}"
        write(axes, hour + gap * per_pixel_h(sky), rows.bottom - 4, text, ha=side, va="bottom", **SMALL)


def _sun(axes: Axes, sky: Twilight) -> None:
    """The strip of the Sun's altitude, in the steps of twilight."""
    write_left(axes, SUN_TOP + 8, "Sun", va="center", color=SOFT)
    altitude = sky.bodies.sun_altitude_deg
    runs = [("day", "hair", altitude >= 0.0)]
    runs += [(name, name, (altitude >= low) & (altitude < high)) for name, low, high in BANDS]
    runs += [("Sun more than 18 deg down", "night", altitude < -18.0)]
    for words, colour, inside in runs:
        for first, last in _runs(sky.hours, inside):
            axes.add_patch(Rectangle((first, SUN_TOP), last - first, 16, color=PALETTE[colour], lw=0))
            if (last - first) / per_pixel_h(sky) > len(words) * 5.2:
                ink = PALETTE["star"] if colour == "night" else INK
                middle = (first + last) / 2, SUN_TOP + 8
                write(axes, *middle, words, **MIDDLE, fontsize=SMALL_PX, color=ink)


def _runs(hours_of: np.ndarray, inside: np.ndarray) -> list[tuple[float, float]]:
    """Stretches of hours where ``inside`` holds, each up to the next sample, so that none leaves a gap."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], inside, [False]]).astype(int))).reshape(-1, 2)
    last = len(hours_of) - 1
    return [(float(hours_of[a]), float(hours_of[min(b, last)])) for a, b in edges]


def _moon(axes: Axes, sky: Twilight) -> None:
    """The strip of the Moon: a bar while it is up, with its light and its rising or setting."""
    write_left(axes, MOON_TOP + 6, "Moon", va="center", color=SOFT)
    axes.hlines(MOON_TOP + 6, *sky.span_h, color=HAIR, linewidth=0.8, zorder=0.5)
    start, end = sky.span_h
    pixel_h = per_pixel_h(sky)
    lit = f"{100 * float(np.mean(sky.bodies.moon_illumination)):.0f} % lit"
    found = _runs(sky.hours, sky.bodies.moon_altitude_deg > 0.0)
    for first, last in found:
        axes.add_patch(Rectangle((first, MOON_TOP + 3), last - first, 6, color=MOON, lw=0))
        rises = [f"rises {_hm(first)}"] if first > start else []
        sets = [f"sets {_hm(last)}"] if last < end else []
        words = ", ".join([lit, *rises, *sets])
        place: dict[str, Any] = {"x": last + 6 * pixel_h, "ha": "left"}
        if (end - last) / pixel_h < MOON_WORDS:
            place = {"x": first - 6 * pixel_h, "ha": "right"}
            if (first - start) / pixel_h < MOON_WORDS:
                ground = {"facecolor": PAPER, "edgecolor": "none", "pad": 1.5}
                place = {"x": (first + last) / 2, "ha": "center", "bbox": ground}
        write(axes, place.pop("x"), MOON_TOP + 6, words, va="center", **SMALL, **place)
    if not found:
        words = f"below the horizon all night ({lit})"
        write(
            axes,
            (start + end) / 2,
            MOON_TOP + 6,
            words,
            **MIDDLE,
            **SMALL,
            bbox={"facecolor": PAPER, "edgecolor": "none", "pad": 1.5},
        )


def _hm(hour: float) -> str:
    minutes = round(hour * 60.0)
    return f"{minutes // 60 % 24:02d}:{minutes % 60:02d}"


def _threads(axes: Axes, limits: NightLimits, tracks: Sequence[VisitTrack], rows: Rows) -> None:
    """One thin line for each telescope, with its name and station."""
    write_left(axes, rows.ribbon, "steps", va="center", color=SOFT)
    threads = [[(x, rows.thread(telescope)) for x in axes.get_xlim()] for telescope in rows.threads]
    together(axes, threads, color=HAIR, linewidth=0.8)
    for telescope in rows.threads:
        y = rows.thread(telescope)
        name = clean(limits.placement.telescopes[telescope], 16)
        used = any(telescope in track.telescopes for track in tracks)
        write_left(
            axes, y, name, va="center", fontsize=min(10.0, rows.thread_px - 3), color=INK if used else SOFT
        )


def _pauses(axes: Axes, rows: Rows) -> None:
    """What is taken from the array or from single telescopes, and its names below the threads."""
    if not rows.pauses:
        return
    write_left(axes, rows.pause_top + PAUSE_ROW / 2.0, "not for stars", va="center", color=SOFT)
    top, half = rows.ribbon - RIBBON / 2.0 - 3.0, rows.thread_px / 2.0
    for pause in rows.pauses:
        if pause.whole:
            hatched(axes, pause.span_h, (top, rows.pause_top), False)
        for telescope in pause.telescopes:
            if telescope in rows.threads:
                y = rows.thread(telescope)
                hatched(axes, pause.span_h, (y - half + 1.0, y + half - 1.0), True)
    paint_names(axes, rows.pauses, rows.pause_top)


def _spare(axes: Axes, sky: Twilight, tracks: Sequence[VisitTrack], rows: Rows) -> None:
    """Say how long the long empty stretches are."""
    taken = [(t.steps[0].setup_h, t.end_h) for t in tracks]
    taken += [pause.span_h for pause in rows.pauses if pause.whole]
    pixel_h = per_pixel_h(sky)
    for first, last in _free(sky.dark_h, taken):
        wide, minutes = (last - first) / pixel_h, round((last - first) * 60)
        if wide > 34:
            words = f"spare {minutes} min" if wide > 80 else f"{minutes} min"
            write(axes, (first + last) / 2, rows.ribbon, words, **MIDDLE, **SMALL, style="italic")


def _free(whole: tuple[float, float], taken: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
    """What is left of a stretch between others, in order."""
    found, at = [], whole[0]
    for first, last in sorted(taken):
        found.append((at, min(first, whole[1])))
        at = max(at, last)
    return [(first, last) for first, last in [*found, (at, whole[1])] if last > first]


def _visit(axes: Axes, track: VisitTrack, level: int, rows: Rows, picture: Picture) -> None:
    gid = picture.visit_id(track.key)
    pixel_h = (axes.get_xlim()[1] - axes.get_xlim()[0]) / PLOT
    start, top = track.drawn_from_h, rows.ribbon - RIBBON / 2.0 - 3.0
    axes.add_patch(
        Rectangle((start, top), track.end_h - start, rows.bottom - top, color=PANEL, lw=0, gid=gid)
    )
    middle = rows.flag(level) + FLAG / 2.0
    # The flag hides the poles that pass behind it.
    cloth = (start + 1.5 * pixel_h, middle - 6.0), (len(_flag(track)) * CHARACTER) * pixel_h, 12.0
    axes.add_patch(Rectangle(*cloth, color=PAPER, lw=0, gid=gid))
    write(axes, start + 4 * pixel_h, middle, track.key, va="center", weight="bold", gid=gid)
    name = clean(track.visit.target, NAME_MAX)
    write(axes, start + 28 * pixel_h, middle, name, va="center", gid=gid)
    thread = min(rows.thread_px - 2.0, 10.0)
    places = [(rows.ribbon, RIBBON), *((rows.thread(telescope), thread) for telescope in track.telescopes)]
    for keys in dict.fromkeys(keys for _, keys in track.drawn):
        own = [step for step, belongs in track.drawn if belongs == keys]
        times = [(step.setup_h, step.start_h, step.end_h, step.science) for step in own]
        paint_steps(axes, times, places, picture.visit_id(*keys))
        for step in own:
            notch(axes, step, (rows.ribbon, RIBBON / 2.0), gid)


def _legend(axes: Axes, rows: Rows, lines: Sequence[Sequence[tuple[str, Any]]], sky: Twilight) -> None:
    """What the marks mean, in lines below the hours; the first begins with the steps."""
    y, x, pixel_h = rows.bottom + 36.0, sky.span_h[0], per_pixel_h(sky)
    for words, science, full in STEP_KEYS:
        paint_steps(axes, [(x, x, x + 16 * pixel_h, science)], [(y, full)], None)
        write(axes, x + 22 * pixel_h, y, words, va="center", **SMALL)
        x += _step_key_px(words) * pixel_h
    for number, entries in enumerate(lines):
        left = sky.span_h[0] if number else x
        legend(axes, (left, y + LEGEND_LINE * number), pixel_h, entries)


def _step_key_px(words: str) -> float:
    """Room for the mark of a step with its words, and the gap behind them."""
    return 44.0 + len(words) * 5.0


def _legend_lines(rows: Rows, tracks: Sequence[VisitTrack]) -> list[list[tuple[str, Any]]]:
    """The rest of the legend, in lines that are as wide as the picture."""
    setup = "set-up (slews, carriages, acquisition, fringe search)"
    entries: list[tuple[str, Any]] = [
        (setup, {"color": SOFT, "linewidth": 1.6}),
        ("time of a visit", {"patch": {"facecolor": PANEL, "edgecolor": "none"}}),
        ("white between: spare", None),
    ]
    if rows.pauses:
        entries.append(("hatched: not for stars", None))
    if any(track.science.swap for track in tracks):
        entries.append(("notch: two stars change places", None))
    return legend_rows(entries, PLOT, sum(_step_key_px(words) for words, _, _ in STEP_KEYS))
