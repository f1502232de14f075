"""Paths through the candidates of a night, in whole numbers: the loops that have to be fast.

A plan is a path: visits in the order of time, each of which may follow the one
before. Candidates are nodes, sorted by their start slot; candidate d may follow
c when it starts at ``free[c]`` or later and is not among ``late[c]``, all of
which start before ``full[c]``. Whatever starts at ``full[c]`` or later may
follow, so only a window of each candidate is looked at pair by pair.

Compiled by numba at first use; everything is int64 or uint64, so that the same
problem gives the same numbers on any machine.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar

import numpy as np
from numba import njit

F = TypeVar("F", bound=Callable[..., Any])
NOTHING = -(1 << 60)


def compiled(function: F) -> F:
    """Compile a function, and keep the machine code where there is a place for it."""
    try:
        fast: F = njit(cache=True)(function)
    except RuntimeError:  # no folder for the machine code can be written to
        fast = njit(function)
    return fast


@compiled
def onward(  # type: ignore[no-untyped-def]
    free, full, first, late_from, late, worth
):
    """Return the dearest path that may follow each candidate, and the dearest from each slot on."""
    slots = len(first) - 1
    after = np.zeros(len(free), dtype=np.int64)
    best = np.zeros(slots + 1, dtype=np.int64)
    for slot in range(slots - 1, -1, -1):
        best[slot] = best[slot + 1]
        for c in range(first[slot], first[slot + 1]):
            dearest = best[full[c]]
            q = late_from[c]
            for d in range(first[free[c]], first[full[c]]):
                while q < late_from[c + 1] and late[q] < d:
                    q += 1
                if q < late_from[c + 1] and late[q] == d:
                    continue
                if worth[d] + after[d] > dearest:
                    dearest = worth[d] + after[d]
            after[c] = dearest
            if worth[c] + dearest > best[slot]:
                best[slot] = worth[c] + dearest
    return after, best


@compiled
def until(  # type: ignore[no-untyped-def]
    free, full, first, late_from, late, worth
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
def remembered_path(  # type: ignore[no-untyped-def]
    free, full, first, late_from, late, worth, request, bit, memory_of, after, least, reward, rooms, drop
):
    """Return the dearest path that does not come back to a request while it remembers it.

    Parameters
    ----------
    free, full, first, late_from, late : ndarray
        The graph.
    worth : ndarray (candidate,)
        Value less the price of its request.
    request : ndarray (candidate,)
    bit, memory_of : ndarray of uint64 (request, 2)
        A request's own bit (0: it may come again), and the bits that are kept when it is visited.
    after : ndarray (candidate,)
        What can follow at most.
    least : int
        Paths worth less than this are not followed.
    reward : ndarray (request,)
        Added to the worth of a path for each bit of its memory, when the best path is chosen.
    rooms : (int, int)
        Labels kept for a candidate, and among those that wait.
    drop : bool
        Whether labels without room are dropped (a search) or merged (a bound).

    Returns
    -------
    value : int
    path : ndarray
        Candidates.
    steps : int
        Work done.
    """
    room, wait_room = rooms
    count, slots = len(free), len(first) - 1
    memory = np.zeros((count * room, 2), dtype=np.uint64)
    value = np.zeros(count * room, dtype=np.int64)
    parent = np.full(count * room, -1, dtype=np.int64)
    labels = np.zeros(count, dtype=np.int64)
    wait_memory = np.zeros((wait_room, 2), dtype=np.uint64)
    wait_value = np.zeros(wait_room, dtype=np.int64)
    wait_parent = np.full(wait_room, -1, dtype=np.int64)
    waiting = 1
    by_full = np.argsort(full, kind="mergesort")
    joined, oldest = 0, 0
    best, last, steps = 0, -1, 0
    late_at = late_from[:-1].copy()
    for slot in range(slots):
        while joined < count and full[by_full[joined]] <= slot:
            c = by_full[joined]
            joined += 1
            for k in range(c * room, c * room + labels[c]):
                steps += waiting
                waiting = _kept(
                    wait_memory, wait_value, wait_parent, 0, waiting, wait_room,
                    memory[k, 0], memory[k, 1], value[k], k, drop,
                )  # fmt: skip
        begin, end = first[slot], first[slot + 1]
        if begin == end:
            continue
        while oldest < begin and full[oldest] <= slot:
            oldest += 1
        for d in range(begin, end):
            r = request[d]
            own0, own1, keep0, keep1 = bit[r, 0], bit[r, 1], memory_of[r, 0], memory_of[r, 1]
            enough = least - after[d]
            have = 0
            for k in range(waiting):
                v = wait_value[k] + worth[d]
                if v < enough or (wait_memory[k, 0] & own0) != 0 or (wait_memory[k, 1] & own1) != 0:
                    continue
                steps += have
                have = _kept(
                    memory, value, parent, d * room, have, room,
                    (wait_memory[k, 0] & keep0) | own0, (wait_memory[k, 1] & keep1) | own1,
                    v, wait_parent[k], drop,
                )  # fmt: skip
            labels[d] = have
            steps += waiting
        for c in range(oldest, begin):
            if labels[c] == 0 or free[c] > slot or full[c] <= slot:
                continue
            q = late_at[c]
            for d in range(begin, end):
                while q < late_from[c + 1] and late[q] < d:
                    q += 1
                if q < late_from[c + 1] and late[q] == d:
                    continue
                r = request[d]
                own0, own1 = bit[r, 0], bit[r, 1]
                enough = least - after[d]
                steps += labels[c]
                for k in range(c * room, c * room + labels[c]):
                    v = value[k] + worth[d]
                    if v < enough or (memory[k, 0] & own0) != 0 or (memory[k, 1] & own1) != 0:
                        continue
                    steps += labels[d]
                    labels[d] = _kept(
                        memory, value, parent, d * room, labels[d], room,
                        (memory[k, 0] & memory_of[r, 0]) | own0, (memory[k, 1] & memory_of[r, 1]) | own1,
                        v, k, drop,
                    )  # fmt: skip
            late_at[c] = q
        for d in range(begin, end):
            for k in range(d * room, d * room + labels[d]):
                told = value[k]
                if drop:
                    for r in range(len(reward)):
                        if (memory[k, 0] & bit[r, 0]) != 0 or (memory[k, 1] & bit[r, 1]) != 0:
                            told += reward[r]
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
