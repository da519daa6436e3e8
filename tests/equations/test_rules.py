"""How a formula is written: the rules that let floats, units and symbols share one body.

The rules are read off the syntax tree, so they hold for every branch and every argument; each has
planted examples on which it fails.
"""

from __future__ import annotations

import ast
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

import flyback.equations
from flyback.equations import maths
from flyback.equations.glossary import GLOSSARY

FOLDER = Path(flyback.equations.__file__).parent
MACHINERY = {"__init__", "formula", "glossary", "maths"}
MODULES = {
    path.stem: ast.parse(path.read_text(encoding="utf-8"))
    for path in sorted(FOLDER.glob("*.py"))
    if path.stem not in MACHINERY
}
FORMULAS = [
    pytest.param(node, id=f"{module}.{node.name}")
    for module, tree in MODULES.items()
    for node in tree.body
    if isinstance(node, ast.FunctionDef)
]

MATHS = {"sqrt", "exp", "log", "sin", "cos", "arcsin", "arccos", "arctan", "minimum", "maximum", "where"}
OPERATORS = (ast.Add, ast.Sub, ast.Mult, ast.Div, ast.Pow, ast.UAdd, ast.USub)
SMALL = 100
"""Counts and fractions of a relation are smaller; a larger number would be a quantity in disguise."""


# The checkers


def statements(function: ast.FunctionDef) -> list[ast.stmt]:
    """The body without its docstring."""
    return function.body[1:] if ast.get_docstring(function) is not None else function.body


def nodes(function: ast.FunctionDef) -> Iterator[ast.AST]:
    for statement in statements(function):
        yield from ast.walk(statement)


def argument_names(function: ast.FunctionDef) -> list[str]:
    return [argument.arg for argument in function.args.kwonlyargs]


def is_whole(node: ast.AST) -> bool:
    match node:
        case ast.UnaryOp(op=ast.USub(), operand=inner):
            return is_whole(inner)
        case ast.Constant(value=int() as value):
            return not isinstance(value, bool)
    return False


def is_rational(node: ast.AST) -> bool:
    match node:
        case ast.BinOp(left=left, op=ast.Div(), right=right):
            return is_whole(left) and is_whole(right)
    return is_whole(node)


def maths_function(node: ast.AST) -> str | None:
    """The name of the `maths` function a node calls, if it calls one."""
    match node:
        case ast.Call(func=ast.Attribute(value=ast.Name(id="maths"), attr=name), keywords=[]):
            return name if name in MATHS else None
    return None


def statement_faults(function: ast.FunctionDef) -> Iterator[str]:
    """A body is a few named intermediate results and one return."""
    *steps, last = statements(function) or [ast.Pass()]
    known = {"maths", *argument_names(function)}
    for step in steps:
        match step:
            case ast.Assign(targets=[ast.Name(id=name)]) if name not in known:
                known.add(name)
            case _:
                yield f"{ast.unparse(step)}: only new names may be set before the return"
    if not isinstance(last, ast.Return) or last.value is None:
        yield "the body must end with a return of its result"
    used = {node.id for node in nodes(function) if isinstance(node, ast.Name)}
    yield from (f"{name} is no argument and no intermediate result" for name in sorted(used - known))


def arithmetic_faults(function: ast.FunctionDef) -> Iterator[str]:
    """Only + - * / ** with whole or rational exponents, and calls of `maths`."""
    conditions = {
        id(node.args[0])
        for node in nodes(function)
        if isinstance(node, ast.Call) and maths_function(node) == "where" and node.args
    }
    for node in nodes(function):
        text = ast.unparse(node) if isinstance(node, ast.expr) else ""
        match node:
            case ast.BinOp(op=operator) | ast.UnaryOp(op=operator) if not isinstance(operator, OPERATORS):
                yield f"{text}: only + - * / **"
            case ast.BinOp(op=ast.Pow(), right=exponent) if not is_rational(exponent):
                yield f"{text}: the exponent must be a whole number or a quotient of two"
            case ast.Call() if maths_function(node) is None:
                yield f"{text}: only functions of maths may be called"
            case ast.Compare(ops=[_]) if id(node) in conditions:
                pass
            case ast.Compare():
                yield f"{text}: a single comparison, as the first argument of maths.where"
            case ast.Attribute(value=ast.Name(id="maths"), attr=name) if name in MATHS | {"pi"}:
                pass
            case ast.Attribute():
                yield f"{text}: only maths has attributes"
            case ast.BinOp() | ast.UnaryOp() | ast.Call() | ast.Name() | ast.Constant():
                pass
            case ast.expr():
                yield f"{text}: no {type(node).__name__} in a formula"


def literal_faults(function: ast.FunctionDef) -> Iterator[str]:
    """Whole numbers only, so that sympy prints them as they are; small ones, so that none has a unit."""
    exponents: set[int] = set()
    for node in nodes(function):
        match node:
            case ast.BinOp(op=ast.Pow(), right=exponent):
                exponents.add(id(exponent))
            case ast.Constant(value=int() as value) if is_whole(node):
                if value >= SMALL:
                    yield f"{value}: a number with a unit must be an argument"
            case ast.Constant(value=value):
                yield f"{value!r}: only whole numbers; write x / 2 and maths.pi"
            case ast.BinOp(op=ast.Div()) if is_rational(node) and id(node) not in exponents:
                yield f"{ast.unparse(node)}: Python makes a decimal of it before sympy can see it"


def signature_faults(function: ast.FunctionDef) -> Iterator[str]:
    """Keyword-only arguments named after the glossary, without defaults."""
    given = function.args
    if given.posonlyargs or given.args or given.vararg or given.kwarg or not given.kwonlyargs:
        yield "the arguments must be keyword-only, each by name"
    if any(default is not None for default in given.kw_defaults):
        yield "an argument has a default"
    yield from (
        f"{name} is not in the glossary" for name in argument_names(function) if name not in GLOSSARY
    )
    used = {node.id for node in nodes(function) if isinstance(node, ast.Name)}
    yield from (f"{name} is not used" for name in argument_names(function) if name not in used)


def docstring_faults(function: ast.FunctionDef) -> Iterator[str]:
    """The first paragraph is one sentence: it becomes the title of the step in the working."""
    title = (ast.get_docstring(function) or "").split("\n\n")[0]
    if not title.endswith(".") or ". " in title.replace("\n", " "):
        yield f"the docstring must begin with one sentence and a blank line, not {title!r}"


def decorator_faults(function: ast.FunctionDef) -> Iterator[str]:
    """One decorator, `formula`, with a symbol of the glossary, a source and a balance in words."""
    match function.decorator_list:
        case [ast.Call(func=ast.Name(id="formula"), args=[], keywords=keywords)]:
            words = {keyword.arg: keyword.value for keyword in keywords}
        case _:
            yield "the one decorator must be formula(symbol=..., source=..., balance=...)"
            return
    match words.get("symbol"):
        case ast.Constant(value=str() as symbol) if symbol in GLOSSARY:
            pass
        case _:
            yield "the symbol of the result is not in the glossary"
    for name in ("source", "balance"):
        match words.get(name):
            case ast.Constant(value=str() as text) if text.strip():
                pass
            case ast.Name():  # a string shared by several formulas; module_faults sees that it is one
                pass
            case _:
                yield f"{name} is empty"


def module_faults(tree: ast.Module) -> Iterator[str]:
    """A module of formulas holds formulas, the text constants they share, and nothing else."""
    if ast.get_docstring(tree) is None:
        yield "the module has no docstring"
    for node in tree.body:
        match node:
            case ast.Expr(value=ast.Constant(value=str())) | ast.FunctionDef():
                pass
            case ast.ImportFrom(module="__future__" | "flyback.equations" | "flyback.equations.formula"):
                pass
            case ast.Assign(targets=[ast.Name()], value=ast.Constant(value=str() as text)) if text.strip():
                pass
            case _:
                yield f"{ast.unparse(node).splitlines()[0]}: only formulas and text constants"


CHECKERS: tuple[Callable[[ast.FunctionDef], Iterator[str]], ...] = (
    statement_faults,
    arithmetic_faults,
    literal_faults,
    signature_faults,
    docstring_faults,
    decorator_faults,
)


# The formulas keep them


def test_the_formulas_are_found() -> None:
    assert len(FORMULAS) > 80
    assert {"mains", "switch", "transformer", "clamp", "rectifier", "output"} <= set(MODULES)


def test_the_allowed_functions_exist() -> None:
    assert all(callable(getattr(maths, name)) for name in MATHS)


@pytest.mark.parametrize("function", FORMULAS)
def test_formula(function: ast.FunctionDef) -> None:
    assert [fault for checker in CHECKERS for fault in checker(function)] == []


@pytest.mark.parametrize("module", MODULES)
def test_module(module: str) -> None:
    assert list(module_faults(MODULES[module])) == []


# The checkers find what they are for


GOOD = '''
@formula(symbol="I_limit", source="Ohm's law", balance="as an example")
def example(*, V_effect: Real, R_s: Real, I_v: Real) -> Real:
    """An example.

    With more to say. And more.
    """
    lag = 2 * V_effect * maths.pi / R_s
    return maths.where(I_v > 0, maths.sqrt(lag**2 + I_v ** -2), I_v ** (3 / 2)) / 40
'''

BODIES = [
    (statement_faults, "V_effect /= 2\n    return V_effect"),
    (statement_faults, "V_effect = V_effect / 2\n    return V_effect"),
    (statement_faults, "for I in V_effect:\n        R_s = I\n    return R_s"),
    (statement_faults, "if V_effect > R_s:\n        return V_effect\n    return R_s"),
    (statement_faults, "import math\n    return V_effect"),
    (statement_faults, "return"),
    (statement_faults, "lag = V_effect / R_s"),
    (statement_faults, "return V_effect / _R_TEST"),
    (arithmetic_faults, "return V_effect // R_s"),
    (arithmetic_faults, "return V_effect % R_s"),
    (arithmetic_faults, "return V_effect ** R_s"),
    (arithmetic_faults, "return V_effect ** 0.5"),
    (arithmetic_faults, "return np.sqrt(V_effect)"),
    (arithmetic_faults, "return math.sqrt(V_effect)"),
    (arithmetic_faults, "return maths.np.sqrt(V_effect)"),
    (arithmetic_faults, "return maths.tan(V_effect)"),
    (arithmetic_faults, "return min(V_effect, R_s)"),
    (arithmetic_faults, "return max(V_effect, R_s)"),
    (arithmetic_faults, "return abs(V_effect)"),
    (arithmetic_faults, "return sqrt(V_effect)"),
    (arithmetic_faults, "return V_effect if I_v else R_s"),
    (arithmetic_faults, "return V_effect and R_s"),
    (arithmetic_faults, "return V_effect or R_s"),
    (arithmetic_faults, "return not V_effect"),
    (arithmetic_faults, "return V_effect * (R_s > I_v)"),
    (arithmetic_faults, "return maths.maximum(V_effect > R_s, I_v)"),
    (arithmetic_faults, "return maths.where(R_s, V_effect > I_v, I_v)"),
    (arithmetic_faults, "return maths.where(0 < R_s < I_v, V_effect, I_v)"),
    (arithmetic_faults, "return V_effect.magnitude"),
    (arithmetic_faults, "return [V_effect, R_s]"),
    (arithmetic_faults, "return V_effect[0]"),
    (literal_faults, "return V_effect * 0.5"),
    (literal_faults, "return V_effect * 1e3"),
    (literal_faults, "return V_effect * 3.14159"),
    (literal_faults, "return V_effect * 2j"),
    (literal_faults, "return V_effect * True"),
    (literal_faults, "return V_effect * 65000"),
    (literal_faults, "return V_effect - 273"),
    (literal_faults, "return 1 / 2 * V_effect"),
    (literal_faults, "return V_effect * (1 / 3)"),
]  # fmt: skip

OTHERWISE = [
    (signature_faults, "*, V_effect: Real", "V_effect: Real, *"),
    (signature_faults, "*, V_effect: Real", "V_effect: Real, /, *"),
    (signature_faults, "I_v: Real", "I_v: Real, **others: Real"),
    (signature_faults, "*, V_effect: Real", "*others: Real, V_effect: Real"),
    (signature_faults, "I_v: Real", "I_v: Real = 0"),
    (signature_faults, "I_v: Real", "I_v: Real, volts: Real"),
    (signature_faults, "I_v: Real", "I_v: Real, I_pk: Real"),
    (docstring_faults, "An example.", "An example"),
    (docstring_faults, "An example.", "An example. And a second sentence."),
    (docstring_faults, "An example.\n\n", "An example.\n"),
    (docstring_faults, '"""An', 'lag = """An'),
    (decorator_faults, "I_limit", "current"),
    (decorator_faults, 'symbol="I_limit", ', ""),
    (decorator_faults, "Ohm's law", " "),
    (decorator_faults, 'source="Ohm\'s law", ', ""),
    (decorator_faults, "as an example", ""),
    (decorator_faults, "@formula", "@other\n@formula"),
    (decorator_faults, "@formula(", "@other("),
    (decorator_faults, '@formula(symbol="I_limit", source="Ohm\'s law", balance="as an example")', ""),
]  # fmt: skip


def function_in(text: str) -> ast.FunctionDef:
    (function,) = ast.parse(text).body
    assert isinstance(function, ast.FunctionDef)
    return function


def test_a_good_formula_passes() -> None:
    assert [fault for checker in CHECKERS for fault in checker(function_in(GOOD))] == []


@pytest.mark.parametrize(("checker", "body"), BODIES)
def test_a_bad_body_is_found(checker: Callable[[ast.FunctionDef], Iterator[str]], body: str) -> None:
    head, _, _ = GOOD.partition("    lag =")
    assert list(checker(function_in(f"{head}    {body}\n")))


@pytest.mark.parametrize(("checker", "good", "bad"), OTHERWISE)
def test_a_bad_head_is_found(
    checker: Callable[[ast.FunctionDef], Iterator[str]], good: str, bad: str
) -> None:
    assert good in GOOD
    assert list(checker(function_in(GOOD.replace(good, bad))))


@pytest.mark.parametrize(
    "text",
    [
        "x = 1",
        '"""Text."""\nx = 1',
        '"""Text."""\n_K = 0.5',
        '"""Text."""\n_EMPTY = ""',
        '"""Text."""\nimport numpy as np',
        '"""Text."""\nfrom scipy import constants',
        '"""Text."""\nclass Helper: pass',
        '"""Text."""\nFACTOR: float = 2',
    ],
)
def test_a_bad_module_is_found(text: str) -> None:
    assert list(module_faults(ast.parse(text)))
