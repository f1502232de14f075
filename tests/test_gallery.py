"""The gallery in reports/ is true: its three scenarios are planned anew."""

from __future__ import annotations

import re

import pytest
from gallery import GALLERY, LARGEST_BYTES, ROOT, SCENARIOS, numbers, text_of

import planner
from planner.scenario.reading import read_scenario

pytestmark = pytest.mark.slow

PICTURES = [f"{name}-night.png" for name in SCENARIOS] + ["demo-phone.png", "demo-sheet.png"]


@pytest.mark.parametrize("name", SCENARIOS)
def test_each_scenario_is_planned_as_the_gallery_shows_it(name):
    plan = planner.plan_night(read_scenario(ROOT / "scenarios" / name)).plan
    assert text_of(numbers(plan)) == (GALLERY / f"{name}.json").read_text(encoding="utf-8")
    assert plan.audit.passed
    assert plan.visits


@pytest.mark.parametrize("name", PICTURES)
def test_pictures_of_the_gallery_are_small_and_are_pictures(name):
    content = (GALLERY / name).read_bytes()
    assert content.startswith(b"\x89PNG\r\n\x1a\n")  # PNG specification, 5.2
    assert len(content) <= LARGEST_BYTES


def test_the_readme_shows_pictures_that_there_are():
    shown = re.findall(r"!\[[^\]]+\]\(([^)]+)\)", (ROOT / "README.md").read_text(encoding="utf-8"))
    assert shown
    assert all((ROOT / path).is_file() for path in shown)
