"""What is loaded when: help and version stay light, and a check loads numpy but no heavier library."""

from __future__ import annotations

import subprocess
import sys

import pytest
from worked import ROOT, path

HEAVY = ("numpy", "scipy", "pint", "sympy", "matplotlib", "rich", "tomlkit")
BEYOND_NUMPY = ("scipy", "pint", "sympy", "matplotlib", "tomlkit")

WALL = str(path("wall_charger"))
FAST = ["--samples", "500", "--mains", "230V"]

COMMAND = """
import io, sys
sys.argv = ["flyback", *{arguments!r}]
out, sys.stdout = sys.stdout, io.StringIO()
from flyback import cli
try:
    cli.run()
except SystemExit as left:
    code = left.code or 0
sys.stdout = out
print(code, *sys.modules)
"""

CHECK = f"""
import sys
import flyback
flyback.check(flyback.load({WALL!r}), samples=500, mains=230.0)
print(0, *sys.modules)
"""


def loaded(script: str) -> set[str]:
    """Names of the packages a script has loaded when it ends; it prints its exit code first."""
    done = subprocess.run(
        [sys.executable, "-c", script], cwd=ROOT, capture_output=True, text=True, timeout=60, check=False
    )
    assert done.returncode == 0, done.stderr
    code, *modules = done.stdout.split()
    assert code == "0"
    return {module.partition(".")[0] for module in modules}


def command(*arguments: str) -> set[str]:
    return loaded(COMMAND.format(arguments=list(arguments)))


@pytest.mark.parametrize("module", ["flyback", "flyback.cli", "flyback.errors"])
def test_an_import_is_light(module: str) -> None:
    packages = loaded(f"import sys, {module}\nprint(0, *sys.modules)")
    assert "flyback" in packages
    assert packages.isdisjoint(HEAVY)


@pytest.mark.parametrize("arguments", [["--help"], ["--version"], ["check", "--help"], ["new", "--help"]])
def test_help_and_version_are_light(arguments: list[str]) -> None:
    packages = command(*arguments)
    assert "click" in packages
    assert packages.isdisjoint(HEAVY)


def test_new_is_light(tmp_path: object) -> None:
    assert command("new", f"{tmp_path}/board.toml").isdisjoint(HEAVY)


def test_check_loads_numpy_and_rich_alone() -> None:
    packages = command("check", WALL, *FAST)
    assert {"numpy", "rich"} <= packages
    assert packages.isdisjoint(BEYOND_NUMPY)


def test_check_with_a_load_test_loads_no_more() -> None:
    packages = command("check", str(path("hall_charger")), *FAST)
    assert {"numpy", "rich"} <= packages
    assert packages.isdisjoint(BEYOND_NUMPY)


def test_json_needs_no_table() -> None:
    packages = command("check", WALL, *FAST, "--json")
    assert "numpy" in packages
    assert packages.isdisjoint((*BEYOND_NUMPY, "rich"))


def test_a_check_from_python_loads_numpy_alone() -> None:
    packages = loaded(CHECK)
    assert "numpy" in packages
    assert packages.isdisjoint((*BEYOND_NUMPY, "rich", "click"))


def test_a_heavy_import_would_be_seen() -> None:
    assert "scipy" in loaded("import sys, flyback, scipy.optimize\nprint(0, *sys.modules)")


def test_one_thread_is_enough_for_the_command_line_alone() -> None:
    # a program that uses the package keeps its own threads
    script = """
import os
os.environ.pop("OPENBLAS_NUM_THREADS", None)
import flyback, flyback.cli
print(0, os.environ.get("OPENBLAS_NUM_THREADS", "unset"))
"""
    assert loaded(script) == {"unset"}
