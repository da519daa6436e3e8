"""Where the claims are judged: over the label's mains range, widened, or at what was asked for."""

from __future__ import annotations

from collections.abc import Sequence

from flyback.analysis.bulk import Line
from flyback.analysis.circuit import Circuit
from flyback.analysis.demand import Case, lowest
from flyback.analysis.inputs import dc_line, mains_line
from flyback.board.model import Board
from flyback.errors import Problem, RequestError
from flyback.reference import rows

NAMED_LINES = (115.0, 230.0)
"""Mains voltages shown between the ends of the range [V]."""

BOTH_FREQUENCIES = (50.0, 60.0)
"""Mains frequencies tried where the label prints none [Hz]."""


def lines_to_judge(
    board: Board,
    circuit: Circuit,
    *,
    voltage: float,
    mains: Sequence[float] | float | None,
    frequency: float | None,
    dc: float | None,
) -> list[Line]:
    """The lines to judge at: asked for, or the label's range with its customary tolerance.

    Args:
        voltage: printed output voltage at which the worse mains frequency is found [V].

    Raises:
        RequestError: no mains is asked for or printed, and none was tried.
    """
    if dc is not None:
        return [dc_line(dc)]
    if isinstance(mains, (int, float)):
        voltages = [float(mains)]
    elif mains is not None:
        voltages = [float(V) for V in mains]
    else:
        voltages = _label_voltages(board)
    if frequency is not None:
        frequencies: tuple[float, ...] = (frequency,)
    else:
        frequencies = board.label.frequencies or BOTH_FREQUENCIES
    return [_worse(circuit, voltage, V, frequencies) for V in voltages]


def _label_voltages(board: Board) -> list[float]:
    if board.label.mains is None:
        if board.tried_on is not None:
            return [board.tried_on[0]]
        if tested := {test.mains for test in board.load_tests if test.mains is not None}:
            return sorted(tested)
        raise RequestError(
            Problem(
                "the label's mains range is not given;",
                field="label.mains",
                hint="write it in the file, or say --mains 230V.",
            )
        )
    tolerance_row = rows("mains_tolerance")[0]
    low = board.label.mains[0] * (1 - tolerance_row["below_percent"] / 100)
    high = board.label.mains[1] * (1 + tolerance_row["above_percent"] / 100)
    tried = [] if board.tried_on is None else [board.tried_on[0]]
    inside = {V for V in (*NAMED_LINES, *tried) if low < V < high}
    return sorted({low, high, *inside})


def _worse(circuit: Circuit, voltage: float, V_ac: float, frequencies: Sequence[float]) -> Line:
    """The line at the frequency that leaves the lower ceiling."""
    if len(frequencies) == 1:
        return mains_line(V_ac, frequencies[0])
    supply = circuit.supply({key: value.nominal for key, value in circuit.values.items()})
    case = Case(circuit, voltage, ())

    def least(frequency: float) -> float:
        return float(lowest(case.ladder(supply, Line(V_ac=V_ac, f_line=frequency))))

    return mains_line(V_ac, min(sorted(frequencies), key=least))
