"""A converter as a network: its elements, the rows that are looked at, and where its losses fall."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from flyback.analysis.waveforms.converter import OPEN, Converter, Primary
from flyback.analysis.waveforms.load import Load
from flyback.analysis.waveforms.network import (
    GROUND,
    Coupling,
    Draw,
    Element,
    Given,
    Inductor,
    Mode,
    Network,
    Resistor,
    Source,
    Store,
    Valve,
)
from flyback.analysis.waveforms.run import Array, State

SMALL = 1e-3
"""Least resistance of a closed diode and of the primary winding [ohm]: a loop needs one to be solved."""

LEAST_R_ON = 1e-2
"""Least resistance of the closed switch [ohm]: it discharges the drain, faster than which nothing is."""

LEAST_C_D = 1e-12
"""Least drain capacitance [F]: a drain without one has no voltage of its own."""

UNDAMPED = 1e7
"""Stands for a winding without any loss [ohm]: something must lie across two inductances in series."""

SLOPE_SHARE = 0.2
"""How much of a load that is no resistance is drawn as one, the rest as a current set anew each pulse."""

LOSSES: Mapping[str, str] = {
    "line +": "mains rectifier and series resistance",
    "line -": "mains rectifier and series resistance",
    "bulk": "bulk capacitor ESR",
    "primary": "primary winding",
    "leakage damping": "core and winding at the ringing",
    "core": "core and winding at the ringing",
    "switch": "switch",
    "reverse diode": "switch",
    "drain": "switch",
    "clamp diode": "clamp",
    "clamp resistor": "clamp",
    "clamp suppressor": "clamp",
    "secondary": "secondary winding",
    "rectifier": "output rectifier",
}
"""Element to the part whose loss it is; output capacitors' ESR and the sense resistor come on top."""

WATCHED = ("i_pri", "i_sec", "v_drain", "v_bulk", "v_out", "v_clamp", "i_line", "i_m", "v_smooth")
"""Rows whose course is recorded; the first seven are the waveforms of `run.Traces`."""


@dataclass(frozen=True, slots=True)
class Stage:
    """The network of a converter and its load.

    Attributes:
        slope: the resistance that stands for the load or a part of it [ohm].
    """

    converter: Converter
    load: Load
    network: Network
    held: bool
    slope: float

    def rows(self, mode: Mode, closed: Mapping[str, bool]) -> dict[str, Array]:
        """Named rows of a mode: what is watched, and what the controller sees."""
        net, c = self.network, self.converter
        nothing = np.zeros(len(net.entries))
        v_bulk = mode.v["bulk"]
        rows = {
            "i_pri": mode.i["primary"],
            "i_sensed": mode.i["primary"] if closed["switch"] else nothing,
            "i_m": net.row("magnetising"),
            "i_sec": mode.i["rectifier"],
            "v_drain": mode.v["switch"],
            "i_drain": mode.i["drain"],
            "v_bulk": v_bulk,
            "v_out": mode.v["load"],
            "v_cap": net.row("output 1") if c.output else mode.v["load"],
            "v_clamp": mode.v["switch"] - v_bulk if c.clamp.V_c is not None else net.row("clamp"),
            "i_line": mode.i.get("line +", nothing) - mode.i.get("line -", nothing),
            "i_load": mode.i["load"] + mode.i["held" if self.held else "load set"],
            "i_store": sum((mode.i[f"output {k}"] for k in range(1, len(c.output) + 1)), nothing),
            "i_from_bulk": mode.i["primary"] + self._returned(mode),
        }
        ringing = closed["rectifier"] and not closed["switch"] and not closed[self.clamp_valve]
        rows["v_smooth"] = rows["v_out"]
        if ringing and "leakage" in net.at:
            rows["v_smooth"] = rows["v_out"] + self._esr * c.secondary.n * net.row("leakage")
        # the secondary current without ringing: what is still in the primary belongs to it
        rows["i_dem"] = rows["i_sec"] + c.secondary.n * rows["i_pri"]
        return rows

    @property
    def clamp_valve(self) -> str:
        return "clamp suppressor" if self.converter.clamp.V_c is not None else "clamp diode"

    @property
    def _esr(self) -> float:
        """All output capacitors' ESR in parallel, with the load [ohm]."""
        found = [capacitor.R_esr for capacitor in self.converter.output]
        return 0.0 if not found or 0.0 in found else 1.0 / sum(1.0 / R for R in (*found, self.slope))

    def _returned(self, mode: Mode) -> Array:
        """Current that the clamp gives back to the bulk, counted as taken from it."""
        if self.converter.clamp.V_c is not None:
            return -mode.i["clamp suppressor"]
        return -mode.i["clamp"] - mode.i["clamp resistor"]

    def start(self, state: State) -> Array:
        """The state vector for a state."""
        c, net = self.converter, self.network
        z = np.zeros(len(net.entries))
        omega = 2 * math.pi * (c.feed.f_line or 0.0)
        known = {
            "bulk": state.v_bulk,
            "leakage": state.i_leak,
            "magnetising": state.i_m,
            "drain": state.v_drain,
            "clamp": state.v_clamp,
            "one": 1.0,
            "cos": math.cos(omega * state.t),
            "sin": math.sin(omega * state.t),
            **{f"output {k}": v for k, v in enumerate(state.v_out, 1)},
        }
        for entry, value in known.items():
            if entry in net.at:
                z[net.at[entry]] = value
        return z

    def stored(self, before: Array, after: Array) -> float:
        """What all inductors and capacitors hold more after than before [J]."""
        total = 0.0
        for e in self.network.elements:
            if isinstance(e, Inductor | Store):
                k = self.network.at[e.name]
                size = e.L if isinstance(e, Inductor) else e.C
                # a small difference of large squares, without losing it
                total += size * float((after[k] - before[k]) * (after[k] + before[k])) / 2
        return total


def stage(converter: Converter, load: Load, slope: float) -> Stage:
    """The network of a converter with a load.

    Args:
        slope: see `slope_resistance`.
    """
    held = load.kind == "voltage"
    p = _solvable(converter.primary)
    c = replace(converter, primary=p, output=() if held else converter.output)
    elements: list[Element] = [*_feed(c)]
    elements.append(Resistor("primary", "in", "winding", p.R_pri))
    inner = "winding"
    if p.L_leak > 0:
        inner = "inner"
        elements.append(Inductor("leakage", "winding", inner, p.L_leak))
        elements.append(Resistor("leakage damping", "winding", inner, p.R_leak))
    elements.append(Inductor("magnetising", inner, "drain", p.L_m))
    if p.R_core < OPEN:
        elements.append(Resistor("core", inner, "drain", p.R_core))
    R_on = max(p.R_switch + p.R_s, LEAST_R_ON)
    after = "rectified" if c.secondary.R_sec > 0 else "secondary"
    elements += [
        Coupling("turns", inner, "drain", GROUND, "secondary", c.secondary.n),
        Store("drain", "drain", GROUND, p.C_d, p.R_d),
        Valve("switch", "drain", GROUND, p.V_sat, R_on, driven=True),
        Valve("rectifier", after, "out", c.secondary.V_f, max(c.secondary.R_f, SMALL)),
    ]
    if p.V_body is not None:
        elements.append(Valve("reverse diode", GROUND, "drain", p.V_body, R_on))
    if c.secondary.R_sec > 0:
        elements.append(Resistor("secondary", "secondary", after, c.secondary.R_sec))
    elements += [*_clamp(c), *_output(c, held, slope)]
    omega = 2 * math.pi * (c.feed.f_line or 0.0)
    given = [Given("one"), Given("set")]
    if c.feed.V_fixed is None:
        given += [Given("cos", "sin", omega), Given("sin", "cos", -omega)]
    return Stage(c, load, Network(elements, given), held, slope)


def _solvable(p: Primary) -> Primary:
    undamped = p.L_leak > 0 and p.R_core == OPEN and p.R_leak == OPEN
    return replace(
        p, R_pri=max(p.R_pri, SMALL), C_d=max(p.C_d, LEAST_C_D), R_core=UNDAMPED if undamped else p.R_core
    )


def _feed(c: Converter) -> list[Element]:
    feed = c.feed
    if feed.V_fixed is not None:
        return [Source("bulk", "in", GROUND, "one", feed.V_fixed)]
    assert feed.V_ac is not None
    assert c.bulk is not None
    crest = math.sqrt(2) * feed.V_ac
    path = max(feed.R_charge, SMALL)
    found: list[Element] = [
        Store("bulk", "in", GROUND, c.bulk.C, c.bulk.R_esr),
        Source("mains", "line", GROUND, "cos", crest),
        Valve("line +", "line", "in", feed.V_bridge, path),
    ]
    if feed.n_pulse == 2:
        found += [
            Source("mains reversed", "reversed", GROUND, "cos", -crest),
            Valve("line -", "reversed", "in", feed.V_bridge, path),
        ]
    return found


def _clamp(c: Converter) -> list[Element]:
    clamp = c.clamp
    resistance = max(clamp.R_d, SMALL)
    if clamp.V_c is not None:
        return [Valve("clamp suppressor", "drain", "in", clamp.V_c + clamp.V_d, resistance)]
    return [
        Valve("clamp diode", "drain", "clamped", clamp.V_d, resistance),
        Store("clamp", "clamped", "in", clamp.C_cl),
        Resistor("clamp resistor", "clamped", "in", clamp.R_cl),
    ]


def _output(c: Converter, held: bool, slope: float) -> list[Element]:
    drawn = Resistor("load", "out", GROUND, slope)
    if held:
        return [Source("held", "out", GROUND, "set"), drawn]
    least = SMALL if len(c.output) > 1 else 0.0
    stores: list[Element] = [
        Store(f"output {k}", "out", GROUND, capacitor.C, max(capacitor.R_esr, least))
        for k, capacitor in enumerate(c.output, 1)
    ]
    return [*stores, drawn, Draw("load set", "out", GROUND, "set")]


HIGH = 1e9
"""A resistance that draws nothing [ohm]."""

STEPS_PER_OCTAVE = 8
"""How finely that resistance follows a load that changes: each value is a network of its own."""


def slope_resistance(c: Converter, load: Load, t: float, v_out: float) -> float:
    """The resistance that stands for a load at an instant [s] and output voltage [V].

    All of a load that is a resistance, as any load is that has let go; a share of any other.

    Raises:
        ValueError: nothing holds the output voltage, neither a capacitor nor the load.
    """
    if load.kind == "voltage":
        return HIGH
    if not c.output:
        raise ValueError("without an output capacitor the load must hold the output voltage")
    if load.kind == "resistance":
        R = 1.0 / load.current(t, 1.0)
    elif v_out < load.lets_go:
        R = load.lets_go / max(load.current(t, load.lets_go), 1.0 / HIGH)
    else:
        V = max(c.control.V_set, load.lets_go) if math.isfinite(c.control.V_set) else 5.0
        R = V / max(SLOPE_SHARE * load.current(t, V), 1.0 / HIGH)
    # never slower than a tenth of a second: the eigenvectors of a load that draws nothing are lost
    R = min(R, 0.1 / sum(capacitor.C for capacitor in c.output))
    if load.steady:
        return R
    return float(2.0 ** (round(STEPS_PER_OCTAVE * math.log2(R)) / STEPS_PER_OCTAVE))
