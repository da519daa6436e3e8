"""The main job in one call: a traced board in, every claim of its label judged."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import inf

import numpy as np

from flyback import __version__
from flyback.analysis import tolerance
from flyback.analysis.arguments import refuse_arguments
from flyback.analysis.assessment import Assessment, Column, assess
from flyback.analysis.circuit import Circuit, Supply
from flyback.analysis.demand import Case, Demand
from flyback.analysis.inputs import asked, nominal_numbers
from flyback.analysis.load_point import LoadPoint, load_point
from flyback.analysis.rail import Indicator, small_currents
from flyback.analysis.trace import trace
from flyback.board.model import Board, Value
from flyback.equations import ports, rectifier
from flyback.equations.formula import Real, Recorder, recording
from flyback.verdict.judge import judge
from flyback.verdict.label import judge_label, power_claims
from flyback.verdict.lines import lines_to_judge
from flyback.verdict.notices import notices
from flyback.verdict.why import why
from flyback.verdict.words import FAILING, SEVERITY, Judgement


@dataclass(frozen=True, slots=True)
class Check:
    """Everything `flyback check` prints; frozen data, SI units.

    Attributes:
        circuit: the traced circuit; None where the board is not judged.
        label: judgements of the label's arithmetic.
        claims: judgements of the claims of power.
        why: the reason for the worst judgement, in sentences.
        assessments: ladders and bands, one for each output voltage claimed.
        points: operating points at ``load``, one a line; None where the bulk
            cannot feed it or it is too light for unbroken pulses.
        load: output current of the points [A].
        indicators: small currents of the rail.
        assumed: values lent by the handbook.
        not_checked: "rung: needs key" for every rung that could not be computed.
        left_out: effects not counted.
        notices: other things seen on the way.
        recorders: the working behind every figure: label, operating points, ladders.
        whole_range: True where the claims were judged over the label's own mains range.
    """

    board: Board
    circuit: Circuit | None
    label: tuple[Judgement, ...]
    claims: tuple[Judgement, ...]
    why: tuple[str, ...]
    assessments: tuple[Assessment, ...]
    points: tuple[LoadPoint | None, ...]
    load: float | None
    indicators: tuple[Indicator, ...]
    assumed: tuple[Value, ...]
    not_checked: tuple[str, ...]
    left_out: tuple[str, ...]
    notices: tuple[str, ...]
    samples: int
    seed: int
    recorders: tuple[Recorder, ...]
    whole_range: bool = False
    version: str = __version__

    @property
    def judged(self) -> bool:
        return self.circuit is not None

    @property
    def judgements(self) -> tuple[Judgement, ...]:
        return (*self.claims, *self.label)

    @property
    def exit_code(self) -> int:
        """1 if any claim fails, else 0."""
        return int(any(judgement.word in FAILING for judgement in self.judgements))


# a search may pass through impossible values; what comes out is checked to be finite, in words
@np.errstate(all="ignore")
def check(
    board: Board,
    *,
    mains: Sequence[float] | float | None = None,
    frequency: float | None = None,
    dc: float | None = None,
    load: float | None = None,
    samples: int = tolerance.SAMPLES,
    seed: int = tolerance.SEED,
) -> Check:
    """Judge every claim of a board's label.

    Args:
        mains: mains voltages to judge at [V rms]; by default the label's range, widened by 10 %, with
            115 V and 230 V where inside.
        frequency: mains frequency [Hz]; by default the label's, the worse where it prints two.
        dc: feed the bulk from a fixed voltage instead [V].
        load: output current for the operating points [A]; by default the largest claim that can be
            reached, else the power the board reaches.
        samples: Monte Carlo samples, at least 100.

    Raises:
        RequestError: an argument makes no sense, or no mains is known.
        BoardFileError: the board cannot be a circuit.
        NumericalError: a result is not finite.
    """
    refuse_arguments(mains=mains, frequency=frequency, dc=dc, load=load, samples=samples)
    with recording() as recorder:
        label = tuple(judge_label(board.label))
    if board.topology != "flyback":
        return _not_judged(board, label, samples, seed, recorder)
    circuit = trace(board)
    claims = power_claims(board.label, rail_of(circuit))
    voltage = claims[0].voltage
    lines = lines_to_judge(board, circuit, voltage=voltage, mains=mains, frequency=frequency, dc=dc)
    demands: dict[float, list[Demand]] = {}
    for claim in claims:
        demands.setdefault(claim.voltage, []).append(claim)
    assessments = {
        voltage: assess(circuit, lines, wanted, voltage=voltage, samples=samples, seed=seed)
        for voltage, wanted in demands.items()
    }
    judged = tuple(judge(circuit, claim, assessments[claim.voltage]) for claim in claims)
    first = next(iter(assessments.values()))
    with recording() as details:
        supply = circuit.supply(nominal_numbers(circuit))
        V_o = Case(circuit, first.voltage, ()).rail(supply)
        points, current, trouble = _points(circuit, supply, first, V_o, load)
        currents, no_currents = small_currents(board, V_o)
    lent = tuple(entry.assumed for entry in currents if entry.assumed)
    worst = min(judged, key=lambda judgement: SEVERITY.index(judgement.word))
    return Check(
        board=board,
        circuit=circuit,
        label=label,
        claims=judged,
        why=why(circuit, supply, worst, _tried_column(board, assessments[_voltage(claims, worst)])),
        assessments=tuple(assessments.values()),
        points=points,
        load=current,
        indicators=currents,
        assumed=(*circuit.assumed, *lent),
        not_checked=(*_not_checked(first), *trouble, *no_currents),
        left_out=circuit.left_out,
        notices=notices(circuit, supply, first),
        samples=samples,
        seed=seed,
        recorders=(recorder, details, *(assessment.recorder for assessment in assessments.values())),
        whole_range=mains is None and dc is None,
    )


def _not_judged(
    board: Board, label: tuple[Judgement, ...], samples: int, seed: int, recorder: Recorder
) -> Check:
    notice = f"Not a flyback but a {board.topology}: its power is not judged, only its label's arithmetic."
    if board.topology == "other":
        notice = "Not a flyback: its power is not judged, only its label's arithmetic."
    return Check(
        board=board,
        circuit=None,
        label=label,
        claims=(),
        why=(),
        assessments=(),
        points=(),
        load=None,
        indicators=(),
        assumed=(),
        not_checked=("power: the board is not a flyback",),
        left_out=(),
        notices=(notice,),
        samples=samples,
        seed=seed,
        recorders=(recorder,),
    )


def rail_of(circuit: Circuit) -> float | None:
    """Nominal set or measured voltage of the rail [V]."""
    numbers = {key: value.nominal for key, value in circuit.values.items()}
    V_rail = circuit.supply(numbers).V_rail
    return None if V_rail is None else float(V_rail)


def _voltage(claims: Sequence[Demand], judgement: Judgement) -> float:
    return next(claim.voltage for claim in claims if claim.name == judgement.text)


def _tried_column(board: Board, assessment: Assessment) -> Column | None:
    """The ladder at the mains the supply was tried on, if that is one of the lines."""
    tried = None if board.tried_on is None else board.tried_on[0]
    return next(
        (column for column in assessment.columns if column.line.V_ac == tried and column.steps), None
    )


# --- what is shown beside the verdict -------------------------------------------------------------


def _points(
    circuit: Circuit, supply: Supply, assessment: Assessment, V_o: Real, load: float | None
) -> tuple[tuple[LoadPoint | None, ...], float | None, tuple[str, ...]]:
    """Operating points at the asked load, or at the largest claimed one that every line can feed.

    The load is a current at the sockets. Where no claim can be fed it is what the worst line reaches.
    """
    columns = [column for column in assessment.columns if column.steps]
    if not columns:
        return (), load, ()
    V_socket = columns[0].V_socket
    most = min(float(column.lowest.nominal) for column in columns) / float(V_socket)
    wanted = [float(outcome.needed) / float(V_socket) for outcome in columns[0].outcomes]
    current = load if load is not None else max((amps for amps in wanted if amps <= most), default=most)
    if not 0 < current < inf:
        return (), None, ()
    amps = asked("load", current, "A", "current")
    P_socket = rectifier.output_power(V_o=V_socket, I_o=amps)
    P_o = ports.rail_power(P_socket=P_socket, eta_post=supply.eta_post)
    I_o = rectifier.current_at_power(P_o=P_o, V_o=V_o)
    try:
        points = [load_point(circuit, supply, column.line, V_o=V_o, I_o=I_o) for column in columns]
    except ValueError as error:
        return (), current, (f"operating point: {error}",)
    return tuple(points), current, ()


def _not_checked(assessment: Assessment) -> tuple[str, ...]:
    return tuple(f"{rung}: needs {', '.join(keys)}" for rung, keys in assessment.lacking.items())
