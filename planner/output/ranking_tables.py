"""The ranking as tables: a row for each subarray told, and one for each of them and each request."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from astropy import units as u
from astropy.table import QTable

from planner import __version__
from planner.output.figure_uv import number_of
from planner.ranking.answers import Ranked, Ranking


def everyone(ranking: Ranking) -> tuple[tuple[int, Ranked], ...]:
    """Return every subarray once, with its place: the top, then what front and current add, with place 0."""
    found = [(place + 1, one) for place, one in enumerate(ranking.top)]
    more = [*ranking.front, *([ranking.current] if ranking.current is not None else [])]
    for one in more:
        if all(one.seats != other.seats for _, other in found):
            found.append((0, one))
    return tuple(found)


def ranking_table(ranking: Ranking) -> QTable:
    """Return the ranking, one row for each of top, front and current.

    Returns
    -------
    QTable
        Columns ``place`` (0 outside the top), ``stations``, ``telescopes``, ``lines`` (joined by "; "),
        ``configurations``, ``estimate``, ``value``, ``hours`` (h), ``requests``, ``chained``, ``longest``
        (m), ``resolution`` (mas), ``moves``, ``on_front``, ``current``, ``true_score``, ``bound`` (NaN
        where no plan was made), ``could_be_better`` (subarrays without a plan that could be, by estimate
        and spread; −1 where nobody knows).
    """
    rows = everyone(ranking)
    scores = [one.score for _, one in rows]
    table = QTable()
    table["place"] = np.array([place for place, _ in rows], dtype=int)
    table["stations"] = _texts(["; ".join(one.stations) for _, one in rows])
    table["telescopes"] = _texts(["; ".join(one.telescopes) for _, one in rows])
    table["lines"] = _texts(["; ".join(one.lines) for _, one in rows])
    table["configurations"] = _texts(["; ".join(one.configurations) for _, one in rows])
    table["estimate"] = np.array([score.estimate for score in scores], dtype=float)
    table["value"] = np.array([score.value for score in scores], dtype=float)
    table["hours"] = np.array([score.hours for score in scores], dtype=float) * u.h
    table["requests"] = np.array([score.requests for score in scores], dtype=int)
    table["chained"] = np.array([score.chained for score in scores], dtype=int)
    table["longest"] = np.array([score.longest_m for score in scores], dtype=float) * u.m
    table["resolution"] = np.array([score.resolution_mas for score in scores], dtype=float) * u.mas
    table["moves"] = np.array([score.moves for score in scores], dtype=int)
    table["on_front"] = np.array([one.on_front for _, one in rows], dtype=bool)
    now = ranking.current
    table["current"] = np.array([now is not None and one.seats == now.seats for _, one in rows], dtype=bool)
    truths = [one.truth for _, one in rows]
    table["true_score"] = np.array([np.nan if t is None else t.score for t in truths], dtype=float)
    table["bound"] = np.array([np.nan if t is None else t.bound for t in truths], dtype=float)
    rivals = [ranking.rivals(one) for _, one in rows]
    table["could_be_better"] = np.array([-1 if own is None else own for own in rivals], dtype=int)
    table.meta = _meta(ranking)
    return table


def request_table(ranking: Ranking) -> QTable:
    """Return what each request gets, one row for each subarray told and each request counted.

    Returns
    -------
    QTable
        Columns ``place``, ``stations`` as in :func:`ranking_table`, ``number``, ``target``, ``combiner``,
        ``priority``, ``cells``, ``hours`` (h), ``estimate``, ``truth`` (NaN where no plan was made),
        ``served`` (whether some subarray considered serves it).
    """
    rows = everyone(ranking)
    wishes = [ranking.scenario.requests[k] for k in ranking.requests]
    whole, count = len(rows), len(wishes)
    table = QTable()
    table["place"] = np.repeat(np.array([place for place, _ in rows], dtype=int), count)
    table["stations"] = np.repeat(_texts(["; ".join(one.stations) for _, one in rows]), count)
    table["number"] = np.tile(_texts([number_of(k) for k in ranking.requests]), whole)
    table["target"] = np.tile(_texts([wish.name for wish in wishes]), whole)
    table["combiner"] = np.tile(_texts([wish.combiner for wish in wishes]), whole)
    table["priority"] = np.tile(np.array([wish.priority for wish in wishes], dtype=int), whole)
    table["cells"] = np.array([one.cells for _, one in rows], dtype=int).reshape(-1)
    table["hours"] = np.array([one.hours for _, one in rows], dtype=float).reshape(-1) * u.h
    table["estimate"] = np.array([one.estimates for _, one in rows], dtype=float).reshape(-1)
    none = np.full(count, np.nan)
    truths = [none if one.truth_by_request is None else one.truth_by_request for _, one in rows]
    table["truth"] = np.array(truths, dtype=float).reshape(-1)
    table["served"] = np.tile(np.array([k not in ranking.unserved for k in range(count)], dtype=bool), whole)
    table.meta = _meta(ranking)
    return table


def _texts(values: Sequence[str]) -> np.ndarray:
    return np.array(values, dtype=str) if len(values) else np.array([], dtype="U1")


def _meta(ranking: Ranking) -> dict[str, object]:
    return {
        "scenario": ranking.scenario.name,
        "configuration": ranking.scenario.night.configuration,
        "nights": [night.isoformat() for night in ranking.nights],
        "size": ranking.size,
        "considered": ranking.considered,
        "feasible": ranking.feasible,
        "spearman": ranking.spearman,
        "sample": len(ranking.sample),
        "planned": ranking.planned,
        "stopped": ranking.stopped,
        "estimate_error_percent": [round(float(own), 2) for own in ranking.error_percent],
        "planner_version": __version__,
    }
