"""What binds along a curve of output volts and amps, in the words of the trade."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields

import numpy as np
from numpy.typing import NDArray

from flyback.analysis.held import CORE, DRIVE, DUTY, LIMIT, Held, Mean
from flyback.analysis.operating_point import Pulse
from flyback.analysis.subharmonic import power_share
from flyback.analysis.tolerance import Array
from flyback.equations import transformer
from flyback.equations.formula import Real

REGULATED = "regulated"
CONSTANT_POWER = "constant power"
CONSTANT_CURRENT = "constant current"
CONTINUOUS = "current limit, continuous conduction"
BOUNDARY = "current limit, boundary conduction"
BETWEEN = "current limit"
DUTY_LIMITED = "duty-limited"
BASE_DRIVE = "base drive"
SATURATION = "saturation"
RUNS_DRY = "bulk runs dry"
SHORTEST = "shortest pulse"
TIMER = "overload timer"
FOLD_BACK = "fold-back"

NEAR_CURRENT, NEAR_POWER = 0.25, 0.75
"""Below the first the current, above the second the power is called constant (our choice).

They stand for -d ln I / d ln V, 0 at a constant current and 1 at a constant power. V is the
output's voltage with the rectifier's drop: against the output's alone the slope would fall to zero at
every short circuit, whatever the converter does.
"""

_OTHER_ENDS: Mapping[str, str] = {DUTY: DUTY_LIMITED, DRIVE: BASE_DRIVE, CORE: SATURATION}
"""What ends a pulse at the bulk's mean voltage, where it is not the current limit: name of the region."""


def regions(held: Held, mean: Mean, I_timer: Array | None) -> tuple[str, ...]:
    """What binds at every held voltage of the nominal board.

    Args:
        held: held at several voltages.
        I_timer: mean currents above which the overload timer runs [A]; None without one.
    """
    s = held.supply
    size = np.shape(held.V_o)
    I_o = np.broadcast_to(mean.I_o, size)
    done = held.ended(mean.V_mean)
    ends = held.binding(mean.V_mean)
    continuous = np.broadcast_to(np.greater(done.I_v, 0), size)
    # the current rises through the whole delay, even where it has not yet fallen to the limit
    t_delay: Real = s.t_delay
    too_short = continuous & np.less(done.t_on, t_delay)
    dry = runs_dry(held, mean)
    falls = -_slopes(I_o, transformer.reflected_voltage(n=s.n, V_o=held.V_o, V_f=s.V_f))
    back_to_back = held.circuit.free_running or held.circuit.constant_current

    def name(k: int) -> str:
        if I_timer is not None and I_timer[k] < I_o[k]:
            return TIMER
        if ends[k] != LIMIT:
            return _OTHER_ENDS[ends[k]]
        if dry[k]:
            return RUNS_DRY
        if too_short[k]:
            return SHORTEST
        if falls[k] >= NEAR_POWER:
            return CONSTANT_POWER
        if abs(falls[k]) <= NEAR_CURRENT:
            return CONSTANT_CURRENT
        if back_to_back:
            return BOUNDARY
        return CONTINUOUS if continuous[k] else BETWEEN

    return tuple(name(k) for k in range(I_o.size))


def runs_dry(held: Held, mean: Mean) -> NDArray[np.bool_]:
    """Where the bulk is emptied, or falls below what the duty limit can use though its mean does not."""
    V_least, dry = held.V_least, mean.empty
    if held.line.V_fixed is None and V_least is not None:
        dry = dry | np.less(mean.V_valley, V_least)
    return np.broadcast_to(dry, np.shape(held.V_o))


def _slopes(I_o: Array, V: Array) -> Array:
    """d ln I / d ln V along a curve; zero where all points are one."""
    if np.ptp(V) == 0:
        return np.zeros(I_o.shape)
    least = float(np.finfo(float).tiny)
    return np.gradient(np.log(np.maximum(I_o, least)), np.log(V))


def repeats(held: Held, mean: Mean) -> Array:
    """How far pulses that alternate may lower each mean current; 1 where they repeat."""
    size = np.shape(held.V_o)
    if held.circuit.free_running or held.circuit.constant_current:
        return np.ones(size)
    done = held.ended(mean.V_mean)
    rows = np.broadcast_arrays(held.V_o, *(getattr(done, field.name) for field in fields(done)))[1:]
    return np.array([power_share(held.supply, Pulse(*numbers)) for numbers in zip(*rows, strict=True)])
