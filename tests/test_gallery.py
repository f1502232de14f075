"""The gallery in reports/ is true: the demonstration is planned anew, the others fit their scenarios."""

from __future__ import annotations

import json
import re

import pytest
from gallery import GALLERY, LARGEST_BYTES, ROOT, SCENARIOS, numbers, text_of

import planner
from planner.scenario.reading import read_scenario

PICTURES = [f"{name}-night.png" for name in SCENARIOS] + ["demo-phone.png", "demo-sheet.png"]


def kept(name):
    return json.loads((GALLERY / f"{name}.json").read_text(encoding="utf-8"))


def test_the_demonstration_is_planned_as_the_gallery_shows_it():
    plan = planner.plan_night(read_scenario(ROOT / "scenarios" / "demo")).plan
    assert numbers(plan) == kept("demo")
    assert text_of(numbers(plan)) == (GALLERY / "demo.json").read_text(encoding="utf-8")
    assert plan.audit.passed


@pytest.mark.parametrize("name", SCENARIOS)
def test_names_and_counts_of_the_gallery_are_those_of_the_scenario(name):
    """Of ``steps`` and ``twostars`` no more is asked: planning them anew takes a minute each."""
    scenario, told = read_scenario(ROOT / "scenarios" / name), kept(name)
    assert told["scenario"] == scenario.name
    assert told["configuration"] == scenario.night.configuration
    assert told["date"] == str(scenario.night.date)
    requests = {request.name: request for request in scenario.requests}
    calibrators = {star.name for star in scenario.calibrators}
    telescopes = {telescope.name for telescope in scenario.array.telescopes}
    for target, request in requests.items():
        visits = [visit for visit in told["visits"] if visit["target"] == target]
        assert len(visits) <= request.visits
        assert (target in told["left_out"]) == (not visits)
        assert all(visit["combiner"] == request.combiner for visit in visits)
    for visit in told["visits"]:
        assert visit["target"] in requests
        assert set(visit["calibrators"]) <= calibrators
        assert len(visit["calibrators"]) == 2
        assert set(visit["subarray"]) <= telescopes
        assert len(visit["subarray"]) <= scenario.array.combiner(visit["combiner"]).beams
    assert [visit["id"] for visit in told["visits"]] == [f"V{k + 1:02d}" for k in range(len(told["visits"]))]
    starts = [visit["start_utc"] for visit in told["visits"]]
    assert starts == sorted(starts)
    assert told["score"] <= told["bound"]
    assert told["gap"] == pytest.approx((told["bound"] - told["score"]) / told["bound"], abs=1e-6)
    assert told["audit_passed"] is True


@pytest.mark.parametrize("name", PICTURES)
def test_pictures_of_the_gallery_are_small_and_are_pictures(name):
    content = (GALLERY / name).read_bytes()
    assert content.startswith(b"\x89PNG\r\n\x1a\n")  # PNG specification, 5.2
    assert len(content) <= LARGEST_BYTES


def test_the_readme_shows_pictures_that_there_are():
    shown = re.findall(r"!\[[^\]]+\]\(([^)]+)\)", (ROOT / "README.md").read_text(encoding="utf-8"))
    assert shown
    assert all((ROOT / path).is_file() for path in shown)
