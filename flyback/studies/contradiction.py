"""Readings that the parts as traced cannot explain, and what would explain them."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np

from flyback.analysis import tolerance
from flyback.analysis.circuit import Circuit, joined_names
from flyback.analysis.held import averaged, hold, with_fixed_clamp
from flyback.analysis.tolerance import Array
from flyback.board.model import Value
from flyback.equations.formula import Real
from flyback.errors import NumericalError
from flyback.studies.conditioning import allowed_misfit, log_mean
from flyback.studies.likelihood import FACTOR, WALL, Judged, LoadTest, Reading, blocks, factor, load_test
from flyback.studies.scores import Prior, log_normal_cdf
from flyback.units import format_quantity

SURPRISE = 1e-3
"""Share of the boards with these parts that would do as was read, below which the two contradict."""

TRIALS = 4096
"""Samples by which an alternative is judged."""

MOST_BOARDS = 4096
"""Most boards whose readings are compared."""

AS_GOOD = np.log(10.0)
"""The second-best alternative is named too where its likelihood is within a factor of ten of the best."""

SLIP = 10.0
"""A code read a decade off, such as 2R2 for 22R."""


class Kind(StrEnum):
    """What is wrong."""

    TOO_MUCH = "more than the parts can deliver"
    TOO_LITTLE = "less than the parts should deliver"
    AMONG_THEMSELVES = "the readings do not fit together"


@dataclass(frozen=True, slots=True)
class Alternative:
    """A board that differs in its sense resistors.

    Attributes:
        words: what would be so ("one of R5 || R6 may be open").
        I_o: current it would nominally give at the reading that is told about [A].
        log_odds: logarithm of the readings' likelihood over that of the board as traced.
        plausible: whether the readings would be no surprise on it.
    """

    words: str
    I_o: float
    log_odds: float
    plausible: bool


@dataclass(frozen=True, slots=True)
class Contradiction:
    """Parts and readings that cannot both be right.

    Attributes:
        p: share of the boards with these parts that would do as was read.
        misfit, allowed: smallest chi squared of any sample, and what one reading set in a thousand exceeds.
        reading: the reading that is furthest off.
        low, nominal, high: current the parts can give there, with every spread at its end [A].
        alternatives: what would explain it, likeliest first.
        words: all of it in a sentence or two.
    """

    kind: Kind
    p: float
    misfit: float
    allowed: float
    reading: Reading
    low: float
    nominal: float
    high: float
    alternatives: tuple[Alternative, ...]
    words: str


def surprise(test: LoadTest, I_o: Array, *, seed: int) -> float:
    """Share of the boards with these parts, closed form's and meters' errors included, that would do as
    was read.

    Readings in regulation ask how many could give their currents. Sagging ones ask how many would give
    readings no likelier than these, themselves included, so that few samples never show a small share.
    The rarer of the two counts, twice where both are asked.

    Args:
        I_o: what samples give at every reading, with the closed form's factor [A].
    """
    shares = []
    amps, sigma = (np.array([getattr(r, name) for r in test.readings]) for name in ("current", "sigma"))
    sags = np.array([reading.sags for reading in test.readings])
    if not sags.all():
        can = log_normal_cdf((I_o[:, ~sags] - amps[~sags]) / sigma[~sags]).sum(axis=1)
        shares.append(float(np.exp(can).mean()))
    if sags.any():
        # boards that are read, and others by which what they give is judged
        half = min(len(I_o) // 2, MOST_BOARDS)
        boards, others = I_o[:half, sags], I_o[half : 2 * half, sags]
        noise = np.random.default_rng([seed, half]).standard_normal(boards.shape)
        root = np.asarray(np.linalg.cholesky(test.scatter), dtype=float)
        density = _log_densities(np.vstack([amps[sags], boards + noise @ root.T]), others, root)
        shares.append((1 + int(np.count_nonzero(density[1:] <= density[0]))) / (1 + half))
    return min(1.0, len(shares) * min(shares))


def _log_densities(at: Array, centres: Array, root: Array) -> Array:
    """Logarithm of how densely readings of many boards lie around some, but for a constant.

    Args:
        root: of the readings' covariance, as a triangle.
    """
    at, centres = (np.asarray(np.linalg.solve(root, rows.T).T, dtype=float) for rows in (at, centres))
    ends = (centres**2).sum(axis=1) / 2
    found = np.empty(len(at))
    for rows in blocks(len(at)):
        near = at[rows] @ centres.T - ends
        most = near.max(axis=1)
        found[rows] = most + np.log(np.exp(near - most[:, np.newaxis]).sum(axis=1))
    return np.asarray(found - (at**2).sum(axis=1) / 2)


def contradiction(
    test: LoadTest, *, p: float, misfit: float, at_odds: bool, seed: int
) -> Contradiction | None:
    """What contradicts, or None.

    Args:
        p: from `surprise`.
        misfit: smallest chi squared of the samples.
        at_odds: whether the misfit stays where a value of the current limit is set free.
    """
    allowed = allowed_misfit(test.terms)
    if p >= SURPRISE and misfit <= allowed:
        return None
    reading, low, middle, high = _furthest(test)
    found = tuple(sorted(_alternatives(test, reading, seed), key=lambda other: -other.log_odds))
    kind = Kind.TOO_MUCH if reading.current > middle else Kind.TOO_LITTLE
    if at_odds and not any(other.plausible for other in found):
        kind = Kind.AMONG_THEMSELVES
    words = _words(test.circuit, kind, reading, (low, middle, high), found)
    return Contradiction(kind, p, misfit, allowed, reading, low, middle, high, found, words)


def odd_wall_powers(test: LoadTest, judged: Judged, P_wall: Array) -> str:
    """What is wrong with wall powers where the currents are well explained; empty where nothing is.

    Args:
        judged, P_wall: of samples, from `LoadTest.judged` and `LoadTest.predicted`.
    """
    currents = float(judged.of_currents.min())
    if currents > allowed_misfit(len(test.readings)) or judged.misfit.min() <= allowed_misfit(test.terms):
        return ""
    expected = WALL * np.median(P_wall, axis=0)
    off = {
        k: abs(np.log(reading.P_wall / expected[k]))
        for k, reading in enumerate(test.readings)
        if reading.u_wall is not None
    }
    worst = max(off, key=off.__getitem__)
    reading = test.readings[worst]
    read, about = (format_quantity(P, "power") for P in (reading.P_wall, float(expected[worst])))
    return (
        f"The powers at the wall do not fit the output's and are set aside: {read} was read in "
        f"{reading.observed.where or 'one reading'} where about {about} is to be expected. Look at the "
        "wattmeter, and at what else it fed."
    )


def _furthest(test: LoadTest) -> tuple[Reading, float, float, float]:
    """The reading furthest from what the parts give, with that at both ends of all spreads."""

    def measure(numbers: Mapping[str, Array | float]) -> list[Array | float]:
        return [_limit(test, reading, numbers) for reading in test.readings]

    nominal = [float(x) for x in measure({key: v.nominal for key, v in test.circuit.values.items()})]
    ends = tolerance.corners(test.circuit.values, measure)

    def off(k: int) -> float:
        reading, (low, high) = test.readings[k], ends[k]
        over, under = reading.current - nominal[k], nominal[k] - reading.current
        if over > 0:
            return over / (high - nominal[k] + reading.sigma)
        return under / (nominal[k] - low + reading.sigma) if reading.sags else 0.0

    worst = max(range(len(test.readings)), key=off)
    return test.readings[worst], ends[worst][0], nominal[worst], ends[worst][1]


def _limit(test: LoadTest, reading: Reading, numbers: Mapping[str, Array | float]) -> Real:
    supply = with_fixed_clamp(test.circuit.supply(numbers), V_set=test.V_set)
    return averaged(hold(test.circuit, supply, reading.line, V_o=reading.observed.V_o)).I_o


# --- other boards ---------------------------------------------------------------------------------


def _alternatives(test: LoadTest, reading: Reading, seed: int) -> Iterator[Alternative]:
    # whether a wall power is used depends on the board, and would make likelihoods incomparable
    points = [replace(reading.observed, P_wall=None) for reading in test.readings]

    def judged(circuit: Circuit) -> tuple[LoadTest, float, float]:
        other = load_test(circuit, points, V_set=test.V_set)
        prior = Prior.of(circuit.values, (FACTOR,))
        scores = prior.draw(TRIALS, seed=seed)
        found = other.predicted(prior, scores)
        evidence = log_mean(other.judged(prior, scores, found).logs)
        I_o = found.I_o * factor(prior, scores)[:, np.newaxis]
        return other, evidence, surprise(other, I_o, seed=seed)

    _, as_traced, _ = judged(test.circuit)
    for words, circuit in other_boards(test.circuit):
        try:
            other, evidence, p = judged(circuit)
        except NumericalError:
            continue  # so far off that the formulas do not reach it
        numbers = {key: value.nominal for key, value in circuit.values.items()}
        I_o = float(_limit(other, reading, numbers))
        yield Alternative(words, I_o, evidence - as_traced, p >= SURPRISE)


def other_boards(circuit: Circuit) -> Iterator[tuple[str, Circuit]]:
    """Boards that differ in one sense resistor, or in all of one code, with what would be so in words."""
    keys = circuit.keys.get("R_s", ())
    groups: dict[float, list[str]] = {}
    for key in keys:
        groups.setdefault(circuit.values[key].nominal, []).append(key)
    for ohms, alike in groups.items():
        names = [key.partition(".")[0] for key in alike]
        one = names[0] if len(names) == 1 else f"one of {joined_names(names, '||')}"
        if len(keys) > 1:
            yield f"{one} may be open", _with(circuit, [key for key in keys if key != alike[0]], {})
        like = replace(circuit.values[alike[-1]], key="another", cause="another")
        yield (
            f"a resistor like {names[-1]} may be missing from the list",
            _with(circuit, [*keys, "another"], {"another": like}),
        )
        for slip in (SLIP, 1 / SLIP):
            read = format_quantity(ohms * slip, "resistance")
            wrong = {key: _times(circuit.values[key], slip) for key in alike}
            yield f"{one} may be {read}", _with(circuit, keys, {alike[0]: wrong[alike[0]]})
            if len(alike) > 1:
                yield f"{' and '.join(names)} may be {read}", _with(circuit, keys, wrong)


def _with(circuit: Circuit, keys: Sequence[str], values: Mapping[str, Value]) -> Circuit:
    """The circuit with other sense resistors; their ratings no longer belong to them."""
    others = {name: found for name, found in circuit.keys.items() if name != "sense_rating"}
    return replace(circuit, values={**circuit.values, **values}, keys={**others, "R_s": tuple(keys)})


def _times(value: Value, slip: float) -> Value:
    return replace(value, nominal=value.nominal * slip, low=value.low * slip, high=value.high * slip)


# --- in words -------------------------------------------------------------------------------------


def _words(
    circuit: Circuit,
    kind: Kind,
    reading: Reading,
    ends: tuple[float, float, float],
    alternatives: Sequence[Alternative],
) -> str:
    low, middle, high = (format_quantity(x, "current") for x in ends)
    seen = reading.observed
    amps, volts = format_quantity(seen.I_o, "current"), format_quantity(seen.V_o, "voltage")
    there = f"{amps} at {volts} on {reading.line.full_name}"
    if kind is Kind.AMONG_THEMSELVES:
        where = f" ({seen.where})" if seen.where else ""
        return (
            f"The readings do not fit together: no value of the parts explains them all. {there}{where} is "
            "furthest off: read it again."
        )
    reread = "re-read " + _designators(circuit)
    if kind is Kind.TOO_MUCH:
        head = f"The parts as traced cannot deliver {there} (at most {high})"
        if seen.I_o <= ends[2]:
            head = f"The parts as traced hardly deliver {there} (rather {middle}, at the very most {high})"
    else:
        head = f"The board gives {there} where the parts should give {middle} (at least {low})"
        if seen.I_o >= ends[0]:
            head = f"The board gives {there} where the parts should give {middle} (at the very least {low})"
    likely = [other for other in alternatives if other.plausible]
    if not likely:
        none = "; no single slip at a sense resistor explains it" if alternatives else ""
        return f"{head}: {reread}{none}."
    named = [
        f"{other.words} (that would give {format_quantity(other.I_o, 'current')})"
        for other in likely[:2]
        if other.log_odds >= likely[0].log_odds - AS_GOOD
    ]
    return f"{head}: {reread}, or {', or '.join(named)}."


def _designators(circuit: Circuit) -> str:
    for name in ("R_s", "I_limit", "K_power", "V_limit"):
        if name in circuit.keys:
            found = dict.fromkeys(key.partition(".")[0] for key in circuit.keys[name])
            return " and ".join(found)
    return "the parts of the current limit"
