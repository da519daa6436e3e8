"""Published constants and measured boards, recomputed with our formulas; and common practice.

Entered in `BOARDS` as in `recomputed_design`. Figures that cannot be recomputed stand in `NOT_CHECKED`,
with the reason.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

from flyback.equations import indicators, output, ports, rectifier, regulation, transformer
from flyback.equations.formula import Real
from flyback.reference import rows

from .recomputation import ARITHMETIC, HANDBOOK, Inputs, Key, Recomputation, entering
from .simulated import closed_form_efficiency

BOARDS: dict[Key, Recomputation] = {}
"""Worked example and figure to the recomputation."""

recomputes = entering(BOARDS)

_NO_BOARD = "measured on a board whose parts are not given"
_CURVE = "a typical curve, without a board behind it"

NOT_CHECKED: Mapping[Key, str] = {
    ("eval-12v-0a35", "eta_avg_115"): _NO_BOARD,
    ("eval-12v-0a35", "eta_avg_230"): _NO_BOARD,
    ("eff-headlines", "9V_2A5_psr"): _NO_BOARD,
    ("eff-headlines", "40W_24V_5V"): "two outputs: no single-rail board compares",
    ("eff-headlines", "12V_1A_chart_lo"): _CURVE,
    ("eff-headlines", "5V_6A_chart"): _CURVE,
}
"""Published figures kept as data only: asserting them would say nothing about the formulas."""


# --- primary-side regulation ----------------------------------------------------------------------


@recomputes("psr-turns-window-5v", "Vr_hi_check")
def _(i: Inputs) -> Real:
    return transformer.reflected_voltage(n=i["n_hi"], V_o=i["Vo"], V_f=i["VF"])


@recomputes("psr-turns-window-5v", "Vr_lo_check")
def _(i: Inputs) -> Real:
    return transformer.reflected_voltage(n=i["n_lo"], V_o=i["Vo"], V_f=i["VF"])


@recomputes("psr-cc-constants", "eta_xfmr", ARITHMETIC)
def _(i: Inputs) -> Real:
    return 1 - i["loss_core_winding"] - i["leak"] - i["bias"]


@recomputes("psr-cc-constants", "V_cc_ref", "as the output current of n / (2 R_s) = 1 per ohm")
def _(i: Inputs) -> Real:
    return regulation.ideal_constant_current(n=2, V_limit=i["Vcst_max"], R_s=1, d_dem=i["k_dmag"])


# --- measured boards ------------------------------------------------------------------------------


@recomputes("loss-34w-discrete", "eta")
def _(i: Inputs) -> Real:
    return ports.efficiency(P_socket=i["Po"], P_in=i["Pin"])


@recomputes("loss-34w-discrete", "loss", ARITHMETIC)
def _(i: Inputs) -> Real:
    return i["Pin"] - i["Po"]


@recomputes("loss-34w-discrete", "loss_sum", ARITHMETIC)
def _(i: Inputs) -> Real:
    return sum(loss for name, loss in i.items() if name not in ("Po", "Pin"))


@recomputes("bench-5v-0a5-stress", "n", ARITHMETIC)
def _(i: Inputs) -> Real:
    return math.sqrt(i["Lp"] / i["Ls"])


@recomputes("bench-5v-0a5-stress", "k", "coupling: root of magnetising over primary inductance")
def _(i: Inputs) -> Real:
    L_m = transformer.magnetising_inductance(L_p=i["Lp"], L_leak=i["Llk"])
    return math.sqrt(L_m / i["Lp"])


@recomputes("bench-5v-0a5-stress", "Io_10ohm")
def _(i: Inputs) -> Real:
    return indicators.bleeder_current(V_o=i["Vo"], R_bleed=i["R1"])


@recomputes("bench-5v-0a5-stress", "Io_5ohm6")
def _(i: Inputs) -> Real:
    return indicators.bleeder_current(V_o=i["Vo"], R_bleed=i["R2"])


@recomputes("bench-5v-0a5-stress", "Po_5ohm6")
def _(i: Inputs) -> Real:
    I_o = indicators.bleeder_current(V_o=i["Vo"], R_bleed=i["R2"])
    return rectifier.output_power(V_o=i["Vo"], I_o=I_o)


@recomputes("bench-5v-0a5-stress", "V_r")
def _(i: Inputs) -> Real:
    n = math.sqrt(i["Lp"] / i["Ls"])
    return transformer.reflected_voltage(n=n, V_o=i["Vo"], V_f=i["VF"])


@recomputes("ocap-esr-equal-case", "I_cap_rms")
def _(i: Inputs) -> Real:
    return output.capacitor_ripple_current(I_s_rms=i["Is_rms"], I_o=i["Io"])


@recomputes("ocap-esr-equal-case", "V_ripple_ESR", "the ESR part alone: crest at the moment of switch-off")
def _(i: Inputs) -> Real:
    return output.output_ripple(
        I_s_pk=i["Is_pk"], I_s_end=0, I_o=i["Io"], t_dem=1e-5, t_top=0, R_esr=i["ESR"], C_o=1
    )


@recomputes("eval-12v-0a35", "Po")
def _(i: Inputs) -> Real:
    return rectifier.output_power(V_o=i["Vo"], I_o=i["Io"])


@recomputes("eval-12v-0a35", "limit_CoC4", f"{HANDBOOK}, level V basic, which has the same coefficients")
def _(i: Inputs) -> Real:
    return _least_efficiency("V", i["P"])


@recomputes("eval-12v-0a35", "limit_DOE", f"{HANDBOOK}, level VI basic")
def _(i: Inputs) -> Real:
    return _least_efficiency("VI", i["P"])


def _least_efficiency(level: str, power: float) -> float:
    (table,) = (
        row for row in rows("average_efficiency") if (row["level"], row["supply_class"]) == (level, "basic")
    )
    (band,) = (band for band in table["bands"] if band["above_W"] < power <= band["up_to_W"])
    return float(band["log"] * math.log(power) + band["linear"] * power + band["constant"])


@recomputes("eff-headlines", "5V_1A_psr", "board of simulation b1 at 5 V 1 A")
def _(i: Inputs) -> Real:
    return closed_form_efficiency("b1_dcm_5V1A_110V_65k", V_o=5.0, I_o=1.0)


@recomputes("eff-headlines", "12V_1A_psr", "board of simulation c1 at 12 V 1 A")
def _(i: Inputs) -> Real:
    return closed_form_efficiency("c1_ccm_12V2A_100V_65k_duty", V_o=12.0, I_o=1.0)


@recomputes("eff-headlines", "5V_2A_avg", "board of simulation b3 at 5 V 2 A")
def _(i: Inputs) -> Real:
    return closed_form_efficiency("b3_dcm_5V2A_150V_60k", V_o=5.0, I_o=2.0)


# --- common practice ------------------------------------------------------------------------------


@recomputes("bench-arithmetic", "label_power")
def _(i: Inputs) -> Real:
    return ports.label_power(V_label=i["V_label"], I_label=i["I_label"])


@recomputes("bench-arithmetic", "led_current")
def _(i: Inputs) -> Real:
    return indicators.led_current(V_o=i["V_o"], V_led=i["V_led"], R_led=i["R_led"])
