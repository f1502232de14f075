"""What is accepted is planned, and the plan passes its audit: odd nights at the edges of what is accepted."""

from __future__ import annotations

import pytest
from edge_nights import edge_night, edge_tables, outcome, write

from planner.scenario.reading import read_scenario

SEEDS: tuple[int, ...] = ()


@pytest.mark.parametrize("seed", SEEDS)
def test_no_accepted_night_ends_in_a_fault_or_a_failed_audit(tmp_path, seed):
    scenario, features = edge_night(seed, tmp_path)
    assert scenario is not None, features
    assert outcome(scenario).startswith(("passed", "no night")), features


@pytest.mark.parametrize("when", ["before dusk", "after dawn", "in the night"])
def test_an_internal_calibration_of_a_millisecond_is_planned(tmp_path, when):
    tables, _ = edge_tables(0)
    tables["array"]["internal_calibration"] = [
        {"name": f"lamp {k}", "when": when, "duration_s": 0.001 + k} for k in range(2)
    ]
    tables["targets"], tables["scenario"]["request"] = (
        tables["targets"][:1],
        tables["scenario"]["request"][:1],
    )
    tables["scenario"]["night"]["slot_s"] = 3600
    assert outcome(read_scenario(write(tables, tmp_path / "night"))).startswith("passed")
