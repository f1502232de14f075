"""The plan as a table: one row for each beam of each step, in ECSV."""

from __future__ import annotations

import io

from astropy import units as u
from astropy.table import QTable
from astropy.time import Time

from planner.scheduling.plan import NightPlan
from planner.sky.earth import offline_earth


def plan_table(plan: NightPlan) -> QTable:
    """Return the plan as a table, one row for each beam of each step, in the order of time.

    Returns
    -------
    QTable
        Columns ``visit``, ``target``, ``combiner``, ``role``, ``object``,
        ``setup_start_utc``, ``start_utc``, ``end_utc`` (Time), ``telescope``,
        ``station``, ``delay_line``, ``combiner_input``, ``delay_start``,
        ``delay_end`` (m of light), azimuths and altitudes (deg).
    """
    rows = [(visit, step, beam) for visit in plan.visits for step in visit.steps for beam in step.beams]
    table = QTable()
    table["visit"] = [visit.id for visit, _, _ in rows] or [""][:0]
    table["target"] = [visit.target for visit, _, _ in rows] or [""][:0]
    table["combiner"] = [visit.combiner for visit, _, _ in rows] or [""][:0]
    table["role"] = [step.role for _, step, _ in rows] or [""][:0]
    table["object"] = [step.object for _, step, _ in rows] or [""][:0]
    for key in ("setup_start_utc", "start_utc", "end_utc"):
        values = [getattr(step, key).removesuffix("Z") for _, step, _ in rows]
        with offline_earth():
            table[key] = (
                Time(values, format="isot", scale="utc") if values else Time([], format="mjd", scale="utc")
            )
    for key in ("telescope", "station", "delay_line"):
        table[key] = [getattr(beam, key) for _, _, beam in rows] or [""][:0]
    table["combiner_input"] = [beam.combiner_input for _, _, beam in rows] or [0][:0]
    for key, unit in (
        ("delay_start_m", u.m),
        ("delay_end_m", u.m),
        ("azimuth_start_deg", u.deg),
        ("azimuth_end_deg", u.deg),
        ("altitude_start_deg", u.deg),
        ("altitude_end_deg", u.deg),
    ):
        table[key.rsplit("_", 1)[0]] = [getattr(beam, key) for _, _, beam in rows] * unit
    table.meta = {
        "scenario": plan.scenario.name,
        "night": plan.night.date,
        "configuration": plan.configuration,
        "score": plan.solver.score,
        "bound": plan.solver.bound,
        "status": plan.solver.status,
        "planner_version": plan.planner_version,
    }
    return table


def table_text(table: QTable) -> str:
    """Return a table as ECSV text."""
    text = io.StringIO()
    table.write(text, format="ascii.ecsv")
    return text.getvalue()
