"""The ladder of ceilings: every limit on the output power, at one line voltage.

*Reach* limits physically stop the power; *hold* limits are ratings beyond which a part is overloaded.
`RUNGS` is the table of them, in the order of the power's path. A rung that does not exist at a line (a
duty limit that is never reached) is infinite.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from flyback.analysis import bulk, limits
from flyback.analysis.bulk import Line
from flyback.analysis.circuit import Circuit, Supply
from flyback.analysis.limits import LIMIT, LIMIT_RUNGS, Ceiling, Situation, Start, situation
from flyback.equations.formula import Real
from flyback.errors import NumericalError


class Question(StrEnum):
    """What a ceiling answers."""

    REACH = "reach"
    HOLD = "hold"


@dataclass(frozen=True, slots=True)
class Rung:
    """One row of the ladder.

    Attributes:
        needs: circuit fields that must be known.
        named_by: circuit fields whose parts name the rung.
        limited: True where the rung starts from the pulse the current limit ends.
        loads_bulk: True where the rung draws on the bulk.
        may_be_absent: True where the limit need not exist at a line, and is infinite then.
        applies: whether the board has this limit at all.
    """

    name: str
    question: Question
    compute: Callable[[Situation], Ceiling]
    needs: tuple[str, ...]
    named_by: tuple[str, ...]
    limited: bool = False
    loads_bulk: bool = True
    may_be_absent: bool = False
    applies: Callable[[Circuit, Line], bool] = lambda circuit, line: True

    def __reduce__(self) -> tuple[Callable[[str], Rung], tuple[str]]:
        return rung_named, (self.name,)

    def parts(self, circuit: Circuit) -> str:
        """The parts that set this ceiling, as a report names them."""
        names = [circuit.parts[field] for field in self.named_by if field in circuit.parts]
        return ", ".join(dict.fromkeys(names))

    def lacking(self, circuit: Circuit, line: Line) -> tuple[str, ...]:
        """File keys this rung needs and does not have."""
        fields = list(self.needs)
        if self.limited:
            fields += limits.limit_needs(circuit)
        if self.loads_bulk:
            fields += limits.load_needs(circuit, line)
        return limits.lacking(circuit, fields)


def _fixed_frequency(circuit: Circuit, line: Line) -> bool:
    return not circuit.free_running and not circuit.constant_current


def _on_mains_with_duty(circuit: Circuit, line: Line) -> bool:
    return line.V_ac is not None and not circuit.constant_current and circuit.control != "valley switching"


def _constant_current(circuit: Circuit, line: Line) -> bool:
    return circuit.constant_current


def _peak_limited(circuit: Circuit, line: Line) -> bool:
    return not circuit.constant_current


def _self_oscillating(circuit: Circuit, line: Line) -> bool:
    return circuit.control == "self-oscillating"


def _timed(circuit: Circuit, line: Line) -> bool:
    return "V_overload" in circuit.keys and not _self_oscillating(circuit, line)


def _has(field: str) -> Callable[[Circuit, Line], bool]:
    return lambda circuit, line: field in circuit.keys


_SENSE = ("R_s", "I_limit", "K_power")

RUNGS = (
    Rung(
        "bulk valley",
        Question.REACH,
        limits.bulk_valley,
        needs=("D_max",),
        named_by=("C_bulk",),
        limited=True,
        may_be_absent=True,
        applies=_on_mains_with_duty,
    ),
    Rung(
        "duty limit",
        Question.REACH,
        limits.duty_limit,
        needs=("D_max",),
        named_by=("D_max",),
        may_be_absent=True,
        applies=_fixed_frequency,
    ),
    Rung(
        "current limit",
        Question.REACH,
        limits.current_limit,
        needs=(),
        named_by=_SENSE,
        limited=True,
        applies=_peak_limited,
    ),
    Rung(
        "constant-current loop",
        Question.REACH,
        limits.current_limit,
        needs=(),
        named_by=("R_s",),
        limited=True,
        applies=_constant_current,
    ),
    Rung(
        "base drive",
        Question.REACH,
        limits.base_drive,
        needs=("N_b", "R_b", "V_be", "h_FE"),
        named_by=("R_b",),
        applies=_self_oscillating,
    ),
    Rung(
        "overload timer",
        Question.REACH,
        limits.overload_timer,
        needs=("R_s", "t_sense"),
        named_by=("V_overload",),
        applies=_timed,
    ),
    Rung("saturation", Question.REACH, limits.saturation, needs=("A_e", "B_sat"), named_by=("N_p",)),
    Rung(
        "auxiliary supply",
        Question.REACH,
        limits.auxiliary_supply,
        needs=("N_aux",),
        named_by=("V_stop",),
        loads_bulk=False,
        may_be_absent=True,
        applies=_has("V_stop"),
    ),
    Rung(
        "rectifier current",
        Question.HOLD,
        limits.rectifier_current,
        needs=("I_rectifier",),
        named_by=("V_f",),
        loads_bulk=False,
    ),
    Rung(
        "capacitor ripple",
        Question.HOLD,
        limits.capacitor_ripple,
        needs=("ripple_rating", "C_o"),
        named_by=("C_o",),
        limited=True,
        may_be_absent=True,
    ),
    Rung(
        "sense resistor power",
        Question.HOLD,
        limits.sense_power,
        needs=("sense_rating",),
        named_by=("R_s",),
        limited=True,
        may_be_absent=True,
        applies=_has("R_s"),
    ),
)
"""Every rung, in the order of the power's path."""


def rung_named(name: str) -> Rung:
    """The rung of that name."""
    return next(rung for rung in RUNGS if rung.name == name)


def rungs(circuit: Circuit, line: Line) -> tuple[Rung, ...]:
    """The rungs this board has at this line, known or not."""
    return tuple(rung for rung in RUNGS if rung.applies(circuit, line))


def ladder(
    circuit: Circuit,
    supply: Supply,
    line: Line,
    *,
    V_o: Real,
    starts: Mapping[str, Start] | None = None,
) -> dict[str, Ceiling]:
    """Every ceiling that can be computed, by rung name.

    Args:
        V_o: rail voltage at which the power is judged [V].
        starts: from `starting_points` of the nominal ladder, for arrays.

    Returns:
        Ceilings in the order of `RUNGS`, with the broadcast shape of the supply's numbers.

    Raises:
        NumericalError: where a ceiling is NaN, or infinite although its limit always exists.
    """
    at = situation(circuit, supply, line, V_o, starts)
    known = [rung for rung in rungs(circuit, line) if not rung.lacking(circuit, line)]
    return {rung.name: _finite(rung, rung.compute(at), line) for rung in known}


def _finite(rung: Rung, ceiling: Ceiling, line: Line) -> Ceiling:
    wrong = np.isnan(ceiling.power) if rung.may_be_absent else ~np.isfinite(ceiling.power)
    if np.any(wrong):
        raise NumericalError(
            f"{rung.name} at {line.full_name}: the result is not a finite number; "
            "one of the values it rests on is out of the formulas' range."
        )
    return ceiling


def starting_points(supply: Supply, line: Line, ceilings: Mapping[str, Ceiling]) -> dict[str, Start]:
    """Nominal solutions by rung, to start array solvers from."""
    solved = {name: ceiling.loaded for name, ceiling in ceilings.items() if ceiling.loaded is not None}
    if not solved:
        return {}
    crest = float(bulk.crest(supply, line))
    starts = {
        name: Start(float(loaded.V_valley) / crest, float(loaded.load.I_off))
        for name, loaded in solved.items()
    }
    limit = next((starts[name] for name in LIMIT_RUNGS if name in starts), None)
    return starts if limit is None else {**starts, LIMIT: limit}
