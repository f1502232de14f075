"""What is accepted is planned, and the plan passes its audit: odd nights at the edges of what is accepted."""

from __future__ import annotations

import datetime
from types import SimpleNamespace

import pytest
from astropy.time import Time
from edge_nights import edge_night, edge_tables, outcome, write

from planner.constraints.tonight import _reserved
from planner.scenario.reading import read_scenario

pytestmark = pytest.mark.slow

# Quick ones with visits; 23 is a night that once failed its audit. Hundreds: python tests/edge_nights.py.
SEEDS = (15, 23, 26, 37, 38)


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


def test_a_night_may_begin_in_a_leap_second():
    # 2016-12-31T23:59:60 UTC was a leap second (IERS Bulletin C 52).
    sky = SimpleNamespace(dark=SimpleNamespace(start=Time("2016-12-31T23:59:60.5", scale="utc")), times=[])
    own = SimpleNamespace(reserved=[])
    assert list(_reserved(own, sky, SimpleNamespace(telescopes=()))) == []


def test_a_polar_night_at_the_date_line_passes_its_audit(tmp_path):
    # It lasts from noon to noon, and noon of the date is 24 h UTC there: it ends two days after 0 h.
    tables, _ = edge_tables(0)
    tables["array"]["site"] |= {"latitude_deg": 90.0, "longitude_deg": -180.0}
    tables["targets"], tables["scenario"]["request"] = (
        tables["targets"][:1],
        tables["scenario"]["request"][:1],
    )
    tables["scenario"]["night"] |= {"date": datetime.date(2027, 12, 21), "tick_s": 60, "slot_s": 3600}
    tables["scenario"]["reserved"] = []
    assert outcome(read_scenario(write(tables, tmp_path / "night"))).startswith("passed")
