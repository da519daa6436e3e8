"""Invented waveforms to draw and to print: drawn by hand from textbook shapes, no simulation behind them.

The numbers are those of the wall charger roughly; energy is made to add up where a test needs it.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from flyback.analysis.bulk import Line
from flyback.analysis.envelope import Curve, Envelope, Point
from flyback.analysis.waveforms.load import Load
from flyback.analysis.waveforms.run import Array, Energy, Figures, Pulses, Run, State, Traces
from flyback.analysis.waveforms.scene import Scene

T = 1 / 65e3
L_P, L_LEAK, C_D, N, V_F, ESR, C_O = 1e-3, 25e-6, 50e-12, 15.0, 0.45, 30e-3, 680e-6
V_SET, V_CLAMP = 5.05, 150.0


MAINS = Line(V_ac=230.0, f_line=50.0)
BENCH = Line(V_fixed=150.0)


def scene(run: Run | None = None, **changes: Any) -> Scene:
    """Two cycles at 2 A on 230 V, unless changed."""
    run = two_cycles() if run is None else run
    asked: dict[str, Any] = {
        "board_name": "Wall charger",
        "fidelity": run.fidelity,
        "line": MAINS,
        "load": Load.constant("current", 2.0),
        "V_o": V_SET,
        "run": run,
        "settled": True,
        "notices": (),
        "assumed": ("winding capacitance 40 pF: common practice, no source",),
    }
    return Scene(**(asked | changes))


def figures(traces: Traces, **changes: Any) -> Figures:
    """Key values to go with traces; those a drawing marks are taken from the traces."""
    values: dict[str, Any] = {
        "start": float(traces.t[0]),
        "end": float(traces.t[-1]),
        "pulses": round(float(traces.t[-1] - traces.t[0]) / T),
        "V_valley": float(traces.v_bulk.min()),
        "V_crest": float(traces.v_bulk.max()),
        "V_mean": float(traces.v_bulk.mean()),
        "I_pk": 0.6185,
        "I_pk_max": 0.6212,
        "I_pk_min": 0.6161,
        "P_line": 12.82,
        "P_in": 12.34,
        "P_o": 10.1,
        "V_o": 5.05,
        "I_o": 2.0,
        "I_p_rms": 0.1271,
        "I_s_rms": 3.781,
        "I_c_rms": 3.209,
        "V_ripple": 0.2471,
        "V_swing": float(np.ptp(traces.v_out)),
        "V_ds": float(traces.v_drain.max()),
        "I_line": float(np.abs(traces.i_line).max()),
        "I_line_rms": 0.1123,
        "f_s": 1 / T,
    }
    return Figures(**(values | changes))


def energy(seconds: float, **changes: Any) -> Energy:
    """12.82 W in, 10.1 W out, and losses that leave nothing over."""
    losses = {
        "mains rectifier and series resistance": 0.40,
        "bulk capacitor ESR": 0.08,
        "switch": 0.22,
        "clamp": 0.68,
        "transformer windings": 0.33,
        "output rectifier": 0.90,
        "output capacitors": 0.11,
    }
    values: dict[str, Any] = {
        "source": 12.82 * seconds,
        "load": 10.1 * seconds,
        "losses": {name: watts * seconds for name, watts in losses.items()},
        "stored": 0.0,
        "bulk": 12.34 * seconds,
    }
    return Energy(**(values | changes))


def run(traces: Traces, fidelity: str, **changes: Any) -> Run:
    seconds = float(traces.t[-1] - traces.t[0])
    empty = Pulses(*(np.array([]) for _ in range(12)))
    state = State(float(traces.t[-1]), 320.0, 0.0, 0.0, 320.0, 150.0, (5.05,), 0.3, 0.0)
    parts: dict[str, Any] = {
        "fidelity": fidelity,
        "traces": traces,
        "pulses": empty,
        "figures": figures(traces),
        "energy": energy(seconds),
        "state": state,
        "finished": True,
        "notices": (),
    }
    return Run(**(parts | changes))


def two_cycles(start: float = 40e-3, **changes: Any) -> Run:
    """Two discontinuous cycles with the ringing of leakage and of the demagnetised transformer."""
    t = np.linspace(0.0, 2 * T, 6001)
    phase = (t + 0.15 * T) % T
    V_in, V_r, I_pk = 321.0, N * (V_SET + V_F), 0.62
    t_on = I_pk * L_P / V_in
    reset = L_LEAK * I_pk / (V_CLAMP - V_r)
    t_dem = L_P * I_pk / V_r
    off = phase - t_on
    on, hand_over = phase < t_on, (off >= 0) & (off < reset)
    demagnetising, idle = (off >= reset) & (off < t_dem), off >= t_dem
    i_m = np.where(on, V_in / L_P * phase, np.maximum(I_pk - V_r / L_P * off, 0.0))
    i_leak = np.where(hand_over, I_pk * (1 - off / reset), 0.0)
    w_leak, w_idle = (1 / np.sqrt(L * C_D) for L in (L_LEAK, L_P))
    ring = np.exp(-(off - reset) / 0.45e-6) * np.cos(w_leak * (off - reset))
    idling = np.exp(-(off - t_dem) / 3e-6) * np.cos(w_idle * (off - t_dem))
    i_pri = np.where(on, i_m, i_leak) + np.where(demagnetising, 0.04 * ring, 0.0)
    i_sec = N * np.where(on | idle, 0.0, np.maximum(i_m - i_leak, 0.0))
    v_drain = np.select(
        [on, hand_over, demagnetising],
        [0.3 + 0 * t, V_in + V_CLAMP + 0 * t, V_in + V_r + (V_CLAMP - V_r) * ring],
        V_in + V_r * idling,
    )
    charge = np.concatenate(([0.0], np.cumsum((i_sec[1:] + i_sec[:-1]) / 2 - 2.0) * (t[1] - t[0])))
    charge -= np.linspace(0, charge[-1], charge.size)
    v_out = V_SET + charge / C_O + ESR * (i_sec - 2.0)
    v_bulk = V_in - 0.4 * t / T
    traces = Traces(t + start, i_pri, i_sec, v_drain, v_bulk, v_out, 150.0 + 0 * t, 0 * t)
    return run(traces, "full", **changes)


def mains_run(V_ac: float = 100.0, seconds: float = 20e-3, C_bulk: float = 18e-6, **changes: Any) -> Run:
    """A mains period pulse by pulse, with the bulk's ripple and the charging current."""
    count = round(seconds / T)
    starts = T * np.arange(count)
    crest = np.sqrt(2.0) * V_ac
    v_bulk, i_line = _bulk(starts, crest, C_bulk, 12.3)
    I_pk = 0.55 + 0.15 * (crest - v_bulk) / crest
    V_r = N * (V_SET + V_F)
    t_on, t_dem = I_pk * L_P / v_bulk, I_pk * L_P / V_r
    zero = np.zeros(count)
    # five corners a pulse: closes, opens, secondary takes over, runs out, next one
    t = np.stack(
        [starts, starts + t_on, starts + t_on, starts + t_on + t_dem, starts + t_on + t_dem], axis=1
    )
    slow = V_SET + 0.02 * (v_bulk - v_bulk.mean()) / crest
    traces = Traces(
        t.ravel(),
        np.stack([zero, I_pk, zero, zero, zero], axis=1).ravel(),
        np.stack([zero, zero, N * I_pk, zero, zero], axis=1).ravel(),
        np.stack([zero, zero, v_bulk + V_CLAMP, v_bulk + V_r, v_bulk], axis=1).ravel(),
        np.repeat(v_bulk, 5),
        (slow[:, None] + ESR * (N * I_pk[:, None] * [0, 0, 1, 0, 0] - 2.0)).ravel(),
        np.full(5 * count, V_CLAMP),
        np.repeat(i_line, 5),
    )
    return run(traces, "cycle", **changes)


def _bulk(t: Array, crest: float, C: float, P: float) -> tuple[Array, Array]:
    mains = crest * np.cos(2 * np.pi * 50.0 * t)
    v, i_line = np.empty(t.size), np.zeros(t.size)
    now = crest
    for index, value in enumerate(mains):
        before = now
        now -= P / now / C * T
        if abs(value) > now:
            now = abs(value)
            i_line[index] = np.sign(value) * (C * (now - before) / T + P / now)
        v[index] = now
    return v, i_line


# --- what the output can give ---------------------------------------------------------------------


def curve(V_ac: float, watts: float, amps: float, fold: float = 3.0) -> Curve:
    """Regulated, then constant power up to a largest current, then less current below a voltage."""
    V_o = np.linspace(V_SET, 1.0, 41)
    I_o = np.where(V_o < fold, amps * (0.4 + 0.6 * V_o / fold), np.minimum(watts / V_o, amps))
    full, lowered = watts / V_o < amps, V_o < fold
    region = list(
        np.select([lowered, full], ["current limit", "constant power"], "constant current").tolist()
    )
    points = tuple(Point(float(V_o[i]), 1.01 * float(I_o[i]), region[i], "full") for i in (0, 10, 28))
    V_o, I_o = np.append(V_SET, V_o), np.append(0.0, I_o)
    names = ("regulated", "regulated", *region[1:])
    return Curve(Line(V_ac=V_ac, f_line=50.0), V_o, I_o, 0.88 * I_o, 1.12 * I_o, names, points)


CLAIMS = ((2.0, 5.0, "2 A"), (2.4, 5.0, "12 W in total"))


def envelope(*curves: Curve, **changes: Any) -> Envelope:
    """A board at three lines, unless changed."""
    three = (curve(90.0, 11.4, 3.2), curve(115.0, 12.3, 3.4), curve(230.0, 13.6, 3.9))
    values: dict[str, Any] = {
        "board_name": "Wall charger",
        "V_set": V_SET,
        "curves": curves or three,
        "claims": CLAIMS,
        "notes": ("Currents are means over the mains period, as a meter reads them.",),
        "samples": 4096,
    }
    return Envelope(**(values | changes))
