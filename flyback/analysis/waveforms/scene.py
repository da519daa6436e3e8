"""What is shown of a board in time: a few steady cycles, mains periods, a start, a change of load.

The slow part (bulk, output, voltage loop) is settled with the fidelity "cycle"; a few switching cycles are
then followed in "full".
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace

import numpy as np

from flyback.analysis.arguments import refuse_arguments
from flyback.analysis.bulk import Line
from flyback.analysis.circuit import Circuit, Supply
from flyback.analysis.demand import Case
from flyback.analysis.inputs import dc_line, mains_line
from flyback.analysis.limits import lacking
from flyback.analysis.operating_point import limit_pulse
from flyback.analysis.rail import small_currents
from flyback.analysis.trace import trace
from flyback.analysis.waveforms import cycle, full, steady, traced
from flyback.analysis.waveforms.converter import Converter
from flyback.analysis.waveforms.load import Load
from flyback.analysis.waveforms.load_text import Asked
from flyback.analysis.waveforms.run import Run, Simulation, State
from flyback.board.model import Board
from flyback.equations import mains as mains_equations
from flyback.equations import transformer
from flyback.errors import NotAFlybackError, Problem, RequestError
from flyback.units import format_quantity

ENGINES: Mapping[str, Simulation] = {"cycle": cycle.simulate, "full": full.simulate}
"""The two fidelities by name."""

CYCLES_SHOWN = 2
"""Switching cycles that a waveform shows unless a span is asked for."""

LONGEST = {"cycle": 2.0, "full": 0.1}
"""Longest span of each fidelity [s]."""

FULL_UP_TO = 2e-3
"""Longest span that is followed in fidelity "full" unless one is asked for [s]."""

ROLL = 150
"""Pulses followed in "full" before those that are shown, so that ringing and clamp settle."""

MOST_PERIODS = 25
"""Mains periods after which a bulk and output that still drift are shown as they are."""

STEADY_BULK, STEADY_OUTPUT = 0.05, 0.002
"""Change from one mains period to the next that counts as settled: bulk and output [V]."""

DEVICE_STARTS = 0.6
"""Share of the set voltage below which a constant power is let go; common practice, no source."""

SAGS = 0.03
"""Share of the set voltage by which an output must lie below it to be called sagging."""

USUAL_MAINS = (230.0, 50.0)
"""Mains shown where nothing else is asked for, tried or printed [V, Hz]."""

Progress = Callable[[float], None]


@dataclass(frozen=True, slots=True)
class Scene:
    """One simulated stretch of a board.

    Attributes:
        fidelity: "cycle" or "full".
        line: what fed it.
        load: what loaded it, over time.
        V_o: output voltage it is set to [V].
        settled: True where the run began in the steady state.
        notices: what a reader must know about the run.
        assumed: what the board file did not give, in words.
    """

    board_name: str
    fidelity: str
    line: Line
    load: Load
    V_o: float
    run: Run
    settled: bool
    notices: tuple[str, ...]
    assumed: tuple[str, ...]


def scene(
    board: Board,
    *,
    load: Asked | None = None,
    mains: float | None = None,
    frequency: float | None = None,
    dc: float | None = None,
    span: float | None = None,
    fidelity: str | None = None,
    start: bool = False,
    progress: Progress | None = None,
) -> Scene:
    """Simulate a board with its nominal values.

    Args:
        load: the load; the label's whole claim if None. One that changes does so over the span.
        mains, frequency: mains [V, Hz]; the voltage it was tried on, or 230 V 50 Hz, if None.
        dc: bench supply straight at the bulk instead of mains [V].
        span: how long [s]; two switching cycles if None.
        fidelity: "cycle" or "full"; by the span if None.
        start: begin with everything at zero, switched on at a crest, instead of in the steady state.
        progress: called with the share that is done.

    Raises:
        NotAFlybackError: the board is another kind of converter.
        RequestError: span, load or line cannot be used, or a value that is needed is unknown.
    """
    if board.topology != "flyback":
        raise NotAFlybackError(f"{board.name} is a {board.topology}: only a flyback is simulated.")
    circuit = trace(board)
    line = _line(board, mains, frequency, dc)
    numbers = {key: value.nominal for key, value in circuit.values.items()}
    supply = circuit.supply(numbers)
    V_set = _set_voltage(circuit, supply)
    converter = traced.converter(circuit, numbers, line, V_set=V_set)
    asked = _label_load(board, supply, V_set) if load is None else load
    period = _period(circuit, supply, converter, V_set)
    if span is None:
        span = converter_span(converter, period, start)
    fidelity = fidelity or ("full" if span <= FULL_UP_TO and not start else "cycle")
    _refuse_span(span, fidelity)
    show = _Show(converter, asked, span, fidelity, period, progress, own_current(board, V_set))
    if start:
        run, settled = show.started(), False
    elif line.V_ac is None:
        run, settled = show.on_bench()
    elif span < 0.5 / (line.f_line or 1.0):
        run, settled = show.at_valley()
    else:
        run, settled = show.from_crest()
    return Scene(
        board_name=board.name,
        fidelity=fidelity,
        line=line,
        load=show.load,
        V_o=V_set,
        run=run,
        settled=settled,
        notices=(
            *run.notices,
            *_notices(converter, show.load, run, settled=settled, start=start),
            *_not_counted(circuit),
        ),
        assumed=converter.assumed,
    )


def converter_span(converter: Converter, period: float, start: bool) -> float:
    """The span shown unless one is asked for [s]: two cycles, or a whole start."""
    if not start:
        return CYCLES_SHOWN * period
    line_period = 0.0 if converter.feed.f_line is None else 1.0 / converter.feed.f_line
    return max(3 * line_period, 5 * converter.control.t_soft, 20e-3)


def own_current(board: Board, V_set: float) -> float:
    """What LEDs and bleeders of the board draw from its output [A]."""
    found, _ = small_currents(board, V_set)
    return sum(float(one.current) for one in found)


class _Show:
    """The ways to run a converter, with the load placed on each one's own time axis."""

    def __init__(
        self,
        converter: Converter,
        asked: Asked,
        span: float,
        fidelity: str,
        period: float,
        progress: Progress | None,
        own: float,
    ) -> None:
        self.own = own
        self.converter, self.asked, self.span = converter, asked, span
        self.fidelity, self.period, self.progress = fidelity, period, progress
        self.load = self._laid(Load.constant(asked.kind, asked.first))

    def _laid(self, load: Load) -> Load:
        """The load with what the board itself draws on top.

        A load of constant power is a device, which asks for nothing before its supply is there.
        """
        V_set = self.converter.control.V_set
        if load.kind == "power":
            load = replace(load, lets_go=DEVICE_STARTS * V_set)
        return replace(load, own=self.own / V_set)

    def started(self) -> Run:
        """From nothing, switched on at a crest of the mains."""
        return self._last(_nothing(self.converter))

    def on_bench(self) -> tuple[Run, bool]:
        """From the steady state on a fixed supply."""
        found = steady.steady(self.converter, self.load)
        if found.settled and not found.alternates:
            return self._last(found.state), True
        state = self._simulate("cycle", found.state, _bench_settling(self.converter)).state
        if self.fidelity == "full":
            state = self._simulate("full", state, ROLL * self.period).state
        return self._last(state), False

    def at_valley(self) -> tuple[Run, bool]:
        """A few cycles at the lowest point of the bulk, in the steady state on mains."""
        state, settled = self._periodic()
        line_period = 1.0 / (self.converter.feed.f_line or 1.0)
        over = self._simulate("cycle", state, line_period)
        lowest = int(over.pulses.v_bulk.argmin()) if len(over.pulses.t) else 0
        valley = float(over.pulses.t[lowest]) if len(over.pulses.t) else over.state.t
        before = valley - ROLL * self.period - self.span
        if before > state.t:
            state = self._simulate("cycle", state, before - state.t).state
        return self._last(self._simulate(self.fidelity, state, ROLL * self.period).state), settled

    def from_crest(self) -> tuple[Run, bool]:
        """From a crest of the mains, in the steady state."""
        state, settled = self._periodic()
        return self._last(state), settled

    def _periodic(self) -> tuple[State, bool]:
        """Follow whole mains periods until bulk and output repeat."""
        line_period = 1.0 / (self.converter.feed.f_line or 1.0)
        state = charged(self.converter, self.load)
        for _ in range(MOST_PERIODS):
            after = self._simulate("cycle", state, _whole(state.t, line_period) - state.t).state
            same = (
                abs(after.v_bulk - state.v_bulk) < STEADY_BULK
                and abs(after.v_out[0] - state.v_out[0]) < STEADY_OUTPUT
            )
            state = after
            if same:
                return state, True
        return state, False

    def _simulate(self, fidelity: str, state: State, span: float) -> Run:
        return ENGINES[fidelity](self.converter, self.load, state, span=span)

    def _last(self, state: State) -> Run:
        """The run that is shown."""
        window = (state.t, state.t + self.span)
        self.load = self._laid(self.asked.over(*window))
        return ENGINES[self.fidelity](
            self.converter, self.load, state, span=self.span, trace=window, progress=self.progress
        )


def _whole(t: float, period: float) -> float:
    """The first whole period that lies at least half a period ahead."""
    return (math.floor(t / period + 0.5) + 1.0) * period


def _nothing(converter: Converter) -> State:
    """Everything at zero; a bench supply stands at its voltage at once."""
    V_dc = converter.feed.V_fixed or 0.0
    return State(
        t=0.0,
        v_bulk=V_dc,
        i_m=0.0,
        i_leak=0.0,
        v_drain=V_dc,
        v_clamp=converter.clamp.V_c or 0.0,
        v_out=tuple(0.0 for _ in converter.output) or (0.0,),
        command=0.0,
        started=0.0,
    )


def charged(converter: Converter, load: Load) -> State:
    """The bulk at the crest of the mains, the output at its set voltage, nothing asked for yet."""
    feed = converter.feed
    V_crest = float(mains_equations.crest_voltage(V_ac=feed.V_ac, V_bridge=feed.V_bridge))
    return replace(steady.guess(converter, load), v_bulk=V_crest, v_drain=V_crest, command=0.0)


def _bench_settling(converter: Converter) -> float:
    """How long an output on a bench supply is given to settle [s]."""
    return max(5 * converter.control.t_soft, 20e-3)


def _period(circuit: Circuit, supply: Supply, converter: Converter, V_set: float) -> float:
    """The switching period to expect [s]: the clock's, or the one at the limit."""
    if converter.control.f_s is not None:
        return 1.0 / converter.control.f_s
    V_r = transformer.reflected_voltage(n=supply.n, V_o=V_set, V_f=supply.V_f)
    V_dc = converter.feed.V_fixed or math.sqrt(2) * (converter.feed.V_ac or 0.0)
    full_pulse = limit_pulse(circuit, supply, V_dc=V_dc, V_r=V_r)
    assert full_pulse is not None
    return 1.0 / float(full_pulse.f_s)


def _line(board: Board, mains: float | None, frequency: float | None, dc: float | None) -> Line:
    refuse_arguments(mains=mains, frequency=frequency, dc=dc)
    if dc is not None:
        return dc_line(dc)
    usual_V, usual_f = USUAL_MAINS
    label = board.label
    if board.tried_on is not None:
        usual_V, usual_f = board.tried_on
    elif label.mains is not None and not label.mains[0] <= usual_V <= label.mains[1]:
        usual_V = label.mains[1]
    if board.tried_on is None and label.frequencies and usual_f not in label.frequencies:
        usual_f = label.frequencies[0]
    return mains_line(usual_V if mains is None else mains, usual_f if frequency is None else frequency)


def _set_voltage(circuit: Circuit, supply: Supply) -> float:
    printed = circuit.board.label.outputs
    if printed:
        return float(Case(circuit, printed[0].voltage, ()).rail(supply))
    if supply.V_rail is not None:
        return float(supply.V_rail)
    raise RequestError(
        Problem(
            "the output voltage is not known;",
            field="rail.voltage",
            hint="write the label's output or the measured rail voltage in the file.",
        )
    )


def _label_load(board: Board, supply: Supply, V_set: float) -> Asked:
    """The label's whole claim as a constant current of the rail."""
    outputs = board.label.outputs
    powers = [] if board.label.power is None else [board.label.power]
    if outputs:
        one_each = {row.port or str(k): row for k, row in enumerate(outputs)}
        powers.append(sum(row.ports * row.voltage * row.current for row in one_each.values()))
    if not powers:
        raise RequestError(Problem("the label names no load;", field="--load", hint="say one, such as 1A."))
    current = min(powers) / float(supply.eta_post) / V_set
    return Asked("current", current, current)


def _refuse_span(span: float, fidelity: str) -> None:
    longest = LONGEST[fidelity]
    if not span > 0:
        raise RequestError(
            Problem(
                f"a span of {span:g} s shows nothing;",
                field="--span",
                hint="say one, such as 40us or 20ms.",
            )
        )
    if span > longest:
        hint = f"{format_quantity(longest, 'time')} at most."
        if fidelity == "full" and span <= LONGEST["cycle"]:
            hint += " --fidelity cycle goes further."
        raise RequestError(
            Problem(f"{span:g} s is too long for fidelity {fidelity};", field="--span", hint=hint)
        )


UNEVEN = 0.01
"""Share by which a peak current must differ from the last one's to count as uneven."""


def uneven(run: Run) -> bool:
    """True where most pulses differ visibly from the one before, as subharmonic ones do.

    Slow changes (the bulk's ripple, a load that rises) do not count: from one pulse to the next they are
    far smaller.
    """
    peaks = run.pulses.I_pk
    if len(peaks) < 6 or run.pulses.stride > 1:
        return False
    return float(np.mean(np.abs(np.diff(peaks)) > UNEVEN * float(peaks.mean()))) > 0.5


def _notices(converter: Converter, load: Load, run: Run, *, settled: bool, start: bool) -> list[str]:
    """What the reader of a run must know."""
    found = []
    V_set, V_o = converter.control.V_set, run.figures.V_o
    if start:
        reached = run.traces.v_out.max() if run.traces is not None and len(run.traces.t) else V_o
        if reached < (1 - SAGS) * V_set:
            found.append(
                f"It does not start: the output reaches {format_quantity(float(reached), 'voltage')} of "
                f"{format_quantity(V_set, 'voltage')} in this span."
            )
    elif V_o < (1 - SAGS) * V_set:
        words = (
            "The load is beyond what the board gives here: "
            f"the output stands at {V_o:.3g} V of {V_set:.3g} V."
        )
        if V_o < load.lets_go and load.kind in ("current", "power"):
            words += f" Below {load.lets_go:.3g} V the load lets go."
        found.append(words)
    if uneven(run):
        found.append(
            "Each pulse differs from the last: subharmonic, "
            "as continuous conduction at a large duty cycle can be."
        )
    if not run.figures.pulses:
        found.append("No pulse begins in this stretch: nothing is asked for.")
    if _empties_at_once(converter, run):
        found.append(
            "The load empties the output within a few pulses, which fidelity cycle follows only roughly, "
            "with too high a pulse rate. --fidelity full follows it."
        )
    if not settled and not start:
        found.append("Bulk, output or pulses had not settled when this stretch began.")
    return found


FEW_PULSES = 5
"""Pulses in which a load must not empty the output if "cycle" is to hold its bounds without a clock."""


def _empties_at_once(converter: Converter, run: Run) -> bool:
    if run.fidelity != "cycle" or converter.control.f_s is not None or not len(run.pulses.T):
        return False
    charge = run.figures.V_o * sum(one.C for one in converter.output)
    return bool(charge < FEW_PULSES * run.figures.I_o * np.median(run.pulses.T))


def _not_counted(circuit: Circuit) -> Iterator[str]:
    """Protection that the board file tells of without what the simulation needs to follow it."""
    ics = circuit.board.playing("switching IC")
    told = {
        "that the controller stops when its supply falls": ("V_stop" in circuit.keys, ("N_aux",)),
        "the overload timer": (
            "V_overload" in circuit.keys or bool(ics and ics[0].known("overload_time")),
            ("V_overload", "R_s"),
        ),
    }
    for words, (given, fields) in told.items():
        if given and (keys := lacking(circuit, fields)):
            yield f"Not counted: {words}, which needs {' and '.join(keys)}."
