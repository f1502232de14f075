"""The ranking for machines: plain data, units in the keys."""

from __future__ import annotations

from typing import Any

import numpy as np

from planner.output.ranking_words import moves_of
from planner.ranking.answers import Ranked, Ranking, Truth


def ranking_told(ranking: Ranking) -> dict[str, Any]:
    """Return the whole answer as plain data, ready for JSON; what is not known is None."""
    requests = [ranking.scenario.requests[k] for k in ranking.requests]
    return {
        "scenario": ranking.scenario.name,
        "configuration": ranking.scenario.night.configuration,
        "nights": [night.isoformat() for night in ranking.nights],
        "size": ranking.size,
        "listed_only": ranking.listed_only,
        "considered": ranking.considered,
        "feasible": ranking.feasible,
        "planned": ranking.planned,
        "stopped": ranking.stopped,
        "wanted": ranking.wanted,
        "estimate_error_percent": _spread(ranking),
        "true_of_estimate_max": _finite(ranking.raise_most),
        "unplanned_estimate": None
        if ranking.unplanned_estimate is None
        else round(ranking.unplanned_estimate, 3),
        "requests": [
            {
                "target": wish.name,
                "combiner": wish.combiner,
                "priority": wish.priority,
                "served": k not in ranking.unserved,
            }
            for k, wish in enumerate(requests)
        ],
        "top": [_subarray(ranking, one) for one in ranking.top],
        "front": [_subarray(ranking, one) for one in ranking.front],
        "current": None if ranking.current is None else _subarray(ranking, ranking.current),
        "spearman": None if ranking.spearman is None else round(float(ranking.spearman), 4),
        "sample": [
            {"subarray": name, "estimate": round(float(estimate), 3), "true_score": round(float(score), 3)}
            for name, estimate, score in ranking.sample
        ],
        "judged": [
            {"subarray": name, "estimate": round(float(estimate), 3), "true_score": round(float(score), 3)}
            for name, estimate, score in ranking.judged
        ],
    }


def _finite(value: float | None) -> float | None:
    """A number that JSON knows, rounded."""
    return None if value is None or not np.isfinite(value) else round(float(value), 5)


def _spread(ranking: Ranking) -> dict[str, Any] | None:
    """How far estimates lie from true scores, over every plan that is worth something."""
    errors = ranking.error_percent
    if not len(errors):
        return None
    numbers = {"mean_absolute": np.mean(np.abs(errors)), "least": errors.min(), "most": errors.max()}
    return {"plans": len(errors)} | {name: round(float(value), 2) for name, value in numbers.items()}


def _subarray(ranking: Ranking, one: Ranked) -> dict[str, Any]:
    score = one.score
    return {
        "stations": list(one.stations),
        "telescopes": list(one.telescopes),
        "telescope_classes": [seat.telescope_class for seat in one.seats],
        "delay_lines": list(one.lines),
        "configurations": list(one.configurations),
        "estimate": round(float(score.estimate), 3),
        "value": round(float(score.value), 3),
        "usable_h": round(float(score.hours), 4),
        "requests": int(score.requests),
        "chained": int(score.chained),
        "longest_m": round(float(score.longest_m), 4),
        "resolution_mas": round(float(score.resolution_mas), 5),
        "moves": int(score.moves),
        "to_move": [
            {"telescope": move.telescope, "from_station": move.start, "to_station": move.end}
            for move in moves_of(ranking, one)
        ],
        "on_front": bool(one.on_front),
        "truth": None if one.truth is None else _truth(one.truth),
        "unplanned_that_could_be_better": ranking.rivals(one),
        "by_request": [
            {
                "target": ranking.scenario.requests[request].name,
                "cells": int(one.cells[k]),
                "usable_h": round(float(one.hours[k]), 4),
                "estimate": round(float(one.estimates[k]), 3),
                "truth": None if one.truth_by_request is None else round(float(one.truth_by_request[k]), 3),
            }
            for k, request in enumerate(ranking.requests)
        ],
    }


def _truth(truth: Truth) -> dict[str, Any]:
    return {
        "score": round(truth.score, 3),
        "bound": round(truth.bound, 3),
        "nights": [
            {"date": date.isoformat(), "score": int(score), "bound": int(bound), "visits": int(visits)}
            for date, score, bound, visits in truth.nights
        ],
    }
