"""The answer of feasibility for machines, and for a few lines on a terminal."""

from __future__ import annotations

from typing import Any

import numpy as np

from planner.feasibility.answers import Season, TargetNight
from planner.output.feasibility_months import season_months


def season_told(season: Season) -> list[dict[str, Any]]:
    """Return each target's season in each configuration as plain data, dates of the evenings as ISO."""
    return [
        {
            "target": one.name,
            "configuration": one.configuration,
            "feasible_nights": one.feasible_nights,
            "nights": len(one.nights),
            "first": one.first.isoformat() if one.first else None,
            "last": one.last.isoformat() if one.last else None,
            "months": [
                {"month": f"{year}-{month:02d}", "feasible_nights": nights, "usable_h": round(hours, 2)}
                for (year, month), nights, hours in zip(
                    one.months, one.feasible_by_month, one.hours, strict=True
                )
            ],
        }
        for months in season_months(season).values()
        for one in months
    ]


def night_told(night: TargetNight) -> dict[str, Any]:
    """Return one target's night as plain data: times as ISO UTC, units in the keys."""
    moment = night.curve.utc_text
    best = night.subarrays[0] if night.subarrays else None
    exclusion = night.exclusion
    return {
        "target": night.name,
        "date": night.scenario.night.date.isoformat(),
        "configuration": night.scenario.night.configuration,
        "feasible": bool(night.serving),
        "science_only": not night.scenario.calibrators,
        "usable_h": round(night.usable_h, 4),
        "windows_utc": [(moment(start), moment(end)) for start, end in night.any_spans],
        "subarrays": len(night.subarrays),
        "subarrays_serving": len(night.serving),
        "subarray": list(best.telescopes) if best else [],
        "delay_lines": list(best.lines) if best else [],
        "path_segments": list(best.segments) if best else [],
        "routing_mode": best.mode if best else None,
        "tracked": list(best.tracked) if best else [],
        "best_utc": moment(best.best_s) if best and best.best_s is not None else None,
        "margins_at_best": (
            [
                {"limit": limit, "margin": round(margin, 4), "unit": unit}
                for limit, margin, unit in best.best_margins
            ]
            if best
            else []
        ),
        "visits_wanted": night.scenario.requests[night.request].visits,
        "hours_at_least": round(night.scenario.requests[night.request].visits * night.visit_s / 3600.0, 4),
        "visit_starts": len(best.visit_starts_s) if best else 0,
        "blocked": [
            {
                "from_utc": moment(one.span[0]),
                "to_utc": moment(one.span[1]),
                "limit": one.limit,
                "short": round(one.short, 4) if np.isfinite(one.short) else None,
                "unit": one.unit,
                "since_utc": moment(one.since_s),
            }
            for one in (best.blocked if best else ())
        ],
        "reason": exclusion.sentence if exclusion else None,
        "excluded_by": {
            "alone": list(exclusion.alone) if exclusion else [],
            "together": list(exclusion.together) if exclusion else [],
        },
        "remedies": [
            {
                "change": one.sentence,
                "kind": one.kind,
                "opens_h": round(one.opens_h, 4),
                "visit_starts": one.visits,
                "subarray": list(one.telescopes),
            }
            for one in night.remedies
        ],
        "tried": list(night.remedies_tried),
    }
