"""How long a question about one night takes with its page: 12 and 25 targets, six stations, CPU seconds.

Run: python tests/speed/feasibility.py. Prints seconds; nothing here is asserted. One target in six is too far
south, one too faint and one has no calibrator within reach: what would help them is looked for as well.
"""

from __future__ import annotations

import csv
import resource
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np

STATIONS = ((-12.6, 20.3), (14.8, 34.1), (75.4, -29.7), (-44.2, -94.9), (-96.5, 52.8), (82.3, 107.2))
HEAD = """
[site]
name = "a mesa"
latitude_deg = 31.0
longitude_deg = -60.0
height_m = 1900.0

[[telescope_class]]
name = "metre"
diameter_m = 1.0
pupil_height_m = 2.6
altitude_min_deg = 30.0
azimuth_speed_deg_per_s = 3.0
altitude_speed_deg_per_s = 2.0
azimuth_settle_s = 4.0
altitude_settle_s = 3.0
enclosure_radius_m = 3.2
enclosure_height_m = 6.4
acquisition_s = 60.0

[[combiner]]
name = "Four"
beams = 4
band = "K"
wavelengths_um = [2.05, 2.2, 2.35]
limiting_magnitude = { metre = 7.0 }
science_recording_s = 600.0
calibrator_recording_s = 300.0
fringe_search_s = 60.0
setup_s = 60.0
"""
SCENARIO = """
title = "Feasibility, timed"
array = "array.toml"
targets = "targets.csv"
calibrators = "calibrators.csv"

[night]
date = 2027-03-11
configuration = "six"
"""


def write(folder: Path, targets: int) -> None:
    """Write a scenario of so many targets."""
    rng = np.random.default_rng(targets)
    parts = [HEAD]
    for k, (east, north) in enumerate(STATIONS):
        place = f"east_m = {east}\nnorth_m = {north}\nup_m = 0.0\nfixed_path_m = 0.0\n"
        parts.append(f'[[station]]\nname = "S{k}"\n{place}')
        parts.append(f'[[telescope]]\nname = "T{k}"\ntelescope_class = "metre"\nstation = "S{k}"\n')
        line = f'name = "D{k}"\nstroke_m = [0.0, {90 + 4 * k}.0]\nspeed_m_per_s = 0.5\n'
        parts.append(f"[[delay_line]]\n{line}tracking_speed_mm_per_s = 20.0\nsettle_s = 5.0\n")
    parts.append('[[configuration]]\nname = "six"\n')
    (folder / "array.toml").write_text("\n".join(parts), encoding="utf-8")
    (folder / "scenario.toml").write_text(SCENARIO, encoding="utf-8")
    ra, dec = rng.uniform(60.0, 260.0, targets), rng.uniform(5.0, 60.0, targets)
    mag = rng.uniform(2.0, 6.0, targets)
    dec[::6], mag[1::6], dec[2::6] = -45.0, 9.0, 78.0
    head = ["name", "ra", "dec", "epoch", "mag_K", "diameter", "diameter_error"]
    with (folder / "targets.csv").open("w", newline="", encoding="utf-8") as file:
        rows = csv.writer(file)
        rows.writerow([*head, "combiner", "priority", "visits", "field"])
        for k in range(targets):
            star = [f"star {k}", f"{ra[k]:.5f}", f"{dec[k]:.5f}", 2000.0, f"{mag[k]:.2f}", 0.6, 0.02]
            rows.writerow([*star, "Four", 3, 1, 10.0])
    with (folder / "calibrators.csv").open("w", newline="", encoding="utf-8") as file:
        rows = csv.writer(file)
        rows.writerow(head)
        for k in range(120):
            place = [f"{rng.uniform(50.0, 270.0):.5f}", f"{rng.uniform(0.0, 65.0):.5f}"]
            rows.writerow([f"calibrator {k}", *place, 2000.0, f"{rng.uniform(3.0, 6.0):.2f}", 0.4, 0.02])


def seconds(folder: Path, *options: str) -> float:
    """CPU seconds of one question, with the page."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    asked = ["feasibility", str(folder), "--out", str(folder / "answer"), "--quiet", *options]
    subprocess.run([sys.executable, "-m", "planner", *asked], check=False)
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


def main() -> None:
    """Print the CPU seconds of 12 and of 25 targets in one night, and of one target with a season."""
    for targets in (12, 25):
        with tempfile.TemporaryDirectory() as place:
            folder = Path(place)
            write(folder, targets)
            print(f"{targets} targets, one night: {seconds(folder):.1f} CPU s")
            if targets == 12:
                print(f"1 target, one night: {seconds(folder, '--target', 'star 3'):.1f} CPU s")


if __name__ == "__main__":
    main()
