"""Where sums of exponentials are looked at, and where one of them falls through zero."""

from __future__ import annotations

import math

import numpy as np
import pytest

from flyback.analysis.waveforms.search import CHUNK, POINTS, ahead_of, fall


def modes(*rates: complex) -> np.ndarray:
    return np.array(rates, dtype=np.complex128)


def instants(rate: np.ndarray, horizon: float, size: float = 1.0) -> np.ndarray:
    """All instants up to the horizon, chunk by chunk."""
    found = [0.0]
    while found[-1] < horizon:
        found.extend(ahead_of(rate, np.full(len(rate), size), found[-1], horizon))
    return np.array(found)


# --- the fall -------------------------------------------------------------------------------------


def test_a_cosine_falls_at_a_quarter_of_its_period() -> None:
    omega = 2e6
    t = fall(modes(1j * omega, -1j * omega), modes(0.5, 0.5), 0.0, 0.1e-6, 2e-6)
    assert t == pytest.approx(math.pi / 2 / omega, rel=1e-12)


def test_a_decay_meets_a_level() -> None:
    """3 exp(-t / tau) - 1 is zero at tau ln 3."""
    tau = 4e-6
    t = fall(modes(-1 / tau, 0.0), modes(3.0, -1.0), 0.0, 0.0, 50e-6)
    assert t == pytest.approx(tau * math.log(3.0), rel=1e-12)


def test_a_slope_is_added_to_the_course() -> None:
    assert fall(modes(0.0), modes(2.0), -1e6, 0.0, 5e-6) == pytest.approx(2e-6, rel=1e-12)


def test_what_starts_at_zero_and_rises_first_is_followed_to_its_end() -> None:
    """exp(-a t) - exp(-b t) - c t: zero at once, then up, then down."""
    rate, course, slope = modes(-1e3, -1e9), modes(1.0, -1.0), -1e5
    t = fall(rate, course, slope, 0.0, 50e-6)
    assert t > 1e-6
    assert math.exp(-1e3 * t) - math.exp(-1e9 * t) + slope * t == pytest.approx(0.0, abs=1e-12)


def test_what_never_rises_has_fallen_at_the_first_instant() -> None:
    assert fall(modes(0.0, -1e6), modes(-1.0, 1.0), 0.0, 0.0, 1e-5) == 0.0


# --- the instants ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "rate",
    [
        modes(0.0),
        modes(-1e3, -1e10),
        modes(-1e5 + 3e7j, -1e5 - 3e7j),
        modes(-1e13, -2e8, -1e6 + 3e7j, -1e6 - 3e7j, -5e3),
    ],
)
def test_they_rise_from_nothing_to_the_horizon(rate: np.ndarray) -> None:
    found = instants(rate, 15e-6)
    assert (np.diff(found) > 0).all()
    assert found[-1] == 15e-6
    assert len(found) > 4


def test_ringing_is_seen_point_by_point_while_it_lasts() -> None:
    """`POINTS` in a period until it has faded, a quarter of what is left from then on."""
    omega, damping = 3e7, 3e6
    found = instants(modes(-damping + 1j * omega, -damping - 1j * omega), 100e-6)
    faded = math.log(1e7) / damping
    widest = np.diff(found)[found[1:] < faded].max()
    assert widest <= 2 * math.pi / omega / POINTS * (1 + 1e-9)
    # a chunk is finished before its end is noticed
    assert np.diff(found)[found[1:] > faded + CHUNK * widest].min() > widest


def test_each_decay_is_seen_whatever_its_rate() -> None:
    """Decays of nanoseconds and of microseconds in one stretch: a few points in each time constant."""
    rates = np.array([1e10, 1e8, 1e6])
    found = instants(modes(*-rates), 15e-6)
    for rate in rates:
        assert np.count_nonzero(found < 2 / rate) >= 3
    assert len(found) < 60


def test_ringing_that_is_too_small_is_not_looked_at() -> None:
    assert len(instants(modes(-1e5 + 3e7j, -1e5 - 3e7j), 15e-6, size=1e-9)) < 10
