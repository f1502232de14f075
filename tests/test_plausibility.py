"""What can be read and is hardly meant is told, with its row; what is fine is not."""

from __future__ import annotations

import datetime
import json

import pytest
from test_cli import SCENARIOS, run
from written import Written

from planner.scenario.reading import look_over


def told(written, folder):
    return [str(problem) for problem in look_over(written.write(folder / "written")).warnings]


@pytest.mark.parametrize("name", ["demo", "tiny", "steps", "twostars"])
def test_the_scenarios_that_come_with_the_planner_give_no_warning(name):
    assert look_over(SCENARIOS / name).warnings == ()


def test_a_calibrator_that_is_a_target_is_refused_with_its_row(tmp_path):
    written = Written()
    written.calibrators[1].update(name="beta's other name", ra="83.5", dec="-5.2502", mag_K="4")
    assert written.messages(tmp_path) == [
        "calibrators.csv: line 3: \"beta's other name\" is 0.7 arcsec from target 'beta' "
        "(targets.csv, line 3). "
        "A star cannot calibrate itself: take it out of one of the two tables."
    ]


def test_a_star_that_moves_is_found_at_the_place_it_has_in_the_night(tmp_path):
    # By hand: 3.2 arcsec a year to the north for 27 years are 86 arcsec, 0.024 deg.
    written = Written()
    written.targets[1].update(pmdec="3200")
    written.calibrators[1].update(
        ra="83.5", dec=f"{-5.25 + 3.2 * (2027 + 2.5 / 12 - 2000) / 3600:.7f}", mag_K="4"
    )
    [message] = written.messages(tmp_path)
    assert "'c2' is 0.0 arcsec from target 'beta'" in message


def test_one_star_under_two_names_is_told(tmp_path):
    written = Written()
    written.targets.append(written.targets[0] | {"name": "another name"})
    assert told(written, tmp_path) == [
        "targets.csv: line 4: 'another name' is 0.0 arcsec from 'alpha' (targets.csv, line 2). "
        "Is it one star under two names?"
    ]


def test_a_name_in_other_capitals_is_told(tmp_path):
    written = Written()
    written.calibrators.append(written.calibrators[0] | {"name": "C 1", "dec": "-7.5"})
    assert told(written, tmp_path) == [
        "calibrators.csv: line 4: is called 'C 1', which differs from 'c1' (calibrators.csv, line 2) by "
        "capitals or spaces, 0.5 deg away. Is it the same star?"
    ]


def test_a_calibrator_with_the_name_of_a_target_elsewhere_is_told(tmp_path):
    written = Written()
    written.calibrators[0].update(name="Beta")
    [message] = told(written, tmp_path)
    assert message.startswith(
        "calibrators.csv: line 2: has the name of target 'beta' (targets.csv, line 3), 3.9 deg"
    )


def test_a_field_that_the_array_does_not_look_into_is_told(tmp_path):
    # By hand: the pads span 40 m by 50 m, 64 m; 2.05 um / 64 m / 2 is 3.3 mas.
    written = Written()
    written.targets[0].update(field="0.02")
    assert told(written, tmp_path) == [
        "targets.csv: line 2, field: is 0.02 mas, and the array resolves 3.3 mas at best. "
        "Every visit then fills the same cells: is its unit another one?"
    ]


def test_a_diameter_that_no_star_has_is_told_or_refused(tmp_path):
    written = Written()
    written.targets[0].update(diameter="820")
    [message] = told(written, tmp_path)
    assert message.startswith("targets.csv: line 2, diameter: is 820 mas, and no star has more than 100.")
    written.targets[0].update(diameter="8200")
    [message] = written.messages(tmp_path)
    assert message.startswith("targets.csv: line 2, diameter: is 8200.0, which is above 1000.")


def test_a_window_in_another_month_is_told(tmp_path):
    written = Written()
    [window] = written.scenario["request"][0]["windows"]
    for key in ("start_utc", "end_utc"):
        window[key] += datetime.timedelta(days=31)
    assert told(written, tmp_path) == [
        "scenario.toml: request[0].windows: lies outside the night of 2027-03-11; the nearest: "
        "2027-04-12 02:10. Nothing can be observed in it tonight: is its date right?"
    ]


def test_one_window_of_several_in_the_night_is_enough(tmp_path):
    written = Written()
    [window] = written.scenario["request"][0]["windows"]
    later = {key: value + datetime.timedelta(days=31) for key, value in window.items()}
    written.scenario["request"][0]["windows"].append(later)
    assert told(written, tmp_path) == []


def test_a_reserved_time_of_another_night_is_told(tmp_path):
    written = Written()
    start = datetime.datetime(2027, 4, 12, 2, tzinfo=datetime.UTC)
    end = start + datetime.timedelta(hours=1)
    written.scenario["reserved"] = [{"name": "mirror", "start_utc": start, "end_utc": end}]
    [message] = told(written, tmp_path)
    assert message.startswith("scenario.toml: reserved[0].start_utc: lies outside the night of 2027-03-11.")


def test_right_ascensions_in_decimal_hours_are_told(tmp_path):
    # 05:16:41 is 5.278 h, and 83.5 deg are 5.567 h.
    written = Written()
    for row, hours in zip(written.targets, ("5.278", "5.567"), strict=True):
        row.update(ra=hours)
    far = "no calibrator is near, but one at so many hours"
    remedy = "If hours are meant, write them like 05:16:41.36"
    assert told(written, tmp_path) == [
        f"targets.csv: ra: is below 24 in every row, and read as degrees. {remedy}, or give the column "
        "the unit hourangle.",
        f"targets.csv: line 2, ra: is 5.278, read as degrees: {far}. {remedy}.",
        f"targets.csv: line 3, ra: is 5.567, read as degrees: {far}. {remedy}.",
    ]


def test_every_star_is_listed_with_its_place_constellation_and_row(tmp_path):
    # Positions of Rigel, bet Ori, and of 83 Leo-like places by eye on a chart; constellations from memory.
    folder = Written().write(tmp_path / "written")
    lines = run("check", folder, "--stars").output.splitlines()
    assert [line.split() for line in lines[-4:]] == [
        ["alpha", "05:16:41.36", "-08:12:05.9", "Orion", "targets.csv", "line", "2"],
        ["beta", "05:34:00.00", "-05:15:00.0", "Orion", "targets.csv", "line", "3"],
        ["c1", "05:20:00.00", "-07:00:00.0", "Orion", "calibrators.csv", "line", "2"],
        ["c2", "05:40:00.00", "-06:00:00.0", "Orion", "calibrators.csv", "line", "3"],
    ]
    answer = json.loads(run("check", folder, "--stars", "--json").output)
    assert [star["row"] for star in answer["stars"]] == ["line 2", "line 3", "line 2", "line 3"]
    assert answer["warnings"] == []
    assert "stars" not in json.loads(run("check", folder, "--json").output)


def test_bright_stars_stand_in_the_constellations_they_are_named_after():
    # HIP numbers and names from memory: the designation of each target of the demonstration ends with the
    # Latin genitive's abbreviation of its constellation (IAU).
    stars = json.loads(run("check", SCENARIOS / "demo", "--stars", "--json").output)["stars"]
    genitives = {
        "Leo": "Leo",
        "Ori": "Orion",
        "Lyn": "Lynx",
        "Hya": "Hydra",
        "CMi": "Canis Minor",
        "Vir": "Virgo",
    }
    checked = 0
    for star in stars:
        wanted = genitives.get(star["name"].split()[-1])
        if wanted is not None and star["table"] == "targets":
            assert star["constellation"] == wanted, star["name"]
            checked += 1
    assert checked >= 4


def test_local_noon_is_the_same_however_the_longitude_is_counted(tmp_path):
    written = Written()
    written.array["site"]["longitude_deg"] = 360.0 - 67.0
    assert told(written, tmp_path) == []
    assert look_over(tmp_path / "written").scenario.array.site.ahead_h == pytest.approx(-67.0 / 15.0)
