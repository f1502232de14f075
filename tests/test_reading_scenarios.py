"""The scenarios that come with the planner: two are sound, one shows what is said about mistakes."""

from __future__ import annotations

from pathlib import Path

import pytest

from planner.errors import InputProblems
from planner.scenario.reading import describe_defaults, read_scenario

SCENARIOS = Path(__file__).parent.parent / "scenarios"
# Read off the comments of the broken files, which say where each fault is.
BROKEN = {
    "scenario.toml": [
        "night.date",
        "night",
        "night.configuration",
        "limits.moon_seperation_min_deg",
        "limits.airmass_max",
        "effort.subarrays_per_request",
        "request[0].target",
        "request[1].windows[0].start_utc",
        "request[1].windows[1]",
        "request[1]",
        "request[2].target",
        "request[2].telescopes[1]",
    ],
    "array.toml": [
        "mirror",
        "site.latitude_deg",
        "site.height_m",
        "site.relative_humidity",
        "site.horizon_deg",
        "telescope_class[0].diameter_m",
        "telescope_class[0]",
        "telescope_class[1].obstruction_max",
        "telescope_class[1]",
        "telescope[1].station",
        "telescope[2]",
        "telescope[3]",
        "telescope[4].movable",
        "station[2].name",
        "station[3]",
        "station[4].fixed_path_m",
        "station[5]",
        "delay_line[0].strok_m",
        "delay_line[1]",
        "delay_line[2].speed_m_per_s",
        "delay_line[2].settle_s",
        "delay_line[2].medium",
        "delay_line[2]",
        "combiner[0]",
        "combiner[0].limiting_magnitude.bigg",
        "combiner[1].setup_s",
        "combiner[1].beams",
        "configuration[0].placement.Seven",
        "configuration[0].placement.One",
        "configuration[1].placement.Six",
        "configuration[2].placement.Six",
    ],
    "targets.ecsv": [
        "parallax",
        "mag_J",
        "line 21, ra",
        "line 22, name",
        "line 23, combiner",
        "line 24, priority",
        "line 25, dec",
        "line 25, visits",
        "line 26, field",
        "line 26, mag_K",
    ],
    "calibrators.ecsv": [
        "mag_K",
        "mag_J",
        "line 15, diameter",
        "line 15, diameter_error",
        "line 16, name",
        "line 17, diameter",
    ],
}


@pytest.mark.parametrize("name", ["tiny", "demo"])
def test_a_scenario_that_comes_with_the_planner_reads_without_a_problem(name):
    scenario = read_scenario(SCENARIOS / name)
    assert scenario.name == name
    assert scenario.requests
    assert describe_defaults(SCENARIOS / name)


def test_every_fault_of_the_broken_scenario_is_told_and_nothing_else():
    with pytest.raises(InputProblems) as caught:
        read_scenario(SCENARIOS / "broken")
    told = {(problem.file, problem.key) for problem in caught.value.problems}
    assert told == {(file, key) for file, keys in BROKEN.items() for key in keys}
