"""Which way imports go, what stays lazy, and that every command is documented.

The expected values are the project's own rules, stated in DEVELOPERS.md; there is no outside source for them.
"""

from __future__ import annotations

import ast
import re
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
STANDARD = set(sys.stdlib_module_names)

EDGES = ("pipeline.stations", "pipeline.inputs", "pipeline.results", "pipeline.exports")
"""Where things enter and leave; none knows another's insides."""


def module_name(path: Path) -> str:
    name = ".".join(path.relative_to(ROOT).with_suffix("").parts)
    return name.removesuffix(".__init__")


MODULES = {module_name(p): p for folder in ("pipeline", "dashboard") for p in (ROOT / folder).rglob("*.py")}


def imports(path: Path) -> set[tuple[str, bool]]:
    """Every module imported anywhere in a file, as (name, only for type checking)."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    typing_only = {
        id(node)
        for block in ast.walk(tree)
        if isinstance(block, ast.If) and ast.unparse(block.test) == "TYPE_CHECKING"
        for inner in block.body
        for node in ast.walk(inner)
    }
    found: set[tuple[str, bool]] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            found |= {(alias.name, id(node) in typing_only) for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path} imports relatively; imports are absolute here"
            base = str(node.module)
            for alias in node.names:
                whole = f"{base}.{alias.name}"
                found.add((whole if whole in MODULES else base, id(node) in typing_only))
    return found


def within(name: str, *rooms: str) -> bool:
    return any(name == room or name.startswith(f"{room}.") for room in rooms)


def own_imports(name: str, *, typing: bool = True) -> set[str]:
    """Modules of the project that a module imports."""
    return {
        found
        for found, only in imports(MODULES[name])
        if within(found, "pipeline", "dashboard") and (typing or not only)
    }


def room(name: str) -> list[str]:
    members = [module for module in MODULES if within(module, name)]
    assert members, f"there is no {name}"
    return members


@pytest.mark.parametrize(
    ("inside", "may_know"),
    [
        # The spine: air <- flight <- decisions <- run <- cli and dashboard.
        ("pipeline.air", ("pipeline.air",)),
        ("pipeline.flight", ("pipeline.flight", "pipeline.air")),
        (
            "pipeline.decisions",
            ("pipeline.decisions", "pipeline.flight", "pipeline.air", "pipeline.errors"),
        ),
        # The edges.
        (
            "pipeline.stations",
            (
                "pipeline.stations",
                "pipeline.air.variables",
                "pipeline.air.atmosphere",
                "pipeline.air.wind",
                "pipeline.errors",
                "pipeline.netcdf",
            ),
        ),
        ("pipeline.errors", ()),
        ("pipeline.netcdf", ()),
        ("pipeline.settings", ("pipeline.air.variables", "pipeline.errors")),
    ],
)
def test_a_room_knows_only_the_rooms_before_it(inside: str, may_know: tuple[str, ...]) -> None:
    """Imports at module level, in functions, and for type checking all go one way."""
    for module in room(inside):
        strangers = {name for name in own_imports(module) if not within(name, *may_know)}
        assert not strangers, f"{module} imports {sorted(strangers)}"


@pytest.mark.parametrize("edge", EDGES)
def test_edges_do_not_know_each_other(edge: str) -> None:
    """Stations, inputs, results and exports import neither one another nor the composition above them."""
    members = [module for module in MODULES if within(module, edge)]
    if edge != "pipeline.exports":
        assert members
    others = [other for other in EDGES if other != edge]
    above = ("pipeline.run", "pipeline.cli", "pipeline.fetch", "dashboard")
    for module in members:
        strangers = {name for name in own_imports(module, typing=False) if within(name, *others, *above)}
        assert not strangers, f"{module} imports {sorted(strangers)}"


def test_only_the_command_and_the_dashboard_stand_above_run() -> None:
    """Nothing below imports the composition, the command, or the dashboard."""
    for module in MODULES:
        if within(module, "pipeline.run", "pipeline.cli", "pipeline.__main__", "dashboard"):
            continue
        strangers = {n for n in own_imports(module) if within(n, "pipeline.cli", "dashboard")}
        assert not strangers, f"{module} imports {sorted(strangers)}"
    for module in (*room("pipeline.air"), *room("pipeline.flight"), *room("pipeline.decisions")):
        assert not any(within(n, "pipeline.run") for n in own_imports(module))


LATE = {"pipeline.air.gusts": {"scipy", "sklearn"}}
"""Besides SciPy's special functions: fitting, which no forecast does; applying what was fitted is numpy."""


@pytest.mark.parametrize("inside", ["pipeline.air", "pipeline.flight"])
def test_the_kernels_need_numpy_only(inside: str) -> None:
    """Air and flight import the standard library and numpy, and what `LATE` names only inside a function."""
    for module in room(inside):
        may = LATE.get(module, set()) | {"scipy.special"}
        tree = ast.parse(MODULES[module].read_text(encoding="utf-8"))
        for name, _ in imports(MODULES[module]):
            top = name.split(".")[0]
            if top in STANDARD or top in ("numpy", "pipeline"):
                continue
            assert name in may or top in may, f"{module} imports {name}"
            at_module_level = {str(node.module) for node in tree.body if isinstance(node, ast.ImportFrom)} | {
                alias.name for node in tree.body if isinstance(node, ast.Import) for alias in node.names
            }
            assert name not in at_module_level, f"{module} imports {name} before it is needed"


def test_the_dashboard_neither_fetches_nor_fits() -> None:
    """The dashboard knows no station source, no fetching, and no learning library."""
    for module in room("dashboard"):
        found = {name for name, _ in imports(MODULES[module])}
        strangers = {
            name
            for name in found
            if within(name, "pipeline.stations", "pipeline.fetch", "sklearn", "meteostat")
        }
        assert not strangers, f"{module} imports {sorted(strangers)}"


# --- Laziness, by what is loaded and never by time ------------------------------------------------------

HEAVY = ("pandas", "xarray", "sklearn", "streamlit", "meteostat", "pyarrow", "netCDF4")

_PROBE = """
import sys
from pipeline.cli import main
try:
    code = main({argv!r})
except SystemExit as stop:
    code = stop.code
print("loaded:", " ".join(sorted({{name.split(".")[0] for name in sys.modules}})))
sys.exit(code)
"""


def loaded(argv: list[str], environment: dict[str, str] | None = None) -> set[str]:
    """Top-level packages in a fresh interpreter after a command that ends well."""
    import os

    done = subprocess.run(
        [sys.executable, "-c", _PROBE.format(argv=argv)],
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
        cwd=ROOT,
        env=os.environ | (environment or {}),
    )
    assert done.returncode == 0, done.stderr
    return set(done.stdout.rpartition("loaded:")[2].split())


@pytest.mark.parametrize(
    "argv",
    [
        ["--help"],
        ["--version"],
        ["run", "--help"],
        ["check", str(ROOT / "venues" / "demo")],
        ["air", "--elevation-ft", "5000", "--altimeter-inhg", "29.92", "--temperature-c", "30"],
    ],
    ids=lambda argv: argv[0],
)
def test_light_commands_load_nothing_heavy(argv: list[str]) -> None:
    """Help, version, check and air load neither tables, nor file formats, nor fitting, nor the dashboard."""
    assert not loaded(argv) & set(HEAVY)


def test_one_blas_thread() -> None:
    """The command sets one BLAS thread before numpy is loaded, which is when numpy reads it."""
    probe = (
        "import os, sys; os.environ.pop('OPENBLAS_NUM_THREADS', None); from pipeline.cli import main; "
        "assert 'numpy' not in sys.modules; "
        "main(['air', '--elevation-ft', '0', '--altimeter-hpa', '1013', '--temperature-c', '15']); "
        "import numpy, threadpoolctl; "
        "held = [p['num_threads'] for p in threadpoolctl.threadpool_info() if p['user_api'] == 'blas']; "
        "assert held and set(held) == {1}, held"
    )
    done = subprocess.run(
        [sys.executable, "-c", probe], capture_output=True, text=True, timeout=120, check=False, cwd=ROOT
    )
    assert done.returncode == 0, done.stderr


def test_forecast_loads_neither_learning_nor_fetching(tmp_path: Path) -> None:
    """The forecast works from stored hours: no scikit-learn, no Meteostat library, no Streamlit."""
    import shutil

    season = tmp_path / "season"
    shutil.copytree(ROOT / "venues" / "demo", season)
    head = season / "season.yaml"
    text = head.read_text()
    text = text.replace("first_year: 2007", "first_year: 2024").replace(
        "minimum_years: 5", "minimum_years: 2"
    )
    head.write_text(text)
    # One venue is enough to go through every step.
    bookings = (season / "bookings.yaml").read_text()
    first = "\n- id: quillmere-open-day" + bookings.split("- id: quillmere-open-day")[1].split("\n- id:")[0]
    (season / "bookings.yaml").write_text(first)
    environment = {"SHOWHOUR_CACHE": str(tmp_path / "cache")}
    loaded(["fetch", str(season)], environment)
    after = loaded(["forecast", str(season), "--json"], environment)
    assert "xarray" in after
    assert not after & {"sklearn", "meteostat", "streamlit", "requests"}


# --- Documentation --------------------------------------------------------------------------------------


def commands_in_help() -> set[str]:
    import argparse

    from pipeline.cli import _parser

    (choices,) = [
        action.choices for action in _parser()._actions if isinstance(action, argparse._SubParsersAction)
    ]
    return set(choices)


def test_every_command_is_in_the_readme_and_every_one_there_exists() -> None:
    """README names each command as ``showhour COMMAND``, and no command that does not exist."""
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    code = "\n".join(re.findall(r"```.*?```|`[^`\n]+`", readme, re.DOTALL))
    documented = set(re.findall(r"showhour ([a-z][a-z-]*)\b", code))
    assert commands_in_help() - documented == set(), "not in README"
    assert documented - commands_in_help() == set(), "in README, but no such command"


def test_every_command_and_option_says_what_it_is_for() -> None:
    """No command and no option without a help text, and every command's help ends with the exit codes."""
    import argparse

    from pipeline.cli import _EXIT_CODES, _parser

    (commands,) = [a for a in _parser()._actions if isinstance(a, argparse._SubParsersAction)]
    assert {a.dest for a in commands._choices_actions if a.help} == set(commands.choices)
    for name, command in commands.choices.items():
        for action in command._actions:
            assert action.help, f"showhour {name}: {action.option_strings or action.dest} has no help"
        assert command.epilog == _EXIT_CODES
