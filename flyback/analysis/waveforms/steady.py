"""The periodic steady state of one cycle, found by Newton steps instead of waiting for transients.

One period is a map of the state onto itself. Its fixed point is the steady state; the largest multiplier of
the map there says whether it is stable: beyond 1 the pulses alternate (subharmonic), however exactly
the fixed point itself is known.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from flyback.analysis.waveforms.converter import Converter, Feed
from flyback.analysis.waveforms.full import Engine
from flyback.analysis.waveforms.load import Load
from flyback.analysis.waveforms.run import Array, Run, State

ROLL = 8
"""Pulses that are simply followed before the first Newton step, and again where one leads astray."""

NEWTON_STEPS = 15
"""Most Newton steps."""

SETTLED = 1e-8
"""Change over one period, as a share of each variable's scale, below which the state is steady."""

NUDGE = 1e-6
"""Share of each variable's scale by which it is moved to learn how the period answers."""

ALTERNATES = 1.0 + 1e-3
"""Multiplier beyond which the fixed point is called unstable; one of exactly 1 is a neutral direction."""


@dataclass(frozen=True, slots=True)
class Steady:
    """The steady state of one operating point.

    Attributes:
        state: at the start of a pulse.
        run: one period from there.
        multiplier: size of the largest multiplier of the period map.
        settled: False where no fixed point was found; ``state`` is then the nearest one met.
        steps: Newton steps taken.
    """

    state: State
    run: Run
    multiplier: float
    settled: bool
    steps: int

    @property
    def alternates(self) -> bool:
        """True where the steady state is unstable: real pulses alternate around it."""
        return self.multiplier > ALTERNATES


def bench(converter: Converter, V_dc: float) -> Converter:
    """The same converter fed by a stiff supply [V] in place of mains and bulk."""
    return replace(converter, feed=Feed(V_fixed=V_dc), bulk=None)


def unregulated(converter: Converter) -> Converter:
    """The same converter with every pulse ended by its limit: no voltage loop, nothing that stops it."""
    control = replace(
        converter.control, V_set=math.inf, gain=0.0, integral=0.0, t_soft=0.0, t_overload=None, V_stop=None
    )
    return replace(converter, control=control)


def steady(
    converter: Converter,
    load: Load,
    *,
    start: State | None = None,
    trace_periods: int = 0,
) -> Steady:
    """The steady state of a converter on a bench supply.

    Args:
        start: where to begin the search; a rough guess if None.
        trace_periods: how many periods of waveforms the run carries.

    Raises:
        ValueError: the converter is on mains, whose bulk has no steady state within a switching period.
    """
    if converter.feed.V_fixed is None:
        raise ValueError("a steady state of one switching period needs a fixed supply")
    begin = guess(converter, load) if start is None else start
    period = _Period(converter, load, begin)
    x, jump = period.roll(period.vector(begin), ROLL)
    J = period.jacobian(x, jump)
    steps = 0
    while np.abs(jump).max() > SETTLED and steps < NEWTON_STEPS:
        steps += 1
        x, jump = period.newton(x, jump, J)
        jump = period.loaded(x)
        J = period.jacobian(x, jump)
    state = period.state(x)
    run = period.measured(state, max(trace_periods, 1), trace_periods > 0)
    return Steady(
        state=state,
        run=run,
        multiplier=float(np.abs(np.linalg.eigvals(J)).max()),
        settled=bool(np.abs(jump).max() <= SETTLED),
        steps=steps,
    )


def steadies(converters: Sequence[Converter], loads: Sequence[Load]) -> list[Steady]:
    """Steady states of many operating points, each search begun where the last one ended.

    Args:
        converters, loads: one of each for every point; neighbours should be alike.
    """
    found: list[Steady] = []
    for converter, load in zip(converters, loads, strict=True):
        like = found and found[-1].settled and len(found[-1].state.v_out) == max(len(converter.output), 1)
        found.append(steady(converter, load, start=found[-1].state if like else None))
    return found


@dataclass(frozen=True, slots=True)
class Held:
    """What a converter at its limit gives into a held output voltage; arrays of one shape, SI units.

    Attributes:
        settled: True where the steady state was found.
        alternates: True where it is unstable, so that real pulses alternate.
    """

    V_dc: Array
    V_o: Array
    I_o: Array
    I_pk: Array
    P_in: Array
    f_s: Array
    settled: Array
    alternates: Array


def held(
    converter: Converter, *, V_dc: Array, V_o: Array, progress: Callable[[float], None] | None = None
) -> Held:
    """Output current at the limit into held output voltages, for arrays of operating points.

    Args:
        V_dc: supply of the primary [V].
        V_o: output voltage, broadcast against ``V_dc`` [V].
        progress: called with the share that is done.
    """
    supply, output = np.broadcast_arrays(np.asarray(V_dc, dtype=float), np.asarray(V_o, dtype=float))
    open_loop = replace(unregulated(converter), output=())
    rows = []
    last: State | None = None
    for V, v in zip(supply.flat, output.flat, strict=True):
        load = Load.constant("voltage", float(v))
        found = steady(bench(open_loop, float(V)), load, start=last)
        last = found.state if found.settled else None
        f = found.run.figures
        rows.append((f.I_o, f.I_pk, f.P_in, f.f_s, found.settled, found.alternates))
        if progress is not None:
            progress(len(rows) / supply.size)
    I_o, I_pk, P_in, f_s, settled, alternates = (
        np.reshape(c, supply.shape) for c in zip(*rows, strict=True)
    )
    return Held(supply, output, I_o, I_pk, P_in, f_s, settled.astype(bool), alternates.astype(bool))


def guess(converter: Converter, load: Load) -> State:
    """A state near enough to begin with: drain at the supply, output at its set voltage."""
    c = converter.control
    V_dc = converter.feed.V_fixed or math.sqrt(2) * (converter.feed.V_ac or 0.0)
    V_o = load.at(0.0) if load.kind == "voltage" else c.V_set if math.isfinite(c.V_set) else 5.0
    V_r = converter.secondary.n * (V_o + converter.secondary.V_f)
    rate = c.family == "primary-side constant current"
    return State(
        t=0.0,
        v_bulk=V_dc,
        i_m=0.0,
        i_leak=0.0,
        v_drain=V_dc,
        v_clamp=converter.clamp.V_c or 1.5 * V_r,
        v_out=tuple(V_o for _ in converter.output) or (V_o,),
        command=FIRST_RATE if rate else FIRST_COMMAND * min(c.I_limit, 1e3),
        started=-1e3,
    )


FIRST_COMMAND = 0.7
"""Share of the limit with which a search for a regulated state begins."""

FIRST_RATE = 50e3
"""Pulse rate with which it begins where the loop sets the rate [Hz]."""


class _Period:
    """One switching period as a map of scaled state variables onto themselves."""

    def __init__(self, converter: Converter, load: Load, begin: State) -> None:
        self._engine = Engine(converter, load, begin)
        self._begin = begin
        self._v_mean = begin.v_out[0]
        entries = self._engine.stage.network.at
        control = converter.control
        V_dc = converter.feed.V_fixed or 1.0
        current = control.I_limit if math.isfinite(control.I_limit) else 1.0
        scales = {"i_leak": current, "i_m": current, "v_drain": V_dc, "v_clamp": V_dc, "off_time": 1e-5}
        held_entries = {"i_leak": "leakage", "i_m": "magnetising", "v_drain": "drain", "v_clamp": "clamp"}
        self._names = [name for name, entry in held_entries.items() if entry in entries]
        if control.family == "self-oscillating" and control.D_max < 1.0:
            self._names.append("off_time")
        self._outputs = 0 if self._engine.stage.held else len(converter.output)
        self._regulated = control.integral > 0 and not self._engine.stage.held
        rated = control.family == "primary-side constant current"
        self._scale = np.array(
            [
                *(scales[name] for name in self._names),
                *[max(begin.v_out[0], 1.0)] * self._outputs,
                *([FIRST_RATE if rated else current] if self._regulated else []),
            ]
        )

    def vector(self, state: State) -> Array:
        """A state's variables, each over its scale."""
        values = [getattr(state, name) for name in self._names]
        values += state.v_out[: self._outputs]
        values += [state.command] if self._regulated else []
        return np.asarray(np.array(values) / self._scale)

    def state(self, x: Array) -> State:
        """The state of scaled variables."""
        values = x * self._scale
        count = len(self._names)
        changed: dict[str, float] = dict(zip(self._names, map(float, values), strict=False))
        state = replace(self._begin, v_mean=self._v_mean, **changed)  # type: ignore[arg-type]
        if self._outputs:
            state = replace(state, v_out=tuple(map(float, values[count : count + self._outputs])))
        return replace(state, command=float(values[-1])) if self._regulated else state

    def after(self, x: Array) -> Array:
        """The variables one period later, under the load that the last mean output voltage sets."""
        self._engine.go_to(self.state(x))
        self._engine.pulse(math.inf)
        return self.vector(self._engine.state())

    def loaded(self, x: Array) -> Array:
        """The change over one period, once more under the load that this period's own mean sets."""
        self.after(x)
        self._v_mean = self._engine.v_mean
        return self.after(x) - x

    def roll(self, x: Array, periods: int) -> tuple[Array, Array]:
        """Follow some periods; where that leads and by how much the next one changes it."""
        self._engine.go_to(self.state(x))
        for _ in range(periods):
            self._engine.pulse(math.inf)
        self._v_mean = self._engine.v_mean
        x = self.vector(self._engine.state())
        return x, self.after(x) - x

    def jacobian(self, x: Array, jump: Array) -> Array:
        """How the period's end answers to its beginning, column by column."""
        columns = []
        for k in range(len(x)):
            moved = x.copy()
            moved[k] += NUDGE
            columns.append((self.after(moved) - (x + jump)) / NUDGE)
        return np.array(columns).T

    def newton(self, x: Array, jump: Array, J: Array) -> tuple[Array, Array]:
        """One Newton step, shortened until it helps; a few plain periods where it never does.

        Whether it helps is judged by how far the next step would go, not by the change over one period:
        a slow variable, such as the output voltage, changes little even far from its steady value.
        """
        gap = np.eye(len(x)) - J
        try:
            step = np.linalg.solve(gap, jump)
        except np.linalg.LinAlgError:
            return self.roll(x, ROLL)
        for share in (1.0, 0.5, 0.25, 0.1):
            tried = x + share * step
            change = self.after(tried) - tried
            ahead = np.linalg.solve(gap, change)
            if np.abs(ahead).max() < (1.0 - share / 4) * np.abs(step).max():
                return tried, change
        return self.roll(x, ROLL)

    def measured(self, state: State, periods: int, traced: bool) -> Run:
        """The figures of some periods from a state."""
        window = (-math.inf, math.inf) if traced else None
        self._engine.go_to(state, trace=window)
        self._engine.measure()
        for _ in range(periods):
            self._engine.pulse(math.inf)
        return self._engine.run()
