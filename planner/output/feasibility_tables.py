"""Feasibility as tables: the openings of every subarray, what is blocked between them, and the season."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from astropy import units as u
from astropy.table import QTable
from astropy.time import Time, TimeDelta

from planner import __version__
from planner.feasibility.answers import Feasibility, Season, SubarrayNight, TargetNight
from planner.output.feasibility_months import asked_configuration, binds_most, season_months
from planner.output.feasibility_words import number_of_target
from planner.sky.earth import offline_earth


def targets_table(found: Feasibility) -> QTable:
    """Return what a proposal has to ask for, one row for each target that has a night.

    Returns
    -------
    QTable
        Columns ``number``, ``target``, ``night``, ``configuration``, ``combiner``, ``feasible``,
        ``visits`` (wanted), ``time`` (of these, at least, h), ``months`` (with a feasible night, joined by
        "; ", empty without a season), ``reason`` (of a no), ``remedy`` (the smallest that was
        found), ``remedy_opens`` (h; 0 for none).
    """
    nights = found.nights
    wishes = [night.scenario.requests[night.request] for night in nights]
    first = [night.remedies[0] if night.remedies else None for night in nights]
    hours = [wish.visits * night.visit_s / 3600.0 for wish, night in zip(wishes, nights, strict=True)]
    table = QTable()
    table["number"] = _texts([number_of_target(night.request) for night in nights])
    table["target"] = _texts([night.name for night in nights])
    table["night"] = _texts([night.scenario.night.date.isoformat() for night in nights])
    table["configuration"] = _texts([night.scenario.night.configuration for night in nights])
    table["combiner"] = _texts([wish.combiner for wish in wishes])
    table["feasible"] = np.array([bool(night.serving) for night in nights], dtype=bool)
    table["visits"] = np.array([wish.visits for wish in wishes], dtype=int)
    table["time"] = np.round(np.array(hours, dtype=float), 4) * u.h
    table["months"] = _texts(_feasible_months(found))
    table["reason"] = _texts([night.exclusion.sentence if night.exclusion else "" for night in nights])
    table["remedy"] = _texts([one.sentence if one else "" for one in first])
    table["remedy_opens"] = np.round([one.opens_h if one else 0.0 for one in first], 4) * u.h
    table.meta = _meta(found)
    return table


def _feasible_months(found: Feasibility) -> list[str]:
    """Months with a feasible night in the configuration asked about, for each night's target."""
    if found.season is None:
        return [""] * len(found.nights)
    months, asked = season_months(found.season), asked_configuration(found.season)
    return [
        "; ".join(
            f"{year}-{month:02d}"
            for (year, month), count in zip(own.months, own.feasible_by_month, strict=True)
            if count
        )
        for own in (months[night.request][asked] for night in found.nights)
    ]


def windows_table(found: Feasibility) -> QTable:
    """Return the openings, one row for each opening of each subarray of each target.

    Returns
    -------
    QTable
        Columns ``number``, ``target``, ``night``, ``configuration``, ``combiner``,
        ``place`` (1 for the best subarray of its target), ``subarray``, ``lines``, then
        ``segments``, ``mode`` and ``tracked`` where the array has such parts,
        ``start``, ``end`` (Time, UTC), ``duration`` (whole seconds), ``opened_by``,
        ``closed_by``, ``visit_starts`` (of the subarray in the whole night).
    """
    rows = [
        (night, place, one, opening)
        for night in found.nights
        for place, one in enumerate(night.subarrays)
        for opening in one.openings
    ]
    table = _subarray_columns([(night, place, one) for night, place, one, _ in rows])
    spans = np.array([opening.span for _, _, _, opening in rows]).reshape(-1, 2)
    nights = [night for night, _, _, _ in rows]
    table["start"], table["end"] = _times(nights, spans[:, 0]), _times(nights, spans[:, 1])
    table["duration"] = u.Quantity(np.rint(spans[:, 1] - spans[:, 0]).astype(int), u.s, dtype=int)
    table["opened_by"] = _texts([opening.opened_by for _, _, _, opening in rows])
    table["closed_by"] = _texts([opening.closed_by for _, _, _, opening in rows])
    table["visit_starts"] = np.array([len(one.visit_starts_s) for _, _, one, _ in rows], dtype=int)
    table.meta = _meta(found)
    return table


def blocked_table(found: Feasibility) -> QTable:
    """Return what is blocked, one row for each stretch in which one limit is the first to say no.

    Returns
    -------
    QTable
        The columns of :func:`windows_table` up to ``start``, then ``start``,
        ``end`` (Time, UTC), ``limit``, ``short``, ``least`` (by how much it is
        missed at worst and at best; infinite without a number), ``unit`` (of these
        two), ``worst_at``, ``since`` (Time, UTC), ``also`` (other limits, joined by "; ").
    """
    rows = [
        (night, place, one, blocked)
        for night in found.nights
        for place, one in enumerate(night.subarrays)
        for blocked in one.blocked
    ]
    table = _subarray_columns([(night, place, one) for night, place, one, _ in rows])
    nights = [night for night, _, _, _ in rows]
    stretches = [blocked for _, _, _, blocked in rows]
    table["start"] = _times(nights, np.array([blocked.span[0] for blocked in stretches], dtype=float))
    table["end"] = _times(nights, np.array([blocked.span[1] for blocked in stretches], dtype=float))
    table["limit"] = _texts([blocked.limit for blocked in stretches])
    table["short"] = np.array([blocked.short for blocked in stretches], dtype=float)
    table["least"] = np.array([blocked.least for blocked in stretches], dtype=float)
    table["unit"] = _texts([blocked.unit for blocked in stretches])
    table["worst_at"] = _times(nights, np.array([blocked.worst_s for blocked in stretches], dtype=float))
    table["since"] = _times(nights, np.array([blocked.since_s for blocked in stretches], dtype=float))
    table["also"] = _texts(["; ".join(blocked.also) for blocked in stretches])
    table.meta = _meta(found)
    return table


def season_table(season: Season) -> QTable:
    """Return the season, one row for each configuration, target and night.

    Returns
    -------
    QTable
        Columns ``configuration``, ``number``, ``target``, ``night`` (local date of
        the evening), ``usable`` (h), ``feasible``, ``closed_by`` (the limit that closes most
        of the dark hours, empty for none).
    """
    usable, feasible, closed_by = season.usable_h(), season.feasible(), binds_most(season)
    shape = usable.shape
    configuration, target, night = (index.ravel() for index in np.indices(shape))
    names = [season.scenario.requests[request].name for request in season.requests]
    table = QTable()
    table["configuration"] = _texts(season.configurations)[configuration]
    table["number"] = _texts([number_of_target(request) for request in season.requests])[target]
    table["target"] = _texts(names)[target]
    table["night"] = _texts([date.isoformat() for date in season.nights])[night]
    table["usable"] = usable.ravel() * u.h
    table["feasible"] = feasible.ravel()
    table["closed_by"] = closed_by.ravel()
    table.meta = {"scenario": season.scenario.name, "step_s": season.step_s, "planner_version": __version__}
    return table


def _subarray_columns(rows: Sequence[tuple[TargetNight, int, SubarrayNight]]) -> QTable:
    table = QTable()
    settings = [night.scenario.night for night, _, _ in rows]
    table["number"] = _texts([number_of_target(night.request) for night, _, _ in rows])
    table["target"] = _texts([night.name for night, _, _ in rows])
    table["night"] = _texts([own.date.isoformat() for own in settings])
    table["configuration"] = _texts([own.configuration for own in settings])
    table["combiner"] = _texts([one.subarray.combiner for _, _, one in rows])
    table["place"] = np.array([place + 1 for _, place, _ in rows], dtype=int)
    table["subarray"] = _texts(["-".join(one.telescopes) for _, _, one in rows])
    table["lines"] = _texts(["-".join(one.lines) for _, _, one in rows])
    light = {
        "segments": ["-".join(one.segments) for _, _, one in rows],
        "mode": [one.mode or "" for _, _, one in rows],
        "tracked": ["-".join(one.tracked) for _, _, one in rows],
    }
    for key, values in light.items():
        if any(values):
            table[key] = _texts(values)
    return table


def _times(nights: Sequence[TargetNight], seconds: np.ndarray) -> Time:
    """Return moments from seconds after the dusk of each row's night."""
    with offline_earth():
        if not nights:
            return Time([], format="mjd", scale="utc")
        dusks = Time([night.curve.dark.start.utc for night in nights])
        found = dusks + TimeDelta(seconds, format="sec")
        return Time(found, format="isot", scale="utc", precision=3)


def _texts(values: Sequence[str]) -> np.ndarray:
    return np.array(values, dtype=str) if len(values) else np.array([], dtype="U1")


def _meta(found: Feasibility) -> dict[str, str]:
    return {"scenario": found.scenario.name, "planner_version": __version__}
