"""The outside circuit simulation's netlists as converters of the switching simulation, kinds b to h.

Everything comes from the inputs of a case and from what all netlists have in common (`data/simulated.json`
and the netlists it was made with). Only where a diode's curve is replaced by a straight line is the
outside result asked for something: over which range of current.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from flyback.analysis.waveforms.converter import (
    Capacitor,
    Clamp,
    Control,
    Converter,
    Feed,
    Primary,
    Secondary,
)
from flyback.analysis.waveforms.load import Load
from flyback.analysis.waveforms.run import State

from .simulated import (
    COLD_V_BE,
    CONSTANT_CURRENT,
    FIXED_FREQUENCY,
    SATURATION,
    SELF_OSCILLATING,
    VALLEY_SWITCHING,
    Inputs,
    Measured,
    diode_drop,
)

R_DRAIN = 30.0  # ohm, in series with the drain capacitance
R_CORE = 300e3  # ohm, parallel to the magnetising inductance
R_LEAK = 6e3  # ohm, parallel to the leakage inductance
NO_SENSE = 1e-3  # ohm, in the source where the netlist has no sense resistor
CLAMP_DIODE, BRIDGE_DIODE = "dcl", "dbr"

SETTLED_AT_HELD_OUTPUT = {"d": (1.5061538e-3, 2.1215385e-3), "g": (1.4e-3, 2.4e-3)}
"""From when to when the simulation measures [s], where the case does not say; from the netlists."""

LOOP = {"vref": 5.0, "kp": 0.15, "ki": 100.0}
"""Voltage loop of the closed-loop runs of kind d, from the netlists."""
LOOP_OUTPUT = {"co": 680e-6, "esr": 30e-3}
LOOP_SETTLED = (9e-3, 10e-3)
"""When the closed loop is measured here [s]. The netlists wait 25 ms; nothing moves after 8 ms."""

MAINS_SETTLED = (10e-3, 20e-3)
"""The half mains period over which kind h is measured [s]."""


@dataclass(frozen=True, slots=True)
class Scenario:
    """One run of the outside simulation, ready for ours.

    Attributes:
        span, measure_from: how long to run, and from when to measure [s].
        measured: what the outside simulation found, by its own names.
    """

    name: str
    kind: str
    converter: Converter
    load: Load
    state: State
    span: float
    measure_from: float
    measured: Measured


# --- diodes as straight lines ---------------------------------------------------------------------


def straight_line(model: str, low: float, high: float) -> tuple[float, float]:
    """Drop at no current [V] and slope [ohm] that stand for a diode between two currents [A].

    Least squares over evenly spread currents. A winding's current falls in a straight line, so that it
    passes all currents equally fast: the line then gives the diode's mean drop and its mean power.
    """
    currents = np.linspace(low, high, 2001)
    slope, drop = np.polyfit(currents, [diode_drop(model, float(i)) for i in currents], 1)
    return float(drop), float(slope)


def _conduction(inputs: Inputs, measured: Measured) -> tuple[float, float]:
    """Least and largest primary current while the secondary conducts [A]: zero to peak, valley in CCM."""
    return max(measured.get("Ivalley", 0.0), 0.0), measured.get("Ipk", measured.get("Ipk_mean", math.nan))


# --- the circuit ----------------------------------------------------------------------------------


def _primary(i: Inputs) -> Primary:
    leakage = i["leak"] * i["lp"]
    return Primary(
        L_m=i["lp"] - leakage,
        L_leak=leakage,
        R_pri=i["rp"],
        R_switch=i.get("ron", 0.0),
        R_s=i.get("rs", i.get("re", NO_SENSE)),
        C_d=i["cd"],
        R_d=R_DRAIN,
        R_core=R_CORE,
        R_leak=R_LEAK,
    )


def _converter(
    i: Inputs, measured: Measured, control: Control, feed: Feed, bulk: Capacitor | None = None
) -> Converter:
    low, high = _conduction(i, measured)
    V_f, R_f = straight_line(i["diode"], i["n"] * low, i["n"] * high)
    V_d, R_d = straight_line(CLAMP_DIODE, 0.0, high)
    return Converter(
        feed=feed,
        bulk=bulk,
        primary=_primary(i),
        clamp=Clamp(R_cl=i["rcl"], C_cl=i["ccl"], V_d=V_d, R_d=R_d),
        secondary=Secondary(n=i["n"], V_f=V_f, R_f=R_f, R_sec=i["rsw"]),
        output=(Capacitor(i["co"], i["esr"]),) if "co" in i else (),
        control=control,
    )


def _control(i: Inputs) -> Control:
    """Pulse control: a command in primary amperes where the netlist has volts at the sense resistor."""
    c = i["control"]
    if c["kind"] == "pulse":
        return Control(
            FIXED_FREQUENCY, I_limit=math.inf, t_delay=0.0, f_s=1 / i["T"], D_max=c["ton"] / i["T"]
        )
    plain = Control("", I_limit=c["vlim"] / i["rs"], t_delay=c["td"])
    if c["kind"] == "qr":
        return replace(plain, family=VALLEY_SWITCHING)
    if c["kind"] == "psrcc":
        return replace(plain, family=CONSTANT_CURRENT, d_dem=c["D"], I_th=c["ith"])
    clocked = replace(plain, family=FIXED_FREQUENCY, f_s=1 / i["T"], D_max=c["dmax"])
    if "vref" not in c:
        return clocked
    return replace(clocked, V_set=c["vref"], gain=c["kp"] / i["rs"], integral=c["ki"] / i["rs"])


def _start(v_bulk: float, v_clamp: float, v_out: float, command: float = 0.0) -> State:
    """As the netlists start: no current, the drain at the supply."""
    return State(
        t=0.0,
        v_bulk=v_bulk,
        i_m=0.0,
        i_leak=0.0,
        v_drain=v_bulk,
        v_clamp=v_clamp,
        v_out=(v_out,),
        command=command,
        started=0.0,
    )


def _load(i: Inputs) -> Load:
    if "rload" in i:
        return Load.constant("resistance", i["rload"])
    if "iload" in i:
        return Load.constant("current", i["iload"])
    return Load.constant("voltage", i["vload"])


# --- kind by kind ---------------------------------------------------------------------------------


def _bench(name: str, kind: str, i: Inputs, measured: Measured, window: tuple[float, float]) -> Scenario:
    """A converter on a bench supply."""
    command = i["control"].get("x0", 0.0) / i.get("rs", 1.0)
    return Scenario(
        name=name,
        kind=kind,
        converter=_converter(i, measured, _control(i), Feed(V_fixed=i["vin"])),
        load=_load(i),
        state=_start(i["vin"], i["vcl0"], i.get("vo0", i.get("vload", math.nan)), command),
        span=window[1],
        measure_from=window[0],
        measured=measured,
    )


def _ceiling(name: str, case: Mapping[str, Any]) -> Iterator[Scenario]:
    """Kind d: points at a held output, then a voltage loop around the same converter."""
    i = case["inputs"]
    for point in case["points"]:
        at = f"{name} {point['vin']} V {point['vo']} V"
        asked = {**i, "vin": point["vin"], "vload": point["vo"]}
        yield _bench(at, "d", asked, point["measured"], SETTLED_AT_HELD_OUTPUT["d"])
    for point in case["closed_loop"]:
        share = point["load_fraction"]
        at = f"{name} closed loop {point['vin']} V load {share}"
        x0 = 0.9 * i["control"]["vlim"] * math.sqrt(share)
        control = {**i["control"], **LOOP, "x0": x0}
        asked = {**i, **LOOP_OUTPUT, "vin": point["vin"], "rload": point["rload"], "vo0": LOOP["vref"]}
        yield _bench(at, "d", {**asked, "control": control}, point["measured"], LOOP_SETTLED)


def _constant_current(name: str, case: Mapping[str, Any]) -> Iterator[Scenario]:
    for point in case["points"]:
        asked = {**case["inputs"], "vload": point["vo"]}
        window = SETTLED_AT_HELD_OUTPUT["g"]
        yield _bench(f"{name} {point['vo']} V", "g", asked, point["measured"], window)


def _on_mains(name: str, case: Mapping[str, Any]) -> Iterator[Scenario]:
    """Kind h: everything from the mains to a regulated output, the run with the finest step."""
    i = case["inputs"]
    (measured,) = (run["measured"] for run in case["runs"] if run["tag"] == "tight")
    bulk, control = i["bulk"], i["control"]
    drop, slope = straight_line(BRIDGE_DIODE, 0.0, measured["Im_pk"])
    feed = Feed(
        V_ac=bulk["vac"], f_line=bulk["f"], n_pulse=2, V_bridge=2 * drop, R_charge=bulk["rs"] + 2 * slope
    )
    yield Scenario(
        name=name,
        kind="h",
        converter=_converter(i, measured, _control(i), feed, Capacitor(bulk["c"], bulk["esr"])),
        load=_load(i),
        state=_start(bulk["v0"], i["vcl0"], i["vo0"], control["x0"] / i["rs"]),
        span=MAINS_SETTLED[1],
        measure_from=MAINS_SETTLED[0],
        measured=measured,
    )


STORED = 0.42e-6
"""Storage time of kind f [s], which no netlist states: solved from the simulated peak current."""

BIPOLAR_SETTLED = (2e-3, 3e-3)
BIPOLAR_CLAMPED = 150.0
"""Clamp voltage with which kind f starts [V], where the netlist starts from nothing."""


def _self_oscillating(name: str, case: Mapping[str, Any]) -> Scenario:
    """Kind f: a pulse ends at the sense transistor's base-emitter voltage and the switch's storage time."""
    i, measured = case["inputs"], case["measured"]
    control = Control(SELF_OSCILLATING, I_limit=COLD_V_BE / i["re"], t_delay=STORED)
    found = _converter(i, measured, control, Feed(V_fixed=i["vin"]))
    return Scenario(
        name=name,
        kind="f",
        converter=replace(found, primary=replace(found.primary, V_sat=SATURATION)),
        load=_load(i),
        state=_start(i["vin"], BIPOLAR_CLAMPED, i["vload"]),
        span=BIPOLAR_SETTLED[1],
        measure_from=BIPOLAR_SETTLED[0],
        measured=measured,
    )


def scenarios_of(name: str, case: Mapping[str, Any]) -> tuple[Scenario, ...]:
    """What a simulated case asks, one scenario for each of its points."""
    match case["kind"]:
        case "b" | "c" | "e":
            i = case["inputs"]
            return (_bench(name, case["kind"], i, case["measured"], (i["tsave"], i["tstop"])),)
        case "d":
            return tuple(_ceiling(name, case))
        case "f":
            return (_self_oscillating(name, case),)
        case "g":
            return tuple(_constant_current(name, case))
        case "h":
            return tuple(_on_mains(name, case))
    return ()
