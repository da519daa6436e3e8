"""Preferred numbers beside lists typed from the trade, and the rules that any series keeps."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from flyback.reference import series
from flyback.studies.preferred import ELECTROLYTICS, at_least, at_most, rounded_up, series_of

values = st.floats(1e-12, 1e9)
names = st.sampled_from(["E3", "E6", "E12", "E24", "E96"])


@pytest.mark.parametrize(
    ("value", "name", "below", "above"),
    [
        (0.545, "E24", 0.51, 0.56),
        (1.32, "E24", 1.3, 1.5),
        (17.26e-6, "E6", 15e-6, 22e-6),
        (28.2e-6, "E12", 27e-6, 33e-6),
        (9.5, "E24", 9.1, 10.0),
        (0.99, "E12", 0.82, 1.0),
        (4700.0, "E6", 4700.0, 4700.0),
        (69e-6, "E6", 68e-6, 100e-6),
    ],
)
def test_neighbours(value: float, name: str, below: float, above: float) -> None:
    assert at_most(value, name) == below
    assert at_least(value, name) == above


@given(value=values, name=names)
def test_the_nearest_on_either_side(value: float, name: str) -> None:
    below, above = at_most(value, name), at_least(value, name)
    assert below <= value * 1.000001
    assert above >= value * 0.999999
    # nothing of the series lies between the two
    assert above == below or at_least(below * 1.00001, name) == above


@given(power=st.integers(-12, 9), name=names, index=st.integers(0, 95))
def test_a_value_of_the_series_is_itself(power: int, name: str, index: int) -> None:
    numbers = series(name)
    value = float(f"{numbers[index % len(numbers)]}e{power}")
    assert at_most(value, name) == at_least(value, name) == value


@pytest.mark.parametrize(
    ("fitted", "name"), [([10e-6], "E6"), ([18e-6], "E12"), ([10e-6, 18e-6], "E12"), ([19e-6], "E12")]
)
def test_the_series_of_what_is_fitted(fitted: list[float], name: str) -> None:
    assert series_of(fitted, ELECTROLYTICS) == name


@pytest.mark.parametrize(
    ("value", "rounded"),
    [(3.01, 3.1), (3.1, 3.1), (0.0123, 0.013), (12.1, 13.0), (0.99, 0.99), (9.91, 10.0)],
)
def test_ratings_are_rounded_up(value: float, rounded: float) -> None:
    assert rounded_up(value) == rounded
