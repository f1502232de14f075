"""What a question about feasibility works out, and what it does not."""

from __future__ import annotations

import pytest
from invented import random_scenario
from written import Written

from planner.commands import Asked, assess_feasibility, plan_night
from planner.errors import InputProblems
from planner.feasibility import questions
from planner.output.feasibility_json import night_told
from planner.output.feasibility_words import paragraph
from planner.scenario.reading import read_scenario

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


def test_without_calibrators_the_science_star_alone_is_answered_for():
    lonely = SCENARIO.model_copy(update={"calibrators": ()})
    with_brackets, alone = (assess_feasibility(own).nights[0] for own in (SCENARIO, lonely))
    assert alone.any_spans == with_brackets.any_spans
    # The science step alone: shorter than a bracket, and possible wherever the middle of one is.
    assert alone.visit_s == SCENARIO.science_step_s(SCENARIO.requests[0])
    assert len(alone.serving[0].visit_starts_s) > len(with_brackets.serving[0].visit_starts_s)
    last = alone.serving[0].visit_starts_s[-1] + alone.visit_s
    assert last <= alone.serving[0].spans[-1][1] + 1e-6
    assert "No calibrators were given" in paragraph(alone, None)
    assert night_told(alone)["science_only"]
    assert not night_told(with_brackets)["science_only"]
    with pytest.raises(InputProblems, match="calibrators: names no calibrator"):
        plan_night(lonely)


@pytest.mark.parametrize("how", ["no file", "an empty table"])
def test_a_scenario_may_do_without_calibrators(how, tmp_path):
    written = Written()
    if how == "no file":
        del written.scenario["calibrators"]
        folder = written.write(tmp_path / "scenario")
        (folder / "calibrators.csv").unlink(missing_ok=True)
        (folder / "calibrators.ecsv").unlink(missing_ok=True)
    else:
        folder = written.write(tmp_path / "scenario")
        file = folder / written.scenario["calibrators"]
        file.write_text("name,ra,dec,diameter,diameter_error\n", encoding="utf-8")
    assert read_scenario(folder).calibrators == ()
