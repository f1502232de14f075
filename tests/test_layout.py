"""The floors of the package: who may import whom, and what every module owes its reader."""

from __future__ import annotations

import ast
import importlib
import re
import subprocess
import sys
from pathlib import Path

import pytest

from planner.scenario import array

ROOT = Path(__file__).resolve().parent.parent
PACKAGE = ROOT / "planner"
FLOORS = (
    "errors units progress",
    "scenario",
    "sky",
    "geometry",
    "science",
    "constraints",
    "scheduling",
    "feasibility",
    "ranking",
    "output",
    "interop",
    "commands versions",
    "terminal",
    "cli_options",
    "cli",
    "__init__ __main__",
)
FLOOR_OF = {name: number for number, names in enumerate(FLOORS) for name in names.split()}
# A heavy library is imported where it belongs only; the modules that may do it are named.
HEAVY = {
    "numba": {"scheduling/kernels.py", "scheduling/kernels_tour.py"},
    "ortools": {
        "scheduling/bound.py",
        "scheduling/cpsat.py",
        "scheduling/offsets.py",
        "scheduling/running.py",
        "scheduling/visit_model.py",
    },
    "astroplan": {"interop"},
    "matplotlib": {"output"},
    "jinja2": {"output"},
    "icalendar": {"output/calendar.py"},
    "typer": {"cli.py", "cli_options.py"},
    "rich": {"cli_options.py"},
}
TOP_LEVEL = {"README.md", "DEVELOPERS.md", "pyproject.toml", "planner", "tests", "scenarios", "reports"}

MODULES = sorted(PACKAGE.rglob("*.py"))


def name_of(path):
    return path.relative_to(PACKAGE).as_posix()


def floor_of(path):
    first = path.relative_to(PACKAGE).parts[0].removesuffix(".py")
    return FLOOR_OF[first]


def imports(path):
    """Every module that a file imports, inside functions too."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{name_of(path)}: relative import"
            yield node.module
            yield from (f"{node.module}.{alias.name}" for alias in node.names)


@pytest.mark.parametrize("path", MODULES, ids=name_of)
def test_a_floor_imports_lower_floors_only(path):
    own = floor_of(path)
    for module in imports(path):
        parts = module.split(".")
        if parts[0] == "planner" and len(parts) > 1 and parts[1] in FLOOR_OF:
            other = FLOOR_OF[parts[1]]
            same_folder = other == own and path.parent != PACKAGE
            assert other < own or same_folder, f"{name_of(path)} imports {module}"


@pytest.mark.parametrize("path", MODULES, ids=name_of)
def test_a_module_is_described(path):
    text = path.read_text(encoding="utf-8")
    assert (ast.get_docstring(ast.parse(text)) or "").strip(), f"{name_of(path)} has no docstring"
    assert "TODO" not in text


@pytest.mark.parametrize("path", MODULES, ids=name_of)
def test_a_heavy_library_stays_where_it_belongs(path):
    for module in imports(path):
        places = HEAVY.get(module.split(".")[0])
        if places is not None:
            assert any(name_of(path) == place or name_of(path).startswith(f"{place}/") for place in places)


def test_the_audit_stands_alone():
    allowed = {"errors", "units", "scenario", "scheduling.plan", "sky.earth"}
    for path in sorted((PACKAGE / "scheduling").glob("audit*.py")):
        for module in imports(path):
            if module.startswith("planner.") and not module.startswith("planner.scheduling.audit"):
                inside = module.removeprefix("planner.")
                assert any(inside == name or inside.startswith(f"{name}.") for name in allowed), (
                    f"{name_of(path)} imports {module}"
                )


def test_modules_of_one_floor_do_not_import_in_a_ring():
    graph = {
        name_of(path).removesuffix(".py").replace("/", "."): {
            module.removeprefix("planner.") for module in imports(path) if module.startswith("planner.")
        }
        for path in MODULES
    }

    done = set()

    def visit(module, trail):
        assert module not in trail, " -> ".join([*trail, module])
        for other in graph[module]:
            if other in graph and other != module and other not in done:
                visit(other, (*trail, module))
        done.add(module)

    for module in graph:
        if module != "__init__":
            visit(module, ())


def test_help_imports_nothing_heavy():
    code = (
        "import sys, typer.testing\n"
        "from planner.cli import app\n"
        "result = typer.testing.CliRunner().invoke(app, ['--help'])\n"
        "assert result.exit_code == 0, result.output\n"
        "heavy = {'astropy', 'numpy', 'ortools', 'matplotlib', 'pandas', 'pydantic', 'scipy', 'jinja2'}\n"
        "print(sorted(heavy & set(sys.modules)))\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT, check=True)
    assert done.stdout.strip() == "[]"


def test_the_top_level_holds_what_it_should():
    listed = subprocess.run(["git", "ls-files"], capture_output=True, text=True, cwd=ROOT, check=False).stdout
    names = {line.split("/")[0] for line in listed.splitlines()}
    if not names:
        pytest.skip("not a git checkout")
    assert {name for name in names if not name.startswith(".")} == TOP_LEVEL


def test_every_name_on_the_way_of_a_parameter_exists():
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    way = text.split("## One parameter, from the file to the page")[1].split("\n## ")[0]
    floors = "|".join(sorted(FLOOR_OF, key=len, reverse=True))
    named = re.findall(rf"`((?:{floors})(?:/\w+)?)(?:\.(\w+))?`", way)
    assert len(named) >= 15
    for module, name in named:
        loaded = importlib.import_module(f"planner.{module.replace('/', '.')}")
        assert not name or hasattr(loaded, name), f"{module}.{name}"
    for field in re.findall(r"`(\w+_m)`", way):
        assert field in array.DelayLine.model_fields, field
