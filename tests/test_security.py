"""What comes from a file is data wherever it is shown, and a scenario reaches nothing outside its folder."""

from __future__ import annotations

import ast
import io
import json
import re
import shutil
import tomllib
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest
import rich.console
from astropy.table import QTable, Table
from icalendar import Calendar
from test_cli import SCENARIOS, run
from written import Written

from planner import cli_options
from planner.errors import InputProblems
from planner.output.svg import clean
from planner.scenario import table_limits
from planner.scheduling.plan_file import read_plan
from planner.terminal import safe

ROOT = Path(__file__).resolve().parent.parent
# A tag, an entity, a template, markup of the terminal, calendar syntax, and text that turns round.
TURN = "\u202e"
EVIL = "</td><img src=x onerror=alert(1)>&lt;{{7*7}}[bold]b[/]\\;,:'" + TURN + "x"


@pytest.fixture(scope="module")
def evil(tmp_path_factory):
    """The tiny scenario with such a name in every place, planned."""
    folder = tmp_path_factory.mktemp("evil")
    scenario = Path(shutil.copytree(SCENARIOS / "tiny", folder / "[bold]mine[/]"))
    for file in (scenario / "targets.ecsv", scenario / "calibrators.ecsv"):
        text = re.sub(
            '^"(.*south)"', lambda own: f'"{own[1]}{EVIL}"', file.read_text("utf-8"), flags=re.MULTILINE
        )
        file.write_text(re.sub(r" pair (\d)", lambda own: f' "pair{EVIL}" {own[1]}', text), encoding="utf-8")
    text = (scenario / "array.toml").read_text(encoding="utf-8")
    for old in ("Round Numbers", "Left", "west", "first", "pair", "as built", "metre"):
        text = text.replace(f'"{old}"', json.dumps(old + EVIL))
    text = text.replace("{ metre = ", "{ " + json.dumps("metre" + EVIL) + " = ")
    (scenario / "array.toml").write_text(text, encoding="utf-8")
    text = (scenario / "scenario.toml").read_text(encoding="utf-8")
    text = text.replace('"as built"', json.dumps("as built" + EVIL))
    text = re.sub("^title = .*$", lambda _: "title = " + json.dumps(EVIL), text, flags=re.MULTILINE)
    (scenario / "scenario.toml").write_text(text, encoding="utf-8")
    return run("night", scenario, "--out", folder / "plan"), folder / "plan"


class Tags(HTMLParser):
    """The tags of a page, and attributes that would run something or fetch something."""

    def __init__(self):
        super().__init__()
        self.tags, self.acts = set(), []

    def handle_starttag(self, tag, attrs):
        self.tags.add(tag)
        own = dict(attrs)
        self.acts += [(tag, key) for key in own if key.startswith("on")]
        self.acts += [(tag, key) for key in ("src", "srcset", "data", "action", "formaction") if key in own]
        self.acts += [
            (tag, "href") for key in ("href", "xlink:href") if not own.get(key, "#").startswith("#")
        ]


def test_a_page_made_of_hostile_names_has_no_tag_or_call_of_theirs(evil):
    done, folder = evil
    assert done.exit_code == 0, done.output
    page = (folder / "report.html").read_text(encoding="utf-8")
    seen = Tags()
    seen.feed(page)
    assert not seen.tags & {"img", "iframe", "object", "embed", "form", "base", "link"}
    assert seen.acts == []
    assert "&lt;/td&gt;&lt;img" in page
    assert "{{7*7}}" in page
    assert TURN not in page


def test_a_figure_made_of_hostile_names_has_no_tag_of_theirs(evil):
    figures = list((evil[1] / "figures").glob("*.svg"))
    assert figures
    for figure in figures:
        seen = Tags()
        text = figure.read_text(encoding="utf-8")
        seen.feed(text)
        assert not seen.tags & {"img", "image", "script", "foreignobject", "td"}
        assert seen.acts == []
        assert TURN not in text


def test_a_calendar_and_a_table_keep_hostile_names_as_text(evil):
    events = Calendar.from_ical((evil[1] / "visits.ics").read_bytes()).events
    assert any("</td><img src=x" in str(event["summary"]) for event in events)
    assert TURN not in (evil[1] / "visits.ics").read_text(encoding="utf-8")
    table = QTable.read(evil[1] / "plan.ecsv")
    assert "south" + EVIL in set(table["target"])  # as it was written: a table is for programs


def test_a_terminal_sees_no_sequence_and_no_turned_text(evil):
    done = evil[0]
    assert TURN not in done.output
    assert safe("a\x1b[2Jb\u202ec\x9bd\re\u2066") == "a\ufffd[2Jb\ufffdc\ufffdd\ufffde\ufffd"
    assert "[bold]b[/]" in done.output


def test_names_are_no_markup_of_the_progress_line(monkeypatch):
    shown = io.StringIO()
    console = rich.console.Console(file=shown, force_terminal=True, width=200)

    def terminal(stderr):
        return console

    monkeypatch.setattr("rich.console.Console", terminal)
    with cli_options.progress() as tell:
        tell(f"Working out the windows of {EVIL}")  # as markup, [/] alone is an error
        tell("Following [bold red]b[/] [link=file:///etc/passwd]x")
    assert "[link=file:///etc/passwd]x" in shown.getvalue()
    assert TURN not in shown.getvalue()


def test_text_in_pages_keeps_scripts_that_run_from_right_to_left():
    # Hebrew and Arabic letters turn by themselves (Unicode, UAX 9); only the controls are taken out.
    assert clean("כוכב نجم") == "כוכב نجم"
    assert clean("a\u202eb\u2066c\u2069d\u2028e") == "a b c d e"


@pytest.mark.parametrize("name", ["bell\a", "two\nlines", "clear\x1b[2J"])
def test_a_scenario_in_a_folder_with_an_unprintable_name_is_refused(tmp_path, name):
    done = run("check", Written().write(tmp_path / name))
    assert done.exit_code == 2
    assert "has a name that cannot be printed" in done.output
    assert len(done.output.splitlines()) == 1


@pytest.mark.parametrize("role", ["array", "targets", "calibrators", "history"])
def test_a_link_out_of_the_scenario_is_not_followed(tmp_path, role):
    outside = tmp_path / "secret.csv"
    outside.write_text("password,1234\n", encoding="utf-8")
    written = Written()
    written.scenario[role] = f"{role}.csv"
    folder = written.write(tmp_path / "mine")
    (folder / f"{role}.csv").unlink(missing_ok=True)
    (folder / f"{role}.csv").symlink_to(outside)
    done = run("check", folder)
    assert done.exit_code == 2
    assert "a link out of the scenario's folder" in done.output
    assert "password" not in done.output


def test_the_scenarios_own_file_may_not_be_a_link_out_of_its_folder(tmp_path):
    folder = Written().write(tmp_path / "mine")
    (folder / "scenario.toml").rename(tmp_path / "elsewhere.toml")
    (folder / "scenario.toml").symlink_to(tmp_path / "elsewhere.toml")
    done = run("check", folder)
    assert done.exit_code == 2
    assert "a link out of the scenario's folder" in done.output


def test_large_files_are_refused_before_they_are_read(tmp_path, monkeypatch):
    written = Written(files={"array.toml": b"# " + b"x" * 2_600_000})
    remedy = "Keep only what the planner needs."
    assert written.messages(tmp_path) == [f"array.toml: has 3 MB, more than 2. {remedy}"]
    monkeypatch.setattr(table_limits, "MAX_ROWS", 1)
    told = Written().messages(tmp_path / "rows")
    assert "targets.csv: has 2 rows, more than 1. Keep only what this scenario needs." in told


def test_a_fits_file_that_claims_to_be_huge_is_told(tmp_path):
    # FITS standard 4.0, 7.3.1: NAXIS2 is the number of rows; here 9e12 of them in a file of 8 kB.
    content = io.BytesIO()
    Table({"name": ["a", "b"], "ra": np.array([1.0, 2.0])}).write(content, format="fits")
    claim = content.getvalue().replace(b"NAXIS2  =                    2", b"NAXIS2  =        9000000000000")
    assert claim != content.getvalue()
    written = Written(files={"targets.csv": None, "targets.fits": claim})
    written.scenario["targets"] = "targets.fits"
    claimed = "targets.fits: claims 81000000000000 bytes of data and has 2880."
    assert any(one.startswith(claimed) for one in written.messages(tmp_path))


@pytest.mark.parametrize(
    "content",
    [
        b'{"schema": ' + b"9" * 5000 + b"}",
        b"[" * 100_000,
        b"\xff\xfe",
        b"",
        b"[]",
        b"null",
        b'{"schema": NaN}',
    ],
)
def test_a_file_that_is_no_plan_is_told_in_one_problem(tmp_path, content):
    (tmp_path / "plan.json").write_bytes(content)
    with pytest.raises(InputProblems) as caught:
        read_plan(tmp_path)
    assert len(caught.value.problems) == 1


def test_no_module_runs_or_unpacks_what_it_reads():
    forbidden = {
        "pickle",
        "marshal",
        "shelve",
        "dill",
        "subprocess",
        "ctypes",
        "urllib",
        "requests",
        "socket",
        "http",
    }
    calls = {
        "eval",
        "exec",
        "compile",
        "__import__",
        "system",
        "popen",
        "loads_pickle",
        "memmap",
        "Unpickler",
    }
    for path in sorted((ROOT / "planner").rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Import):
                names = {alias.name.split(".")[0] for alias in node.names}
            elif isinstance(node, ast.ImportFrom):
                names = {str(node.module).split(".")[0]}
            elif isinstance(node, ast.Call):
                own = node.func
                called = (
                    own.id
                    if isinstance(own, ast.Name)
                    else own.attr
                    if isinstance(own, ast.Attribute)
                    else ""
                )
                # re.compile makes a pattern, not code.
                assert called not in calls or ast.unparse(own) == "re.compile", (
                    f"{path.name}: {ast.unparse(own)}"
                )
                words = {keyword.arg for keyword in node.keywords}
                assert not words & {"allow_pickle", "shell"}, f"{path.name}: {ast.unparse(node)}"
                continue
            else:
                continue
            assert not names & forbidden, f"{path.name} imports {names & forbidden}"


def test_every_dependency_is_listed_with_its_reason_and_its_licence():
    told = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    reasons, licences = (
        told.partition("## Dependencies")[2].partition("## Decisions")[0].split("Licences, as", 1)
    )
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    for wanted in (*project["dependencies"], *project["optional-dependencies"]["test"]):
        name = re.split("[<>=~!]", wanted)[0]
        assert re.search(rf"\b{name}\b", reasons), f"{name} has no reason"
        assert re.search(rf"\b{name}\b", licences), f"{name} has no licence"
