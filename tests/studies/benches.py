"""Load tests of synthetic boards: parts drawn from their spreads, currents from the switching simulation.

The simulation shares nothing with the closed forms that the studies use, so that their own error is in
these readings as it is in those of a real board.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from flyback.analysis import tolerance
from flyback.analysis.bulk import Line
from flyback.analysis.circuit import Circuit
from flyback.analysis.waveforms.limit_points import limit_points
from flyback.studies.observed import Observed

EUROPE = Line(V_ac=230.0, f_line=50.0)
AMERICA = Line(V_ac=115.0, f_line=60.0)

SAGGED = (0.93, 0.87, 0.80)
"""Where the output has fallen to in the readings beyond the knee, in units of the set voltage."""

REGULATED = (0.40, 0.85)
"""Loads of the readings in regulation, in units of what can be had at the set voltage."""

U_V = 0.003
"""Standard uncertainty of the volts, in units of the set voltage."""


def drawn(circuit: Circuit, seed: int) -> dict[str, float]:
    """The numbers of one board out of many."""
    return {
        key: float(tolerance.draw(value, 1, block=0, seed=seed)[0]) if value.spread else value.nominal
        for key, value in circuit.values.items()
    }


def nominal_numbers(circuit: Circuit) -> dict[str, float]:
    return {key: value.nominal for key, value in circuit.values.items()}


def simulated(
    circuit: Circuit, numbers: Mapping[str, float], V_set: float, V_o: Sequence[float], line: Line = EUROPE
) -> list[float]:
    """Mean currents that the simulated board gives at output voltages [A]."""
    points = limit_points(circuit, numbers, line, V_set=V_set, V_o=np.array(V_o))
    currents = [I_o for _, I_o, _, _ in points]
    assert len(currents) == len(V_o)
    return currents


def load_test(
    circuit: Circuit, numbers: Mapping[str, float], V_set: float, *, seed: int, u: float = 0.01
) -> tuple[list[Observed], float]:
    """Readings of a simulated board with meter noise, and the power it really gives at V_set [W].

    Args:
        u: relative standard uncertainty of the ammeter, half of its variance a scale that is off.
    """
    most, *sagged = simulated(circuit, numbers, V_set, [V_set, *(share * V_set for share in SAGGED)])
    stream = np.random.default_rng(seed)
    half = u / np.sqrt(2)
    scale = 1 + half * stream.standard_normal()
    loads = [(V_set, share * most) for share in REGULATED]
    loads += [(share * V_set, I_o) for share, I_o in zip(SAGGED, sagged, strict=True)]
    points = [
        Observed(
            line=EUROPE,
            V_o=V_o + U_V * V_set * stream.standard_normal(),
            I_o=I_o * scale * (1 + half * stream.standard_normal()),
            u_V=U_V * V_set,
            u_I=u * I_o,
            where=f"load test {number}",
        )
        for number, (V_o, I_o) in enumerate(loads, start=1)
    ]
    return points, V_set * most
