"""Does the current-limited pulse repeat, or does it alternate?

Fixed-frequency peak-current control above half duty, in continuous conduction, lets a disturbance grow
from pulse to pulse unless a ramp is added (standard stability result; Erickson and Maksimovic, ch. 12,
from memory). The closed forms assume a repeating pulse; here the pulse-to-pulse map is followed to see
how far the mean power may fall. The switching simulation is the place to decide.
"""

from __future__ import annotations

import math

from flyback.analysis.circuit import Supply
from flyback.analysis.operating_point import Pulse

_SETTLE, _AVERAGE = 300, 256
_NUDGE = 1e-3
"""Relative disturbance that starts the map."""


def unstable(supply: Supply, done: Pulse) -> bool:
    """True where a disturbance of the pulse grows.

    Ratio of successive disturbances: (fall - ramp) / (rise + ramp), all as current slopes.
    """
    if not float(done.I_v) > 0:
        return False
    rise, fall, ramp = _slopes(supply, done)
    return fall - ramp > rise + ramp


def _slopes(supply: Supply, done: Pulse) -> tuple[float, float, float]:
    """Slopes of the primary current: rise, fall and the ramp's equivalent [A/s]."""
    ramp = 0.0 if supply.R_s is None else float(supply.S_ramp) / float(supply.R_s)
    return float(done.V_on) / float(supply.L_p), float(done.V_r) / float(supply.L_m), ramp


def power_share(supply: Supply, done: Pulse) -> float:
    """Mean stored power of the alternating pulses over that of the repeating one (1 if stable)."""
    if not unstable(supply, done):
        return 1.0
    period = 1 / float(done.f_s)
    rise, fall, ramp = _slopes(supply, done)
    longest = period * float(supply.D_max if supply.D_max is not None else 1.0)
    delay = float(supply.t_delay or 0.0)
    # the limit current before ramp and delay, reconstructed from the repeating pulse
    limit = float(done.I_pk) - rise * delay + ramp * float(done.t_on)
    start = float(done.I_v) * (1 + _NUDGE)
    energies = []
    for cycle in range(_SETTLE + _AVERAGE):
        t_on = min(max((limit - start) / (rise + ramp), 0.0) + delay, longest)
        peak = start + rise * t_on
        end = max(peak - fall * (period - t_on), 0.0)
        if cycle >= _SETTLE:
            energies.append(peak**2 - start**2)
        start = end
    repeating = float(done.I_pk) ** 2 - float(done.I_v) ** 2
    return min(1.0, math.fsum(energies) / len(energies) / repeating)
