"""The value that brings a ceiling to a wanted power: in closed form where the formulas can be turned round.

Everything here is nominal. The pulse that carries the power is found first, at the valley it makes; the
part that ends it there follows from formulas solved for the part (`flyback.studies.inverse`). What the
closed form says is put back into the ladder; where the two disagree, or there is no closed form, the ladder
itself is searched.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from enum import StrEnum
from itertools import pairwise
from typing import Any

import numpy as np

from flyback.analysis import bulk
from flyback.analysis.bulk import Line
from flyback.analysis.ceilings import rung_named
from flyback.analysis.circuit import Circuit, Supply
from flyback.analysis.demand import Case
from flyback.analysis.limits import Situation, situation
from flyback.analysis.operating_point import Pulse, deliver, value_for
from flyback.equations import indicators, mains, output, ports, rectifier, switch
from flyback.equations.formula import Formula
from flyback.studies.inverse import Inverse, solve_for

MET = 1e-5
"""Relative difference up to which the ladder agrees with a closed form."""

PASSES, STILL = 12, 1e-8
"""Times a closed form is used again with the pulse its value makes, and the move that ends it."""

FURTHEST = 50.0
"""How many times, or what part, of its value a search tries."""

TRIALS = 24
"""Values tried between the present one and the furthest, before the root between two of them is found."""


class Method(StrEnum):
    """How a value was found, from the pulse that carries the wanted power."""

    CLOSED = "closed form"
    NUMERICAL = "numerical"


@dataclass(frozen=True, slots=True)
class Needed:
    """What a field of the supply must be for a nominal ceiling to stand at a power (SI).

    Attributes:
        power: the nominal ceiling that is wanted [W].
        relation: the closed form, or "".
        I_off: current at which the pulse that carries the power ends [A]; None where none was followed.
    """

    field: str
    now: float
    value: float
    power: float
    method: Method
    relation: str = ""
    I_off: float | None = None

    @property
    def dimension(self) -> str:
        """Name in `flyback.units.DIMENSIONS`; a shared rating is the current at which it is reached."""
        return {"R_s": "resistance", "R_b": "resistance", "C_bulk": "capacitance"}.get(
            self.field, "current"
        )


@dataclass(frozen=True, slots=True)
class Nominal:
    """The nominal ladder of a circuit at one line, and of the same circuit with one field scaled."""

    case: Case
    line: Line

    @property
    def circuit(self) -> Circuit:
        return self.case.circuit

    @property
    def supply(self) -> Supply:
        return self.circuit.supply({key: value.nominal for key, value in self.circuit.values.items()})

    def scaled(self, field: str, factor: float) -> Nominal:
        """The same with every value behind a field multiplied."""
        values = dict(self.circuit.values)
        for key in self.circuit.keys[field]:
            old = values[key]
            values[key] = replace(
                old, nominal=old.nominal * factor, low=old.low * factor, high=old.high * factor
            )
        return replace(self, case=replace(self.case, circuit=replace(self.circuit, values=values)))

    def present(self, field: str) -> float | None:
        """What a field is now, or None; of a shared rating, the current at which it is reached."""
        name = {"ripple_rating": "I_ripple", "sense_rating": "I_sense"}.get(field, field)
        value = getattr(self.supply, name)
        return None if value is None else float(value)

    def power(self, rung: str) -> float:
        """One ceiling [W]; not a number where it cannot be computed."""
        one = rung_named(rung)
        if not one.applies(self.circuit, self.line) or one.lacking(self.circuit, self.line):
            return np.nan
        return float(one.compute(self.at()).power)

    def at(self) -> Situation:
        supply = self.supply
        return situation(self.circuit, supply, self.line, self.case.rail(supply))


def needed(nominal: Nominal, rung: str, field: str, power: float) -> Needed | None:
    """The value of a field that brings a ceiling to a power, or None where none does.

    Args:
        field: as in `flyback.studies.fitting.ways`.
    """
    now = nominal.present(field)
    if now is None:
        return None
    found = _turned(nominal, rung, field, power, now)
    if found is not None:
        return found
    factor = _searched(nominal, rung, field, power)
    return None if factor is None else Needed(field, now, now * factor, power, Method.NUMERICAL)


def _turned(nominal: Nominal, rung: str, field: str, power: float, now: float) -> Needed | None:
    """The closed form, if there is one and the ladder agrees with it.

    The pulse itself depends a little on the part: a smaller sense resistor leaves more voltage to the
    winding. So it is followed again with the value found, until that no longer moves.
    """
    turned = _TURNED.get((rung, field))
    if turned is None:
        return None
    value, there = now, nominal
    for _ in range(PASSES):
        try:
            found, I_off = turned(there.at(), power)
        except ValueError:
            return None
        if field in _RATINGS:
            return Needed(field, now, found.value, power, Method.CLOSED, found.relation, I_off)
        moved, value = found.value / value - 1, found.value
        there = nominal.scaled(field, value / now)
        if abs(moved) < STILL:
            break
    if not abs(there.power(rung) / power - 1) <= MET:
        return None
    return Needed(field, now, value, power, Method.CLOSED, found.relation, I_off)


_RATINGS = ("ripple_rating", "sense_rating")
"""Fields of which the part that reaches its rating first decides; scaling all parts is no test of them."""


def _searched(nominal: Nominal, rung: str, field: str, power: float) -> float | None:
    """The factor nearest to 1 at which the ladder gives the power."""
    furthest = 1 / FURTHEST if field in ("R_s", "R_b") else FURTHEST

    def lack(log_factor: float) -> float:
        return nominal.scaled(field, float(np.exp(log_factor))).power(rung) / power - 1

    trials = np.linspace(0, np.log(furthest), TRIALS)
    for before, after in pairwise(trials):
        if lack(after) >= 0:
            if not (np.isfinite(lack(after)) and lack(before) < 0):
                return float(np.exp(after))
            from scipy.optimize import brentq

            try:
                return float(np.exp(brentq(lack, before, after, xtol=1e-10)))
            except ValueError:  # not a number on the way; what was tried is enough
                return float(np.exp(after))
    return None


# --- pulses ---------------------------------------------------------------------------------------


def _opening(at: Situation, V_dc: float, power: float) -> float:
    """Current at which a pulse must end to carry a power to the sockets, or to come nearest to it."""
    start = 4 * power / V_dc if at.limit is None else float(at.limited.load.I_off)
    return float(value_for(lambda I_off: _arrives(at, at.opened(V_dc, I_off)), power, start=start))


def _arrives(at: Situation, done: Pulse) -> float:
    return float(deliver(at.circuit, at.supply, done, V_o=at.V_o).P_socket)


def _carrying(at: Situation, V_dc: float, power: float) -> Pulse:
    """The pulse from a supply that carries a power to the sockets."""
    done = at.opened(V_dc, _opening(at, V_dc, power))
    if not np.isclose(_arrives(at, done), power, rtol=MET):
        raise ValueError("no pulse carries that power")
    return done


def at_valley(at: Situation, power: float, *, in_regulation: bool = True) -> Pulse:
    """The pulse that carries a power at the valley it makes.

    Args:
        in_regulation: at no lower voltage than the duty limit can use, as the ladder judges most limits.

    Raises:
        ValueError: no pulse does.
    """
    least = at.V_least if in_regulation and at.line.V_fixed is None else None
    loaded = bulk.solve(at.supply, at.line, lambda V: at.opened(float(V), _opening(at, float(V), power)))
    fed = loaded.gap < bulk.SETTLED and np.isclose(_arrives(at, loaded.load), power, rtol=MET)
    if fed and (least is None or loaded.V_valley >= least):
        return loaded.load
    if least is None:
        raise ValueError("the bulk cannot feed that power")
    return _carrying(at, float(least), power)


def _at_mean(at: Situation, power: float) -> Pulse:
    """The pulse that heats parts: at the mean bulk voltage of the current limit."""
    return _carrying(at, float(at.limited.V_mean), power)


# --- formulas turned round ------------------------------------------------------------------------

Turned = Callable[[Situation, float], tuple[Inverse, float | None]]

_OPENING: tuple[Formula[Any], ...] = (
    switch.on_path_resistance,
    switch.current_slope,
    switch.delayed_current,
)
"""From the limit current to the current at which the switch opens."""


def numbers(supply: Supply, *fields: str) -> dict[str, float]:
    """Fields of the supply by symbol, for `solve_for`."""
    return {field: float(getattr(supply, field)) for field in fields}


def _one(at: Situation, field: str) -> float:
    return at.circuit.values[at.circuit.keys[field][0]].nominal


def _sense(at: Situation, power: float, *, threshold: str = "V_limit") -> tuple[Inverse, float | None]:
    if np.any(at.supply.S_ramp):
        raise ValueError("the ramp's share depends on the current itself")
    done, s = at_valley(at, power), at.supply
    known = {"V_dc": float(done.V_dc), **numbers(s, "V_sat", "L_p", "s_test", "t_delay")}
    known |= {"R_switch": _one(at, "R_switch"), "R_pri": _one(at, "R_pri")}
    if at.circuit.control == "self-oscillating":
        first: tuple[Formula[Any], ...] = (switch.emitter_limit_current,)
        known |= numbers(s, "V_be")
    else:
        first = (switch.line_compensated_threshold, switch.sense_limit_current)
        known |= {"V_limit": float(getattr(s, threshold)), **numbers(s, "k_line")}
    found = solve_for("R_s", *first, *_OPENING, result=float(done.I_off), known=known)
    return found, float(done.I_off)


def _overload(at: Situation, power: float) -> tuple[Inverse, float | None]:
    return _sense(at, power, threshold="V_overload")


def _base(at: Situation, power: float) -> tuple[Inverse, float | None]:
    done, s = at_valley(at, power), at.supply
    known = {"V_dc": float(done.V_dc), **numbers(s, "N_b", "N_p", "V_be", "h_FE")}
    drive = (switch.base_current, switch.drive_limit_current)
    return solve_for("R_b", *drive, result=float(done.I_off), known=known), float(done.I_off)


def _bulk(at: Situation, power: float) -> tuple[Inverse, float | None]:
    """Capacitance in proportion to power: the times of the discharge depend on their quotient alone."""
    if np.any(at.supply.R_series):
        raise ValueError("the series resistance has a time constant of its own with the capacitance")
    if at.V_least is None:
        raise ValueError("no duty limit is known")
    done = _carrying(at, float(at.V_least), power)
    V_crest = bulk.crest(at.supply, at.line)
    now = bulk.largest_power(at.supply, at.line, at.V_least)
    theta = mains.departure_angle(
        P_bulk=now, V_crest=V_crest, C_bulk=at.supply.C_bulk, R_series=0.0, f_line=at.line.f_line
    )
    known = {
        "V_depart": mains.departure_voltage(V_crest=V_crest, theta=theta),
        "V_valley": at.V_least,
        "t_meet": mains.meeting_time(
            V_valley=at.V_least, V_crest=V_crest, f_line=at.line.f_line, n_pulse=at.supply.n_pulse
        ),
        "theta": theta,
        "f_line": at.line.f_line,
    }
    return solve_for("C_bulk", mains.bulk_power, result=float(done.P_in), known=known), float(done.I_off)


def _rectifier(at: Situation, power: float) -> tuple[Inverse, float | None]:
    known = {"V_o": float(at.V_o), **numbers(at.supply, "eta_post")}
    formulas = (rectifier.output_power, ports.socket_power)
    return solve_for("I_o", *formulas, result=power, known=known), None


def _ripple(at: Situation, power: float) -> tuple[Inverse, float | None]:
    done = _at_mean(at, power)
    I_c_rms = float(deliver(at.circuit, at.supply, done, V_o=at.V_o).I_c_rms)
    return _shared("I_rating", output.ripple_current_at_rating, I_c_rms), float(done.I_off)


def _sense_power(at: Situation, power: float) -> tuple[Inverse, float | None]:
    done = _at_mean(at, power)
    return _shared("P_rating", indicators.rms_current_at_rating, float(done.I_p_rms)), float(done.I_off)


def _shared(rating: str, formula: Formula[Any], current: float) -> Inverse:
    """A current that several parts share, with the closed form of the rating of each of them."""
    alone = dict.fromkeys(set(formula.arguments) - {rating}, 1.0)
    relation = solve_for(rating, formula, result=current, known=alone).relation
    return Inverse(formula.symbol, current, relation)


_TURNED: Mapping[tuple[str, str], Turned] = {
    ("current limit", "R_s"): _sense,
    ("overload timer", "R_s"): _overload,
    ("base drive", "R_b"): _base,
    ("bulk valley", "C_bulk"): _bulk,
    ("rectifier current", "I_rectifier"): _rectifier,
    ("capacitor ripple", "ripple_rating"): _ripple,
    ("sense resistor power", "sense_rating"): _sense_power,
}
