"""The planner: what is feasible, which telescopes to configure, how to spend tonight.

For the people who run a multi-telescope optical interferometer. The verbs
below are the same as the commands; they are imported when they are used, so
that ``planner --help`` stays quick.

Examples
--------
>>> import planner
>>> scenario = planner.read_scenario("scenarios/tiny")  # doctest: +SKIP
>>> night = planner.plan_night(scenario)  # doctest: +SKIP
"""

from __future__ import annotations

from typing import Any

__version__ = "0.1.0"
__all__ = [
    "Asked",
    "Choice",
    "assess_feasibility",
    "audit_plan",
    "left_of_night",
    "new_scenario",
    "plan_night",
    "rank_subarrays",
    "ranking_table",
    "read_plan",
    "read_scenario",
    "season_table",
    "windows_table",
    "write_feasibility",
    "write_night",
    "write_ranking",
]


def __getattr__(name: str) -> Any:
    if name in __all__:
        from planner import commands

        return getattr(commands, name)
    raise AttributeError(f"module 'planner' has no attribute {name!r}")
