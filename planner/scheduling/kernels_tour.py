"""The loops over tours through given visits, compiled.

Candidates stand in the order of their start. Each serves one task; a tour
serves every task once. Sets of tasks are the bits of an unsigned number, so
there are at most 63 tasks. Costs are whole numbers.
"""

from __future__ import annotations

import numpy as np

from planner.scheduling.kernels import compiled

FAR = 1 << 60


@compiled
def counts_possible(arc, task, tasks):  # type: ignore[no-untyped-def]
    """Return, as bits, how many tasks can come before each candidate, and how many after it, (candidate,)."""
    count = len(task)
    before = np.zeros(count, dtype=np.uint64)
    after = np.zeros(count, dtype=np.uint64)
    one = np.uint64(1)
    for c in range(count):
        before[c] |= one
        for d in range(c + 1, count):
            if arc[c, d] >= 0:
                before[d] |= before[c] << one
    for c in range(count - 1, -1, -1):
        after[c] |= one
        for d in range(c + 1, count):
            if arc[c, d] >= 0:
                after[c] |= after[d] << one
    every = (one << np.uint64(tasks)) - one
    for c in range(count):
        before[c] &= every
        after[c] &= every
    return before, after


@compiled
def onward_cost(arc, own, after, tasks):  # type: ignore[no-untyped-def]
    """Return the least cost to go on from each candidate with a number of further visits.

    Tasks may come again, so this is at most what the rest of a tour costs.

    Parameters
    ----------
    arc : ndarray (candidate, candidate)
        -1 where the second cannot follow the first.
    own : ndarray (candidate,)
        Cost of each candidate itself, not counted for the one that is left.
    after : ndarray of uint64 (candidate,)
        How many visits can follow, as bits.
    tasks : int

    Returns
    -------
    ndarray (candidate, tasks)
    """
    count = len(own)
    left = np.full((count, tasks), FAR, dtype=np.int64)
    one = np.uint64(1)
    for c in range(count - 1, -1, -1):
        left[c, 0] = 0
        for d in range(c + 1, count):
            if arc[c, d] < 0:
                continue
            step = arc[c, d] + own[d]
            bits = after[d]
            k = 1
            while bits != 0 and k < tasks:
                if bits & one and left[d, k - 1] < FAR:
                    cost = step + left[d, k - 1]
                    if cost < left[c, k]:
                        left[c, k] = cost
                bits >>= one
                k += 1
    return left


@compiled
def toward_cost(arc, own, before, tasks):  # type: ignore[no-untyped-def]
    """Return the least cost of reaching each candidate after a number of visits, itself included."""
    count = len(own)
    done = np.full((count, tasks), FAR, dtype=np.int64)
    one = np.uint64(1)
    for d in range(count):
        done[d, 0] = own[d]
    for c in range(count):
        for d in range(c + 1, count):
            if arc[c, d] < 0:
                continue
            step = arc[c, d] + own[d]
            bits = before[c]
            k = 1
            while bits != 0 and k < tasks:
                if bits & one and done[c, k - 1] < FAR:
                    cost = step + done[c, k - 1]
                    if cost < done[d, k]:
                        done[d, k] = cost
                bits >>= one
                k += 1
    return done


@compiled
def walk_of(arc, own, left, tasks):  # type: ignore[no-untyped-def]
    """Return the candidates of a cheapest walk of as many visits as there are tasks, if there is one."""
    count = len(own)
    best, at = FAR, -1
    for c in range(count):
        if left[c, tasks - 1] < FAR and own[c] + left[c, tasks - 1] < best:
            best, at = own[c] + left[c, tasks - 1], c
    if at < 0:
        return np.empty(0, dtype=np.int64)
    walk = np.empty(tasks, dtype=np.int64)
    walk[0] = at
    for place in range(1, tasks):
        k = tasks - place
        for d in range(at + 1, count):
            if arc[at, d] < 0 or left[d, k - 1] >= FAR:
                continue
            if arc[at, d] + own[d] + left[d, k - 1] == left[at, k]:
                at = d
                break
        walk[place] = at
    return walk


@compiled
def moved(  # type: ignore[no-untyped-def]
    line_from, line_to, angle_from, angle_to, line_weight, angle_weight, mask, free
):
    """Return what some devices move from one position to another, weighted.

    Parameters
    ----------
    line_from, line_to : ndarray (line,)
    angle_from, angle_to : ndarray (2,)
        Azimuth and altitude, the same for all mounts.
    line_weight : ndarray (line,)
    angle_weight : ndarray (telescope, 2)
    mask : uint64
        Lines, then telescopes, as bits.
    free : bool
        Whether all carriages may be shifted together at no cost, by the common offset.
    """
    one = np.uint64(1)
    lines = len(line_weight)
    total = 0
    turned, tilted = abs(angle_to[0] - angle_from[0]), abs(angle_to[1] - angle_from[1])
    for telescope in range(len(angle_weight)):
        if (mask >> np.uint64(lines + telescope)) & one:
            total += turned * angle_weight[telescope, 0] + tilted * angle_weight[telescope, 1]
    if not free:
        for line in range(lines):
            if (mask >> np.uint64(line)) & one:
                total += abs(line_to[line] - line_from[line]) * line_weight[line]
        return total
    least = -1
    for held in range(lines):
        if not (mask >> np.uint64(held)) & one:
            continue
        shift = line_from[held] - line_to[held]
        here = 0
        for line in range(lines):
            if (mask >> np.uint64(line)) & one:
                here += abs(line_to[line] + shift - line_from[line]) * line_weight[line]
        if least < 0 or here < least:
            least = here
    return total + max(least, 0)


@compiled
def arcs_of(follows, devices, free):  # type: ignore[no-untyped-def]
    """Return what devices that two visits share move between them, (candidate, candidate); -1: no arc."""
    used, line, angle, line_weight, angle_weight = devices
    count = len(used)
    arc = np.full((count, count), -1, dtype=np.int64)
    for a in range(count):
        for b in range(count):
            if follows[a, b]:
                arc[a, b] = moved(
                    line[a, 1], line[b, 0], angle[a, 1], angle[b, 0],
                    line_weight, angle_weight, used[a] & used[b], free,
                )  # fmt: skip
    return arc


@compiled
def _mixed(a, b, c):  # type: ignore[no-untyped-def]
    """Return one number made of three, spread over all bits."""
    h = (
        a * np.uint64(0x9E3779B97F4A7C15)
        + b * np.uint64(0xC2B2AE3D27D4EB4F)
        + c * np.uint64(0x165667B19E3779F9)
    )
    h ^= h >> np.uint64(29)
    h *= np.uint64(0xBF58476D1CE4E5B9)
    h ^= h >> np.uint64(32)
    return h


@compiled
def cheapest_tour(  # type: ignore[no-untyped-def]
    graph, own, penalty, left, devices, below, room, most, steps_max
):
    """Return the cheapest tour that costs less than ``below``, by labels.

    A label is a candidate, the tasks served, and where the devices that the
    candidate does not use were left; of labels that agree in all three, only a
    cheapest is kept. A label that cannot end below ``below`` is dropped, and so
    is one after which a task that is not served has no candidate any more.

    Parameters
    ----------
    graph : (into, follows, task, need, start, reach)
        Cost of each arc, (second, first), -1 for none; which candidate may come after which, neighbours or
        not; task of each candidate; tasks that must come before each task, as bits; start of each candidate;
        no set-up reaches farther than ``reach``.
    own : ndarray (candidate,)
        Cost of each candidate.
    penalty : ndarray (task,)
        Taken off the cost of each task in ``left``.
    left : ndarray (candidate, tasks)
        From :func:`onward_cost`, with the penalties taken off.
    devices : tuple
        Which each candidate uses (bits), positions of lines (candidate, 2, line) and angles (candidate, 2, 2)
        at its start and end, weights of lines and of telescopes, and whether offsets are free.
    below : int
    room : int
        Labels kept for a candidate, the most promising; 0 keeps all.
    most, steps_max : int
        Labels, and steps of work, after which the search gives up.

    Returns
    -------
    cost : int
        ``below`` when there is none.
    tour : ndarray
    whole : bool
        Whether nothing was left out: then no tour costs less than ``cost``.
    """
    into, follows, task, need, start, reach = graph
    used = devices[0]
    count, tasks = len(task), len(need)
    one, nothing = np.uint64(1), np.uint64(0)
    every = (one << np.uint64(tasks)) - one
    owed = penalty.sum()
    known = nothing
    for c in range(count):
        known |= used[c]
    still = tasks_after(follows, task)
    size = 1024
    while size < 2 * most:
        size *= 2
    table = np.full(size, -1, dtype=np.int64)
    served, stale = np.empty(most, dtype=np.uint64), np.empty(most, dtype=np.uint64)
    cost, parent = np.empty(most, dtype=np.int64), np.empty(most, dtype=np.int64)
    at = np.empty(most, dtype=np.int64)
    first = np.zeros(count + 1, dtype=np.int64)
    labels, entries, steps = 0, 0, 0
    whole = True
    best, tour = below, np.empty(0, dtype=np.int64)
    for d in range(count):
        first[d] = labels
        bit = one << np.uint64(task[d])
        for c in range(-1, d):
            begin, end = (-1, 0) if c < 0 else (first[c], first[c + 1])
            if c >= 0 and (begin == end or into[d, c] < 0):
                continue
            for k in range(begin, end):
                steps += 1
                before = nothing if k < 0 else served[k]
                if before & bit or (before & need[task[d]]) != need[task[d]]:
                    continue
                total = own[d] - penalty[task[d]]
                if k >= 0:
                    total += cost[k] + into[d, c]
                now = before | bit
                if every & ~(now | still[d]):
                    continue
                onward = owed + left[d, tasks - _bits(now)]
                if onward >= FAR or total + onward >= best:
                    continue
                sign = nothing
                if k >= 0:
                    more, sign, fits, work = _history(
                        k, d, parent, at, (follows, start, reach), devices, known
                    )
                    steps += work
                    whole = whole and fits
                    total += more
                    if not fits or total + onward >= best:
                        continue
                place = np.int64(_mixed(now, sign, np.uint64(d)) & np.uint64(size - 1))
                o = table[place]
                while o >= 0 and not (at[o] == d and served[o] == now and stale[o] == sign):
                    place = (place + 1) & (size - 1)
                    o = table[place]
                if o >= 0 and cost[o] <= total:
                    continue
                if o < 0:
                    if entries >= most or steps > steps_max:
                        return best, tour, False
                    o = labels
                    labels += 1
                    entries += 1
                    table[place] = o
                    served[o], stale[o], at[o] = now, sign, d
                cost[o], parent[o] = total, k
                if now == every:
                    best, tour = total + owed, _path(o, parent, at, tasks)
        if room and labels - first[d] > room:
            whole = False
            labels = _fewer(first[d], labels, room, (served, stale, cost, parent), left[d])
        first[d + 1] = labels
    return best, tour, whole


@compiled
def tasks_after(follows, task):  # type: ignore[no-untyped-def]
    """Return, as bits, the tasks that have a candidate which may come after each candidate, (candidate,)."""
    count = len(task)
    found = np.zeros(count, dtype=np.uint64)
    for c in range(count):
        for d in range(c + 1, count):
            if follows[c, d]:
                found[c] |= np.uint64(1) << np.uint64(task[d])
    return found


@compiled
def _bits(number):  # type: ignore[no-untyped-def]
    """Return how many bits are set."""
    found = 0
    while number:
        number &= number - np.uint64(1)
        found += 1
    return found


@compiled
def _history(k, d, parent, at, order, devices, known):  # type: ignore[no-untyped-def]
    """Look back along a label that goes on to candidate ``d``, beyond its own candidate.

    Returns
    -------
    more : int
        What devices move that ``d`` uses and the one before does not.
    sign : uint64
        A name for where the devices that ``d`` does not use were left.
    fits : bool
        Whether what is not a neighbour is in time too.
    work : int
    """
    follows, start, reach = order
    used, line, angle, line_weight, angle_weight, free = devices
    one, nothing = np.uint64(1), np.uint64(0)
    c = at[k]
    missing, idle = used[d] & ~used[c], known & ~(used[d] | used[c])
    sign = nothing
    if used[c] & ~used[d]:
        sign = _mixed(used[c] & ~used[d], np.uint64(c), one)
    more, work = 0, 0
    p = parent[k]
    while p >= 0:
        q = at[p]
        near = start[d] - start[q] < reach
        if not near and missing == nothing and idle == nothing:
            break
        work += 1
        if near and not follows[q, d]:
            return more, sign, False, work
        common, lying = missing & used[q], idle & used[q]
        if common:
            more += moved(
                line[q, 1], line[d, 0], angle[q, 1], angle[d, 0], line_weight, angle_weight, common, free
            )
            missing &= ~common
        if lying:
            sign ^= _mixed(lying, np.uint64(q), one)
            idle &= ~lying
        p = parent[p]
    return more, sign, True, work


@compiled
def _path(label, parent, at, tasks):  # type: ignore[no-untyped-def]
    """Return the candidates of a label that has served every task."""
    tour = np.empty(tasks, dtype=np.int64)
    place = tasks
    while label >= 0:
        place -= 1
        tour[place] = at[label]
        label = parent[label]
    return tour


@compiled
def _fewer(begin, end, room, columns, left):  # type: ignore[no-untyped-def]
    """Keep the most promising labels of a candidate; return where they end."""
    served, stale, cost, parent = columns
    promise = np.empty(end - begin, dtype=np.int64)
    for k in range(begin, end):
        promise[k - begin] = cost[k] + left[len(left) - _bits(served[k])]
    kept = np.sort(np.argsort(promise, kind="mergesort")[:room])
    for place in range(room):
        k, to = begin + kept[place], begin + place
        served[to], stale[to], cost[to], parent[to] = served[k], stale[k], cost[k], parent[k]
    return begin + room
