"""Shapes fitted to the readings of a curve, each with the evidence that the readings are for it.

Readings are ordered by how heavily they load the supply; the knee lies between two of them, and each such
place is fitted on its own, so that every fit is smooth. The places are then summed.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from flyback.analysis.tolerance import Array
from flyback.studies.curve_shapes import (
    ASKS_FOR_LESS,
    CONSTANT_CURRENT,
    CONSTANT_POWER,
    FOLD_BACK,
    LINEAR_DROOP,
    SOFT_KNEE,
    V_DROP,
    Limit,
    Shape,
    current_beyond,
    line_voltage,
    soft_voltage,
)
from flyback.studies.observed import Observed

FLAT, LOOSE = 0.01, 0.06
"""Standard deviations of R I / V at the largest current: of a rail that only regulates, and of a straight
part before a knee, where a cable may be in the path as well (our choice)."""

DROOP, DROOP_SPREAD = 0.08, 0.7
"""Middle of R I / V where a cable is all there is, and the standard deviation of its logarithm (our
choice). With `FLAT`, a fall of 2 % is as likely one as the other."""


@dataclass(frozen=True, slots=True)
class Prior:
    """Middles and standard deviations of a kind's own numbers before any reading."""

    middle: tuple[float, ...]
    sd: tuple[float, ...]


OWN = {
    CONSTANT_POWER: (Prior((1.0,), (0.07,)), Prior((0.4,), (0.2,))),
    CONSTANT_CURRENT: (Prior((0.02,), (0.04,)),),
    SOFT_KNEE: (Prior((-1.1, V_DROP), (0.6, 0.25)),),
    FOLD_BACK: (Prior((0.0,), (1.0,)),),
}
"""For each way to come by a kind. Exponents are those of discontinuous pulses; of pulses at the boundary
of conduction, about V_r / (V_r + V_dc), and beyond it; of current loops that are good to a few per cent.
Shares are logarithms of their odds; that of a soft knee is as circuits give it whose bulk loses a fifth of
its power or more, and its drop is any rectifier's (widths are our choice)."""

MOST_LOG = 5.0
"""A logarithm beyond which a number says no more: shares of 0.7 and 99.3 %."""

COLLAPSED_V, COLLAPSED_I = 0.7, 0.9
"""A reading below these shares of the largest volts and of the largest regulated amps has collapsed."""

SURE = 2.0
"""Standard uncertainties within which two loads are the same, or a reading is at the knee."""

EXACT = 1e-4
"""Share of the largest reading that stands for an uncertainty of nothing."""

STEP = 1e-2
"""Step of a numerical derivative, in standard uncertainties."""

LEAST_ANGLE = 1e-3
"""Smallest angle of a knee."""

ENOUGH, MOST_TRIES = 1e-5, 100
"""Relative step at which a fit ends, and the tries after which one is given up: knees at a place where
the readings do not bend never settle, and do not matter."""

HOPELESS = 50.0
"""Weighted squares by which a place of the knee may be worse than another and still be looked at."""


@dataclass(frozen=True, slots=True, eq=False)
class Measured:
    """A curve's readings from the lightest load to the heaviest; uncertainties k = 1.

    Attributes:
        angle: how heavy the load is: 0 at no load, a right angle at a short circuit; largest volts and
            amps count alike. u_angle: its uncertainty.
    """

    V_o: Array
    I_o: Array
    u_V: Array
    u_I: Array
    angle: Array
    u_angle: Array

    @classmethod
    def of(cls, points: Sequence[Observed]) -> Measured:
        """Readings by their load; the order in which they were written down does not count."""
        V_o, I_o, u_V, u_I = (
            np.array([getattr(point, name) for point in points]) for name in ("V_o", "I_o", "u_V", "u_I")
        )
        V_most, I_most = V_o.max(), I_o.max()
        u_V, u_I = np.maximum(u_V, EXACT * V_most), np.maximum(u_I, EXACT * I_most)
        v, i = V_o / V_most, I_o / I_most
        # an output that is down says nothing of its load: it was too heavy
        down = (v == 0) & (i == 0)
        angle = np.where(down, np.pi / 2, np.arctan2(i, v))
        u_angle = np.hypot(i * u_V / V_most, v * u_I / I_most) / np.where(down, 1, v**2 + i**2)
        u_angle = np.where(down, 1.0, u_angle)
        order = np.lexsort((u_I, u_V, -V_o, angle))
        return cls(*(column[order] for column in (V_o, I_o, u_V, u_I, angle, u_angle)))

    @property
    def most(self) -> tuple[float, float]:
        """The largest volts and amps."""
        return float(self.V_o.max()), float(self.I_o.max())

    @property
    def loads(self) -> int:
        """How many loads there are that the uncertainties keep apart."""
        count, last = 0, -np.inf
        for angle, u in zip(self.angle, self.u_angle, strict=True):
            if angle - last > SURE * u:
                count, last = count + 1, angle
        return count

    def widened(self, factor: float) -> Measured:
        """The same with larger uncertainties."""
        return Measured(
            self.V_o, self.I_o, factor * self.u_V, factor * self.u_I, self.angle, factor * self.u_angle
        )

    def part(self, which: slice | NDArray[np.bool_]) -> Measured:
        """Some of them."""
        columns = (self.V_o, self.I_o, self.u_V, self.u_I, self.angle, self.u_angle)
        return Measured(*(column[which] for column in columns))


@dataclass(frozen=True, slots=True, eq=False)
class Fit:
    """A shape fitted to readings.

    Attributes:
        unknowns, covariance: what was fitted; `shape_of` turns it into a shape.
        most: largest volts and amps of the readings.
        chi2: weighted squares by which the readings miss it.
        log_evidence: how well the kind foretells them, whatever its numbers, up to a constant that all
            kinds share.
        collapsed: how many readings count as collapsed instead of lying on the curve.
    """

    kind: str
    unknowns: Array
    covariance: Array
    most: tuple[float, float]
    chi2: float
    log_evidence: float
    collapsed: int = 0

    @property
    def shape(self) -> Shape:
        return shape_of(self.kind, self.unknowns, self.most)

    def spread(self, numbers: Callable[[Shape], Sequence[float] | Array]) -> tuple[Array, Array]:
        """Numbers made from the shape, and their standard uncertainties."""
        at = np.asarray(numbers(self.shape))
        slopes = []
        for k, u in enumerate(np.sqrt(np.diag(self.covariance))):
            moved = self.unknowns.copy()
            moved[k] += STEP * u
            slopes.append((np.asarray(numbers(shape_of(self.kind, moved, self.most))) - at) / (STEP * u))
        return at, np.sqrt(np.einsum("ki,kl,li->i", slopes, self.covariance, slopes))

    def at_limit(self, x: Measured) -> int:
        """How many readings lie at the knee or beyond."""
        if self.shape.limit is None:
            return 0
        u = np.hypot(x.u_angle, np.sqrt(self.covariance[2, 2]))
        return int(np.count_nonzero(x.angle + SURE * u >= self.unknowns[2]))


def shape_of(kind: str, unknowns: Array, most: tuple[float, float]) -> Shape:
    """The shape that unknowns stand for: V_0, R (for a droop ln(R I/V)), angle of the knee, own numbers."""
    V_0, R, *others = unknowns.tolist()
    if kind == LINEAR_DROOP:
        return Shape(kind, V_0, math.exp(min(R, MOST_LOG)) * most[0] / most[1])
    if not others:
        return Shape(kind, V_0, R)
    angle, own, *drop = others
    # a search may step out of what is possible; the priors and the knee's place call it back
    siemens = math.tan(min(max(angle, LEAST_ANGLE), math.pi / 2 - LEAST_ANGLE)) * most[1] / most[0]
    V_knee = max(V_0, most[0] / 10) / max(1 + R * siemens, 0.1)
    own = min(max(own, -MOST_LOG), MOST_LOG)
    if kind in (SOFT_KNEE, FOLD_BACK):
        own = 1 / (1 + math.exp(-own))
    elif kind == CONSTANT_POWER:
        own = max(own, 0.0)
    return Shape(kind, V_0, R, Limit(siemens * V_knee, V_knee, own, *(max(V, 0.0) for V in drop)))


def fits(x: Measured) -> list[Fit]:
    """The best fit of every kind, with the evidence of all places its knee may have.

    No kind is favoured beforehand, nor any of the ways to come by one.
    """
    found = [_straight(ASKS_FOR_LESS, x), _straight(LINEAR_DROOP, x)]
    for kind, priors in OWN.items():
        tried = [fit for prior in priors for fit in _places(kind, x, prior)]
        if kind == FOLD_BACK:
            found.append(_summed([*tried, *_collapse(x)], ways=len(priors) + 1))
        else:
            found.append(_summed(tried, ways=len(priors)))
    return found


def _summed(tried: Sequence[Fit], *, ways: int) -> Fit:
    """The best of several fits of one kind, with the evidence of all and the spread of those like it."""
    logs = np.array([fit.log_evidence for fit in tried])
    total = float(np.logaddexp.reduce(logs) - np.log(ways))
    best = tried[int(np.argmax(logs))]
    alike = [fit for fit in tried if fit.collapsed == best.collapsed]
    shares = np.exp([fit.log_evidence - best.log_evidence for fit in alike])
    apart = np.array([fit.unknowns - best.unknowns for fit in alike])
    spread = np.array([fit.covariance for fit in alike]) + apart[:, :, None] * apart[:, None, :]
    covariance = np.average(spread, axis=0, weights=shares)
    return replace(best, covariance=covariance, log_evidence=total)


def _miss_of_line(shape: Shape, x: Measured) -> Array:
    return (x.V_o - line_voltage(shape, x.I_o)) / np.hypot(x.u_V, shape.R * x.u_I)


def _miss_of_limit(shape: Shape, x: Measured) -> Array:
    """How far readings are from the curve beyond the knee, in standard uncertainties of both meters."""
    if shape.kind == SOFT_KNEE:
        at, after = (soft_voltage(shape, x.I_o + u) for u in (0, x.u_I))
        return (x.V_o - at) / np.hypot(x.u_V, after - at)
    at, after = (current_beyond(shape, x.V_o + u) for u in (0, x.u_V))
    return (x.I_o - at) / np.hypot(x.u_I, after - at)


def _straight(kind: str, x: Measured) -> Fit:
    V_most, I_most = x.most
    middle, sd = (math.log(DROOP), DROOP_SPREAD)
    if kind == ASKS_FOR_LESS:
        middle, sd = 0.0, FLAT * V_most / I_most

    def misses(unknowns: Array) -> Array:
        line = _miss_of_line(shape_of(kind, unknowns, x.most), x)
        return np.append(line, (unknowns[1] - middle) / sd)

    return _fit(kind, x, misses, np.array([V_most, middle]), sds=(sd,))


def _places(kind: str, x: Measured, own: Prior) -> Iterator[Fit]:
    """Fits for every place of the knee, up to where the readings before it are plainly no line."""
    least = np.inf
    for place in range(1, x.V_o.size):
        before = x.part(slice(place))
        if place > 2 and _bends(before) > least + HOPELESS:
            return
        fit = _with_knee(kind, x, place, own)
        least = min(least, fit.chi2)
        yield fit


def _bends(x: Measured) -> float:
    """Weighted squares by which readings miss the best line through them."""
    columns = np.array([np.ones(x.V_o.size), x.I_o]) / x.u_V
    line = np.linalg.lstsq(columns.T, x.V_o / x.u_V)[0]
    return float(np.sum((x.V_o / x.u_V - line @ columns) ** 2))


def _with_knee(kind: str, x: Measured, place: int, own: Prior) -> Fit:
    """The knee lies between the last reading before a place and the first one after it."""
    V_most, I_most = x.most
    sd_R = LOOSE * V_most / I_most
    before, beyond = x.part(slice(place)), x.part(slice(place, None))
    low, high = before.angle[-1], beyond.angle[0]
    u_low, u_high = before.u_angle[-1], beyond.u_angle[0]
    middle, sd = np.array(own.middle), np.array(own.sd)

    def misses(unknowns: Array) -> Array:
        shape = shape_of(kind, unknowns, x.most)
        outside = (min(unknowns[2] - low, 0.0) / u_low, max(unknowns[2] - high, 0.0) / u_high)
        priors = (unknowns[3:] - middle) / sd
        return np.concatenate(
            (
                _miss_of_line(shape, before),
                _miss_of_limit(shape, beyond),
                outside,
                (unknowns[1] / sd_R, *priors),
            )
        )

    start = np.array([x.V_o[0], 0.0, (low + high) / 2, *own.middle])
    return _fit(kind, x, misses, start, sds=(sd_R, *own.sd), gap=max(high - low, u_low, u_high))


def _collapse(x: Measured) -> list[Fit]:
    """A straight part, and readings anywhere below it: a controller that stops and starts again."""
    V_most, I_most = x.most
    fallen = x.V_o < COLLAPSED_V * V_most
    fallen &= x.I_o < COLLAPSED_I * x.I_o[~fallen].max()
    if not fallen.any():
        return []
    held, down = x.part(~fallen), x.part(fallen)
    line = _straight(ASKS_FOR_LESS, held)
    # a reading that may lie anywhere in the box is foretold that much worse than one on a curve
    width = np.sqrt(2 * np.pi * down.u_V / V_most * down.u_I / I_most)
    box = np.sum(np.log(np.minimum(width / (COLLAPSED_V * COLLAPSED_I), 1)))
    gap = max(down.angle.min() - held.angle.max(), x.u_angle.max())
    log_evidence = line.log_evidence + float(box + np.log(gap / np.ptp(x.angle)))
    return [Fit(FOLD_BACK, line.unknowns, line.covariance, x.most, line.chi2, log_evidence, len(down.V_o))]


def _fit(
    kind: str,
    x: Measured,
    misses: Callable[[Array], Array],
    start: Array,
    *,
    sds: tuple[float, ...],
    gap: float | None = None,
) -> Fit:
    """Least squares, and Laplace's approximation of the evidence around them.

    Args:
        misses: of the readings; with a knee, two that keep it at its place; of the priors.
        sds: standard deviations of the priors, which are Gaussian; other unknowns are evenly likely.
        gap: width of the knee's place.
    """
    from scipy.optimize import least_squares

    done = least_squares(misses, start, method="lm", ftol=ENOUGH, xtol=ENOUGH, max_nfev=MOST_TRIES)
    J = done.jac
    readings = J.shape[0] - len(sds)
    log_evidence = -float(done.fun @ done.fun) / 2 - float(np.sum(np.log(sds)))
    log_evidence += (start.size - len(sds)) / 2 * float(np.log(2 * np.pi))
    if gap is not None:
        readings -= 2
        J = np.delete(J, (readings, readings + 1), axis=0)
        log_evidence -= float(np.log(np.ptp(x.angle)))
    H = J.T @ J
    if gap is not None:
        # however little the readings say, the knee is somewhere in the gap
        H[2, 2] += 2 * np.pi / gap**2
    log_evidence -= float(np.linalg.slogdet(H)[1]) / 2
    chi2 = float(np.sum(done.fun[:readings] ** 2))
    return Fit(kind, done.x, np.linalg.inv(H), x.most, chi2, log_evidence)
