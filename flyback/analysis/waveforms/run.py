"""How a simulation is called, and what it gives back: waveforms, a row a pulse, sums, and its end."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, fields
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from flyback.analysis.waveforms.converter import Converter
from flyback.analysis.waveforms.load import Load

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class State:
    """Everything that must be known to go on at the start of a pulse; SI units.

    Attributes:
        t: time [s].
        v_bulk: voltage of the bulk capacitance, or the bench supply's [V].
        i_m, i_leak: magnetising and leakage inductance's current [A].
        v_drain: voltage of the drain capacitance [V].
        v_clamp: voltage of the clamp capacitor [V].
        v_out: voltage of each output capacitance [V]; of the held output where there is none.
        command: integral part of the regulator: command current [A], or pulse rate [Hz].
        started: when the present start began [s].
        limited_since: since when the command has stood at the limit without a break [s], or None.
        unsupplied_since: since when the controller has lacked its supply [s], or None.
        resume_at: when a stopped controller starts again [s]; None while it runs.
        v_mean: mean output voltage of the last period, by which a load that is no resistance is set [V];
            that of the capacitors if None.
        off_time: how long the switch was open last, for a duty limit without a clock [s]; 0 if unknown.
    """

    t: float
    v_bulk: float
    i_m: float
    i_leak: float
    v_drain: float
    v_clamp: float
    v_out: tuple[float, ...]
    command: float
    started: float
    limited_since: float | None = None
    unsupplied_since: float | None = None
    resume_at: float | None = None
    v_mean: float | None = None
    off_time: float = 0.0


@dataclass(frozen=True, slots=True)
class Traces:
    """Waveforms on one time axis; every array has the same length, SI units.

    Straight lines between the points are the waveform. Two points at one instant are a step.

    Attributes:
        t: time [s].
        i_pri: current of the primary winding [A]; i_sec: of the secondary winding [A].
        v_drain: drain voltage [V]; v_bulk: bulk voltage [V]; v_out: output voltage [V].
        v_clamp: clamp voltage above the bulk [V]; i_line: mains current [A].
    """

    t: Array
    i_pri: Array
    i_sec: Array
    v_drain: Array
    v_bulk: Array
    v_out: Array
    v_clamp: Array
    i_line: Array

    def between(self, start: float, end: float) -> Traces:
        """The part from one instant to another [s]."""
        inside = (self.t >= start) & (self.t <= end)
        return Traces(*(getattr(self, f.name)[inside] for f in fields(self)))


@dataclass(frozen=True, slots=True)
class Pulses:
    """One row a pulse; every array has the same length, SI units.

    In a long run only every ``stride``-th pulse has a row; sums and extremes count them all.

    Attributes:
        t: instant at which the switch closes [s]; T: time until the next pulse [s].
        t_on: on time [s]; t_dem: time for which the secondary conducts [s].
        I_v: magnetising current as the switch closes [A].
        I_off: primary current as the switch opens [A].
        I_pk: peak of the magnetising current [A].
        v_bulk, v_out, v_clamp: bulk, output and clamp voltage as the switch closes [V].
        command: command current of the pulse [A].
        i_line: mains current as the switch closes [A].
    """

    t: Array
    T: Array
    t_on: Array
    t_dem: Array
    I_v: Array
    I_off: Array
    I_pk: Array
    v_bulk: Array
    v_out: Array
    v_clamp: Array
    command: Array
    i_line: Array
    stride: int = 1


SMALL_PULSE = 1e-6
"""Energy of a small pulse [J]."""


@dataclass(frozen=True, slots=True)
class Energy:
    """Where the energy of a run went [J].

    Attributes:
        source: taken from the mains or the bench supply.
        load: given to the load.
        losses: by part, in the order that power flows.
        stored: what the run's end holds more than its start, all capacitors and inductors together.
        bulk: taken from the bulk by the primary.
    """

    source: float
    load: float
    losses: Mapping[str, float]
    stored: float
    bulk: float

    @property
    def residual(self) -> float:
        """Energy put in that is found nowhere, as a share of it; rounding only.

        Where nothing is put in, as a share of what the capacitors gave or the load took, or of a
        small pulse.
        """
        spent = self.load + sum(self.losses.values()) + self.stored
        put_in = max(abs(self.source), abs(self.bulk), abs(self.load), abs(self.stored), SMALL_PULSE)
        return (self.source - spent) / put_in

    @property
    def from_bulk(self) -> Energy:
        """The same from the bulk on: for stretches in which the mains gives what it happens to."""
        before = {part: lost for part, lost in self.losses.items() if part in BEFORE_BULK}
        into_bulk = self.source - sum(before.values()) - self.bulk
        after = {part: lost for part, lost in self.losses.items() if part not in BEFORE_BULK}
        return Energy(self.bulk, self.load, after, self.stored - into_bulk, self.bulk)


BEFORE_BULK = ("mains rectifier and series resistance", "bulk capacitor ESR")
"""Parts whose losses fall before the primary takes its share."""


@dataclass(frozen=True, slots=True)
class Figures:
    """Key values over the measured part of a run; SI units; NaN where nothing was measured.

    Attributes:
        start, end: the part of the run they stand for [s].
        pulses: number of pulses begun in it.
        V_valley, V_crest, V_mean: lowest, highest and mean bulk voltage [V].
        I_pk: mean over the pulses of the magnetising peak [A]; I_pk_max, I_pk_min: its extremes [A].
        P_line: power from the mains (the bench supply) [W]; P_in: power from the bulk [W].
        P_o: power of the load [W]; V_o, I_o: mean output voltage [V] and load current [A].
        I_p_rms, I_s_rms, I_c_rms: rms of primary, secondary and output capacitors' current [A].
        V_ripple: output ripple at the switching frequency, peak to peak, without ringing: the largest
            of any one cycle [V].
        V_swing: highest less lowest output voltage, with all that is in it [V].
        V_ds: highest drain voltage [V].
        I_line: highest mains current [A]; I_line_rms: its rms [A].
        f_s: mean pulse rate [Hz].
    """

    start: float
    end: float
    pulses: int
    V_valley: float
    V_crest: float
    V_mean: float
    I_pk: float
    I_pk_max: float
    I_pk_min: float
    P_line: float
    P_in: float
    P_o: float
    V_o: float
    I_o: float
    I_p_rms: float
    I_s_rms: float
    I_c_rms: float
    V_ripple: float
    V_swing: float
    V_ds: float
    I_line: float
    I_line_rms: float
    f_s: float

    @property
    def eta(self) -> float:
        """Load power over the power taken from the bulk."""
        return self.P_o / self.P_in


@dataclass(frozen=True, slots=True)
class Run:
    """One simulation.

    Attributes:
        fidelity: "cycle" or "full".
        traces: waveforms of the recorded part; None where none was asked for.
        pulses: a row a pulse of the measured part.
        figures: key values of the measured part.
        energy: where the energy of the measured part went.
        state: the state at the end, from which another run can go on.
        finished: False where the run had to end early; what there is, is here.
        notices: what happened, in words, such as a stop by the overload timer.
    """

    fidelity: str
    traces: Traces | None
    pulses: Pulses
    figures: Figures
    energy: Energy
    state: State
    finished: bool
    notices: tuple[str, ...]


class Simulation(Protocol):
    """How both fidelities are called: follow a converter from a state.

    The run ends with the first pulse that would begin after the span, and is measured from the first
    pulse that begins after ``measure_from``.

    Args:
        span: how long [s].
        measure_from: instant from which figures, rows and energy count [s]; the state's if None.
        trace: window in which waveforms are recorded [s].
        most_rows: most pulses that get a row each; in longer runs every n-th does.
        progress: called now and then with the share that is done.
    """

    def __call__(
        self,
        converter: Converter,
        load: Load,
        state: State,
        *,
        span: float,
        measure_from: float | None = None,
        trace: tuple[float, float] | None = None,
        most_rows: int = 20000,
        progress: Callable[[float], None] | None = None,
    ) -> Run: ...
