"""From the traced board to the circuit the physics sees.

`trace` gathers every number once: what the file gives, what the handbook lends where the file does
not, what is simply not there, and what stays unknown. `Circuit.supply` then turns one set of numbers
(the nominal ones, or a block of samples) into a `Supply`, by calling formulas only.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import reduce

from flyback.board.model import Board, Value
from flyback.equations import indicators, output, regulation, switch, transformer
from flyback.equations.formula import Real


@dataclass(frozen=True, slots=True)
class Supply:
    """The circuit in the glossary's symbols, SI units; None where a value is unknown.

    Every number is a float, a traced float or an array of samples; all broadcast together.
    ``V_overload`` is the threshold of the overload timer, ``V_rail`` the voltage the rail is set to;
    ``I_rectifier``, ``I_ripple`` and ``I_sense`` are the mean output current, capacitor ripple current
    and primary rms current at which the first part reaches its rating.
    """

    n_pulse: Real | None
    N_d: Real | None
    V_d: Real | None
    R_series: Real
    C_bulk: Real | None
    R_s: Real | None
    V_limit: Real | None
    I_limit: Real | None
    K_power: Real | None
    s_test: Real
    k_line: Real
    S_ramp: Real
    V_overload: Real | None
    t_delay: Real | None
    f_s: Real | None
    f_max: Real | None
    D_max: Real | None
    C_d: Real
    R_on: Real
    V_sat: Real
    V_be: Real | None
    h_FE: Real | None
    R_b: Real | None
    N_b: Real | None
    N_p: Real
    N_s: Real
    N_aux: Real | None
    n: Real
    L_p: Real
    L_leak: Real
    L_m: Real
    A_e: Real | None
    B_sat: Real | None
    V_c: Real | None
    k_clamp: Real | None
    R_cl: Real | None
    V_f: Real
    R_sec: Real
    I_rectifier: Real | None
    I_ripple: Real | None
    I_sense: Real | None
    C_o: Real | None
    R_esr: Real
    V_rail: Real | None
    V_stop: Real | None
    d_dem: Real | None
    I_th: Real
    eta_post: Real


@dataclass(frozen=True, slots=True)
class Circuit:
    """Every number of a board that the physics may use, gathered once.

    Attributes:
        values: known numbers by key, handbook ranges and zeros for absent parts included.
        keys: `Supply` field (or ingredient of one) to the keys it is made from, in file order.
        parts: the same fields to the parts behind them, as a report names them ("R5 || R6").
        missing: `Supply` field to the file key that would supply it.
        assumed: values lent by the handbook.
        left_out: effects not counted because their value was not given, in words.
    """

    board: Board
    values: Mapping[str, Value]
    keys: Mapping[str, tuple[str, ...]]
    parts: Mapping[str, str]
    missing: Mapping[str, str]
    assumed: tuple[Value, ...]
    left_out: tuple[str, ...]

    @property
    def control(self) -> str:
        return self.board.control

    @property
    def free_running(self) -> bool:
        """True where each pulse waits for the demagnetisation of the last one."""
        return self.control in ("valley switching", "self-oscillating")

    @property
    def constant_current(self) -> bool:
        return self.control == "primary-side constant current"

    @property
    def second_converter(self) -> bool:
        """True where a second converter stands between the rail and the sockets."""
        return self.keys["eta_post"] != ("absent.eta_post",)

    def supply(self, numbers: Mapping[str, Real]) -> Supply:
        """Build the circuit from one set of numbers.

        Args:
            numbers: a float, a traced float or an array for every key of ``values``.
        """

        def all_of(field: str) -> list[Real]:
            return [numbers[key] for key in self.keys.get(field, ())]

        def one(field: str) -> Real | None:
            found = all_of(field)
            return found[0] if found else None

        def joined(field: str, join: Callable[[Real, Real], Real]) -> Real | None:
            found = all_of(field)
            return reduce(join, found) if found else None

        def both(a: str, b: str, make: Callable[[Real, Real], Real]) -> Real | None:
            first, second = one(a), one(b)
            return None if first is None or second is None else make(first, second)

        R_s = joined("R_s", _parallel)
        R_sense = one("no sense resistor") if R_s is None else R_s
        R_upper, R_lower = joined("R_upper", _series), joined("R_lower", _parallel)
        V_ref = one("V_ref")
        if R_upper is None or R_lower is None or V_ref is None:
            V_rail = one("V_rail")
        else:
            V_rail = regulation.divider_set_voltage(V_ref=V_ref, R_upper=R_upper, R_lower=R_lower)
        C_o = joined("C_o", _capacitance)
        ripple = [
            output.ripple_current_at_rating(I_rating=rating, C_1=C_1, C_o=C_o)
            for rating, C_1 in zip(all_of("ripple_rating"), all_of("C_o"), strict=False)
        ]
        sense = [
            indicators.rms_current_at_rating(P_rating=rating, R_1=R_1, R_s=R_s)
            for rating, R_1 in zip(all_of("sense_rating"), all_of("R_s"), strict=False)
        ]
        N_p, N_s, L_p, L_leak = (one(field) for field in ("N_p", "N_s", "L_p", "L_leak"))
        return Supply(
            R_series=joined("R_series", _series),
            C_bulk=joined("C_bulk", _capacitance),
            R_s=R_s,
            t_delay=both("t_sense", "t_store", lambda a, b: switch.total_delay(t_sense=a, t_store=b)),
            R_on=switch.on_path_resistance(R_switch=one("R_switch"), R_pri=one("R_pri"), R_s=R_sense),
            n=transformer.turns_ratio(N_p=N_p, N_s=N_s),
            N_p=N_p,
            N_s=N_s,
            L_p=L_p,
            L_leak=L_leak,
            L_m=transformer.magnetising_inductance(L_p=L_p, L_leak=L_leak),
            R_b=joined("R_b", _series),
            R_cl=joined("R_cl", _parallel),
            I_rectifier=joined("I_rectifier", _rating),
            I_ripple=reduce(_first, ripple) if ripple else None,
            I_sense=reduce(_first, sense) if sense else None,
            C_o=C_o,
            R_esr=joined("R_esr", _parallel),
            V_rail=V_rail,
            **{field: one(field) for field in _PLAIN},
        )


_PLAIN = (
    *("n_pulse", "N_d", "V_d", "V_limit", "I_limit", "K_power", "s_test", "k_line", "S_ramp", "V_overload"),
    *(
        "f_s",
        "f_max",
        "D_max",
        "C_d",
        "V_sat",
        "V_be",
        "h_FE",
        "N_b",
        "N_aux",
        "A_e",
        "B_sat",
        "V_c",
    ),
    *("V_f", "R_sec", "V_stop", "k_clamp", "d_dem", "I_th", "eta_post"),
)
"""Fields of `Supply` that are one value each, taken as they are."""


def _parallel(a: Real, b: Real) -> Real:
    return indicators.parallel_resistance(R_1=a, R_2=b)


def _series(a: Real, b: Real) -> Real:
    return indicators.series_resistance(R_1=a, R_2=b)


def _capacitance(a: Real, b: Real) -> Real:
    return indicators.parallel_capacitance(C_1=a, C_2=b)


def _rating(a: Real, b: Real) -> Real:
    return indicators.parallel_current_rating(I_1=a, I_2=b)


def _first(a: Real, b: Real) -> Real:
    return indicators.first_to_reach(I_1=a, I_2=b)


def joined_names(designators: Sequence[str], link: str) -> str:
    """Several parts as a report names them: "R5 || R6", "C1 + C2"."""
    return f" {link} ".join(designators)
