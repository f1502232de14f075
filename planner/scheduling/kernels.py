"""Paths through the candidates of a night, in whole numbers: the loops that have to be fast.

A plan is a path: visits in the order of time, each of which may follow the one
before. Candidates are nodes, sorted by their start slot; candidate d may follow
c when it starts at ``free[c]`` or later and is not among ``late[c]``, all of
which start before ``full[c]``. Whatever starts at ``full[c]`` or later may
follow, so only a window of each candidate is looked at pair by pair. It may
also follow the candidates ``given[given_from[d]:given_from[d + 1]]``, whose
last calibrator it shares.

Compiled by numba at first use; everything is int64 or uint64, so that the same
problem gives the same numbers on any machine.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar

import numpy as np
from numba import njit

F = TypeVar("F", bound=Callable[..., Any])
NOTHING = -(1 << 44)  # a thousand times as much is still a whole number of 64 bits


def compiled(function: F) -> F:
    """Compile a function, and keep the machine code where there is a place for it."""
    try:
        fast: F = njit(cache=True)(function)
    except RuntimeError:  # no folder for the machine code can be written to
        fast = njit(function)
    return fast


@compiled
def onward(  # type: ignore[no-untyped-def]
    free, full, first, late_from, late, given_from, given, worth
):
    """Return the dearest path that may follow each candidate, and the dearest of all with its candidates."""
    count, slots = len(free), len(first) - 1
    after = np.zeros(count, dtype=np.int64)
    follower = np.full(count, -1, dtype=np.int64)
    best = np.zeros(slots + 1, dtype=np.int64)
    begins = np.full(slots + 1, -1, dtype=np.int64)
    for slot in range(slots - 1, -1, -1):
        best[slot], begins[slot] = best[slot + 1], begins[slot + 1]
        for c in range(first[slot], first[slot + 1]):
            # What it may hand its calibrator to starts later, so that is known by now.
            dearest, follows = after[c], follower[c]
            if best[full[c]] > dearest:
                dearest, follows = best[full[c]], begins[full[c]]
            q = late_from[c]
            for d in range(first[free[c]], first[full[c]]):
                while q < late_from[c + 1] and late[q] < d:
                    q += 1
                if q < late_from[c + 1] and late[q] == d:
                    continue
                if worth[d] + after[d] > dearest:
                    dearest, follows = worth[d] + after[d], d
            after[c], follower[c] = dearest, follows
            whole = worth[c] + dearest
            if whole > best[slot]:
                best[slot], begins[slot] = whole, c
            for q in range(given_from[c], given_from[c + 1]):
                if whole > after[given[q]]:
                    after[given[q]], follower[given[q]] = whole, c
    length, k = 0, begins[0]
    while k >= 0:
        length, k = length + 1, follower[k]
    path = np.empty(length, dtype=np.int64)
    length, k = 0, begins[0]
    while k >= 0:
        path[length] = k
        length, k = length + 1, follower[k]
    return after, best[0], path


@compiled
def until(  # type: ignore[no-untyped-def]
    free, full, first, late_from, late, given_from, given, worth
):
    """Return the dearest path that ends with each candidate, the candidate included."""
    count, slots = len(free), len(first) - 1
    found = np.zeros(count, dtype=np.int64)
    before = np.zeros(count, dtype=np.int64)
    done = np.zeros(slots + 1, dtype=np.int64)
    for slot in range(slots):
        if slot and done[slot - 1] > done[slot]:
            done[slot] = done[slot - 1]
        for c in range(first[slot], first[slot + 1]):
            for q in range(given_from[c], given_from[c + 1]):
                if found[given[q]] > before[c]:
                    before[c] = found[given[q]]
            found[c] = worth[c] + max(before[c], done[slot])
            if found[c] > done[full[c]]:
                done[full[c]] = found[c]
            q = late_from[c]
            for d in range(first[free[c]], first[full[c]]):
                while q < late_from[c + 1] and late[q] < d:
                    q += 1
                if q < late_from[c + 1] and late[q] == d:
                    continue
                if found[c] > before[d]:
                    before[d] = found[c]
    return found


@compiled
def _kept(memory, value, parent, offset, count, room, m0, m1, v, p, drop):  # type: ignore[no-untyped-def]
    """Put a label among those of one place if none is as good with less memory; return how many there are.

    Without room the worst label makes room (``drop``), or takes over the value
    and forgets what the two do not both remember, which keeps a bound a bound.
    """
    k = 0
    while k < count:
        a0, a1, at = memory[offset + k, 0], memory[offset + k, 1], value[offset + k]
        if at >= v and (a0 & m0) == a0 and (a1 & m1) == a1:
            return count
        if v >= at and (a0 & m0) == m0 and (a1 & m1) == m1:
            count -= 1
            memory[offset + k, 0] = memory[offset + count, 0]
            memory[offset + k, 1] = memory[offset + count, 1]
            value[offset + k] = value[offset + count]
            parent[offset + k] = parent[offset + count]
        else:
            k += 1
    if count < room:
        k = offset + count
        memory[k, 0], memory[k, 1], value[k], parent[k] = m0, m1, v, p
        return count + 1
    worst = offset
    for k in range(offset, offset + count):
        if value[k] < value[worst]:
            worst = k
    if drop:
        if v > value[worst]:
            memory[worst, 0], memory[worst, 1], value[worst], parent[worst] = m0, m1, v, p
        return count
    memory[worst, 0] &= m0
    memory[worst, 1] &= m1
    if v > value[worst]:
        value[worst], parent[worst] = v, p
    return count


@compiled
def _gain(k, d, room, parent, request, worth, again, cells):  # type: ignore[no-untyped-def]
    """Return what a visit adds after the earlier ones of its request on a label's path, exactly.

    ``NOTHING`` where one of them is too short ago. ``cells`` holds where the
    cells of each candidate begin, the cells (sorted), the values of each cell at
    its first, second, ... filling, the candidates' starts and when each may be
    followed by another visit of its request.
    """
    cell_from, cell, level, start, ready = cells
    alone, found, r = np.int64(0), np.int64(0), request[d]
    for q in range(cell_from[d], cell_from[d + 1]):
        times, p = 0, k
        while p >= 0:
            e = p // room
            p = parent[p]
            if request[e] != r:
                continue
            if start[d] < ready[e]:
                return NOTHING
            low, high = cell_from[e], cell_from[e + 1]
            while low < high:
                middle = (low + high) // 2
                if cell[middle] < cell[q]:
                    low = middle + 1
                else:
                    high = middle
            if low < cell_from[e + 1] and cell[low] == cell[q]:
                times += 1
        alone += level[cell[q], 0]
        if times < level.shape[1]:
            found += level[cell[q], times]
    # A goal may limit the value of a visit; what is left of it cannot be worth more.
    return min(worth[d] - alone + found, worth[d], again[d])


@compiled
def _joined(  # type: ignore[no-untyped-def]
    d,
    low,
    high,
    labels_from,
    waits,
    have,
    enough,
    labels_to,
    room,
    worth,
    again,
    request,
    memory,
    drop,
    cells,
):
    """Lengthen some labels by a visit; return how many labels the visit has then, and the work done."""
    known_from, value_from, parent_from = labels_from
    known, value, parent = labels_to
    unit, mask, kept, limited = memory
    one = np.uint64(1)
    r, steps = request[d], high - low
    for k in range(low, high):
        m0, m1 = known_from[k, 0], known_from[k, 1]
        had0, had1 = m0 & mask[r, 0], m1 & mask[r, 1]
        v = value_from[k]
        p = parent_from[k] if waits else k
        if (had0 | had1) == 0:
            v += worth[d]
        elif (limited[r] and had0 == mask[r, 0] and had1 == mask[r, 1]) or v + again[d] < enough:
            continue
        elif drop:
            v += _gain(p, d, room, parent, request, worth, again, cells)
        else:
            v += again[d]
        if v < enough:
            continue
        steps += have
        have = _kept(
            known, value, parent, d * room, have, room,
            (m0 & kept[r, 0]) | (((had0 << one) | had0 | unit[r, 0]) & mask[r, 0]),
            (m1 & kept[r, 1]) | (((had1 << one) | had1 | unit[r, 1]) & mask[r, 1]),
            v, p, drop,
        )  # fmt: skip
    return have, steps


@compiled
def remembered_path(  # type: ignore[no-untyped-def]
    free, full, first, late_from, late, given_from, given,
    worth, again, request, memory, after, least, reward, rooms, drop, cells,
):  # fmt: skip
    """Return the dearest path that does not come back to a request more often than it remembers.

    Parameters
    ----------
    free, full, first, late_from, late, given_from, given : ndarray
        The graph.
    worth, again : ndarray (candidate,)
        Value of a first visit of its request less the price, and at most of a further one.
    request : ndarray (candidate,)
    memory : (unit, mask, kept, limited)
        Of each request: its lowest bit, all its bits (one for each visit that is remembered), the bits that
        are kept when it is visited, each (request, 2) uint64; and whether no visit comes after the last bit.
    after : ndarray (candidate,)
        What can follow at most.
    least : int
        Paths worth less than this are not followed.
    reward : ndarray (request,)
        Added to the worth of a path for each bit of its memory, when the best path is chosen.
    rooms : (int, int)
        Labels kept for a candidate, and among those that wait.
    drop : bool
        Whether labels without room are dropped (a search) or merged (a bound). A search counts the
        cells of further visits exactly.
    cells : tuple
        See ``_gain``.

    Returns
    -------
    value : int
    path : ndarray
        Candidates.
    steps : int
        Work done.
    """
    mask = memory[1]
    room, wait_room = rooms
    count, slots = len(free), len(first) - 1
    known = np.zeros((count * room, 2), dtype=np.uint64)
    value = np.zeros(count * room, dtype=np.int64)
    parent = np.full(count * room, -1, dtype=np.int64)
    own = (known, value, parent)
    labels = np.zeros(count, dtype=np.int64)
    wait_known = np.zeros((wait_room, 2), dtype=np.uint64)
    wait_value = np.zeros(wait_room, dtype=np.int64)
    wait_parent = np.full(wait_room, -1, dtype=np.int64)
    waiting = 1
    by_full = np.argsort(full, kind="mergesort")
    joined, oldest = 0, 0
    best, last, steps = 0, -1, 0
    late_at = late_from[:-1].copy()
    one = np.uint64(1)
    for slot in range(slots):
        while joined < count and full[by_full[joined]] <= slot:
            c = by_full[joined]
            joined += 1
            for k in range(c * room, c * room + labels[c]):
                steps += waiting
                waiting = _kept(
                    wait_known, wait_value, wait_parent, 0, waiting, wait_room,
                    known[k, 0], known[k, 1], value[k], k, drop,
                )  # fmt: skip
        begin, end = first[slot], first[slot + 1]
        if begin == end:
            continue
        while oldest < begin and full[oldest] <= slot:
            oldest += 1
        for d in range(begin, end):
            labels[d], work = _joined(
                d, 0, waiting, (wait_known, wait_value, wait_parent), True, labels[d],
                least - after[d], own, room, worth, again, request, memory, drop, cells,
            )  # fmt: skip
            steps += work
            for q in range(given_from[d], given_from[d + 1]):
                c = given[q]
                labels[d], work = _joined(
                    d, c * room, c * room + labels[c], own, False, labels[d],
                    least - after[d], own, room, worth, again, request, memory, drop, cells,
                )  # fmt: skip
                steps += work
        for c in range(oldest, begin):
            if labels[c] == 0 or free[c] > slot or full[c] <= slot:
                continue
            q = late_at[c]
            for d in range(begin, end):
                while q < late_from[c + 1] and late[q] < d:
                    q += 1
                if q < late_from[c + 1] and late[q] == d:
                    continue
                labels[d], work = _joined(
                    d, c * room, c * room + labels[c], own, False, labels[d],
                    least - after[d], own, room, worth, again, request, memory, drop, cells,
                )  # fmt: skip
                steps += work
            late_at[c] = q
        for d in range(begin, end):
            for k in range(d * room, d * room + labels[d]):
                told = value[k]
                if drop:
                    for r in range(len(reward)):
                        left0, left1 = known[k, 0] & mask[r, 0], known[k, 1] & mask[r, 1]
                        while left0 != 0 or left1 != 0:
                            told += reward[r]
                            left0, left1 = left0 & (left0 - one), left1 & (left1 - one)
                if told > best:
                    best, last = told, k
    length, k = 0, last
    while k >= 0:
        length += 1
        k = parent[k]
    path = np.empty(length, dtype=np.int64)
    k = last
    while k >= 0:
        length -= 1
        path[length] = k // room
        k = parent[k]
    return best, path, steps
