"""Odd nights at the edges of what is accepted, written as a user writes them and read back.

Each night starts from one of the invented arrays and gets a handful of features
at random, every one of them allowed by itself: durations of a millisecond and
of hours, mounts that crawl, a site at the pole, requests that never rise. What
the reader refuses when they come together is no night (None).

Run by hand: ``python tests/edge_nights.py FIRST LAST`` plans and audits the nights of these
seeds and prints one line for each.
"""

from __future__ import annotations

import csv
import datetime
import io
import sys
import tempfile
import time
import traceback
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from invented import random_scenario
from light_nights import lit_scenario
from written import toml_text

from planner.errors import InputProblems, NoNight
from planner.scenario.reading import read_scenario
from planner.scenario.tables import REQUEST_FIELDS, STAR_FIELDS
from planner.scenario.targets import Scenario

Tables = dict[str, Any]
LEAP_NIGHTS = ((2016, 12, 31), (2015, 6, 30), (2012, 6, 30), (2008, 12, 31), (1998, 12, 31))
FIRST_AND_LAST = ((1990, 1, 1), (2060, 12, 31))


def plain(value: Any) -> Any:
    """A model's dump without what was not given, as a TOML file can hold it."""
    if isinstance(value, dict):
        return {key: plain(inner) for key, inner in value.items() if inner is not None}
    if isinstance(value, (list, tuple)):
        return [plain(inner) for inner in value]
    return value


def tables_of(scenario: Scenario) -> Tables:
    """The tables of the files that say what a scenario says."""
    array = plain(scenario.array.model_dump())
    names = {
        "telescope_classes": "telescope_class", "telescopes": "telescope", "stations": "station",
        "delay_lines": "delay_line", "combiners": "combiner", "configurations": "configuration",
        "routing_modes": "routing_mode", "path_segments": "path_segment", "spectral_setups": "spectral_setup",
        "fringe_trackers": "fringe_tracker", "beam_sensors": "beam_sensor",
        "internal_calibrations": "internal_calibration",
    }  # fmt: skip
    return {
        "array": {names.get(key, key): value for key, value in array.items()},
        "scenario": {
            "title": scenario.title,
            "targets": "targets.csv",
            "calibrators": "calibrators.csv",
            **{
                key: plain(getattr(scenario, key).model_dump())
                for key in ("night", "limits", "effort", "plan")
            },
            "request": [plain(wish.extras.model_dump()) for wish in scenario.requests],
            "reserved": [plain(own.model_dump()) for own in scenario.reserved],
            "program": [plain(own.model_dump()) for own in scenario.programs],
        },
        "targets": [
            row_of(wish.star.model_dump(), STAR_FIELDS) | row_of(wish.model_dump(), REQUEST_FIELDS)
            for wish in scenario.requests
        ],
        "calibrators": [row_of(own.model_dump(), STAR_FIELDS) for own in scenario.calibrators],
        "history": [],
    }


def row_of(values: Tables, fields: dict[str, str]) -> Tables:
    """A row of a table of stars."""
    row = {column: values[field] for column, field in fields.items() if values.get(field) is not None}
    return row | {f"mag_{band}": own for band, own in values.get("mag", {}).items()}


def some(rng: np.random.Generator, *choices: Any) -> Any:
    """One of them, as a plain value."""
    return choices[int(rng.integers(len(choices)))]


def hour(tables: Tables, hours: float) -> datetime.datetime:
    """A time so many hours after local midnight."""
    site, date = tables["array"]["site"], tables["scenario"]["night"]["date"]
    noon = datetime.datetime.combine(date, datetime.time(12), datetime.UTC)
    shift = hours + 12.0 - (site["longitude_deg"] + 180.0) % 360.0 / 15.0 + 12.0
    return (noon + datetime.timedelta(hours=shift)).replace(microsecond=0)


def durations(rng: np.random.Generator, tables: Tables) -> None:
    for own in tables["array"]["combiner"]:
        own["science_recording_s"] = some(rng, 0.001, 1.5, 29.99, 480.0, 5400.0)
        own["calibrator_recording_s"] = some(rng, 0.001, 7.3, 240.0, 1800.0)
        own["overhead_s"] = some(rng, 0.0, 0.001, 61.7)


def set_ups(rng: np.random.Generator, tables: Tables) -> None:
    for own in tables["array"]["combiner"]:
        own |= {
            key: some(rng, 0.0, 0.001, 45.5, 900.0) for key in ("setup_s", "fringe_search_s", "feed_in_s")
        }
    for own in tables["array"]["telescope_class"]:
        own |= {key: some(rng, 0.0, 3.3, 90.0) for key in ("acquisition_s", "azimuth_settle_s")}
    for own in tables["array"]["delay_line"]:
        own |= {key: some(rng, 0.0, 0.5, 200.0) for key in ("settle_s", "connect_s")}


def speeds(rng: np.random.Generator, tables: Tables) -> None:
    for own in tables["array"]["telescope_class"]:
        own |= {f"{axis}_speed_deg_per_s": some(rng, 0.02, 0.3, 5.0, 1e6) for axis in ("azimuth", "altitude")}
    for own in tables["array"]["delay_line"]:
        own |= {
            "speed_m_per_s": some(rng, 0.01, 0.2, 1e6),
            "tracking_speed_mm_per_s": some(rng, 0.5, 4.0, 1e6),
        }


def reach(rng: np.random.Generator, tables: Tables) -> None:
    for own in tables["array"]["telescope_class"]:
        own |= {
            "altitude_min_deg": some(rng, 0.0, 5.0, 50.0),
            "altitude_max_deg": some(rng, 60.0, 89.9, 90.0),
        }
        low = some(rng, -180.0, 0.0, -270.0)
        own["azimuth_range_deg"] = [low, low + some(rng, 360.0, 361.0, 540.0)]


def lines(rng: np.random.Generator, tables: Tables) -> None:
    for own in tables["array"]["delay_line"]:
        own["stroke_m"] = [some(rng, 0.0, 5.0), some(rng, 12.0, 60.0, 400.0)]
        own["path_per_travel"] = some(rng, 0.1, 2.0, 4.0)
        own.pop("pupil_stroke_m", None)


def place(rng: np.random.Generator, tables: Tables) -> None:
    tables["array"]["site"] |= {
        "latitude_deg": some(rng, 90.0, -90.0, 0.0, 66.6, -35.0),
        "longitude_deg": some(rng, -180.0, 180.0, 360.0, 0.0),
        "pressure_hpa": some(rng, 0.0, 1100.0),
    }
    tables["scenario"]["night"]["date"] = datetime.date(2027, some(rng, 1, 6, 9, 12), 21)


def dates(rng: np.random.Generator, tables: Tables) -> None:
    tables["scenario"]["night"]["date"] = datetime.date(*some(rng, *LEAP_NIGHTS, *FIRST_AND_LAST))


def grid(rng: np.random.Generator, tables: Tables) -> None:
    tick = some(rng, 10, 17, 30, 60)
    tables["scenario"]["night"] |= {
        "tick_s": tick, "slot_s": tick * some(rng, *(k for k in (1, 6, 20, 60) if 60 <= tick * k <= 3600)),
        "sun_altitude_max_deg": some(rng, 0.0, -6.0, -18.0),
    }  # fmt: skip


def stars(rng: np.random.Generator, tables: Tables) -> None:
    latitude = tables["array"]["site"]["latitude_deg"]
    dual = {own["target"] for own in tables["scenario"]["request"] if "second_star" in own}
    for own in tables["targets"]:
        if own["name"] not in dual and rng.random() < 0.5:
            own["dec"] = some(
                rng, 90.0, -90.0, latitude, max(-90.0, latitude - 60.0), min(90.0, latitude + 60.0)
            )
            own["ra"] = some(rng, 0.0, 359.9999, own["ra"])
        beside = {"ra": own["ra"], "dec": own["dec"] + (-3.0 if own["dec"] > 0.0 else 3.0)}
        tables["calibrators"].append(tables["calibrators"][0] | beside | {"name": f"beside {own['name']}"})


def wanted(rng: np.random.Generator, tables: Tables) -> None:
    for own in tables["targets"]:
        own |= {"visits": some(rng, 1, 2, 3, 7), "priority": some(rng, 1, 1000)}
        own["field"] = some(rng, 0.02, 3.0, 90.0, 900.0)


def hanging(rng: np.random.Generator, tables: Tables) -> None:
    names = [own["name"] for own in tables["targets"]]
    for number, own in enumerate(tables["scenario"]["request"]):
        own["all_or_nothing"] = bool(rng.random() < 0.3)
        own["gap_min_h"] = some(rng, 0.0, 0.01, 2.0) if own["all_or_nothing"] else some(rng, 0.5, 24.0)
        if number and rng.random() < 0.5:
            own[some(rng, "after", "only_with")] = names[number - 1]


def values(rng: np.random.Generator, tables: Tables) -> None:
    for own in tables["scenario"]["request"]:
        own["cell_values"] = some(rng, [1], [100, 1], [3, 3, 2], [1] * 10)
        own["cells_floor"] = some(rng, 0, 1, 30, 10**6)
        own["cells_goal"] = max(some(rng, 1, 40, 10**6), own["cells_floor"])
        own["frequency_weights"] = some(
            rng, [], [{"to_mega_lambda": 10.0, "weight": 0}], [{"to_mega_lambda": 1e-3, "weight": 100}]
        )


def phases(rng: np.random.Generator, tables: Tables) -> None:
    for own in tables["scenario"]["request"]:
        period = some(rng, 0.0011, 0.03, 0.4, 1e6)
        low = float(rng.uniform(0.0, 0.9))
        ranges = some(rng, [[low, low + 0.1]], [[0.9, 0.1]], [[0.0, 1.0]], [[0.0, 1e-6]])
        own["phase"] = {"epoch_bjd": 2_461_476.5, "period_d": period, "phases": ranges}


def programs(rng: np.random.Generator, tables: Tables) -> None:
    names = [own["name"] for own in tables["targets"]]
    cut = int(rng.integers(1, len(names)))
    if "second_star" not in tables["scenario"]["request"][0]:
        tables["targets"][0]["dec"] = some(rng, 88.0, -88.0, -30.0)  # may have set for ever
    tables["scenario"]["program"] = [
        {"name": "one", "targets": names[:cut], "hours_max": some(rng, 1e-6, 0.3, 2.0, 24.0), "share": 1000},
        {"name": "two", "targets": names[cut:], "share": 1}
        | ({"hours_max": 1.0} if rng.random() < 0.5 else {}),
    ]
    tables["scenario"]["plan"]["fairness"] = some(rng, 0.0, 0.5, 1.0)


def good(rng: np.random.Generator, tables: Tables) -> None:
    tables["scenario"]["plan"] |= {
        "share_calibrators": bool(rng.random() < 0.6),
        "irreplaceable_early": bool(rng.random() < 0.4),
        "early_cost_max": some(rng, 0.0, 0.5),
        "least_travel": bool(rng.random() < 0.7),
        "lost_probability": some(rng, 0.0, 0.3, 1.0),
        "lost_stretch_min": some(rng, 1.0, 33.3, 720.0),
    }


def history(rng: np.random.Generator, tables: Tables) -> None:
    stations = [own["name"] for own in tables["array"]["station"]]
    beams = {own["name"]: own["beams"] for own in tables["array"]["combiner"]}
    for _ in range(some(rng, 1, 25)):
        own = some(rng, *tables["targets"])
        used = [str(name) for name in rng.choice(stations, beams[own["combiner"]], replace=False)]
        start = hour(tables, float(rng.uniform(-5, 5))) - datetime.timedelta(days=some(rng, 1, 2, 400))
        start = max(start, datetime.datetime(1990, 1, 2, tzinfo=datetime.UTC))
        length = datetime.timedelta(seconds=some(rng, 1, 600, 80_000))
        tables["history"].append(
            {"target": own["name"], "combiner": own["combiner"], "stations": ",".join(used),
             "start_utc": start.isoformat(), "end_utc": (start + length).isoformat()}
        )  # fmt: skip


def reserved(rng: np.random.Generator, tables: Tables) -> None:
    telescopes = [own["name"] for own in tables["array"]["telescope"]]
    start = float(rng.uniform(-6, 5))
    one = {"start_utc": hour(tables, start), "end_utc": hour(tables, start + some(rng, 0.001, 0.5, 9.0)),
           "ready_s": some(rng, 0.0, 0.001, 900.0, 86_400.0)}  # fmt: skip
    if one["end_utc"] <= one["start_utc"]:
        one["end_utc"] = one["start_utc"] + datetime.timedelta(seconds=1)
    if rng.random() < 0.5:
        one["telescopes"] = telescopes[: int(rng.integers(1, len(telescopes) + 1))]
    two = {"duration_s": some(rng, 0.001, 31.0, 3600.0, 80_000.0), "ready_s": some(rng, 0.0, 77.7)}
    if rng.random() < 0.6:
        two["windows"] = [{"start_utc": hour(tables, -4), "end_utc": hour(tables, some(rng, -3.99, 1.0))}]
    tables["scenario"]["reserved"] = [one | {"name": "given"}, two | {"name": "chosen"}]


def calibrations(rng: np.random.Generator, tables: Tables) -> None:
    whole = [own["name"] for own in tables["array"]["combiner"]]
    tables["array"]["internal_calibration"] = [
        {"name": f"lamp {k}", "when": when, "duration_s": some(rng, 0.001, 0.5, 29.999, 1200.0, 20_000.0),
         "combiners": some(rng, [], whole[:1])}
        for k, when in enumerate(("in the night", "in the night", "before dusk", "after dawn"))
        if rng.random() < 0.7
    ]  # fmt: skip


def limits(rng: np.random.Generator, tables: Tables) -> None:
    tables["scenario"]["limits"] |= {
        "airmass_max": some(rng, 1.0001, 1.5, 30.0),
        "hour_angle_max_h": some(rng, 0.01, 3.0, 12.0),
        "moon_separation_min_deg": some(rng, 0.0, 40.0, 180.0),
        "moon_illumination_max": some(rng, 0.0, 0.5, 1.0),
        "bracket_distance_max_deg": some(rng, 0.5, 10.0, 90.0),
        "calibrator_vis2_min": some(rng, 0.0, 0.3, 0.99),
    }


def windows(rng: np.random.Generator, tables: Tables) -> None:
    for own in tables["scenario"]["request"]:
        start = float(rng.uniform(-5, 4))
        long_h = some(rng, 0.2, 0.7, 3.0)
        own["windows"] = [{"start_utc": hour(tables, start), "end_utc": hour(tables, start + long_h)}]
        if rng.random() < 0.5:
            own["hour_angle_range_h"] = some(rng, [-12.0, 12.0], [-0.5, 0.5], [-4.0, 0.0])


FEATURES: tuple[Callable[[np.random.Generator, Tables], None], ...] = (
    place, dates, grid, durations, set_ups, speeds, reach, lines, stars, wanted, hanging, values, phases,
    programs, good, history, reserved, calibrations, limits, windows,
)  # fmt: skip


def edge_tables(seed: int) -> tuple[Tables, list[str]]:
    """The tables of a night, and the names of its features."""
    rng = np.random.default_rng([seed, 15])
    base = lit_scenario(seed) if rng.random() < 0.6 else random_scenario(seed, beams=2 + seed % 2)
    tables = tables_of(base)
    tables["scenario"]["effort"] |= {
        "deterministic": 1.0,
        "subarrays_per_request": 2,
        "brackets_per_start": 1,
    }
    tables["scenario"]["plan"]["forced_effort"] = 1.0
    often = some(rng, 0.1, 0.2, 0.35)
    chosen = [own for own in FEATURES if rng.random() < often]
    for own in chosen:
        own(rng, tables)
    return tables, [own.__name__ for own in chosen]


def write(tables: Tables, folder: Path) -> Path:
    """Write the files."""
    folder.mkdir(parents=True, exist_ok=True)
    if tables["history"]:
        tables["scenario"]["history"] = "history.csv"
    (folder / "scenario.toml").write_text(toml_text(tables["scenario"]), encoding="utf-8")
    (folder / "array.toml").write_text(toml_text(tables["array"]), encoding="utf-8")
    for name in ("targets", "calibrators", "history"):
        rows = tables[name]
        if rows:
            text = io.StringIO()
            writer = csv.DictWriter(text, list(dict.fromkeys(key for row in rows for key in row)), restval="")
            writer.writeheader()
            writer.writerows(rows)
            (folder / f"{name}.csv").write_text(text.getvalue(), encoding="utf-8")
    return folder


def edge_night(seed: int, folder: Path) -> tuple[Scenario | None, str]:
    """The scenario of a seed, None where the reader refuses it; and its features, or why."""
    tables, features = edge_tables(seed)
    try:
        return read_scenario(write(tables, folder / f"edge-{seed}")), " ".join(features)
    except InputProblems as refused:
        return None, str(refused).splitlines()[0]


def outcome(scenario: Scenario) -> str:
    """Plan and audit a night: what came of it in a word or a line."""
    from planner.commands import plan_night

    try:
        night = plan_night(scenario)
    except NoNight:
        return "no night"
    report = night.plan.audit
    broken = [one.name for one in report.checks if not one.passed] if report else ["no audit"]
    return f"BROKEN {broken}" if broken else f"passed, {len(night.plan.visits)} visits"


def main(first: int, last: int) -> None:
    """Plan the nights of these seeds and print what came of each."""
    for seed in range(first, last + 1):
        with tempfile.TemporaryDirectory() as folder:
            scenario, words = edge_night(seed, Path(folder))
            began = time.process_time()
            if scenario is None:
                print(seed, "refused:", words, flush=True)
                continue
            try:
                told = outcome(scenario)
            except Exception:
                lines = traceback.format_exc().splitlines()
                told = f"FAULT {lines[-1]} <- {[line.strip() for line in lines if 'planner/' in line][-2:]}"
            print(seed, told, f"{time.process_time() - began:.1f} s", words, flush=True)


if __name__ == "__main__":
    main(int(sys.argv[1]), int(sys.argv[2]))
