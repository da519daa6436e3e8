"""What a claim asks of the board: a power at the sockets, at one output voltage."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from flyback.analysis.bulk import Line
from flyback.analysis.ceilings import Question, ladder, rung_named
from flyback.analysis.circuit import Circuit, Supply
from flyback.analysis.inputs import printed
from flyback.analysis.limits import Ceiling, Start
from flyback.equations import rectifier
from flyback.equations.formula import Real

CLOSE = 0.15
"""A rail within this share of the printed voltage is taken to be the one that is printed (our choice)."""


@dataclass(frozen=True, slots=True)
class Demand:
    """A power that a claim asks for.

    Exactly one of ``current`` and ``power`` is set; amps are reckoned at the sockets' own voltage.

    Attributes:
        name: the claim in words.
        voltage: output voltage the claim prints [V].
        current: wanted output current [A].
        power: wanted power at the sockets [W].
    """

    name: str
    voltage: float
    current: float | None = None
    power: float | None = None

    def needed(self, V_socket: Real) -> Real:
        """Power at the sockets this amounts to [W]."""
        if self.power is not None:
            return printed("claim", self.power, "W", "power")
        amps = printed("claim", self.current or 0.0, "A", "current")
        return rectifier.output_power(V_o=V_socket, I_o=amps)


@dataclass(frozen=True, slots=True)
class Case:
    """A circuit and the demands on it at one printed output voltage [V]."""

    circuit: Circuit
    voltage: float
    demands: tuple[Demand, ...]

    def rail(self, supply: Supply) -> Real:
        """Rail voltage at which the demands are judged [V].

        The set or measured rail where it is close to the printed voltage or feeds a second converter;
        otherwise (a port with several voltages) the printed one.
        """
        rail = supply.V_rail
        behind = self.circuit.second_converter
        if rail is not None and (behind or abs(float(np.mean(rail)) / self.voltage - 1) <= CLOSE):
            return rail
        return printed("label voltage", self.voltage, "V", "voltage")

    def socket(self, V_o: Real) -> Real:
        """Voltage at the sockets: the rail, or the printed one behind a second converter [V]."""
        if self.circuit.second_converter:
            return printed("label voltage", self.voltage, "V", "voltage")
        return V_o

    def needed(self, V_o: Real) -> list[Real]:
        """Power at the sockets that each demand amounts to [W]."""
        return [demand.needed(self.socket(V_o)) for demand in self.demands]

    def ladder(
        self, supply: Supply, line: Line, starts: Mapping[str, Start] | None = None
    ) -> dict[str, Ceiling]:
        """The ceilings at a line, at this case's rail voltage."""
        return ladder(self.circuit, supply, line, V_o=self.rail(supply), starts=starts)


def lowest(rows: Mapping[str, Ceiling], question: Question | None = None) -> Real:
    """The lowest ceiling [W], element by element: of all rungs, or of those that answer one question."""
    least: Real = np.inf
    for name, ceiling in rows.items():
        if question is None or rung_named(name).question is question:
            least = np.minimum(least, ceiling.power)
    return least
