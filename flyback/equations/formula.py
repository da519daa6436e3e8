"""One formula, three readings: numbers, units and symbols; and the recorder of the working.

A formula is a plain function with keyword-only arguments in SI units, named by the symbols of the
glossary, and a body of plain arithmetic. The same body is called

* with floats or numpy arrays, for figures and Monte Carlo samples;
* with pint quantities, which proves its dimensions (`tests/equations/test_dimensions.py`);
* with sympy symbols, which gives the written form (`Formula.expression`, `Formula.latex`).

While `recording` is on (one nominal pass, plain floats) each call becomes a `Step`, and its result a
`Traced` float that remembers the step. Numbers that come from the board are `Traced` with an `Input`
origin. So every figure unfolds down to the marking on a part; a number that lost its origin through
arithmetic outside a formula is listed in `Recorder.untraced`.
"""

from __future__ import annotations

import inspect
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, Generic, ParamSpec, TypeAlias

from flyback.equations import maths
from flyback.equations.glossary import GLOSSARY

Real: TypeAlias = Any
"""A float, a numpy array of floats, a pint quantity or a sympy expression."""

P = ParamSpec("P")

FORMULAS: dict[str, Formula[Any]] = {}
"""Every formula by name, in order of definition."""


@dataclass(frozen=True)
class Formula(Generic[P]):
    """A closed-form relation: call it with keyword arguments named after the glossary.

    Attributes:
        function: the plain function that holds the relation.
        symbol: the glossary symbol of the result, which also gives its unit.
        source: where the relation comes from.
        balance: what the step sets equal or why it is taken, in a few words.
    """

    function: Callable[P, Real]
    symbol: str
    source: str
    balance: str

    def __reduce__(self) -> str:
        return self.name

    def __call__(self, *args: P.args, **arguments: P.kwargs) -> Real:
        recorder = _active.get()
        if recorder is None:
            return self.function(*args, **arguments)
        return recorder._call(self, arguments)

    @property
    def name(self) -> str:
        return self.function.__name__

    @property
    def title(self) -> str:
        """The first sentence of the function's docstring."""
        return (inspect.getdoc(self.function) or "").split("\n\n")[0].replace("\n", " ")

    @cached_property
    def arguments(self) -> tuple[str, ...]:
        return tuple(inspect.signature(self.function).parameters)

    @property
    def expression(self) -> Any:
        """The relation as a sympy expression in the glossary's symbols."""
        return symbolic(self.function)(**{name: symbol(name) for name in self.arguments})

    @property
    def latex(self) -> str:
        """``symbol = expression`` in LaTeX."""
        import sympy

        names = {symbol(name): GLOSSARY[name].latex for name in self.arguments}
        right = sympy.latex(self.expression, symbol_names=names)
        return f"{GLOSSARY[self.symbol].latex} = {right}"


def formula(*, symbol: str, source: str, balance: str) -> Callable[[Callable[P, Real]], Formula[P]]:
    """Register a function as the one place where a relation is written.

    Args:
        symbol: glossary symbol of the result.
        source: document or textbook, with how it was seen ("from memory" where it was not).
        balance: what is set equal, in a few words.
    """

    def register(function: Callable[P, Real]) -> Formula[P]:
        made = Formula(function, symbol, source, balance)
        if made.name in FORMULAS:
            raise ValueError(f"two formulas are called {made.name}")
        FORMULAS[made.name] = made
        # as for any decorated function: where it is found, what it says, what it wraps
        made.__dict__["__module__"] = function.__module__
        made.__dict__["__doc__"] = function.__doc__
        made.__dict__["__wrapped__"] = function
        return made

    return register


def symbol(name: str) -> Any:
    """The sympy symbol of a glossary entry: a positive real unless the glossary marks it signed."""
    import sympy

    return sympy.Symbol(name, real=True, positive=None if GLOSSARY[name].signed else True)


def symbolic(function: Callable[..., Real]) -> Callable[..., Any]:
    """Make sympy understand the helper constants before a function is called with symbols."""
    import sympy
    from sympy.core.sympify import converter

    converter[type(maths.pi)] = lambda _: sympy.pi
    return function


# --- the recorder ---------------------------------------------------------------------------------


TRIAL = "trial"
"""Origin word of a solver's trial value, which is no input of its own."""


@dataclass(frozen=True, slots=True)
class Input:
    """A number that was read from the board, a handbook or the command line."""

    key: str
    origin: str
    text: str
    dimension: str
    note: str = ""
    source: str = ""


@dataclass(frozen=True, slots=True)
class Step:
    """One formula with the numbers that went in and the number that came out."""

    formula: Formula[Any]
    arguments: Mapping[str, Traced]
    value: float

    @property
    def symbol(self) -> str:
        return self.formula.symbol


@dataclass(frozen=True, slots=True)
class Solved:
    """A number found by a solver: what it balances and how well it does."""

    symbol: str
    balance: str
    left: Traced
    right: Traced

    @property
    def residual(self) -> float:
        """Relative difference of the two sides, which would be 0 for a perfect solution."""
        scale = max(abs(self.left), abs(self.right)) or 1.0
        return abs(float(self.left) - float(self.right)) / scale


class Traced(float):
    """A float that knows where it comes from; arithmetic on it gives a plain float again."""

    __slots__ = ("origin",)
    origin: Input | Step | Solved

    def __new__(cls, value: float, origin: Input | Step | Solved) -> Traced:
        made = super().__new__(cls, value)
        made.origin = origin
        return made

    def __reduce__(self) -> tuple[type[Traced], tuple[float, Input | Step | Solved]]:
        return Traced, (float(self), self.origin)


@dataclass
class Recorder:
    """The working of one nominal pass, in the order in which it was done."""

    steps: list[Step] = field(default_factory=list)
    untraced: list[str] = field(default_factory=list)

    def _call(self, called: Formula[Any], arguments: Mapping[str, Any]) -> Traced:
        traced: dict[str, Traced] = {}
        for name, value in arguments.items():
            if not isinstance(value, Traced):
                self.untraced.append(f"{called.name}({name}={value!r})")
                value = Traced(float(value), Input(name, "untraced", repr(value), ""))
            traced[name] = value
        value = float(called.function(**{name: float(number) for name, number in traced.items()}))
        step = Step(called, traced, value)
        self.steps.append(step)
        return Traced(value, step)


_active: ContextVar[Recorder | None] = ContextVar("recorder", default=None)


@contextmanager
def recording() -> Iterator[Recorder]:
    """Record every formula called in this context (and thread) until it is left."""
    recorder = Recorder()
    token = _active.set(recorder)
    try:
        yield recorder
    finally:
        _active.reset(token)


@contextmanager
def unrecorded() -> Iterator[None]:
    """Pause the recording: solvers evaluate here, then call the formulas once at the solution."""
    token = _active.set(None)
    try:
        yield
    finally:
        _active.reset(token)


def solved(symbol: str, value: Real, *, balance: str, sides: Callable[[Real], tuple[Real, Real]]) -> Real:
    """Mark a solver's result, where a recorder is on, with the balance it satisfies.

    Args:
        sides: gives both sides of the balance for a trial value, by calling formulas.
    """
    recorder = _active.get()
    if recorder is None:
        return value
    with recording() as inner:
        left, right = sides(Traced(float(value), Input(symbol, TRIAL, "", "")))
    recorder.untraced.extend(inner.untraced)
    return Traced(float(value), Solved(symbol, balance, left, right))


def leaves(number: Traced) -> tuple[Input, ...]:
    """Every distinct input a recorded number rests on, in the order first met."""
    found: dict[str, Input] = {}
    seen: set[int] = set()
    pending: list[Traced] = [number]
    while pending:
        current = pending.pop()
        if id(current.origin) in seen:
            continue
        seen.add(id(current.origin))
        match current.origin:
            case Input() as entry:
                if entry.origin != TRIAL:
                    found.setdefault(entry.key, entry)
            case Step(arguments=arguments):
                pending.extend(reversed(list(arguments.values())))
            case Solved(left=left, right=right):
                pending.extend((right, left))
    return tuple(found.values())
