"""What may go wrong around a run: killed, a full disk, no home, no network, two at a time, Ctrl-C."""

from __future__ import annotations

import ast
import errno
import json
import os
import shutil
import signal
import subprocess
import sys
from pathlib import Path

import pytest
from test_cli import SCENARIOS, run

from planner import cli
from planner.commands import audit_plan
from planner.errors import InputProblems
from planner.output import writing
from planner.output.writing import Contents, check_folder, replace_folder
from planner.scheduling.plan_file import read_plan

pytestmark = pytest.mark.slow

ROOT = Path(__file__).resolve().parent.parent
TINY = SCENARIOS / "tiny"
OLD, NEW = {"plan.json": "old", "figures/a.svg": "old"}, {"plan.json": "new", "figures/b.svg": b"new"}

# Ends the process, or raises Ctrl-C in it, at the n-th event of a kind: no clock, no luck.
HOOK = """
import os, signal, sys
wanted, count, what = sys.argv[1], int(sys.argv[2]), getattr(signal, sys.argv[3])
left = [count]
def watch(event, arguments):
    if event.startswith(wanted.split(" ")[0]) and wanted.split(" ")[-1] in str(arguments):
        left[0] -= 1
        if left[0] == 0:
            os.kill(os.getpid(), what)
"""
WRITE = (
    HOOK
    + """
from pathlib import Path
import shutil, tempfile
from planner.output.writing import replace_folder
sys.addaudithook(watch)
replace_folder(Path(sys.argv[4]), {"plan.json": "new", "figures/b.svg": b"new"})
"""
)
COMMAND = (
    HOOK
    + """
sys.addaudithook(watch)
sys.argv = ["planner", *sys.argv[4:]]
from planner.__main__ import main
main()
"""
)


def python(code, *words, **environment):
    """Run code in a process of its own."""
    return subprocess.run(
        [sys.executable, "-c", code, *map(str, words)],
        env={**os.environ, "PYTHONPATH": str(ROOT), **environment},
        capture_output=True, text=True, check=False, cwd=ROOT, timeout=300,
    )  # fmt: skip


def held_back():
    """What to put before a command so that permissions hold for root too."""
    if os.geteuid() != 0:
        return []
    if shutil.which("setpriv") is None:
        pytest.skip("root, whom no permission holds back, and no setpriv")
    return ["setpriv", "--bounding-set=-dac_override,-dac_read_search", "--"]


def held(folder):
    """What a folder holds; None when it is absent."""
    if not folder.exists():
        return None
    return {f"{path.relative_to(folder)}": path.read_text() for path in folder.rglob("*") if path.is_file()}


def whole(files):
    return {name: text if isinstance(text, str) else text.decode() for name, text in files.items()}


def test_a_run_that_is_killed_at_any_touch_of_the_disk_leaves_a_whole_folder_or_none(tmp_path):
    folder, touches = tmp_path / "plan", 0
    events = ("open", "os.mkdir", "os.rename", "os.chmod", "os.rmdir", "os.remove", "shutil.rmtree")
    for event in events:
        for count in range(1, 30):
            replace_folder(folder, OLD)
            done = python(WRITE, f"{event} {tmp_path}", count, "SIGKILL", folder)
            if done.returncode == 0:
                break
            assert done.returncode == -signal.SIGKILL, done.stderr
            touches += 1
            assert held(folder) in (whole(OLD), whole(NEW), None)
            if held(folder) is None:  # between its two renames: the old plan stands aside, and comes back
                assert [held(path) for path in tmp_path.glob(".plan-replaced-*")] == [whole(OLD)]
            # The next run works, and nothing of the killed one stays.
            replace_folder(folder, NEW)
            assert held(folder) == whole(NEW)
            assert [path.name for path in tmp_path.iterdir()] == ["plan"]
    assert touches >= 10


def test_an_old_plan_comes_back_when_the_next_run_fails_too(tmp_path, monkeypatch):
    folder = tmp_path / "plan"
    replace_folder(folder, OLD)
    done = python(WRITE, f"os.rename {tmp_path}", 2, "SIGKILL", folder)
    assert done.returncode == -signal.SIGKILL
    assert not folder.exists()

    def full(descriptor):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(writing.os, "fsync", full)
    with pytest.raises(writing.InputProblems, match="No space left on device"):
        replace_folder(folder, NEW)
    assert held(folder) == whole(OLD)
    assert [path.name for path in tmp_path.iterdir()] == ["plan"]


def test_ctrl_c_between_the_two_renames_keeps_the_old_plan(tmp_path):
    folder = tmp_path / "plan"
    for count in (1, 2):
        replace_folder(folder, OLD)
        done = python(WRITE, f"os.rename {tmp_path}", count, "SIGINT", folder)
        assert done.returncode != 0
        assert held(folder) == whole(OLD)
        assert [path.name for path in tmp_path.iterdir()] == ["plan"]


def test_folders_of_others_with_names_alike_are_left_alone(tmp_path):
    folder = tmp_path / "demo"
    others = (".demo-mine", ".demo-2027-replaced-abcd1234", ".demo-unfinished", ".demo-unfinished-copy")
    for name in others:
        (tmp_path / name).mkdir()
        (tmp_path / name / "notes.txt").write_text("mine", encoding="utf-8")
    replace_folder(folder, NEW)
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted(("demo", *others))
    assert all((tmp_path / name / "notes.txt").is_file() for name in others)


def test_two_runs_into_one_folder_leave_the_plan_of_one_of_them(tmp_path):
    folder = tmp_path / "plan"
    code = """
import sys
from pathlib import Path
from planner.output.writing import replace_folder
own = sys.argv[2]
for turn in range(60):
    replace_folder(Path(sys.argv[1]), {f"{name}": own * 1000 for name in range(5)})
    seen = {path.read_text() for path in Path(sys.argv[1]).iterdir()} if turn % 10 == 0 else set()
"""
    runs = [
        subprocess.Popen(
            [sys.executable, "-c", code, str(folder), own], env={**os.environ, "PYTHONPATH": str(ROOT)},
            stderr=subprocess.PIPE, text=True,
        )
        for own in "ab"
    ]  # fmt: skip
    ends = [one.communicate(timeout=120)[1] for one in runs]
    # A reader may find a file gone while the folder is exchanged; a writer never fails.
    assert all("replace_folder" not in end.replace("import replace_folder", "") for end in ends), ends
    assert set(held(folder).values()) in ({"a" * 1000}, {"b" * 1000})
    assert len(held(folder)) == 5
    assert [path.name for path in tmp_path.iterdir()] == ["plan"]


def test_a_lock_that_is_never_released_ends_in_a_sentence(tmp_path, monkeypatch):
    monkeypatch.setattr(writing, "PATIENCE_S", 0.0)
    descriptor = os.open(tmp_path, os.O_RDONLY)
    try:
        writing.fcntl.flock(descriptor, writing.fcntl.LOCK_EX)
        with pytest.raises(writing.InputProblems, match="another run has been writing there for a minute"):
            replace_folder(tmp_path / "plan", NEW)
    finally:
        os.close(descriptor)
    replace_folder(tmp_path / "plan", NEW)


def test_a_night_that_is_killed_while_it_writes_leaves_the_earlier_plan_and_the_next_run_clears_up(tmp_path):
    folder = tmp_path / "plan"
    replace_folder(folder, OLD)
    words = ("night", TINY, "--out", folder)
    done = python(COMMAND, f"open {tmp_path}/.plan-unfinished", 3, "SIGKILL", *words)
    assert done.returncode == -signal.SIGKILL
    assert held(folder) == whole(OLD)
    safe = tmp_path / "plan-without-report"
    assert read_plan(safe).audit.passed
    assert len(list(tmp_path.iterdir())) == 3
    replace_folder(folder, NEW)
    assert held(folder) == whole(NEW)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["plan", safe.name]
    # The next run of the command takes the safe plan away too.
    shutil.rmtree(folder)
    assert run("night", TINY, "--out", folder, "--quiet").exit_code == 0
    assert [path.name for path in tmp_path.iterdir()] == ["plan"]


def command_line(monkeypatch, *words):
    """Run the command line as it starts, handlers of faults and all; its exit code."""
    monkeypatch.setattr(sys, "argv", ["planner", *map(str, words)])
    with pytest.raises(SystemExit) as end:
        cli.main()
    return end.value.code or 0


def broken(*words, **named):
    raise ValueError("broken for a test")


def stopped(*words, **named):
    raise KeyboardInterrupt


def with_a_program(tmp_path):
    """The smallest scenario with a target that no visit serves, in a program with a budget."""
    scenario = tmp_path / "scenario"
    shutil.copytree(TINY, scenario)
    with (scenario / "scenario.toml").open("a", encoding="utf-8") as file:
        file.write('\n[[request]]\ntarget = "south"\nairmass_max = 1.0001\n')
        file.write('\n[[program]]\nname = "P"\ntargets = ["south", "equator"]\nhours_max = 2.0\n')
    return scenario


def test_a_program_with_a_budget_may_hold_a_target_without_a_candidate(tmp_path):
    told = run("night", with_a_program(tmp_path), "--out", tmp_path / "plan")
    assert told.exit_code == 0, told.stderr
    assert "left out: south: airmass: at best" in told.stdout
    assert "Audit passed." in told.stdout


# What is done after the visits are chosen, in its order: which of the plan is on disk when it fails.
SAYING = {
    "planner.scheduling.tonight.forced_plans": {"complete": False, "audited": False},
    "planner.scheduling.tonight.calmer": {"complete": False, "audited": False},
    "planner.scheduling.assemble.reason": {"complete": False, "audited": False},
    "planner.scheduling.assemble.margins_of": {"complete": False, "audited": False},
    "planner.scheduling.audit.audit_plan": {"complete": True, "audited": False},
    "planner.output.folder.drawn_night": {"complete": True, "audited": True},
    "planner.output.folder.render_report": {"complete": True, "audited": True},
}


@pytest.mark.parametrize("part", SAYING)
def test_a_plan_is_not_lost_when_what_is_said_about_it_fails(part, tmp_path, monkeypatch, capsys):
    out, safe = tmp_path / "plan", tmp_path / "plan-without-report"
    scenario = with_a_program(tmp_path)
    replace_folder(out, OLD)
    with monkeypatch.context() as patch:
        patch.setattr(part, broken)
        assert command_line(patch, "night", scenario, "--out", out) == 3
    told = capsys.readouterr()
    assert told.out == ""
    assert "The planner met a fault of its own (ValueError: broken for a test)." in told.err
    assert f"The plan is not lost: {safe / 'plan.json'} holds its visits" in told.err
    assert held(out) == whole(OLD)
    plan = read_plan(safe)
    assert {"complete": plan.complete, "audited": plan.audit is not None} == SAYING[part]
    assert [check for check in audit_plan(plan).checks if not check.passed] == []
    assert len(plan.visits) > 0


def test_the_rest_of_a_night_is_not_lost_either_and_is_planned_on(tmp_path, monkeypatch, capsys):
    first, rest = tmp_path / "plan", tmp_path / "rest"
    with monkeypatch.context() as patch:
        patch.setattr("planner.output.folder.render_report", broken)
        assert command_line(patch, "night", TINY, "--out", first) == 3
        safe = tmp_path / "plan-without-report"
        at = read_plan(safe).night.start_utc[11:16]
        at = f"{at[:2]}:{int(at[3:]) // 10 + 1}0" if at[3:] < "50" else f"{(int(at[:2]) + 1) % 24:02d}:00"
        capsys.readouterr()
        assert command_line(patch, "replan", safe, "--at", at, "--out", rest) == 3
    assert (
        f"The plan is not lost: {tmp_path / 'rest-without-report' / 'plan.json'}" in capsys.readouterr().err
    )
    assert read_plan(tmp_path / "rest-without-report").audit.passed
    assert run("audit", tmp_path / "rest-without-report").exit_code == 0


def test_ctrl_c_while_the_report_is_drawn_keeps_the_plan_and_says_so(tmp_path, monkeypatch, capsys):
    with monkeypatch.context() as patch:
        patch.setattr("planner.output.folder.drawn_night", stopped)
        assert command_line(patch, "night", TINY, "--out", tmp_path / "plan") == 130
    told = capsys.readouterr().err
    safe = tmp_path / "plan-without-report"
    assert told.startswith("Stopped. No report was written.\nThe plan is not lost: ")
    assert read_plan(safe).audit.passed
    assert not (tmp_path / "plan").exists()


def test_something_else_where_the_plan_would_be_kept_is_refused_before_the_work(tmp_path):
    (tmp_path / "plan-without-report").mkdir()
    (tmp_path / "plan-without-report" / "notes.txt").write_text("mine", encoding="utf-8")
    told = run("night", TINY, "--out", tmp_path / "plan")
    assert (told.exit_code, told.stdout) == (2, "")
    assert "holds 'notes.txt', which is not part of a plan without its report" in told.stderr


@pytest.mark.parametrize(
    "module", ["planner.cli", "typer", "planner.commands", "pydantic", "numpy", "astropy.time", "ortools"]
)
def test_ctrl_c_while_the_program_is_loaded_gives_a_sentence(module, tmp_path):
    done = python(COMMAND, f"import ('{module}',", 1, "SIGINT", "night", TINY, "--out", tmp_path / "plan")
    assert done.stderr == "Stopped. Nothing was written.\n"
    assert done.returncode == 130
    assert list(tmp_path.iterdir()) == []


NO_NETWORK = """
import os, socket
def refuse(*words, **named):
    with open(os.environ["PLANNER_TEST_CALLS"], "a") as note:
        note.write(f"{words!r}\\n")
    raise OSError(101, "Network is unreachable")
socket.socket.connect = socket.socket.connect_ex = socket.getaddrinfo = socket.create_connection = refuse
"""


# Numbers that wrap around are meant in the loops: only Python says so aloud.
NO_COMPILER = {"NUMBA_DISABLE_JIT": "1", "PYTHONWARNINGS": "ignore::RuntimeWarning"}


def test_a_night_is_planned_without_a_home_a_network_or_a_place_to_keep_anything(tmp_path):
    # An installed copy that nobody may change, run by somebody who owns nothing but the folder of the plan.
    install, out, calls = tmp_path / "install", tmp_path / "out", tmp_path / "out" / "calls"
    shutil.copytree(ROOT / "planner", install / "planner", ignore=shutil.ignore_patterns("__pycache__"))
    shutil.copytree(TINY, install / "tiny")
    (install / "sitecustomize.py").write_text(NO_NETWORK, encoding="utf-8")
    out.mkdir()
    folders = [install, *(path for path in install.rglob("*") if path.is_dir())]
    for folder in folders:
        folder.chmod(0o555)
    words = [sys.executable, "-m", "planner", "night", install / "tiny", "--out", out / "plan", "--json"]
    environment = {"PATH": "/usr/bin:/bin", "PYTHONPATH": str(install), "PLANNER_TEST_CALLS": str(calls)}
    try:
        done = subprocess.run(
            [*held_back(), *words],
            # The next test compiles the loops; here they are too few to be worth the wait.
            env={**environment, "HOME": str(install / "nothing"), **NO_COMPILER},
            capture_output=True, text=True, check=False, cwd=out, timeout=300,
        )  # fmt: skip
    finally:
        for folder in folders:
            folder.chmod(0o755)
    assert done.returncode == 0, done.stderr
    assert done.stderr == ""
    assert json.loads(done.stdout)["audit"]["passed"]
    assert not calls.exists()
    assert sorted(path.name for path in out.iterdir()) == ["plan"]
    assert not list(install.rglob("__pycache__"))


def test_loops_are_compiled_anew_where_machine_code_cannot_be_kept(tmp_path):
    install, ignored = tmp_path / "install", shutil.ignore_patterns("__pycache__")
    shutil.copytree(ROOT / "planner", install / "planner", ignore=ignored)
    folders = (install / "planner" / "scheduling", install / "planner", install)
    for folder in folders:
        folder.chmod(0o555)
    code = """
import numpy as np
from planner.scheduling import kernels
none, one = np.zeros(0, dtype=np.int64), np.zeros(2, dtype=np.int64)
print(kernels.onward(none, none, one, one[:1], none, one[:1], none, none)[1], kernels.__file__)
"""
    try:
        done = subprocess.run(
            [*held_back(), sys.executable, "-c", code],
            env={"PATH": "/usr/bin:/bin", "PYTHONPATH": str(install), "HOME": str(install / "nothing")},
            capture_output=True, text=True, check=False, cwd=tmp_path, timeout=300,
        )  # fmt: skip
    finally:
        for folder in folders:
            folder.chmod(0o755)
    assert done.stdout == f"0 {install / 'planner' / 'scheduling' / 'kernels.py'}\n", done.stderr
    assert not list(install.rglob("__pycache__"))


def test_nothing_depends_on_the_clock_of_the_machine():
    asks = {"now", "today", "utcnow", "time", "time_ns", "gmtime", "localtime"}
    for path in sorted((ROOT / "planner").rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute) and node.func.attr in asks:
                # datetime.time(h, m, s) is a time of day, not the time.
                own = ast.unparse(node.func)
                assert own == "datetime.time", f"{path.name}: {ast.unparse(node)}"


def test_an_output_folder_that_cannot_be_written_is_refused_before_the_work(tmp_path):
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine").chmod(0o555)
    (tmp_path / "link").symlink_to(tmp_path / "mine")
    told = run("night", TINY, "--out", tmp_path / "link")
    assert (told.exit_code, told.stdout) == (2, "")
    assert "exists and is not a folder" in told.stderr
    code = """
import sys
from pathlib import Path
from planner.errors import InputProblems
from planner.output.writing import Contents, check_folder, replace_folder
plan = Contents("a plan", ())
acts = (lambda folder: check_folder(folder, plan), lambda folder: replace_folder(folder, {}))
for act in acts:
    try:
        act(Path(sys.argv[1]))
    except InputProblems as found:
        print(found)
"""
    done = subprocess.run(
        [*held_back(), sys.executable, "-c", code, tmp_path / "mine" / "plan"],
        env={**os.environ, "PYTHONPATH": str(ROOT)}, capture_output=True, text=True, check=True, timeout=300,
    )  # fmt: skip
    before, after = done.stdout.splitlines()
    assert before.endswith(f"cannot be made in {tmp_path / 'mine'}. Give another folder with --out.")
    assert "cannot be written (Permission denied). Choose a folder you may write to with --out" in after


def test_a_file_system_that_takes_no_folders_is_told_before_any_work(tmp_path, monkeypatch):
    # As /proc: permissions allow it, the making fails.
    def full(*_args, **_rest):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr("planner.output.writing.tempfile.mkdtemp", full)
    with pytest.raises(
        InputProblems, match=r"cannot be used \(No space left on device\). Give another folder"
    ):
        check_folder(tmp_path / "plan", Contents("a plan", ()))


def test_a_reader_that_leaves_early_ends_the_run_quietly(tmp_path):
    words = [sys.executable, "-m", "planner", "schema", "array"]
    with subprocess.Popen(
        words, stdout=subprocess.PIPE, stderr=subprocess.PIPE, env={**os.environ, "PYTHONPATH": str(ROOT)}
    ) as one:
        one.stdout.close()
        told = one.stderr.read().decode()
    assert "Traceback" not in told


def test_a_disk_that_takes_no_more_keeps_the_earlier_plan_and_says_so(tmp_path):
    # The kernel cuts every file at 60 blocks of 1024 bytes: the report of the smallest night has 140 kB.
    out = tmp_path / "plan"
    assert run("night", TINY, "--out", out, "--quiet").exit_code == 0
    before = {path.name: path.read_bytes() for path in out.iterdir() if path.is_file()}
    words = [sys.executable, "-m", "planner", "night", TINY]
    for folder in (out, tmp_path / "other"):
        done = subprocess.run(
            ["bash", "-c", 'ulimit -f 60; exec "$@"', "bash", *words, "--out", folder],
            env={**os.environ, "PYTHONPATH": str(ROOT), **NO_COMPILER},
            capture_output=True, text=True, check=False, timeout=300,
        )  # fmt: skip
        assert done.returncode == 2
        assert "cannot be written (File too large)" in done.stderr
        assert "make room" in done.stderr
        assert f"The plan is not lost: {folder}-without-report/plan.json" in done.stderr
    assert {path.name: path.read_bytes() for path in out.iterdir() if path.is_file()} == before
    assert sorted(path.name for path in tmp_path.iterdir()) == [
        "other-without-report", "plan", "plan-without-report",
    ]  # fmt: skip
