"""What the fidelity "cycle" counts while it runs, and the results made of that in the end."""

from __future__ import annotations

import math
from dataclasses import dataclass, fields
from typing import Any, NamedTuple

import numpy as np

from flyback.analysis.waveforms.converter import Converter
from flyback.analysis.waveforms.cycle_parts import output_esr
from flyback.analysis.waveforms.run import Array, Energy, Figures, Pulses, Traces
from flyback.analysis.waveforms.stage import LOSSES

Row = tuple[float, ...]


@dataclass(slots=True)
class Sums:
    """Sums and extremes over the measured part, SI units.

    Attributes:
        time, pulses, I_pk: length, number of pulses, and the sum of their magnetising peaks.
        v_bulk, v_out: time integrals of bulk and (terminal) output voltage.
        line_q, line_S, line_E: charge, integral of the squared current and energy from the mains' emf.
        taken: energy taken from the bulk's capacitance (the bench supply).
        pri_q, pri_S: charge and integral of the squared current of the switch.
        fill_S: the same square while the leakage fills, in which resistances are left out.
        closing, ringing, core, clamp: energies lost.
        sec_q, sec_S: charge and integral of the squared secondary current.
        store_S: integral of the output capacitors' squared current.
        load_q, load_E: charge and energy given to the load.
        bulk_high, bulk_low, I_pk_high, I_pk_low, out_high, out_low, drain_high, line_high: extremes.
        ripple: largest rise of the output voltage within a pulse.
    """

    time: float = 0.0
    pulses: int = 0
    I_pk: float = 0.0
    v_bulk: float = 0.0
    v_out: float = 0.0
    line_q: float = 0.0
    line_S: float = 0.0
    line_E: float = 0.0
    taken: float = 0.0
    pri_q: float = 0.0
    pri_S: float = 0.0
    fill_S: float = 0.0
    closing: float = 0.0
    ringing: float = 0.0
    core: float = 0.0
    clamp: float = 0.0
    sec_q: float = 0.0
    sec_S: float = 0.0
    store_S: float = 0.0
    load_q: float = 0.0
    load_E: float = 0.0
    bulk_high: float = -math.inf
    bulk_low: float = math.inf
    I_pk_high: float = -math.inf
    I_pk_low: float = math.inf
    out_high: float = -math.inf
    out_low: float = math.inf
    ripple: float = 0.0
    drain_high: float = -math.inf
    line_high: float = 0.0


def energy(c: Converter, s: Sums, stored: float) -> Energy:
    """Where the energy went."""
    p, sec = c.primary, c.secondary
    R_bulk = 0.0 if c.bulk is None else c.bulk.R_esr
    losses = {
        LOSSES["line +"]: c.feed.V_bridge * s.line_q + c.feed.R_charge * s.line_S,
        LOSSES["bulk"]: R_bulk * (s.pri_S + s.line_S),
        LOSSES["primary"]: p.R_pri * s.pri_S,
        LOSSES["core"]: s.core + s.ringing,
        LOSSES["switch"]: p.R_switch * s.pri_S + p.V_sat * s.pri_q + s.closing,
        "sense resistor": p.R_s * s.pri_S,
        LOSSES["clamp diode"]: s.clamp,
        LOSSES["secondary"]: sec.R_sec * s.sec_S,
        LOSSES["rectifier"]: sec.V_f * s.sec_q + sec.R_f * s.sec_S,
        "output capacitor ESR": output_esr(c) * s.store_S,
    }
    source = s.taken if c.feed.V_fixed is not None else s.line_E + c.feed.V_bridge * s.line_q
    return Energy(source, s.load_E, losses, stored, bulk=s.taken - R_bulk * s.pri_S)


def figures(start: float, end: float, s: Sums, spent: Energy) -> Figures:
    """Key values of the measured part."""
    T, count = s.time, s.pulses
    if T <= 0.0:
        return Figures(start, end, 0, *[math.nan] * (len(fields(Figures)) - 3))
    return Figures(
        start=start,
        end=end,
        pulses=count,
        V_valley=s.bulk_low,
        V_crest=s.bulk_high,
        V_mean=s.v_bulk / T,
        I_pk=s.I_pk / count if count else math.nan,
        I_pk_max=s.I_pk_high if count else math.nan,
        I_pk_min=s.I_pk_low if count else math.nan,
        P_line=spent.source / T,
        P_in=spent.bulk / T,
        P_o=s.load_E / T,
        V_o=s.v_out / T,
        I_o=s.load_q / T,
        I_p_rms=math.sqrt((s.pri_S + s.fill_S) / T),
        I_s_rms=math.sqrt(s.sec_S / T),
        I_c_rms=math.sqrt(max(s.store_S, 0.0) / T),
        V_ripple=s.ripple,
        V_swing=s.out_high - s.out_low,
        V_ds=s.drain_high,
        I_line=s.line_high,
        I_line_rms=math.sqrt(s.line_S / T),
        f_s=count / T,
    )


# --- a row a pulse --------------------------------------------------------------------------------


class Rows:
    """A row a pulse, thinned out so that no more than ``most`` are held; and what is to be drawn.

    Attributes:
        kept: the rows, in the order of `run.Pulses`.
        stride: every so many pulses one is kept.
        due: pulses until the next one that is kept; below one until `begin`.
        drawn: every pulse of the traced window.
    """

    __slots__ = ("_most", "drawn", "due", "kept", "stride")

    def __init__(self, most: int) -> None:
        self._most = max(most, 1)
        self.kept: list[Row] = []
        self.drawn: list[Drawn] = []
        self.stride = 1
        self.due = 0

    def begin(self) -> None:
        """Keep rows from here on."""
        self.due = 1

    def keep(self, row: Row) -> int:
        """Keep a row; gives the number of pulses until the next."""
        self.kept.append(row)
        stride = self.stride
        if len(self.kept) > self._most:
            del self.kept[1::2]
            self.stride *= 2
            # where the last row went too, the next pulse that is due comes a stride earlier
            return stride if self._most % 2 else self.stride
        return stride

    def wait(self, T: float) -> None:
        """The next pulse begins later by a stretch without one [s]."""
        if self.kept and self.due == self.stride:
            t, before, *rest = self.kept[-1]
            self.kept[-1] = (t, before + T, *rest)

    def pulses(self) -> Pulses:
        """The rows as columns."""
        names = [f.name for f in fields(Pulses) if f.name != "stride"]
        columns = np.array(self.kept).T if self.kept else np.empty((len(names), 0))
        return Pulses(**dict(zip(names, columns, strict=True)), stride=self.stride)


# --- waveforms ------------------------------------------------------------------------------------


class Drawn(NamedTuple):
    """A pulse, or a stretch without one, that is to be drawn; SI units, times counted from ``t``.

    Attributes:
        t, T: start and length.
        t_fill, t_on: until the leakage was filled, and until the switch opened.
        t_lift, t_reset, t_dem: how long the drain was lifted, the leakage reset, the field emptied.
        I_v, I_0, I_off, I_pk, I_1, I_end: magnetising current at the start, after filling, as the switch
            opens, at its peak, with the drain lifted, and at the end; I_s_pk: secondary peak.
        v_bulk, v_opened, v_after: bulk at the start, as the switch opens, and at the end; v_used: as the
            primary saw it.
        closing, on_first, on_last, drain: drain before it closes, while on first and last, at the end.
        V_r, top: reflected voltage without current and highest drain voltage, both above the bulk.
        clamp, caught, clamp_after: clamp capacitor at the start, after the reset, and at the end.
        out, opened, gained, out_after: output capacitance at the start, as the switch opens, after the
            field has emptied, and at the end.
        i_load, i_line, i_line_after: load current, mains current at start and end.
    """

    t: float
    T: float
    t_fill: float
    t_on: float
    t_lift: float
    t_reset: float
    t_dem: float
    I_v: float
    I_0: float
    I_off: float
    I_pk: float
    I_1: float
    I_end: float
    I_s_pk: float
    v_bulk: float
    v_opened: float
    v_after: float
    v_used: float
    closing: float
    on_first: float
    on_last: float
    drain: float
    V_r: float
    top: float
    clamp: float
    caught: float
    clamp_after: float
    out: float
    opened: float
    gained: float
    out_after: float
    i_load: float
    i_line: float
    i_line_after: float


FALL = (0.0, 1 / 4, 1 / 2, 3 / 4, 1.0)
"""Points of the fall of the secondary current, along which it and the output voltage are bent."""


def traces(c: Converter, drawn: list[Drawn], window: tuple[float, float]) -> Traces:
    """The waveforms of the pulses in a window, by their corners."""
    if not drawn:
        return Traces(*np.empty((len(fields(Traces)), 0)))
    d = Drawn(*np.array(drawn).T)
    n, R_esr = c.secondary.n, output_esr(c)
    per_C = 1.0 / sum(one.C for one in c.output) if c.output else 0.0
    R_seen = n * (R_esr + c.secondary.R_f + c.secondary.R_sec)
    none = np.zeros(len(drawn))
    lifted = d.t_on + d.t_lift
    caught, ended = lifted + d.t_reset, lifted + d.t_dem
    reflected, peak, last = d.v_used + d.V_r, d.v_used + d.top, n * d.I_end
    corners: list[Array] = []

    def corner(t: Any, i_pri: Any, i_sec: Any, v_drain: Any, v_cap: Any, v_clamp: Any) -> None:
        since = np.maximum(t - d.t_on, 0.0) / np.maximum(d.T - d.t_on, 1e-15)
        v_bulk = np.where(t < d.t_on, d.v_bulk, d.v_opened + since * (d.v_after - d.v_opened))
        v_out = v_cap + R_esr * (i_sec - d.i_load)
        i_line = d.i_line + t / d.T * (d.i_line_after - d.i_line)
        corners.append(np.array([d.t + t, i_pri, i_sec, v_drain, v_bulk, v_out, v_clamp, i_line]))

    corner(none, none, n * d.I_v, d.closing, d.out, d.clamp)
    corner(none, none, n * d.I_v, d.on_first, d.out, d.clamp)
    corner(d.t_fill, d.I_0, none, d.on_first, d.out, d.clamp)
    corner(d.t_on, d.I_off, none, d.on_last, d.opened, d.clamp)
    at_bulk = d.t_on + d.t_lift * d.v_used / np.maximum(reflected, 1e-9)
    corner(at_bulk, d.I_pk, none, d.v_used, d.opened, d.clamp)
    corner(lifted, d.I_1, none, reflected, d.opened, d.clamp)
    corner(lifted, d.I_1, none, peak, d.opened, d.clamp)
    corner(caught, none, d.I_s_pk, peak, d.opened, d.caught)
    # resistances and the rising output bend the fall, as `cycle_parts.delivering` has it
    x, w = n * R_seen / c.primary.L_m * d.t_dem, per_C * (n * d.t_dem) ** 2 / c.primary.L_m
    sag = (d.I_s_pk - last) * (6.0 * x / (12.0 + 2.0 * x) - w / 4.0)
    bow = (d.I_s_pk - last) * (ended - caught) * per_C / 2.0
    for share in FALL:
        bent = share * (1.0 - share)
        i_sec = d.I_s_pk + share * (last - d.I_s_pk) - bent * sag
        v_cap = d.opened + share * (d.gained - d.opened) + bent * bow
        corner(caught + share * (ended - caught), none, i_sec, reflected + R_seen * i_sec, v_cap, d.caught)
    rest = np.where(d.I_end > 0.0, reflected + R_seen * last, d.drain)
    corner(ended, none, last, rest, d.gained, d.caught)
    corner(d.T, none, last, rest, d.out_after, d.clamp_after)
    # one pulse after the other, each with its corners in order
    columns = np.stack(corners, axis=2).reshape(len(fields(Traces)), -1)
    return Traces(*columns).between(*window)
