"""The layers: a module imports only from its own layer and from those before it; files stay short."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parents[1] / "flyback"
FILES = sorted(PACKAGE.rglob("*.py"))

LAYERS = (
    ("errors",),
    ("units", "_unit_table", "files"),
    ("reference",),
    ("board",),
    ("equations",),
    ("analysis",),
    ("verdict",),
    ("studies",),
    ("report",),
    ("cli", "__main__", "__init__"),
)
RANK = {name: rank for rank, names in enumerate(LAYERS) for name in names}

EXCEPTIONS = {("units", "flyback.board.markings")}
"""Allowed inside functions: "4k7" is a part code that may stand wherever a resistance is written, and
the reader of codes in turn writes its values with `flyback.units`."""

FUNCTIONS = (ast.FunctionDef, ast.AsyncFunctionDef)
LONGEST_FILE = 500


def layer_of(module: str) -> str:
    """The name right below the package: "board" for flyback.board.markings, "__init__" for flyback."""
    return (*module.split("."), "__init__")[1]


def imported_by(node: ast.AST) -> list[str]:
    """The modules one statement imports by their full names; relative ones begin with a dot."""
    match node:
        case ast.Import(names=names):
            return [alias.name for alias in names]
        case ast.ImportFrom(module="flyback", level=0, names=names):
            return [f"flyback.{alias.name}" for alias in names if not alias.name.startswith("__")]
        case ast.ImportFrom(module=module, level=level):
            return ["." * level + (module or "")]
    return []


def imports_of(tree: ast.AST, inside_function: bool = False) -> Iterator[tuple[str, bool]]:
    """Every imported module of this package, and whether a function imports it."""
    for node in ast.iter_child_nodes(tree):
        for module in imported_by(node):
            if module.split(".")[0] in ("", "flyback"):
                yield module, inside_function
        yield from imports_of(node, inside_function or isinstance(node, FUNCTIONS))


def layer_faults(module: str, text: str) -> list[str]:
    """Imports of a module's source text that do not point back along the layers."""
    own = layer_of(module)
    if own not in RANK:
        return [f"{module}: no layer is called {own}"]
    faults = []
    for imported, inside_function in imports_of(ast.parse(text)):
        if imported.startswith("."):
            faults.append(f"{module}: the import is relative; write the full name")
        elif inside_function and (own, imported) in EXCEPTIONS:
            continue
        elif layer_of(imported) not in RANK:
            faults.append(f"{module}: {imported} is in no layer")
        elif RANK[layer_of(imported)] > RANK[own]:
            faults.append(f"{module}: {own} comes before {imported}")
    return faults


def length_fault(text: str) -> str | None:
    count = len(text.splitlines())
    return f"{count} lines, at most {LONGEST_FILE}" if count > LONGEST_FILE else None


def module_name(path: Path) -> str:
    parts = path.relative_to(PACKAGE.parent).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def test_every_module_is_looked_at() -> None:
    names = {module_name(path) for path in FILES}
    assert {"flyback", "flyback.errors", "flyback.board.markings", "flyback.equations.formula"} <= names


@pytest.mark.parametrize("path", FILES, ids=module_name)
def test_imports_point_back(path: Path) -> None:
    assert layer_faults(module_name(path), path.read_text(encoding="utf-8")) == []


@pytest.mark.parametrize("path", FILES, ids=module_name)
def test_files_stay_short(path: Path) -> None:
    assert length_fault(path.read_text(encoding="utf-8")) is None


@pytest.mark.parametrize(
    ("module", "text"),
    [
        ("flyback.board.model", "from flyback.equations.formula import Real"),
        ("flyback.board.model", "import flyback.cli"),
        ("flyback.board.model", "from flyback import report"),
        ("flyback.board.model", "def load():\n    from flyback.analysis import trace"),
        ("flyback.board.model", "if TYPE_CHECKING:\n    from flyback.verdict.words import Word"),
        ("flyback.board.model", "class A:\n    async def load(self):\n        import flyback.studies"),
        ("flyback.board.model", "from .values import Written"),
        ("flyback.board.model", "from . import values"),
        ("flyback.board.model", "from flyback.gadgets import Spring"),
        ("flyback.errors", "from flyback.units import shown"),
        ("flyback.units", "from flyback.board.markings import read_letter_code"),
        ("flyback.units", "def parse():\n    from flyback.board.model import Value"),
        ("flyback.files", "def write():\n    from flyback.board.markings import read_letter_code"),
        ("flyback.gadgets", "import math"),
    ],
)
def test_an_import_that_points_forward_is_found(module: str, text: str) -> None:
    assert len(layer_faults(module, text)) == 1


@pytest.mark.parametrize(
    ("module", "text"),
    [
        ("flyback.analysis.circuit", "from flyback.equations import switch, output"),
        ("flyback.analysis.circuit", "from flyback.analysis.trace import trace"),
        ("flyback.units", "def parse():\n    from flyback.board.markings import read_letter_code"),
        ("flyback.report.page", "from flyback import __version__\nimport numpy as np"),
        ("flyback", "from flyback import cli, report"),
        ("flyback.__main__", "from flyback.cli import main"),
    ],
)
def test_an_import_that_points_back_is_let_pass(module: str, text: str) -> None:
    assert layer_faults(module, text) == []


def test_a_long_file_is_found() -> None:
    assert length_fault("pass\n" * LONGEST_FILE) is None
    assert length_fault("pass\n" * (LONGEST_FILE + 1)) == "501 lines, at most 500"
