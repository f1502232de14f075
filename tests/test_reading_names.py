"""Do the parts of a scenario agree? Each disagreement is told in full, and nothing that follows from it."""

from __future__ import annotations

import pytest
from written import CLASS, Case, Written, add_class, add_line, said

NAMES: list[Case] = [
    (
        lambda w: w.array["station"].append(w.array["station"][2] | {"name": "P1", "up_m": 9.0}),
        "array.toml: station[3].name",
        "'P1' is also the name of station[0]",
        "Give each station its own name.",
    ),
    (
        lambda w: w.array["telescope_class"].append(CLASS),
        "array.toml: telescope_class[1].name",
        "'one metre' is also the name of telescope_class[0]",
        "Give each telescope class its own name.",
    ),
    (
        lambda w: w.array["delay_line"][1].update(name="L1"),
        "array.toml: delay_line[1].name",
        "'L1' is also the name of delay_line[0]",
        "Give each delay line its own name.",
    ),
    (
        lambda w: w.array["combiner"].append(w.array["combiner"][0]),
        "array.toml: combiner[1].name",
        "'pair in K' is also the name of combiner[0]",
        "Give each combiner its own name.",
    ),
    (
        lambda w: w.array["configuration"][1].update(name="wide"),
        "array.toml: configuration[1].name",
        "'wide' is also the name of configuration[0]",
        "Give each configuration its own name.",
    ),
    (
        lambda w: w.array["telescope"].append(w.array["telescope"][1]),
        "array.toml: telescope[2].name",
        "'T2' is also the name of telescope[1]",
        "Give each telescope its own name.",
    ),
    (
        lambda w: w.targets.append(w.targets[1]),
        "targets.csv: line 4, name",
        "'beta' is also the name of line 3",
        "Give each star its own name.",
    ),
    (
        lambda w: w.calibrators.append(w.calibrators[0]),
        "calibrators.csv: line 4, name",
        "'c1' is also the name of line 2",
        "Give each star its own name.",
    ),
    (
        lambda w: w.scenario["request"].append({"target": "alpha"}),
        "scenario.toml: request[1].target",
        "'alpha' is also the target of request[0]",
        "Put all about one target into one [[request]] table.",
    ),
    (
        lambda w: w.array["telescope"][1].update(telescope_class="one meter"),
        "array.toml: telescope[1].telescope_class",
        "'one meter' is not a telescope class of array.toml",
        "Did you mean 'one metre'?",
    ),
    (
        lambda w: w.array["telescope"][0].update(station="P7"),
        "array.toml: telescope[0].station",
        "'P7' is not a station of array.toml",
        "Use one of 'P1', 'P2', 'P3'.",
    ),
    (
        lambda w: w.array["station"][0].update(telescope_classes=["one metre", "giant"]),
        "array.toml: station[0].telescope_classes[1]",
        "'giant' is not a telescope class of array.toml",
        "Use 'one metre'.",
    ),
    (
        lambda w: w.array["delay_line"][1]["stations"].append("Q"),
        "array.toml: delay_line[1].stations[3]",
        "'Q' is not a station of array.toml",
        "Use one of 'P1', 'P2', 'P3'.",
    ),
    (
        lambda w: w.array["configuration"][0]["placement"].update(T9="P3"),
        "array.toml: configuration[0].placement.T9",
        "'T9' is not a telescope of array.toml",
        "Use one of 'T1', 'T2'.",
    ),
    (
        lambda w: w.array["configuration"][0]["placement"].update(T2="P22"),
        "array.toml: configuration[0].placement.T2",
        "'P22' is not a station of array.toml",
        "Did you mean 'P2'?",
    ),
    (
        lambda w: w.array["combiner"][0]["limiting_magnitude"].update(giant=3),
        "array.toml: combiner[0].limiting_magnitude.giant",
        "'giant' is not a telescope class of array.toml",
        "Use 'one metre'.",
    ),
    (
        lambda w: w.scenario["night"].update(configuration="wde"),
        "scenario.toml: night.configuration",
        "'wde' is not a configuration of array.toml",
        "Did you mean 'wide'?",
    ),
    (
        lambda w: w.scenario["request"][0].update(target="alhpa"),
        "scenario.toml: request[0].target",
        "'alhpa' is not a target of targets.csv",
        "Did you mean 'alpha'?",
    ),
    (
        lambda w: w.scenario["request"][0].update(telescopes=["T1", "X"]),
        "scenario.toml: request[0].telescopes[1]",
        "'X' is not a telescope of array.toml",
        "Use one of 'T1', 'T2'.",
    ),
    (
        lambda w: w.targets[1].update(combiner="pair in H"),
        "targets.csv: line 3, combiner",
        "'pair in H' is not a combiner of array.toml",
        "Did you mean 'pair in K'?",
    ),
]

STANDING: list[Case] = [
    (
        lambda w: w.array["telescope"][0].pop("station"),
        "array.toml: telescope[0]",
        "has neither a station nor movable = true",
        "Give a fixed telescope its station, or write movable = true.",
    ),
    (
        lambda w: w.array["telescope"][0].update(movable=True),
        "array.toml: telescope[0]",
        "has both a station and movable = true",
        "Keep one of the two.",
    ),
    (
        lambda w: w.array["configuration"][0]["placement"].update(T1="P3"),
        "array.toml: configuration[0].placement.T1",
        "'T1' is a fixed telescope",
        "Leave it out: only movable telescopes are placed.",
    ),
    (
        lambda w: w.array["configuration"][0]["placement"].update(T2="P1"),
        "array.toml: configuration[0].placement.T2",
        "'P1' already carries telescope 'T1'",
        "Give each telescope its own station.",
    ),
    (
        lambda w: w.array["telescope"].append(w.array["telescope"][0] | {"name": "T3"}),
        "array.toml: telescope[2].station",
        "'P1' already carries telescope 'T1'",
        "Give each telescope its own station.",
    ),
    (
        lambda w: (add_class(w, "big"), w.array["station"][1].update(telescope_classes=["big"])),
        "array.toml: configuration[0].placement.T2",
        "'P2' does not take telescope class 'one metre'",
        "Use another station, or add the class to the telescope_classes of station[1].",
    ),
    (
        lambda w: (add_class(w, "big"), w.array["station"][0].update(telescope_classes=["big"])),
        "array.toml: telescope[0].station",
        "'P1' does not take telescope class 'one metre'",
        "Use another station, or add the class to the telescope_classes of station[0].",
    ),
    (
        lambda w: [line.update(stations=["P1", "P2"]) for line in w.array["delay_line"]],
        "array.toml: station[2]",
        "is served by no delay line, but telescope 'T2' stands on it",
        "Add 'P3' to the stations of a delay line.",
    ),
    (
        lambda w: (add_line(w), w.array["combiner"][0].update(beams=3)),
        "array.toml: combiner[0].beams",
        "is 3, but the array has 2 telescopes of one class that it accepts",
        "Add telescopes or their class to limiting_magnitude, or take fewer beams.",
    ),
    (
        lambda w: (add_class(w, "big"), w.array["telescope"][0].update(telescope_class="big")),
        "array.toml: combiner[0].beams",
        "is 2, but the array has 1 telescope of one class that it accepts",
        "Add telescopes or their class to limiting_magnitude, or take fewer beams.",
    ),
    (
        lambda w: (add_line(w), w.array["combiner"][0].update(mixed_classes=True, beams=3)),
        "array.toml: combiner[0].beams",
        "is 3, but the array has 2 telescopes that it accepts",
        "Add telescopes or their class to limiting_magnitude, or take fewer beams.",
    ),
    (
        lambda w: w.array["delay_line"].pop(),
        "array.toml: combiner[0].beams",
        "is 2, but the array has 1 delay line",
        "Add delay lines, or take fewer beams.",
    ),
    (
        lambda w: w.array["station"][2].update(east_m=0.03, north_m=0.04),
        "array.toml: station[2]",
        "stands 0.05 m from station[0]",
        "Correct east_m, north_m and up_m, or keep one of the two.",
    ),
    (
        lambda w: w.array["station"][1].update(east_m=3.0),
        "array.toml: configuration[0].placement.T2",
        "'P2' is 3.0 m from the enclosure's centre of 'T1'",
        "Their enclosures need 4.0 m: correct the stations or the radii.",
    ),
]

STARS: list[Case] = [
    (
        lambda w: w.files.update({"targets.csv": b"name,ra,dec,combiner,field\n"}),
        "targets.csv",
        "has no rows",
        "Add at least one target.",
    ),
    (
        lambda w: [row.pop("mag_K") for row in w.targets],
        "targets.csv: mag_K",
        "is missing, but combiner 'pair in K' works in K",
        "Add this column: magnitude in K.",
    ),
    (
        lambda w: w.targets[1].update(mag_K=""),
        "targets.csv: line 3, mag_K",
        "is empty, but combiner 'pair in K' works in K",
        "Give the star's magnitude in K.",
    ),
    (
        lambda w: [row.pop("mag_K") for row in w.calibrators],
        "calibrators.csv: mag_K",
        "is missing, but combiner 'pair in K' works in K",
        "Add this column: magnitude in K.",
    ),
    (
        lambda w: [row.update(mag_K="") for row in w.calibrators],
        "calibrators.csv: mag_K",
        "is empty in every row, but combiner 'pair in K' works in K",
        "Give the magnitude in K of at least one calibrator.",
    ),
]


@pytest.mark.parametrize(("spoil", "where", "found", "remedy"), [*NAMES, *STANDING, *STARS])
def test_each_disagreement_is_told_in_full_and_alone(tmp_path, spoil, where, found, remedy):
    written = Written()
    spoil(written)
    assert written.messages(tmp_path) == [said(where, found, remedy)]


@pytest.mark.parametrize(
    "kind", ["telescope_class", "telescope", "station", "delay_line", "combiner", "configuration"]
)
def test_a_part_that_lost_its_name_causes_no_message_about_what_refers_to_it(tmp_path, kind):
    written = Written()
    del written.array[kind][-1]["name"]
    [message] = written.messages(tmp_path)
    assert message.startswith(
        f"array.toml: {kind}[{len(written.array[kind]) - 1}].name: is missing. Add it: name"
    )


def test_a_part_that_is_refused_for_another_reason_may_still_be_referred_to(tmp_path):
    written = Written()
    written.array["station"][1]["up_m"] = "high"
    written.array["telescope"][1]["colour"] = "red"
    written.array["telescope_class"][0]["acquisition_s"] = -1
    written.array["combiner"][0]["setup_s"] = -1
    assert [message.partition(": is ")[0] for message in written.messages(tmp_path)] == [
        "array.toml: combiner[0].setup_s",
        "array.toml: station[1].up_m",
        "array.toml: telescope[1].colour",
        "array.toml: telescope_class[0].acquisition_s",
    ]


def test_no_telescope_is_missed_while_the_class_of_one_is_misspelt(tmp_path):
    written = Written()
    written.array["telescope"][1]["telescope_class"] = "one metr"
    assert written.messages(tmp_path) == [
        said(
            "array.toml: telescope[1].telescope_class",
            "'one metr' is not a telescope class of array.toml",
            "Did you mean 'one metre'?",
        )
    ]


def test_no_station_is_called_unserved_while_a_line_names_one_that_does_not_exist(tmp_path):
    written = Written()
    for line in written.array["delay_line"]:
        line["stations"] = ["P1", "P2", "P4"]
    assert [message.partition(": ")[2].partition(":")[0] for message in written.messages(tmp_path)] == [
        "delay_line[0].stations[2]",
        "delay_line[1].stations[2]",
    ]


def test_a_long_list_of_names_is_cut_at_eight(tmp_path):
    written = Written()
    written.array["station"] += [
        {"name": f"S{i}", "east_m": 100.0 + i, "north_m": 0.0, "up_m": 0.0, "fixed_path_m": 0.0}
        for i in range(8)
    ]
    written.array["telescope"][0]["station"] = "Zenith"
    assert written.messages(tmp_path) == [
        said(
            "array.toml: telescope[0].station",
            "'Zenith' is not a station of array.toml",
            "Use one of 'P1', 'P2', 'P3', 'S0', 'S1', 'S2', 'S3', 'S4' and 3 more.",
        )
    ]


def test_a_placed_telescope_that_also_has_a_station_is_told_once(tmp_path):
    written = Written()
    written.array["telescope"][1]["station"] = "P2"
    assert written.messages(tmp_path) == [
        said("array.toml: telescope[1]", "has both a station and movable = true", "Keep one of the two.")
    ]


def test_stations_a_decimetre_apart_are_two_stations(tmp_path):
    written = Written()
    written.array["station"][2].update(east_m=0.0, north_m=0.1, up_m=0.0)
    # Two stations, but not for two telescopes at once: their enclosures would overlap.
    assert [message.split(":")[1] for message in written.messages(tmp_path)] == [
        " configuration[1].placement.T2"
    ]


def test_a_wholly_fixed_array_needs_no_placement(tmp_path):
    written = Written()
    written.array["telescope"][1] = {"name": "T2", "telescope_class": "one metre", "station": "P2"}
    written.array["configuration"] = [{"name": "wide"}]
    assert written.read(tmp_path).array.placed("wide") == {"T1": "P1", "T2": "P2"}
