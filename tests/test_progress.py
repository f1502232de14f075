"""What is said while a command works, and how soon a mistyped option is told."""

from __future__ import annotations

import io
import subprocess
import sys

import pytest
import rich.console
from handmade import plan
from written import Written

from planner import cli_options
from planner.progress import Pace, PartDone, PlainLines
from planner.scheduling.plan_file import plan_json


class Clock:
    """A clock that a test winds on."""

    def __init__(self) -> None:
        self.now = 100.0

    def __call__(self) -> float:
        return self.now


def test_what_is_left_follows_from_what_the_parts_took():
    clock = Clock()
    pace = Pace(clock)
    assert pace.rest_s(PartDone("a", 0, 12)) is None
    clock.now += 8.0
    # Two of twelve took 8 s: ten are left, 4 s each.
    assert pace.rest_s(PartDone("c", 2, 12)) == pytest.approx(40.0)
    # Another piece of work, and one of which nobody knows the length.
    assert pace.rest_s(PartDone("d", 0, 3)) is None
    assert pace.rest_s("drawing") is None


def test_plain_lines_come_seldom_and_say_how_long_it_will_take():
    clock, lines = Clock(), []
    tell = PlainLines(lines.append, clock)
    for number in range(12):
        tell(PartDone(f"Working out star {number}", number, 12))
        clock.now += 4.0
    # At 12 and 24 s after the start, and so on: 3 of 12 parts took 12 s, nine are left.
    assert lines[0] == "Working out star 3, 3 of 12 done, about 36 s left"
    assert [line[:18] for line in lines] == [f"Working out star {k}" for k in (3, 6, 9)]


def test_a_terminal_sees_a_bar_with_the_time_that_is_left(monkeypatch):
    shown = io.StringIO()
    console = rich.console.Console(file=shown, force_terminal=True, width=120)
    monkeypatch.setattr("rich.console.Console", lambda stderr: console)
    with cli_options.progress() as tell:
        tell(PartDone("Working out star 1", 1, 2))
        tell(PartDone("Working out star 2", 2, 2))
    assert "Working out star 2" in shown.getvalue()
    assert "━" in shown.getvalue()


def test_nothing_is_said_to_who_wants_nothing(capsys, monkeypatch):
    monkeypatch.setattr("planner.progress.PATIENCE_S", 0.0)
    with cli_options.progress(quiet=True) as tell:
        tell("Working")
    assert capsys.readouterr() == ("", "")
    with cli_options.progress() as tell:
        tell("Working")
    assert capsys.readouterr() == ("", "Working\n")


LOADED = """
import sys
from planner.cli import main
try:
    main()
except SystemExit as end:
    print(end.code, [name for name in ("numpy", "astropy", "matplotlib", "ortools") if name in sys.modules])
"""


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("replan", "PLAN", "--at", "25:99"), "--at: is '25:99', not a time"),
        (("replan", "PLAN", "--at", "03:00", "--lost", "V99"), "--lost: is 'V99', no visit of this plan"),
        (("replan", "PLAN", "--at", "03:00", "--out", "FILE"), "exists and is not a folder"),
        (("night", "SCENARIO", "--out", "FILE"), "exists and is not a folder"),
        (("feasibility", "SCENARIO", "--out", "FILE"), "exists and is not a folder"),
        (("rank", "SCENARIO", "--out", "FILE"), "exists and is not a folder"),
    ],
)
def test_a_mistyped_option_is_told_before_anything_large_is_loaded(words, told, tmp_path):
    (tmp_path / "plan.json").write_text(plan_json(plan()), encoding="utf-8")
    (tmp_path / "a file").write_text("mine", encoding="utf-8")
    scenario = Written().write(tmp_path / "scenario")
    places = {"PLAN": tmp_path, "FILE": tmp_path / "a file", "SCENARIO": scenario}
    line = [str(places.get(word, word)) for word in words]
    done = subprocess.run([sys.executable, "-c", LOADED, *line], capture_output=True, text=True, check=False)
    assert told in done.stderr
    assert done.stdout == "2 []\n"
