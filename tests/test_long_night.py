"""A long queue as a scheduler writes it, run whole: programs with budgets, several visits, reserved time."""

from __future__ import annotations

import csv
import json

import numpy as np
import pytest
from test_cli import run

pytestmark = pytest.mark.slow

REQUESTS, PROGRAMS = 25, 3
WISHES = """
[[request]]
target = "R{first:02d}"
gap_min_h = 1.0

[[request]]
target = "R{second:02d}"
windows = [{{ start_utc = 2027-01-09T03:00:00Z, end_utc = 2027-01-09T06:30:00Z }}]

[[reserved]]
name = "Alignment"
duration_s = 1200.0
windows = [{{ start_utc = 2027-01-08T23:00:00Z, end_utc = 2027-01-09T02:00:00Z }}]

[[reserved]]
name = "Mirror of T2"
start_utc = 2027-01-09T05:00:00Z
end_utc = 2027-01-09T06:00:00Z
telescopes = ["T2"]
"""
# Never as high as this, below the horizon, never without the Moon in the way: no candidate in a program.
HOPELESS = ("airmass_max = 1.00001", "hour_angle_range_h = [11.0, 11.5]", "moon_separation_min_deg = 179.9")


def queue(folder, seed):
    """Twenty-five requests in three programs with hours_max, one target in eight without a candidate."""
    assert run("new", folder).exit_code == 0
    rng = np.random.default_rng(seed)
    targets, calibrators = [], []
    light = {"mag_H": 3.0, "mag_K": 3.0, "diameter_error": 0.05}
    for number in range(REQUESTS):
        ra, dec = float(rng.uniform(20, 210)), float(rng.uniform(-5, 60))
        targets.append(
            {"name": f"R{number:02d}", "ra": ra, "dec": dec, "diameter": 0.6, **light}
            | {"combiner": "Four" if number % 3 else "Pair", "priority": int(rng.integers(1, 6))}
            | {"visits": 1 + number % 3, "field": float(rng.uniform(10, 30))}
        )
        for k in range(2):
            place = {"ra": ra + float(rng.uniform(-4, 4)), "dec": dec + float(rng.uniform(-4, 4))}
            calibrators.append({"name": f"C{number:02d}.{k}", **place, "diameter": 0.4, **light})
    for name, rows in (("targets.csv", targets), ("calibrators.csv", calibrators)):
        with (folder / name).open("w", encoding="utf-8", newline="") as file:
            writer = csv.DictWriter(file, list(rows[0]))
            writer.writeheader()
            writer.writerows(rows)
    toml = folder / "scenario.toml"
    text = toml.read_text(encoding="utf-8").partition("# What a request needs beyond")[0]
    text = text.replace("targets.ecsv", "targets.csv").replace("calibrators.ecsv", "calibrators.csv")
    text = text.replace("deterministic = 20.0", "deterministic = 0.3\nsubarrays_per_request = 1")
    text = text.replace("slot_s = 300", "slot_s = 900")
    text += "\n[plan]\nforced_effort = 0.1\nshare_calibrators = true\n"
    text += WISHES.format(first=2, second=3)
    for k, line in enumerate(HOPELESS):
        text += f'\n[[request]]\ntarget = "R{8 * k + 7:02d}"\n{line}\n'
    for k in range(PROGRAMS):
        names = [f"R{number:02d}" for number in range(k, REQUESTS - 1, PROGRAMS)]
        text += f'\n[[program]]\nname = "P{k}"\ntargets = {json.dumps(names)}\nhours_max = {1.0 + k}\n'
    toml.write_text(text, encoding="utf-8")
    return folder


@pytest.mark.parametrize("seed", [1])
def test_a_night_of_twenty_five_requests_in_programs_is_planned_audited_and_written(seed, tmp_path):
    out = tmp_path / "plan"
    ended = run("night", queue(tmp_path / "queue", seed), "--out", out, "--json")
    assert ended.exit_code == 0, ended.stderr
    told = json.loads(ended.stdout)
    plan = json.loads((out / "plan.json").read_text(encoding="utf-8"))
    assert told["audit"]["passed"]
    assert told["visits"] == len(plan["visits"]) > 5
    assert sorted(path.name for path in tmp_path.iterdir()) == ["plan", "queue"]
    by_name = {own["target"]: own for own in plan["requests"]}
    assert len(by_name) == REQUESTS
    for own in by_name.values():
        assert (own["reason"] is None) == (own["visits_planned"] == own["visits_wanted"])
    for k in range(len(HOPELESS)):
        own = by_name[f"R{8 * k + 7:02d}"]
        assert (own["feasible_starts"], own["visits_planned"]) == (0, 0)
        assert own["reason"]
    for k, own in enumerate(plan["programs"]):
        assert own["hours_used"] <= own["hours_max"] == 1.0 + k
