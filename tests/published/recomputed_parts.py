"""Published design examples run backwards: from what a part brings about to the value of the part.

The formulas are solved for the part as `flyback remedies` solves them, and none of the functions here reads
the part's own value (`test_parts.py`).
"""

from __future__ import annotations

from flyback.equations import indicators, mains, output, ports, switch, transformer
from flyback.equations.formula import Real
from flyback.studies.inverse import solve_for

from .recomputation import Inputs, Key, Recomputation, entering

PARTS: dict[Key, Recomputation] = {}
"""Worked example and part to its recomputation."""

recomputes = entering(PARTS)


# --- bulk capacitor -------------------------------------------------------------------------------


def _bulk(i: Inputs, P_bulk: float, t_charge: float) -> float:
    known = {"V_ac": i["Vac_min"], "P_bulk": P_bulk, "f_line": i["f_line"], "n_pulse": 2.0}
    return solve_for(
        "C_bulk",
        mains.valley_at_assumed_conduction,
        result=i["Vdc_min"],
        known={**known, "t_charge": t_charge},
    ).value


@recomputes("valley-15w-33u", "Cbulk")
@recomputes("ccm-12v-15w-ef25", "Cbulk")
def _(i: Inputs) -> Real:
    return _bulk(i, i["Po"] / i["eta"], i["tc"])


@recomputes("valley-6w-13u6-a", "Cbulk")
def _(i: Inputs) -> Real:
    return _bulk(i, i["Pin"], i["Dch"] / (2 * i["f_line"]))


# --- transformer ----------------------------------------------------------------------------------


@recomputes("ccm-12v-15w-ef25", "Ns")
def _(i: Inputs) -> Real:
    known = {"N_p": i["Np"], "V_o": i["Vo"], "V_f": i["VD"]}
    turns = (transformer.turns_ratio, transformer.reflected_voltage)
    return solve_for("N_s", *turns, result=i["V_r"], known=known).value


@recomputes("ccm-24v-60w", "n")
def _(i: Inputs) -> Real:
    known = {"D_max": i["D"], "L_p": 1.0, "L_m": 1.0, "V_sat": 0.0, "V_o": i["Po"] / i["Io"], "V_f": 0.0}
    chain = (transformer.reflected_voltage, transformer.lowest_voltage_for_duty)
    return solve_for("n", *chain, result=i["Vdc_min"], known=known).value


def _ratio(i: Inputs, V_r: float) -> float:
    known = {"V_o": i["Vo"], "V_f": i["VF"]}
    return solve_for("n", transformer.reflected_voltage, result=V_r, known=known).value


@recomputes("psr-turns-window-5v", "n_hi")
def _(i: Inputs) -> Real:
    return _ratio(i, i["Vr_hi"])


@recomputes("psr-turns-window-5v", "n_lo")
def _(i: Inputs) -> Real:
    return _ratio(i, i["Vr_lo"])


def _stored(i: Inputs) -> float:
    return solve_for(
        "P_bulk", ports.socket_power_from_bulk, result=i["Po_max"], known={"eta": i["eta"]}
    ).value


@recomputes("qr-19v-lowline", "Lp")
def _(i: Inputs) -> Real:
    I_pk = switch.sense_limit_current(V_effect=i["Vcs"], R_s=i["Rs"])
    known = {"I_pk": I_pk, "I_v": 0.0, "f_s": i["f_min"]}
    return solve_for("L_p", transformer.stored_power, result=_stored(i), known=known).value


# --- resistors ------------------------------------------------------------------------------------


@recomputes("qr-19v-lowline", "Rs")
def _(i: Inputs) -> Real:
    known = {"L_p": i["Lp"], "I_v": 0.0, "f_s": i["f_min"]}
    I_pk = solve_for("I_pk", transformer.stored_power, result=_stored(i), known=known).value
    return solve_for("R_s", switch.sense_limit_current, result=I_pk, known={"V_effect": i["Vcs"]}).value


@recomputes("ccm-24v-60w", "Rcs")
def _(i: Inputs) -> Real:
    known = {"V_effect": i["Vcs_max"]}
    return solve_for("R_s", switch.sense_limit_current, result=i["Ipk_hard"], known=known).value


def _load(V_o: float, I_o: float) -> float:
    return solve_for("R_bleed", indicators.bleeder_current, result=I_o, known={"V_o": V_o}).value


@recomputes("bench-5v-0a5-stress", "R1")
def _(i: Inputs) -> Real:
    return _load(i["Vo"], i["Io_10ohm"])


@recomputes("bench-5v-0a5-stress", "R2")
def _(i: Inputs) -> Real:
    return _load(i["Vo"], i["Io_5ohm6"])


@recomputes("bench-arithmetic", "R_led")
def _(i: Inputs) -> Real:
    known = {"V_o": i["V_o"], "V_led": i["V_led"]}
    return solve_for("R_led", indicators.led_current, result=i["I_led"], known=known).value


@recomputes("ocap-esr-equal-case", "ESR", "the ESR part alone: crest at the moment of switch-off")
def _(i: Inputs) -> Real:
    known = {"I_s_pk": i["Is_pk"], "I_s_end": 0.0, "I_o": i["Io"], "t_dem": 1e-5, "t_top": 0.0, "C_o": 1.0}
    return solve_for("R_esr", output.output_ripple, result=i["V_ripple_ESR"], known=known).value
