"""Do the tables of the light's way agree? Each disagreement is told in full, and nothing that follows."""

from __future__ import annotations

import itertools
import math

import pytest
from astropy.coordinates import angular_separation
from hypothesis import given
from hypothesis import strategies as st
from test_reading_light import extras, lit
from written import Case, Written, said

from planner.scenario.light_checks import ARCSEC_PER_RAD, _separation_arcsec, _short_of_lines


def modes(written: Written) -> list:
    """Return the routing modes: plain, twin."""
    return written.array["routing_mode"]


def combiner(written: Written) -> dict:
    """Return the only combiner."""
    return written.array["combiner"][0]


def again(written: Written, kind: str) -> None:
    """Write the first table of a kind twice."""
    tables = written.array[kind] if kind in written.array else written.scenario[kind]
    tables.append(dict(tables[0]))


def without(written: Written, *keys: str) -> None:
    """Leave out keys of the [[request]]."""
    for key in keys:
        del extras(written)[key]


def sensor(written: Written) -> dict:
    """Return the only beam-position sensor."""
    return written.array["beam_sensor"][0]


def single_star(written: Written) -> None:
    """Make the request one for the target alone, which the tracker then follows."""
    without(written, "second_star")
    written.targets[0]["mag_Y"] = "4"


def group_delay(written: Written) -> None:
    """Ask for no more than the default tracking."""
    without(written, "tracking")


def no_guide_limit(written: Written) -> None:
    """Let the class guide on anything."""
    del written.array["telescope_class"][0]["guide_limiting_magnitude"]


TWICE = [
    ("routing_mode", 2, "plain", "routing mode"),
    ("path_segment", 2, "straight", "path segment"),
    ("fringe_tracker", 1, "follower", "fringe tracker"),
    ("beam_sensor", 1, "table camera", "beam-position sensor"),
    ("internal_calibration", 1, "lamp", "internal calibration"),
    ("reserved", 2, "alignment", "reserved time"),
    ("spectral_setup", 1, "fine", "spectral setup of a combiner"),
]

CLASS, LINES = "Use 'one metre'.", "Use one of 'L1', 'L2'."
NAMES: list[Case] = [
    (
        lambda w: combiner(w).update(setup_name="fine"),
        "array.toml: spectral_setup[0].name",
        "'fine' is also the setup_name of combiner[0]",
        "Give each spectral setup of a combiner its own name.",
    ),
    (
        lambda w: modes(w)[0]["compression"].update(giant=2.0),
        "array.toml: routing_mode[0].compression.giant",
        "'giant' is not a telescope class of array.toml",
        CLASS,
    ),
    (
        lambda w: modes(w)[1]["inputs"].update(west=[1]),
        "array.toml: routing_mode[1].inputs.west",
        "'west' is not a delay line of array.toml",
        LINES,
    ),
    (
        lambda w: w.array["path_segment"][1]["stations"].append("P7"),
        "array.toml: path_segment[1].stations[2]",
        "'P7' is not a station of array.toml",
        "Use one of 'P1', 'P2', 'P3'.",
    ),
    (
        lambda w: w.array["spectral_setup"].append({"name": "fine", "combiner": "pair in L", "change_s": 1}),
        "array.toml: spectral_setup[1].combiner",
        "'pair in L' is not a combiner of array.toml",
        "Did you mean 'pair in K'?",
    ),
    (
        lambda w: w.array["spectral_setup"][0]["limiting_magnitude"].update(giant=2.0),
        "array.toml: spectral_setup[0].limiting_magnitude.giant",
        "'giant' is not a telescope class of array.toml",
        CLASS,
    ),
    (
        lambda w: w.array["spectral_setup"][0]["further_limits"]["H"].update(giant=2.0),
        "array.toml: spectral_setup[0].further_limits.H.giant",
        "'giant' is not a telescope class of array.toml",
        CLASS,
    ),
    (
        lambda w: combiner(w).update(further_limits={"J": {"giant": 2.0}}),
        "array.toml: combiner[0].further_limits.J.giant",
        "'giant' is not a telescope class of array.toml",
        CLASS,
    ),
    (
        lambda w: w.array["fringe_tracker"][0]["group_delay_limit"].update(giant=2.0),
        "array.toml: fringe_tracker[0].group_delay_limit.giant",
        "'giant' is not a telescope class of array.toml",
        CLASS,
    ),
    (
        lambda w: w.array["beam_sensor"][0]["limiting_magnitude"].update(giant=2.0),
        "array.toml: beam_sensor[0].limiting_magnitude.giant",
        "'giant' is not a telescope class of array.toml",
        CLASS,
    ),
    (
        lambda w: w.array["internal_calibration"][0].update(combiners=["pair in N"]),
        "array.toml: internal_calibration[0].combiners[0]",
        "'pair in N' is not a combiner of array.toml",
        "Did you mean 'pair in K'?",
    ),
    (
        lambda w: combiner(w).update(routing_modes=["plain", "twins"]),
        "array.toml: combiner[0].routing_modes[1]",
        "'twins' is not a routing mode of array.toml",
        "Did you mean 'twin'?",
    ),
    (
        lambda w: combiner(w).update(fringe_tracker="folower"),
        "array.toml: combiner[0].fringe_tracker",
        "'folower' is not a fringe tracker of array.toml",
        "Did you mean 'follower'?",
    ),
    (
        lambda w: w.array.pop("beam_sensor"),
        "array.toml: combiner[0].beam_sensor",
        "'table camera' is not a beam-position sensor of array.toml",
        "Add it as a [[beam_sensor]], or leave it out here.",
    ),
    (
        lambda w: w.scenario["reserved"][1]["telescopes"].append("T9"),
        "scenario.toml: reserved[1].telescopes[1]",
        "'T9' is not a telescope of array.toml",
        "Use one of 'T1', 'T2'.",
    ),
    (
        lambda w: extras(w).update(spectral_setup="fin"),
        "scenario.toml: request[0].spectral_setup",
        "'fin' is not a spectral setup of combiner 'pair in K'",
        "Did you mean 'fine'?",
    ),
    (
        lambda w: w.array.pop("spectral_setup"),
        "scenario.toml: request[0].spectral_setup",
        "'fine' is not a spectral setup of combiner 'pair in K'",
        "Add it as a [[spectral_setup]], or leave it out here.",
    ),
]

ROUTING: list[Case] = [
    (
        lambda w: modes(w)[1]["inputs"].update(L2=[2, 3]),
        "array.toml: routing_mode[1].inputs.L2[1]",
        "is 3, but the largest combiner has 2 beams",
        "Leave it out, or give an input from 1 to 2.",
    ),
    (
        lambda w: [mode.update(inputs={"L1": [1], "L2": [1]}) for mode in modes(w)],
        "array.toml: combiner[0].routing_modes",
        "'pair in K' can never have a delay line at each input: in routing mode 'plain', input 2 can be "
        "reached by no delay lines; in routing mode 'twin', input 2 can be reached by no delay lines",
        "Lead more lines to these inputs in one of the modes, or take fewer beams.",
    ),
    (
        # One line reaches both inputs, and no second one is there to take either.
        lambda w: (combiner(w).pop("routing_modes"), [m.update(inputs={"L1": [1, 2]}) for m in modes(w)]),
        "array.toml: combiner[0]",
        "'pair in K' can never have a delay line at each input: in routing mode 'plain', inputs 1, 2 can be "
        "reached by 1 delay line; in routing mode 'twin', inputs 1, 2 can be reached by 1 delay line",
        "Lead more lines to these inputs in one of the modes, or take fewer beams.",
    ),
    (
        lambda w: modes(w)[0].update(dual_feed=True),
        "targets.csv: line 3, combiner",
        "'pair in K' has routing modes for two stars only",
        "Give it a routing mode without dual_feed, or the request a second_star.",
    ),
    (
        lambda w: modes(w)[1].update(dual_feed=False),
        "scenario.toml: request[0].second_star",
        "is given, but no routing mode of combiner 'pair in K' has dual_feed = true",
        "Write dual_feed = true in the mode that leads two stars, or leave second_star out.",
    ),
    (
        lambda w: (without(w, "second_star"), w.targets[0].update(mag_Y="4"), sensor(w).update(beams=1)),
        "array.toml: combiner[0].beam_sensor",
        "'table camera' serves 1 beam, but the combiner has 2",
        "Name a sensor for more beams, or correct its beams.",
    ),
    (
        lambda w: sensor(w).update(beams=3),
        "scenario.toml: request[0].second_star",
        "makes 4 beams, but beam-position sensor 'table camera' serves 3",
        "Take a combiner of fewer beams, or correct the sensor's beams.",
    ),
    (
        lambda w: combiner(w).pop("resolution"),
        "array.toml: combiner[0].resolution",
        "is missing, but air_contrast_min asks for the loss by air",
        "Add it: wavelength over channel width, or leave air_contrast_min out.",
    ),
    (
        lambda w: w.array["delay_line"][1].update(medium="air"),
        "array.toml: combiner[0].air_contrast_min",
        "needs delay lines of one medium, but 'L1' is in vacuum and 'L2' in air",
        "Give all delay lines one medium, or leave air_contrast_min out.",
    ),
]


REQUESTS: list[Case] = [
    (
        lambda w: w.array.pop("dual_feed"),
        "scenario.toml: request[0].second_star",
        "is given, but array.toml has no [dual_feed]",
        "Add [dual_feed], or leave second_star out.",
    ),
    (
        # On the target's own meridian the separation is the difference of declinations.
        lambda w: extras(w)["second_star"].update(dec_deg=-8.2016388889 + 40.0 / 3600.0),
        "scenario.toml: request[0].second_star",
        "is 40.000 arcsec from 'alpha', but separation_arcsec is 2 to 30",
        "Correct the places of the two stars, or choose another second star.",
    ),
    (
        lambda w: (w.targets[0].update(mag_Y="4"), combiner(w).pop("fringe_tracker"), group_delay(w)),
        "scenario.toml: request[0].second_star",
        "is given, but combiner 'pair in K' has no fringe tracker to follow it",
        "Take a combiner with a fringe tracker, or leave second_star out.",
    ),
    (
        lambda w: extras(w)["second_star"].update(mag={"K": 5.0, "J": 5.2}),
        "scenario.toml: request[0].second_star.mag",
        "has no magnitude in Y, in which fringe tracker 'follower' works",
        "Add it: the star's magnitude in Y.",
    ),
    (
        lambda w: (single_star(w), combiner(w).pop("fringe_tracker")),
        "scenario.toml: request[0].tracking",
        "is 'phase', but combiner 'pair in K' has no fringe tracker",
        "Take another combiner, or ask for less.",
    ),
    (
        lambda w: w.array["fringe_tracker"][0].pop("phase_limit"),
        "scenario.toml: request[0].tracking",
        "is 'phase', but fringe tracker 'follower' has no phase_limit",
        "Give the tracker its phase_limit, or ask for less.",
    ),
    (
        lambda w: (w.array["telescope_class"][0].pop("guide_band"), no_guide_limit(w)),
        "scenario.toml: request[0].guide_star",
        "is given, but no telescope class that combiner 'pair in K' accepts has a guide_band",
        "Give a class its guide_band and guide_limiting_magnitude, or leave guide_star out.",
    ),
    (
        lambda w: extras(w)["guide_star"].update(mag={"R": 9.0}),
        "scenario.toml: request[0].guide_star.mag",
        "has no magnitude in V, in which telescope class 'one metre' guides",
        "Add it: the star's magnitude in V.",
    ),
]


@pytest.mark.parametrize(("spoil", "where", "found", "remedy"), [*NAMES, *ROUTING, *REQUESTS])
def test_each_disagreement_on_the_way_of_the_light_is_told_in_full_and_alone(
    tmp_path, spoil, where, found, remedy
):
    written = lit()
    spoil(written)
    assert written.messages(tmp_path) == [said(where, found, remedy)]


@pytest.mark.parametrize(("kind", "number", "name", "label"), TWICE)
def test_a_name_given_twice_is_told(tmp_path, kind, number, name, label):
    written = lit()
    again(written, kind)
    file = "scenario.toml" if kind == "reserved" else "array.toml"
    found = f"'{name}' is also the name of {kind}[0]"
    assert written.messages(tmp_path) == [
        said(f"{file}: {kind}[{number}].name", found, f"Give each {label} its own name.")
    ]


def test_two_combiners_may_each_have_a_setup_of_the_same_name(tmp_path):
    written = lit()
    written.array["combiner"].append(combiner(written) | {"name": "other pair"})
    written.array["spectral_setup"].append({"name": "fine", "combiner": "other pair", "change_s": 9.0})
    assert written.messages(tmp_path) == []
    extras(written)["spectral_setup"] = "coarse"
    written.array["spectral_setup"].append({"name": "coarse", "combiner": "other pair", "change_s": 9.0})
    assert written.messages(tmp_path) == [
        said(
            "scenario.toml: request[0].spectral_setup",
            "'coarse' is not a spectral setup of combiner 'pair in K'",
            "Use 'fine'.",
        )
    ]


def test_one_routing_mode_that_fills_a_combiner_is_enough(tmp_path):
    written = lit()
    modes(written)[0]["inputs"] = {"L1": [1], "L2": [1]}
    assert written.messages(tmp_path) == []


def test_a_station_without_a_path_segment_is_no_problem(tmp_path):
    written = lit()
    written.array["path_segment"] = written.array["path_segment"][1:]
    assert written.messages(tmp_path) == []


# Against the outside: astropy.coordinates.angular_separation (the arc tangent formula of Vincenty 1975,
# Survey Review 23, 88, as its documentation says); 1e-6 arcsec is a thousandth of what is shown.
@given(
    st.floats(0.0, 359.999),
    st.floats(-90.0, 90.0),
    st.floats(-0.5, 0.5),
    st.floats(-0.5, 0.5),
)
def test_the_separation_of_two_stars_is_astropys(ra, dec, east, north):
    other = max(-90.0, min(90.0, dec + north))
    ours = _separation_arcsec({"ra": ra, "dec": dec}, {"ra_deg": ra + east, "dec_deg": other})
    places = (math.radians(value) for value in (ra, dec, ra + east, other))
    assert ours == pytest.approx(angular_separation(*places) * ARCSEC_PER_RAD, abs=1e-6)


# Every answer: all ways of giving the inputs lines of their own, tried one after the other.
@given(
    st.dictionaries(
        st.sampled_from([f"L{i}" for i in range(1, 7)]), st.sets(st.integers(1, 5)).map(sorted), min_size=1
    ),
    st.integers(2, 5),
)
def test_inputs_are_called_short_of_lines_exactly_when_no_choice_of_lines_fills_them(inputs, beams):
    fills = any(
        all(number in inputs[line] for number, line in enumerate(chosen, start=1))
        for chosen in itertools.permutations(inputs, beams)
    )
    assert (_short_of_lines(inputs, beams) == "") == fills
