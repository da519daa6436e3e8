"""The ladder of ceilings: every limit on the output power, at one line voltage.

*Reach* limits physically stop the power; *hold* limits are ratings beyond which a part is overloaded.
Each rung is a small function of a `Situation`; `RUNGS` lists them in the order of the power's path.
A rung that does not exist at a line (a duty limit that is never reached) is infinite.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np

from flyback.analysis import bulk
from flyback.analysis.bulk import Bulk, Line
from flyback.analysis.circuit import Circuit, Supply
from flyback.analysis.operating_point import (
    Delivery,
    Pulse,
    deliver,
    limit_pulse,
    opening_for,
    pulse,
)
from flyback.equations import ports, rectifier, regulation, switch, transformer
from flyback.equations.formula import Real, solved
from flyback.errors import NumericalError


class Question(StrEnum):
    """What a ceiling answers."""

    REACH = "reach"
    HOLD = "hold"


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
        limit: what the current limit (or constant-current loop) allows, which several rungs start
            from; None where a value it needs is unknown.
    """

    circuit: Circuit
    supply: Supply
    line: Line
    V_o: Real
    V_r: Real
    starts: Mapping[str, Start]
    limit: Ceiling | None = None

    @property
    def limited(self) -> Bulk[Pulse]:
        """Bulk and pulse at the current limit."""
        if self.limit is None or self.limit.loaded is None:
            raise ValueError("the current limit is unknown")
        return self.limit.loaded

    def at_valley(self, rung: str, follow: Callable[[Real], Pulse]) -> Ceiling:
        """A ceiling whose pulse is known as a function of the valley voltage."""
        start = self.starts.get(rung)
        share = None if start is None else start.valley_share
        loaded = bulk.solve(self.supply, self.line, follow, start=share)
        return self.of(loaded)

    def of(self, loaded: Bulk[Pulse]) -> Ceiling:
        done = deliver(self.circuit, self.supply, loaded.load, V_o=self.V_o)
        return Ceiling(done.P_socket, loaded, done)

    def limit_pulse(self, V_dc: Real, *, overload: bool = False) -> Pulse:
        done = limit_pulse(self.circuit, self.supply, V_dc=V_dc, V_r=self.V_r, overload=overload)
        if done is None:
            raise ValueError("the current limit is unknown")
        return done

    def opened(self, V_dc: Real, I_off: Real) -> Pulse:
        return pulse(self.circuit, self.supply, V_dc=V_dc, V_r=self.V_r, I_off=I_off)

    def socket(self, P_o: Real) -> Real:
        return ports.socket_power(P_o=P_o, eta_post=self.supply.eta_post)


LIMIT = "limit"
"""Name under which the valley of the current limit is kept in ``starts``."""


def situation(
    circuit: Circuit, supply: Supply, line: Line, V_o: Real, starts: Mapping[str, Start] | None = None
) -> Situation:
    """Everything a rung needs, with the reflected voltage and the current limit worked out once."""
    V_r = transformer.reflected_voltage(n=supply.n, V_o=V_o, V_f=supply.V_f)
    at = Situation(circuit, supply, line, V_o, V_r, starts or {})
    if _lacking(circuit, [*_limit_needs(circuit), *_load_needs(circuit, line)]):
        return at
    return replace(at, limit=at.at_valley(LIMIT, at.limit_pulse))


def _current_limit(at: Situation) -> Ceiling:
    assert at.limit is not None
    return at.limit


def _overload_timer(at: Situation) -> Ceiling:
    return at.at_valley("overload timer", lambda V: at.limit_pulse(V, overload=True))


def _saturation(at: Situation) -> Ceiling:
    s = at.supply
    I_sat = transformer.saturation_current(B_sat=s.B_sat, N_p=s.N_p, A_e=s.A_e, L_p=s.L_p)

    def follow(V: Real) -> Pulse:
        return at.opened(V, switch.opening_current(I_pk=I_sat, C_d=s.C_d, V_dc=V, L_p=s.L_p))

    return at.at_valley("saturation", follow)


def _base_drive(at: Situation) -> Ceiling:
    s = at.supply

    def follow(V: Real) -> Pulse:
        I_base = switch.base_current(V_dc=V, N_b=s.N_b, N_p=s.N_p, V_be=s.V_be, R_b=s.R_b)
        return at.opened(V, switch.drive_limit_current(h_FE=s.h_FE, I_base=I_base))

    return at.at_valley("base drive", follow)


def _least_supply(at: Situation) -> Real:
    s = at.supply
    return transformer.lowest_voltage_for_duty(
        V_r=at.V_r, D_max=s.D_max, L_p=s.L_p, L_m=s.L_m, V_sat=s.V_sat
    )


def _duty_pulse(at: Situation, V_dc: Real) -> Pulse:
    s = at.supply
    I_off = switch.duty_limit_current(V_dc=V_dc, V_sat=s.V_sat, D_max=s.D_max, L_p=s.L_p, f_s=s.f_s)
    return at.opened(V_dc, I_off)


def _duty_limit(at: Situation) -> Ceiling:
    """Largest duty cycle reached in discontinuous conduction, the current limit removed.

    Above the supply at which the reflected voltage still fits, the current can build up from pulse
    to pulse, and duty limits nothing; there the bulk valley does (see `_bulk_valley`).
    """
    V_least = _least_supply(at)
    if at.line.V_fixed is None:
        spare = bulk.largest_power(at.supply, at.line, V_least)
        if np.all(np.greater_equal(spare, _duty_pulse(at, V_least).P_in)):
            return Ceiling(np.inf)
    ceiling = at.at_valley("duty limit", lambda V: _duty_pulse(at, V))
    assert ceiling.loaded is not None
    free = np.greater_equal(ceiling.loaded.V_valley, V_least)
    return Ceiling(_absent_where(free, ceiling.power))


def _bulk_valley(at: Situation) -> Ceiling:
    """Power that takes the bulk down to where the reflected voltage no longer fits the duty limit.

    The current limit is removed; what arrives at the sockets is reckoned at the efficiency of the
    pulse that the current limit ends, since a pulse far above it would be no fair measure of losses.
    """
    V_least = _least_supply(at)
    P_bulk = bulk.largest_power(at.supply, at.line, V_least)
    eta = ports.efficiency(P_socket=_current_limit(at).power, P_in=at.limited.load.P_in)
    power = ports.socket_power_from_bulk(P_bulk=P_bulk, eta=eta)
    if at.circuit.free_running:
        return Ceiling(power)
    return Ceiling(_absent_where(np.less(P_bulk, _duty_pulse(at, V_least).P_in), power))


def _absent_where(condition: Real, power: Real) -> Real:
    """Infinite where a limit does not exist; a traced number stays traced."""
    if np.ndim(condition) == 0:
        return np.inf if condition else power
    return np.where(condition, np.inf, power)


def _rectifier_current(at: Situation) -> Ceiling:
    return Ceiling(at.socket(rectifier.output_power(V_o=at.V_o, I_o=at.supply.I_rectifier)))


def _heating(
    at: Situation, rung: str, rms: Callable[[Pulse, Delivery], Real], limit: Real, symbol: str
) -> Ceiling:
    """Power at which an rms current reaches a limit, at the mean bulk voltage of the current limit."""
    reference = at.limited
    start = at.starts.get(rung)

    def measure(I_off: Real) -> Real:
        done = at.opened(reference.V_mean, I_off)
        return rms(done, deliver(at.circuit, at.supply, done, V_o=at.V_o))

    I_off = solved(
        "I_off",
        opening_for(measure, limit, start=start.I_off if start else reference.load.I_off),
        balance=f"{symbol} of this pulse = its limit",
        sides=lambda trial: (measure(trial), limit),
    )
    done = at.opened(reference.V_mean, I_off)
    return at.of(Bulk(reference.V_valley, reference.V_mean, done, 0.0))


def _capacitor_ripple(at: Situation) -> Ceiling:
    return _heating(at, "capacitor ripple", lambda _, done: done.I_c_rms, at.supply.I_ripple, "I_c_rms")


def _sense_power(at: Situation) -> Ceiling:
    return _heating(at, "sense resistor power", lambda done, _: done.I_p_rms, at.supply.I_sense, "I_p_rms")


def _auxiliary_supply(at: Situation) -> Ceiling:
    """All or nothing: the controller runs only while the output is above its stop voltage."""
    V_o_stop = stop_voltage(at.supply)
    return Ceiling(_absent_where(np.less(V_o_stop, at.V_o), np.zeros(np.shape(V_o_stop))))


def stop_voltage(supply: Supply) -> Real:
    """Output voltage below which the controller loses its own supply [V]."""
    s = supply
    return regulation.supply_stop_voltage(V_stop=s.V_stop, N_s=s.N_s, N_aux=s.N_aux, V_f=s.V_f)


@dataclass(frozen=True, slots=True)
class Rung:
    """One row of the ladder.

    Attributes:
        needs: circuit fields that must be known.
        named_by: circuit fields whose parts name the rung.
        limited: True where the rung starts from the pulse the current limit ends.
        loads_bulk: True where the rung draws on the bulk.
        may_be_absent: True where the limit need not exist at a line, and is infinite then.
        applies: whether the board has this limit at all.
    """

    name: str
    question: Question
    compute: Callable[[Situation], Ceiling]
    needs: tuple[str, ...]
    named_by: tuple[str, ...]
    limited: bool = False
    loads_bulk: bool = True
    may_be_absent: bool = False
    applies: Callable[[Circuit, Line], bool] = lambda circuit, line: True

    def parts(self, circuit: Circuit) -> str:
        """The parts that set this ceiling, as a report names them."""
        names = [circuit.parts[field] for field in self.named_by if field in circuit.parts]
        return ", ".join(dict.fromkeys(names))

    def lacking(self, circuit: Circuit, line: Line) -> tuple[str, ...]:
        """File keys this rung needs and does not have."""
        fields = list(self.needs)
        if self.limited:
            fields += _limit_needs(circuit)
        if self.loads_bulk:
            fields += _load_needs(circuit, line)
        return _lacking(circuit, fields)


def _lacking(circuit: Circuit, fields: Sequence[str]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(circuit.missing[field] for field in fields if field in circuit.missing))


def _load_needs(circuit: Circuit, line: Line) -> list[str]:
    """Fields that any pulse, and on mains the bulk, needs."""
    needs = [] if line.V_ac is None else ["n_pulse", "N_d", "V_d", "C_bulk"]
    if circuit.free_running:
        return needs
    return [*needs, "d_dem" if circuit.constant_current else "f_s"]


def _limit_needs(circuit: Circuit) -> list[str]:
    if circuit.control == "self-oscillating":
        return ["V_be", "R_s", "t_store"]
    if "I_limit" in circuit.keys or "K_power" in circuit.keys:
        return ["t_sense"]
    return ["V_limit", "R_s", "t_sense"]


def _fixed_frequency(circuit: Circuit, line: Line) -> bool:
    return not circuit.free_running and not circuit.constant_current


def _on_mains_with_duty(circuit: Circuit, line: Line) -> bool:
    return line.V_ac is not None and not circuit.constant_current and circuit.control != "valley switching"


def _constant_current(circuit: Circuit, line: Line) -> bool:
    return circuit.constant_current


def _peak_limited(circuit: Circuit, line: Line) -> bool:
    return not circuit.constant_current


def _self_oscillating(circuit: Circuit, line: Line) -> bool:
    return circuit.control == "self-oscillating"


def _has(field: str) -> Callable[[Circuit, Line], bool]:
    return lambda circuit, line: field in circuit.keys


_SENSE = ("R_s", "I_limit", "K_power")

RUNGS = (
    Rung(
        "bulk valley",
        Question.REACH,
        _bulk_valley,
        needs=("D_max",),
        named_by=("C_bulk",),
        limited=True,
        may_be_absent=True,
        applies=_on_mains_with_duty,
    ),
    Rung(
        "duty limit",
        Question.REACH,
        _duty_limit,
        needs=("D_max",),
        named_by=("D_max",),
        may_be_absent=True,
        applies=_fixed_frequency,
    ),
    Rung(
        "current limit",
        Question.REACH,
        _current_limit,
        needs=(),
        named_by=_SENSE,
        limited=True,
        applies=_peak_limited,
    ),
    Rung(
        "constant-current loop",
        Question.REACH,
        _current_limit,
        needs=(),
        named_by=("R_s",),
        limited=True,
        applies=_constant_current,
    ),
    Rung(
        "base drive",
        Question.REACH,
        _base_drive,
        needs=("N_b", "R_b", "V_be", "h_FE"),
        named_by=("R_b",),
        applies=_self_oscillating,
    ),
    Rung(
        "overload timer",
        Question.REACH,
        _overload_timer,
        needs=("R_s", "t_sense"),
        named_by=("V_overload",),
        applies=_has("V_overload"),
    ),
    Rung("saturation", Question.REACH, _saturation, needs=("A_e", "B_sat"), named_by=("N_p",)),
    Rung(
        "auxiliary supply",
        Question.REACH,
        _auxiliary_supply,
        needs=("N_aux",),
        named_by=("V_stop",),
        loads_bulk=False,
        may_be_absent=True,
        applies=_has("V_stop"),
    ),
    Rung(
        "rectifier current",
        Question.HOLD,
        _rectifier_current,
        needs=("I_rectifier",),
        named_by=("V_f",),
        loads_bulk=False,
    ),
    Rung(
        "capacitor ripple",
        Question.HOLD,
        _capacitor_ripple,
        needs=("ripple_rating", "C_o"),
        named_by=("C_o",),
        limited=True,
    ),
    Rung(
        "sense resistor power",
        Question.HOLD,
        _sense_power,
        needs=("sense_rating",),
        named_by=("R_s",),
        limited=True,
        applies=_has("R_s"),
    ),
)
"""Every rung, in the order of the power's path."""


def rungs(circuit: Circuit, line: Line) -> tuple[Rung, ...]:
    """The rungs this board has at this line, known or not."""
    return tuple(rung for rung in RUNGS if rung.applies(circuit, line))


def ladder(
    circuit: Circuit,
    supply: Supply,
    line: Line,
    *,
    V_o: Real,
    starts: Mapping[str, Start] | None = None,
) -> dict[str, Ceiling]:
    """Every ceiling that can be computed, by rung name.

    Args:
        V_o: rail voltage at which the power is judged [V].
        starts: from `starting_points` of the nominal ladder, for arrays.

    Returns:
        Ceilings in the order of `RUNGS`, with the broadcast shape of the supply's numbers.

    Raises:
        NumericalError: where a ceiling is NaN, or infinite although its limit always exists.
    """
    at = situation(circuit, supply, line, V_o, starts)
    known = [rung for rung in rungs(circuit, line) if not rung.lacking(circuit, line)]
    return {rung.name: _finite(rung, rung.compute(at), line) for rung in known}


def _finite(rung: Rung, ceiling: Ceiling, line: Line) -> Ceiling:
    wrong = np.isnan(ceiling.power) if rung.may_be_absent else ~np.isfinite(ceiling.power)
    if np.any(wrong):
        raise NumericalError(
            f"{rung.name} at {line.full_name}: the result is not a finite number; "
            "one of the values it rests on is out of the formulas' range."
        )
    return ceiling


def limit_at_mean(circuit: Circuit, supply: Supply, rows: Mapping[str, Ceiling], V_o: Real) -> Real | None:
    """What the current limit (or constant-current loop) allows at the mean bulk voltage [W].

    Returns:
        The power at the sockets, or None on a bench supply or where the limit is unknown.
    """
    limit = rows.get("current limit", rows.get("constant-current loop"))
    if limit is None or limit.loaded is None or limit.loaded.V_mean is limit.loaded.V_valley:
        return None
    V_r = limit.loaded.load.V_r
    done = limit_pulse(circuit, supply, V_dc=limit.loaded.V_mean, V_r=V_r)
    return None if done is None else deliver(circuit, supply, done, V_o=V_o).P_socket


def starting_points(supply: Supply, line: Line, ceilings: Mapping[str, Ceiling]) -> dict[str, Start]:
    """Nominal solutions by rung, to start array solvers from."""
    crest = float(bulk.crest(supply, line))
    starts = {
        name: Start(float(ceiling.loaded.V_valley) / crest, float(ceiling.loaded.load.I_off))
        for name, ceiling in ceilings.items()
        if ceiling.loaded is not None
    }
    limit = starts.get("current limit", starts.get("constant-current loop"))
    return starts if limit is None else {**starts, LIMIT: limit}
