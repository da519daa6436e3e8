"""What reaches an output that is held at a voltage, averaged over the mains period.

Below its set voltage the regulation asks for all it can get, so every pulse runs until something ends
it: the current limit, the duty limit, the core, the base drive. The bulk falls under these pulses and
the pulses weaken with it; a meter shows the mean of both. So the discharge is followed along its energy,
at the power that each voltage gives, instead of at one constant power.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import reduce

import numpy as np

from flyback.analysis import bulk
from flyback.analysis.bulk import Line
from flyback.analysis.circuit import Circuit, Supply
from flyback.analysis.limits import lacking, limit_needs, load_needs
from flyback.analysis.operating_point import Delivery, Pulse, deliver, limit_pulse, pulse
from flyback.equations import clamp, mains, output, overload, switch, transformer
from flyback.equations.formula import Real

LIMIT, DUTY, DRIVE, CORE = "current limit", "duty limit", "base drive", "saturation"
"""What can end a pulse."""

BASE_DRIVE_NEEDS = ("N_b", "R_b", "V_be", "h_FE")
CORE_NEEDS = ("A_e", "B_sat")

DROP_STEPS = 2
"""Steps of the reflected voltage towards its own drops; each gains at least an order of magnitude."""

UPPER, LOWER, CHARGE = 2, 2, 2
"""Voltages looked at while the bulk falls to where the duty limit acts, below that, and while it is
charged. With them the mean is within 0.3 % of the discharge followed in time, and within 2 % where the
bulk runs dry."""

BALANCED = 0.01
"""Relative difference of power taken and given that is let pass: where conduction becomes continuous the
closing loss steps by less, and a step has no exact balance. The mean current hardly feels it."""

EMPTY = 0.02
"""Share of the crest below which a bulk is empty: the search for its valley ends little below."""

NO_POWER = 1e-9
"""Stands for a pulse that takes nothing [W], so that the time spent there stays a number."""


@dataclass(frozen=True, slots=True)
class Held:
    """A converter at one line with its output held.

    Attributes:
        V_o: rail voltage [V]; V_r: reflected voltage with every drop of the secondary [V].
        V_least: lowest supply at which the reflected voltage fits the duty limit [V], or None.
        timed: True where pulses end at the threshold of the overload timer instead of the limit.
    """

    circuit: Circuit
    supply: Supply
    line: Line
    V_o: Real
    V_r: Real
    V_least: Real | None
    timed: bool = False

    def ended(self, V_dc: Real) -> Pulse:
        """The pulse at a supply voltage [V], ended by whatever acts first."""
        done = self._limited(V_dc)
        caps = self._caps(done)
        if not caps:
            return done
        I_off = reduce(np.minimum, caps.values())
        if np.all(I_off >= done.I_off):
            return done
        I_off = np.minimum(I_off, done.I_off)
        return pulse(self.circuit, self.supply, V_dc=V_dc, V_r=self.V_r, I_off=I_off)

    def binding(self, V_dc: Real) -> list[str]:
        """What ends the pulse at each of several held voltages."""
        done = self._limited(V_dc)
        caps = {LIMIT: done.I_off, **self._caps(done)}
        rows = np.broadcast_arrays(self.V_o, *caps.values())[1:]
        return [list(caps)[index] for index in np.argmin(rows, axis=0)]

    def current(self, done: Pulse) -> Real:
        """Output current of a pulse that repeats [A]."""
        return self._current(deliver(self.circuit, self.supply, done, V_o=self.V_o))

    def with_drops(self, done: Pulse) -> Held:
        """The same with the drops that a pulse makes in winding and capacitor."""
        s = self.supply
        delivery = deliver(self.circuit, s, done, V_o=self.V_o)
        I_o = self._current(delivery)
        V_r = overload.loaded_reflected_voltage(
            n=s.n,
            V_o=self.V_o,
            V_f=s.V_f,
            I_o=I_o,
            I_s_rms=delivery.I_s_rms,
            I_c_rms=output.capacitor_ripple_current(I_s_rms=delivery.I_s_rms, I_o=I_o),
            R_sec=s.R_sec,
            R_esr=s.R_esr,
        )
        return replace(self, V_r=V_r, V_least=_least_supply(self.circuit, s, V_r))

    def _current(self, delivery: Delivery) -> Real:
        if self.circuit.constant_current:
            return delivery.I_o
        return overload.current_of_winding(P_sec=delivery.P_sec, n=self.supply.n, V_r=self.V_r)

    def _limited(self, V_dc: Real) -> Pulse:
        done = limit_pulse(self.circuit, self.supply, V_dc=V_dc, V_r=self.V_r, overload=self.timed)
        if done is None:
            raise ValueError("the current limit is unknown")
        return done

    def _caps(self, done: Pulse) -> dict[str, Real]:
        """Opening current at which anything but the limit ends the pulse [A]."""
        s, V_dc = self.supply, done.V_dc
        caps: dict[str, Real] = {}
        if not lacking(self.circuit, CORE_NEEDS):
            I_sat = transformer.saturation_current(B_sat=s.B_sat, N_p=s.N_p, A_e=s.A_e, L_p=s.L_p)
            caps[CORE] = switch.opening_current(I_pk=I_sat, C_d=s.C_d, V_dc=V_dc, L_p=s.L_p)
        if self.circuit.control == "self-oscillating" and not lacking(self.circuit, BASE_DRIVE_NEEDS):
            I_base = switch.base_current(V_dc=V_dc, N_b=s.N_b, N_p=s.N_p, V_be=s.V_be, R_b=s.R_b)
            caps[DRIVE] = switch.drive_limit_current(h_FE=s.h_FE, I_base=I_base)
        if self.V_least is not None and np.any(short := np.less(V_dc, self.V_least)):
            # above it the current can build up from pulse to pulse, and duty limits nothing
            caps[DUTY] = np.where(short, self._duty_current(done), np.inf)
        return caps

    def _duty_current(self, done: Pulse) -> Real:
        s = self.supply
        if not self.circuit.free_running:
            return switch.duty_limit_current(
                V_dc=done.V_dc, V_sat=s.V_sat, D_max=s.D_max, L_p=s.L_p, f_s=s.f_s
            )
        t_ring = transformer.ringing_half_period(L_p=s.L_p, C_d=s.C_d)
        return overload.free_running_duty_current(
            D_max=s.D_max, t_ring=t_ring, L_p=s.L_p, V_on=done.V_on, L_m=s.L_m, V_r=self.V_r
        )


def needs(circuit: Circuit, line: Line, *, timed: bool = False) -> tuple[str, ...]:
    """File keys without which nothing can be said about a held output."""
    fields = ["V_overload", "R_s", "t_sense"] if timed else limit_needs(circuit)
    return lacking(circuit, [*fields, *load_needs(circuit, line)])


def hold(circuit: Circuit, supply: Supply, line: Line, *, V_o: Real, timed: bool = False) -> Held:
    """Hold the output at a voltage [V].

    The drops are those of the pulse at the crest: they count where the output is nearly shorted, and
    there the bulk is hardly loaded.
    """
    V_r = transformer.reflected_voltage(n=supply.n, V_o=V_o, V_f=supply.V_f)
    held = Held(circuit, supply, line, V_o, V_r, _least_supply(circuit, supply, V_r), timed)
    if not np.any(supply.R_sec) and not np.any(supply.R_esr):
        return held
    V_crest = bulk.crest(supply, line)
    for _ in range(DROP_STEPS):
        held = held.with_drops(held.ended(V_crest))
    return held


def with_fixed_clamp(supply: Supply, *, V_set: Real) -> Supply:
    """A clamp that was not traced keeps the voltage it has at the set output voltage [V]."""
    s = supply
    if s.V_c is not None or s.k_clamp is None:
        return s
    V_r = transformer.reflected_voltage(n=s.n, V_o=V_set, V_f=s.V_f)
    return replace(s, V_c=clamp.customary_clamp_voltage(k_clamp=s.k_clamp, V_r=V_r))


def _least_supply(circuit: Circuit, s: Supply, V_r: Real) -> Real | None:
    if s.D_max is None or circuit.constant_current:
        return None
    return transformer.lowest_voltage_for_duty(V_r=V_r, D_max=s.D_max, L_p=s.L_p, L_m=s.L_m, V_sat=s.V_sat)


# --- the mean over a mains period -----------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Mean:
    """Averages over the mains period; SI units.

    Attributes:
        empty: True where the pulses empty the bulk before the mains comes back.
        rough: True where the bulk is so small that it follows the mains down: past the range of
            `mains.departure_angle`, the current is up to a quarter too low.
        gap: relative difference of power taken and power given, as in `bulk.Bulk`.
    """

    I_o: Real
    V_valley: Real
    V_mean: Real
    empty: Real
    rough: Real
    gap: Real

    @property
    def settled(self) -> Real:
        """True where the bulk's balance was found."""
        return np.less(self.gap, BALANCED)


@dataclass(frozen=True, slots=True)
class _Discharge:
    """The bulk on its way from crest to valley.

    Attributes:
        P_in: the mean power it gives on the way [W].
        shares: share of the way's time that each pulse stands for.
    """

    P_in: Real
    shares: Sequence[Real]
    pulses: Sequence[Pulse]


def averaged(held: Held, *, start: Real = bulk.START) -> Mean:
    """The mean output current of a held output.

    Args:
        start: share of the crest at which the search for the valley starts; a nominal solution serves
            for arrays.
    """
    supply, line = held.supply, held.line
    if line.V_fixed is not None:
        return Mean(held.current(held.ended(line.V_fixed)), line.V_fixed, line.V_fixed, False, False, 0.0)
    V_crest = bulk.crest(supply, line)
    f_line: Real = line.f_line
    loaded = bulk.solve(supply, line, lambda V: _discharge(held, V_crest, V), start=start)
    V_valley, way = loaded.V_valley, loaded.load
    theta = _departure(supply, line, V_crest, way.P_in)
    t_meet = mains.meeting_time(V_valley=V_valley, V_crest=V_crest, f_line=f_line, n_pulse=supply.n_pulse)
    alone = (t_meet - theta / (2 * np.pi * f_line)) * f_line * supply.n_pulse
    opening = np.arccos(np.minimum(V_valley / V_crest, 1))
    nodes, weights = _gauss(CHARGE)
    rising = [held.ended(V_crest * np.cos(node * (opening + theta) - opening)) for node in nodes]
    # an empty bulk gives nothing for the rest of the time
    empty = V_valley < EMPTY * V_crest
    working = np.where(empty, alone * (1 - loaded.gap), alone)
    shares = [*(working * share for share in way.shares), *((1 - alone) * weight for weight in weights)]
    pulses = [*way.pulses, *rising]
    I_o = sum(share * held.current(done) for share, done in zip(shares, pulses, strict=True))
    V_mean = sum(share * done.V_dc for share, done in zip(shares, pulses, strict=True))
    return Mean(
        I_o=I_o,
        V_valley=V_valley,
        V_mean=V_mean,
        empty=empty,
        rough=_departure(supply, line, V_crest, rising[-1].P_in) >= np.pi / 4,
        gap=np.where(empty, 0.0, loaded.gap),
    )


def _departure(supply: Supply, line: Line, V_crest: Real, P_bulk: Real) -> Real:
    """Angle after the crest at which the bulk is left alone."""
    return mains.departure_angle(
        P_bulk=P_bulk,
        V_crest=V_crest,
        C_bulk=supply.C_bulk,
        R_series=supply.R_series,
        f_line=line.f_line,
    )


def _discharge(held: Held, V_crest: Real, V_valley: Real) -> _Discharge:
    """Follow the bulk by its energy: the time at a voltage goes with energy over power.

    Where the current limit ends the pulses the power changes little, and the energy is divided evenly;
    where the duty limit does it goes with the square of the voltage, and its logarithm is.
    """
    squares = V_crest**2 - V_valley**2
    knee = V_valley
    if held.V_least is not None:
        knee = np.maximum(np.minimum(held.V_least, V_crest), V_valley)
    times, pulses = [], []
    span = V_crest**2 - knee**2
    for node, weight in zip(*_gauss(UPPER), strict=True):
        done = held.ended(np.sqrt(knee**2 + node * span))
        pulses.append(done)
        times.append(weight * span / squares / np.maximum(done.P_in, NO_POWER))
    if np.any(knee > V_valley):
        # the power falls abruptly at the knee: no stretch may reach across
        octaves = np.log(knee / V_valley)
        for node, weight in zip(*_gauss(LOWER), strict=True):
            V_dc = V_valley * np.exp(node * octaves)
            done = held.ended(V_dc)
            pulses.append(done)
            times.append(weight * 2 * V_dc**2 * octaves / squares / np.maximum(done.P_in, NO_POWER))
    total = sum(times)
    return _Discharge(1 / total, [time / total for time in times], pulses)


def _gauss(count: int) -> tuple[list[float], list[float]]:
    """Nodes and weights of Gauss and Legendre's quadrature between 0 and 1."""
    nodes, weights = np.polynomial.legendre.leggauss(count)
    return list((nodes + 1) / 2), list(weights / 2)
