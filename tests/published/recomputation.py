"""Machinery of the recomputed figures: the register of functions, and a solver for formulas."""

from __future__ import annotations

from collections.abc import Callable, Mapping, MutableMapping
from dataclasses import dataclass

from scipy.optimize import brentq

from flyback.equations.formula import Real

Inputs = Mapping[str, float]
Key = tuple[str, str]
"""Worked example and figure."""

ARITHMETIC = "arithmetic of the source, no formula of ours"
HANDBOOK = "our handbook table"


@dataclass(frozen=True, slots=True)
class Recomputation:
    """How one published figure is recomputed."""

    compute: Callable[[Inputs], float]
    note: str


Recomputing = Callable[[Inputs], Real]
Register = MutableMapping[Key, Recomputation]


def entering(register: Register) -> Callable[..., Callable[[Recomputing], Recomputing]]:
    """A decorator that enters a function in a register as the recomputation of a figure."""

    def recomputes(example: str, figure: str, note: str = "") -> Callable[[Recomputing], Recomputing]:
        def enter(function: Recomputing) -> Recomputing:
            register[example, figure] = Recomputation(lambda i: float(function(i)), note)
            return function

        return enter

    return recomputes


def solve(difference: Callable[[float], float], low: float, high: float) -> float:
    """Argument at which a difference vanishes: a formula solved for one of its inputs."""
    return float(brentq(difference, low, high, xtol=1e-15, rtol=1e-12))
