"""What a question about feasibility works out, and what it does not."""

from __future__ import annotations

import pytest
from invented import random_scenario

from planner.commands import Asked, assess_feasibility
from planner.feasibility import questions

SCENARIO = random_scenario(3, requests=1, telescopes=3, beams=2)


def test_a_year_is_worked_out_only_when_it_is_asked_for(monkeypatch):
    def refuse(*_):
        raise AssertionError("a season was worked out")

    monkeypatch.setattr(questions, "season_of", refuse)
    found = assess_feasibility(SCENARIO)
    assert found.season is None
    assert found.nights[0].serving
    with pytest.raises(AssertionError, match="season"):
        assess_feasibility(SCENARIO, Asked(season=True))
