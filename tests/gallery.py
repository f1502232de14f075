"""The gallery in reports/: what the plans of the three scenarios say in numbers, and how their reports look.

Run: python tests/gallery.py [SCENARIO ...] [--without-pictures]. Writes NAME.json and NAME-night.png for each
scenario (all three if none is named), for the demonstration also demo-phone.png and demo-sheet.png, the first
page as it is printed. Pictures need Debian's chromium and pdftoppm (poppler-utils). The tests compare the
numbers, never the pictures.
"""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

import planner

ROOT = Path(__file__).resolve().parent.parent
GALLERY = ROOT / "reports"
SCENARIOS = ("demo", "steps", "twostars")
LARGEST_BYTES = 400_000  # of a picture
CHROMIUM = shutil.which("chromium") or "/usr/bin/chromium"
FLAGS = ["--no-sandbox", "--disable-gpu", "--disable-background-networking"]


def numbers(plan: Any) -> dict[str, Any]:
    """Return what the gallery keeps of a plan: visits, score and bound, travel."""
    return {
        "scenario": plan.scenario.name,
        "date": str(plan.night.date),
        "configuration": plan.configuration,
        "score": plan.solver.score,
        "bound": plan.solver.bound,
        "gap": round(plan.solver.gap, 6),
        "carriages_m": None if plan.travel is None else round(plan.travel.carriages_m, 1),
        "mounts_deg": None if plan.travel is None else round(plan.travel.mounts_deg, 1),
        "audit_passed": None if plan.audit is None else plan.audit.passed,
        "visits": [
            {
                "id": visit.id,
                "target": visit.target,
                "start_utc": visit.steps[0].start_utc,
                "end_utc": visit.steps[-1].end_utc,
                "combiner": visit.combiner,
                "subarray": list(visit.subarray),
                "calibrators": [step.object for step in visit.steps if step.role == "calibrator"],
                "value": visit.value,
            }
            for visit in plan.visits
        ],
        "left_out": [own.target for own in plan.requests if own.visits_planned == 0],
    }


def text_of(kept: dict[str, Any]) -> str:
    """Return the file of these numbers: one line a visit, so that a change can be read."""
    visits = ",\n".join(f"    {json.dumps(visit, ensure_ascii=False)}" for visit in kept["visits"])
    head = {key: value for key, value in kept.items() if key != "visits"}
    lines = [f"  {json.dumps(key)}: {json.dumps(value, ensure_ascii=False)}," for key, value in head.items()]
    return "\n".join(["{", *lines, '  "visits": [', visits, "  ]", "}", ""])


def take_pictures(name: str, report: Path) -> None:
    """Photograph the first screen; of the demonstration also on a telephone and on paper."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        page = browser.new_page(viewport={"width": 1440, "height": 900})
        page.goto(report.as_uri())
        page.screenshot(path=GALLERY / f"{name}-night.png")
        if name == "demo":
            printed = report.parent / "printed.pdf"
            page.pdf(path=printed, prefer_css_page_size=True)
            command = ["pdftoppm", "-r", "110", "-png", "-singlefile", printed, GALLERY / "demo-sheet"]
            subprocess.run(command, check=True)
            page.set_viewport_size({"width": 390, "height": 844})
            page.screenshot(path=GALLERY / "demo-phone.png")
        browser.close()


def main(words: list[str]) -> None:
    """Write the gallery of some scenarios."""
    names = [word for word in words if not word.startswith("--")] or list(SCENARIOS)
    for name in names:
        night = planner.plan_night(planner.read_scenario(ROOT / "scenarios" / name))
        (GALLERY / f"{name}.json").write_text(text_of(numbers(night.plan)), encoding="utf-8")
        if "--without-pictures" not in words:
            with tempfile.TemporaryDirectory() as folder:
                take_pictures(name, planner.write_night(night, Path(folder) / "plan"))
        for file in sorted(GALLERY.glob(f"{name}*.*")):
            large = "  TOO LARGE" if file.suffix == ".png" and file.stat().st_size > LARGEST_BYTES else ""
            print(f"{file.name}: {file.stat().st_size / 1000.0:.0f} kB{large}")


if __name__ == "__main__":
    main(sys.argv[1:])
