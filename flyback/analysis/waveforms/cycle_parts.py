"""What each part of the power path does in one pulse, in closed form: the steps of the fidelity "cycle".

Each function here takes the circuit's values once and returns the step itself, a plain function of floats,
because the loop of `cycle_pulses` calls it a thousand times in a mains period. Every step keeps energy: the
integrals it returns are those of the very waveform whose end it returns.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

from flyback.analysis.waveforms.converter import (
    OPEN,
    Capacitor,
    Clamp,
    Control,
    Converter,
    Feed,
    Primary,
    Secondary,
)
from flyback.analysis.waveforms.load import Load

LEAST_RATE = 10.0
"""Least resistance in the path of an inductor, per inductance [1/s]: its exponential needs one."""

SMALL = 1e-3
"""Least resistance of the charging path [ohm]."""

LEAST_DROP = 1e-3
"""Least secondary voltage with which a conduction time is estimated [V]."""

NOTHING = 1e-100
"""Current whose square is below the smallest number: there is no field to empty [A]."""

NEWTON_STEPS = 30
"""Most steps in finding where a rising current meets a falling limit; about four are taken."""

TOOK_ALL = 0.98
"""Share of the field's energy above which the clamp is taken to have swallowed all of it."""

Rise = Callable[[float, float, float, float, float], tuple[float, float, float, float]]
Fill = Callable[[float, float, float], tuple[float, float, float, float, float, float]]
Catch = Callable[[float, float, float], tuple[float, float, float, float, float, float, float]]
Deliver = Callable[
    [float, float, float, float, float, float, float, float],
    tuple[float, float, float, float, float, float],
]
Crest = Callable[[float, float, float, float, float], float]
Follow = Callable[[float, float, float, float], float]
Emf = Callable[[float], float]
Charge = Callable[[float, float, float, float], tuple[float, float, float, float, float]]
Draw = Callable[[float, float], float]


def with_resistance(c: Converter, R_esr: float) -> Converter:
    """The converter with the least resistances its closed forms need, where it has less.

    Args:
        R_esr: what the secondary path has of the output capacitors [ohm].
    """
    p, s = c.primary, c.secondary
    primary = max(p.R_pri, LEAST_RATE * p.L_p - p.R_switch - p.R_s)
    rectifier = max(s.R_f, LEAST_RATE * p.L_m / s.n**2 - s.R_sec - R_esr)
    charging_path = max(c.feed.R_charge, SMALL - (0.0 if c.bulk is None else c.bulk.R_esr))
    return replace(
        c,
        primary=replace(p, R_pri=primary),
        secondary=replace(s, R_f=rectifier),
        feed=replace(c.feed, R_charge=charging_path),
    )


def output_esr(c: Converter) -> float:
    """ESR of all output capacitors in parallel [ohm]."""
    found = [capacitor.R_esr for capacitor in c.output]
    return 0.0 if not found or 0.0 in found else 1.0 / sum(1.0 / R for R in found)


# --- mains and bulk -------------------------------------------------------------------------------


def emf(feed: Feed) -> Emf:
    """Voltage behind the charging path over time: rectified mains less the diodes' drop [V]."""
    crest, omega, drop = math.sqrt(2.0) * (feed.V_ac or 0.0), math.tau * (feed.f_line or 0.0), feed.V_bridge
    cos = math.cos
    if feed.n_pulse == 1:
        return lambda t: crest * cos(omega * t) - drop
    return lambda t: abs(crest * cos(omega * t)) - drop


def charging(feed: Feed, bulk: Capacitor) -> Charge:
    """What the mains gives to the bulk, its voltage being a straight line over the step.

    Returns:
        ``(v, u_0, u_1, T) -> (v, q, S, E, i_top)``: bulk voltage, `emf` at start and end, and length of
        the step; then bulk voltage, charge, integral of the squared current, energy given by the `emf`,
        and highest current.
    """
    R, C = feed.R_charge + bulk.R_esr, bulk.C
    tau = R * C
    exp, log = math.exp, math.log

    def charge(v: float, u_0: float, u_1: float, T: float) -> tuple[float, float, float, float, float]:
        slope = (u_1 - u_0) / T
        w = u_0 - v
        if w < 0.0:
            # it begins when the mains has come up to the bulk
            T += w / slope
            u_0, w = v, 0.0
        steady = slope * tau
        A = w - steady
        x = exp(-T / tau)
        end = steady + A * x
        if end < 0.0:
            # it ends when the mains falls below the bulk
            x = -steady / A
            T = -tau * log(x)
            end = 0.0
        swept = A * tau * (1.0 - x)
        q = (steady * T + swept) / R
        S = (steady * steady * T + 2.0 * steady * swept + A * swept * (1.0 + x) / 2.0) / (R * R)
        moment = (steady * T * T / 2.0 + A * tau * (tau - x * (tau + T))) / R
        return v + q / C, q, S, u_0 * q + slope * moment, (w if w > end else end) / R

    return charge


# --- primary --------------------------------------------------------------------------------------


def filling(primary: Primary, secondary: Secondary, R_esr: float) -> Fill:
    """The leakage taking over the current from the secondary after the switch has closed.

    Returns:
        ``(v, i, e) -> (I_0, t_fill, taken, before, given, S)``: bulk voltage, magnetising current, and
        secondary voltage without current; then current both inductances end with, time, energy from the
        bulk, charge and energy of the secondary meanwhile, and integral of its squared current.
    """
    L_leak, L_m, n = primary.L_leak, primary.L_m, secondary.n
    R_mean = (secondary.R_f + secondary.R_sec + R_esr) * n * 2.0 / 3.0

    def fill(v: float, i: float, e: float) -> tuple[float, float, float, float, float, float]:
        if L_leak <= 0.0:
            return i, 0.0, 0.0, 0.0, 0.0, 0.0
        V_r = n * (e + R_mean * i)
        t_fill = i / ((v + V_r) / L_leak + V_r / L_m)
        I_0 = (v + V_r) * t_fill / L_leak
        before = n * i * t_fill / 2.0
        return I_0, t_fill, v * I_0 * t_fill / 2.0, before, e * before, before * n * i * 2.0 / 3.0

    return fill


def rising(primary: Primary, control: Control, R_path: float) -> Rise:
    """The on time, from the primary inductance carrying a current to the switch opening.

    Args:
        R_path: resistance of the whole path, the bulk's ESR included [ohm].

    Returns:
        ``(v, I_0, t_0, command, longest) -> (t_on, I_off, Q, S)``: bulk voltage, current at the start,
        when that was after the switch closed, command current and longest on time; then on time from
        the closing, current at the opening, charge and integral of the squared current.
    """
    V_sat, S_ramp, t_delay = primary.V_sat, control.S_ramp, control.t_delay
    rate = R_path / primary.L_p
    delayed = -math.expm1(-rate * t_delay)
    log1p, expm1 = math.log1p, math.expm1

    def rise(
        v: float, I_0: float, t_0: float, command: float, longest: float
    ) -> tuple[float, float, float, float]:
        top = (v - V_sat) / R_path
        room = top - I_0
        y = (command - I_0) / room if room > 0.0 else 1.0
        if S_ramp:
            t = _met(I_0, room, rate, command - S_ramp * t_0, S_ramp, longest - t_0)
            y = -expm1(-rate * t)
            t += t_delay
            z = y + (1.0 - y) * delayed
        elif y <= 0.0:
            t, z = t_delay, delayed
        elif y < 1.0:
            t = t_delay - log1p(-y) / rate
            z = y + (1.0 - y) * delayed
        else:
            t = OPEN
        if t_0 + t > longest:
            t = max(longest - t_0, 0.0)
            z = -expm1(-rate * t)
        if top <= 0.0:
            # the supply does not even reach the saturation voltage: nothing flows, nothing changes
            return t_0 + t, I_0, 0.0, 0.0
        swept = room * z
        Q = top * t - swept / rate
        S = top * top * t - (2.0 * top - room * (1.0 - z / 2.0)) * swept / rate
        return t_0 + t, I_0 + swept, Q, S

    return rise


def _met(I_0: float, room: float, rate: float, command: float, S_ramp: float, longest: float) -> float:
    """Time after which a rising current meets the command that falls with the slope compensation [s].

    The sum of both is concave, so that Newton's steps approach from below without overshooting.
    """
    t = 0.0
    for _ in range(NEWTON_STEPS):
        left = math.exp(-rate * t)
        missing = command - S_ramp * t - (I_0 + room * (1.0 - left))
        if missing <= 0.0:
            break
        pace = room * rate * left + S_ramp
        if pace <= 0.0:
            return longest
        step = missing / pace
        t += step
        if t > longest or step < 1e-13 * t:
            break
    return t


def catching(primary: Primary, clamp: Clamp) -> Catch:
    """What the clamp takes when the switch opens.

    The leakage first lifts the drain from reflected to clamp voltage, with what is left of its energy it
    drives current into the clamp; the part of that current which the secondary lacks meanwhile comes out
    of the field at the reflected voltage. The lifted drain then rings that energy away.

    Returns:
        ``(I_1, V_r, v_clamp) -> (I_1, q, v_clamp, top, heat, rung, t_reset)``: current of both
        inductances with the drain at the reflected voltage, that voltage, clamp capacitor; then current
        left in the field, charge into the clamp, clamp capacitor, highest drain voltage above the bulk,
        heat in the clamp's diode or suppressor, energy lost to ringing, and time of the reset.
    """
    L, L_p, C_d = primary.L_leak, primary.L_p, primary.C_d
    suppressor, V_c, V_d, R_d = clamp.V_c is not None, clamp.V_c or 0.0, clamp.V_d, clamp.R_d
    C_cl = OPEN if suppressor else clamp.C_cl
    C_both = C_cl + C_d
    share = 1.0 if suppressor else C_cl / C_both
    damping = 1.0 / primary.R_leak
    field = (L_p - L) / 2.0
    sqrt = math.sqrt

    def swallow(
        E: float, start: float, v_clamp: float, heat: float
    ) -> tuple[float, float, float, float, float, float, float]:
        """The clamp takes all the energy there is."""
        if suppressor:
            return 0.0, 0.0, v_clamp, start, heat + E, 0.0, 0.0
        rise = 2.0 * E / C_cl / (start + sqrt(start * start + 2.0 * E / C_cl))
        return 0.0, 0.0, v_clamp + rise, start + rise, heat + V_d * C_cl * rise, 0.0, 0.0

    def catch(
        I_1: float, V_r: float, v_clamp: float
    ) -> tuple[float, float, float, float, float, float, float]:
        start = (V_c if suppressor else v_clamp) + V_d
        lift = start - V_r
        heat = 0.0
        if lift < 0.0:
            # a clamp below the reflected voltage is filled out of the field first
            held, needed = L_p * I_1 * I_1 / 2.0, C_cl * -lift * (V_r + start) / 2.0
            if needed >= held:
                return swallow(held, start, v_clamp, heat)
            heat = V_d * C_cl * -lift
            I_1 = sqrt(I_1 * I_1 - 2.0 * needed / L_p)
            v_clamp -= lift
            start, lift = V_r, 0.0
        leak = L * I_1 * I_1 / 2.0
        left = leak - C_d * lift * lift / 2.0
        if left <= 0.0:
            reached = sqrt(2.0 * leak / C_d) if leak > 0.0 else 0.0
            return I_1, 0.0, v_clamp, V_r + reached, heat, leak, 0.0
        I_c = sqrt(2.0 * left / L)
        # the damping resistance across the leakage keeps some of its current from the clamp
        into = I_c - lift * damping
        if into <= 0.0:
            return I_1, 0.0, v_clamp, start, heat, leak, 0.0
        taken = L * into * into / 2.0
        slope = R_d * into * 2.0 / 3.0
        b = lift + slope
        q = 2.0 * taken / (b + sqrt(b * b + 2.0 * taken / C_both))
        rise = q / C_both
        stored = q * share
        if V_r * stored > TOOK_ALL * field * I_1 * I_1:
            return swallow(leak + field * I_1 * I_1, start, v_clamp, heat)
        above = lift + rise
        rung = C_d * above * above / 2.0 + left - taken
        heat += slope * q + (start * q if suppressor else V_d * stored)
        return I_1, stored, v_clamp + rise, start + max(rise, R_d * into), heat, rung, 2.0 * q / into

    return catch


# --- secondary ------------------------------------------------------------------------------------


def delivering(primary: Primary, secondary: Secondary, R_esr: float, per_C: float) -> Deliver:
    """What the field gives to the secondary after the switch has opened.

    The currents are straight lines but for the curvature that resistances and the rising output voltage
    give them, to first order. The charge follows from the energy, so that both are kept.

    Args:
        R_esr: ESR of all output capacitors together [ohm].
        per_C: the inverse of their capacitance [1/F]; zero for a held output.

    Returns:
        ``(I_1, q, V_r, e, i_load, before, given, t_free) -> (Q, S, t_dem, I_end, t_gain, heat)``:
        current in the field, charge the clamp takes from it and at what voltage, secondary voltage
        without current, load current, charge and energy that reached the secondary while the switch
        closed, and time until it closes again; then secondary charge and integral of the squared
        current, conduction time, magnetising current left at its end, the time over which the output
        capacitors are taken to gain, and core loss.
    """
    n, L_m = secondary.n, primary.L_m
    R = secondary.R_f + secondary.R_sec + R_esr
    rho, half, field = n * n * R / L_m, n * n * R / 2.0, L_m / 2.0
    a, g_core, mean = per_C / 2.0, 1.0 / primary.R_core, 2.0 / 3.0 * n
    squeeze, omega_2 = 4.0 / 3.0 * n * n * per_C * L_m, n * n * per_C / L_m
    sqrt = math.sqrt

    def deliver(
        I_1: float,
        q: float,
        V_r: float,
        e: float,
        i_load: float,
        before: float,
        given: float,
        t_free: float,
    ) -> tuple[float, float, float, float, float, float]:
        if I_1 <= NOTHING:
            return 0.0, 0.0, 0.0, 0.0, 0.0, given - before * (e + a * before)
        # about how long, from the volt-seconds
        V = max(n * e + half * I_1, n * LEAST_DROP)
        t = 2.0 * L_m * I_1 / (V + sqrt(V * V + squeeze * I_1 * I_1))
        V = L_m * I_1 / t
        E = field * I_1 * I_1 - V_r * q + given
        x = rho * t
        bend = x / (12.0 + 2.0 * x) - omega_2 * t * t / 24.0
        q_core = V * g_core * t
        heat = V * q_core
        e_mean = e - i_load * t * a
        drop = R * mean * max(I_1 - 2.0 * q / t, 0.0) * (1.0 - bend)
        left = E - heat - before * (e_mean + a * before)
        if left <= 0.0:
            return 0.0, 0.0, 0.0, 0.0, t, heat + left
        b = e_mean + 2.0 * a * before + drop
        Q = 2.0 * left / (b + sqrt(b * b + 4.0 * a * left))
        t_dem = (Q / n + q + q_core) / (I_1 * (0.5 - bend))
        if t_dem <= t_free:
            return Q, Q * drop / R, t_dem, 0.0, t, heat
        # continuous conduction: the switch closes first; the same relations with a current y left
        x = rho * t_free
        bend = x / (12.0 + 2.0 * x) - omega_2 * t_free * t_free / 24.0
        q_core = V * g_core * t_free
        spent = V * q_core
        r = min(2.0 * q / (I_1 * t_free), 1.0)
        e_mean = e - i_load * t_free * a
        Q_0 = n * (t_free * I_1 * (0.5 - bend) - q - q_core)
        Q_y = n * t_free * (0.5 + bend)
        S_0 = mean * I_1 * (1.0 - r) * (1.0 - bend) * Q_0
        S_y = n * n * t_free * (1.0 - r * r) * I_1 / 3.0
        S_yy = n * n * t_free * (1.0 / 3.0 + bend)
        total = Q_0 + before
        A = field + a * Q_y * Q_y + R * S_yy
        B = e_mean * Q_y + 2.0 * a * total * Q_y + R * S_y
        K = E - spent - e_mean * total - a * total * total - R * S_0
        if K <= 0.0:
            # on the boundary itself, where both modes are the same but for rounding
            return Q, Q * drop / R, t_free, 0.0, t, heat
        y = 2.0 * K / (B + sqrt(B * B + 4.0 * A * K))
        return Q_0 + Q_y * y, S_0 + (S_y + S_yy * y) * y, t_free, y, t_free, spent

    return deliver


def following(primary: Primary, secondary: Secondary, control: Control, R: float) -> Follow | None:
    """When the next pulse begins, for the families whose pulses follow the secondary's conduction.

    Args:
        R: resistance of the secondary path [ohm].

    Returns:
        ``(shortest, t_end, t_dem, e) -> T``: shortest period the controller allows, when the conduction
        ended, how long it took, and secondary voltage without current; then the period. None where a
        clock begins the pulses.
    """
    if control.family in ("valley switching", "self-oscillating"):
        trough = math.pi * math.sqrt(primary.L_p * primary.C_d)
        ceil = math.ceil

        def at_trough(shortest: float, t_end: float, t_dem: float, e: float) -> float:
            T = t_end + trough
            if shortest <= T:
                return T
            return T + ceil((shortest - T) / (2.0 * trough)) * 2.0 * trough if trough > 0.0 else shortest

        return at_trough
    if control.family == "primary-side constant current":
        I_th, share = control.I_th, control.d_dem or 1.0
        unseen = primary.L_m * I_th / (secondary.n * secondary.n)

        def at_share(shortest: float, t_end: float, t_dem: float, e: float) -> float:
            seen = t_dem - unseen / max(e + R * I_th / 2.0, LEAST_DROP) if t_dem > 0.0 else 0.0
            return max(seen / share, shortest, t_end)

        return at_share
    return None


def cresting(R_esr: float, per_C: float) -> Crest:
    """Highest output voltage while the secondary conducts, above the voltage before.

    Returns:
        ``(I_s_pk, I_s_end, t_reset, t_fall, i_load) -> rise``: secondary current after the reset and at
        the end, and times to and between them; terminal voltage above that with no secondary current [V].
    """

    def crest(I_s_pk: float, I_s_end: float, t_reset: float, t_fall: float, i_load: float) -> float:
        slope = (I_s_pk - I_s_end) / t_fall
        rise = R_esr * I_s_pk + per_C * (I_s_pk / 2.0 - i_load) * t_reset
        if per_C <= 0.0 or slope <= 0.0:
            return rise
        t_top = min((I_s_pk - i_load) / slope - R_esr / per_C, t_fall)
        if t_top <= 0.0:
            return rise
        return rise + per_C * (I_s_pk - i_load - slope * t_top / 2.0) * t_top - R_esr * slope * t_top

    return crest


def drawing(load: Load, R_esr: float = 0.0) -> Draw:
    """Load current over time and output voltage: `Load.current`, quicker where the load is steady.

    A resistance divides the voltage with the output capacitors' ESR, which may be the larger: its voltage
    is that of the capacitance. Any other load's is the terminal voltage.
    """
    if load.kind == "resistance":
        if load.steady:
            whole = R_esr + 1.0 / load.current(0.0, 1.0)
            return lambda t, v: v / whole
        return lambda t, v: v / (R_esr + 1.0 / load.current(t, 1.0))
    if not load.steady or load.kind == "voltage" or load.own:
        return load.current
    value, least = load.values[0], load.lets_go
    if load.kind == "current":
        return lambda t, v: value if v >= least else value * v / least
    return lambda t, v: value / v if v >= least else value * v / (least * least)
