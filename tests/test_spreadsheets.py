"""Tables as spreadsheets export them: separators, decimal commas, empty ends, columns of one's own."""

from __future__ import annotations

import pytest
from test_cli import run
from test_reading_formats import with_targets
from written import Written

from planner.scenario.reading import look_over

HEAD = "name,ra,dec,combiner,field,mag_K\n"


def overview(written, folder):
    return look_over(written.write(folder / "written"))


def told(found):
    return [str(problem) for problem in found.warnings]


@pytest.mark.parametrize("sign", [";", "\t"])
def test_columns_separated_by_semicolons_or_tabs_are_read_and_decimal_commas_are_told(tmp_path, sign):
    text = (
        HEAD.replace(",", sign)
        + sign.join(["alpha", "79,25", "-08:12:05,9", "pair in K", "20", "4,5"])
        + "\n"
    )
    found = overview(with_targets(text.encode(), "csv"), tmp_path)
    star = found.scenario.requests[0].star
    assert (star.ra_deg, star.mag) == (79.25, {"K": 4.5})
    assert star.dec_deg == pytest.approx(-(8 + 12 / 60 + 5.9 / 3600))
    # Once for the table, not once for each of its columns.
    assert [line for line in told(found) if "decimal points" in line] == [
        "targets.csv: line 2, ra: is '79,25', read as 79.25: commas here are decimal points; so in "
        "dec, mag_K. Correct it if that is not meant."
    ]


def test_a_comma_in_a_name_or_in_a_table_with_commas_is_no_decimal_point(tmp_path):
    text = HEAD.replace(",", ";") + "1,5;79.25;-8;pair in K;20;4.5\n"
    written = with_targets(text.encode(), "csv")
    del written.scenario["request"]
    assert overview(written, tmp_path).scenario.requests[0].name == "1,5"
    text = HEAD + 'alpha,"79,25",-8,pair in K,20,4.5\n'
    [message] = with_targets(text.encode(), "csv").messages(tmp_path / "commas")
    assert message.startswith("targets.csv: line 2, ra: is '79,25', not a right ascension")


def test_separators_at_the_ends_of_lines_and_empty_rows_are_dropped(tmp_path):
    head = "sep=,\nname,ra,dec,combiner,field,mag_K,,,\n,,,\n"
    text = head + "alpha,79,-8,pair in K,20,4,,,\n\nbeta,80,-9,pair in K,20,3\n,,,,,,,,\n"
    wishes = overview(with_targets(text.encode(), "csv"), tmp_path).scenario.requests
    assert [wish.name for wish in wishes] == ["alpha", "beta"]


def test_rows_are_named_by_their_line_in_the_file(tmp_path):
    text = (
        HEAD
        + '"alpha",79,-8,pair in K,20,4\n\n,,,\n"be\nta",380,-8,pair in K,20,4\ngamma,381,-8,pair in K,20,4\n'
    )
    places = [message.split(":")[1] for message in with_targets(text.encode(), "csv").messages(tmp_path)]
    assert sorted(place for place in places if place.endswith("ra")) == [" line 5, ra", " line 7, ra"]


def test_a_cell_beyond_the_named_columns_is_told_with_its_line(tmp_path):
    text = HEAD.replace("mag_K", "mag_K,") + "alpha,79,-8,pair in K,20,4\nbeta,80,-9,pair in K,20,3,late\n"
    assert with_targets(text.encode(), "csv").messages(tmp_path) == [
        "targets.csv: line 3: has 7 cells for 6 columns. "
        "Name its columns, or put text with separators in quotes."
    ]


def test_columns_of_ones_own_are_kept_aside_with_a_note(tmp_path):
    written = Written()
    written.targets[0].update(colour="red", parallax_error="0.1", parallax="3")
    written.calibrators[0].update(visits="1")
    assert [line for line in told(overview(written, tmp_path)) if "kept aside" in line] == [
        "targets.csv: colour: is not a column of the table of targets. "
        "It is kept aside: nothing is read from it.",
        "targets.csv: parallax_error: is not a column of the table of targets. "
        "It is kept aside: nothing is read from it.",
        "calibrators.csv: visits: is not a column of the table of calibrators. "
        "It is kept aside: nothing is read from it.",
    ]


def test_a_misspelt_column_is_not_kept_aside_but_asked_about(tmp_path):
    written = Written()
    written.targets[0].update(prioriti="3")
    assert written.messages(tmp_path) == [
        "targets.csv: prioriti: is not a column of the table of targets. Did you mean 'priority'?"
    ]


def test_check_prints_warnings_and_ends_well(tmp_path):
    written = Written()
    written.targets[0].update(colour="red")
    done = run("check", written.write(tmp_path / "written"))
    assert done.exit_code == 0
    assert "Warning: targets.csv: colour: is not a column" in done.output
