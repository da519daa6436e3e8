"""From what the meters showed to what was there: drops added back, limits of error as uncertainties.

Between its limits an error may lie anywhere, so its standard uncertainty is the limit over the root of
three (JCGM 100, from memory). Errors are taken as independent of each other, also those of one meter at two
ports; the resistance of cable and meter is one and the same for all ports. What all readings of one meter
have in common therefore counts a little too small in a sum over many ports, and a little too large where
efficiencies read with the same meters are compared.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from flyback.analysis.trace import lent
from flyback.board.model import Accuracy, LoadTest, Meters, ReadAt, Value
from flyback.reference import handbook
from flyback.units import format_quantity

COVERAGE = 2.0
"""Factor from a standard uncertainty to an error bar."""

_DIMENSIONS = {"voltage": "voltage", "current": "current", "wall_power": "power"}


def with_bar(value: float, U: float, unit: str) -> str:
    """A value with its error bar, which has one digit (two below 2), and the value none beyond those.

    >>> with_bar(13.052, 0.53, "W"), with_bar(79.06, 9.8, "%"), with_bar(5.06, 0.0, "W")
    ('13.1 ± 0.5 W', '79 ± 10 %', '5.06 ± 0 W')
    """
    if U <= 0:
        return f"{value:.3g} ± 0 {unit}"
    size = math.floor(math.log10(U))
    if U / 10**size < 2:
        size -= 1
    decimals = max(-size, 0)
    return f"{value:.{decimals}f} ± {U:.{decimals}f} {unit}"


@dataclass(frozen=True, slots=True)
class Resistance:
    """A resistance in the path [ohm], and its standard uncertainty."""

    nominal: float = 0.0
    u: float = 0.0

    def __add__(self, other: Resistance) -> Resistance:
        return Resistance(self.nominal + other.nominal, math.hypot(self.u, other.u))


@dataclass(frozen=True, slots=True)
class Bench:
    """The meters with everything that was not said lent by the handbook.

    Attributes:
        lent: values lent, by the key of [meters] they stand for.
    """

    voltage: Accuracy
    current: Accuracy
    wall_power: Accuracy
    cable: Resistance
    meter: Resistance
    lent: Mapping[str, tuple[Value, ...]] = field(default_factory=dict)

    @classmethod
    def of(cls, meters: Meters) -> Bench:
        borrowed: dict[str, tuple[Value, ...]] = {}

        def accuracy(key: str, said: Accuracy | None, variant: str | None = None) -> Accuracy:
            return said or _lent_accuracy(key, variant, borrowed)

        def resistance(key: str) -> Resistance:
            said = getattr(meters, key)
            if said is None:
                said = _lend(key, f"meters.{key}")
                borrowed[key] = (said,)
            return Resistance(said.nominal, _spread(said.nominal - said.low, said.high - said.nominal))

        return cls(
            voltage=accuracy("voltage", meters.voltage),
            current=accuracy("current", meters.current),
            wall_power=accuracy("wall_power", meters.wall_power, meters.wall_meter),
            cable=resistance("cable_resistance"),
            meter=resistance("meter_resistance"),
            lent=borrowed,
        )

    def path(self, read_at: ReadAt | None) -> tuple[Resistance, tuple[str, ...]]:
        """Resistance between the socket and where the volts were read, and its keys in [meters]."""
        if read_at is ReadAt.METER:
            return self.meter, ("meter_resistance",)
        if read_at is ReadAt.CABLE_END:
            return self.cable + self.meter, ("cable_resistance", "meter_resistance")
        return Resistance(), ()


def standard(limit: float) -> float:
    """Standard uncertainty of an error that may lie anywhere between plus and minus a limit.

    >>> round(standard(0.07), 4)
    0.0404
    """
    return limit / math.sqrt(3)


def _spread(below: float, above: float) -> float:
    """Standard uncertainty about a value with half the weight spread evenly on each side."""
    return math.sqrt((below**2 + above**2) / 6)


def _lend(key: str, name: str, variant: str | None = None) -> Value:
    row = handbook("meter", key, variant)
    if row is None:
        raise ValueError(f"the handbook has no row for the {key} of a meter")
    return lent(name, row)


def _lent_accuracy(key: str, variant: str | None, borrowed: dict[str, tuple[Value, ...]]) -> Accuracy:
    share = _lend(f"{key}_accuracy", f"meters.{key}, of the reading", variant)
    floor = _lend(f"{key}_floor", f"meters.{key}, fixed", variant)
    borrowed[key] = (share, floor)
    fixed = format_quantity(floor.nominal, _DIMENSIONS[key], digits=1)
    return Accuracy(share.nominal, floor.nominal, f"{100 * share.nominal:g} % + {fixed}")


# --- one load test --------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Corrected:
    """A load test as it was at the sockets; u_... are standard uncertainties (k = 1).

    Attributes:
        V_o: voltage of the sockets, their mean weighted with the currents, so that V_o x I_o is the power
            of all of them [V]; the plain mean where the current may as well be zero.
        V_sockets: voltage of each socket [V], in the order of the readings.
        I_o: current of all ports together [A].
        P_o: power of all ports together [W].
        drop: what was added to the volts read, at the mean weighted as above [V].
        P_wall: power at the wall [W], or None.
        eta: efficiency from the wall to the sockets; None without watts at the wall or without a load, and
            where the wall meter's error may be as large as its reading.
        assumed: values of the handbook that this rests on.
    """

    V_o: float
    u_V: float
    V_sockets: tuple[float, ...]
    I_o: float
    u_I: float
    P_o: float
    u_P: float
    drop: float
    P_wall: float | None
    u_wall: float
    eta: float | None
    u_eta: float
    assumed: tuple[Value, ...]


def correct(test: LoadTest, bench: Bench) -> Corrected:
    """Add back what cable and meter took, add the ports up and say how sure that is.

    Args:
        test: must have a reading.
    """
    R, keys = bench.path(test.read_at)
    rows = test.readings
    I_o = math.fsum(row.current for row in rows)
    P_o = math.fsum((row.voltage + row.current * R.nominal) * row.current for row in rows)
    squares = math.fsum(row.current**2 for row in rows)
    sockets = tuple(row.voltage + row.current * R.nominal for row in rows)
    u_V = [standard(bench.voltage.limit(row.voltage)) for row in rows]
    u_I = [standard(bench.current.limit(row.current)) for row in rows]
    rise = [row.voltage + 2 * row.current * R.nominal for row in rows]
    u_P = _root_sum(
        *(row.current * u for row, u in zip(rows, u_V, strict=True)),
        *(slope * u for slope, u in zip(rise, u_I, strict=True)),
        squares * R.u,
    )
    u_total = _root_sum(*u_I)
    # currents that may all be zero are no weights
    loaded = I_o > COVERAGE * u_total
    weights = [row.current / I_o if loaded else 1 / len(rows) for row in rows]
    V_o = _mean(weights, sockets)
    by_current = [
        (slope - V_o) / I_o if loaded else weight * R.nominal
        for slope, weight in zip(rise, weights, strict=True)
    ]
    u_mean = _root_sum(
        *(weight * u for weight, u in zip(weights, u_V, strict=True)),
        *(slope * u for slope, u in zip(by_current, u_I, strict=True)),
        _mean(weights, [row.current for row in rows]) * R.u,
    )
    used = ["voltage", "current", *keys]
    limit = 0.0
    if test.wall_power is not None:
        used.append("wall_power")
        limit = bench.wall_power.limit(test.wall_power)
    eta, u_eta = _efficiency(P_o, u_P, test.wall_power, limit)
    return Corrected(
        V_o=V_o,
        u_V=u_mean,
        V_sockets=sockets,
        I_o=I_o,
        u_I=u_total,
        P_o=P_o,
        u_P=u_P,
        drop=V_o - _mean(weights, [row.voltage for row in rows]),
        P_wall=test.wall_power,
        u_wall=standard(limit),
        eta=eta,
        u_eta=u_eta,
        assumed=tuple(value for key in used for value in bench.lent.get(key, ())),
    )


def _mean(weights: Sequence[float], values: Sequence[float]) -> float:
    return math.fsum(weight * value for weight, value in zip(weights, values, strict=True))


def _root_sum(*parts: float) -> float:
    return math.sqrt(math.fsum(part**2 for part in parts))


def _efficiency(P_o: float, u_P: float, P_wall: float | None, limit: float) -> tuple[float | None, float]:
    if P_wall is None or P_o == 0 or limit >= P_wall:
        return None, 0.0
    eta = P_o / P_wall
    return eta, _root_sum(u_P / P_wall, eta * standard(limit) / P_wall)
