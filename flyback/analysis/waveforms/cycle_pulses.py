"""The fidelity "cycle" pulse after pulse: the one loop in which its time goes.

Everything a pulse needs is a local variable before the loop begins, and the loop follows one period from
the switch closing to its closing again.
"""

from __future__ import annotations

import math

from flyback.analysis.waveforms.converter import OPEN
from flyback.analysis.waveforms.cycle_parts import LEAST_DROP
from flyback.analysis.waveforms.cycle_record import Drawn, Rows, Sums
from flyback.analysis.waveforms.cycle_rest import Pause, Place, Steps, charged, direction, line_current
from flyback.analysis.waveforms.regulator import LONGEST_ON, Regulator

INSTANT = 1e-8
"""Too short to count [s]: clock periods add up inexactly, and no period is shorter."""

EMPTIES = 0.7
"""Longest on time that a pulse at a constant bulk voltage stands for, as a share of sqrt(L_p C_bulk)."""

CLOCKED = ("fixed-frequency peak current", "on/off")


def pulses(
    steps: Steps, at: Place, regulator: Regulator, sums: Sums, rows: Rows, until: float, drawn: bool
) -> None:
    """Pulse after pulse, until the time is up or the next one may not begin at once."""
    # the circuit
    s, c = sums, steps.converter
    p, sec, control, bulk, load = c.primary, c.secondary, c.control, c.bulk, steps.load
    fill, rise, catch, deliver, crest = steps.fill, steps.rise, steps.catch, steps.deliver, steps.crest
    draw, emf, charge, follow = steps.draw, steps.emf, steps.charge, steps.follow
    sqrt, exp = math.sqrt, math.exp
    n, V_f, R_esr, per_C, held = sec.n, sec.V_f, steps.R_esr, steps.per_C, steps.held
    moving = load.kind == "voltage" and not load.steady
    # a resistance is solved together with the ESR before it, see `drawing`
    R_before = R_esr if load.kind == "resistance" else 0.0
    C_d, C_per_L, g_core = p.C_d, p.C_d / p.L_p, 1.0 / p.R_core
    R_reset = n * n * (sec.R_f + sec.R_sec + R_esr) / 3.0
    per_bulk = 2.0 / bulk.C if charge is not None and bulk is not None else 0.0
    mains_step = steps.mains_step
    per_tau = half_C_cl = 0.0
    if c.clamp.V_c is None:
        per_tau, half_C_cl = 1.0 / (c.clamp.R_cl * c.clamp.C_cl), c.clamp.C_cl / 2.0
    # the controller
    limit_of, skips, asked_of, advance = (
        regulator.limit,
        regulator.skips,
        regulator.asked,
        regulator.advance,
    )
    T = at.T if control.family not in CLOCKED or control.f_s is None else 1.0 / control.f_s
    at_trough = control.family in ("valley switching", "self-oscillating")
    longest = control.D_max * T if follow is None else LONGEST_ON
    if per_bulk:
        longest = min(longest, EMPTIES * sqrt(2.0 * p.L_p / per_bulk))
    longest_of_all = longest
    share_of_off = OPEN
    if control.family == "self-oscillating" and control.D_max < 1.0:
        share_of_off = control.D_max / (1.0 - control.D_max)
    emptying, delayed = p.L_m / n / (control.d_dem or 1.0), control.t_delay / p.L_p
    fades = exp(-T * per_tau)
    # where it stands
    t, v, i, drain, clamp, out = at.t, at.v, at.i, at.drain, at.clamp, at.out
    sag, above, off, fed = at.sag, at.above, at.off, 0.0
    u = u_next = emf(t)
    due = rows.due
    last = until - INSTANT
    while t < last:
        # what the controller asks for, and what the load draws: no more than is there
        limit = limit_of(t, v)
        if skips(out, limit):
            break
        asked = asked_of(out, limit)
        if share_of_off < OPEN and off > 0.0:
            longest = min(share_of_off * off, longest_of_all)
        i_load = draw(t, out + above)
        if per_C:
            if follow is None:
                most = abs(out) / (2.0 * T * per_C)
            else:
                # the field empties against what is left of the output: with half of it in so long
                T = max(T, emptying * (asked + delayed * v) / max(V_f + out / 2.0, V_f, LEAST_DROP))
                most = abs(out) / (2.0 * R_esr + T * per_C)
            if i_load - fed > most:
                i_load = fed + most
            elif out < 0.0 and i_load - fed < -most:
                i_load = fed - most
        v_used = v - sag if 8.0 * sag < v else v
        e = V_f + out - R_esr * i_load

        # the switch closes; in continuous conduction the leakage fills first
        if i > 0.0:
            I_0, t_fill, taken, before, given, S_s = fill(v_used, i, e)
        else:
            I_0 = t_fill = taken = before = given = S_s = 0.0

        # the current rises until the switch opens
        t_on, I_off, Q, S = rise(v_used, I_0, t_fill, asked - v_used * g_core, longest)
        q_core = v_used * g_core * t_on
        opened = out - i_load * t_on * per_C
        foot = opened - R_esr * i_load
        e = V_f + foot

        # the drain rises to the bulk, still fed by it, and to the reflected voltage, out of the field
        V_r = n * e
        I_pk_2 = I_off * I_off + C_per_L * v_used * v_used
        I_pk = sqrt(I_pk_2)
        I_1_2 = I_pk_2 - C_per_L * V_r * V_r
        if I_1_2 > 0.0:
            I_1 = sqrt(I_1_2)
            V_reset = V_r + R_reset * I_1
            I_1, q, caught, top, heat, rung, t_reset = catch(I_1, V_reset, clamp)
        else:
            # the field is too small to lift it so far
            I_1 = q = V_reset = heat = rung = t_reset = 0.0
            V_r = top = I_pk / sqrt(C_per_L) if C_per_L > 0.0 else 0.0
            caught = clamp
        lifted = v_used + V_r
        t_lift = C_d * lifted / I_pk if I_pk > 0.0 else 0.0
        t_end = t_on + t_lift

        # the field empties into the output, and when that has ended or before, the next period begins
        pause = 0.0
        if follow is None:
            Q_s, S_dem, t_dem, I_end, t_gain, lost = deliver(
                I_1, q, V_reset, e, i_load, before, given, T - t_end
            )
            drain_next = v_used if I_end == 0.0 else lifted
        else:
            Q_s, S_dem, t_dem, I_end, t_gain, lost = deliver(
                I_1, q, V_reset, e, i_load, before, given, OPEN
            )
            t_end = max(t_end + t_dem, INSTANT)
            T = follow(regulator.shortest_period(out), t_end, t_dem, e)
            drain_next = max(v_used - V_r, 0.0) if at_trough else v_used
            off = T - t_on
            if T - t_end > mains_step:
                # a long wait is a stretch of its own, at whose end the drain rings no more
                pause, T, drain_next = T - t_end, t_end, v_used
            fades = exp(-T * per_tau)
        Q_s += before
        S_s += S_dem
        faded = caught * fades

        # output
        gained = opened + per_C * (Q_s - i_load * t_gain)
        after = out + per_C * (Q_s - i_load * T)
        area = (
            (out + opened) * t_on + (opened + gained) * t_gain + (gained + after) * (T - t_on - t_gain)
        ) / 2.0
        at_load = area + R_esr * (Q_s - i_load * T)
        above = at_load / T - out + R_before * i_load
        fed = Q_s / T
        I_s_pk = ripple = 0.0
        if t_dem > t_reset:
            I_s_pk = n * (I_1 - (I_1 - I_end) * t_reset / t_dem)
            ripple = crest(I_s_pk, n * I_end, t_reset, t_dem - t_reset, i_load)

        # bulk and mains
        taken += v_used * (Q + q_core + C_d * drain_next)
        v_opened = v_next = v
        line_q = s.line_q
        if per_bulk and charge is not None:
            squared = v * v - per_bulk * taken
            if squared < 0.0:
                at.stuck = f"{1e3 * t:.4g} ms: one pulse would empty the bulk; the board cannot start"
                break
            v_opened = v_next = sqrt(squared)
            sag = (v - v_opened) / 2.0
            u_next = emf(t + T)
            if mains_step < T:
                v_next = charged(steps, s, t, v_opened, T)
            elif u > v_opened or u_next > v_opened:
                v_next, q_line, S_line, E_line, i_top = charge(v_opened, u, u_next, T)
                s.line_q += q_line
                s.line_S += S_line
                s.line_E += E_line
                if i_top > s.line_high:
                    s.line_high = i_top

        # count it
        s.pulses += 1
        s.time += T
        s.taken += taken
        s.pri_q += Q
        s.pri_S += S
        s.fill_S += I_0 * I_0 * t_fill / 3.0
        s.closing += C_d * drain * drain / 2.0
        s.ringing += rung + C_d * (lifted - drain_next) * ((lifted + drain_next) / 2.0 - v_used)
        s.core += lost + v_used * q_core
        s.clamp += heat + half_C_cl * (caught * caught - faded * faded)
        s.sec_q += Q_s
        s.sec_S += S_s
        s.v_bulk += (v_opened + v_next) * T / 2.0
        s.v_out += at_load
        s.I_pk += I_pk
        if held:
            s.load_q += Q_s
            s.load_E += out * Q_s
        else:
            s.load_q += i_load * T
            s.load_E += i_load * at_load
            s.store_S += S_s - i_load * (2.0 * Q_s - i_load * T)
        if I_pk > s.I_pk_high:
            s.I_pk_high = I_pk
        if I_pk < s.I_pk_low:
            s.I_pk_low = I_pk
        if v_opened < s.bulk_low:
            s.bulk_low = v_opened
        if v_next > s.bulk_high:
            s.bulk_high = v_next
        if foot < s.out_low:
            s.out_low = foot
        if foot + ripple > s.out_high:
            s.out_high = foot + ripple
        if ripple > s.ripple:
            s.ripple = ripple
        if v_used + top > s.drain_high:
            s.drain_high = v_used + top
        due -= 1
        if due == 0:
            i_line = line_current(steps, t, v)
            due = rows.keep((t, T, t_on, t_dem, i, I_off, I_pk, v, out, clamp, asked, i_line))
        if drawn:
            R_low = p.R_switch + p.R_s
            # within a pulse the mains current follows the bulk's dips: its mean is drawn
            i_line = direction(steps, t) * (s.line_q - line_q) / T
            rows.drawn.append(
                Drawn(
                    *(t, T, t_fill, t_on, t_lift, t_reset, t_dem),
                    *(i, I_0, I_off, I_pk, I_1, I_end, I_s_pk, v, v_opened, v_next, v_used),
                    *(drain, p.V_sat + R_low * I_0, p.V_sat + R_low * I_off, drain_next, V_r, top),
                    *(clamp, caught, faded, out, opened, gained, after),
                    *(i_load, i_line, i_line),
                )
            )

        # go on
        t += T
        v, u, i, drain, clamp = v_next, u_next, I_end, drain_next, faded
        out = load.at(t) if moving else after
        if pause:
            at.pause = Pause(pause, T, area, asked, limit)
            break
        advance(t, T, area / T, asked, limit)
        if regulator.resume_at is not None:
            break
    at.t, at.v, at.i, at.drain, at.clamp, at.out = t, v, i, drain, clamp, out
    at.sag, at.above, at.off, at.T = sag, above, off, T
    rows.due = due
