"""The plain sentences behind a verdict: watts, amps and designators, nothing a formula did not give."""

from __future__ import annotations

from collections.abc import Callable
from math import isclose

from flyback.analysis.assessment import Column, Step
from flyback.analysis.bulk import Bulk
from flyback.analysis.circuit import Circuit, Supply
from flyback.analysis.limits import LIMIT_RUNGS
from flyback.analysis.operating_point import Pulse, deliver, pulse, value_for
from flyback.equations.formula import Real
from flyback.units import format_quantity
from flyback.verdict.judge import culprit
from flyback.verdict.label import amount
from flyback.verdict.words import Judgement, Word


def why(
    circuit: Circuit, supply: Supply, judgement: Judgement, elsewhere: Column | None = None
) -> tuple[str, ...]:
    """Paragraphs that say what stops the claim first, at the line where it was judged.

    Args:
        elsewhere: the ladder where the supply was tried; told too if another part stops the claim
            there.
    """
    column, outcome = judgement.column, judgement.outcome
    if column is None or outcome is None or judgement.word is Word.CANNOT_TELL:
        return ()
    here = [_stopped(circuit, supply, column)]
    needed = float(outcome.needed)
    stopped = column.binding.ceiling.loaded
    by_bulk = culprit(circuit, column) != column.binding.parts
    if float(column.lowest.nominal) >= needed:
        return (" ".join(here),)
    if not by_bulk and stopped is not None:
        here.append(_would_need(circuit, supply, column, stopped.load, needed))
    if elsewhere is None or culprit(circuit, elsewhere) == culprit(circuit, column):
        return (" ".join(here),)
    return " ".join(here), _stopped(circuit, supply, elsewhere)


def _stopped(circuit: Circuit, supply: Supply, column: Column) -> str:
    step = column.binding
    if culprit(circuit, column) != step.parts:
        return _bulk(circuit, supply, column, step)
    return _WRITERS.get(step.rung.name, _plain)(circuit, supply, column, step)


def _watts(value: Real) -> str:
    return format_quantity(float(value), "power")


def _amps(value: Real) -> str:
    return format_quantity(float(value), "current")


def _volts(value: Real) -> str:
    return format_quantity(float(value), "voltage")


def _loaded(step: Step) -> Bulk[Pulse]:
    if step.ceiling.loaded is None:
        raise ValueError(f"{step.rung.name} has no pulse of its own")
    return step.ceiling.loaded


def _bulk_stands(column: Column, loaded: Bulk[Pulse]) -> str:
    if column.line.f_line is None:
        return "the bulk is held"
    return f"the bulk falls to {_volts(loaded.V_valley)}"


def _current_limit(circuit: Circuit, supply: Supply, column: Column, step: Step) -> str:
    loaded = _loaded(step)
    done = loaded.load
    sense = step.parts
    if supply.R_s is not None and "R_s" in circuit.parts:
        sense = f"{step.parts} = {format_quantity(float(supply.R_s), 'resistance')}"
    end = "end" if "||" in step.parts else "ends"
    flows_on = ", where the current never falls to zero" if float(done.I_v) > 0 else ""
    pulses = f"{float(f'{float(done.f_s):.3g}'):,.0f}".replace(",", " ")
    return (
        f"{sense} {end} each pulse at {_amps(done.I_pk)}. At {column.line.full_name} "
        f"{_bulk_stands(column, loaded)}{flows_on}; "
        f"{pulses} such pulses a second pass {_watts(done.P_store)} on and {_watts(step.ceiling.power)} "
        "reach the sockets."
    )


def _constant_current(circuit: Circuit, supply: Supply, column: Column, step: Step) -> str:
    loaded, delivered = _loaded(step), step.ceiling.delivered
    held = _amps(delivered.I_o) if delivered is not None else "the current"
    return (
        f"{step.parts} and the turns ratio {float(supply.n):.3g} let the controller hold {held}. At "
        f"{column.line.full_name} {_bulk_stands(column, loaded)} and "
        f"{_watts(step.ceiling.power)} reach the sockets."
    )


def _bulk(circuit: Circuit, supply: Supply, column: Column, step: Step) -> str:
    size = format_quantity(float(supply.C_bulk or 0), "capacitance")
    limit = next((other for other in column.steps if other.rung.name in LIMIT_RUNGS), step)
    falls = f"falls to {_volts(_loaded(limit).V_valley)}" if limit.ceiling.loaded else "runs down"
    return (
        f"{circuit.parts['C_bulk']} = {size} {falls} before the next half-wave at "
        f"{column.line.full_name}. "
        f"No more than {_watts(step.ceiling.power)} can reach the sockets there, whatever ends the pulses."
    )


def _saturation(circuit: Circuit, supply: Supply, column: Column, step: Step) -> str:
    return (
        f"The core of {step.parts} saturates at {_amps(_loaded(step).load.I_pk)}: "
        f"{_watts(step.ceiling.power)} at the sockets at {column.line.full_name}."
    )


def _rating(circuit: Circuit, supply: Supply, column: Column, step: Step) -> str:
    return (
        f"{step.parts} reaches its rating ({step.rung.name}) at {_watts(step.ceiling.power)}, "
        f"{column.line.full_name}. More can be had, but the part is overloaded."
    )


def _plain(circuit: Circuit, supply: Supply, column: Column, step: Step) -> str:
    return (
        f"The {step.rung.name} of {step.parts} stops it at {_watts(step.ceiling.power)}, "
        f"{column.line.full_name}."
    )


Writer = Callable[[Circuit, Supply, Column, Step], str]

_WRITERS: dict[str, Writer] = {
    "current limit": _current_limit,
    "constant-current loop": _constant_current,
    "saturation": _saturation,
    "bulk valley": _bulk,
    "rectifier current": _rating,
    "capacitor ripple": _rating,
    "sense resistor power": _rating,
}


def _would_need(circuit: Circuit, supply: Supply, column: Column, stopped: Pulse, needed: float) -> str:
    """The peak current the claim would need at the voltage where it was stopped."""

    def power(I_off: Real) -> Real:
        done = pulse(circuit, supply, V_dc=stopped.V_dc, V_r=stopped.V_r, I_off=I_off)
        return deliver(circuit, supply, done, V_o=column.V_o).P_socket

    I_off = value_for(power, needed, start=float(stopped.I_off))
    if not isclose(float(power(I_off)), needed, rel_tol=1e-3):
        return f"No pulse at that voltage would bring {amount(needed, 'W')}."
    peak = pulse(circuit, supply, V_dc=stopped.V_dc, V_r=stopped.V_r, I_off=I_off).I_pk
    return f"{amount(needed, 'W')} would need {_amps(peak)} at that voltage."
