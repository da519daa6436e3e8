"""Shapes that a measured curve of output volts and amps can have.

Every shape has a straight part, V_0 - R I. Some end it at a knee, beyond which a law of their own holds.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from flyback.analysis.tolerance import Array

CONSTANT_POWER = "constant power"
CONSTANT_CURRENT = "constant current"
LINEAR_DROOP = "linear droop"
SOFT_KNEE = "soft knee"
FOLD_BACK = "fold-back or restart"
ASKS_FOR_LESS = "asks for less"

KINDS = (CONSTANT_POWER, CONSTANT_CURRENT, LINEAR_DROOP, SOFT_KNEE, FOLD_BACK, ASKS_FOR_LESS)

V_DROP = 0.5
"""Drop of the rectifier, which the pulses feed too [V]; a usual Schottky diode's, from memory."""

LEAST = 1e-3
"""Share of the knee's current that stands for none at all."""

POINTS = 400
"""Points of a drawn limit, between which it is interpolated."""


@dataclass(frozen=True, slots=True)
class Limit:
    """Where regulation ends, and how the curve goes on.

    Attributes:
        I_o, V_o: the knee [A, V].
        own: the kind's own number. For the constant kinds the exponent m of I ~ (V + drop)^-m; for a soft
            knee the share by which the power at the bend's start falls short of that at its end; for a
            fold-back the share of the current that is gone at a short circuit.
        drop: of the rectifier [V]; where there is an exponent, that makes up for any other.
    """

    I_o: float
    V_o: float
    own: float
    drop: float = V_DROP

    @property
    def P_o(self) -> float:
        """Power at the knee [W]."""
        return self.V_o * self.I_o


@dataclass(frozen=True, slots=True)
class Shape:
    """One curve: V_0 - R I [V, ohm] down to the limit's knee, if it has one."""

    kind: str
    V_0: float
    R: float
    limit: Limit | None = None


def line_voltage(shape: Shape, I_o: Array) -> Array:
    """Volts of the straight part."""
    return shape.V_0 - shape.R * I_o


def current_beyond(shape: Shape, V_o: Array) -> Array:
    """Amps at volts below the knee's; not for a soft knee, which is given by its amps."""
    limit = limit_of(shape)
    if shape.kind == FOLD_BACK:
        return limit.I_o * (1 - limit.own * (1 - V_o / limit.V_o))
    return limit.I_o * ((limit.V_o + limit.drop) / (V_o + limit.drop)) ** limit.own


def soft_voltage(shape: Shape, I_o: Array) -> Array:
    """Volts beyond a soft knee, averaged over the mains period.

    What the supply can give swings with the bulk. It is the rarer the less it is, since near the crest the
    current limit caps it: a share of time that falls in a line to nothing at the valley. Where the output
    asks for more, it follows the power down; for the rest of the period it is regulated. Once it always
    asks for more, the mean power is all there is.
    """
    limit = limit_of(shape)
    regulated = line_voltage(shape, I_o) + limit.drop
    valley = limit.I_o * (limit.V_o + limit.drop)
    crest = valley / (1 - limit.own)
    asked = I_o * regulated
    lost = (crest - valley) * np.clip((asked - valley) / (crest - valley), 0, 1) ** 3 / 3
    lost = lost + np.maximum(asked - crest, 0)
    return regulated - lost / np.maximum(I_o, LEAST * limit.I_o) - limit.drop


def volts_at(shape: Shape, siemens: Array) -> Array:
    """Volts into resistive loads [V], given as conductances."""
    straight = shape.V_0 / (1 + shape.R * siemens)
    limit = shape.limit
    if limit is None:
        return straight
    if shape.kind == SOFT_KNEE:
        I_o = limit.I_o * np.geomspace(1, 10, POINTS)
        V_o = soft_voltage(shape, I_o)
        I_o, V_o = I_o[V_o > 0], V_o[V_o > 0]
    else:
        V_o = limit.V_o * np.linspace(1, 1 / POINTS, POINTS)
        I_o = current_beyond(shape, V_o)
    return np.where(siemens * limit.V_o < limit.I_o, straight, np.interp(siemens, I_o / V_o, V_o))


def limit_of(shape: Shape) -> Limit:
    """The limit of a shape that has one."""
    assert shape.limit is not None
    return shape.limit
