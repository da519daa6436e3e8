"""Limits that no part can lift: what another transformer, controller or case would have to be."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from flyback.analysis.assessment import Step
from flyback.analysis.bulk import Line
from flyback.analysis.ceilings import Question
from flyback.analysis.circuit import Circuit
from flyback.analysis.limits import Situation
from flyback.equations import regulation, switch, transformer
from flyback.studies.fitting import ROOM, VOLUME
from flyback.studies.inverse import Inverse, solve_for
from flyback.studies.needed import Needed, Nominal, at_valley, numbers


@dataclass(frozen=True, slots=True)
class Remains:
    """The limit at which the changing of parts ends.

    Attributes:
        line: where it is lowest.
        key: file key of the value that stops it, or the parts it is made of, or "".
        now, wanted: that value and what it would have to be (SI); None where it is not known.
        words: why no part lifts it.
    """

    step: Step
    line: Line
    words: str
    key: str = ""
    now: float | None = None
    wanted: float | None = None
    dimension: str = ""

    @property
    def rung(self) -> str:
        return self.step.rung.name


def remains(nominal: Nominal, step: Step, power: float) -> Remains:
    """Why a ceiling stays below a nominal power, and what would have to be different.

    Args:
        nominal: at the line where the ceiling is lowest.
        power: the nominal ceiling that is wanted [W].
    """
    key, words, turned = _told(nominal, step)
    line = nominal.line
    if not key or turned is None:
        return Remains(step, line, words)
    value = nominal.circuit.values[nominal.circuit.keys[key][0]]
    try:
        wanted = turned(nominal.at(), power).value
    except ValueError:
        return Remains(step, line, words, value.key, value.nominal, None, value.dimension)
    return Remains(step, line, words, value.key, value.nominal, wanted, value.dimension)


def no_room(circuit: Circuit, step: Step, line: Line, found: Needed, growth: float) -> Remains:
    """A bulk capacitance that its place has no room for.

    Args:
        growth: how many times the capacitance its place would have to hold, with a value that is made.
    """
    parts = circuit.parts["C_bulk"]
    words = (
        f"the next capacitance made for that is {growth:.1f} times that of {parts} and is taken not to fit "
        f"in its place; up to {ROOM:g} times would ({VOLUME})"
    )
    return Remains(step, line, words, parts, found.now, found.value, "capacitance")


Turned = Callable[[Situation, float], Inverse]


def _told(nominal: Nominal, step: Step) -> tuple[str, str, Turned | None]:
    """Field of the supply that stops it, why no part lifts it, and how to find what it would have to be."""
    circuit, name = nominal.circuit, step.rung.name
    ic = circuit.parts.get("I_limit") or circuit.parts.get("K_power") or "the controller"
    if name in ("current limit", "overload timer") and "R_s" not in circuit.keys:
        field = "K_power" if "K_power" in circuit.keys else "I_limit"
        words = f"{ic} senses the current inside, so no resistor sets it: it takes another controller"
        return field, words, _coefficient if field == "K_power" else _inside
    if name in _TOLD:
        field, words, turned = _TOLD[name]
        return field, words.format(parts=step.parts), turned
    draws = step.rung.question is Question.REACH and step.rung.loads_bulk
    bulk = f", nor with {ROOM:g} times the bulk capacitance" if draws and "C_bulk" in circuit.keys else ""
    return "", f"no value of {step.parts} lifts it that far{bulk}", None


def _inside(at: Situation, power: float) -> Inverse:
    done, s = at_valley(at, power), at.supply
    known = {"V_dc": float(done.V_dc), **numbers(s, "V_sat", "R_on", "L_p", "s_test", "t_delay")}
    return solve_for(
        "I_limit", switch.current_slope, switch.delayed_current, result=float(done.I_off), known=known
    )


def _coefficient(at: Situation, power: float) -> Inverse:
    I_limit = _inside(at, power).value
    known = numbers(at.supply, "f_s")
    return solve_for("K_power", switch.coefficient_limit_current, result=I_limit, known=known)


def _core(at: Situation, power: float) -> Inverse:
    done, s = at_valley(at, power), at.supply
    known = numbers(s, "B_sat", "N_p", "L_p")
    return solve_for("A_e", transformer.saturation_current, result=float(done.I_pk), known=known)


def _duty(at: Situation, power: float) -> Inverse:
    done, s = at_valley(at, power, in_regulation=False), at.supply
    known = {"V_dc": float(done.V_dc), **numbers(s, "V_sat", "L_p", "f_s")}
    return solve_for("D_max", switch.duty_limit_current, result=float(done.I_off), known=known)


def _auxiliary(at: Situation, power: float) -> Inverse:
    known = numbers(at.supply, "V_stop", "N_s", "V_f")
    return solve_for("N_aux", regulation.supply_stop_voltage, result=float(at.V_o), known=known)


_TOLD: Mapping[str, tuple[str, str, Turned | None]] = {
    "saturation": (
        "A_e",
        "the core of {parts} saturates: it takes another transformer, with a larger core, or with another "
        "gap and other turns on this one",
        _core,
    ),
    "duty limit": (
        "D_max",
        "the longest on time of {parts} stops it: it takes another controller, or another turns ratio",
        _duty,
    ),
    "auxiliary supply": (
        "N_aux",
        "{parts} loses its own supply at this output voltage: it takes another auxiliary winding",
        _auxiliary,
    ),
}
