"""What the planner holds in memory when the queue is long, in a process of its own: others leave traces."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

pytestmark = pytest.mark.slow

SPEED = Path(__file__).resolve().parent / "speed" / "memory.py"
EFFORT = "4"  # a tenth of the usual one: what is held depends on the candidates, not on how long one searches


def test_a_night_of_a_hundred_requests_with_every_wish_holds_less_than_one_and_a_half_gibibytes():
    told = subprocess.run(
        [sys.executable, str(SPEED), "100", "wishes", EFFORT], capture_output=True, text=True, check=True
    ).stdout
    stages = {words[-1]: float(words[0]) for words in (row.split(maxsplit=5) for row in told.splitlines())}
    [considered] = [int(stage.split()[2]) for stage in stages if stage.startswith("Choosing among")]
    assert considered > 37_000
    assert stages["Report, tables and figures"] < 1536
