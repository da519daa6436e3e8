"""The fidelity "cycle" between its pulses: where the circuit stands, and stretches without a pulse."""

from __future__ import annotations

import math
from dataclasses import dataclass

from flyback.analysis.waveforms.converter import OPEN, Converter
from flyback.analysis.waveforms.cycle_parts import (
    Catch,
    Charge,
    Crest,
    Deliver,
    Draw,
    Emf,
    Fill,
    Follow,
    Rise,
    catching,
    charging,
    cresting,
    delivering,
    drawing,
    emf,
    filling,
    following,
    output_esr,
    rising,
    with_resistance,
)
from flyback.analysis.waveforms.cycle_record import Drawn, Rows, Sums
from flyback.analysis.waveforms.load import Load
from flyback.analysis.waveforms.regulator import SKIPPED_WAIT
from flyback.analysis.waveforms.run import State

MAINS_STEPS = 100
"""Steps in half a mains period, at least."""

OUTPUT_STEPS = 20
"""Steps in the time in which the load would empty the output capacitors."""

UNSEEN = 1e-3
"""Output voltage below which its fall no longer sets the steps [V]."""

LONGEST_REST = 10e-3
"""Longest step without a pulse where nothing else sets it [s]."""


@dataclass(frozen=True, slots=True)
class Steps:
    """A converter and its load as the steps of `cycle_parts`.

    Attributes:
        held: True where the load (or nothing) holds the output voltage.
        per_C, R_esr: inverse of the output capacitance [1/F], and ESR [ohm]; zero for a held output.
        charge: None on a bench supply.
        mains_step: longest step of the mains [s].
    """

    converter: Converter
    load: Load
    held: bool
    per_C: float
    R_esr: float
    emf: Emf
    charge: Charge | None
    fill: Fill
    rise: Rise
    catch: Catch
    deliver: Deliver
    follow: Follow | None
    crest: Crest
    draw: Draw
    mains_step: float


def steps(converter: Converter, load: Load) -> Steps:
    """Everything about a converter and its load that stays the same."""
    held = load.kind == "voltage" or not converter.output
    per_C = 0.0 if held else 1.0 / sum(one.C for one in converter.output)
    R_esr = 0.0 if held else output_esr(converter)
    c = with_resistance(converter, R_esr)
    p, sec = c.primary, c.secondary
    on_mains = c.bulk is not None and c.feed.V_fixed is None
    return Steps(
        converter=c,
        load=load,
        held=held,
        per_C=per_C,
        R_esr=R_esr,
        emf=emf(c.feed),
        charge=charging(c.feed, c.bulk) if on_mains and c.bulk is not None else None,
        fill=filling(p, sec, R_esr),
        rise=rising(p, c.control, p.R_on + (0.0 if c.bulk is None else c.bulk.R_esr)),
        catch=catching(p, c.clamp),
        deliver=delivering(p, sec, R_esr, per_C),
        follow=following(p, sec, c.control, sec.R_f + sec.R_sec + R_esr),
        crest=cresting(R_esr, per_C),
        draw=(lambda t, v: 0.0) if held else drawing(load, R_esr),
        mains_step=1.0 / (2.0 * (c.feed.f_line or 50.0) * MAINS_STEPS),
    )


@dataclass(frozen=True, slots=True)
class Pause:
    """What is left of a period whose pulse is over [s], and what the regulator must yet be told of it."""

    left: float
    T: float
    area: float
    asked: float
    limit: float


@dataclass(slots=True)
class Place:
    """Where the circuit stands: the engine's working memory.

    Attributes:
        t: time [s].
        v: bulk [V]; i: magnetising current [A]; drain, clamp, out: their capacitances [V].
        off: how long the switch was open in the last period [s].
        T: length of that period, or a first guess [s].
        sag: half of what the last pulse took from the bulk voltage [V], to foresee the next one's.
        above: mean output voltage of the last period, a resistance's ESR drop added back, above that
            of the capacitance at its start [V], likewise.
        pause: the rest of a period that is long.
        stuck: why it cannot go on, in words.
    """

    t: float
    v: float
    i: float
    drain: float
    clamp: float
    out: float
    off: float = 0.0
    T: float = SKIPPED_WAIT
    sag: float = 0.0
    above: float = 0.0
    pause: Pause | None = None
    stuck: str | None = None


def place(s: Steps, state: State) -> Place:
    """Where a state is in this fidelity: the output capacitors are one, which has their charge."""
    c = s.converter
    if s.load.kind == "voltage":
        out = s.load.at(state.t)
    elif c.output:
        charge = sum(one.C * v for one, v in zip(c.output, state.v_out, strict=True))
        out = charge / sum(one.C for one in c.output)
    else:
        out = state.v_out[0]
    return Place(
        t=state.t,
        v=state.v_bulk if c.feed.V_fixed is None else c.feed.V_fixed,
        i=max(state.i_m, 0.0),
        drain=state.v_drain,
        clamp=state.v_clamp,
        out=out,
    )


def stored(s: Steps, before: Place, after: Place) -> float:
    """What all inductors and capacitors hold more after than before [J]."""
    c = s.converter

    def gain(size: float, was: float, now: float) -> float:
        return size * (now - was) * (now + was) / 2.0

    held = gain(c.primary.L_m, before.i, after.i) + gain(c.primary.C_d, before.drain, after.drain)
    if c.clamp.V_c is None:
        held += gain(c.clamp.C_cl, before.clamp, after.clamp)
    if s.charge is not None and c.bulk is not None:
        held += gain(c.bulk.C, before.v, after.v)
    if not s.held:
        held += gain(1.0 / s.per_C, before.out, after.out)
    return held


def rest(s: Steps, at: Place, sums: Sums, rows: Rows, T: float, drawn: bool) -> float:
    """A stretch without a pulse.

    Returns:
        The time integral of the output capacitance's voltage [V s].
    """
    rows.wait(T)
    end = at.t + T
    most = s.mains_step if drawn or not s.load.steady else LONGEST_REST
    area = 0.0
    while (left := end - at.t) > 0.0:
        step = min(left, most)
        # what is drawn may jump on the way
        falls = max(s.draw(at.t, at.out), s.draw(at.t + step, at.out)) * s.per_C
        if at.out > UNSEEN and falls > 0.0:
            step = min(step, at.out / falls / OUTPUT_STEPS)
        area += _still(s, at, sums, rows, step, drawn)
        at.t = end if step == left else at.t + step
    return area


def _still(s: Steps, at: Place, sums: Sums, rows: Rows, T: float, drawn: bool) -> float:
    """One step without a pulse."""
    c, t, v, out, clamp, I_v = s.converter, at.t, at.v, at.out, at.clamp, at.i
    i_load = s.draw(t + T / 2.0, max(out - s.draw(t, out) * T * s.per_C / 2.0, 0.0))
    e = c.secondary.V_f + out - s.R_esr * i_load
    # a pulse that was to be followed by another may have left something in the field
    Q, S, t_dem, _, t_gain, heat = s.deliver(I_v, 0.0, 0.0, e, i_load, 0.0, 0.0, OPEN)
    gained = out + s.per_C * (Q - i_load * t_gain)
    after = out + s.per_C * (Q - i_load * T)
    area = ((out + gained) * t_gain + (gained + after) * (T - t_gain)) / 2.0
    at_load = area + s.R_esr * (Q - i_load * T)
    sums.time += T
    sums.core += heat
    sums.sec_q += Q
    sums.sec_S += S
    sums.v_out += at_load
    if s.held:
        sums.load_q += Q
        sums.load_E += out * Q
    else:
        sums.load_q += i_load * T
        sums.load_E += i_load * at_load
        sums.store_S += S - i_load * (2.0 * Q - i_load * T)
    low, high = sorted((out, gained, after))[::2]
    sums.out_low = min(sums.out_low, low - s.R_esr * i_load)
    sums.out_high = max(sums.out_high, high - s.R_esr * i_load)
    # the drain rings down to the bulk and then follows it
    lift = v - at.drain
    taken = v * c.primary.C_d * lift
    sums.taken += taken
    sums.ringing += c.primary.C_d * lift * lift / 2.0
    at.clamp = decayed(s, sums, clamp, T)
    opened = at.v
    if s.charge is not None and c.bulk is not None:
        opened = math.sqrt(max(v * v - 2.0 * taken / c.bulk.C, 0.0))
        at.v = charged(s, sums, t, opened, T)
    sums.v_bulk += (opened + at.v) / 2.0 * T
    sums.bulk_low = min(sums.bulk_low, opened, at.v)
    sums.bulk_high = max(sums.bulk_high, v, at.v)
    sums.drain_high = max(sums.drain_high, v, at.drain)
    at.drain, at.i, at.sag, at.above = v, 0.0, 0.0, 0.0
    at.out = s.load.at(t + T) if s.load.kind == "voltage" else after
    if drawn:
        V_r = c.secondary.n * (c.secondary.V_f + out) if I_v > 0.0 else 0.0
        rows.drawn.append(
            Drawn(
                *(t, T, 0.0, 0.0, 0.0, 0.0, min(t_dem, T)),
                *(I_v, 0.0, 0.0, 0.0, 0.0, 0.0, c.secondary.n * I_v),
                *(v, opened, at.v, v, v + V_r, v + V_r, v + V_r, v, V_r, V_r),
                *(clamp, clamp, at.clamp, out, out, gained, after),
                *(i_load, line_current(s, t, v), line_current(s, t + T, at.v)),
            )
        )
    return area


def decayed(s: Steps, sums: Sums, v: float, T: float) -> float:
    """Voltage to which its resistor empties the clamp capacitor in a time [V]."""
    clamp = s.converter.clamp
    if clamp.V_c is not None:
        return v
    after = v * math.exp(-T / (clamp.R_cl * clamp.C_cl))
    sums.clamp += clamp.C_cl * (v * v - after * after) / 2.0
    return after


def charged(s: Steps, sums: Sums, t: float, v: float, T: float) -> float:
    """Bulk voltage after the mains has charged it for a time that may be long [V]."""
    assert s.charge is not None
    count = math.ceil(T / s.mains_step)
    step = T / count
    u = s.emf(t)
    for k in range(1, count + 1):
        u, before = s.emf(t + k * step), u
        if before > v or u > v:
            v, q, S, E, i_top = s.charge(v, before, u, step)
            sums.line_q += q
            sums.line_S += S
            sums.line_E += E
            sums.line_high = max(sums.line_high, i_top)
            sums.bulk_high = max(sums.bulk_high, v)
        sums.bulk_low = min(sums.bulk_low, v)
    return v


def line_current(s: Steps, t: float, v: float) -> float:
    """Mains current at an instant and a bulk voltage, negative in every other half period [A]."""
    if s.charge is None or s.converter.bulk is None:
        return 0.0
    current = max(s.emf(t) - v, 0.0) / (s.converter.feed.R_charge + s.converter.bulk.R_esr)
    return current * direction(s, t)


def direction(s: Steps, t: float) -> float:
    """Which way the mains drives at an instant: 1 or -1."""
    f_line = s.converter.feed.f_line or 0.0
    return math.copysign(1.0, math.cos(2.0 * math.pi * f_line * t))
