"""The plan as a table: one row for each beam of each step, in ECSV."""

from __future__ import annotations

import io
from collections.abc import Sequence
from typing import Any

import numpy as np
from astropy import units as u
from astropy.table import QTable
from astropy.time import Time
from astropy.utils.masked import Masked

from planner.scheduling.plan import Beam, NightPlan, ReservedTime, Step, Visit
from planner.sky.earth import offline_earth

TEXTS = ("visit", "target", "combiner", "role", "object")
NUMBERS = (
    ("delay_start_m", u.m),
    ("delay_end_m", u.m),
    ("azimuth_start_deg", u.deg),
    ("azimuth_end_deg", u.deg),
    ("altitude_start_deg", u.deg),
    ("altitude_end_deg", u.deg),
)


def plan_table(plan: NightPlan) -> QTable:
    """Return the plan as a table, one row for each beam of each step, in the order of time.

    Time that is not for stars has rows too: one, or one for each telescope that
    it takes away; what has no place in the night has none.

    Returns
    -------
    QTable
        Columns ``visit``, ``target``, ``combiner``, ``role`` (science, calibrator, reserved or
        internal calibration), ``object``, ``setup_start_utc``, ``start_utc``, ``end_utc`` (Time),
        ``telescope``, ``station``, ``delay_line``, ``combiner_input``, ``delay_start``,
        ``delay_end`` (m of light), azimuths and altitudes (deg). Then, where a row of the
        plan has it: ``routing_mode``, ``spectral_setup``, ``path_segment``, ``tracking``,
        ``tracked`` (whether the fringes of this telescope are tracked), ``chain`` (linked baselines
        of the step, ``A-B; B-C``), ``differential_start``, ``differential_end`` (m). Texts are
        empty, numbers masked, where a row has nothing to say.
    """
    rows = [
        _beam_row(visit, step, beam) for visit in plan.visits for step in visit.steps for beam in step.beams
    ]
    rows += [row for own in plan.reserved for row in _reserved_rows(plan, own)]
    rows.sort(key=lambda row: row["start_utc"].replace(":60Z", ":59.9Z"))
    table = QTable()
    for key in TEXTS:
        table[key] = _texts(rows, key)
    for key in ("setup_start_utc", "start_utc", "end_utc"):
        values = [row[key].removesuffix("Z") for row in rows]
        with offline_earth():
            table[key] = (
                Time(values, format="isot", scale="utc") if values else Time([], format="mjd", scale="utc")
            )
    for key in ("telescope", "station", "delay_line"):
        table[key] = _texts(rows, key)
    table["combiner_input"] = _masked([row.get("combiner_input") for row in rows], int)
    for key, unit in NUMBERS:
        table[key.rsplit("_", 1)[0]] = _masked([row.get(key) for row in rows], float) * unit
    for key in ("routing_mode", "spectral_setup", "path_segment", "tracking", "tracked", "chain"):
        if any(row.get(key) for row in rows):
            table[key] = _texts(rows, key)
    for key in ("differential_start_m", "differential_end_m"):
        values_m = [row.get(key) for row in rows]
        if any(value is not None for value in values_m):
            table[key.rsplit("_", 1)[0]] = _masked(values_m, float) * u.m
    table.meta = {
        "scenario": plan.scenario.name,
        "night": plan.night.date,
        "configuration": plan.configuration,
        "score": plan.solver.score,
        "bound": plan.solver.bound,
        "status": plan.solver.status,
        "planner_version": plan.planner_version,
    }
    if plan.travel is not None:
        table.meta["travel"] = plan.travel.model_dump()
    return table


def _beam_row(visit: Visit, step: Step, beam: Beam) -> dict[str, Any]:
    tracked = "" if visit.tracking is None else "yes" if beam.telescope in visit.tracked else "no"
    return beam.model_dump() | {
        "visit": visit.id,
        "target": visit.target,
        "combiner": visit.combiner,
        "role": step.role,
        "object": step.object,
        "setup_start_utc": step.setup_start_utc,
        "start_utc": step.start_utc,
        "end_utc": step.end_utc,
        "routing_mode": visit.routing_mode,
        "spectral_setup": visit.spectral_setup,
        "tracking": visit.tracking,
        "tracked": tracked,
        "chain": "; ".join("-".join(pair) for pair in step.chain),
    }


def _reserved_rows(plan: NightPlan, own: ReservedTime) -> list[dict[str, Any]]:
    """Rows of time that is not for stars: nothing is set up, and nothing moves that the plan knows of."""
    if own.start_utc is None or own.end_utc is None:
        return []
    times = {"setup_start_utc": own.start_utc, "start_utc": own.start_utc, "end_utc": own.end_utc}
    row = {"role": own.kind, "object": own.name, **times}
    return [
        row | {"telescope": name, "station": plan.placement.get(name, "")} for name in own.telescopes or ("",)
    ]


def _texts(rows: Sequence[dict[str, Any]], key: str) -> np.ndarray:
    values = [row.get(key) or "" for row in rows]
    return np.array(values, dtype=str) if values else np.array([], dtype="U1")


def _masked(values: Sequence[float | None], kind: type) -> np.ndarray:
    """Numbers, masked where there is none; a plain array when there is always one."""
    absent = np.array([value is None for value in values], dtype=bool)
    whole: np.ndarray = np.array([0 if value is None else value for value in values], dtype=kind)
    return Masked(whole, mask=absent) if absent.any() else whole


def table_text(table: QTable) -> str:
    """Return a table as ECSV text."""
    text = io.StringIO()
    table.write(text, format="ascii.ecsv")
    return text.getvalue()
