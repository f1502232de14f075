"""What ``planner check`` says of the light path, and the words and looks of its limits."""

from __future__ import annotations

import json
from pathlib import Path

from planner import terminal
from planner.feasibility.subarrays import ORDER
from planner.output import scenario_told
from planner.output.feasibility_words import MORE_MARGINS
from planner.output.figure_season import letter, look
from planner.output.light_sheet import lines_told
from planner.output.sentences import MARGINS
from planner.scenario.reading import read_scenario

SCENARIOS = Path(__file__).resolve().parent.parent / "scenarios"


def test_every_limit_is_told_in_words():
    known = MARGINS.keys() | MORE_MARGINS.keys() | {"shadowing"}
    assert not set(ORDER) - known


def test_thirty_limits_look_different():
    seen = {(look(code)["facecolor"], look(code)["hatch"]) for code in range(1, 31)}
    assert len(seen) == 30
    assert len({letter(code) for code in range(1, 31)}) == 30


def test_lines_are_told_with_their_segments():
    assert lines_told(("L3", "L4"), ("P2", "")) == "L3 with P2, L4"
    assert lines_told(("L3", "L4"), ()) == "L3–L4"


def test_checking_says_what_the_light_path_contains(capsys):
    terminal.tell_check(read_scenario(SCENARIOS / "twostars"), [], as_json=False)
    said = capsys.readouterr().out
    assert "4 routing modes, 3 spectral setups, 1 fringe tracker, 1 beam-position sensor" in said
    assert "3 requests for two stars, 2 with a guide star, 6 in a spectral setup, 1 that wants phase" in said
    assert "reserved: Mirror of Hornet washed 2027-07-04 02:30 to 04:00 UTC (Hornet)" in said
    assert (
        "Alignment of the differential delay lines, 25 min at a time to be chosen within 2027-07-04 00:30"
        in said
    )
    terminal.tell_check(read_scenario(SCENARIOS / "tiny"), [], as_json=False)
    assert len(capsys.readouterr().out.splitlines()) == 3


def test_checking_tells_machines_the_same():
    found = scenario_told.check_told(read_scenario(SCENARIOS / "steps"))
    assert found["light_path"]["path segments"] == 5
    assert found["wishes"] == {
        "two stars": 0,
        "guide star": 0,
        "spectral setup": 4,
        "phase tracking": 1,
        "no tracking": 0,
    }
    assert [own["name"] for own in json.loads(json.dumps(found))["reserved"]] == [
        "Survey of the beam gallery"
    ]
