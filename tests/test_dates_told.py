"""A date that is none is told in our words, wherever it stands."""

from __future__ import annotations

import pytest
from test_cli import SCENARIOS, run
from written import Written, toml_text


@pytest.mark.parametrize("command", ["night", "feasibility", "rank"])
def test_a_date_of_another_form_is_told_with_the_one_that_is_meant(command):
    done = run(command, SCENARIOS / "tiny", "--date", "08.01.2027")
    assert done.exit_code == 2
    assert done.output == "command line: --date: is '08.01.2027', not a date. Write it 2027-01-08.\n"


def test_all_dates_of_a_command_are_told_at_once():
    done = run("rank", SCENARIOS / "tiny", "--from", "1/2/27", "--to", "2027-02-30")
    assert done.output.splitlines() == [
        "command line: --from: is '1/2/27', not a date. Write it like 2027-03-11.",
        "command line: --to: is '2027-02-30', not a date. Write it like 2027-03-11.",
    ]


@pytest.mark.parametrize(
    ("value", "told"),
    [
        ("08.01.2027", "line 1, date: is '08.01.2027', not a date. Write it 2027-01-08."),
        ("2027-1-8", "line 1, date: is '2027-1-8', not a date. Write it like 2027-03-11."),
        ("2027-02-30", "line 1, date: is '2027-02-30', not a date. Write it like 2027-03-11."),
        ('"08.01.2027"', "night.date: is '08.01.2027', not a date. Write it 2027-01-08: local date of the "
         "evening, YYYY-MM-DD, 1990 to 2060."),
    ],
)  # fmt: skip
def test_a_date_in_a_file_is_told_with_its_key(tmp_path, value, told):
    written = Written()
    rest = {key: own for key, own in written.scenario.items() if key != "night"}
    text = f'night = {{ date = {value}, configuration = "wide" }}\n' + toml_text(rest)
    written.files["scenario.toml"] = text.encode()
    assert written.messages(tmp_path) == [f"scenario.toml: {told}"]


def test_each_time_of_a_line_is_told(tmp_path):
    written = Written()
    text = (
        toml_text(written.scenario)
        + "[[reserved]]\nname = 'x'\nwindows = [{ start_utc = 02:10, end_utc = 3 am }]\n"
    )
    written.files["scenario.toml"] = text.encode()
    line = text.count("\n")
    like = "not a time in UTC. Write it like 2027-03-12T02:10:00Z."
    assert written.messages(tmp_path) == [
        f"scenario.toml: line {line}, end_utc: is '3 am', {like}",
        f"scenario.toml: line {line}, start_utc: is '02:10', {like}",
    ]
