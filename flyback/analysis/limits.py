"""How each limit on the output power is computed, at one line voltage.

Every limit is a small function of a `Situation` and gives a `Ceiling`. Which of them a board has, what
they need and what they are called is the table in `ceilings.py`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from flyback.analysis import bulk
from flyback.analysis.bulk import Bulk, Line
from flyback.analysis.circuit import Circuit, Supply
from flyback.analysis.operating_point import (
    Delivery,
    Pulse,
    deliver,
    limit_pulse,
    pulse,
    value_for,
)
from flyback.equations import ports, rectifier, regulation, switch, transformer
from flyback.equations.formula import Real, solved, unrecorded


@dataclass(frozen=True, slots=True)
class Ceiling:
    """One rung at one line.

    Attributes:
        power: power at the sockets [W]; infinite where the limit does not exist.
        loaded: bulk and pulse at the limit, where the rung has them.
        delivered: what that pulse delivers.
    """

    power: Real
    loaded: Bulk[Pulse] | None = None
    delivered: Delivery | None = None


@dataclass(frozen=True, slots=True)
class Start:
    """A nominal solution from which array solvers start: share of the crest, opening current [A]."""

    valley_share: float
    I_off: float


@dataclass(frozen=True, slots=True)
class Situation:
    """One set of numbers at one line, judged at one output voltage.

    Attributes:
        V_o: rail voltage [V].
        starts: where the solvers of a rung start from; empty in the nominal pass.
        V_least: lowest supply at which the reflected voltage fits the duty limit [V]; None where the
            control has no duty limit or it is unknown.
        limit: what the current limit (or constant-current loop) allows, which several rungs start
            from; None where a value it needs is unknown.
    """

    circuit: Circuit
    supply: Supply
    line: Line
    V_o: Real
    V_r: Real
    starts: Mapping[str, Start]
    V_least: Real | None = None
    limit: Ceiling | None = None

    @property
    def limited(self) -> Bulk[Pulse]:
        """Bulk and pulse at the current limit."""
        if self.limit is None or self.limit.loaded is None:
            raise ValueError("the current limit is unknown")
        return self.limit.loaded

    def at_valley(self, rung: str, follow: Callable[[Real], Pulse]) -> Ceiling:
        """A ceiling whose pulse is known as a function of the supply, judged at its own valley.

        Where the pulse would pull the bulk below what the duty limit can use, it is judged at that
        voltage: from there on the bulk stops the power, which is a rung of its own.
        """
        ceiling = self.of(self._in_regulation(follow, self.loaded(rung, follow)))
        I_off = self.most_delivering(ceiling)
        if I_off is None:
            return ceiling

        def strongest(V_dc: Real) -> Pulse:
            return self.opened(V_dc, I_off)

        return self.of(self._in_regulation(strongest, self.loaded(rung, strongest)))

    def _in_regulation(self, follow: Callable[[Real], Pulse], loaded: Bulk[Pulse]) -> Bulk[Pulse]:
        if (
            self.line.V_fixed is not None
            or self.V_least is None
            or not np.any(loaded.V_valley < self.V_least)
        ):
            return loaded
        V_dc = transformer.voltage_in_regulation(V_valley=loaded.V_valley, V_least=self.V_least)
        V_mean = transformer.voltage_in_regulation(V_valley=loaded.V_mean, V_least=self.V_least)
        return Bulk(V_dc, V_mean, follow(V_dc), loaded.gap)

    def most_delivering(self, ceiling: Ceiling) -> Real | None:
        """Opening current of the pulse that delivers most, or None where that is the limit's own pulse.

        A limit that lets the current rise so far that clamp and ESR take more than the pulse gains does
        not lower what can be had: the controller ends its pulses earlier.
        """
        loaded = ceiling.loaded
        assert loaded is not None
        V_dc, limit = loaded.V_valley, loaded.load.I_off

        def power(scale: Real) -> Real:
            done = self.opened(V_dc, limit * scale)
            return deliver(self.circuit, self.supply, done, V_o=self.V_o).P_socket

        with unrecorded():
            if np.all(power(1 - SLIGHTLY) < ceiling.power):
                return None
            scales = np.geomspace(1e-3, 1.0, SCALES)
            best = scales[np.argmax([power(scale) for scale in scales], axis=0)]
            step = scales[1] / scales[0]
            low, high = best / step, np.minimum(best * step, 1.0)
            for _ in range(NARROWINGS):
                third = (high - low) / 3
                rising = power(low + third) < power(high - third)
                low, high = np.where(rising, low + third, low), np.where(rising, high, high - third)
            I_off = limit * (low + high) / 2
        return solved(
            "I_off",
            I_off,
            balance="of all pulses up to the limit, this one delivers most",
            sides=lambda trial: (self.opened(V_dc, trial).I_off, trial),
        )

    def loaded(self, rung: str, follow: Callable[[Real], Pulse]) -> Bulk[Pulse]:
        """The bulk under a pulse that is known as a function of the supply."""
        start = self.starts.get(rung)
        share = None if start is None else start.valley_share
        return bulk.solve(self.supply, self.line, follow, start=share)

    def of(self, loaded: Bulk[Pulse]) -> Ceiling:
        """The ceiling that a loaded bulk and its pulse amount to."""
        done = deliver(self.circuit, self.supply, loaded.load, V_o=self.V_o)
        return Ceiling(done.P_socket, loaded, done)

    def limit_pulse(self, V_dc: Real, *, overload: bool = False) -> Pulse:
        """The pulse that the current limit (or the overload threshold) ends."""
        done = limit_pulse(self.circuit, self.supply, V_dc=V_dc, V_r=self.V_r, overload=overload)
        if done is None:
            raise ValueError("the current limit is unknown")
        return done

    def opened(self, V_dc: Real, I_off: Real) -> Pulse:
        """The pulse that opens at a given current."""
        return pulse(self.circuit, self.supply, V_dc=V_dc, V_r=self.V_r, I_off=I_off)

    def socket(self, P_o: Real) -> Real:
        """Power at the sockets for a power of the rail."""
        return ports.socket_power(P_o=P_o, eta_post=self.supply.eta_post)


SLIGHTLY = 0.02
"""Relative step down in current that shows whether a smaller pulse would deliver more."""

SCALES, NARROWINGS = 49, 30
"""Currents tried in a first pass, and narrowings of the interval around the best of them."""

LIMIT_RUNGS = ("current limit", "constant-current loop")
"""The rung whose pulses the controller's limit ends: one of the two, by control family."""

LIMIT = "limit"
"""Name under which the valley of the current limit is kept in ``starts``."""


def situation(
    circuit: Circuit, supply: Supply, line: Line, V_o: Real, starts: Mapping[str, Start] | None = None
) -> Situation:
    """Everything a rung needs, with the reflected voltage and the current limit worked out once."""
    V_r = transformer.reflected_voltage(n=supply.n, V_o=V_o, V_f=supply.V_f)
    at = Situation(circuit, supply, line, V_o, V_r, starts or {}, _least_supply(circuit, supply, V_r))
    if lacking(circuit, [*limit_needs(circuit), *load_needs(circuit, line)]):
        return at
    return replace(at, limit=at.at_valley(LIMIT, at.limit_pulse))


def current_limit(at: Situation) -> Ceiling:
    """Power at which the current limit, or the constant-current loop, ends every pulse."""
    if at.limit is None:
        raise ValueError("the current limit is unknown")
    return at.limit


def overload_timer(at: Situation) -> Ceiling:
    """Power above which the overload timer runs: what can be had for long, not for a moment."""
    return at.at_valley("overload timer", lambda V: at.limit_pulse(V, overload=True))


def saturation(at: Situation) -> Ceiling:
    """Power at which the core saturates, whatever ends the pulse."""
    s = at.supply
    I_sat = transformer.saturation_current(B_sat=s.B_sat, N_p=s.N_p, A_e=s.A_e, L_p=s.L_p)

    def follow(V: Real) -> Pulse:
        return at.opened(V, switch.opening_current(I_pk=I_sat, C_d=s.C_d, V_dc=V, L_p=s.L_p))

    return at.at_valley("saturation", follow)


def base_drive(at: Situation) -> Ceiling:
    """Power at which the base drive can no longer hold the collector current."""
    s = at.supply

    def follow(V: Real) -> Pulse:
        I_base = switch.base_current(V_dc=V, N_b=s.N_b, N_p=s.N_p, V_be=s.V_be, R_b=s.R_b)
        return at.opened(V, switch.drive_limit_current(h_FE=s.h_FE, I_base=I_base))

    return at.at_valley("base drive", follow)


def _least_supply(circuit: Circuit, s: Supply, V_r: Real) -> Real | None:
    if s.D_max is None or circuit.constant_current:
        return None
    return transformer.lowest_voltage_for_duty(V_r=V_r, D_max=s.D_max, L_p=s.L_p, L_m=s.L_m, V_sat=s.V_sat)


def _duty_pulse(at: Situation, V_dc: Real) -> Pulse:
    s = at.supply
    I_off = switch.duty_limit_current(V_dc=V_dc, V_sat=s.V_sat, D_max=s.D_max, L_p=s.L_p, f_s=s.f_s)
    return at.opened(V_dc, I_off)


def duty_limit(at: Situation) -> Ceiling:
    """Largest duty cycle reached in discontinuous conduction, the current limit removed.

    Above the supply at which the reflected voltage still fits, the current can build up from pulse
    to pulse, and duty limits nothing; there the bulk valley does (see `bulk_valley`).
    """
    V_least = at.V_least
    if at.line.V_fixed is None:
        spare = bulk.largest_power(at.supply, at.line, V_least)
        if np.all(np.greater_equal(spare, _duty_pulse(at, V_least).P_in)):
            return Ceiling(np.inf)
    loaded = at.loaded("duty limit", lambda V: _duty_pulse(at, V))
    free = loaded.V_valley >= V_least
    return Ceiling(_absent_where(free, at.of(loaded).power))


def bulk_valley(at: Situation) -> Ceiling:
    """Power that takes the bulk down to where the reflected voltage no longer fits the duty limit.

    The current limit is removed. It is nothing where the bulk never stands as high as that.
    """
    P_bulk = bulk.largest_power(at.supply, at.line, at.V_least)
    if np.ndim(P_bulk) == 0:
        power = _arriving(at, P_bulk) if P_bulk > 0 else P_bulk
    else:
        power = np.where(P_bulk > 0, _arriving(at, P_bulk), 0.0)
    if at.circuit.free_running:
        return Ceiling(power)
    return Ceiling(_absent_where(np.less(P_bulk, _duty_pulse(at, at.V_least).P_in), power))


def _arriving(at: Situation, P_bulk: Real) -> Real:
    """What arrives at the sockets of a power taken from the bulk at the lowest usable voltage.

    Reckoned at the efficiency of a pulse from that voltage which takes the power, but no more than
    twice what the current limit takes.
    """
    V_least, limited = at.V_least, at.limited.load
    fair = ports.power_to_reckon_losses(P_bulk=P_bulk, P_in=limited.P_in)

    def taken(I_off: Real) -> Real:
        return at.opened(V_least, I_off).P_in

    I_off = solved(
        "I_off",
        value_for(taken, fair, start=limited.I_off),
        balance="power this pulse takes = power it shall take",
        sides=lambda trial: (taken(trial), fair),
    )
    reckoned = at.of(Bulk(V_least, V_least, at.opened(V_least, I_off), 0.0))
    I_best = at.most_delivering(reckoned)
    if I_best is not None:
        reckoned = at.of(Bulk(V_least, V_least, at.opened(V_least, I_best), 0.0))
    assert reckoned.loaded is not None
    eta = ports.efficiency(P_socket=reckoned.power, P_in=reckoned.loaded.load.P_in)
    return ports.socket_power_from_bulk(P_bulk=P_bulk, eta=eta)


def _absent_where(condition: Real, power: Real) -> Real:
    """Infinite where a limit does not exist; a traced number stays traced."""
    if np.ndim(condition) == 0:
        return np.inf if condition else power
    return np.where(condition, np.inf, power)


def rectifier_current(at: Situation) -> Ceiling:
    """Power at which the output rectifier carries its rated mean current."""
    return Ceiling(at.socket(rectifier.output_power(V_o=at.V_o, I_o=at.supply.I_rectifier)))


def _heating(at: Situation, rung: str, rms: Callable[[Pulse], Real], limit: Real, symbol: str) -> Ceiling:
    """Power at which an rms current reaches a limit, at the mean bulk voltage of the current limit.

    Infinite where a smaller pulse would deliver more: no pulse that a controller would end there gets
    as far as the limit.
    """
    reference = at.limited
    start = at.starts.get(rung)

    def measure(I_off: Real) -> Real:
        return rms(at.opened(reference.V_mean, I_off))

    I_off = solved(
        "I_off",
        value_for(measure, limit, start=start.I_off if start else reference.load.I_off),
        balance=f"{symbol} of this pulse = its limit",
        sides=lambda trial: (measure(trial), limit),
    )
    reached = at.of(Bulk(reference.V_mean, reference.V_mean, at.opened(reference.V_mean, I_off), 0.0))
    with unrecorded():
        smaller = at.of(Bulk(0.0, 0.0, at.opened(reference.V_mean, (1 - SLIGHTLY) * I_off), 0.0))
    never = np.greater_equal(smaller.power, reached.power)
    return replace(reached, power=_absent_where(never, reached.power))


def capacitor_ripple(at: Situation) -> Ceiling:
    """Power at which an output capacitor carries its rated ripple current."""

    def ripple(done: Pulse) -> Real:
        return deliver(at.circuit, at.supply, done, V_o=at.V_o).I_c_rms

    return _heating(at, "capacitor ripple", ripple, at.supply.I_ripple, "I_c_rms")


def sense_power(at: Situation) -> Ceiling:
    """Power at which a sense resistor reaches its power rating."""
    return _heating(at, "sense resistor power", lambda done: done.I_p_rms, at.supply.I_sense, "I_p_rms")


def auxiliary_supply(at: Situation) -> Ceiling:
    """All or nothing: the controller runs only while the output is above its stop voltage."""
    V_o_stop = stop_voltage(at.supply)
    return Ceiling(_absent_where(np.less(V_o_stop, at.V_o), np.zeros(np.shape(V_o_stop))))


def stop_voltage(supply: Supply) -> Real:
    """Output voltage below which the controller loses its own supply [V]."""
    s = supply
    return regulation.supply_stop_voltage(V_stop=s.V_stop, N_s=s.N_s, N_aux=s.N_aux, V_f=s.V_f)


# --- what is needed ---------------------------------------------------------------------------


def lacking(circuit: Circuit, fields: Sequence[str]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(circuit.missing[field] for field in fields if field in circuit.missing))


def load_needs(circuit: Circuit, line: Line) -> list[str]:
    """Fields that any pulse, and on mains the bulk, needs."""
    needs = [] if line.V_ac is None else list(bulk.NEEDS)
    if circuit.free_running:
        return needs
    return [*needs, "d_dem" if circuit.constant_current else "f_s"]


def limit_needs(circuit: Circuit) -> list[str]:
    if circuit.control == "self-oscillating":
        return ["V_be", "R_s", "t_store"]
    if "K_power" in circuit.keys:
        return ["f_s", "t_sense"]
    if "I_limit" in circuit.keys:
        return ["t_sense"]
    return ["V_limit", "R_s", "t_sense"]


def limit_at_mean(circuit: Circuit, supply: Supply, rows: Mapping[str, Ceiling], V_o: Real) -> Real | None:
    """What the current limit (or constant-current loop) allows at the mean bulk voltage [W].

    Returns:
        The power at the sockets, or None on a bench supply or where the limit is unknown.
    """
    limit = next((rows[name] for name in LIMIT_RUNGS if name in rows), None)
    if limit is None or limit.loaded is None or limit.loaded.V_mean is limit.loaded.V_valley:
        return None
    V_r = limit.loaded.load.V_r
    done = limit_pulse(circuit, supply, V_dc=limit.loaded.V_mean, V_r=V_r)
    if done is None:
        return None
    power = deliver(circuit, supply, done, V_o=V_o).P_socket
    if power >= limit.power:
        return power
    # the limit lies beyond the pulse that delivers most; that pulse is judged here too
    I_off = limit.loaded.load.I_off
    done = pulse(circuit, supply, V_dc=limit.loaded.V_mean, V_r=V_r, I_off=I_off)
    return deliver(circuit, supply, done, V_o=V_o).P_socket
