"""A traced board as the switching simulation sees it, with what had to be assumed for that."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace

from flyback.analysis.bulk import Line
from flyback.analysis.circuit import Circuit, Supply
from flyback.analysis.operating_point import deliver, limit_pulse, sense_limit
from flyback.analysis.waveforms.converter import (
    OPEN,
    Capacitor,
    Clamp,
    Control,
    Converter,
    Feed,
    Primary,
    Secondary,
)
from flyback.equations import clamp as clamps
from flyback.equations import mains, regulation, switch, transformer
from flyback.equations.formula import Real
from flyback.errors import Problem, RequestError
from flyback.reference import handbook
from flyback.units import format_quantity

LEAST_DRAIN_CAPACITANCE = 10e-12
"""Smallest drain capacitance the simulation takes [F]: a drain without one has no voltage of its own."""

LEAST_RESISTANCE = 0.1
"""Smallest primary winding resistance the simulation takes [ohm]; common practice, no source."""

BODY_DROP = 0.7
"""Drop of the reverse diode of a MOSFET [V], from memory."""

ZERO_BELOW_CROSSOVER = 4
"""The regulator's integral part gives way to its proportional part this factor below the crossover."""

DRIVE_PROBES = (200.0, 300.0)
"""Bulk voltages at which the base drive is read; it is a straight line in the bulk voltage [V]."""


def converter(circuit: Circuit, numbers: Mapping[str, float], line: Line, *, V_set: float) -> Converter:
    """The simulated circuit of a board.

    Args:
        numbers: a float for every key of ``circuit.values``, nominal or one sample.
        line: what feeds it.
        V_set: output voltage it regulates to [V].

    Raises:
        RequestError: a value that the simulation cannot do without is unknown; all of them at once.
    """
    plain = {key: float(value) for key, value in numbers.items()}
    _refuse_unknown(circuit, line)
    return _Builder(circuit, plain, line, V_set).build()


def _refuse_unknown(circuit: Circuit, line: Line) -> None:
    needed = ["t_sense", "t_store", "C_o"]
    if circuit.control == "self-oscillating":
        needed += ["R_s", "V_be"]
    elif not {"I_limit", "K_power"} & set(circuit.keys):
        needed += ["V_limit", "R_s"]
    if circuit.control in ("fixed-frequency peak current", "on/off") or "K_power" in circuit.keys:
        needed.append("f_s")
    if circuit.constant_current:
        needed.append("d_dem")
    if line.V_ac is not None:
        needed += ["n_pulse", "N_d", "V_d", "C_bulk"]
    lacking = dict.fromkeys(circuit.missing[name] for name in needed if name in circuit.missing)
    if lacking:
        raise RequestError(tuple(Problem(f"the simulation needs {key}.", field=key) for key in lacking))


def _known(value: Real | None) -> float:
    """A value that `_refuse_unknown` has made sure of."""
    assert value is not None
    return float(value)


class _Builder:
    def __init__(self, circuit: Circuit, numbers: Mapping[str, float], line: Line, V_set: float) -> None:
        self.circuit, self.numbers, self.line, self.V_set = circuit, numbers, line, V_set
        self.supply: Supply = circuit.supply(numbers)
        self.assumed: list[str] = []

    def build(self) -> Converter:
        clamp = self._clamp()
        primary = self._primary()
        on_mains = self.line.V_ac is not None
        return Converter(
            feed=self._feed(),
            bulk=Capacitor(_known(self.supply.C_bulk)) if on_mains else None,
            primary=primary,
            clamp=clamp,
            secondary=Secondary(
                n=float(self.supply.n), V_f=float(self.supply.V_f), R_sec=float(self.supply.R_sec)
            ),
            output=self._output(),
            control=self._control(),
            assumed=tuple(self.assumed),
        )

    def _lend(self, role: str, key: str, words: str) -> float:
        """A handbook value for what no board shows, told as assumed."""
        row = handbook(role, key)
        assert row is not None
        value = (
            f"{row.typical:g}" if row.dimension == "ratio" else format_quantity(row.typical, row.dimension)
        )
        self.assume(f"{words} {value} ({row.source})")
        return row.typical

    def assume(self, words: str) -> None:
        self.assumed.append(words)

    def _number(self, field: str) -> float:
        return self.numbers[self.circuit.keys[field][0]]

    def _feed(self) -> Feed:
        s, line = self.supply, self.line
        if line.V_ac is None:
            assert line.V_fixed is not None
            return Feed(V_fixed=float(line.V_fixed))
        assert line.f_line is not None
        path = float(s.R_series)
        if path <= 0:
            path = self._lend("series resistor", "mains_impedance", "mains and wiring")
        return Feed(
            V_ac=float(line.V_ac),
            f_line=float(line.f_line),
            n_pulse=round(_known(s.n_pulse)),
            V_bridge=float(mains.bridge_drop(N_d=s.N_d, V_d=s.V_d)),
            R_charge=path,
        )

    def _primary(self) -> Primary:
        s = self.supply
        L_p, L_leak, C_d = float(s.L_p), float(s.L_leak), float(s.C_d)
        if C_d < LEAST_DRAIN_CAPACITANCE:
            C_d = LEAST_DRAIN_CAPACITANCE
            self.assume(
                f"drain capacitance {format_quantity(C_d, 'capacitance')}, the least that can be simulated"
            )
        R_pri = self._number("R_pri")
        if R_pri < LEAST_RESISTANCE:
            R_pri = LEAST_RESISTANCE
            self.assume(
                f"primary winding {format_quantity(R_pri, 'resistance')} (common practice, no source)"
            )
        main = self._lend("transformer", "ringing_quality", "Q of the drain's ringing")
        leakage = self._lend("transformer", "leakage_ringing_quality", "Q of the leakage's ringing")
        switches = self.circuit.board.playing("switching transistor")
        bipolar = bool(switches) and switches[0].words.get("kind") == "bipolar"
        return Primary(
            L_m=float(s.L_m),
            L_leak=L_leak,
            R_pri=R_pri,
            R_switch=self._number("R_switch"),
            R_s=0.0 if s.R_s is None else float(s.R_s),
            V_sat=float(s.V_sat),
            C_d=C_d,
            R_core=main * math.sqrt(L_p / C_d),
            R_leak=leakage * math.sqrt(L_leak / C_d) if L_leak > 0 else OPEN,
            V_body=None if bipolar else BODY_DROP,
        )

    def _clamp(self) -> Clamp:
        s = self.supply
        if s.V_c is not None:
            return Clamp(V_c=float(s.V_c))
        if s.R_cl is not None:
            fitted = self.circuit.board.playing("clamp capacitor")
            value = fitted[0].known("capacitance") if fitted else None
            if value is not None:
                return Clamp(R_cl=float(s.R_cl), C_cl=value.nominal)
            return Clamp(
                R_cl=float(s.R_cl), C_cl=self._lend("clamp capacitor", "capacitance", "clamp capacitor")
            )
        V_r = transformer.reflected_voltage(n=s.n, V_o=self.V_set, V_f=s.V_f)
        V_c = float(clamps.customary_clamp_voltage(k_clamp=s.k_clamp, V_r=V_r))
        self.assume(f"clamp at {format_quantity(V_c, 'voltage')} above the bulk")
        return Clamp(V_c=V_c)

    def _output(self) -> tuple[Capacitor, ...]:
        keys = self.circuit.keys
        values = [self.numbers[key] for key in keys["C_o"]]
        series = [self.numbers[key] for key in keys["R_esr"]]
        if len(series) == len(values) and all(R > 0 for R in series):
            return tuple(Capacitor(C, R) for C, R in zip(values, series, strict=True))
        return (Capacitor(_known(self.supply.C_o), float(self.supply.R_esr)),)

    def _control(self) -> Control:
        s, circuit = self.supply, self.circuit
        I_limit, k_line, S_ramp = self._command()
        I_drive, k_drive = self._drive()
        gain, integral = self._regulator()
        V_stop = t_hold = None
        if s.V_stop is not None and s.N_aux is not None:
            V_stop = float(
                regulation.supply_stop_voltage(V_stop=s.V_stop, N_s=s.N_s, N_aux=s.N_aux, V_f=s.V_f)
            )
            t_hold = self._lend("switching IC", "supply_hold", "controller's supply holds for")
        t_overload = I_overload = None
        if s.V_overload is not None and s.R_s is not None:
            I_overload = float(switch.sense_limit_current(V_effect=s.V_overload, R_s=s.R_s))
            ics = circuit.board.playing("switching IC")
            given = ics[0].known("overload_time") if ics else None
            t_overload = (
                given.nominal if given else self._lend("switching IC", "overload_time", "overload time")
            )
        stops = V_stop is not None or t_overload is not None
        return Control(
            family=circuit.control,
            I_limit=I_limit,
            t_delay=_known(s.t_delay),
            k_line=k_line,
            I_drive=I_drive,
            k_drive=k_drive,
            S_ramp=S_ramp,
            f_s=None if s.f_s is None or circuit.free_running or circuit.constant_current else float(s.f_s),
            f_max=None if s.f_max is None else float(s.f_max),
            D_max=1.0 if s.D_max is None else float(s.D_max),
            d_dem=None if s.d_dem is None else float(s.d_dem),
            I_th=float(s.I_th),
            V_set=self.V_set,
            gain=gain,
            integral=integral,
            t_soft=self._lend("switching IC", "soft_start", "soft start"),
            t_overload=t_overload,
            I_overload=I_overload,
            V_stop=V_stop,
            t_hold=t_hold or 0.0,
            t_restart=self._lend("switching IC", "restart_pause", "pause before a restart")
            if stops
            else 0.5,
        )

    def _command(self) -> tuple[float, float, float]:
        """Largest command current, what line compensation takes from it, and the ramp [A, A/V, A/s]."""
        s = self.supply
        level = sense_limit(self.circuit, replace(s, S_ramp=0.0), V_dc=0.0, V_r=1.0)
        assert level is not None
        # a limit that holds at a test slope has the delay at that slope in it already
        at_rest = float(level) - float(s.s_test) * _known(s.t_delay)
        if s.V_limit is None or s.R_s is None:
            return at_rest, 0.0, 0.0
        return at_rest, float(s.k_line) / float(s.R_s), float(s.S_ramp) / float(s.R_s)

    def _drive(self) -> tuple[float | None, float]:
        """Largest current the base drive holds without a bulk, and its growth with the bulk [A, A/V]."""
        s = self.supply
        if self.circuit.control != "self-oscillating" or None in (s.h_FE, s.R_b, s.N_b, s.V_be):
            return None, 0.0
        low, high = (
            float(
                switch.drive_limit_current(
                    h_FE=s.h_FE,
                    I_base=switch.base_current(V_dc=V, N_b=s.N_b, N_p=s.N_p, V_be=s.V_be, R_b=s.R_b),
                )
            )
            for V in DRIVE_PROBES
        )
        growth = (high - low) / (DRIVE_PROBES[1] - DRIVE_PROBES[0])
        return low - growth * DRIVE_PROBES[0], growth

    def _regulator(self) -> tuple[float, float]:
        """Proportional and integral part that cross over where such loops customarily do.

        Laid out at the limit: above the crossover the output is a capacitance fed by a current that
        follows the command.
        """
        if self.circuit.control == "on/off":
            return 0.0, 0.0
        s = self.supply
        crossover = self._lend("voltage reference", "crossover", "voltage loop crosses over at")
        angular = 2 * math.pi * crossover
        V_r = transformer.reflected_voltage(n=s.n, V_o=self.V_set, V_f=s.V_f)
        V_dc = self.line.V_fixed or math.sqrt(2) * float(self.line.V_ac or 0.0)
        full = limit_pulse(self.circuit, s, V_dc=V_dc, V_r=V_r)
        assert full is not None
        I_o = float(deliver(self.circuit, s, full, V_o=self.V_set).I_o)
        if self.circuit.constant_current:
            fed = I_o / float(full.f_s)
        elif self.circuit.free_running:
            fed = I_o / float(full.I_off)
        else:
            fed = 2 * I_o / float(full.I_off)
        gain = angular * _known(s.C_o) / fed
        return gain, gain * angular / ZERO_BELOW_CROSSOVER
