"""A small scenario as a user writes it, to be spoiled by the tests; nothing here is a real place."""

from __future__ import annotations

import copy
import csv
import datetime
import io
import json
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from planner.errors import InputProblems
from planner.scenario.reading import read_scenario
from planner.scenario.targets import Scenario

# What a test does to a written scenario, and the one message that must come of it.
Case = tuple[Callable[["Written"], object], str, str, str]

LINE = {
    "name": "L1",
    "stroke_m": [0.0, 90.0],
    "speed_m_per_s": 0.5,
    "tracking_speed_mm_per_s": 20.0,
    "settle_s": 3.0,
}
CLASS = {
    "name": "one metre",
    "diameter_m": 1.0,
    "pupil_height_m": 2.0,
    "altitude_min_deg": 30.0,
    "azimuth_speed_deg_per_s": 2.0,
    "altitude_speed_deg_per_s": 1.5,
    "azimuth_settle_s": 4.0,
    "altitude_settle_s": 3.0,
    "enclosure_radius_m": 2.0,
    "enclosure_height_m": 4.0,
    "acquisition_s": 40.0,
}
ARRAY: dict[str, Any] = {
    "site": {"name": "nowhere", "latitude_deg": -25.0, "longitude_deg": -67.0, "height_m": 2500.0},
    "telescope_class": [CLASS],
    "telescope": [
        {"name": "T1", "telescope_class": "one metre", "station": "P1"},
        {"name": "T2", "telescope_class": "one metre", "movable": True},
    ],
    "station": [
        {"name": "P1", "east_m": 0.0, "north_m": 0.0, "up_m": 0.0, "fixed_path_m": 1.0},
        {"name": "P2", "east_m": 40.0, "north_m": 0.0, "up_m": 0.0, "fixed_path_m": 2.0},
        {"name": "P3", "east_m": 0.0, "north_m": 50.0, "up_m": 0.0, "fixed_path_m": 3.0},
    ],
    "delay_line": [LINE, LINE | {"name": "L2", "stations": ["P1", "P2", "P3"]}],
    "combiner": [
        {
            "name": "pair in K",
            "beams": 2,
            "band": "K",
            "wavelengths_um": [2.05, 2.2],
            "limiting_magnitude": {"one metre": 6.0},
            "setup_s": 240.0,
            "fringe_search_s": 50.0,
            "calibrator_recording_s": 240.0,
            "science_recording_s": 480.0,
        }
    ],
    "configuration": [
        {"name": "wide", "placement": {"T2": "P2"}},
        {"name": "tall", "placement": {"T2": "P3"}},
    ],
}
SCENARIO: dict[str, Any] = {
    "title": "a pair in an invented place",
    "targets": "targets.csv",
    "calibrators": "calibrators.csv",
    "night": {"date": datetime.date(2027, 3, 11), "configuration": "wide"},
    "limits": {"airmass_max": 2.0},
    "request": [
        {
            "target": "alpha",
            "telescopes": ["T1", "T2"],
            "windows": [
                {
                    "start_utc": datetime.datetime(2027, 3, 12, 2, 10, tzinfo=datetime.UTC),
                    "end_utc": datetime.datetime(2027, 3, 12, 4, 0, tzinfo=datetime.UTC),
                }
            ],
        }
    ],
}
TARGETS = [
    {"name": "alpha", "ra": "05:16:41.36", "dec": "-08:12:05.9", "mag_K": "4.0"},
    {"name": "beta", "ra": "83.5", "dec": "-5.25", "mag_K": "3.5"},
]
CALIBRATORS = [
    {"name": "c1", "ra": "80.0", "dec": "-7.0", "mag_K": "4.5", "diameter": "0.5", "diameter_error": "0.02"},
    {"name": "c2", "ra": "85.0", "dec": "-6.0", "mag_K": "", "diameter": "0.4", "diameter_error": "0.02"},
]


def said(where: str, found: str, remedy: str) -> str:
    """Return a message as the user sees it."""
    return f"{where}: {found}. {remedy}"


@dataclass
class Written:
    """The files of a scenario before they are written; a file's own text or bytes may replace a table."""

    scenario: dict[str, Any] = field(default_factory=lambda: copy.deepcopy(SCENARIO))
    array: dict[str, Any] = field(default_factory=lambda: copy.deepcopy(ARRAY))
    targets: list[dict[str, str]] = field(
        default_factory=lambda: [t | {"combiner": "pair in K", "visits": "2", "field": "20"} for t in TARGETS]
    )
    calibrators: list[dict[str, str]] = field(default_factory=lambda: copy.deepcopy(CALIBRATORS))
    files: dict[str, bytes | None] = field(default_factory=dict)

    def write(self, folder: Path) -> Path:
        """Write the folder; None among ``files`` leaves a file out."""
        folder.mkdir(parents=True, exist_ok=True)
        contents: dict[str, bytes | None] = {
            "scenario.toml": toml_text(self.scenario).encode(),
            "array.toml": toml_text(self.array).encode(),
            "targets.csv": csv_text(self.targets).encode(),
            "calibrators.csv": csv_text(self.calibrators).encode(),
            **self.files,
        }
        for name, content in contents.items():
            if content is not None:
                (folder / name).write_bytes(content)
        return folder

    def read(self, folder: Path) -> Scenario:
        """Write the folder and read it."""
        return read_scenario(self.write(folder / "written"))

    def messages(self, folder: Path) -> list[str]:
        """Write the folder and return what the reader complains of, sorted."""
        try:
            self.read(folder)
        except InputProblems as problems:
            return sorted(str(problem) for problem in problems.problems)
        return []


def add_class(written: Written, name: str) -> None:
    """Add a telescope class that differs in its name only."""
    written.array["telescope_class"].append(CLASS | {"name": name})


def add_line(written: Written) -> None:
    """Add a third delay line."""
    written.array["delay_line"].append(LINE | {"name": "L3"})


def window(written: Written) -> dict[str, Any]:
    """Return the only absolute window of the only [[request]]."""
    return written.scenario["request"][0]["windows"][0]


def toml_text(table: dict[str, Any]) -> str:
    """Write a table as TOML, inner tables inline."""
    return "".join(f"{json.dumps(key)} = {_value(value)}\n" for key, value in table.items())


def _value(value: Any) -> str:
    if isinstance(value, dict):
        return "{" + ", ".join(f"{json.dumps(k)} = {_value(v)}" for k, v in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(_value(v) for v in value) + "]"
    if isinstance(value, (datetime.date, datetime.time)):
        return value.isoformat()
    if isinstance(value, float):
        return repr(value)
    return json.dumps(value)


def csv_text(rows: list[dict[str, str]]) -> str:
    """Write rows as CSV; the first row names the columns."""
    if not rows:
        return "name,ra,dec,combiner,field,diameter,diameter_error,mag_K\n"
    text = io.StringIO()
    writer = csv.DictWriter(text, list(dict.fromkeys(key for row in rows for key in row)), restval="")
    writer.writeheader()
    writer.writerows(rows)
    return text.getvalue()
