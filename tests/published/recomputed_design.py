"""Published design examples, recomputed with our formulas: bulk, conduction modes, free-running supplies.

One function a figure, entered in `DESIGN` under worked example and figure. Where the source uses a
relation that we do not, the function does the source's own arithmetic and says so in its note: such a
row checks the data, not us.
"""

from __future__ import annotations

from dataclasses import dataclass

from flyback.analysis import bulk
from flyback.equations import mains, output, ports, rectifier, regulation, switch, transformer
from flyback.equations.formula import Real

from .recomputation import ARITHMETIC, Inputs, Key, Recomputation, entering, solve
from .simulated import ConstantLoad, lossless_bulk

DESIGN: dict[Key, Recomputation] = {}
"""Worked example and figure to the recomputation."""

recomputes = entering(DESIGN)


# --- bulk -----------------------------------------------------------------------------------------


@recomputes("valley-15w-33u", "Vdc_min")
def _(i: Inputs) -> Real:
    return mains.valley_at_assumed_conduction(
        V_ac=i["Vac_min"],
        P_bulk=i["Po"] / i["eta"],
        C_bulk=i["Cbulk"],
        f_line=i["f_line"],
        n_pulse=2,
        t_charge=i["tc"],
    )


@recomputes("valley-6w-13u6-a", "Vdc_min")
def _(i: Inputs) -> Real:
    return mains.valley_at_assumed_conduction(
        V_ac=i["Vac_min"],
        P_bulk=i["Pin"],
        C_bulk=i["Cbulk"],
        f_line=i["f_line"],
        n_pulse=2,
        t_charge=i["Dch"] / (2 * i["f_line"]),
    )


@recomputes("valley-15w-33u", "Vdc_max")
@recomputes("valley-6w-13u6-a", "Vdc_max")
def _(i: Inputs) -> Real:
    return mains.crest_voltage(V_ac=i["Vac_max"], V_bridge=0)


@recomputes("valley-15w-33u", "Vdc_min_exact", "the meeting time and departure angle solved by us")
def _(i: Inputs) -> Real:
    return _solved_valley(i, i["Po"] / i["eta"])


@recomputes("valley-6w-13u6-a", "Vdc_min_exact", "the meeting time and departure angle solved by us")
def _(i: Inputs) -> Real:
    return _solved_valley(i, i["Pin"])


def _solved_valley(i: Inputs, power: float) -> float:
    line = bulk.Line(V_ac=i["Vac_min"], f_line=i["f_line"])
    return float(bulk.solve(lossless_bulk(i["Cbulk"]), line, lambda _: ConstantLoad(power)).V_valley)


def valley_from_the_crest(i: Inputs, power: float) -> float:
    """The valley where the discharge begins at the crest itself, as the recomputation has it [V]."""
    V_crest = mains.crest_voltage(V_ac=i["Vac_min"], V_bridge=0)

    def missing(V: float) -> float:
        t_meet = mains.meeting_time(V_valley=V, V_crest=V_crest, f_line=i["f_line"], n_pulse=2)
        given = mains.bulk_power(
            C_bulk=i["Cbulk"], V_depart=V_crest, V_valley=V, t_meet=t_meet, theta=0, f_line=i["f_line"]
        )
        return float(power - given)

    return solve(missing, 0.3 * V_crest, V_crest)


# --- discontinuous conduction ---------------------------------------------------------------------


@recomputes("dcm-6w-inductance", "ton_B")
def _(i: Inputs) -> Real:
    V_r = transformer.reflected_voltage(n=i["n"], V_o=i["Vo_B"], V_f=i["VF"])
    f_b = transformer.frequency_of_period(T_s=1 / i["fs"] - i["toff_B"])
    I_b = transformer.boundary_swing(L_p=i["Lm"], V_on=i["VdcB"], L_m=i["Lm"], V_r=V_r, f_s=f_b)
    return switch.on_time_from_zero(L_p=i["Lm"], I_pk=I_b, V_on=i["VdcB"])


@recomputes("dcm-6w-inductance", "Lm")
def _(i: Inputs) -> Real:
    D = switch.duty_cycle(t_on=i["ton_B"], f_s=i["fs"])

    def surplus(L: float) -> float:
        I_pk = switch.duty_limit_current(V_dc=i["VdcB"], V_sat=0, D_max=D, L_p=L, f_s=i["fs"])
        stored = transformer.stored_power(L_p=L, I_pk=I_pk, I_v=0, f_s=i["fs"])
        return float(stored - i["PinB"] * i["k_T"])

    return solve(surplus, 1e-5, 1e-2)


@recomputes("dcm-6w-inductance", "ton_C")
def _(i: Inputs) -> Real:
    def surplus(current: float) -> float:
        stored = transformer.stored_power(L_p=i["Lm"], I_pk=current, I_v=0, f_s=i["fsC"])
        return float(stored - i["PinC"] * i["k_T"])

    I_pk = solve(surplus, 1e-3, 10)
    return switch.on_time_from_zero(L_p=i["Lm"], I_pk=I_pk, V_on=i["VdcC"])


@recomputes("dcm-6w-inductance", "toff_C")
def _(i: Inputs) -> Real:
    V_r = transformer.reflected_voltage(n=i["n"], V_o=i["Vo_C"], V_f=i["VF"])
    D = switch.duty_cycle(t_on=i["ton_C"], f_s=i["fsC"])
    I_pk = switch.duty_limit_current(V_dc=i["VdcC"], V_sat=0, D_max=D, L_p=i["Lm"], f_s=i["fsC"])
    busy = transformer.free_running_period(
        L_p=i["Lm"], L_m=i["Lm"], I_pk=I_pk, V_on=i["VdcC"], V_r=V_r, t_ring=0
    )
    return 1 / i["fsC"] - busy


# --- continuous conduction ------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Ccm:
    """Chain of the 12 V 15 W example up to the primary current."""

    V_dc: float
    D: float
    t_on: float
    I_pk: float
    I_v: float
    n: float


def _largest_duty(V_dc: float, V_r: float, V_sat: float) -> float:
    def spare(D: float) -> float:
        lowest = transformer.lowest_voltage_for_duty(V_r=V_r, D_max=D, L_p=1, L_m=1, V_sat=V_sat)
        return float(V_dc - lowest)

    return solve(spare, 0.01, 0.99)


def _ccm(i: Inputs) -> _Ccm:
    V_dc = mains.valley_at_assumed_conduction(
        V_ac=i["Vac_min"],
        P_bulk=i["Po"] / i["eta"],
        C_bulk=i["Cbulk"],
        f_line=i["f_line"],
        n_pulse=2,
        t_charge=i["tc"],
    )
    D = _largest_duty(V_dc, i["V_r"], i["VDS_on"])
    t_on = D / i["fs"]
    valley_share = 1 - i["K"]

    def surplus(current: float) -> float:
        mean = switch.primary_mean_current(
            I_off=current, I_v=current * valley_share, t_on=t_on, f_s=i["fs"]
        )
        return float(mean - i["Po"] / i["eta"] / V_dc)

    I_pk = solve(surplus, 1e-3, 10)
    return _Ccm(V_dc, D, t_on, I_pk, I_pk * valley_share, _primary_turns(i) / i["Ns"])


def _primary_turns(i: Inputs) -> float:
    def surplus(N_p: float) -> float:
        n = transformer.turns_ratio(N_p=N_p, N_s=i["Ns"])
        return float(transformer.reflected_voltage(n=n, V_o=i["Vo"], V_f=i["VD"]) - i["V_r"])

    return solve(surplus, 1, 1000)


@recomputes("ccm-12v-15w-ef25", "Vdc_min")
def _(i: Inputs) -> Real:
    return _ccm(i).V_dc


@recomputes("ccm-12v-15w-ef25", "D_max")
def _(i: Inputs) -> Real:
    return _ccm(i).D


@recomputes("ccm-12v-15w-ef25", "Ipk")
def _(i: Inputs) -> Real:
    return _ccm(i).I_pk


@recomputes("ccm-12v-15w-ef25", "Lp")
def _(i: Inputs) -> Real:
    c = _ccm(i)
    entering = i["Po"] * (i["Z"] * (1 - i["eta"]) + i["eta"]) / i["eta"]

    def surplus(L: float) -> float:
        return float(transformer.stored_power(L_p=L, I_pk=c.I_pk, I_v=c.I_v, f_s=i["fs"]) - entering)

    return solve(surplus, 1e-5, 1e-1)


@recomputes("ccm-12v-15w-ef25", "Np")
def _(i: Inputs) -> Real:
    return _primary_turns(i)


@recomputes("ccm-12v-15w-ef25", "A_LG", ARITHMETIC)
def _(i: Inputs) -> Real:
    return i["Lp"] / _primary_turns(i) ** 2


@recomputes("ccm-12v-15w-ef25", "Is_rms")
def _(i: Inputs) -> Real:
    c = _ccm(i)
    return rectifier.secondary_rms_current(
        I_s_pk=rectifier.magnetising_peak_at_secondary(n=c.n, I_pk=c.I_pk),
        I_s_end=rectifier.secondary_end_current(n=c.n, I_v=c.I_v),
        t_dem=1 / i["fs"] - c.t_on,
        f_s=i["fs"],
    )


@recomputes("ccm-12v-15w-ef25", "Ip_rms")
def _(i: Inputs) -> Real:
    c = _ccm(i)
    return switch.primary_rms_current(I_off=c.I_pk, I_v=c.I_v, t_on=c.t_on, f_s=i["fs"])


@recomputes("ccm-12v-15w-ef25", "I_cap_rms")
def _(i: Inputs) -> Real:
    I_o = rectifier.current_at_power(P_o=i["Po"], V_o=i["Vo"])
    return output.capacitor_ripple_current(I_s_rms=i["Is_rms"], I_o=I_o)


@recomputes("ccm-12v-15w-ef25", "B_pk")
def _(i: Inputs) -> Real:
    return transformer.flux_density(L_p=i["Lp"], I_pk=_ccm(i).I_pk, N_p=_primary_turns(i), A_e=i["Ae"])


@dataclass(frozen=True, slots=True)
class _Ideal:
    """The lossless 20 V example: inductance from the load at which continuous conduction ends."""

    n: float
    t_on: float
    L_p: float
    I_pk: float
    I_v: float


def _ideal(i: Inputs) -> _Ideal:
    def spare(n: float) -> float:
        V_r = transformer.reflected_voltage(n=n, V_o=i["Vo"], V_f=0)
        return _largest_duty(i["Vdc"], V_r, 0) - i["D"]

    n = solve(spare, 1, 50)
    V_r = transformer.reflected_voltage(n=n, V_o=i["Vo"], V_f=0)

    def swing(L: float) -> float:
        return float(transformer.boundary_swing(L_p=L, V_on=i["Vdc"], L_m=L, V_r=V_r, f_s=i["fs"]))

    def power(L: float, I_v: float) -> float:
        return float(transformer.stored_power(L_p=L, I_pk=I_v + swing(L), I_v=I_v, f_s=i["fs"]))

    L_p = solve(lambda L: power(L, 0) - i["Vo"] * i["Io_min"], 1e-6, 1)
    I_v = solve(lambda I_v: power(L_p, I_v) - i["Vo"] * i["Io"], 0, 100)
    t_on = switch.on_time(L_p=L_p, I_off=I_v + swing(L_p), I_v=I_v, V_on=i["Vdc"])
    return _Ideal(n, t_on, L_p, I_v + swing(L_p), I_v)


@recomputes("ccm-20v-5a-75pct", "ton")
def _(i: Inputs) -> Real:
    return _ideal(i).t_on


@recomputes("ccm-20v-5a-75pct", "n")
def _(i: Inputs) -> Real:
    return _ideal(i).n


@recomputes("ccm-20v-5a-75pct", "I_mean_on")
def _(i: Inputs) -> Real:
    c = _ideal(i)
    mean = switch.primary_mean_current(I_off=c.I_pk, I_v=c.I_v, t_on=c.t_on, f_s=i["fs"])
    return mean / switch.duty_cycle(t_on=c.t_on, f_s=i["fs"])


@recomputes("ccm-20v-5a-75pct", "ripple_to_mean")
def _(i: Inputs) -> Real:
    c = _ideal(i)
    return (c.I_pk - c.I_v) / ((c.I_pk + c.I_v) / 2)


@recomputes("ccm-20v-5a-75pct", "Lp")
def _(i: Inputs) -> Real:
    return _ideal(i).L_p


@recomputes("ccm-20v-5a-75pct", "Ipk")
def _(i: Inputs) -> Real:
    return _ideal(i).I_pk


@recomputes("ccm-24v-60w", "Cout_ratio_2", ARITHMETIC)
def _(i: Inputs) -> Real:
    return i["C1"] * i["fc1"] / i["fc2"]


@recomputes("ccm-24v-60w", "Vdc_min")
def _(i: Inputs) -> Real:
    V_r = transformer.reflected_voltage(n=i["n"], V_o=i["Po"] / i["Io"], V_f=0)
    return transformer.lowest_voltage_for_duty(V_r=V_r, D_max=i["D"], L_p=1, L_m=1, V_sat=0)


@recomputes("ccm-24v-60w", "Ipk_limit")
def _(i: Inputs) -> Real:
    return switch.sense_limit_current(V_effect=0.8 * i["Vcs_max"], R_s=i["Rcs"])


@recomputes("ccm-24v-60w", "Ipk_hard")
def _(i: Inputs) -> Real:
    return switch.sense_limit_current(V_effect=i["Vcs_max"], R_s=i["Rcs"])


# --- valley switching and self-oscillating --------------------------------------------------------


def quasi_resonant_frequency(i: Inputs, V_dc: float) -> float:
    """Frequency of the quasi-resonant example at a supply voltage [Hz]."""
    T_s = transformer.free_running_period(
        L_p=i["Lp"],
        L_m=i["Lp"],
        I_pk=switch.sense_limit_current(V_effect=i["Vcs"], R_s=i["Rs"]),
        V_on=V_dc,
        V_r=transformer.reflected_voltage(n=1 / i["n21"], V_o=i["Vo"], V_f=i["VF"]),
        t_ring=i["td"],
    )
    return float(transformer.frequency_of_period(T_s=T_s))


def _quasi_resonant_power(i: Inputs, f_s: float) -> float:
    I_pk = switch.sense_limit_current(V_effect=i["Vcs"], R_s=i["Rs"])
    P_store = transformer.stored_power(L_p=i["Lp"], I_pk=I_pk, I_v=0, f_s=f_s)
    return float(ports.socket_power_from_bulk(P_bulk=P_store, eta=i["eta"]))


@recomputes("qr-19v-lowline", "f_min_at_162V6")
def _(i: Inputs) -> Real:
    return quasi_resonant_frequency(i, mains.crest_voltage(V_ac=i["Vac"], V_bridge=0))


@recomputes("qr-19v-lowline", "f_min_at_127V")
def _(i: Inputs) -> Real:
    return quasi_resonant_frequency(i, i["Vdc"])


@recomputes("qr-19v-lowline", "Po_max")
def _(i: Inputs) -> Real:
    return _quasi_resonant_power(i, i["f_min"])


@recomputes("qr-19v-lowline", "Po_max_at_127V")
def _(i: Inputs) -> Real:
    return _quasi_resonant_power(i, quasi_resonant_frequency(i, i["Vdc"]))


@recomputes("rcc-5v-0a4-spec", "Io_max", ARITHMETIC)
def _(i: Inputs) -> Real:
    return i["k"] * i["Io"]


def _ringing_choke_peak(i: Inputs) -> float:
    t_dem = (1 - i["D"]) / i["fmin"]

    def surplus(I_pk: float) -> float:
        mean = regulation.constant_current_output(n=1, I_pk=I_pk, t_dem=t_dem, t_reset=0, f_s=i["fmin"])
        return float(mean - i["k"] * i["Io"])

    return solve(surplus, 0.01, 100)


@recomputes("rcc-5v-0a4-spec", "Is_pk")
def _(i: Inputs) -> Real:
    return _ringing_choke_peak(i)


@recomputes("rcc-5v-0a4-spec", "Ls")
def _(i: Inputs) -> Real:
    V_s = transformer.reflected_voltage(n=1, V_o=i["Vo"], V_f=i["VF"])

    def surplus(L: float) -> float:
        t_dem = transformer.full_demagnetisation_time(L_m=L, I_pk=_ringing_choke_peak(i), V_r=V_s)
        return float(t_dem - (1 - i["D"]) / i["fmin"])

    return solve(surplus, 1e-7, 1e-2)
