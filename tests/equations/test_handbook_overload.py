"""The overloaded output against waveforms integrated on their own."""

from __future__ import annotations

import pytest
from scipy.integrate import quad  # type: ignore[import-untyped]

from flyback.equations import overload

N, V_O, V_F, R_SEC, R_ESR = 15.0, 1.2, 0.4, 0.02, 0.06


@pytest.mark.parametrize(
    ("first", "last", "share"),
    [(6.0, 0.0, 0.5), (6.0, 4.5, 0.9), (8.0, 7.5, 0.97)],
    ids=["discontinuous", "continuous", "nearly shorted"],
)
def test_the_winding_holds_what_its_power_says(first: float, last: float, share: float) -> None:
    """A falling secondary current through rectifier, winding and the ESR of a stiff capacitor.

    The winding sees V_o + V_f + i R_sec + (i - I_o) R_esr; its power over the mean current is the voltage
    that an energy balance needs.
    """

    def current(x: float) -> float:
        return first + (last - first) * x / share

    def mean(of: object) -> float:
        assert callable(of)
        return float(quad(of, 0.0, share)[0])

    I_o = mean(current)
    mean_square = mean(lambda x: current(x) ** 2)
    P_sec = mean(
        lambda x: current(x) * (V_O + V_F + current(x) * R_SEC + (current(x) - I_o) * R_ESR),
    )
    V_r = overload.loaded_reflected_voltage(
        n=N,
        V_o=V_O,
        V_f=V_F,
        I_o=I_o,
        I_s_rms=mean_square**0.5,
        I_c_rms=(mean_square - I_o**2) ** 0.5,
        R_sec=R_SEC,
        R_esr=R_ESR,
    )
    assert V_r == pytest.approx(N * P_sec / I_o, rel=1e-9)
    assert overload.current_of_winding(P_sec=P_sec, n=N, V_r=V_r) == pytest.approx(I_o, rel=1e-9)
    plain = P_sec / (V_O + V_F)
    assert plain > 1.05 * I_o  # the drops left out would be noticed


def test_a_pulse_that_brings_nothing_has_a_drop() -> None:
    """15 x (1 V + 0.5 V + (8 A)² x 10 mohm / (8 A / 64))."""
    V_r = overload.loaded_reflected_voltage(
        n=15, V_o=1, V_f=0.5, I_o=0, I_s_rms=8, I_c_rms=0, R_sec=0.01, R_esr=0
    )
    assert V_r == pytest.approx(15 * (1.5 + 5.12), rel=1e-12)


PULSE = {"D_max": 0.5, "t_ring": 1e-6, "L_p": 1e-3, "L_m": 0.96e-3, "V_r": 20.0}


def test_a_free_running_pulse_fills_its_duty_cycle() -> None:
    """20 mA more in 1 mH at 10 V take 2 µs up; back against 20 V just under 1 µs, and 1 µs of ringing."""
    I_off = overload.free_running_duty_current(V_on=10.0, **PULSE)
    t_on, t_dem = 1e-3 * I_off / 10, 0.96e-3 * I_off / 20
    assert t_on / (t_on + t_dem + 1e-6) == pytest.approx(0.5, rel=1e-12)
    assert I_off == pytest.approx(0.0192, rel=0.01)


def test_above_the_reflected_voltage_a_free_running_pulse_has_room() -> None:
    """At 40 V any current fits; what is given back takes 64 x 0.5 x 1 µs to reach."""
    assert overload.free_running_duty_current(V_on=40.0, **PULSE) == pytest.approx(40 * 32e-6 / 1e-3)
