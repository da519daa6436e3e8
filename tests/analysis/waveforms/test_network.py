"""The network solver against textbook solutions written out by hand.

Each circuit is small enough that its solution stands in any book on circuits: exponentials and damped
sines. Integrals are checked by quadrature of the hand solution.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from scipy.integrate import quad

from flyback.analysis.waveforms.network import (
    GROUND,
    Coupling,
    Draw,
    Element,
    Given,
    Inductor,
    Mode,
    Network,
    Resistor,
    Source,
    Store,
    Valve,
)
from flyback.errors import NumericalError

ONE = Given("one")
ROUNDING = 1e-12

Curve = Callable[[float], float]


def network(*elements: Element, given: tuple[Given, ...] = (ONE,)) -> Network:
    return Network(elements, given)


def vector(net: Network, **entries: float) -> np.ndarray:
    z = np.zeros(len(net.entries))
    for name, value in ({"one": 1.0} | entries).items():
        z[net.at[name]] = value
    return z


def agrees(net: Network, mode: Mode, z: np.ndarray, entry: str, hand: Curve, *, until: float) -> None:
    """An entry's course, its integral and the integral of its square against a hand solution."""
    weights = mode.weights(z)
    k, row = net.at[entry], net.row(entry)
    scale = max(abs(hand(until * share)) for share in (0.0, 0.1, 0.3, 1.0))
    for share in (0.01, 0.2, 0.5, 1.0):
        t = share * until
        found = mode.later(z, weights, t)[k]
        assert found == pytest.approx(hand(t), rel=1e-10, abs=ROUNDING * scale)
    area, square = (
        quad(f, 0.0, until, epsabs=0.0, epsrel=1e-11, limit=200)[0] for f in (hand, lambda t: hand(t) ** 2)
    )
    assert mode.integral(weights, until)[k] == pytest.approx(area, rel=1e-9)
    assert mode.product(mode.products(weights, until), row, row) == pytest.approx(square, rel=1e-9)


# --- one store ------------------------------------------------------------------------------------


@pytest.mark.parametrize("series", [0.0, 30.0])
def test_a_capacitor_charges_through_a_resistor(series: float) -> None:
    """v = V (1 - exp(-t / RC)) + v0 exp(-t / RC), whatever part of R is the capacitor's own."""
    V, v0, R, C = 12.0, 3.0, 100.0, 1e-6
    net = network(
        Source("V", "in", GROUND, "one", V),
        Resistor("R", "in", "out", R - series),
        Store("C", "out", GROUND, C, series),
    )
    mode = net.mode(())
    z = vector(net, C=v0)
    agrees(net, mode, z, "C", lambda t: V + (v0 - V) * math.exp(-t / (R * C)), until=3 * R * C)
    assert mode.i["C"] @ z == pytest.approx((V - v0) / R)
    assert mode.v["C"] @ z == pytest.approx(v0 + series * (V - v0) / R)


def test_an_inductor_takes_up_current_through_a_resistor() -> None:
    V, i0, R, L = 5.0, 0.02, 10.0, 1e-3
    net = network(
        Source("V", "in", GROUND, "one", V), Resistor("R", "in", "out", R), Inductor("L", "out", GROUND, L)
    )
    hand: Curve = lambda t: V / R + (i0 - V / R) * math.exp(-t * R / L)  # noqa: E731
    agrees(net, net.mode(()), vector(net, L=i0), "L", hand, until=3 * L / R)


def test_energy_is_kept_between_the_elements() -> None:
    """What the source gives is in the resistor or in the inductor."""
    V, R, L, T = 5.0, 10.0, 1e-3, 2e-4
    net = network(
        Source("V", "in", GROUND, "one", V), Resistor("R", "in", "out", R), Inductor("L", "out", GROUND, L)
    )
    mode = net.mode(())
    weights = mode.weights(vector(net))
    products = mode.products(weights, T)
    given, burnt = (mode.product(products, mode.v[name], mode.i[name]) for name in ("V", "R"))
    i_end = mode.later(vector(net), weights, T)[net.at["L"]]
    assert -given == pytest.approx(burnt + L * i_end**2 / 2, rel=1e-12)


# --- two stores -----------------------------------------------------------------------------------


def ringing(V: float, R: float, L: float, C: float) -> tuple[Network, Curve, Curve]:
    """Series R, L and C at a source, all at rest; capacitor voltage and current by hand."""
    net = network(
        Source("V", "in", GROUND, "one", V),
        Resistor("R", "in", "mid", R),
        Inductor("L", "mid", "out", L),
        Store("C", "out", GROUND, C),
    )
    damping, omega = R / (2 * L), math.sqrt(1 / (L * C) - (R / (2 * L)) ** 2)

    def voltage(t: float) -> float:
        swing = math.cos(omega * t) + damping / omega * math.sin(omega * t)
        return V * (1 - math.exp(-damping * t) * swing)

    def current(t: float) -> float:
        return V / (omega * L) * math.exp(-damping * t) * math.sin(omega * t)

    return net, voltage, current


def test_a_resonant_circuit_rings_as_a_damped_sine() -> None:
    net, voltage, current = ringing(V=100.0, R=20.0, L=1e-3, C=1e-9)
    until = 5 * 2 * math.pi * math.sqrt(1e-3 * 1e-9)
    agrees(net, net.mode(()), vector(net), "C", voltage, until=until)
    agrees(net, net.mode(()), vector(net), "L", current, until=until)


def test_the_integral_of_a_product_of_two_rows() -> None:
    net, voltage, current = ringing(V=100.0, R=20.0, L=1e-3, C=1e-9)
    mode, until = net.mode(()), 2.3e-5
    products = mode.products(mode.weights(vector(net)), until)
    expected = quad(lambda t: voltage(t) * current(t), 0.0, until, epsrel=1e-11, limit=200)[0]
    assert mode.product(products, net.row("C"), mode.i["L"]) == pytest.approx(expected, rel=1e-9)


def test_capacitor_energy_is_the_integral_of_its_power() -> None:
    net, voltage, _ = ringing(V=100.0, R=20.0, L=1e-3, C=1e-9)
    mode, until = net.mode(()), 1.7e-6
    products = mode.products(mode.weights(vector(net)), until)
    assert mode.product(products, mode.v["C"], mode.i["C"]) == pytest.approx(
        1e-9 * voltage(until) ** 2 / 2, rel=1e-10
    )


# --- sources that turn, and what draws current ----------------------------------------------------


def test_a_mains_source_behind_a_resistor_lags() -> None:
    """v_C of a low-pass fed by V cos(w t): V / sqrt(1 + (w RC)^2) cos(w t - arctan(w RC))."""
    V, R, C, omega = 325.0, 1e3, 2e-6, 2 * math.pi * 50.0
    net = network(
        Source("mains", "in", GROUND, "cos", V),
        Resistor("R", "in", "out", R),
        Store("C", "out", GROUND, C),
        given=(ONE, Given("cos", "sin", omega), Given("sin", "cos", -omega)),
    )
    lag, swing = math.atan(omega * R * C), V / math.hypot(1.0, omega * R * C)
    hand: Curve = lambda t: swing * math.cos(omega * t - lag)  # noqa: E731
    agrees(net, net.mode(()), vector(net, cos=1.0, C=hand(0.0)), "C", hand, until=0.031)


def test_a_drawn_current_discharges_a_capacitor_and_its_load() -> None:
    """v settles at -I R; the current leaves a and enters b."""
    R, C, amps = 8.0, 1e-5, 0.25
    net = network(
        Store("C", "out", GROUND, C),
        Resistor("R", "out", GROUND, R),
        Draw("load", "out", GROUND, "set"),
        given=(ONE, Given("set")),
    )
    hand: Curve = lambda t: -amps * R + (5.0 + amps * R) * math.exp(-t / (R * C))  # noqa: E731
    z = vector(net, C=5.0, set=amps)
    agrees(net, net.mode(()), z, "C", hand, until=2 * R * C)
    assert net.mode(()).i["load"] @ z == pytest.approx(amps)


# --- transformer and valves -----------------------------------------------------------------------


def test_an_ideal_transformer_shows_a_load_times_n_squared() -> None:
    """A capacitor discharging through a transformer sees R n^2; currents go as 1 : n."""
    n, R, C, v0 = 15.0, 2.0, 1e-6, 60.0
    net = network(
        Store("C", "a", GROUND, C),
        Coupling("T", "a", GROUND, "s", GROUND, n),
        Resistor("R", "s", GROUND, R),
    )
    mode, z = net.mode(()), vector(net, C=v0)
    agrees(net, mode, z, "C", lambda t: v0 * math.exp(-t / (n * n * R * C)), until=2 * n * n * R * C)
    assert mode.v["R"] @ z == pytest.approx(v0 / n)
    assert mode.i["R"] @ z == pytest.approx(n * (mode.i["T"] @ z))


def test_a_reversed_winding_reverses_the_secondary() -> None:
    n, R = 4.0, 10.0
    net = network(
        Source("V", "a", GROUND, "one", 8.0),
        Coupling("T", "a", GROUND, GROUND, "s", n),
        Resistor("R", "s", GROUND, R),
        Store("C", "s", GROUND, 1e-6, 1.0),
    )
    assert net.mode(()).v["R"] @ vector(net) == pytest.approx(-2.0)


def test_a_diode_is_open_or_a_drop_with_a_resistance() -> None:
    V, drop, R, R_d, C = 10.0, 0.7, 95.0, 5.0, 1e-6
    net = network(
        Source("V", "in", GROUND, "one", V),
        Resistor("R", "in", "a", R),
        Valve("D", "a", "out", drop, R_d),
        Store("C", "out", GROUND, C),
        Resistor("load", "out", GROUND, 1e3),
    )
    closed, opened, z = net.mode((True,)), net.mode((False,)), vector(net, C=4.0)
    # closed: Thevenin source of the path and the load, by hand
    R_path = R + R_d
    v_end, tau = (V - drop) * 1e3 / (1e3 + R_path), C * R_path * 1e3 / (R_path + 1e3)
    agrees(net, closed, z, "C", lambda t: v_end + (4.0 - v_end) * math.exp(-t / tau), until=2 * tau)
    assert closed.i["D"] @ z == pytest.approx((V - drop - 4.0) / R_path)
    assert closed.v["D"] @ z == pytest.approx(drop + R_d * (V - drop - 4.0) / R_path)
    # open: the capacitor empties into the load, and the diode has what is left across it
    agrees(net, opened, z, "C", lambda t: 4.0 * math.exp(-t / (1e3 * C)), until=2e-3)
    assert opened.i["D"] @ z == 0.0
    assert opened.v["D"] @ z == pytest.approx(V - 4.0)


def test_a_mode_is_solved_once() -> None:
    net = network(
        Source("V", "in", GROUND, "one", 1.0),
        Valve("S", "in", "out", 0.0, 1.0, driven=True),
        Store("C", "out", GROUND, 1e-6),
    )
    assert net.mode((True,)) is net.mode((True,))
    assert net.mode((True,)) is not net.mode((False,))


# --- rates far apart ------------------------------------------------------------------------------


def two_rates(slow: float, fast: float) -> Mode:
    """Two RC links in a chain, the second so light that it loads the first by nothing that counts."""
    net = network(
        Source("V", "in", GROUND, "one", 1.0),
        Resistor("R1", "in", "a", 1.0),
        Store("C1", "a", GROUND, 1.0 / slow),
        Resistor("R2", "a", "b", 1.0),
        Store("C2", "b", GROUND, 1.0 / fast),
    )
    return net.mode(())


@pytest.mark.parametrize("fast", [1e6, 1e10, 1e13])
def test_eigenvectors_are_right_row_by_row(fast: float) -> None:
    """M X = X diag(rate), each row to its own rounding and not to the fastest one's."""
    mode = two_rates(1e3, fast)
    error = np.abs(mode.M @ mode.shape - mode.shape * mode.rate).max(axis=1)
    terms = (np.abs(mode.M) @ np.abs(mode.shape)).max(axis=1)
    assert (error <= 4 * np.finfo(float).eps * terms).all()


def test_slow_rates_beside_a_very_fast_one() -> None:
    """Rates of 2, 60 and 2e13 per second: the two slow ones are still told apart to ten digits."""
    slow, slower, fast = 60.0, 2.0, 2e13
    net = network(
        Source("V", "in", GROUND, "one", 1.0),
        *(
            e
            for k, rate in enumerate((slow, slower, fast))
            for e in (Resistor(f"R{k}", "in", f"n{k}", 1.0), Store(f"C{k}", f"n{k}", GROUND, 1.0 / rate))
        ),
    )
    mode = net.mode(())
    found = sorted(-mode.rate.real)
    assert found == pytest.approx([0.0, slower, slow, fast], rel=1e-12)
    t = 0.01
    z = mode.later(vector(net), mode.weights(vector(net)), t)
    for k, rate in enumerate((slow, slower)):
        assert z[net.at[f"C{k}"]] == pytest.approx(-math.expm1(-rate * t), rel=1e-10)


def test_a_charge_that_nothing_takes_stays() -> None:
    """A capacitor that hangs on a blocked path has the rate of the constant: both keep their own course."""
    net = network(
        Source("V", "in", GROUND, "one", 10.0),
        Resistor("R", "in", "a", 1.0),
        Store("C1", "a", GROUND, 1e-9),
        Valve("D", "a", "b", 0.6, 0.1),
        Store("C2", "b", GROUND, 1e-5),
    )
    z = vector(net, C1=2.0, C2=7.0)
    later = net.mode((False,)).later(z, net.mode((False,)).weights(z), 1.0)
    assert later[net.at["C1"]] == pytest.approx(10.0, rel=1e-12)
    assert later[net.at["C2"]] == 7.0


# --- refusals -------------------------------------------------------------------------------------


def test_a_node_that_hangs_in_the_air_is_told() -> None:
    net = network(
        Source("V", "in", GROUND, "one", 1.0),
        Valve("S", "in", "out", 0.0, 1.0, driven=True),
        Valve("D", "out", "x", 0.0, 1.0),
        Store("C", "x", GROUND, 1e-6),
    )
    with pytest.raises(NumericalError, match="hangs in the air"):
        net.mode((False, False))
    assert net.mode((True, False)).v["S"] @ vector(net) == 0.0


def test_a_charge_without_end_is_told() -> None:
    """A current into a capacitor with nothing beside it is a straight line: no sum of exponentials."""
    net = network(
        Store("C", "out", GROUND, 1e-6), Draw("load", GROUND, "out", "set"), given=(ONE, Given("set"))
    )
    with pytest.raises(NumericalError, match="charged without end"):
        net.mode(())
