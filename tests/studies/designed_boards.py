"""Boards designed by the textbook, seeded: ordinary coherent supplies of every control family.

Nothing here knows what the study looks at. Values come from design equations (energy balance of the bulk,
volt-seconds, energy of a pulse, flux), rounded to the E series that such parts are made in.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import tomlkit

from flyback.board.file import loads
from flyback.board.model import Board

E6 = (1.0, 1.5, 2.2, 3.3, 4.7, 6.8)
E12 = (1.0, 1.2, 1.5, 1.8, 2.2, 2.7, 3.3, 3.9, 4.7, 5.6, 6.8, 8.2)
E24 = tuple(sorted((*E12, 1.1, 1.3, 1.6, 2.0, 2.4, 3.0, 3.6, 4.3, 5.1, 6.2, 7.5, 9.1)))
E96 = tuple(round(10 ** (k / 96), 2) for k in range(96))

FAMILIES = {
    "fixed-frequency peak current": (6.0, 60.0),
    "on/off": (2.5, 15.0),
    "valley switching": (10.0, 45.0),
    "self-oscillating": (2.0, 6.0),
    "primary-side constant current": (3.0, 12.0),
}
"""Control families with the powers they are met at [W]."""

OVERSTATED = 0.15
"""Share of labels that promise more than the design gives."""


@dataclass
class Design:
    """A board file in the making, and what its maker knows.

    Attributes:
        document: as a board file says it.
        marked: parts whose value is printed as a code; cans: those printed in clear.
    """

    document: dict[str, Any]
    numbers: dict[str, int] = field(default_factory=dict)

    @property
    def parts(self) -> dict[str, dict[str, Any]]:
        parts: dict[str, dict[str, Any]] = self.document["parts"]
        return parts

    def add(self, letter: str, role: str, **keys: Any) -> str:
        self.numbers[letter] = self.numbers.get(letter, 0) + 1
        name = f"{letter}{self.numbers[letter]}"
        self.parts[name] = {"role": role, **keys}
        return name

    def resistor(self, role: str, ohms: float, tolerance: str = "5 %", **keys: Any) -> str:
        return self.add("R", role, marking=resistor_code(ohms), tolerance=tolerance, **keys)

    def ceramic(self, role: str, farads: float) -> str:
        return self.add("C", role, marking=capacitor_code(farads), tolerance="10 %")

    def can(self, role: str, microfarads: float, **keys: Any) -> str:
        return self.add("C", role, value=f"{microfarads:g} uF", tolerance="20 %", origin="marked", **keys)

    def board(self) -> Board:
        return loads(tomlkit.dumps(self.document))


def nearest(value: float, series: Sequence[float]) -> float:
    decade = 10.0 ** math.floor(math.log10(value))
    best = min((*series, 10.0), key=lambda one: abs(math.log(one * decade / value)))
    return float(f"{best * decade:.6g}")


def resistor_code(ohms: float) -> str:
    """Three digits for two figures, four for three, an R below ten ohms."""
    if ohms < 0.995:
        return f"R{round(ohms * 100):02d}" if abs(ohms * 100 % 1) < 1e-6 else f"R{round(ohms * 1000):03d}"
    mantissa, exponent = f"{ohms:.2e}".split("e")
    digits = mantissa.replace(".", "")
    power = int(exponent)
    if ohms < 9.95:
        return f"{digits[0]}R{digits[1:].rstrip('0') or '0'}"
    if digits[2] == "0" and mantissa[:3] in {f"{one:.1f}" for one in E24}:
        return f"{digits[:2]}{power - 1}"
    return f"{digits}{power - 2}" if power >= 2 else f"{digits[:2]}R{digits[2]}"


def capacitor_code(farads: float) -> str:
    mantissa, exponent = f"{farads * 1e12:.1e}".split("e")
    return f"{mantissa.replace('.', '')}{int(exponent) - 1}"


def design(seed: int) -> Design:
    """An ordinary board."""
    return _Designer(np.random.default_rng([seed, 20])).design()


class _Designer:
    def __init__(self, stream: np.random.Generator) -> None:
        self.stream = stream

    def even(self, low: float, high: float) -> float:
        return float(self.stream.uniform(low, high))

    def log(self, low: float, high: float) -> float:
        return math.exp(self.even(math.log(low), math.log(high)))

    def one(self, *choices: Any) -> Any:
        return choices[int(self.stream.integers(len(choices)))]

    def chance(self, p: float) -> bool:
        return bool(self.stream.random() < p)

    def design(self) -> Design:
        self.control = self.one(*FAMILIES)
        self.P_o = self.log(*FAMILIES[self.control])
        voltages = (5.0, 5.0, 9.0, 12.0, 12.0, 15.0, 19.0, 24.0) if self.P_o > 8 else (5.0, 5.0, 12.0)
        self.V_o = self.one(*voltages)
        self.I_o = float(f"{self.P_o / self.V_o:.2g}")
        self.P_o = self.V_o * self.I_o
        self.mains = self.one((100, 240), (100, 240), (100, 240), (100, 240), (220, 240), (100, 120))
        claimed = float(f"{self.I_o * self.even(1.2, 1.8):.2g}") if self.chance(OVERSTATED) else self.I_o
        self.d = Design(
            {
                "board": {
                    "name": "Designed",
                    "topology": "flyback",
                    "control": self.control,
                    "tried_on": "115 V 60 Hz" if self.mains == (100, 120) else "230 V 50 Hz",
                },
                "label": {
                    "mains": "{}..{} V".format(*self.mains),
                    "frequency": "50/60 Hz",
                    "output": [{"ports": 1, "voltage": f"{self.V_o:g} V", "current": f"{claimed:g} A"}],
                },
                "parts": {},
            }
        )
        self._mains_side()
        self._transformer()
        self._switch()
        self._clamp()
        self._output()
        self._regulation()
        self._small()
        return self.d

    def _mains_side(self) -> None:
        d = self.d
        if self.P_o < 12 and self.chance(0.6):
            d.resistor("series resistor", nearest(self.log(1.0, 10.0), E6))
        else:
            d.add("F", "fuse", rating="1 A", origin="marked")
        if self.P_o > 15 or self.chance(0.2):
            C_x = nearest(self.log(47e-9, 330e-9), E6)
            d.ceramic("X capacitor", C_x)
            # below 60 V in two seconds, with a margin; the heat asks for much resistance
            half = nearest(min(self.even(0.3, 0.9) / C_x, 4e6) / 2, E6)
            for _ in range(2):
                d.resistor("discharge resistor", half)
        d.add("D", "mains rectifier", arrangement="full wave")
        self.eta = 0.68 if self.control == "self-oscillating" else self.even(0.76, 0.86)
        self.P_in = self.P_o / self.eta
        per_watt = self.even(1.0, 1.6) if self.mains[0] == 220 else self.even(1.6, 3.0)
        if self.mains == (100, 120):
            per_watt = self.even(2.0, 4.0)
        total = per_watt * self.P_in
        count = 2 if self.chance(0.4) else 1
        each = nearest(total / count, E12)
        rating = "200 V" if self.mains == (100, 120) else "400 V"
        for _ in range(count):
            d.can("bulk capacitor", each, voltage_rating=rating)
        self.C_bulk = count * each * 1e-6
        crest = math.sqrt(2) * 0.9 * self.mains[0]
        # a fifth of the half-wave charges, the rest is fed by the capacitor (AN-6094, p. 6)
        self.V_min = math.sqrt(max(crest**2 - self.P_in * 0.8 / (self.C_bulk * 50), (0.5 * crest) ** 2))
        if self.control != "self-oscillating" or self.chance(0.5):
            half = nearest(self.log(470e3, 2e6), E12)
            for _ in range(self.one(1, 2)):
                d.resistor("start-up resistor", half)

    def _transformer(self) -> None:
        self.technology = "schottky" if self.V_o <= 12 else "silicon"
        self.V_f = self.even(0.42, 0.55) if self.technology == "schottky" else self.even(0.75, 0.95)
        self.V_r = self.even(60, 105)
        turns_per_volt = self.even(0.7, 1.7) if self.V_o <= 6 else self.even(0.6, 1.2)
        self.N_s = max(round(turns_per_volt * (self.V_o + self.V_f)), 3)
        self.N_p = round(self.V_r / (self.V_o + self.V_f) * self.N_s)
        self.n = self.N_p / self.N_s
        self.V_r = self.n * (self.V_o + self.V_f)
        self.f_s = self.one(65e3, 65e3, 100e3)
        if self.control == "self-oscillating":
            self.f_s = self.even(40e3, 60e3)
        if self.control == "primary-side constant current":
            self._for_constant_current()
        else:
            self._for_a_limit()
        B = self.even(0.22, 0.30)
        self.A_e = float(f"{self.L_p * self.I_limit / (self.N_p * B):.3g}")
        self.L_leak = float(f"{self.L_p * self.even(0.012, 0.04):.2g}")

    def _for_a_limit(self) -> None:
        D = self.V_r / (self.V_r + self.V_min)
        free = self.control in ("valley switching", "self-oscillating")
        # ripple over twice the mean: 1 is the boundary, which the free-running ones keep to
        share = 1.0 if free else self.even(0.5, 1.0)
        self.L_p = float(f"{(self.V_min * D) ** 2 / (2 * self.P_in * self.f_s * share):.3g}")
        mean = self.P_in / (self.V_min * D)
        peak = mean + self.V_min * D / (2 * self.L_p * self.f_s)
        self.I_limit = peak * self.even(1.1, 1.3)
        self.D = D

    def _for_constant_current(self) -> None:
        self.d_dem = self.even(0.43, 0.50)
        I_cc = self.I_o * self.even(1.06, 1.15)
        self.I_limit = 2 * I_cc / (self.n * self.d_dem * 0.95)
        self.f_s = self.even(45e3, 75e3)
        self.L_p = float(f"{self.d_dem * self.V_r / (self.f_s * self.I_limit):.3g}")
        self.D = self.L_p * self.I_limit * self.f_s / self.V_min

    def _switch(self) -> None:
        d = self.d
        self.C_d = self.even(40e-12, 80e-12)
        if self.control == "self-oscillating":
            V_be, t_store = 0.62, 0.4e-6
            delayed = 1.2 * self.V_min * t_store / self.L_p
            d.add(
                "Q",
                "switching transistor",
                kind="bipolar",
                origin="datasheet",
                saturation_voltage="0.5..1.1 V",
                storage_time="0.3..0.5 us",
                drain_capacitance="50 pF",
                max_duty="70 %",
                gain="15..35",
            )
            d.add("Q", "sense transistor", base_emitter_voltage="0.62 V ±8 %", origin="datasheet")
            self._sense(V_be / max(self.I_limit - delayed, 0.3 * self.I_limit))
            N_b = max(round(self.N_p * 8 / self.V_min), 2)
            drive = self.V_min * N_b / self.N_p - V_be
            d.resistor("base resistor", nearest(20 * drive / (1.4 * self.I_limit), E12))
            self.base_turns = {"base_turns": N_b}
            return
        self.base_turns = {}
        keys: dict[str, Any] = {"origin": "datasheet", "drain_capacitance": "50 pF"}
        V_limit = self.one(0.5, 0.75, 0.8, 1.0)
        keys["limit_voltage"] = f"{V_limit:g} V ±5 %"
        if self.control == "primary-side constant current":
            keys |= {"conduction_share": f"{self.d_dem:.3f} ±2 %", "delay": "100 ns"}
        else:
            keys["delay"] = f"{self.one(120, 200, 250)} ns"
        if self.control in ("fixed-frequency peak current", "on/off"):
            keys |= {"frequency": f"{self.f_s / 1e3:g} kHz ±6 %", "max_duty": "75 %"}
        if self.control == "valley switching":
            keys["max_frequency"] = "130 kHz"
        d.add("U", "switching IC", **keys)
        self._sense(V_limit / self.I_limit)

    def _sense(self, ohms: float) -> None:
        """One resistor, or two or three alike in parallel."""
        count = self.one(1, 2, 2, 3)
        each = nearest(ohms * count, E24)
        heat = self.I_limit**2 * self.D / 3 * each / count**2
        rating = next((w for w in (0.125, 0.25, 0.5, 1.0, 2.0) if w > 1.8 * heat), 3.0)
        rated = {"value": f"{rating:g} W", "origin": "datasheet"}
        for _ in range(count):
            self.d.resistor("sense resistor", each, "1 %", power_rating=rated)

    def _clamp(self) -> None:
        d = self.d
        V_c = self.V_r * self.even(1.4, 1.9)
        P_leak = self.L_leak * (self.I_limit / 1.2) ** 2 * self.f_s / 2
        if self.chance(0.5):
            d.resistor("clamp resistor", nearest(V_c * (V_c - self.V_r) / P_leak, E12))
            d.ceramic("clamp capacitor", nearest(self.log(1e-9, 4.7e-9), E6))
            d.add("D", "clamp diode")
        else:
            volts = min((120, 150, 180, 200), key=lambda V: abs(V - V_c))
            d.add("D", "clamp suppressor", clamp_voltage=f"{volts} V", origin="marked")
        d.add(
            "T",
            "transformer",
            origin="measured",
            primary_turns=self.N_p,
            secondary_turns=self.N_s,
            primary_inductance={"value": f"{self.L_p * 1e3:.4g} mH ±8 %", "origin": "datasheet"},
            leakage_inductance=f"{self.L_leak * 1e6:.3g} uH",
            core_area={"value": f"{self.A_e * 1e6:.4g} mm²", "origin": "datasheet"},
            **self.base_turns,
        )
        if self.chance(0.6):
            d.ceramic("Y capacitor", nearest(self.log(470e-12, 2.2e-9), E6))

    def _output(self) -> None:
        d = self.d
        wanted = self.even(1.8, 3.0) * self.I_o
        rating = next(A for A in (1, 2, 3, 5, 8, 10, 15, 20, 30, 40) if wanted < A)
        d.add(
            "D",
            "output rectifier",
            technology=self.technology,
            forward_drop=f"{self.V_f:.2f} V",
            current_rating=f"{rating} A",
            origin="datasheet",
        )
        total = self.log(250, 900) * self.I_o * (1.0 if self.V_o <= 6 else 0.6)
        count = 2 if total > 700 or self.chance(0.3) else 1
        each = nearest(max(total / count, 47), E12)
        ripple = self.I_o * math.sqrt(8 / (3 * (1 - min(self.D, 0.6))) - 1) / count * self.even(0.9, 1.4)
        esr = self.even(14, 30) / each
        for _ in range(count):
            d.can(
                "output capacitor",
                each,
                esr={"value": f"{esr * 1e3:.3g} mohm", "origin": "datasheet"},
                ripple_rating={"value": f"{ripple:.2g} A", "origin": "datasheet"},
            )
        if self.chance(0.3):
            d.resistor("snubber resistor", nearest(self.log(8, 60), E12))
            d.ceramic("snubber capacitor", nearest(self.log(330e-12, 2.2e-9), E6))

    def _regulation(self) -> None:
        d = self.d
        if self.control in ("primary-side constant current", "self-oscillating"):
            V_rail = self.V_o * self.even(0.99, 1.03)
            d.document["rail"] = {"voltage": f"{V_rail:.3g} V", "origin": "measured"}
            return
        V_set = self.V_o * self.even(1.0, 1.03)
        if self.chance(0.15):
            V_ref, text = 1.24, "1.24 V ±1 %"
        else:
            V_ref, text = 2.495, "2.495 V ±1 %"
        lower = nearest(V_ref / self.log(0.15e-3, 1.1e-3), E24)
        upper = nearest((V_set / V_ref - 1) * lower, E96)
        d.resistor("upper divider resistor", upper, "1 %")
        d.resistor("lower divider resistor", lower, "1 %")
        d.add("U", "voltage reference", reference_voltage=text, origin="datasheet")

    def _small(self) -> None:
        d = self.d
        if self.chance(0.7):
            colour, V_led = self.one(("red", 2.0), ("green", 2.1), ("blue", 3.2))
            d.add("D", "indicator LED", colour=colour)
            d.resistor("LED series resistor", nearest((self.V_o - V_led) / self.log(0.8e-3, 6e-3), E12))
        primary = self.control in ("primary-side constant current", "self-oscillating")
        if self.chance(0.8 if primary else 0.4):
            I_bleed = self.log(0.4e-3, 2.5e-3) * min(5 / self.V_o, 1.0) * min(self.P_o / 5, 1.0)
            d.resistor("bleeder", nearest(self.V_o / I_bleed, E12))
