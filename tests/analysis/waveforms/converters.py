"""A 5 V 1 A supply for the tests of the switching simulation, in each control family, and its states."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

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

CLOCK = 65e3

MAINS = Feed(V_ac=115.0, f_line=60.0, V_bridge=1.4, R_charge=10.0)
BENCH = Feed(V_fixed=150.0)

PLAIN = Converter(
    feed=MAINS,
    bulk=Capacitor(15e-6, 0.5),
    primary=Primary(
        L_m=1.2e-3, L_leak=25e-6, R_pri=1.5, R_switch=3.0, R_s=1.6, C_d=50e-12, R_core=300e3, R_leak=6e3
    ),
    clamp=Clamp(R_cl=150e3, C_cl=1e-9, V_d=0.7, R_d=1.0),
    secondary=Secondary(n=14.0, V_f=0.35, R_f=0.02, R_sec=0.01),
    output=(Capacitor(470e-6, 0.05), Capacitor(220e-6, 0.08)),
    control=Control(
        "fixed-frequency peak current",
        I_limit=0.45,
        t_delay=0.2e-6,
        f_s=CLOCK,
        D_max=0.7,
        V_set=5.0,
        gain=0.08,
        integral=50.0,
    ),
)
"""Fixed frequency, on mains."""

FAMILIES: dict[str, dict[str, Any]] = {
    "fixed-frequency peak current": {},
    "on/off": {},
    "valley switching": {"f_s": None, "f_max": 130e3},
    "self-oscillating": {"f_s": None, "I_drive": 0.1, "k_drive": 3e-3},
    "primary-side constant current": {
        "f_s": None,
        "f_max": 120e3,
        "d_dem": 0.45,
        "I_th": 0.1,
        "gain": 2e5,
        "integral": 1e7,
    },
}
"""What turns the plain control into one of each family."""


def of_family(family: str, c: Converter = PLAIN, **control: Any) -> Converter:
    """A converter of a control family, with changes of its control."""
    return replace(c, control=replace(c.control, family=family, **{**FAMILIES[family], **control}))


def on_bench(c: Converter, V_dc: float = 150.0) -> Converter:
    """The same on a bench supply."""
    return replace(c, feed=Feed(V_fixed=V_dc), bulk=None)


def continuous(c: Converter = PLAIN, **control: Any) -> Converter:
    """The same with more inductance, in continuous conduction at full load."""
    p = replace(c.primary, L_m=4e-3, L_leak=60e-6)
    return replace(c, primary=p, control=replace(c.control, **control))


def cold(c: Converter) -> State:
    """Nothing charged, at a crest of the mains."""
    return State(
        t=0.0,
        v_bulk=c.feed.V_fixed or 0.0,
        i_m=0.0,
        i_leak=0.0,
        v_drain=0.0,
        v_clamp=0.0,
        v_out=(0.0,) * max(len(c.output), 1),
        command=30e3 if c.control.family == "primary-side constant current" else 0.0,
        started=0.0,
    )


def warm(c: Converter, V_o: float = 5.0, share: float = 0.7) -> State:
    """About what a loaded supply has at a crest of the mains, with a share of its largest command."""
    v = c.feed.V_fixed or 155.0
    rated = c.control.family == "primary-side constant current"
    return replace(
        cold(c),
        v_bulk=v,
        v_drain=v,
        v_clamp=130.0,
        v_out=(V_o,) * max(len(c.output), 1),
        command=share * (60e3 if rated else c.control.I_limit),
    )


def amps(value: float) -> Load:
    return Load.constant("current", value)


def ohms(value: float) -> Load:
    return Load.constant("resistance", value)
