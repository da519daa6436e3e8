"""Where sums of exponentials are looked at, and where one of them falls through zero."""

from __future__ import annotations

import math

import numpy as np

from flyback.analysis.waveforms.network import Complex
from flyback.analysis.waveforms.run import Array

CLOSE = 1e-8
"""How far below zero a guard [V, A] must fall to count: far above rounding, far below any reading."""

FADED = 1e-7
"""Ringing smaller than this [V, A] no longer sets the step of the search."""

POINTS = 24
"""Points of the search in one period of the fastest ringing that is left."""

GROWTH = 1.5
"""Ratio of one instant of the search to the last while decays set its step: all begin with the stretch."""

CHUNK = 48
"""Most points that are looked at together."""

NEWTON_STEPS = 40
"""Most steps of a root search; it halves the bracket where Newton would leave it."""

HALVINGS = 45
"""How often a step is halved in looking for a rise at its very beginning."""


def ahead_of(rate: Complex, sizes: Array, base: float, horizon: float) -> Array:
    """The next instants of the search: dense while something decays, even while ringing lasts."""
    alive = rate[sizes * np.exp(rate.real * base) > FADED]
    ringing = POINTS / (2 * math.pi) * float(np.abs(alive.imag).max(initial=0.0))
    step = 1.0 / max(ringing, 4.0 / (horizon - base))
    begin = base
    if base == 0.0:
        begin = min(step, 0.5 / max(float(np.abs(alive.real).max(initial=0.0)), 1.0 / step))
    growing = math.log(step / (begin * (GROWTH - 1.0))) / math.log(GROWTH)
    grown = begin * GROWTH ** np.arange(0 if base == 0.0 else 1, min(max(growing, 0.0), CHUNK))
    last = float(grown[-1]) if len(grown) else base
    even = last + step * np.arange(1, CHUNK - len(grown) + 1)
    ahead = np.concatenate([grown, even])
    within = ahead[: int(np.searchsorted(ahead, horizon))]
    return within if len(within) == CHUNK else np.append(within, horizon)


def fall(rate: Complex, course: Complex, slope: float, low: float, high: float) -> float:
    """Where a course falls through zero between two instants; at the first of them if it never rose."""

    def at(t: float) -> tuple[float, float]:
        terms = course * np.exp(rate * t)
        return float(terms.sum().real) + slope * t, float((terms * rate).sum().real) + slope

    if at(low)[0] <= CLOSE:
        # a valve that has just changed starts at zero: it may rise before it falls
        risen = next(
            (t for t in (low + (high - low) / 2**k for k in range(1, HALVINGS)) if at(t)[0] > 0.0), low
        )
        if risen == low:
            return low
        low, high = risen, min(high, low + 2 * (risen - low))
    t = (low + high) / 2
    for _ in range(NEWTON_STEPS):
        value, rise = at(t)
        if value > 0.0:
            low = t
        else:
            high = t
        moved = t - value / rise if rise != 0.0 else math.inf
        if not low < moved < high:
            moved = (low + high) / 2
        if abs(moved - t) <= 1e-16 + 1e-13 * t:
            return moved
        t = moved
    return t
