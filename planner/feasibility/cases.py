"""When each limit holds on all settings of a subarray at once: what a set of limits excludes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from planner.feasibility.columns import ChainKey
from planner.feasibility.spans import Spans, longest_s, meet_all
from planner.feasibility.subarrays import Followed, in_order


@dataclass(frozen=True)
class OnSettings:
    """When one limit holds on the settings of a subarray.

    Attributes
    ----------
    spans : list of spans or None
        Each different one once, in the order of the settings; None where a setting does not ask it.
    number : list of int
        Index in ``spans`` of each setting; of a limit that is the same for all settings, a single 0.
    """

    spans: list[Spans | None]
    number: list[int]


@dataclass(frozen=True)
class Case:
    """A subarray with when each limit holds on its settings, {limit: OnSettings} in the order of telling."""

    telescopes: tuple[int, ...]
    limits: dict[str, OnSettings]


def cases_of(followed: Followed) -> list[Case]:
    """Return every subarray with when each limit holds on those of its settings that differ."""
    return [_case(followed, telescopes) for telescopes in followed.ways]


def _case(followed: Followed, telescopes: tuple[int, ...]) -> Case:
    ways, held = followed.ways[telescopes], followed.held
    rows = ways.rows[followed.distinct_places(telescopes)]
    columns = [held.columns.get(key, []) for key in ways.keys]
    shared = [c for own in (None, *telescopes) for c in held.columns.get(own, ())]
    last = held.columns.get(ChainKey(telescopes), [])
    # Settings that ask the same limits of the light path name the same limits: one of each is looked at.
    kinds: dict[tuple[str, ...], int] = {}
    kind = [kinds.setdefault(tuple(c.limit for c in each), len(kinds)) for each in columns]
    first, _ = grouped(np.array([*kind, len(kinds)])[rows])
    names: dict[str, None] = {}
    for row in rows[first].tolist():
        inner = [c for key in row if key < len(columns) for c in columns[key]]
        names.update(dict.fromkeys(in_order(c.limit for c in (*shared, *inner, *last))))
    found: dict[str, OnSettings] = {}
    for limit in names:
        fixed = [held.spans[c] for c in (*shared, *last) if c.limit == limit]
        asking = [[held.spans[c] for c in each if c.limit == limit] for each in columns]
        wanted = np.array([*map(bool, asking), False])[rows]
        first, number = grouped(np.where(wanted, rows, len(columns)))
        spans: list[Spans | None] = []
        for place in first.tolist():
            parts = [*fixed, *(s for key in rows[place][wanted[place]].tolist() for s in asking[key])]
            spans.append(meet_all(parts, held.length_s) if parts else None)
        found[limit] = OnSettings(spans, number.tolist() if len(spans) > 1 else [0])
    return Case(telescopes, found)


def grouped(rows: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return where each different row stands first, in this order, and which of them each row equals.

    Parameters
    ----------
    rows : ndarray of int (row, part)
        The order of the parts of a row does not matter.

    Returns
    -------
    ndarray of int (group,)
    ndarray of int (row,)

    Examples
    --------
    >>> first, number = grouped(np.array([[2, 1], [0, 1], [1, 2]]))
    >>> first.tolist(), number.tolist()
    ([0, 1], [0, 1, 0])
    """
    _, first, which = np.unique(np.sort(rows, axis=1), axis=0, return_index=True, return_inverse=True)
    order = np.argsort(first)
    number = np.empty_like(order)
    number[order] = np.arange(len(order))
    return first[order], number[which.reshape(-1)]


def excludes(cases: Sequence[Case], names: Sequence[str], length_s: float, needed_s: float) -> bool:
    """Whether these limits leave no subarray on any setting as long as it needs.

    Parameters
    ----------
    cases : sequence of Case
    names : sequence of str
        Limits; all others are waived.
    length_s, needed_s : float
        From dusk to dawn, and what is to fit.
    """
    for case in cases:
        mine = [case.limits[name] for name in names if name in case.limits]
        fixed = [limit.spans[0] for limit in mine if len(limit.spans) == 1]
        left = meet_all((spans for spans in fixed if spans is not None), length_s)
        if longest_s(left) < needed_s:
            continue
        varying = [limit for limit in mine if len(limit.spans) > 1]
        for row in set(zip(*(limit.number for limit in varying), strict=True)) or {()}:
            chosen = [limit.spans[k] for limit, k in zip(varying, row, strict=True)]
            met = meet_all((left, *(spans for spans in chosen if spans is not None)), length_s)
            if longest_s(met) >= needed_s:
                return False
    return True
