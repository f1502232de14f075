"""The same scenario gives the same plan, byte for byte: run again, and on a machine that has other things to do."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
BUSY = "while True: pass"


def started(scenario, out, **environment):
    """A run of ``planner night`` in a process of its own."""
    command = [sys.executable, "-m", "planner", "night", str(scenario), "--out", str(out)]
    own = {**os.environ, **environment}
    return subprocess.Popen(command, cwd=ROOT, env=own, stdout=subprocess.PIPE, stderr=subprocess.STDOUT)


def finished(run):
    told, _ = run.communicate(timeout=500)
    assert run.returncode == 0, told.decode()


def test_two_runs_and_one_under_load_write_the_same_plan(tmp_path):
    # Shares that make the choice hard, and little effort: the search ends in the middle of CP-SAT's work.
    scenario = tmp_path / "demo"
    shutil.copytree(ROOT / "scenarios" / "demo", scenario)
    text = (scenario / "scenario.toml").read_text()
    changed = re.sub(r"(?m)^deterministic = .*$", "deterministic = 0.5", text)
    assert changed != text
    names = ("alf Leo", "bet Ori", "tet Cen", "alf Hya"), ("gam Crv", "alf CMi", "bet Lib", "eps Sco")
    shares = "".join(
        f'[[program]]\nname = "{number}"\ntargets = {list(own)}\nshare = {number + 1}\n'.replace("'", '"')
        for number, own in enumerate(names)
    )
    (scenario / "scenario.toml").write_text(f"{changed}\n[plan]\nfairness = 0.9\n{shares}")
    finished(started(scenario, tmp_path / "first", PYTHONHASHSEED="1"))
    others = [subprocess.Popen([sys.executable, "-c", BUSY]) for _ in range(3)]
    try:
        again = started(scenario, tmp_path / "again", PYTHONHASHSEED="2")
        alone = started(
            scenario, tmp_path / "loaded", PYTHONHASHSEED="3", OPENBLAS_NUM_THREADS="1", OMP_NUM_THREADS="1"
        )
        finished(again)
        finished(alone)
    finally:
        for other in others:
            other.kill()
            other.wait()
    first = (tmp_path / "first" / "plan.json").read_bytes()
    assert b'"status": "feasible"' in first
    for name in ("again", "loaded"):
        assert (tmp_path / name / "plan.json").read_bytes() == first, name
