"""Intervals of time as numbers: where limits hold, meet and leave gaps.

A span is (start, end) in seconds after dusk, start before end; spans of one
tuple are in order and do not touch.
"""

from __future__ import annotations

from collections.abc import Iterable

Span = tuple[float, float]
Spans = tuple[Span, ...]


def meet(first: Spans, second: Spans) -> Spans:
    """Return where both hold.

    Examples
    --------
    >>> meet(((0.0, 10.0),), ((2.0, 4.0), (8.0, 12.0)))
    ((2.0, 4.0), (8.0, 10.0))
    """
    found = []
    i = j = 0
    while i < len(first) and j < len(second):
        low, high = max(first[i][0], second[j][0]), min(first[i][1], second[j][1])
        if low < high:
            found.append((low, high))
        if first[i][1] < second[j][1]:
            i += 1
        else:
            j += 1
    return tuple(found)


def meet_all(parts: Iterable[Spans], length_s: float) -> Spans:
    """Return where all hold, within 0 to ``length_s``."""
    found: Spans = ((0.0, length_s),) if length_s > 0 else ()
    for part in parts:
        if not found:
            break
        found = meet(found, part)
    return found


def join(parts: Iterable[Spans]) -> Spans:
    """Return where any holds.

    Examples
    --------
    >>> join([((0.0, 3.0),), ((2.0, 4.0), (8.0, 9.0))])
    ((0.0, 4.0), (8.0, 9.0))
    """
    found: list[Span] = []
    for start, end in sorted(span for part in parts for span in part):
        if found and start <= found[-1][1]:
            found[-1] = (found[-1][0], max(end, found[-1][1]))
        else:
            found.append((start, end))
    return tuple(found)


def gaps(spans: Spans, length_s: float) -> Spans:
    """Return what 0 to ``length_s`` leaves between and beside the spans.

    Examples
    --------
    >>> gaps(((0.0, 3.0), (5.0, 6.0)), 10.0)
    ((3.0, 5.0), (6.0, 10.0))
    """
    edges = [0.0, *(edge for span in spans for edge in span), length_s]
    pairs = zip(edges[::2], edges[1::2], strict=True)
    return tuple((start, end) for start, end in pairs if start < end)


def total_s(spans: Spans) -> float:
    """Return the sum of the lengths, seconds."""
    return sum(end - start for start, end in spans)


def longest_s(spans: Spans) -> float:
    """Return the longest length, seconds; 0 for none."""
    return max((end - start for start, end in spans), default=0.0)
