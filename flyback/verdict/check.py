"""The main job in one call: a traced board in, every claim of its label judged."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from flyback import __version__
from flyback.analysis import tolerance
from flyback.analysis.assessment import Assessment, Column, assess
from flyback.analysis.bulk import Line
from flyback.analysis.circuit import Circuit, Supply
from flyback.analysis.demand import Case, Demand, lowest
from flyback.analysis.inputs import asked, dc_line, mains_line, nominal_numbers
from flyback.analysis.load_point import LoadPoint, load_point
from flyback.analysis.rail import Indicator, small_currents
from flyback.analysis.trace import trace
from flyback.board.model import Board, Value
from flyback.equations import ports, rectifier
from flyback.equations.formula import Real, Recorder, recording
from flyback.errors import Problem, RequestError
from flyback.reference import rows
from flyback.verdict.judge import judge
from flyback.verdict.label import judge_label, power_claims
from flyback.verdict.why import why
from flyback.verdict.words import FAILING, SEVERITY, Judgement

NAMED_LINES = (115.0, 230.0)
"""Mains voltages shown between the ends of the range [V]."""

BOTH_FREQUENCIES = (50.0, 60.0)
"""Mains frequencies tried where the label prints none [Hz]."""


@dataclass(frozen=True, slots=True)
class Check:
    """Everything `flyback check` prints; frozen data, SI units.

    Attributes:
        circuit: the traced circuit; None where the board is not judged.
        label: judgements of the label's arithmetic.
        claims: judgements of the claims of power.
        why: the reason for the worst judgement, in sentences.
        assessments: ladders and bands, one for each output voltage claimed.
        points: operating points at ``load``, one a line; None where the bulk cannot feed it.
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
    _refuse(mains=mains, frequency=frequency, dc=dc, load=load, samples=samples)
    with recording() as recorder:
        label = tuple(judge_label(board.label))
    if board.topology != "flyback":
        return _not_judged(board, label, samples, seed, recorder)
    circuit = trace(board)
    lines = _lines(board, circuit, mains=mains, frequency=frequency, dc=dc)
    claims = power_claims(board.label)
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
        points, current, trouble = _points(circuit, supply, lines, V_o, judged, load)
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
        notices=_notices(circuit, supply, first),
        samples=samples,
        seed=seed,
        recorders=(recorder, details, *(assessment.recorder for assessment in assessments.values())),
        whole_range=mains is None and dc is None,
    )


def _refuse(
    *,
    mains: Sequence[float] | float | None,
    frequency: float | None,
    dc: float | None,
    load: float | None,
    samples: int,
) -> None:
    problems = []
    given = [] if mains is None else ([mains] if isinstance(mains, (int, float)) else list(mains))
    numbers: list[tuple[str, float | None, float, float, str]] = [
        ("mains", V, 10, 1000, "V") for V in given
    ]
    numbers += [("frequency", frequency, 10, 1000, "Hz"), ("dc", dc, 1, 1000, "V")]
    numbers += [("load", load, 1e-6, 1000, "A"), ("samples", samples, 100, 100_000_000, "")]
    for name, value, low, high, unit in numbers:
        if value is not None and not low <= value <= high:
            expected = f"{low:g} to {high:g} {unit}".strip()
            message = f"{value:g} {unit}".strip() + f" cannot be used; expected {expected}."
            problems.append(Problem(message, field=name, given=f"{value:g}", expected=expected))
    if dc is not None and (given or frequency is not None):
        problems.append(
            Problem("a bench supply (dc) and mains exclude each other;", field="dc", hint="give one.")
        )
    if problems:
        raise RequestError(tuple(problems))


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


# --- where the claims are judged ------------------------------------------------------------------


def _lines(
    board: Board,
    circuit: Circuit,
    *,
    mains: Sequence[float] | float | None,
    frequency: float | None,
    dc: float | None,
) -> list[Line]:
    """The lines to judge at: asked for, or the label's range with its customary tolerance."""
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
    return [_worse(circuit, board, V, frequencies) for V in voltages]


def _label_voltages(board: Board) -> list[float]:
    if board.label.mains is None:
        if board.tried_on is not None:
            return [board.tried_on[0]]
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


def _worse(circuit: Circuit, board: Board, V_ac: float, frequencies: Sequence[float]) -> Line:
    """The line at the frequency that leaves the lower ceiling."""
    if len(frequencies) == 1:
        return mains_line(V_ac, frequencies[0])
    supply = circuit.supply({key: value.nominal for key, value in circuit.values.items()})
    voltage = max((row.voltage for row in board.label.outputs), default=5.0)

    case = Case(circuit, voltage, ())

    def least(frequency: float) -> float:
        return float(lowest(case.ladder(supply, Line(V_ac=V_ac, f_line=frequency))))

    return mains_line(V_ac, min(sorted(frequencies), key=least))


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
    circuit: Circuit,
    supply: Supply,
    lines: Sequence[Line],
    V_o: Real,
    judged: Sequence[Judgement],
    load: float | None,
) -> tuple[tuple[LoadPoint | None, ...], float | None, tuple[str, ...]]:
    """Operating points at the asked load, or at the largest claimed one that every line can feed.

    The load is a current at the sockets.
    """
    columns = [judgement.column for judgement in judged if judgement.column]
    if not columns:
        return (), load, ()
    V_socket = columns[0].V_socket
    most = min(float(column.lowest.nominal) for column in columns) / float(V_socket)
    wanted = [
        float(judgement.outcome.needed) / float(judgement.column.V_socket)
        for judgement in judged
        if judgement.outcome and judgement.column
    ]
    current = load if load is not None else max((amps for amps in wanted if amps <= most), default=most)
    amps = asked("load", current, "A", "current")
    P_socket = rectifier.output_power(V_o=V_socket, I_o=amps)
    P_o = ports.rail_power(P_socket=P_socket, eta_post=supply.eta_post)
    I_o = rectifier.current_at_power(P_o=P_o, V_o=V_o)
    try:
        return tuple(load_point(circuit, supply, line, V_o=V_o, I_o=I_o) for line in lines), current, ()
    except ValueError as error:
        return (), current, (f"operating point: {error}",)


def _not_checked(assessment: Assessment) -> tuple[str, ...]:
    return tuple(f"{rung}: needs {', '.join(keys)}" for rung, keys in assessment.lacking.items())


def _notices(circuit: Circuit, supply: Supply, assessment: Assessment) -> tuple[str, ...]:
    notices = []
    row = max(circuit.board.label.outputs, key=lambda r: r.voltage, default=None)
    if row is not None and supply.V_rail is not None and "eta_post" not in circuit.missing:
        off = float(supply.V_rail) / row.voltage - 1
        if 0.05 < abs(off) <= 0.15:
            notices.append(
                f"The rail is set to {float(supply.V_rail):.3g} V; the label says {row.voltage:g} V."
            )
    for column in assessment.columns:
        for step in column.steps:
            if step.rung.name == "current limit" and step.subharmonics < 1:
                lower = f"{100 * (1 - step.subharmonics):.0f} %"
                notices.append(
                    f"At {column.line.full_name} and the current limit the pulses alternate (duty above "
                    f"one half, too little ramp): the power may be {lower} lower; the band is widened "
                    "by that."
                )
    if assessment.unsettled:
        notices.append(f"{assessment.unsettled} samples did not settle on a bulk valley.")
    return tuple(notices)
