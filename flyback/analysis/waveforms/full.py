"""Fidelity "full": every state followed exactly from one switching instant to the next.

Leakage and magnetising inductance, drain capacitance, clamp, output capacitors with their ESR, bulk and
mains are one `Network`. What is searched, by sign change and Newton steps, are the instants at which a
diode turns on or off, the comparator trips, or the controller's conditions for the next pulse are met.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from flyback.analysis.waveforms.converter import Converter
from flyback.analysis.waveforms.cycle_parts import LEAST_DROP
from flyback.analysis.waveforms.load import Load
from flyback.analysis.waveforms.network import Complex, Mode, Valve
from flyback.analysis.waveforms.record import Recorder, Seen
from flyback.analysis.waveforms.regulator import LONGEST_ON, SKIPPED_WAIT, Regulator
from flyback.analysis.waveforms.run import Array, Run, State
from flyback.analysis.waveforms.search import CLOSE, ahead_of, fall
from flyback.analysis.waveforms.stage import WATCHED, Stage, slope_resistance, stage
from flyback.errors import NumericalError

FIDELITY = "full"

LONGEST_WAIT = 1e-3
"""How long the secondary is waited for to begin conducting [s]: what lifts the drain is long gone then."""

LONGEST_SET = 1e-3
"""How long a changing load stays as it was set, unless a pulse begins before [s]."""

SET_STEPS = 20
"""How often at least the load is set anew in the time in which what is set would empty the output."""

UNSEEN = 1e-3
"""Output voltage below which nothing is set anew on the way [V]."""

MOST_TOGGLES = 200
"""Valve changes without time passing after which the search is called stuck."""


@dataclass(frozen=True, slots=True)
class Watch:
    """A condition that ends a stretch once it falls below zero: terms x rows + level + slope x time."""

    name: str
    terms: Mapping[str, float]
    level: float = 0.0
    slope: float = 0.0


def simulate(
    converter: Converter,
    load: Load,
    state: State,
    *,
    span: float,
    measure_from: float | None = None,
    trace: tuple[float, float] | None = None,
    most_rows: int = 20000,
    progress: Callable[[float], None] | None = None,
) -> Run:
    """Follow a converter from a state, as `run.Simulation` says.

    Raises:
        NumericalError: where the diodes find no consistent state.
    """
    engine = Engine(converter, load, state, trace=trace, most_rows=most_rows)
    end = state.t + span
    measured = False
    told = state.t
    while engine.t < end:
        if not measured and (measure_from is None or engine.t >= measure_from):
            engine.measure()
            measured = True
        engine.pulse(end)
        if progress is not None and engine.t - told > span / 100:
            told = engine.t
            progress(min((engine.t - state.t) / span, 1.0))
    return engine.run()


@dataclass(frozen=True, slots=True)
class _Found:
    """How far a stretch went [s], which guard or watch ended it, and the watched rows on the way."""

    step: float
    event: int | None
    times: Array
    values: Array


class Engine:
    """The working memory of one run: where the circuit stands, and what has been counted."""

    def __init__(
        self,
        converter: Converter,
        load: Load,
        state: State,
        *,
        trace: tuple[float, float] | None = None,
        most_rows: int = 20000,
    ) -> None:
        self._stages: dict[float, tuple[Stage, dict[tuple[bool, ...], Seen]]] = {}
        self._converter, self._load = converter, load
        self._draw(slope_resistance(converter, load, state.t, _mean_output(state)))
        self._index = {valve.name: k for k, valve in enumerate(self.stage.network.valves)}
        self._one = self.stage.network.at["one"]
        self.go_to(state, trace=trace, most_rows=most_rows)

    def go_to(
        self,
        state: State,
        *,
        trace: tuple[float, float] | None = None,
        most_rows: int = 20000,
    ) -> None:
        """Begin anew from a state, with nothing recorded."""
        self.regulator = Regulator(self.stage.converter.control, state)
        self.t = state.t
        self.z = self.stage.start(state)
        self._closed = [False] * len(self._index)
        self._record = Recorder(self.stage, trace, most_rows)
        self._off_time = state.off_time
        self._settle_load(_mean_output(state))
        self._settle_diodes()

    # --- one pulse --------------------------------------------------------------------------------

    def measure(self) -> None:
        """Start counting here."""
        self._record.begin(self.t, self.z)

    def pulse(self, end: float) -> None:
        """One switching period, or the stretch to the end where the controller is stopped."""
        c, regulator = self.stage.converter.control, self.regulator
        begun, area = self.t, self._record.area
        if regulator.resume_at is not None:
            self._stretch(min(regulator.resume_at, end) - self.t)
            self._record.close_pause()
            if self.t < regulator.resume_at:
                return
            regulator.resume(self.t)
            begun, area = self.t, self._record.area
        limit = regulator.limit(self.t, self._value("v_bulk"))
        v_cap = self._value("v_cap")
        asked = regulator.asked(v_cap, limit)
        if regulator.skips(v_cap, limit):
            self._stretch(1.0 / c.f_s if c.f_s else max(regulator.shortest_period(v_cap), SKIPPED_WAIT))
        else:
            self._record.open_row(self.t, self._mode(), self.z, asked)
            self._on(limit)
            self._record.opened(self.t, self._value("i_pri"))
            off = self.t
            self._off(begun, v_cap)
            self._off_time = self.t - off
        T = self.t - begun
        if T <= 0:
            raise NumericalError(f"no time passes at {1e3 * self.t:.4g} ms")
        self._record.close_period(T)
        mean = self._mean_since(begun, area)
        self._settle_load(mean)
        regulator.advance(self.t, T, mean, asked, limit)

    def _on(self, limit: float) -> None:
        c, regulator = self.stage.converter.control, self.regulator
        begun = self.t
        longest = self._longest_on()
        watches = [Watch("limit", {"i_pri": -1.0}, limit, -c.S_ramp)] if math.isfinite(limit) else []
        if regulator.regulates:
            level = regulator.command + c.gain * c.V_set
            watches.append(Watch("loop", {"i_pri": -1.0, "v_cap": -c.gain}, level, -c.S_ramp))
        self._switch(True)
        if self._stretch(longest, watches) is not None:
            self._stretch(min(c.t_delay, begun + longest - self.t))
        self._switch(False)

    def _longest_on(self) -> float:
        c = self.stage.converter.control
        if c.f_s and c.family in ("fixed-frequency peak current", "on/off"):
            return c.D_max / c.f_s
        if c.family == "self-oscillating" and self._off_time > 0 and c.D_max < 1:
            return min(c.D_max / (1.0 - c.D_max) * self._off_time, LONGEST_ON)
        return LONGEST_ON

    def _off(self, begun: float, v_cap: float) -> None:
        """From the switch opening to the start of the next pulse."""
        c = self.stage.converter.control
        if c.family in ("fixed-frequency peak current", "on/off"):
            assert c.f_s is not None
            self._stretch(begun + 1.0 / c.f_s - self.t)
            return
        shortest = self.regulator.shortest_period(v_cap)
        if c.family == "primary-side constant current":
            assert c.d_dem is not None
            seen = self._conduction(c.I_th)
            self._stretch(begun + max(seen / c.d_dem, shortest) - self.t)
            return
        self._conduction(0.0)
        self._first_trough(begun + shortest)

    def _conduction(self, threshold: float) -> float:
        """Wait for the secondary to begin and to end conducting; for how long it did [s]."""
        level = max(threshold, 10 * CLOSE)
        if self._stretch(LONGEST_WAIT, (Watch("begins", {"i_sec": -1.0}, level),)) is None:
            return 0.0
        begun = self.t
        # ringing may take the current to zero before its time, and a controller is blind to that
        self._stretch(LONGEST_WAIT + self._longest_fall(), (Watch("ends", {"i_dem": 1.0}, -level),))
        return self.t - begun

    def _longest_fall(self) -> float:
        """In which time the rectifier's drop alone empties the field [s].

        Into a short circuit nothing else does but resistances: milliseconds with a drop of a few ten
        millivolts. All that while the winding that starts the next pulse holds it off.
        """
        c = self.stage.converter
        V_r = c.secondary.n * max(c.secondary.V_f, LEAST_DROP)
        return c.primary.L_m * max(self._value("i_m"), 0.0) / V_r

    def _first_trough(self, earliest: float) -> None:
        """Wait for the first trough of the drain's ringing that is not too early.

        Into a short circuit the ringing of a self-oscillating board may be too small to start a pulse,
        which then waits for the start-up resistor: this is the soonest it can begin.
        """
        p = self.stage.converter.primary
        half = math.pi * math.sqrt(p.L_p * p.C_d)
        trough, crest = Watch("trough", {"i_drain": -1.0}), Watch("crest", {"i_drain": 1.0})
        self._stretch(half / 4)
        while self._stretch(2.5 * half, (trough,)) is not None:
            if self.t >= earliest:
                return
            self._stretch(2.5 * half, (crest,))
        # the ringing has died away: the restart timer starts the pulse
        self._stretch(earliest - self.t)

    def _settle_load(self, v_mean: float) -> None:
        """Set the part of the load that is no resistance, so that its mean over a pulse is right."""
        self.v_mean = v_mean
        self._set_from = (self.t, self._record.area)
        entry = self.stage.network.at["set"]
        if self.stage.held:
            self.z[entry] = self._load.at(self.t)
        else:
            self._draw(slope_resistance(self._converter, self._load, self.t, v_mean))
            self.z[entry] = self._load.current(self.t, max(v_mean, 0.0)) - v_mean / self.stage.slope
        self._set_until = self.t + self._patience(abs(float(self.z[entry])))

    def _mean_since(self, t: float, area: float) -> float:
        """Mean output voltage since an instant, at which its integral had a value."""
        return (self._record.area - area) / (self.t - t)

    def _draw(self, slope: float) -> None:
        """Use the network in which this resistance stands for the load [ohm]."""
        if slope not in self._stages:
            self._stages[slope] = (stage(self._converter, self._load, slope), {})
        self.stage, self._seen = self._stages[slope]

    def _patience(self, drawn: float) -> float:
        """For how long the load may stay as it is set, this much of it as a current [A]: [s]."""
        longest = math.inf if self._load.steady else LONGEST_SET
        if self.stage.held or abs(self.v_mean) < UNSEEN:
            return longest
        charge = abs(self.v_mean) * sum(capacitor.C for capacitor in self._converter.output)
        return min(longest, charge / max(drawn, 1e-12) / SET_STEPS)

    # --- stretches between switching instants -----------------------------------------------------

    def _switch(self, closed: bool) -> None:
        self._closed[self._index["switch"]] = closed
        if closed and "reverse diode" in self._index:
            self._closed[self._index["reverse diode"]] = False

    def _settle_diodes(self) -> None:
        """Let the diodes agree with a state before anything is read from it."""
        for _ in range(MOST_TOGGLES):
            seen = self._mode()
            guards = (seen.guards @ seen.mode.weights(self.z)).real
            worst = int(np.argmin(guards))
            if guards[worst] >= -CLOSE:
                break
            self._toggle(seen, worst)

    def _toggle(self, seen: Seen, guard: int) -> None:
        k = self._index[seen.valves[guard]]
        self._closed[k] = not self._closed[k]

    def _mode(self) -> Seen:
        key = tuple(self._closed)
        seen = self._seen.get(key)
        if seen is None:
            seen = self._seen[key] = self._prepare(key)
        return seen

    def _prepare(self, key: tuple[bool, ...]) -> Seen:
        net = self.stage.network
        mode = net.mode(key)
        closed = {valve.name: shut for valve, shut in zip(net.valves, key, strict=True)}
        rows = self.stage.rows(mode, closed)
        names, guards = [], []
        for valve in net.valves:
            if valve.driven or (valve.name == "reverse diode" and closed["switch"]):
                continue
            names.append(valve.name)
            guards.append(mode.i[valve.name] if closed[valve.name] else self._blocks(mode, valve))
        watched = np.array([rows[name] for name in WATCHED])
        return Seen(mode, closed, rows, tuple(names), np.array(guards) @ mode.shape, watched @ mode.shape)

    def _blocks(self, mode: Mode, valve: Valve) -> Array:
        row = -mode.v[valve.name]
        row[self._one] += valve.V
        return row

    def _value(self, name: str) -> float:
        return float(self._mode().rows[name] @ self.z)

    def _stretch(self, duration: float, watches: tuple[Watch, ...] | list[Watch] = ()) -> str | None:
        """Go on through diode events until the time is up or a watch falls below zero.

        Returns:
            The name of that watch, or None.
        """
        end = self.t + duration
        begun = self.t
        still = 0
        while self.t < end:
            seen = self._mode()
            weights = seen.mode.weights(self.z)
            upto = min(end, self._set_until)
            found = self._search(seen, weights, upto - self.t, watches, self.t - begun)
            step, event = found.step, found.event
            after = upto if event is None else self.t + step
            still = 0 if after > self.t else still + 1
            if still > MOST_TOGGLES:
                raise NumericalError(f"the diodes find no consistent state at {1e3 * self.t:.4g} ms")
            if step > 0:
                self._record.add(seen, weights, self.t, after, step, found.times, found.values)
                self.z = seen.mode.later(self.z, weights, step)
                self.t = after
            if event is None:
                if self.t < end:
                    # the mean of what comes, if the output goes on as it went
                    self._settle_load(2.0 * self._value("v_cap") - self._mean_since(*self._set_from))
                continue
            if event >= len(seen.valves):
                return watches[event - len(seen.valves)].name
            self._toggle(seen, event)
        return None

    def _search(
        self,
        seen: Seen,
        weights: Complex,
        horizon: float,
        watches: tuple[Watch, ...] | list[Watch],
        elapsed: float,
    ) -> _Found:
        """Go along the guards and watches until the first falls below zero, or to the horizon."""
        count = len(seen.valves) + len(watches)
        asked = [(self._combined(seen, watch, elapsed) @ seen.mode.shape)[None, :] for watch in watches]
        courses = np.concatenate([seen.guards, *asked, seen.watched]) * weights
        slopes = np.array([*[0.0] * len(seen.valves), *(watch.slope for watch in watches)])
        rate = seen.mode.rate
        at_once = courses.sum(axis=1).real
        if at_once[:count].min() < -CLOSE:
            return _Found(0.0, int(np.argmin(at_once[:count])), np.empty(0), np.empty((0, 0)))
        sizes = np.abs(courses).max(axis=0)
        times, values = [np.zeros(1)], [at_once[count:, None]]
        base, event = 0.0, None
        while base < horizon and event is None:
            ahead = ahead_of(rate, sizes, base, horizon)
            there = (courses @ np.exp(np.outer(rate, ahead))).real
            below = there[:count] + np.outer(slopes, ahead) < -CLOSE
            if below.any():
                first = int(np.argmax(below.any(axis=0)))
                start = base if first == 0 else float(ahead[first - 1])
                roots = {
                    int(k): fall(rate, courses[k], float(slopes[k]), start, float(ahead[first]))
                    for k in np.flatnonzero(below[:, first])
                }
                event = min(roots, key=roots.__getitem__)
                last = np.array([roots[event]])
                ahead, there = ahead[:first], there[:, :first]
                times += [ahead, last]
                values += [there[count:], (courses[count:] @ np.exp(np.outer(rate, last))).real]
                break
            times.append(ahead)
            values.append(there[count:])
            base = float(ahead[-1])
        instants = np.concatenate(times)
        return _Found(float(instants[-1]), event, instants, np.concatenate(values, axis=1))

    def _combined(self, seen: Seen, watch: Watch, elapsed: float) -> Array:
        row = sum((factor * seen.rows[name] for name, factor in watch.terms.items()), np.zeros(len(self.z)))
        row[self._one] += watch.level + watch.slope * elapsed
        return row

    # --- the end ----------------------------------------------------------------------------------

    def state(self) -> State:
        """Where the circuit and the controller stand."""
        s, r = self.stage, self.regulator
        at, z = s.network.at, self.z

        def entry(name: str, otherwise: float = 0.0) -> float:
            return float(z[at[name]]) if name in at else otherwise

        outputs = tuple(entry(f"output {k}") for k in range(1, len(s.converter.output) + 1))
        return State(
            t=self.t,
            v_bulk=entry("bulk", s.converter.feed.V_fixed or 0.0),
            i_m=entry("magnetising"),
            i_leak=entry("leakage", entry("magnetising")),
            v_drain=entry("drain"),
            v_clamp=entry("clamp", s.converter.clamp.V_c or 0.0),
            v_out=outputs or (entry("set"),),
            command=r.command,
            started=r.started,
            limited_since=r.limited_since,
            unsupplied_since=r.unsupplied_since,
            resume_at=r.resume_at,
            v_mean=self.v_mean,
            off_time=self._off_time,
        )

    def run(self) -> Run:
        """Everything that was recorded."""
        return self._record.run(FIDELITY, self.t, self.z, self.state(), tuple(self.regulator.notices))


def _mean_output(state: State) -> float:
    return float(np.mean(state.v_out)) if state.v_mean is None else state.v_mean
