"""The circuit as the switching simulation sees it: plain floats in SI units, grouped as power flows."""

from __future__ import annotations

from dataclasses import dataclass, field

OPEN = float("inf")
"""A resistance that is not there."""


@dataclass(frozen=True, slots=True)
class Feed:
    """What feeds the bulk: mains through its rectifier, or a bench supply straight at the primary.

    Time starts at a crest of the mains: v = sqrt(2) V_ac cos(2 pi f_line t).

    Attributes:
        V_ac, f_line: mains [V rms, Hz]; None on a bench supply.
        V_fixed: bench supply [V]; None on mains.
        n_pulse: charging pulses in one mains period: 2 full wave, 1 half wave.
        V_bridge: drop of the rectifier diodes in the path at no current [V].
        R_charge: resistance of the charging path, the slope of the diodes included [ohm].
    """

    V_ac: float | None = None
    f_line: float | None = None
    V_fixed: float | None = None
    n_pulse: int = 2
    V_bridge: float = 0.0
    R_charge: float = 0.0


@dataclass(frozen=True, slots=True)
class Capacitor:
    """A capacitance [F] with its series resistance [ohm]."""

    C: float
    R_esr: float = 0.0


@dataclass(frozen=True, slots=True)
class Primary:
    """Transformer seen from the primary, switch and what hangs at the drain.

    Attributes:
        L_m, L_leak: magnetising and leakage inductance [H].
        R_pri, R_switch, R_s: winding, switch while on, sense resistor [ohm].
        V_sat: saturation voltage of a bipolar switch [V].
        C_d: drain capacitance [F]; R_d: resistance in series with it [ohm].
        R_core, R_leak: parallel to magnetising and leakage inductance, what damps their ringing [ohm].
        V_body: drop of the switch's reverse diode [V]; None where it does not conduct backwards.
    """

    L_m: float
    L_leak: float
    R_pri: float
    R_switch: float
    R_s: float
    V_sat: float = 0.0
    C_d: float = 0.0
    R_d: float = 0.0
    R_core: float = OPEN
    R_leak: float = OPEN
    V_body: float | None = None

    @property
    def L_p(self) -> float:
        """Primary inductance, secondary open [H]."""
        return self.L_m + self.L_leak

    @property
    def R_on(self) -> float:
        """Resistance of the primary path while the switch is on [ohm]."""
        return self.R_pri + self.R_switch + self.R_s


@dataclass(frozen=True, slots=True)
class Clamp:
    """Drain clamp to the bulk: resistor and capacitor behind a diode, or a suppressor.

    Attributes:
        V_c: voltage of a suppressor above the bulk [V]; None for resistor and capacitor.
        R_cl, C_cl: resistor [ohm] and capacitor [F]; not used by a suppressor.
        V_d, R_d: drop at no current [V] and slope [ohm] of the diode (of the suppressor).
    """

    V_c: float | None = None
    R_cl: float = OPEN
    C_cl: float = 1e-9
    V_d: float = 0.0
    R_d: float = 1.0


@dataclass(frozen=True, slots=True)
class Secondary:
    """Secondary winding and rectifier: turns ratio, drop at no current [V], slope and winding [ohm]."""

    n: float
    V_f: float
    R_f: float = 0.0
    R_sec: float = 0.0


@dataclass(frozen=True, slots=True)
class Control:
    """What starts and ends the pulses.

    A command current is the primary current at which a pulse is ended, before the delay.

    Attributes:
        family: a key of `flyback.board.roles.CONTROL_FAMILIES`.
        I_limit: largest command current [A]; k_line: lowered by this per volt of bulk [A/V].
        I_drive, k_drive: largest current of the base drive at no bulk voltage [A], and its growth [A/V];
            only for a self-oscillating board.
        t_delay: from reaching the command current to the switch opening [s].
        S_ramp: slope compensation as a primary current slope [A/s].
        f_s: clock [Hz], for the families that have one.
        f_max: highest pulse rate [Hz] of the families without a clock; None for no limit.
        D_max: largest duty cycle; it counts from the pulse's start where there is a clock, and for a
            self-oscillating board as a share of the period that ends with the pulse's ringing.
        d_dem: share of the period in which the secondary conducts, held in constant current.
        I_th: secondary current at which the controller sees the end of conduction [A].
        V_set: output voltage it regulates to [V].
        gain, integral: command current per volt of error [A/V], and its growth per volt and second
            [A/(V s)]; of a primary-side regulated board the pulse rate instead [Hz/V, Hz/(V s)].
        t_soft: time in which I_limit rises after a start [s].
        t_overload: time at the current limit after which it stops [s]; None for no timer.
        I_overload: command current above which that timer runs [A]; None for I_limit.
        V_stop: output voltage below which the controller loses its supply [V]; None where unknown.
        t_hold: how long its supply capacitor carries it then [s].
        t_restart: pause before the next start [s].
    """

    family: str
    I_limit: float
    t_delay: float
    k_line: float = 0.0
    I_drive: float | None = None
    k_drive: float = 0.0
    S_ramp: float = 0.0
    f_s: float | None = None
    f_max: float | None = None
    D_max: float = 1.0
    d_dem: float | None = None
    I_th: float = 0.0
    V_set: float = float("inf")
    gain: float = 0.0
    integral: float = 0.0
    t_soft: float = 0.0
    t_overload: float | None = None
    I_overload: float | None = None
    V_stop: float | None = None
    t_hold: float = 0.0
    t_restart: float = 0.5


@dataclass(frozen=True, slots=True)
class Converter:
    """A whole supply for the switching simulation.

    Attributes:
        bulk: the bulk capacitor; None on a bench supply.
        output: output capacitors, each with its ESR; empty where the load holds the output voltage.
        assumed: what the board file did not give and was taken from common practice, in words.
    """

    feed: Feed
    bulk: Capacitor | None
    primary: Primary
    clamp: Clamp
    secondary: Secondary
    output: tuple[Capacitor, ...]
    control: Control
    assumed: tuple[str, ...] = field(default=())
