"""What lifting limits costs: the stress of the parts at the limit, before and after."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

from flyback.analysis.assessment import Column, Step
from flyback.analysis.bulk import Line
from flyback.analysis.ceilings import Question
from flyback.analysis.circuit import Supply
from flyback.analysis.demand import CLOSE
from flyback.analysis.limits import LIMIT_RUNGS
from flyback.equations import transformer
from flyback.studies.lifting import State
from flyback.units import format_quantity
from flyback.verdict.check import Check
from flyback.verdict.notices import notices

MOVED = 0.002
"""Relative difference below which a figure counts as unmoved (our choice)."""


@dataclass(frozen=True, slots=True)
class Cost:
    """A figure that changes move; SI units."""

    name: str
    line: Line
    before: float
    after: float
    dimension: str

    @property
    def moved(self) -> bool:
        """Whether it would show in three digits."""
        return abs(self.after - self.before) > MOVED * abs(self.before)


def costs(first: State, last: State) -> Iterator[Cost]:
    """The pulse that the limit ends, where the claim is worst now, and the most that can be had."""
    after = last.assessment.worst
    before = next(column for column in first.assessment.columns if column.line == after.line)
    old, new = _limit(before), _limit(after)
    found = []
    if old is not None and new is not None:
        for name, dimension, get in _FIGURES:
            figures = get(_supply(first), old), get(_supply(last), new)
            if figures[0] is not None and figures[1] is not None:
                found.append(Cost(name, before.line, figures[0], figures[1], dimension))
    was = max(_reach(column) for column in first.assessment.columns)
    most = max(last.assessment.columns, key=_reach)
    found.append(Cost("most it gives at all", most.line, was, _reach(most), "power"))
    yield from (cost for cost in found if cost.moved)


def told(check: Check, first: State, last: State) -> Iterator[str]:
    """What else to know of the altered board, in sentences."""
    supply, demand = _supply(last), last.assessment.columns[0].outcomes[0].demand
    rail = supply.V_rail
    far = rail is not None and abs(float(rail) / demand.voltage - 1) > CLOSE
    if far and not last.circuit.second_converter:
        yield (
            f"The rail is set to {format_quantity(float(rail or 0), 'voltage')}: "
            f"{demand.voltage:g} V would take another divider or reference too."
        )
    saturates = [column.line.full_name for column in last.assessment.columns if _saturates_first(column)]
    if saturates and not any(_saturates_first(column) for column in first.assessment.columns):
        yield (
            f"At {saturates[0]} the core would now saturate before the current limit ends the pulse: in an "
            "overload the switch has to stand what follows."
        )
    yield from (
        notice for notice in notices(last.circuit, supply, last.assessment) if notice not in check.notices
    )


def _saturates_first(column: Column) -> bool:
    powers = {step.rung.name: float(step.ceiling.power) for step in column.steps}
    limit = _limit(column)
    return limit is not None and powers.get("saturation", float("inf")) < float(limit.ceiling.power)


def _supply(state: State) -> Supply:
    return state.circuit.supply({key: value.nominal for key, value in state.circuit.values.items()})


def _limit(column: Column) -> Step | None:
    return next((step for step in column.steps if step.rung.name in LIMIT_RUNGS), None)


def _reach(column: Column) -> float:
    reach = (step for step in column.steps if step.rung.question is Question.REACH)
    return min((float(step.ceiling.power) for step in reach), default=0.0)


def _peak(supply: Supply, step: Step) -> float | None:
    loaded = step.ceiling.loaded
    return None if loaded is None else float(loaded.load.I_pk)


def _flux(supply: Supply, step: Step) -> float | None:
    I_pk = _peak(supply, step)
    if supply.A_e is None or I_pk is None:
        return None
    return float(transformer.flux_density(L_p=supply.L_p, I_pk=I_pk, N_p=supply.N_p, A_e=supply.A_e))


def _ripple(supply: Supply, step: Step) -> float | None:
    delivered = step.ceiling.delivered
    return None if delivered is None else float(delivered.I_c_rms)


def _valley(supply: Supply, step: Step) -> float | None:
    loaded = step.ceiling.loaded
    return None if loaded is None else float(loaded.V_valley)


_FIGURES: tuple[tuple[str, str, Callable[[Supply, Step], float | None]], ...] = (
    ("primary peak current", "current", _peak),
    ("flux density", "flux density", _flux),
    ("capacitor ripple current", "current", _ripple),
    ("bulk voltage, valley", "voltage", _valley),
)
