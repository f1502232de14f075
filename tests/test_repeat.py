"""The same scenario gives the same plan, byte for byte: run again, and while the machine is busy."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

pytestmark = pytest.mark.slow

ROOT = Path(__file__).resolve().parent.parent
BUSY = "while True: pass"
PLAN = """
import sys
from planner.commands import plan_night
from planner.scenario.reading import read_scenario
from planner.scheduling.plan_file import plan_json
sys.stdout.write(plan_json(plan_night(read_scenario(sys.argv[1])).plan))
"""
PROGRAMS = {
    "near": ("alf Leo", "bet Ori", "tet Cen", "alf Hya", "nu Hya", "eps Crv"),
    "far": ("gam Crv", "alf CMi", "bet Lib", "eps Sco", "pi Hya", "bet Crv"),
}


def started(scenario, **environment):
    """A plan made in a process of its own; its ``plan.json`` comes out."""
    own = {**os.environ, **environment}
    return subprocess.Popen(
        [sys.executable, "-c", PLAN, str(scenario)], cwd=ROOT, env=own, stdout=subprocess.PIPE
    )


def finished(run):
    text, _ = run.communicate(timeout=500)
    assert run.returncode == 0
    return text


@pytest.fixture
def scenario(tmp_path):
    """Shares that make the choice hard, and little effort: the search ends in the middle of CP-SAT's work."""
    folder = tmp_path / "demo"
    shutil.copytree(ROOT / "scenarios" / "demo", folder)
    text = (folder / "scenario.toml").read_text()
    little = re.sub(r"(?m)^deterministic = .*$", "deterministic = 0.5", text)
    tables = "".join(
        f"[[program]]\nname = {json.dumps(name)}\ntargets = {json.dumps(own)}\nshare = {len(name)}\n"
        for name, own in PROGRAMS.items()
    )
    (folder / "scenario.toml").write_text(f"{little}\n[plan]\nfairness = 0.9\nforced_effort = 0.5\n{tables}")
    return folder


def test_two_runs_and_one_under_load_write_the_same_plan(scenario):
    first = finished(started(scenario, PYTHONHASHSEED="1"))
    assert json.loads(first)["solver"]["status"] == "feasible"
    others = [subprocess.Popen([sys.executable, "-c", BUSY]) for _ in range(2)]
    try:
        again = started(scenario, PYTHONHASHSEED="2")
        alone = started(scenario, PYTHONHASHSEED="3", OPENBLAS_NUM_THREADS="1", OMP_NUM_THREADS="1")
        found = [finished(again), finished(alone)]
    finally:
        for other in others:
            other.kill()
            other.wait()
    assert found == [first, first]
