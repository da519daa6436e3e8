"""What could be fitted: the components that make a wanted value, in numbers that parts are made in."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from flyback.board.changes import SetValue, in_clear, in_percent, set_value
from flyback.board.model import Board, Origin, Part, State
from flyback.equations import indicators, output
from flyback.studies.inverse import solve_for
from flyback.studies.preferred import (
    ELECTROLYTICS,
    RESISTORS,
    at_least,
    at_most,
    rounded_up,
    series_of,
)
from flyback.units import parse

NO_SERIES = ""
"""Ratings follow no series; they are rounded up to two digits."""

ROOM = 2.2
"""Times the capacitance that the place of a bulk capacitor is taken to hold: a step of E3 (our choice)."""

VOLUME = "volume grows about with C x V: common practice, no source"


@dataclass(frozen=True, slots=True)
class Way:
    """One way to get a value.

    Attributes:
        words: "R7 = 1 Ω in its empty place".
        total: what the parts then amount to together (SI).
        series: the series of preferred numbers that was used, or "" for ratings, which follow none.
        growth: how many times the capacitance a place then holds; 1 where no place holds more.
    """

    changes: tuple[SetValue, ...]
    words: str
    total: float
    series: str
    growth: float = 1.0


def ways(board: Board, field: str, wanted: float, traced: Board) -> tuple[Way, ...]:
    """Ways to bring a field of the supply to a wanted value or a little beyond, the one to take first.

    Args:
        field: "R_s", "R_b", "C_bulk", "I_rectifier", "ripple_rating" or "sense_rating".
        wanted: most of a resistance, least of anything else (SI); for the two ratings that several parts
            share, the current at which the first of them may reach its own.
        traced: the board before any change, whose places have the size of what it has in them.
    """
    if field == "R_s":
        return tuple(_sense(board, wanted))
    if field == "R_b":
        return tuple(_base(board, wanted))
    if field == "C_bulk":
        return tuple(_bulk(board, wanted, traced))
    if field == "I_rectifier":
        return tuple(_rectifiers(board, wanted))
    return tuple(_ripple(board, wanted) if field == "ripple_rating" else _sense_power(board, wanted))


# --- resistors ------------------------------------------------------------------------------------


def _sense(board: Board, most: float) -> Iterator[Way]:
    """An empty place first, which costs one part; then all alike, which share the current; then one."""
    fitted = board.playing("sense resistor")
    values = [_known(part, "resistance") for part in fitted]
    (series,) = RESISTORS
    for place in _places(board, "sense resistor"):
        one = at_most(_beside(most, values), series)
        own = place.known("resistance")
        if own is not None and own.nominal <= _beside(most, values):
            one = own.nominal  # what stood there before it failed will do
        yield Way(
            tuple(_like(place, "resistance", one, fitted)),
            f"{place.designator} = {in_clear(one, 'resistance')} {_where(place)}",
            _parallel([*values, one]),
            series,
        )
        break
    each = at_most(len(fitted) * most, series)
    yield Way(
        tuple(_set(part, "resistance", each) for part in fitted),
        _alike(fitted, each, "resistance"),
        _parallel([each] * len(fitted)),
        series,
    )
    others = values[1:]
    if others and _parallel(others) > most:
        one = at_most(_beside(most, others), series)
        change = _set(fitted[0], "resistance", one)
        yield Way((change,), _alike(fitted[:1], one, "resistance"), _parallel([*others, one]), series)


def _base(board: Board, most: float) -> Iterator[Way]:
    """The largest of a chain alone."""
    fitted = board.playing("base resistor")
    largest = max(fitted, key=lambda part: _known(part, "resistance"))
    rest = sum(_known(part, "resistance") for part in fitted if part is not largest)
    (series,) = RESISTORS
    if most > rest:
        one = at_most(most - rest, series)
        change = _set(largest, "resistance", one)
        yield Way((change,), _alike([largest], one, "resistance"), rest + one, series)


def _parallel(values: Iterable[float]) -> float:
    return 1 / sum(1 / value for value in values)


def _beside(most: float, values: Sequence[float]) -> float:
    """What may stand in parallel to values that together are too large."""
    return 1 / (1 / most - 1 / _parallel(values))


# --- capacitors -----------------------------------------------------------------------------------


def _bulk(board: Board, least: float, traced: Board) -> Iterator[Way]:
    """An empty place first; then all alike where they are, else the largest alone."""
    fitted = board.playing("bulk capacitor")
    values = [_known(part, "capacitance") for part in fitted]
    series = series_of(values, ELECTROLYTICS)
    for place in _places(board, "bulk capacitor"):
        one = at_least(least - sum(values), series)
        yield Way(
            tuple(_like(place, "capacitance", one, fitted)),
            f"{place.designator} = {in_clear(one, 'capacitance')} {_where(place)}",
            sum(values) + one,
            series,
            one / max(values),
        )
        break
    largest = max(values)
    changed = fitted if min(values) == largest else [fitted[values.index(largest)]]
    rest = sum(values) - largest * len(changed)
    was = min(_known(traced.parts[part.designator], "capacitance") or largest for part in changed)
    full = at_least((least - rest) / len(changed), series)
    # what still fits may make the claim likely enough, though it falls short of the value asked for
    for each in (full,) if full <= ROOM * was else (full, at_most(ROOM * was, series)):
        yield Way(
            tuple(_set(part, "capacitance", each) for part in changed),
            _alike(changed, each, "capacitance"),
            rest + each * len(changed),
            series,
            each / was,
        )


# --- ratings --------------------------------------------------------------------------------------


def _rectifiers(board: Board, least: float) -> Iterator[Way]:
    fitted = board.playing("output rectifier")
    now = sum(_known(part, "current_rating") for part in fitted)
    rated = [(part, rounded_up(_known(part, "current_rating") * least / now)) for part in fitted]
    yield _rated(rated, "current_rating", "current", sum(rating for _, rating in rated))


def _ripple(board: Board, least: float) -> Iterator[Way]:
    fitted = board.playing("output capacitor")
    C_o = sum(_known(part, "capacitance") for part in fitted)
    rated = []
    for part in fitted:
        share = {"C_1": _known(part, "capacitance"), "C_o": C_o}
        wanted = solve_for("I_rating", output.ripple_current_at_rating, result=least, known=share).value
        if wanted > _known(part, "ripple_rating"):
            rated.append((part, rounded_up(wanted)))
    yield from [_rated(rated, "ripple_rating", "current", least)] if rated else []


def _sense_power(board: Board, least: float) -> Iterator[Way]:
    fitted = board.playing("sense resistor")
    R_s = _parallel(_known(part, "resistance") for part in fitted)
    rated = []
    for part in fitted:
        known = {"R_1": _known(part, "resistance"), "R_s": R_s}
        wanted = solve_for("P_rating", indicators.rms_current_at_rating, result=least, known=known).value
        if wanted > _known(part, "power_rating"):
            rated.append((part, rounded_up(wanted)))
    yield from [_rated(rated, "power_rating", "power", least)] if rated else []


def _rated(rated: Sequence[tuple[Part, float]], key: str, dimension: str, total: float) -> Way:
    of = " of ripple" if key == "ripple_rating" else ""
    named = ", ".join(f"{part.designator} rated for {in_clear(one, dimension)}{of}" for part, one in rated)
    changes = tuple(_set(part, key, one) for part, one in rated)
    return Way(changes, named, total, NO_SERIES)


# --- parts and places -----------------------------------------------------------------------------


def _known(part: Part, key: str) -> float:
    value = part.known(key)
    return 0.0 if value is None else value.nominal


def _places(board: Board, role: str) -> list[Part]:
    """Footprints with nothing that works in them."""
    return [part for part in board.parts.values() if part.role == role and not part.fitted]


def _where(place: Part) -> str:
    return "in its empty place" if place.state is State.NOT_FITTED else "for the one that is open"


def _alike(parts: Sequence[Part], value: float, dimension: str) -> str:
    return f"{' = '.join(part.designator for part in parts)} = {in_clear(value, dimension)}"


def _set(part: Part, key: str, value: float) -> SetValue:
    return set_value(part, key, parse(in_clear(value, _DIMENSIONS[key]), dimension=_DIMENSIONS[key]))


_DIMENSIONS = {
    "resistance": "resistance",
    "capacitance": "capacitance",
    "current_rating": "current",
    "ripple_rating": "current",
    "power_rating": "power",
}


def _like(place: Part, key: str, value: float, neighbours: Sequence[Part]) -> Iterator[SetValue]:
    """A component of the kind that is fitted beside an empty place: its tolerance, its ratings."""
    beside = neighbours[0]
    text = in_clear(value, key)
    old = beside.known(key)
    if old is not None and old.spread and old.origin is not Origin.MEASURED:
        text += f" {in_percent(*(end / old.nominal - 1 for end in (old.low, old.high)))}"
    yield set_value(place, key, parse(text, dimension=key))
    for rating in ("power_rating", "voltage_rating"):
        if (rated := beside.known(rating)) is not None and place.known(rating) is None:
            dimension = "power" if rating == "power_rating" else "voltage"
            yield set_value(place, rating, parse(in_clear(rated.nominal, dimension), dimension=dimension))
