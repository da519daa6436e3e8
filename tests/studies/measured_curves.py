"""Curves of volts and amps as a bench would measure them, of circuits solved here and nowhere else.

Circuits are drawn at random from wide ranges; each gives its volts into a resistive load by root finding
or by integration in time. Loads are chosen as a practitioner would, and the meters err.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

from flyback.analysis.bulk import Line
from flyback.studies.curve import CurveReading
from flyback.studies.observed import Observed

Array = NDArray[np.float64]
Rng = np.random.Generator


# --- the bench ------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Meter:
    """Limits of error: a share of the reading and a digit of the display [V, A]."""

    share_V: float
    digit_V: float
    share_I: float
    digit_I: float

    def read(
        self,
        V_o: Sequence[float] | Array,
        I_o: Sequence[float] | Array,
        rng: Rng | None = None,
        *,
        line: Line | None = None,
    ) -> list[Observed]:
        """Readings, each with an error of its own that lies anywhere within the limits."""
        V, amps = np.asarray(V_o, dtype=float), np.asarray(I_o, dtype=float)
        limit_V, limit_I = self.share_V * V + self.digit_V, self.share_I * amps + self.digit_I
        if rng is not None:
            V = np.maximum(V + limit_V * rng.uniform(-1, 1, V.size), 0)
            amps = np.maximum(amps + limit_I * rng.uniform(-1, 1, V.size), 0)
        rows = np.column_stack((V, amps, limit_V / np.sqrt(3), limit_I / np.sqrt(3))).tolist()
        return [Observed(line, V_o, I_o, u_V, u_I) for V_o, I_o, u_V, u_I in rows]


PLAIN, BETTER = Meter(0.01, 0.01, 0.01, 0.01), Meter(0.003, 0.005, 0.005, 0.005)
"""A plug-in meter of 1 % and one digit, and one worth its price."""


def observed(
    V_o: Sequence[float] | Array, I_o: Sequence[float] | Array, line: Line | None = None
) -> list[Observed]:
    """Readings without errors: 0.3 % or 5 mV and 0.7 % or 2 mA are said of them (k = 1)."""
    rows = [(float(V), float(amps)) for V, amps in zip(V_o, I_o, strict=True)]
    return [
        Observed(line, V, amps, u_V=max(0.003 * V, 0.005), u_I=max(0.007 * amps, 0.002)) for V, amps in rows
    ]


def probability(reading: CurveReading, kind: str) -> float:
    return next(found.probability for found in reading.candidates if found.kind == kind)


@dataclass(frozen=True)
class Circuit:
    """Something on the bench.

    Attributes:
        volts: into a conductance [S].
        knee: conductance at which regulation ends [S]; 0 where it never does.
        heaviest: the heaviest load tried [S]; None where that depends on the volts wanted.
        I_knee: amps at the knee; None where it is no one point.
    """

    volts: Callable[[float], float]
    knee: float = 0.0
    heaviest: float | None = None
    I_knee: float | None = None

    def curve(self, fall: float, rng: Rng) -> tuple[list[float], list[float]]:
        """Volts and amps at six to twelve loads; of a knee, at least three before and three beyond.

        Args:
            fall: share of the volts that is gone at the heaviest load, unless that is given.
        """
        heaviest = self.heaviest
        if heaviest is None:
            V_end = self.volts(self.knee) * (1 - fall)
            heaviest = brentq(lambda G: self.volts(G) - V_end, self.knee, 20 * (self.knee or 1.0))
        count = int(rng.integers(6, 13))
        beyond = int(rng.integers(3, count - 2)) if self.knee else 0
        held = _steps(count - beyond, rng, 0.1, 0.98) * (self.knee or heaviest)
        further = self.knee + _steps(beyond, rng, 0.0, 1.0) * (heaviest - self.knee)
        siemens = [*held.tolist(), *further.tolist()]
        V_o = [float(self.volts(G)) for G in siemens]
        return V_o, [G * V for G, V in zip(siemens, V_o, strict=True)]


def _steps(count: int, rng: Rng, first: float, last: float) -> Array:
    """Uneven steps that end where they should."""
    steps = (np.arange(count) + rng.uniform(0.4, 1, count)) / max(count, 1)
    steps[-1:] = 1.0
    return first + (last - first) * steps


# --- rails ----------------------------------------------------------------------------------------

PHASES = (np.arange(6) + 0.5) / 6 - 0.5
"""Places in a mains period at which a limit that swings a little is looked at."""

NO_LONGER_CURRENT = 0.25
"""Exponent from which pulses at their limit are no constant current, as `analysis.regions` has it."""


def _rail(rng: Rng) -> tuple[float, float, float]:
    """Volts without load, amps at the knee, resistance that costs up to 3 % of the volts there."""
    V, I_knee = float(rng.choice([5.0, 5.1, 9.0, 12.0, 19.0])), float(np.exp(rng.uniform(-1.0, 1.2)))
    return V, I_knee, float(0.03 * rng.uniform(0, 1) ** 2) * V / I_knee


def _limited(
    V: float, R: float, I_knee: float, amps: Callable[[float], float], swing: float = 0.0
) -> Circuit:
    """A rail behind a resistance that gives no more than some amps at each of its volts.

    Args:
        swing: by which share those amps swing within a mains period; meters show the mean.
    """

    def rail(G: float, most: float) -> float:
        if most * amps(V) >= V * G:
            return V
        return float(brentq(lambda v: most * amps(v) - v * G, 0.0, V))

    def volts(G: float) -> float:
        load = G / (1 + R * G)
        mean = np.mean([rail(load, 1 + swing * phase) for phase in (PHASES if swing else PHASES[:1])])
        return float(mean) / (1 + R * G)

    return Circuit(volts, I_knee / (V - R * I_knee), I_knee=I_knee)


# --- kinds ----------------------------------------------------------------------------------------


def constant_power(rng: Rng) -> Circuit:
    """Pulses of one peak current and one rate, in discontinuous or continuous conduction."""
    while True:
        V, I_knee, R = _rail(rng)
        V_f, V_dc = rng.uniform(0.05, 1.0), rng.uniform(100.0, 360.0)
        amps = _pulses(
            n=rng.uniform(50.0, 120.0) / (V + V_f),
            V_f=V_f,
            V_dc=V_dc,
            rise=float(np.exp(rng.uniform(np.log(0.3), np.log(6.0)))),
        )
        exponent = np.log(amps(0.7 * V) / amps(V)) / np.log((V + V_f) / (0.7 * V + V_f))
        if exponent > NO_LONGER_CURRENT:
            break
    at_knee, swing = amps(V), rng.uniform(0, 0.06)
    return _limited(V, R, I_knee, lambda v: I_knee * amps(v) / at_knee, swing)


def _pulses(*, n: float, V_f: float, V_dc: float, rise: float) -> Callable[[float], float]:
    """Amps at output volts, as a share of n times the peak current.

    Args:
        rise: how far the current would rise in a whole period, over its peak.
    """

    def amps(V_o: float) -> float:
        back = n * (V_o + V_f) / V_dc
        if (1 + 1 / back) / rise <= 1:
            return 1 / (2 * rise * back)
        D = back / (1 + back)
        return (1 - rise * D / 2) * (1 - D)

    return amps


def constant_current(rng: Rng) -> Circuit:
    """A current loop, good to 4 % between full volts and none."""
    V, I_knee, R = _rail(rng)
    slope = rng.uniform(-0.01, 0.04)
    return _limited(V, R, I_knee, lambda v: I_knee * (1 + slope * (1 - v / V)))


def linear_droop(rng: Rng) -> Circuit:
    """A cable, whose copper warms a little under load."""
    V, I_o, _ = _rail(rng)
    R, warmer = V / I_o, rng.uniform(0, 0.1)

    def volts(G: float) -> float:
        return float(brentq(lambda v: V - R * G * v * (1 + warmer * (G * v / I_o) ** 2) - v, 0.0, V))

    return Circuit(volts)


def fold_back(rng: Rng) -> Circuit:
    """A limit that follows the output down, along a line or nearly so."""
    V, I_knee, R = _rail(rng)
    taken, power = rng.uniform(0.25, 0.95), rng.uniform(1.0, 1.3)
    return _limited(V, R, I_knee, lambda v: I_knee * (1 - taken * (1 - v / V) ** power))


def restart(rng: Rng) -> Circuit:
    """A controller that pulses for a part of the time only once it has met its limit."""
    V, I_knee, R = _rail(rng)
    knee = I_knee / (V - R * I_knee)
    duty, power = rng.uniform(0.05, 0.45), rng.uniform(0, 2)

    def volts(G: float) -> float:
        return V * (1.0 if knee >= G else duty * (knee / G) ** power) / (1 + R * G)

    return Circuit(volts, knee, heaviest=knee * rng.uniform(1.1, 1.8))


def asks_for_less(rng: Rng) -> Circuit:
    """A device that never takes what the supply could give; half the rail's resistance is in its path."""
    V, I_o, R = _rail(rng)
    return Circuit(lambda G: V / (1 + R / 2 * G), heaviest=I_o / V)


# --- a bulk that runs low -------------------------------------------------------------------------

LEAST_SWING = 0.2
"""Share of the power at the crest that is lost towards the valley, from which a knee is called soft."""

DIP = 0.003
"""Share of the volts by which the lowest lies below the mean where a knee begins."""

GRID = np.geomspace(0.25, 4.0, 96)
"""Loads at which a circuit is solved, in units of the one that would take its largest power."""


def soft_knees(rng: Rng, count: int) -> list[Circuit]:
    """Discontinuous converters with a limit of current and one of duty cycle, behind a bulk too small.

    All are integrated at once over five periods of the mains, and the last is averaged. The regulator asks
    for what the load takes and for what the output capacitor lacks.
    """
    tries = 3 * count
    V_peak = np.sqrt(2) * rng.choice([90.0, 100.0, 115.0, 127.0, 230.0], tries)
    V_set = rng.choice([5.0, 5.1, 9.0, 12.0], tries)
    P_most = rng.uniform(4.0, 30.0, tries)
    half_wave = rng.random(tries) < 0.3
    period, settling = 0.02, 1.5e-4
    # joules that the largest power takes in a period, over those of the full bulk
    C_bulk = P_most * period / (rng.uniform(0.35, 1.3, tries) * V_peak**2 / 2)
    # the bulk's volts below which the duty cycle, not the current, ends a pulse
    V_duty = V_peak * rng.uniform(0.6, 1.0, tries)
    V_f, eta = rng.uniform(0.2, 0.8, tries), rng.uniform(0.75, 0.88, tries)
    C_o = rng.uniform(0.3e-3, 1.2e-3, tries) * P_most / V_set * np.sqrt(5 / V_set)
    R_line = 0.02 * V_peak**2 / P_most
    siemens = GRID[:, None] * P_most / V_set**2

    def most(v_bulk: Array) -> Array:
        share: Array = np.minimum(v_bulk / V_duty, 1)
        return P_most * share**2

    def slopes(t: float, y: Array) -> Array:
        v_bulk, v_out = y.reshape(2, GRID.size, tries)
        v_bulk, v_out = np.maximum(v_bulk, 5.0), np.maximum(v_out, 0.0)
        wanted = siemens * V_set + C_o * (V_set - v_out) / settling
        P_o = np.clip((V_set + V_f) * wanted, 0, most(v_bulk))
        mains = np.sin(2 * np.pi * t / period)
        mains = V_peak * np.where(half_wave, mains, abs(mains))
        into_bulk = np.maximum(mains - v_bulk, 0) / R_line - P_o / eta / v_bulk
        into_output = P_o / (v_out + V_f) - siemens * v_out
        return np.concatenate(((into_bulk / C_bulk).ravel(), (into_output / C_o).ravel()))

    start = np.concatenate([np.broadcast_to(v, siemens.shape).ravel() for v in (0.8 * V_peak, V_set)])
    done = solve_ivp(
        slopes,
        (0, 5 * period),
        start,
        method="RK23",
        max_step=50e-6,
        rtol=1e-3,
        atol=1e-2,
        t_eval=np.linspace(4 * period, 5 * period, 200, endpoint=False),
    )
    v_bulk, v_out = (half.reshape(GRID.size, tries, -1) for half in np.split(done.y, 2))
    V_o, power = v_out.mean(axis=-1), most(np.moveaxis(v_bulk, -1, 0))
    dips = V_o - v_out.min(axis=-1) > DIP * V_set
    found = []
    for k in range(tries):
        knee = int(np.argmax(dips[:, k]))
        lost = 1 - power[:, knee, k].min() / power[:, knee, k].max()
        if knee and lost >= LEAST_SWING:
            volts = partial(np.interp, xp=siemens[:, k], fp=V_o[:, k])
            found.append(Circuit(volts, float(siemens[knee, k])))
    assert len(found) >= count
    return found[:count]


# --- all kinds ------------------------------------------------------------------------------------

_WAYS: Mapping[str, tuple[Callable[[Rng], Circuit], ...]] = {
    "constant power": (constant_power,),
    "constant current": (constant_current,),
    "linear droop": (linear_droop,),
    "soft knee": (),
    "fold-back or restart": (fold_back, restart),
    "asks for less": (asks_for_less,),
}

KINDS = tuple(_WAYS)


def circuits(kind: str, seed: int, count: int) -> list[Circuit]:
    """So many of a kind, each way to come by it as often."""
    rng = np.random.default_rng((seed, KINDS.index(kind)))
    ways = _WAYS[kind]
    return [ways[k % len(ways)](rng) for k in range(count)] if ways else soft_knees(rng, count)
