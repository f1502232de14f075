"""In which bands the stars need a magnitude, and what is not said while something else is wrong."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from test_reading_light import extras, lit
from written import said

from planner.scenario.night import GuideStar, RequestExtras, SecondStar
from planner.scenario.parts import ARRAY_SECTIONS, SCENARIO_SECTIONS

MAGNITUDES = [
    ("K", 0, "but combiner 'pair in K' works in K"),
    ("H", 0, "but spectral setup 'fine' of combiner 'pair in K' also records in H"),
    ("J", 0, "but beam-position sensor 'table camera' works in J"),
    ("Y", 1, "but fringe tracker 'follower' works in Y"),
    ("V", 1, "but telescope class 'one metre' guides in V"),
]


@pytest.mark.parametrize(("band", "row", "why"), MAGNITUDES)
def test_a_target_lacks_a_magnitude_in_each_band_in_which_something_sees_it(tmp_path, band, row, why):
    written = lit()
    written.targets[row][f"mag_{band}"] = ""
    assert written.messages(tmp_path) == [
        said(
            f"targets.csv: line {row + 2}, mag_{band}",
            f"is empty, {why}",
            f"Give the star's magnitude in {band}.",
        )
    ]


@pytest.mark.parametrize(("band", "row", "why"), MAGNITUDES)
def test_no_calibrator_has_a_magnitude_in_a_band_that_is_needed(tmp_path, band, row, why):
    written = lit()
    written.calibrators[0][f"mag_{band}"] = ""
    remedy = f"Give the magnitude in {band} of at least one calibrator."
    assert written.messages(tmp_path) == [
        said(f"calibrators.csv: mag_{band}", f"is empty in every row, {why}", remedy)
    ]


@pytest.mark.parametrize(("band", "row", "why"), MAGNITUDES)
def test_a_band_without_a_column_is_told_once_for_each_table(tmp_path, band, row, why):
    written = lit()
    for star in (*written.targets, *written.calibrators):
        star.pop(f"mag_{band}", None)
    remedy = f"Add this column: magnitude in {band}."
    assert written.messages(tmp_path) == [
        said(f"{file}: mag_{band}", f"is missing, {why}", remedy)
        for file in ("calibrators.csv", "targets.csv")
    ]


def test_a_band_that_a_setup_leaves_behind_is_not_asked_for(tmp_path):
    written = lit()
    written.array["spectral_setup"][0]["band"] = "H"
    written.targets[0]["mag_K"] = ""
    assert written.messages(tmp_path) == []


def test_a_sensor_is_content_with_either_of_two_stars(tmp_path):
    written = lit()
    extras(written)["second_star"]["mag"]["J"] = 5.0
    written.targets[0]["mag_J"] = ""
    assert written.messages(tmp_path) == []


def test_a_request_that_wants_no_tracking_needs_no_magnitude_for_it(tmp_path):
    written = lit()
    written.scenario["request"].append({"target": "beta", "tracking": "none"})
    written.targets[1]["mag_Y"] = ""
    assert written.messages(tmp_path) == []


def test_tracker_and_sensor_that_no_combiner_names_ask_for_nothing(tmp_path):
    written = lit()
    del extras(written)["second_star"], extras(written)["tracking"]
    del written.array["combiner"][0]["fringe_tracker"], written.array["combiner"][0]["beam_sensor"]
    for star in (*written.targets, *written.calibrators):
        star.pop("mag_Y", None)
        star.pop("mag_J", None)
    assert written.messages(tmp_path) == []


@pytest.mark.parametrize("kind", ["routing_mode", "spectral_setup", "fringe_tracker", "beam_sensor"])
def test_a_table_that_lost_its_name_causes_no_message_about_what_refers_to_it(tmp_path, kind):
    written = lit()
    del written.array[kind][-1]["name"]
    [message] = written.messages(tmp_path)
    assert message.startswith(
        f"array.toml: {kind}[{len(written.array[kind]) - 1}].name: is missing. Add it: name"
    )


def test_a_request_whose_target_is_misspelt_causes_no_message_about_stars(tmp_path):
    written = lit()
    extras(written)["target"] = "alpa"
    assert written.messages(tmp_path) == [
        said(
            "scenario.toml: request[0].target",
            "'alpa' is not a target of targets.csv",
            "Did you mean 'alpha'?",
        )
    ]


def test_a_misspelt_dual_feed_is_told_once(tmp_path):
    written = lit()
    written.array["dual_fed"] = written.array.pop("dual_feed")
    assert written.messages(tmp_path) == [
        said("array.toml: dual_fed", "is not a key of array.toml", "Did you mean 'dual_feed'?")
    ]


def test_the_readme_names_every_key_of_the_new_tables_and_no_other():
    readme = (Path(__file__).parent.parent / "README.md").read_text(encoding="utf-8")
    told = readme.partition("## What stands between")[2].partition("\n## ")[0]
    named = set(re.findall(r"`([a-z_0-9]+)`", told))
    models = {name: section.model for name, section in (ARRAY_SECTIONS | SCENARIO_SECTIONS).items()}
    new = ("routing_mode", "path_segment", "spectral_setup", "fringe_tracker", "beam_sensor", "dual_feed")
    tables = [models[name] for name in (*new, "internal_calibration", "reserved")]
    keys = {key for model in (*tables, GuideStar, SecondStar) for key in model.model_fields}
    assert keys <= named
    assert named <= {key for model in (*models.values(), GuideStar, SecondStar) for key in model.model_fields}
    assert {"spectral_setup", "tracking", "guide_star", "second_star"} <= named & set(
        RequestExtras.model_fields
    )
