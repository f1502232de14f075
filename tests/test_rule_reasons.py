"""What is said of a request that a rule keeps from its next visit."""

from __future__ import annotations

from invented import random_scenario
from wishes import edited

from planner.commands import plan_night
from planner.scenario.programs import Program


def test_a_request_with_a_visit_hears_that_the_time_of_its_program_is_spent():
    # A visit takes 90 s and 1,200 s: 0.5 h hold one, and the night has room for more.
    scenario = edited(random_scenario(3, requests=1, telescopes=3, beams=2), **{"request.visits": 3})
    name = scenario.requests[0].name
    free = plan_night(scenario).plan.requests[0]
    assert free.visits_planned > 1
    program = Program(name="short", targets=(name,), hours_max=0.5)
    bound = plan_night(scenario.model_copy(update={"programs": (program,)})).plan.requests[0]
    assert bound.visits_planned == 1
    assert bound.reason.startswith("1 of 3 visits planned: the time of program short is spent: ")
