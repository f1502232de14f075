"""The README's ten minutes: every command is run as it stands there, and what it promises comes out."""

from __future__ import annotations

import re
import shlex
import subprocess
from pathlib import Path

import pytest
from pages import read_page
from test_cli import run

README = (Path(__file__).resolve().parent.parent / "README.md").read_text(encoding="utf-8")


def commands():
    """The lines of the README's blocks that are marked as tutorial, in order."""
    blocks = re.findall(r"<!-- tutorial -->\n```sh\n(.*?)```", README, re.DOTALL)
    return [line for block in blocks for line in block.splitlines()]


@pytest.fixture(scope="module")
def followed(tmp_path_factory):
    """An empty folder in which all commands were run: [(command, exit code, what it printed)]."""
    folder = tmp_path_factory.mktemp("tutorial")
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(folder)
        done = []
        for line in commands():
            name, *words = shlex.split(line)
            if name == "planner":
                result = run(*words)
                done.append((line, result.exit_code, result.output))
            else:
                other = subprocess.run([name, *words], capture_output=True, text=True, check=False)
                done.append((line, other.returncode, other.stdout + other.stderr))
    return folder, done


def test_every_command_of_the_tutorial_works(followed):
    done = followed[1]
    assert len(done) >= 7
    assert {line.split()[1] for line, _, _ in done if line.startswith("planner")} == {
        "new", "check", "feasibility", "night", "audit",
    }  # fmt: skip
    assert [(line, printed) for line, code, printed in done if code != 0] == []


def test_a_shorter_stroke_costs_the_hours_that_the_tutorial_says(followed):
    printed = [text for line, _, text in followed[1] if line.startswith("planner feasibility")]
    hours = [re.search(r"alf Lyn  \S+  (\S+ h)", text)[1] for text in printed]
    assert hours == ["4.35 h", "1.91 h"]
    assert all(told in README for told in hours)
    lines = (followed[0] / "my-array" / "array.toml").read_text(encoding="utf-8")
    assert lines.count("stroke_m = [0.0, 30.0]") == 4


def test_the_pages_say_what_the_tutorial_says_they_do(followed):
    folder, done = followed
    printed = [text for line, _, text in done if line.startswith("planner feasibility")][-1]
    page = read_page(Path(printed.split("Page: ")[1].replace("\n", "")).read_text(encoding="utf-8"))
    assert "02:35:55 03:49:44 1 h 14 min delay range" in page.text()
    report = read_page((folder / "my-plan" / "report.html").read_text(encoding="utf-8"))
    rows = report.all("section", id="carriages")[0].all("tbody")[0].all("tr")
    assert len(rows) == 4
    assert all("0 to 30" in row.text() for row in rows)
