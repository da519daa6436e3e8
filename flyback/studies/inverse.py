"""Formulas read backwards: solved for one of their arguments, in symbols where sympy can, else by a root.

A formula is written once (`flyback.equations.formula`) and gives its symbol from its arguments. Here
several of them, each fed with the results of those before it, are solved for an argument of any of them. A
maximum, minimum or case is taken apart into its branches; a root counts only if the formulas themselves
give the wanted result when it is put back.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from itertools import islice
from math import isclose, isfinite
from typing import Any

from flyback.equations.formula import Formula, symbol, unrecorded

PUT_BACK = 1e-9
"""Relative difference up to which a root gives the wanted result when it is put back."""

MOST_BRANCHES = 32
"""Branches tried; formulas with more of them are solved numerically."""


@dataclass(frozen=True, slots=True)
class Inverse:
    """An argument found from a result; SI units.

    Attributes:
        relation: the closed form, such as ``"C_bulk = 2*P_bulk*t_alone/(V**2)"``; "" where a root was
            searched for.
    """

    symbol: str
    value: float
    relation: str

    @property
    def closed(self) -> bool:
        return bool(self.relation)


def solve_for(
    unknown: str,
    *formulas: Formula[Any],
    result: float,
    known: Mapping[str, float],
    between: tuple[float, float] | None = None,
) -> Inverse:
    """Solve formulas for one of their arguments.

    Args:
        unknown: glossary symbol of the argument.
        formulas: in the order in which each feeds the next; the last one gives ``result``.
        known: the other arguments by symbol.
        between: where to search for a root if there is no closed form.

    Raises:
        ValueError: an argument is not known, or no value gives the result.

    >>> from flyback.equations import switch
    >>> found = solve_for("R_s", switch.sense_limit_current, result=0.8, known={"V_effect": 0.72})
    >>> found.value, found.relation
    (0.9, 'R_s = V_effect/I_limit')
    """
    _refuse_gaps(unknown, formulas, known)

    def gives(value: float) -> float:
        return evaluated(formulas, {**known, unknown: value})

    for relation, value in _closed(unknown, formulas, result, known):
        if isfinite(value) and value > 0 and isclose(gives(value), result, rel_tol=PUT_BACK):
            return Inverse(unknown, value, relation)
    if between is not None and (gives(between[0]) - result) * (gives(between[1]) - result) <= 0:
        from scipy.optimize import brentq

        root = brentq(lambda value: gives(value) - result, *between, xtol=1e-15, rtol=1e-12)
        return Inverse(unknown, float(root), "")
    raise ValueError(f"no {unknown} gives {formulas[-1].symbol} = {result:g}")


def evaluated(formulas: tuple[Formula[Any], ...], numbers: Mapping[str, float]) -> float:
    """The result of the last formula, each fed with the results of those before it."""
    found = dict(numbers)
    with unrecorded():
        for one in formulas:
            found[one.symbol] = float(one(**{name: found[name] for name in one.arguments}))
    return found[formulas[-1].symbol]


def _refuse_gaps(unknown: str, formulas: tuple[Formula[Any], ...], known: Mapping[str, float]) -> None:
    given, used = {unknown, *known}, set()
    for one in formulas:
        used |= set(one.arguments)
        if gaps := sorted(set(one.arguments) - given):
            raise ValueError(f"{one.name} needs {', '.join(gaps)}")
        given.add(one.symbol)
    if unknown not in used:
        raise ValueError(f"{unknown} is no argument of {', '.join(one.name for one in formulas)}")


def _closed(
    unknown: str, formulas: tuple[Formula[Any], ...], result: float, known: Mapping[str, float]
) -> Iterator[tuple[str, float]]:
    """Closed forms with their values, of every branch that sympy can solve."""
    import sympy

    numbers = {symbol(name): float(value) for name, value in known.items()}
    numbers[_goal(formulas)] = result
    for root in _roots(unknown, formulas):
        value = sympy.N(root.subs(numbers))
        if value.is_real:
            yield f"{unknown} = {sympy.sstr(root)}", float(value)


@cache
def _roots(unknown: str, formulas: tuple[Formula[Any], ...]) -> tuple[Any, ...]:
    """Every closed form in symbols; none where there are too many branches to try."""
    import sympy

    branches = list(islice(_branches(_composed(formulas)), MOST_BRANCHES + 1))
    found: dict[Any, None] = {}
    for branch in branches if len(branches) <= MOST_BRANCHES else ():
        try:
            found.update(dict.fromkeys(sympy.solve(sympy.Eq(branch, _goal(formulas)), symbol(unknown))))
        except NotImplementedError:
            continue
    return tuple(found)


def _goal(formulas: tuple[Formula[Any], ...]) -> Any:
    """The wanted result; it may be an argument of the formulas too, and then under another name there."""
    import sympy

    return sympy.Symbol(formulas[-1].symbol, real=True)


def _composed(formulas: tuple[Formula[Any], ...]) -> Any:
    """The last formula in the arguments that no formula before it gives."""
    inner: dict[Any, Any] = {}
    whole = None
    for one in formulas:
        whole = one.expression.subs(inner)
        inner[symbol(one.symbol)] = whole
    return whole


def _branches(expression: Any) -> Iterator[Any]:
    """The expression with one branch chosen of every maximum, minimum and case."""
    import sympy

    kinds = (sympy.Max, sympy.Min, sympy.Piecewise)
    inner = next((part for part in sympy.postorder_traversal(expression) if isinstance(part, kinds)), None)
    if inner is None:
        yield expression
        return
    choices = [pair[0] for pair in inner.args] if isinstance(inner, sympy.Piecewise) else inner.args
    for choice in choices:
        yield from _branches(expression.xreplace({inner: choice}))
