"""What the full simulation writes down while it runs, and what it makes of it in the end."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, fields

import numpy as np

from flyback.analysis.waveforms.network import Complex, Mode, Resistor, Source, Store, Valve
from flyback.analysis.waveforms.run import Array, Energy, Figures, Pulses, Run, State, Traces
from flyback.analysis.waveforms.stage import LOSSES, WATCHED, Stage

TRACED = 7
"""How many of `stage.WATCHED` are waveforms."""

AT = {name: k for k, name in enumerate(WATCHED)}

_NOTHING = np.full(len(WATCHED), -math.inf)


@dataclass(frozen=True, slots=True)
class Seen:
    """A mode with what the search needs of it, prepared once.

    Attributes:
        closed: which valves are closed, by name.
        rows: named rows on the state vector.
        valves: names of the valves its guards belong to.
        guards, watched: rows in eigenvector coordinates.
    """

    mode: Mode
    closed: Mapping[str, bool]
    rows: Mapping[str, Array]
    valves: tuple[str, ...]
    guards: Complex
    watched: Complex


class Recorder:
    """Sums of products by mode, extremes, a row a pulse, and waveforms inside a window."""

    def __init__(self, stage: Stage, trace: tuple[float, float] | None, most_rows: int) -> None:
        self._stage = stage
        self._trace = trace
        self._most_rows = most_rows
        self.area = 0.0
        """Time integral of the output capacitance's voltage since the run began [V s]."""
        self._points: list[tuple[Array, Array]] = []
        self._measuring = False
        self._begun = math.nan
        self._z_begun: Array | None = None
        self._sums: dict[int, tuple[Seen, Complex]] = {}
        self._high, self._low = _NOTHING.copy(), -_NOTHING
        self._pulse_high, self._pulse_low = _NOTHING.copy(), -_NOTHING
        self._conducting = 0.0
        self._row: list[float] | None = None
        self._rows: list[list[float]] = []
        self._stride, self._count = 1, 0
        self._ripple = 0.0
        self._peaks = [0.0, -math.inf, math.inf]

    def begin(self, t: float, z: Array) -> None:
        """Start measuring at an instant [s]."""
        self._measuring, self._begun, self._z_begun = True, t, z.copy()

    # --- while it runs ----------------------------------------------------------------------------

    def add(
        self, seen: Seen, weights: Complex, t: float, end: float, step: float, times: Array, values: Array
    ) -> None:
        """Count a stretch of one mode.

        Args:
            end: ``t + step``, as the next stretch begins.
            times: instants since its beginning [s], the first 0 and the last ``step``.
            values: the watched rows at these instants.
        """
        self.area += float(seen.rows["v_cap"] @ seen.mode.integral(weights, step))
        high, low = values.max(axis=1), values.min(axis=1)
        np.maximum(self._pulse_high, high, out=self._pulse_high)
        np.minimum(self._pulse_low, low, out=self._pulse_low)
        if seen.closed["rectifier"]:
            self._conducting += step
        if self._trace is not None and t <= self._trace[1] and end >= self._trace[0]:
            self._points.append((np.minimum(t + times, end), values[:TRACED]))
        if self._measuring:
            products = seen.mode.products(weights, step)
            known = self._sums.get(id(seen))
            self._sums[id(seen)] = (seen, products if known is None else known[1] + products)

    def open_row(self, t: float, seen: Seen, z: Array, command: float) -> None:
        """A pulse begins: note where everything stands."""
        rows = seen.rows

        def value(name: str) -> float:
            return float(rows[name] @ z)

        self._row = [
            *(t, math.nan, 0.0, 0.0, value("i_m"), value("i_pri"), math.nan),
            *(value("v_bulk"), value("v_out"), value("v_clamp"), command, value("i_line")),
        ]

    def opened(self, t: float, i_pri: float) -> None:
        """The switch opens at a primary current [A]."""
        assert self._row is not None
        self._row[2], self._row[5] = t - self._row[0], i_pri

    def close_period(self, T: float) -> None:
        """A period, with a pulse or without, has ended."""
        swings = self._pulse_high - self._pulse_low
        if self._measuring:
            # what is called ringing is never more than there is
            self._ripple = max(self._ripple, float(min(swings[AT["v_smooth"]], swings[AT["v_out"]])))
            if self._row is not None:
                self._keep(self._row, T, float(self._pulse_high[AT["i_m"]]))
        self.close_pause()

    def close_pause(self) -> None:
        """A time without pulses, or a period, has ended: its extremes count from here."""
        if self._measuring:
            np.maximum(self._high, self._pulse_high, out=self._high)
            np.minimum(self._low, self._pulse_low, out=self._low)
        self._row = None
        self._conducting = 0.0
        self._pulse_high, self._pulse_low = _NOTHING.copy(), -_NOTHING

    def _keep(self, row: list[float], T: float, I_pk: float) -> None:
        total, most, least = self._peaks
        self._peaks = [total + I_pk, max(most, I_pk), min(least, I_pk)]
        if self._count % self._stride == 0:
            row[1], row[3], row[6] = T, self._conducting, I_pk
            self._rows.append(row)
            if len(self._rows) > self._most_rows:
                self._rows = self._rows[::2]
                self._stride *= 2
        self._count += 1

    # --- in the end -------------------------------------------------------------------------------

    def run(self, fidelity: str, t: float, z: Array, state: State, notices: tuple[str, ...]) -> Run:
        """Everything that was written down."""
        names = [f.name for f in fields(Pulses) if f.name != "stride"]
        columns = np.array(self._rows).T if self._rows else np.empty((len(names), 0))
        return Run(
            fidelity=fidelity,
            traces=self._traces(),
            pulses=Pulses(**dict(zip(names, columns, strict=True)), stride=self._stride),
            figures=self._figures(t),
            energy=self._energy(z),
            state=state,
            finished=True,
            notices=notices,
        )

    def _traces(self) -> Traces | None:
        if self._trace is None:
            return None
        if not self._points:
            return Traces(*np.empty((TRACED + 1, 0)))
        t = np.concatenate([times for times, _ in self._points])
        values = np.concatenate([values for _, values in self._points], axis=1)
        named = dict(zip(WATCHED[:TRACED], values, strict=True))
        return Traces(t, **named).between(*self._trace)

    def _total(self, first: str | None, second: str | None = None, *, element: str = "") -> float:
        """Time integral over the measured part of a row, or of a product of two."""
        return sum(
            seen.mode.product(sums, self._of(seen, first, element), self._of(seen, second, element))
            for seen, sums in self._sums.values()
        )

    def _of(self, seen: Seen, name: str | None, element: str) -> Array:
        net = self._stage.network
        match name:
            case None:
                return net.row("one")
            case "v":
                return seen.mode.v[element]
            case "i":
                return seen.mode.i[element]
            case "v across R":
                return seen.mode.v[element] - net.row(element)
        return seen.rows[name]

    def _figures(self, t: float) -> Figures:
        length = t - self._begun
        if not self._sums or not length > 0:
            return Figures(self._begun, t, 0, *[math.nan] * 20)
        count = self._count
        high, low = self._high, self._low
        total, most, least = self._peaks

        def mean(first: str, second: str | None = None) -> float:
            return self._total(first, second) / length

        def extreme(name: str) -> float:
            return float(high[AT[name]])

        return Figures(
            start=self._begun,
            end=t,
            pulses=count,
            V_valley=float(low[AT["v_bulk"]]),
            V_crest=extreme("v_bulk"),
            V_mean=mean("v_bulk"),
            I_pk=total / count if count else math.nan,
            I_pk_max=most if count else math.nan,
            I_pk_min=least if count else math.nan,
            P_line=self._source() / length,
            P_in=mean("v_bulk", "i_from_bulk"),
            P_o=mean("v_out", "i_load"),
            V_o=mean("v_out"),
            I_o=mean("i_load"),
            I_p_rms=math.sqrt(max(mean("i_pri", "i_pri"), 0.0)),
            I_s_rms=math.sqrt(max(mean("i_sec", "i_sec"), 0.0)),
            I_c_rms=math.sqrt(max(mean("i_store", "i_store"), 0.0)),
            V_ripple=self._ripple,
            V_swing=float(high[AT["v_out"]] - low[AT["v_out"]]),
            V_ds=extreme("v_drain"),
            I_line=max(extreme("i_line"), -float(low[AT["i_line"]])),
            I_line_rms=math.sqrt(max(mean("i_line", "i_line"), 0.0)),
            f_s=count / length,
        )

    def _source(self) -> float:
        sources = [e.name for e in self._stage.network.elements if isinstance(e, Source)]
        return -sum(self._total("v", "i", element=name) for name in sources if name != "held")

    def _energy(self, z: Array) -> Energy:
        if not self._sums or self._z_begun is None:
            return Energy(0.0, 0.0, {}, 0.0, 0.0)
        net = self._stage.network
        R_s = self._stage.converter.primary.R_s
        losses: dict[str, float] = {}

        def lose(part: str, energy: float) -> None:
            losses[part] = losses.get(part, 0.0) + energy

        # the drain's own charge goes round through the switch, not through the sense resistor
        sensed = R_s * self._total("i_sensed", "i_sensed")
        for e in net.elements:
            part = LOSSES.get(e.name, "output capacitor ESR")
            if isinstance(e, Resistor) and e.name != "load":
                lose(part, self._total("v", "i", element=e.name))
            elif isinstance(e, Store) and e.R > 0:
                lose(part, self._total("v across R", "i", element=e.name))
            elif isinstance(e, Valve):
                lost = self._total("v", "i", element=e.name)
                if e.name == "switch" and R_s > 0:
                    lose(part, lost - sensed)
                    lose("sense resistor", sensed)
                else:
                    lose(part, lost)
        return Energy(
            source=self._source(),
            load=self._total("v_out", "i_load"),
            losses=losses,
            stored=self._stage.stored(self._z_begun, z),
            bulk=self._total("v_bulk", "i_from_bulk"),
        )
