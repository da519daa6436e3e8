"""What the readings say about one value when its own spread is set aside."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from flyback.analysis.circuit import Circuit
from flyback.analysis.held import averaged, hold, with_fixed_clamp
from flyback.studies.conditioning import allowed_misfit, condition, quantiles
from flyback.studies.likelihood import FACTOR, LoadTest
from flyback.studies.scores import RANGE, Prior
from flyback.units import format_quantity, format_range

FIELDS = ("R_s", "V_limit", "I_limit", "K_power", "V_be", "L_p", "f_s", "d_dem", "C_bulk")
"""What may be asked for; sense resistors first, because they are misread most easily."""

TRIALS = 4096
"""Samples a value is sought with, before better ones are drawn."""

STEP = 0.01
"""Relative step that shows how much the current hangs on a value."""

LEAST = 0.1
"""Exponent with which the current must follow a value for the readings to say anything about it."""

END, OPEN = 32, 0.01
"""A side of the range is open where its last END-th holds more than this share of the samples."""


@dataclass(frozen=True, slots=True)
class Implied:
    """A value that the readings imply, every other one within its spread and the core not saturated.

    Attributes:
        name: the parts or the file key.
        traced, median, low, high: SI values; the middle 95 % of the samples.
        open_below, open_above: True where the readings set no bound on that side.
        misfit: smallest chi squared of the samples.
        effective: effective number of samples.
    """

    field: str
    name: str
    dimension: str
    traced: float
    median: float
    low: float
    high: float
    open_below: bool
    open_above: bool
    misfit: float
    effective: float

    @property
    def words(self) -> str:
        """One sentence."""
        traced = format_quantity(self.traced, self.dimension)
        if self.open_below and self.open_above:
            return f"{self.name} = {traced} traced; the readings say nothing about it"
        if self.open_below:
            said = f"at most {format_quantity(self.high, self.dimension)}"
        elif self.open_above:
            said = f"at least {format_quantity(self.low, self.dimension)}"
        else:
            around = format_range(self.low, self.high, self.dimension)
            said = f"{format_quantity(self.median, self.dimension)} ({around})"
        return f"{self.name} = {traced} traced, the readings imply {said}"


def at_odds(test: LoadTest, asked: Sequence[Implied]) -> bool:
    """Whether no value of what was set free explains the readings, and none beyond the range could."""
    allowed = allowed_misfit(test.terms)
    return bool(asked) and all(
        one.misfit > allowed and not (one.open_below or one.open_above) for one in asked
    )


def implied(test: LoadTest, fields: Sequence[str] | None = None, *, seed: int) -> tuple[Implied, ...]:
    """Values as the readings imply them, each with all others within their spreads.

    Args:
        fields: of `FIELDS`; by default the sense resistors and the least-known one.
    """
    return tuple(
        _implied(test, field, seed) for field in (fields_to_ask(test) if fields is None else fields)
    )


def fields_to_ask(test: LoadTest) -> list[str]:
    """The sense resistors, then the value whose spread moves the current most."""
    leaning = {field: abs(_exponent(test, field)) for field in FIELDS if field in test.circuit.keys}
    telling = [field for field, exponent in leaning.items() if exponent >= LEAST]
    least_known = max(
        telling, key=lambda field: leaning[field] * _spread(test.circuit, field), default=None
    )
    wanted = [field for field in ("R_s", least_known) if field in telling and field is not None]
    return list(dict.fromkeys(wanted))


def _without_saturation(test: LoadTest) -> LoadTest:
    """The same with a core that never saturates.

    Any limit beyond saturation would explain readings of a core near it just as well, and a value of the
    limit would be bounded on one side only.
    """
    missing = {**test.circuit.missing, "B_sat": "saturation, set aside here"}
    return replace(test, circuit=replace(test.circuit, missing=missing))


def _spread(circuit: Circuit, field: str) -> float:
    values = [circuit.values[key] for key in circuit.keys[field]]
    return max((value.high - value.low) / value.nominal for value in values)


def _exponent(test: LoadTest, field: str) -> float:
    """d ln I / d ln x of the nominal board at the heaviest reading."""
    reading = max(test.readings, key=lambda reading: reading.current)
    circuit, amps = test.circuit, []
    for scale in (1 - STEP, 1 + STEP):
        numbers = {key: value.nominal for key, value in circuit.values.items()}
        numbers |= {key: numbers[key] * scale for key in circuit.keys[field]}
        supply = with_fixed_clamp(circuit.supply(numbers), V_set=test.V_set)
        held = hold(circuit, supply, reading.line, V_o=reading.observed.V_o)
        amps.append(float(averaged(held).I_o))
    if min(amps) <= 0:
        return 0.0  # nothing comes at that voltage, whatever the value
    return float(np.log(amps[1] / amps[0]) / np.log((1 + STEP) / (1 - STEP)))


def _implied(test: LoadTest, field: str, seed: int) -> Implied:
    test = _without_saturation(test)
    circuit = test.circuit
    keys = circuit.keys[field]
    prior = Prior.of(circuit.values, (FACTOR,), free=keys)
    scores = prior.draw(TRIALS, seed=seed)
    found = condition(lambda rows: test.log_likelihood(prior, rows), scores, seed=seed)
    judged = test.judged(prior, found.scores, test.predicted(prior, found.scores))
    factors = prior.factor(found.scores)
    supply = circuit.supply({key: value.nominal for key, value in circuit.values.items()})
    traced = float(getattr(supply, field))
    low, median, high = (traced * x for x in quantiles(factors, found.weights, (0.025, 0.5, 0.975)))
    least, most = RANGE
    end = (most / least) ** (1 / END)
    return Implied(
        field=field,
        name=circuit.parts[field] if field in ("R_s", "C_bulk") else keys[0],
        dimension=circuit.values[keys[0]].dimension,
        traced=traced,
        median=median,
        low=low,
        high=high,
        open_below=float(found.weights[factors < least * end].sum()) > OPEN,
        open_above=float(found.weights[factors > most / end].sum()) > OPEN,
        misfit=float(judged.misfit.min()),
        effective=found.effective,
    )
