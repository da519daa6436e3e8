"""Dimensions and units that may be written in a board file, as plain data.

Factors are definitions of the SI and of the units accepted beside it (SI brochure, 9th edition,
from memory); a test proves every row, with every prefix it allows, against pint.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType


@dataclass(frozen=True, slots=True)
class Dimension:
    """A kind of quantity; ``example`` is a text that parses as one."""

    name: str
    si_symbol: str
    example: str
    pint_name: str

    @property
    def described(self) -> str:
        """With article and SI unit, as in "an inductance [H]"."""
        if self.name == "turns":
            return "a number of turns"
        article = "an" if self.name[0] in "aeiou" else "a"
        return f"{article} {self.name} [{self.si_symbol}]"


@dataclass(frozen=True, slots=True)
class Unit:
    """A unit as written: SI value = number * factor + offset, the offset only for temperatures.

    The first unit listed for a dimension is the one results are shown in.
    """

    symbol: str
    dimension: str
    factor: float
    pint_name: str
    spellings: tuple[str, ...] = ()
    prefixes: str = ""
    offset: float = 0.0


PREFIXES: Mapping[str, int] = MappingProxyType(
    {"p": -12, "n": -9, "u": -6, "µ": -6, "m": -3, "k": 3, "M": 6, "G": 9}
)

DIMENSIONS: Mapping[str, Dimension] = MappingProxyType(
    {
        dimension.name: dimension
        for dimension in (
            Dimension("resistance", "Ω", "2.40 ohm", "ohm"),
            Dimension("capacitance", "F", "680 uF", "farad"),
            Dimension("inductance", "H", "1.00 mH", "henry"),
            Dimension("voltage", "V", "0.80 V", "volt"),
            Dimension("current", "A", "2.0 A", "ampere"),
            Dimension("power", "W", "24 W", "watt"),
            Dimension("apparent power", "VA", "30 VA", "volt * ampere"),
            Dimension("frequency", "Hz", "65 kHz", "hertz"),
            Dimension("time", "s", "200 ns", "second"),
            Dimension("length", "m", "0.25 mm", "meter"),
            Dimension("area", "m²", "20.1 mm2", "meter ** 2"),
            Dimension("volume", "m³", "750 mm3", "meter ** 3"),
            Dimension("flux density", "T", "300 mT", "tesla"),
            Dimension("turns", "turns", "120 turns", "dimensionless"),
            Dimension("ratio", "1", "52 %", "dimensionless"),
            Dimension("temperature", "K", "85 degC", "kelvin"),
            Dimension("current slope", "A/s", "100 mA/us", "ampere / second"),
            Dimension("voltage slope", "V/s", "20 mV/us", "volt / second"),
            Dimension("power coefficient", "A²·Hz", "8250 A2Hz", "ampere ** 2 * hertz"),
            Dimension("charge", "C", "12 nC", "coulomb"),
            Dimension("power density", "W/m³", "110 kW/m3", "watt / meter ** 3"),
            Dimension("current density", "A/m²", "6 A/mm2", "ampere / meter ** 2"),
            Dimension("resistivity", "Ω·m", "17.24 nohm*m", "ohm * meter"),
        )
    }
)

UNITS: tuple[Unit, ...] = (
    Unit("Ω", "resistance", 1.0, "ohm", ("ohm", "ohms"), "µmkMG"),
    Unit("F", "capacitance", 1.0, "farad", prefixes="pnµm"),
    Unit("H", "inductance", 1.0, "henry", prefixes="nµm"),
    Unit("V", "voltage", 1.0, "volt", prefixes="µmk"),
    Unit("A", "current", 1.0, "ampere", prefixes="nµm"),
    Unit("W", "power", 1.0, "watt", prefixes="µmk"),
    Unit("VA", "apparent power", 1.0, "volt * ampere", prefixes="mk"),
    Unit("Hz", "frequency", 1.0, "hertz", prefixes="kMG"),
    Unit("s", "time", 1.0, "second", prefixes="pnµm"),
    Unit("min", "time", 60.0, "minute"),
    Unit("h", "time", 3600.0, "hour"),
    Unit("m", "length", 1.0, "meter", prefixes="µm"),
    Unit("cm", "length", 1e-2, "centimeter"),
    Unit("mm²", "area", 1e-6, "millimeter ** 2", ("mm2", "mm^2")),
    Unit("cm²", "area", 1e-4, "centimeter ** 2", ("cm2", "cm^2")),
    Unit("m²", "area", 1.0, "meter ** 2", ("m2", "m^2")),
    Unit("mm³", "volume", 1e-9, "millimeter ** 3", ("mm3", "mm^3")),
    Unit("cm³", "volume", 1e-6, "centimeter ** 3", ("cm3", "cm^3")),
    Unit("m³", "volume", 1.0, "meter ** 3", ("m3", "m^3")),
    Unit("T", "flux density", 1.0, "tesla", prefixes="µm"),
    # A turn of a winding is a plain count; pint's own "turn" is an angle of 2 pi.
    Unit("turns", "turns", 1.0, "dimensionless", ("turn", "t")),
    Unit("%", "ratio", 1e-2, "percent"),
    Unit("°C", "temperature", 1.0, "degC", ("degC",), offset=273.15),
    Unit("K", "temperature", 1.0, "kelvin"),
    Unit("A/µs", "current slope", 1e6, "ampere / microsecond", ("A/us",), "m"),
    Unit("A/s", "current slope", 1.0, "ampere / second", prefixes="mkM"),
    Unit("V/µs", "voltage slope", 1e6, "volt / microsecond", ("V/us",), "mk"),
    Unit("V/s", "voltage slope", 1.0, "volt / second", prefixes="mkM"),
    Unit(
        "A²·Hz",
        "power coefficient",
        1.0,
        "ampere ** 2 * hertz",
        ("A²Hz", "A² Hz", "A2Hz", "A2 Hz", "A^2Hz", "A^2 Hz"),
    ),
    # Without a bare C: 01C is the code of a resistor.
    Unit("nC", "charge", 1e-9, "nanocoulomb"),
    Unit("pC", "charge", 1e-12, "picocoulomb"),
    Unit("µC", "charge", 1e-6, "microcoulomb", ("uC",)),
    Unit("kW/m³", "power density", 1e3, "kilowatt / meter ** 3", ("kW/m3", "mW/cm³", "mW/cm3")),
    Unit("A/mm²", "current density", 1e6, "ampere / millimeter ** 2", ("A/mm2",)),
    Unit("Ω·m", "resistivity", 1.0, "ohm * meter", ("ohm*m", "ohm m"), "nµ"),
)

# Every way to write a unit, with the exponent of ten of its prefix.
SPELLED: Mapping[str, tuple[Unit, int]] = MappingProxyType(
    {
        prefix + spelling: (unit, exponent)
        for unit in UNITS
        for spelling in (unit.symbol, *unit.spellings)
        for prefix, exponent in {"": 0, **PREFIXES}.items()
        if prefix.replace("u", "µ") in unit.prefixes
    }
)
