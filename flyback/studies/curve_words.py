"""What the kinds of a curve mean at the bench: their numbers, a sentence each, the reading to take next."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from flyback.analysis.regions import NEAR_POWER
from flyback.studies.corrections import COVERAGE, with_bar
from flyback.studies.curve_fits import Fit, Measured
from flyback.studies.curve_shapes import (
    ASKS_FOR_LESS,
    CONSTANT_CURRENT,
    CONSTANT_POWER,
    FOLD_BACK,
    LINEAR_DROOP,
    SOFT_KNEE,
    Shape,
    soft_voltage,
    volts_at,
)

FIRST_READINGS = (
    "Read volts and amps at three loads that it holds easily, then in small steps from where the volts "
    "begin to fall until a fifth of them is gone, at least four times on the way down."
)

SCOPE = (
    "Look at the output with a scope where the volts begin to fall: dips at the mains frequency or twice "
    "that, with level stretches between them, mean a soft knee. Note it as mains_dips = true or false."
)

FURTHER = 1.3
"""How much more heavily than the heaviest reading a further one may load the supply (our choice)."""

LOADS = 64
"""Loads looked at for a further reading."""

TOLD = 2.0
"""Standard uncertainties by which two kinds must differ for one reading to tell them apart."""

POWER_AT_KNEE, POWER_AT_END = "power at the knee", "power at the end of the bend"

_EXPONENT = ("exponent m of the current, which goes as volts^-m", "")
_OWN = {
    CONSTANT_POWER: _EXPONENT,
    CONSTANT_CURRENT: _EXPONENT,
    SOFT_KNEE: (POWER_AT_END, "W"),
    FOLD_BACK: ("current at a short circuit", "A"),
}
_STRAIGHT = (("volts without load", "V"), ("resistance of the straight part", "ohm"))
_KNEE = (("knee current", "A"), ("knee voltage", "V"), (POWER_AT_KNEE, "W"))


@dataclass(frozen=True, slots=True)
class Parameter:
    """A number of a fitted kind with its standard uncertainty; unit "" for a plain number."""

    name: str
    value: float
    u: float
    unit: str

    @property
    def amount(self) -> str:
        """Value and error bar (k = 2), which has one digit, two below 2.

        >>> Parameter("knee current", 2.618, 0.041, "A").amount
        '2.62 ± 0.08 A'
        """
        if self.u <= 0:
            return f"{self.value:.2f} ± 0.00 {self.unit}".rstrip()
        return with_bar(self.value, COVERAGE * self.u, self.unit).rstrip()

    def __str__(self) -> str:
        return f"{self.name} {self.amount}"


def parameters(fit: Fit) -> tuple[Parameter, ...]:
    """A kind's numbers: the straight part, then knee, power there and the kind's own number."""
    names = _STRAIGHT if fit.shape.limit is None else (*_STRAIGHT, *_KNEE, _OWN[fit.kind])
    values, us = fit.spread(_numbers)
    return tuple(
        Parameter(name, float(value), float(u), unit)
        for (name, unit), value, u in zip(names, values, us, strict=True)
    )


def _numbers(shape: Shape) -> list[float]:
    limit = shape.limit
    if limit is None:
        return [shape.V_0, shape.R]
    own = limit.own
    if shape.kind == SOFT_KNEE:
        I_end = np.array([limit.I_o / (1 - own)])
        own = float(I_end[0] * soft_voltage(shape, I_end)[0])
    elif shape.kind == FOLD_BACK:
        own = limit.I_o * (1 - own)
    return [shape.V_0, shape.R, limit.I_o, limit.V_o, limit.P_o, own]


def sentence(fit: Fit, x: Measured) -> str:
    """What a kind would mean, with its numbers."""
    if fit.collapsed:
        count = "1 reading" if fit.collapsed == 1 else f"{fit.collapsed} readings"
        return (
            f"The controller stops and starts again, or stays off, under heavy load: {count} collapsed "
            "in volts and amps alike."
        )
    _, R, *others = parameters(fit)
    I_most = x.most[1]
    if fit.kind == ASKS_FOR_LESS:
        return (
            f"The volts hold up to the last {I_most:.2f} A and the current simply ends there: the device "
            f"asks for no more. Of the supply's limit that says only that {np.max(x.V_o * x.I_o):.1f} W "
            "can be had."
        )
    if fit.kind == LINEAR_DROOP:
        return (
            f"No knee: the volts fall in a line with the current, as behind {R.amount} of cable, connector "
            f"or meter. The supply itself is at no limit up to {I_most:.2f} A."
        )
    I_knee, _, P_knee, own = others
    if fit.kind == CONSTANT_CURRENT:
        return (
            f"The controller holds the current at {I_knee.amount}, and the volts become what the load "
            "makes of it."
        )
    if fit.kind == SOFT_KNEE:
        return (
            f"From {I_knee.amount} on the volts bend gradually, as where the bulk runs low at every mains "
            f"valley and the output dips there. The most it gives is about {own.value:.1f} W."
        )
    if fit.kind == FOLD_BACK:
        return (
            f"Beyond {I_knee.amount} the controller takes the current back as the volts fall, towards "
            f"{own.value:.1f} A at a short circuit."
        )
    if own.value >= NEAR_POWER:
        return (
            f"Every pulse is at its limit: beyond {I_knee.amount} the supply gives about the same "
            f"power, {P_knee.amount}, whatever the load."
        )
    return (
        f"Every pulse is at its limit, in continuous or boundary conduction: beyond {I_knee.amount} and "
        f"{P_knee.amount} the current still rises as the volts fall, but less than at a constant power."
    )


# --- the next reading -----------------------------------------------------------------------------


def tells_apart(first: Fit, second: Fit, x: Measured, *, looked: bool) -> str:
    """The further reading that would tell two kinds apart.

    Args:
        looked: whether the output has been looked at with a scope.
    """
    kinds = {first.kind, second.kind}
    if kinds == {ASKS_FOR_LESS, LINEAR_DROOP}:
        return (
            f"Draw {x.most[1]:.2f} A and measure at the board's own output: volts that hold there mean "
            "that the fall is in cable, connector or meter."
        )
    if first.collapsed or second.collapsed:
        return (
            "Raise the load slowly past the last reading that held, and watch the output for half a "
            "minute: volts that come and go mean a controller that restarts, steady ones a limit. Note it "
            "as restarts = true or false."
        )
    reading, enough = _reading(first, second, x)
    if not enough:
        reading += " As the readings stand one more may not be enough: take several about there."
    if SOFT_KNEE in kinds and not kinds & {ASKS_FOR_LESS, LINEAR_DROOP} and not looked:
        return f"{SCOPE} Or: {reading[0].lower()}{reading[1:]}" if enough else SCOPE
    return reading


def _reading(first: Fit, second: Fit, x: Measured) -> tuple[str, bool]:
    """At a load where the two foretell volts that are far apart, and whether it alone would tell them.

    How surely the fits know those volts counts too.
    """
    loaded = x.part(x.V_o > 0)
    heaviest = float(np.max(loaded.I_o / loaded.V_o))
    siemens = heaviest * np.geomspace(0.5, FURTHER, LOADS)
    (V_1, u_1), (V_2, u_2) = (fit.spread(lambda shape: volts_at(shape, siemens)) for fit in (first, second))
    apart = np.abs(V_1 - V_2)
    told = apart / np.sqrt(u_1**2 + u_2**2 + float(np.median(x.u_V)) ** 2)
    if ASKS_FOR_LESS in (first.kind, second.kind):
        # what no reading has touched shows only under a heavier load
        k = LOADS - 1
    elif np.any(told > TOLD):
        k = int(np.argmax(np.where(told > TOLD, apart, 0)))
    else:
        k = int(np.argmax(told))
    return (
        f"Load it with {1 / siemens[k]:.3g} ohm: {first.kind} foretells {V_1[k]:.2f} V "
        f"({siemens[k] * V_1[k]:.2f} A), {second.kind} {V_2[k]:.2f} V ({siemens[k] * V_2[k]:.2f} A); read "
        f"the volts to ±{apart[k] / 4:.1g} V or better."
    ), bool(told[k] >= TOLD)
