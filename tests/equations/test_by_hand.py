"""The plain formulas, at round numbers whose result is worked out in the head.

Units find a missing factor with a dimension only; a wrong sign or a missing half shows here. The
formulas with a root, an angle or pi are held against waveforms in the handbook tests.
"""

from __future__ import annotations

import importlib
import pkgutil
from pathlib import Path
from typing import Any

import pytest

import flyback.equations
from flyback.equations import (
    clamp,
    indicators,
    mains,
    output,
    ports,
    rectifier,
    regulation,
    switch,
    transformer,
)
from flyback.equations.formula import FORMULAS, Formula

for found in pkgutil.iter_modules(flyback.equations.__path__):
    importlib.import_module(f"flyback.equations.{found.name}")

RAMP = {"V_effect": 2, "R_s": 1, "S_ramp": 1e5, "L_p": 1e-3, "V_on": 100}
RAIL = {"V_o": 9, "V_f": 1}
FULL_BULK = {"t_meet": 0.01, "theta": 0, "f_line": 50, "n_pulse": 2, "R_series": 0, "P_bulk": 10}

BY_HAND: list[tuple[Formula[Any], dict[str, float], float]] = [
    (mains.bridge_drop, {"N_d": 2, "V_d": 0.8}, 1.6),
    # the guards: a bulk above the crest is met at the crest, one period on, and stays where it is
    (mains.meeting_time, {"V_valley": 110, "V_crest": 100, "f_line": 50, "n_pulse": 2}, 0.01),
    (mains.bulk_mean_voltage, {**FULL_BULK, "V_crest": 100, "V_depart": 110, "V_valley": 110}, 110),
    # switch and current limit
    (switch.on_path_resistance, {"R_switch": 3, "R_pri": 2, "R_s": 1}, 6),
    (switch.line_compensated_threshold, {"V_limit": 0.8, "k_line": 0.001, "V_dc": 300}, 0.5),
    (switch.sense_limit_current, {"V_effect": 0.8, "R_s": 1.6}, 0.5),
    # ramp 1e5 V/s x 1 mH / 100 V = 1 ohm; 2 V / (1 + 1) ohm = 1 A, below the 1.5 A of the boundary
    (switch.ramp_limit_current, {**RAMP, "I_bcm": 1.5}, 1),
    # above the boundary of 0.5 A the on time is that of 0.5 A: (2 V - 0.5 V) / 1 ohm
    (switch.ramp_limit_current, {**RAMP, "I_bcm": 0.5}, 1.5),
    (switch.emitter_limit_current, {"V_be": 0.6, "R_s": 6}, 0.1),
    # 100 V x 10 / 100 turns = 10 V, less 0.6 V, across 470 ohm
    (switch.base_current, {"V_dc": 100, "N_b": 10, "N_p": 100, "V_be": 0.6, "R_b": 470}, 0.02),
    (switch.base_current, {"V_dc": 5, "N_b": 10, "N_p": 100, "V_be": 0.6, "R_b": 470}, 0),
    (switch.drive_limit_current, {"h_FE": 20, "I_base": 0.02}, 0.4),
    (switch.total_delay, {"t_sense": 2e-7, "t_store": 5e-7}, 7e-7),
    # 100 V - 1 V - 8 ohm x 1 A / 2; then 8 ohm x 20 A / 2 would leave 19 V, and 10 V of 200 V is kept
    (switch.primary_on_voltage, {"V_dc": 100, "V_sat": 1, "R_on": 8, "I_limit": 1}, 95),
    (switch.primary_on_voltage, {"V_dc": 200, "V_sat": 1, "R_on": 190, "I_limit": 2}, 10),
    (switch.current_slope, {"V_dc": 100, "V_sat": 1, "R_on": 9, "I_limit": 1, "L_p": 1e-3}, 9e4),
    (switch.current_slope, {"V_dc": 200, "V_sat": 1, "R_on": 190, "I_limit": 1, "L_p": 1e-3}, 1e4),
    # 1 A + (3e5 - 1e5) A/s x 0.5 us
    (switch.delayed_current, {"I_limit": 1, "s_on": 3e5, "s_test": 1e5, "t_delay": 5e-7}, 1.1),
    # the guard: a pulse that would end below the valley current does not begin
    (switch.on_time, {"L_p": 1e-3, "I_off": 0.1, "I_v": 0.2, "V_on": 100}, 0),
    # the guard: 1 A + (1e5 - 3e6) A/s x 1 us would be below nothing
    (switch.delayed_current, {"I_limit": 1, "s_on": 1e5, "s_test": 3e6, "t_delay": 1e-6}, 0.05),
    (switch.on_time_from_zero, {"L_p": 1e-3, "I_pk": 0.6, "V_on": 120}, 5e-6),
    (switch.duty_limit_current, {"V_dc": 101, "V_sat": 1, "D_max": 0.5, "L_p": 1e-3, "f_s": 1e5}, 0.5),
    (switch.duty_limit_current, {"V_dc": 20, "V_sat": 20, "D_max": 0.5, "L_p": 1e-3, "f_s": 1e3}, 0.5),
    (switch.duty_cycle, {"t_on": 4e-6, "f_s": 1e5}, 0.4),
    (switch.valley_closing_voltage, {"V_dc": 70, "V_r": 75}, 0),
    (switch.fixed_closing_voltage, {"V_dc": 100, "V_r": 75, "I_v": 0}, 100),
    (switch.fixed_closing_voltage, {"V_dc": 100, "V_r": 75, "I_v": 0.2}, 175),
    # the guard: a peak that the drain capacitance alone would exceed keeps a quarter
    (switch.opening_current, {"I_pk": 0.1, "C_d": 1e-9, "V_dc": 300, "L_p": 1e-3}, 0.025),
    # (0.3 A)^2 x 10 ohm + 0.1 A x 1 V
    (switch.conduction_loss, {"I_p_rms": 0.3, "I_p_mean": 0.1, "R_on": 10, "V_sat": 1}, 1.0),
    # transformer
    (transformer.turns_ratio, {"N_p": 120, "N_s": 8}, 15),
    (transformer.magnetising_inductance, {"L_p": 1e-3, "L_leak": 25e-6}, 975e-6),
    (transformer.reflected_voltage, {"n": 15, "V_o": 5, "V_f": 0.4}, 81),
    # 1 mH x 0.5 A / 100 V + 0.8 mH x 0.5 A / 80 V + 2 us
    (
        transformer.free_running_period,
        {"L_p": 1e-3, "L_m": 0.8e-3, "I_pk": 0.5, "V_on": 100, "V_r": 80, "t_ring": 2e-6},
        12e-6,
    ),
    (transformer.frequency_of_period, {"T_s": 1e-5}, 1e5),
    (transformer.flux_density, {"L_p": 1e-3, "I_pk": 0.6, "N_p": 100, "A_e": 20e-6}, 0.3),
    (transformer.saturation_current, {"B_sat": 0.3, "N_p": 100, "A_e": 20e-6, "L_p": 1e-3}, 0.6),
    (transformer.voltage_in_regulation, {"V_valley": 30, "V_least": 35}, 35),
    (transformer.voltage_in_regulation, {"V_valley": 75, "V_least": 35}, 75),
    # clamp
    (clamp.customary_clamp_voltage, {"k_clamp": 1.5, "V_r": 80}, 120),
    # 20 uH x (0.5 A)^2 x 100 kHz / 2, two thirds of it from the supply
    (clamp.refill_power, {"L_leak": 20e-6, "I_v": 0.5, "V_dc": 150, "V_r": 75, "f_s": 1e5}, 1 / 6),
    # the guard: 1 W x 40 where the clamp sits at the reflected voltage
    (clamp.clamp_power, {"P_leak": 1, "V_c": 80, "V_r": 80}, 40),
    # 20 uH x 0.5 A / (80 V / 40)
    (clamp.leakage_reset_time, {"L_leak": 20e-6, "I_pk": 0.5, "V_c": 80, "V_r": 80}, 5e-6),
    # secondary and output capacitors
    (rectifier.magnetising_peak_at_secondary, {"n": 15, "I_pk": 0.6}, 9),
    (rectifier.secondary_end_current, {"n": 15, "I_v": 0.2}, 3),
    # the guard: a reset that would take 0.8 of 1 A leaves half
    (rectifier.secondary_peak_current, {"n": 10, "I_pk": 1, "V_r": 80, "t_reset": 1e-5, "L_m": 1e-3}, 5),
    (rectifier.secondary_power, {"P_store": 1, "P_fill": 0, "P_clamp": 0.9, "P_swing": 0.2}, 0),
    (rectifier.input_power, {"P_store": 10, "P_fill": 0.5, "P_cond": 0.5, "P_close": 0.25}, 11.25),
    # the guards: losses above the power leave nothing, and the voltage is not halved further
    (rectifier.output_current, {**RAIL, "P_sec": 20, "I_s_rms": 10, "R_sec": 1, "R_esr": 0}, 0),
    (rectifier.output_current, {**RAIL, "P_sec": 30, "I_s_rms": 0, "R_sec": 0, "R_esr": 1}, 4),
    (ports.power_to_reckon_losses, {"P_bulk": 20, "P_in": 15}, 20),
    (ports.power_to_reckon_losses, {"P_bulk": 200, "P_in": 15}, 30),
    (rectifier.output_power, {"V_o": 5, "I_o": 2}, 10),
    (rectifier.current_at_power, {"P_o": 10, "V_o": 5}, 2),
    (output.capacitor_ripple_current, {"I_s_rms": 1, "I_o": 2}, 0),
    (output.ripple_current_at_rating, {"I_rating": 1.5, "C_1": 470e-6, "C_o": 940e-6}, 3),
    # regulation
    (regulation.divider_set_voltage, {"V_ref": 2.5, "R_upper": 10e3, "R_lower": 10e3}, 5),
    (regulation.divider_set_voltage, {"V_ref": 2.5, "R_upper": 30e3, "R_lower": 10e3}, 10),
    (regulation.limited_frequency, {"f_free": 180e3, "f_max": 130e3}, 130e3),
    (regulation.full_conduction_share, {"d_dem": 0.45, "I_th": 1, "I_s_top": 10}, 0.5),
    (regulation.available_conduction_share, {"d_full": 0.5, "t_rise": 2e-6, "t_fall": 8e-6}, 0.5),
    (regulation.available_conduction_share, {"d_full": 0.5, "t_rise": 6e-6, "t_fall": 4e-6}, 0.4),
    (regulation.constant_current_frequency, {"d_hold": 0.5, "t_fall": 1e-5}, 50e3),
    (regulation.constant_current_frequency, {"d_hold": 0.5, "t_fall": 5e-6}, 100e3),
    (regulation.limited_frequency, {"f_free": 50e3, "f_max": 65e3}, 50e3),
    (regulation.limited_frequency, {"f_free": 100e3, "f_max": 65e3}, 65e3),
    # 15 x 0.5 V / 2 ohm x 0.5 / 2
    (regulation.ideal_constant_current, {"n": 15, "V_limit": 0.5, "R_s": 2, "d_dem": 0.5}, 0.9375),
    (regulation.supply_stop_voltage, {"V_stop": 8, "N_s": 8, "N_aux": 16, "V_f": 0.5}, 3.5),
    (regulation.supply_stop_voltage, {"V_stop": 1, "N_s": 8, "N_aux": 32, "V_f": 0.5}, 0),
    # small parts
    (indicators.parallel_resistance, {"R_1": 3, "R_2": 6}, 2),
    (indicators.series_resistance, {"R_1": 3, "R_2": 6}, 9),
    (indicators.parallel_capacitance, {"C_1": 1e-6, "C_2": 2e-6}, 3e-6),
    (indicators.parallel_current_rating, {"I_1": 3, "I_2": 5}, 8),
    (indicators.first_to_reach, {"I_1": 3, "I_2": 5}, 3),
    (indicators.led_current, {"V_o": 5, "V_led": 2, "R_led": 1e3}, 3e-3),
    (indicators.led_current, {"V_o": 1, "V_led": 2, "R_led": 1e3}, 0),
    (indicators.bleeder_current, {"V_o": 5, "R_bleed": 1e3}, 5e-3),
    (indicators.resistor_power, {"I_R": 3, "R_1": 2}, 18),
    # 2 A through 3 ohm beside 3 ohm: 3 V across each, so 1 A and 3 W in each
    (indicators.parallel_share_power, {"I_p_rms": 2, "R_s": 1.5, "R_1": 3}, 3),
    (indicators.rms_current_at_rating, {"P_rating": 3, "R_1": 3, "R_s": 1.5}, 2),
    # ports and label
    (ports.label_power, {"V_label": 5, "I_label": 2}, 10),
    (ports.label_power_of_ports, {"V_label": 5, "I_label": 2, "n_ports": 4}, 40),
    (ports.powers_together, {"P_1": 10, "P_2": 5}, 15),
    (ports.currents_together, {"I_1": 2, "I_2": 1}, 3),
    (ports.label_input, {"V_ac": 100, "I_label": 0.5}, 50),
    (ports.socket_power, {"P_o": 20, "eta_post": 0.9}, 18),
    (ports.efficiency, {"P_socket": 8, "P_in": 10}, 0.8),
    (ports.socket_power_from_bulk, {"P_bulk": 10, "eta": 0.8}, 8),
    (ports.rail_power, {"P_socket": 18, "eta_post": 0.9}, 20),
]  # fmt: skip


@pytest.mark.parametrize(
    ("made", "arguments", "expected"), BY_HAND, ids=[made.name for made, _, _ in BY_HAND]
)
def test_formula(made: Formula[Any], arguments: dict[str, float], expected: float) -> None:
    assert float(made(**arguments)) == pytest.approx(expected, rel=1e-12)


def test_every_formula_has_a_number() -> None:
    folder = Path(__file__).parent
    waveforms = "".join(file.read_text(encoding="utf-8") for file in folder.glob("test_handbook*.py"))
    by_hand = {made.name for made, _, _ in BY_HAND}
    assert [name for name in FORMULAS if name not in by_hand and f".{name}(" not in waveforms] == []
