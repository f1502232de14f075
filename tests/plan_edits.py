"""Every leaf of a plan changed by itself: numbers by little, texts to another valid one, lists shortened.

An edit is (path, value): ``changed_by`` makes the plan that tells the value there. The scenario in a plan is
what the audit judges by, and the audit is made anew, so neither is edited. ``audit_of`` audits edited plans
fast: what the sky and the shadows are is remembered by what they are asked.
"""

from __future__ import annotations

import contextlib
import hashlib
import math
import pickle
import sys
import typing
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from unittest import mock

from handmade import changed
from lit_plans import later

from planner.scheduling import audit_shadow, audit_sky
from planner.scheduling.audit import audit_plan
from planner.scheduling.audit_told import NOT_CHECKED
from planner.scheduling.plan import AuditReport, NightPlan

LEFT_ALONE = {"scenario", "audit"}
# A little more than what a number is told with, or than the tolerance that its check states.
LITTLE = {
    "delay_start_m": 1.1e-3, "delay_end_m": 1.1e-3, "common_offset_m": 1.1e-3,
    "azimuth_start_deg": 0.05, "azimuth_end_deg": 0.05, "altitude_start_deg": 0.003,
    "altitude_end_deg": 0.003, "differential_start_m": 1.5e-5, "differential_end_m": 1.5e-5,
    "tracking_margin_mag": 0.021, "air_offset_um": 0.01, "air_contrast": 2e-3, "contrast": 3e-4,
    "separation_arcsec": 2e-3, "position_angle_deg": 2e-3, "path_error_nm": 0.02, "baseline_error_um": 2.0,
    "budget_s": 1.0, "hours_used": 2e-4, "gap": 2e-6, "carriages_m": 2e-4, "mounts_deg": 2e-4,
    "carriages_before_m": 1.0, "mounts_before_deg": 1.0, "moon_illumination": 2e-3,
    "ut1_minus_utc_s": 1e-5, "error_s": 1e-5, "delay_error_mm": 1e-3,
}  # fmt: skip
# By unit: margins are told with four decimals, and recomputed within the tolerances of their checks.
LITTLE_MARGIN = {
    "deg": 0.002, "m": 3e-3, "mag": 0.021, "min": 0.01, "h": 1e-3, "arcsec": 2e-3, "airmass": 2e-3,
    "of the disk": 2e-3, "of the pupil": 0.021, "of V squared": 1e-3, "of contrast": 3e-3,
}  # fmt: skip
CHOICES = {
    "role": ("science", "calibrator"), "tracking": ("group delay", "phase"),
    "kind": ("reserved", "internal calibration"), "status": ("optimal", "feasible", "empty"),
    "made_by": ("cp-sat", "path search", "local search", "greedy", "nothing to plan"),
    "stopped_by": ("time limit", "Ctrl-C"), "state": ("measured", "predicted", "frozen"),
}  # fmt: skip


@dataclass(frozen=True)
class Edit:
    """One leaf told otherwise.

    Attributes
    ----------
    path : str
        Keys and positions with dots.
    value : object
        What stands there now.
    """

    path: str
    value: Any

    @property
    def key(self) -> str:
        """The path with a star for every position and name."""
        return ".".join("*" if part.isdigit() else part for part in self.path.split("."))


def edits(plan: NightPlan) -> Iterator[Edit]:
    """Yield the edits of every leaf of a plan, in its order."""
    for name in type(plan).model_fields:
        if name not in LEFT_ALONE:
            yield from _edits(plan, getattr(plan, name), name, None)


def _edits(plan: NightPlan, node: Any, path: str, parent: Any) -> Iterator[Edit]:
    if hasattr(type(node), "model_fields"):
        for name in type(node).model_fields:
            yield from _edits(plan, getattr(node, name), f"{path}.{name}", node)
    elif isinstance(node, dict):
        for name in node:
            yield from _edits(plan, node[name], f"{path}.{name}", node)
        if node:
            yield Edit(path, dict(list(node.items())[:-1]))
    elif isinstance(node, tuple):
        for number, part in enumerate(node):
            yield from _edits(plan, part, f"{path}.{number}", node)
        if node and not isinstance(parent, tuple):  # a pair is not a list
            yield Edit(path, node[:-1])
    else:
        yield from _leaf_edits(plan, node, path, parent)


def _leaf_edits(plan: NightPlan, leaf: Any, path: str, parent: Any) -> Iterator[Edit]:
    key = path.rsplit(".", 1)[-1]
    if isinstance(leaf, bool):
        yield Edit(path, not leaf)
    elif isinstance(leaf, int):
        step = 20 + leaf // 2 if key == "score_tenth" else 1  # a simulation with other draws differs
        yield Edit(path, leaf + step)
        yield Edit(path, leaf - step)
    elif isinstance(leaf, float):
        step = LITTLE_MARGIN.get(parent.unit, 0.01 * abs(leaf) + 1e-3) if key == "margin" else LITTLE.get(key)
        step = 0.01 * abs(leaf) + 1e-3 if step is None else step
        if key in ("path_error_nm", "baseline_error_um", "score_mean"):
            step = (0.1 if key == "score_mean" else 2e-3) * abs(leaf) + 1e-3
        if key.startswith("azimuth_"):  # 31 arcseconds on the sky
            step = 31.0 / 3600.0 / math.cos(math.radians(getattr(parent, key.replace("azimuth", "altitude"))))
        yield Edit(path, leaf + step)
        yield Edit(path, leaf - step)
    elif isinstance(leaf, str):
        yield from (Edit(path, told) for told in _other_texts(plan, leaf, key, path))
    elif key in CHOICES:
        yield Edit(path, CHOICES[key][0])
    field = getattr(type(parent), "model_fields", {}).get(key)
    if leaf is not None and field is not None and type(None) in typing.get_args(field.annotation):
        yield Edit(path, None)


def _other_texts(plan: NightPlan, leaf: str, key: str, path: str) -> Iterator[str]:
    """Another valid text of the same kind."""
    scenario, array = plan.scenario, plan.scenario.array
    if key.endswith("_utc"):
        # What is placed on ticks is told within one: longer than asked by less than a tick.
        loose = "latest" in key or "swap" in key or path.startswith("reserved")
        far = plan.scenario.night.tick_s + 1 if loose else 1
        yield from (later(seconds)(leaf) for seconds in (far, -far))
        return
    if key == "id":
        yield f"V{int(leaf[1:]) + 50:02d}"
        return
    if key in CHOICES:
        yield next(other for other in CHOICES[key] if other != leaf)
        return
    kinds = {
        "object": [s.name for s in (*(r.star for r in scenario.requests), *scenario.calibrators)],
        "target": [request.name for request in scenario.requests],
        "telescope": [one.name for one in array.telescopes],
        "station": [one.name for one in array.stations],
        "delay_line": [one.name for one in array.delay_lines],
        "combiner": [one.name for one in array.combiners],
        "path_segment": [one.name for one in array.path_segments],
        "routing_mode": [one.name for one in array.routing_modes],
        "spectral_setup": [one.name for one in array.spectral_setups],
        "configuration": [one.name for one in array.configurations],
    }
    for names in (kinds.get(key, []), *kinds.values()):
        if leaf in names and len(names) > 1:
            yield next(name for name in names if name != leaf)
            return
    number = next((part for part in leaf.split() if part.strip("().,").replace(".", "", 1).isdigit()), None)
    if number is not None and key in ("reason", "sentence"):
        digits = number.strip("().,")
        yield leaf.replace(digits, str(round(float(digits) * 1.1 + 1, digits[::-1].find("."))), 1)
        return
    yield f"{leaf} too"


def changed_by(plan: NightPlan, edit: Edit) -> NightPlan:
    """Return the plan with one leaf told otherwise."""
    return changed(plan, edit.path, lambda _: edit.value)


def thinned(every: list[Edit], most: int) -> list[Edit]:
    """Return at most so many edits of each key, spread over the plan."""
    groups: dict[str, list[Edit]] = {}
    for edit in every:
        groups.setdefault(edit.key, []).append(edit)
    chosen = []
    for group in groups.values():
        places = {round(k * (len(group) - 1) / max(most - 1, 1)) for k in range(most)}
        chosen += [group[place] for place in sorted(places)]
    return chosen if most else every


@contextlib.contextmanager
def remembered() -> Iterator[None]:
    """Within it the audit works out each sky and each shadow once, however many plans ask for it."""
    memory: dict[bytes, Any] = {}

    def keeping(function: Any) -> Any:
        def asked(*arguments: Any) -> Any:
            key = hashlib.sha256(pickle.dumps((function.__name__, arguments))).digest()
            if key not in memory:
                memory[key] = function(*arguments)
            return memory[key]

        return asked

    with (
        mock.patch.object(audit_sky, "_sky", keeping(audit_sky._sky)),
        mock.patch.object(audit_shadow, "hidden_fraction", keeping(audit_shadow.hidden_fraction)),
    ):
        yield


def audit_of(plan: NightPlan) -> AuditReport:
    return audit_plan(plan)


def unseen(plan: NightPlan, some: list[Edit], excused: tuple[str, ...] = ()) -> list[Edit]:
    """Return the edits that the audit passes, but for keys that are excused."""
    found = []
    with remembered():
        assert audit_plan(plan).passed
        for edit in some:
            if edit.key not in excused and audit_plan(changed_by(plan, edit)).passed:
                found.append(edit)
    return found


if __name__ == "__main__":
    for path in sys.argv[1:]:
        whole = NightPlan.model_validate_json(Path(path).read_text(encoding="utf-8"))
        trusted = tuple(key for part in NOT_CHECKED for key in part.keys)
        every = list(edits(whole))
        missed = unseen(whole, every, trusted)
        print(f"{path}: {len(every)} edits, {len(missed)} not noticed")
        for edit in missed:
            print("   ", edit.path, repr(edit.value)[:90])
