"""How ordinary a board is: its figures in nominal numbers, each beside its customary range."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, fields

import numpy as np

from flyback.analysis import bulk
from flyback.analysis.bulk import Line
from flyback.analysis.circuit import Circuit, Supply
from flyback.analysis.demand import Case, Demand
from flyback.analysis.limits import situation
from flyback.analysis.load_point import LoadPoint, load_point
from flyback.analysis.trace import trace
from flyback.board.model import Board
from flyback.equations import transformer
from flyback.errors import NumericalError, RequestError
from flyback.studies.figure import Figure, Figures, behind, by_key, figure
from flyback.studies.part_figures import claimed, divider, mains_side, own_values, small, windings
from flyback.verdict.label import power_claims

USUAL = 230.0
"""Mains at which a board is looked at that was not tried anywhere [V], if its label allows it."""

DRY = 0.1
"""Share of the crest at which a bulk counts as run dry."""

_IDLE = ("V_rail", "C_o", "I_ripple", "I_sense", "I_rectifier")
_WORKING = tuple(field.name for field in fields(Supply) if field.name not in _IDLE)
"""Fields of a supply that the currents it can give depend on."""


@dataclass(frozen=True, slots=True)
class Use:
    """How a board is used, which no slip at a part changes.

    Attributes:
        demand: the largest claim of the label; None where it has none.
        line: the usual mains; None where no mains is known.
        measured: voltage of the rail as measured, or as read while it was held [V].
    """

    demand: Demand | None
    line: Line | None
    measured: float | None

    @classmethod
    def of(cls, board: Board, held: Sequence[float] = ()) -> Use:
        """From the label and what was measured.

        Args:
            held: output voltages of load tests that left the rail alone [V].
        """
        rail = board.rail_voltage
        measured = max(held, default=None) if rail is None else rail.nominal
        try:
            claims = power_claims(board.label, measured)
        except RequestError:
            claims = []
        largest = max(claims, key=lambda one: float(one.needed(one.voltage)), default=None)
        return cls(largest, _usual_line(board), measured)


def _usual_line(board: Board) -> Line | None:
    if board.tried_on is not None:
        return Line(*board.tried_on)
    if board.label.mains is None:
        return None
    low, high = board.label.mains
    frequencies = board.label.frequencies or (50.0,)
    return Line(USUAL if low <= USUAL <= high else high, frequencies[0])


@dataclass(frozen=True, slots=True)
class Looked:
    """A board that is looked at.

    Attributes:
        V_o: voltage of the rail [V]; P_claimed: power that the label claims of it [W]; None where unknown.
    """

    circuit: Circuit
    supply: Supply
    use: Use
    V_o: float | None
    P_claimed: float | None

    @classmethod
    def at(cls, board: Board, use: Use) -> Looked:
        """Trace a board.

        Raises:
            BoardFileError: the board cannot be a circuit.
        """
        circuit = trace(board)
        supply = circuit.supply({key: value.nominal for key, value in circuit.values.items()})
        if use.demand is None:
            return cls(circuit, supply, use, use.measured, None)
        case = Case(circuit, use.demand.voltage, (use.demand,))
        V_o = float(case.rail(supply))
        return cls(circuit, supply, use, V_o, float(case.needed(V_o)[0]))

    @np.errstate(all="ignore")
    def at_rest(self) -> Figures:
        """The figures that need no cycle: quick."""
        circuit, supply, V_o = self.circuit, self.supply, self.V_o
        found = [*own_values(circuit.board), *mains_side(circuit.board)]
        found += [*divider(circuit, supply, self.use.measured), *windings(circuit, supply, V_o)]
        if V_o is not None:
            found += small(circuit.board, V_o, self.P_claimed)
            if self.P_claimed is not None:
                found += claimed(circuit, supply, V_o, self.P_claimed)
        return by_key(found)

    @np.errstate(all="ignore")
    def at_work(self) -> Figures:
        """The figures of the cycle at the current limit and at the claimed load, on the usual mains."""
        if self.use.line is None or self.V_o is None or self.P_claimed is None:
            return {}
        return by_key(_at_work(self.circuit, self.supply, self.use.line, self.V_o, self.P_claimed))

    def works_like(self, other: Looked) -> bool:
        """Whether its cycle is that of another board."""
        return self.supply == other.supply and self.V_o == other.V_o

    def gives_like(self, other: Looked) -> bool:
        """Whether it can give the same currents as another board."""
        return all(getattr(self.supply, name) == getattr(other.supply, name) for name in _WORKING)


def _at_work(
    circuit: Circuit, supply: Supply, line: Line, V_o: float, P_claimed: float
) -> Iterator[Figure]:
    sense, T = behind(circuit, "R_s", "I_limit", "K_power", "V_limit"), behind(circuit, "N_p")
    try:
        limit = situation(circuit, supply, line, V_o).limit
        point = None
        if not bulk.missing(circuit) and _can_carry(supply, line, P_claimed):
            I_o = P_claimed / V_o / float(supply.eta_post)
            point = load_point(circuit, supply, line, V_o=V_o, I_o=I_o)
    except (ValueError, NumericalError):
        return
    if limit is not None and limit.loaded is not None and limit.delivered is not None:
        done, V_c = limit.loaded.load, limit.delivered.V_c
        yield figure(
            "power at the current limit", limit.power, [*sense, *T], over=P_claimed, dimension="power"
        )
        if clamp := behind(circuit, "V_c", "R_cl"):
            yield figure("clamp voltage", V_c, clamp)
            yield figure("clamp over reflected voltage", V_c / done.V_r, [*clamp, *T])
        if supply.A_e is not None:
            B = transformer.flux_density(L_p=supply.L_p, I_pk=done.I_pk, N_p=supply.N_p, A_e=supply.A_e)
            yield figure("flux density at the current limit", B, [*sense, *T])
    if point is not None:
        yield from _at_load(circuit, supply, point, V_o)


def _can_carry(supply: Supply, line: Line, P_claimed: float) -> bool:
    """Whether a cycle at the claimed load is worth searching for.

    It is not where the path takes all of the voltage, or the bulk runs dry before the mains comes back.
    """
    V_crest = bulk.crest(supply, line)
    dry = bulk.largest_power(supply, line, DRY * V_crest) < P_claimed
    return not dry and bool(supply.R_on * P_claimed < V_crest**2)


def _at_load(circuit: Circuit, supply: Supply, point: LoadPoint, V_o: float) -> Iterator[Figure]:
    yield figure("pulse rate at the claimed load", point.pulse.f_s, behind(circuit, "f_s", "N_p", "R_s"))
    if point.V_ripple is not None:
        yield figure("output ripple", point.V_ripple, behind(circuit, "C_o"), over=V_o, dimension="voltage")
    if supply.I_sense:
        rated = (float(point.pulse.I_p_rms) / float(supply.I_sense)) ** 2
        yield figure("sense resistor power", rated, behind(circuit, "R_s"))
