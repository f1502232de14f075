"""Values, programs, orders and phases as a user writes them: each disagreement is told in full, and alone."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from test_reading import ODD, _reads_or_tells, _spoil
from written import Case, Written, said

from planner import terminal
from planner.output import scenario_told
from planner.scenario.programs import (
    FrequencyWeight,
    GoodPlan,
    PhaseWindow,
    Program,
)
from planner.scenario.reading import describe_defaults


def valued() -> Written:
    """Return the small scenario with every key of values, orders, programs and the good plan."""
    written = Written()
    written.scenario["request"] = [
        {
            "target": "alpha",
            "phase": {"epoch_bjd": 2_461_000.5, "period_d": 2.5, "phases": [[0.9, 0.1], [0.4, 0.6]]},
            "gap_min_h": 2.0,
            "all_or_nothing": True,
            "frequency_weights": [
                {"to_mega_lambda": 10.0, "weight": 0},
                {"from_mega_lambda": 10.0, "to_mega_lambda": 20.0, "weight": 3},
            ],
            "cell_values": [4, 2, 1],
            "cells_floor": 5,
            "cells_goal": 80,
        },
        {"target": "beta", "after": "alpha", "only_with": "alpha"},
    ]
    written.scenario["program"] = [
        {"name": "pulsation", "targets": ["alpha"], "hours_max": 3.5, "share": 2},
        {"name": "survey", "targets": ["beta"]},
    ]
    written.scenario["plan"] = {"share_calibrators": True, "fairness": 0.25}
    return written


def extras(written: Written, number: int = 0) -> dict:
    """Return one of the two [[request]] tables."""
    return written.scenario["request"][number]


def phase(written: Written) -> dict:
    """Return the phases asked for."""
    return extras(written)["phase"]


def program(written: Written, number: int = 0) -> dict:
    """Return one of the two programs."""
    return written.scenario["program"][number]


RANGES = "ranges of phase as [[from, to]], each within 0 to 1; from 0.9 to 0.1 goes through zero."
CELLS = "what a cell is worth when it is filled the first time, the second, ...; never rising."
VALUES: list[Case] = [
    (
        lambda w: phase(w).update(phases=[]),
        "scenario.toml: request[0].phase.phases",
        "is empty",
        f"Give it: {RANGES}",
    ),
    (
        lambda w: phase(w).update(phases=[[0.1]]),
        "scenario.toml: request[0].phase.phases[0]",
        "has 1 value where 2 are expected",
        f"Give 2 values: {RANGES}",
    ),
    (
        lambda w: phase(w).update(phases=[[0.1, 0.2, 0.3]]),
        "scenario.toml: request[0].phase.phases[0]",
        "has 3 values where 2 are expected",
        f"Give 2 values: {RANGES}",
    ),
    (
        lambda w: phase(w).update(phases=[[0.3, "half"]]),
        "scenario.toml: request[0].phase.phases[0][1]",
        "is 'half', not a number",
        f"Give a number: {RANGES}",
    ),
    (
        lambda w: phase(w).update(phases=[[0.3, 1.2]]),
        "scenario.toml: request[0].phase",
        "has the phases [0.3, 1.2], not two different ones within 0 to 1",
        f"Change phases: {RANGES}",
    ),
    (
        # One is where zero is: nothing lies between.
        lambda w: phase(w).update(phases=[[1, 0]]),
        "scenario.toml: request[0].phase",
        "has the phases [1, 0], not two different ones within 0 to 1",
        f"Change phases: {RANGES}",
    ),
    (
        lambda w: phase(w).update(epoch_bjd=61_000.0),
        "scenario.toml: request[0].phase.epoch_bjd",
        "is 61000.0, which is below 2300000",
        "Give a number of at least 2300000: phase zero: a barycentric Julian date, TDB.",
    ),
    (
        lambda w: phase(w).pop("epoch_bjd"),
        "scenario.toml: request[0].phase.epoch_bjd",
        "is missing",
        "Add it: phase zero: a barycentric Julian date, TDB.",
    ),
    (
        lambda w: phase(w).update(periods=2.5),
        "scenario.toml: request[0].phase.periods",
        "is not a key of phase",
        "Did you mean 'period_d'?",
    ),
    (
        lambda w: extras(w).update(cell_values=[1, 2]),
        "scenario.toml: request[0]",
        "has cell_values that rise",
        f"Change cell_values: {CELLS}",
    ),
    (
        lambda w: extras(w).update(cell_values=[9, 8, 7, 6, 5, 4, 3, 2, 1, 1, 1]),
        "scenario.toml: request[0].cell_values",
        "has 11 values, more than 10",
        f"Give 10 at most: {CELLS}",
    ),
    (
        lambda w: extras(w).update(cell_values=[0]),
        "scenario.toml: request[0].cell_values[0]",
        "is 0, which is below 1",
        f"Give a number of at least 1: {CELLS}",
    ),
    (
        lambda w: extras(w)["frequency_weights"][1].update(to_mega_lambda=10.0),
        "scenario.toml: request[0].frequency_weights[1]",
        "has a to_mega_lambda that is not larger than its from_mega_lambda",
        "Change from_mega_lambda: spatial frequency from which it holds, in 10^6 wavelengths; "
        "to_mega_lambda: spatial frequency up to which it holds.",
    ),
    (
        lambda w: program(w).update(hours_max=25.0),
        "scenario.toml: program[0].hours_max",
        "is 25.0, which is above 24",
        "Give a number of at most 24: time for its visits this night, from the capture of the first star to "
        "the last record.",
    ),
    (
        lambda w: program(w).update(targets=[]),
        "scenario.toml: program[0].targets",
        "is empty",
        "Give it: its targets; each is in one program at most.",
    ),
    (
        lambda w: w.scenario["plan"].update(fairness=1.5),
        "scenario.toml: plan.fairness",
        "is 1.5, which is above 1",
        "Give a number of at most 1: part that is taken off what a program gets beyond its share of the "
        "score; 0 is off.",
    ),
]

AGREEMENT: list[Case] = [
    (
        lambda w: extras(w, 1).update(after="alfa"),
        "scenario.toml: request[1].after",
        "'alfa' is not a target of targets.csv",
        "Did you mean 'alpha'?",
    ),
    (
        lambda w: extras(w, 1).update(only_with="gamma"),
        "scenario.toml: request[1].only_with",
        "'gamma' is not a target of targets.csv",
        "Use one of 'alpha', 'beta'.",
    ),
    (
        lambda w: extras(w, 1).update(after="beta"),
        "scenario.toml: request[1].after",
        "is 'beta', the target itself",
        "Name another target, or leave it out.",
    ),
    (
        lambda w: extras(w, 1).update(only_with="beta"),
        "scenario.toml: request[1].only_with",
        "is 'beta', the target itself",
        "Name another target, or leave it out.",
    ),
    (
        lambda w: extras(w).update(after="beta"),
        "scenario.toml: request[0].after",
        "closes a circle: 'alpha' after 'beta' after 'alpha'",
        "Leave after out of one of these requests.",
    ),
    (
        lambda w: program(w).update(targets=["alpha", "alpha"]),
        "scenario.toml: program[0].targets[1]",
        "'alpha' is named twice",
        "Name each target once.",
    ),
    (
        lambda w: program(w, 1).update(targets=["beta", "alpha"]),
        "scenario.toml: program[1].targets[1]",
        "'alpha' is also a target of program[0]",
        "Leave each target to one program.",
    ),
    (
        lambda w: program(w, 1).update(targets=["bete"]),
        "scenario.toml: program[1].targets[0]",
        "'bete' is not a target of targets.csv",
        "Did you mean 'beta'?",
    ),
    (
        lambda w: program(w, 1).update(name="pulsation"),
        "scenario.toml: program[1].name",
        "'pulsation' is also the name of program[0]",
        "Give each program its own name.",
    ),
    (
        lambda w: extras(w).update(cells_goal=4),
        "scenario.toml: request[0].cells_goal",
        "is 4, below cells_floor, which is 5",
        "Raise it, or lower cells_floor.",
    ),
    (
        # Three visits have two gaps between them.
        lambda w: (extras(w).update(gap_min_h=12.0), w.targets[0].update(visits="3")),
        "scenario.toml: request[0].gap_min_h",
        "is 12 h, which makes 3 visits last more than 24 h, and all_or_nothing wants them in one night",
        "Ask for shorter gaps or fewer visits, or leave all_or_nothing out.",
    ),
    (
        # 0.0001 of 2.5 days are 21.6 s.
        lambda w: phase(w).update(phases=[[0.1, 0.2], [0.2001, 0.3]]),
        "scenario.toml: request[0].phase.phases",
        "leave 21.6 s out between two ranges, less than tick_s, which is 30",
        "Join the ranges, or leave more out between them.",
    ),
]

FINE = {
    "nothing changed": lambda w: None,
    "each only with the other": lambda w: extras(w).update(only_with="beta"),
    "all of one visit or nothing": lambda w: w.targets[0].update(visits="1"),
    "long gaps when fewer visits are welcome": lambda w: (
        extras(w).update(gap_min_h=20.0, all_or_nothing=False),
        w.targets[0].update(visits="5"),
    ),
    "a gap as long as most of the night": lambda w: extras(w).update(gap_min_h=23.9),
    "a goal that is just the floor": lambda w: extras(w).update(cells_goal=5),
    "early, at a price": lambda w: w.scenario["plan"].update(irreplaceable_early=True, early_cost_max=0.1),
    "ranges that touch": lambda w: phase(w).update(phases=[[0.1, 0.2], [0.2, 0.3]]),
    "a whole turn": lambda w: phase(w).update(phases=[[0, 1]]),
    "a target of no program": lambda w: w.scenario["program"].pop(),
}


@pytest.mark.parametrize(("spoil", "where", "found", "remedy"), [*VALUES, *AGREEMENT])
def test_each_odd_wish_is_told_in_full_and_alone(tmp_path, spoil, where, found, remedy):
    written = valued()
    spoil(written)
    assert written.messages(tmp_path) == [said(where, found, remedy)]


@pytest.mark.parametrize("name", FINE)
def test_what_a_night_can_keep_is_not_refused(tmp_path, name):
    written = valued()
    FINE[name](written)
    assert written.messages(tmp_path) == []


def test_every_problem_of_requests_that_hang_together_comes_at_once(tmp_path):
    written = valued()
    extras(written).update(after="beta", cells_goal=1)
    extras(written, 1).update(only_with="beta")
    program(written, 1).update(targets=["beta", "beta", "alpha"])
    told = [text.partition(": ")[2].partition(":")[0] for text in written.messages(tmp_path)]
    assert told == [
        "program[1].targets[1]",
        "program[1].targets[2]",
        "request[0].after",
        "request[0].cells_goal",
        "request[1].only_with",
    ]


def test_two_circles_are_told_once_each_and_what_leads_into_one_is_not(tmp_path):
    written = valued()
    names = ("gamma", "delta", "epsilon")
    written.targets += [
        written.targets[0] | {"name": name, "ra": f"{80 + k}"} for k, name in enumerate(names)
    ]
    extras(written).update(after="beta")
    written.scenario["request"] += [
        {"target": "gamma", "after": "alpha"},
        {"target": "delta", "after": "epsilon"},
        {"target": "epsilon", "after": "delta"},
    ]
    remedy = "Leave after out of one of these requests."
    assert written.messages(tmp_path) == [
        said(
            "scenario.toml: request[0].after",
            "closes a circle: 'alpha' after 'beta' after 'alpha'",
            remedy,
        ),
        said(
            "scenario.toml: request[3].after",
            "closes a circle: 'delta' after 'epsilon' after 'delta'",
            remedy,
        ),
    ]


def test_requests_whose_target_is_misspelt_close_no_circle(tmp_path):
    written = valued()
    extras(written).update(after="beta", target="alpa")
    told = written.messages(tmp_path)
    assert [text.partition(": ")[2].partition(":")[0] for text in told] == ["request[0].target"]


def test_no_program_is_asked_for_targets_of_a_table_that_has_lost_a_name(tmp_path):
    written = valued()
    written.targets[1]["name"] = ""
    program(written, 1)["targets"] = ["gamma"]
    assert all("program" not in text for text in written.messages(tmp_path))


def test_checking_tells_programs_and_terms(tmp_path, capsys):
    found = valued().read(tmp_path)
    terminal.tell_check(found, [], as_json=False)
    said_lines = capsys.readouterr().out.splitlines()
    assert said_lines[2:4] == [
        "  1 request at phases of its own, 1 with a gap between visits, 1 after another, "
        "1 only with another, 1 that wants all visits or none, 1 with values of its own for cells",
        "  programs: pulsation (1 target, at most 3.5 h, share 2), survey (1 target, share 1)",
    ]
    told = scenario_told.check_told(found)
    assert told["terms"] == {
        "phases": 1, "gaps": 1, "order": 1, "company": 1, "all or nothing": 1, "values": 1
    }  # fmt: skip
    assert [own["name"] for own in told["programs"]] == ["pulsation", "survey"]


def test_a_site_without_programs_need_not_know_of_them(tmp_path, capsys):
    found = Written().read(tmp_path)
    assert (found.programs, found.plan) == ((), GoodPlan())
    assert set(scenario_told.terms(found).values()) == {0}
    terminal.tell_check(found, [], as_json=False)
    assert "program" not in capsys.readouterr().out


def test_a_default_within_a_program_is_listed_with_its_place(tmp_path):
    defaults = {key: value for _, key, value in describe_defaults(valued().write(tmp_path / "written"))}
    assert defaults["program[1].share"] == 1
    assert defaults["request[0].frequency_weights[0].from_mega_lambda"] == 0.0
    assert defaults["plan.lost_probability"] == 0.2


@pytest.mark.parametrize("kind", ["request", "program", "plan"])
@given(data=st.data())
@settings(max_examples=40, deadline=None)
def test_a_spoiled_wish_is_read_or_told_in_our_words_and_never_anything_else(kind, data):
    written = valued()
    tables = written.scenario[kind]
    _spoil(data, tables if isinstance(tables, dict) else data.draw(st.sampled_from(tables)), ODD)
    _reads_or_tells(written)


def test_the_readme_names_every_key_of_values_and_programs_and_no_other():
    readme = (Path(__file__).parent.parent / "README.md").read_text(encoding="utf-8")
    told = readme.partition("## What a visit is worth")[2].partition("\n## ")[0]
    table = "\n".join(line for line in told.splitlines() if line.startswith("|"))
    named = set(re.findall(r"`([a-z_]+)`", table))
    inner = (Program, GoodPlan, PhaseWindow, FrequencyWeight)
    keys = {key for model in inner for key in model.model_fields}
    of_request = set(extras(valued())) | set(extras(valued(), 1)) | {"only_with"}
    assert named == keys | (of_request - {"target"})
    # What is told below the table is in it.
    assert set(re.findall(r"`([a-z]+_[a-z_]+)`", told)) <= named
