"""What the output can give at the lines where the label is judged: curves, claims and simulated points."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from flyback.analysis.arguments import refuse_arguments
from flyback.analysis.bulk import Line
from flyback.analysis.circuit import Circuit
from flyback.analysis.demand import Case
from flyback.analysis.envelope import SAMPLES, Envelope, Point, ends_and_nominal, envelope
from flyback.analysis.tolerance import Array
from flyback.analysis.trace import trace
from flyback.analysis.waveforms.limit_points import limit_points
from flyback.board.model import Board
from flyback.errors import RequestError
from flyback.verdict.check import rail_of
from flyback.verdict.label import power_claims
from flyback.verdict.lines import lines_to_judge

POINTS = 9
"""Simulated points of a curve."""

UNEVEN = "subharmonic"
"""What is said of a simulated point whose pulses differ from one to the next."""


def volts_and_amps(
    board: Board,
    *,
    mains: Sequence[float] | float | None = None,
    frequency: float | None = None,
    dc: float | None = None,
    samples: int = SAMPLES,
    simulate: bool = True,
    progress: Callable[[float], None] | None = None,
) -> Envelope:
    """The output's volts and amps, with the label's claims.

    Args:
        mains: mains voltages [V rms]; by default the ends of the label's range, widened by 10 %, and the
            mains it was tried on, or 230 V.
        frequency: mains frequency [Hz]; by default the label's, the worse where it prints two.
        dc: feed the bulk from a fixed voltage instead [V].
        simulate: also follow a few points of each curve with the switching simulation.
        progress: is told the share of the work that is done.

    Raises:
        NotAFlybackError: the board is another kind of converter.
        RequestError: an argument makes no sense, or a value that the curve needs is unknown.
        NumericalError: a result is not finite.
    """
    refuse_arguments(mains=mains, frequency=frequency, dc=dc, samples=samples)
    if board.topology != "flyback":
        return envelope(board, ())  # says why there is none
    circuit = trace(board)
    claims = power_claims(board.label, rail_of(circuit))
    voltage = claims[0].voltage
    lines = lines_to_judge(board, circuit, voltage=voltage, mains=mains, frequency=frequency, dc=dc)
    if mains is None:
        lines = list(ends_and_nominal(board, lines))
    simulation = _Simulation.of(circuit, voltage) if simulate else None
    found = envelope(
        board,
        lines,
        claims,
        samples=samples,
        simulated=None if simulation is None else simulation.follow,
        progress=progress,
    )
    return found if simulation is None else replace(found, notes=(*found.notes, *simulation.troubles))


@dataclass
class _Simulation:
    """The switching simulation of a nominal board, and what went wrong with it, in sentences."""

    circuit: Circuit
    numbers: Mapping[str, float]
    V_set: float
    troubles: list[str] = field(default_factory=list)

    @classmethod
    def of(cls, circuit: Circuit, voltage: float) -> _Simulation:
        numbers = {key: value.nominal for key, value in circuit.values.items()}
        return cls(circuit, numbers, float(Case(circuit, voltage, ()).rail(circuit.supply(numbers))))

    def follow(self, line: Line, V_o: Array) -> tuple[Point, ...]:
        """Some points of a curve, at output voltages [V]."""
        some = V_o[np.unique(np.linspace(0, V_o.size - 1, POINTS).round().astype(int))]
        try:
            points = tuple(
                Point(V, I_o, UNEVEN if uneven else "", fidelity)
                for V, I_o, fidelity, uneven in limit_points(
                    self.circuit, self.numbers, line, V_set=self.V_set, V_o=some
                )
            )
        except RequestError as error:
            self._tell("No simulated points: " + " ".join(str(problem) for problem in error.problems))
            return ()
        if len(points) < some.size:
            self._tell(f"Not every simulated point at {line.full_name} settled; those are left out.")
        return points

    def _tell(self, trouble: str) -> None:
        if trouble not in self.troubles:
            self.troubles.append(trouble)
