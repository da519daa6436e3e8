"""One body, three readings: every formula agrees with itself in numbers, units and symbols."""

from __future__ import annotations

import importlib
import inspect
import math
import pkgutil
import random
import re
from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
import pint
import pytest
import sympy

import flyback.equations
from flyback.equations import maths
from flyback.equations.formula import FORMULAS, Formula, symbol
from flyback.equations.glossary import GLOSSARY
from flyback.units import registry

for found in pkgutil.iter_modules(flyback.equations.__path__):
    importlib.import_module(f"flyback.equations.{found.name}")

EVERY_FORMULA = pytest.mark.parametrize("made", FORMULAS.values(), ids=FORMULAS)

WITHOUT_CHOICE = [
    made for made in FORMULAS.values() if "maths.where" not in inspect.getsource(made.function)
]
"""`where` follows its condition, and no comparison with NaN holds."""

MAGNITUDE = {
    "resistance": 10.0, "capacitance": 1e-5, "inductance": 1e-3, "voltage": 100.0, "current": 1.0,
    "power": 10.0, "apparent power": 10.0, "frequency": 1e4, "time": 1e-5, "area": 2e-5,
    "flux density": 0.2, "turns": 20.0, "ratio": 0.4, "number": 1.0, "angle": 0.1,
    "current slope": 1e4, "voltage slope": 1e4, "power coefficient": 1e4,
}  # fmt: skip
"""SI size of each dimension on a small supply; a draw is one to two times that."""

ASCENDING = (
    ("V_valley", "V_depart", "V_crest"),
    ("V_r", "V_c"),
    ("I_v", "I_off", "I_pk"),
    ("I_o", "I_s_rms", "I_s_pk"),
    ("L_leak", "L_m", "L_p"),
    ("t_reset", "t_top", "t_dem"),
    ("I_th", "I_s_top"),
)
DRAWS = range(4)


def draw(number: int) -> dict[str, float]:
    """One positive value for every symbol, all distinct; in draw 0 the signed ones are zero."""
    values = {}
    for name, entry in GLOSSARY.items():
        values[name] = MAGNITUDE[entry.dimension] * (1 + random.Random(f"{number} {name}").random())
    for chain in ASCENDING:
        values.update(zip(chain, sorted(values[name] for name in chain), strict=True))
    if number == 0:
        values.update({name: 0.0 for name, entry in GLOSSARY.items() if entry.signed})
    return values


def arguments(made: Formula[Any], number: int) -> dict[str, float]:
    values = draw(number)
    return {name: values[name] for name in made.arguments}


# The checkers


def unit_faults(made: Formula[Any], values: Mapping[str, float]) -> list[str]:
    """A call with pint quantities must have the result's unit and the value of the call with floats."""
    quantity = registry().Quantity
    quantities = {name: quantity(value, GLOSSARY[name].unit) for name, value in values.items()}
    try:
        result = quantity(made(**quantities))
        found = result.to(GLOSSARY[made.symbol].unit).magnitude
    except pint.DimensionalityError as error:
        return [f"{made.name}: {error}"]
    wanted = made(**values)
    return [] if math.isclose(found, wanted, rel_tol=1e-12) else [f"{made.name}: {found} is not {wanted}"]


def symbol_faults(made: Formula[Any], values: Mapping[str, float]) -> list[str]:
    """The sympy expression must use the arguments only and have the value of the call with floats."""
    expression = made.expression
    symbols = {name: symbol(name) for name in made.arguments}
    strange = expression.free_symbols - set(symbols.values())
    if strange:
        return [f"{made.name}: {strange} is no argument"]
    found = sympy.lambdify(list(symbols.values()), expression, "math")(*values.values())
    wanted = made(**values)
    return [] if math.isclose(found, wanted, rel_tol=1e-12) else [f"{made.name}: {found} is not {wanted}"]


def latex_faults(made: Formula[Any]) -> list[str]:
    """A decimal point in the written form is a float that should have been a quotient or an argument."""
    return [f"{made.name}: {number}" for number in re.findall(r"\d*\.\d+", made.latex)]


def nan_faults(made: Formula[Any], values: Mapping[str, float]) -> list[str]:
    """Not a number must not turn into a number."""
    return [
        f"{made.name}: lost the NaN of {name}"
        for name in values
        if not math.isnan(made(**{**values, name: math.nan}))
    ]


def array_faults(made: Formula[Any], rows: list[dict[str, float]]) -> list[str]:
    """A call with arrays must give what the calls with floats give, element by element."""
    together = made(**{name: np.array([row[name] for row in rows]) for name in made.arguments})
    apart = [float(made(**row)) for row in rows]
    return [] if np.allclose(together, apart, rtol=1e-14, atol=0) else [f"{made.name}: {together}, {apart}"]


# The formulas


@pytest.mark.parametrize("number", DRAWS)
def test_draws_are_positive_and_distinct(number: int) -> None:
    values = draw(number)
    unsigned = [value for name, value in values.items() if not GLOSSARY[name].signed]
    assert min(unsigned) > 0
    assert len(set(unsigned)) == len(unsigned)


@EVERY_FORMULA
def test_units(made: Formula[Any]) -> None:
    assert [fault for number in DRAWS for fault in unit_faults(made, arguments(made, number))] == []


@EVERY_FORMULA
def test_symbols(made: Formula[Any]) -> None:
    assert [fault for number in DRAWS for fault in symbol_faults(made, arguments(made, number))] == []


@EVERY_FORMULA
def test_latex(made: Formula[Any]) -> None:
    assert made.latex.startswith(f"{GLOSSARY[made.symbol].latex} = ")
    assert latex_faults(made) == []


@EVERY_FORMULA
def test_arrays(made: Formula[Any]) -> None:
    assert array_faults(made, [arguments(made, number) for number in DRAWS]) == []


@pytest.mark.parametrize("made", WITHOUT_CHOICE, ids=lambda made: made.name)
def test_nan(made: Formula[Any]) -> None:
    assert [fault for number in DRAWS for fault in nan_faults(made, arguments(made, number))] == []


# The checkers find what they are for


def example(symbol: str, function: Callable[..., Any]) -> Formula[Any]:
    """A formula that is not registered."""
    return Formula(function, symbol, "an example", "an example")


@pytest.mark.parametrize(
    "made",
    [
        example("I_pk", lambda V_dc, L_p: V_dc / L_p),
        example("I_pk", lambda V_dc, R_s: V_dc * R_s),
        example("V_dc", lambda V_dc, I_pk: V_dc + I_pk),
        example("V_dc", lambda V_dc: V_dc + 1),
        example("V_dc", lambda V_dc, I_pk: maths.maximum(V_dc, I_pk)),
        example("V_dc", lambda V_dc: maths.minimum(V_dc, 400)),
        example("V_dc", lambda I_v, V_dc, I_pk: maths.where(I_v > 0, V_dc, I_pk)),
        example("I_pk", lambda P_store, L_p: maths.sqrt(P_store / L_p)),
        example("n", lambda theta, t_on: maths.sin(theta + t_on)),
        example("n", lambda V_dc: maths.exp(V_dc)),
        example("D", lambda t_on, f_s: t_on / f_s),
        example("B_pk", lambda L_p, I_pk, N_p: L_p * I_pk / N_p),
    ],
    ids=lambda made: str(inspect.signature(made.function)),
)
def test_a_wrong_dimension_is_found(made: Formula[Any]) -> None:
    assert unit_faults(made, arguments(made, 1))


def other_symbol(*, V_dc: Any) -> Any:
    return V_dc * symbol("R_s") if isinstance(V_dc, sympy.Basic) else V_dc


def other_value(*, V_dc: Any) -> Any:
    return V_dc * 2 if isinstance(V_dc, sympy.Basic | pint.Quantity) or np.ndim(V_dc) else V_dc


def test_readings_that_differ_are_found() -> None:
    values = arguments(example("V_dc", other_value), 1)
    assert symbol_faults(example("V_dc", other_symbol), values)
    assert symbol_faults(example("V_dc", other_value), values)
    assert unit_faults(example("V_dc", other_value), values)
    assert array_faults(example("V_dc", other_value), [values, values])


@pytest.mark.parametrize("factor", [0.5, 1 / 3, 2.0])
def test_a_decimal_in_the_written_form_is_found(factor: float) -> None:
    assert latex_faults(example("V_dc", lambda V_dc: V_dc * factor))


def test_a_lost_nan_is_found() -> None:
    keeps_the_other = example("V_dc", lambda V_dc, V_r: np.fmax(V_dc, V_r))
    assert len(nan_faults(keeps_the_other, arguments(keeps_the_other, 1))) == 2
