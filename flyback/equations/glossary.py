"""The glossary: every symbol once, with its meaning, SI unit and LaTeX. Argument names come from here."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType


@dataclass(frozen=True, slots=True)
class Entry:
    """One symbol.

    Attributes:
        meaning: the field's standard term for it.
        dimension: name of the dimension in `flyback.units.DIMENSIONS`, or "number" and "angle".
        unit: SI unit as pint spells it; "1" for plain numbers.
        latex: how it is printed.
        signed: True where negative values have a meaning.
    """

    symbol: str
    meaning: str
    dimension: str
    unit: str
    latex: str
    signed: bool = False


_SI = {
    "resistance": "ohm",
    "capacitance": "F",
    "inductance": "H",
    "voltage": "V",
    "current": "A",
    "power": "W",
    "apparent power": "V*A",
    "frequency": "Hz",
    "time": "s",
    "area": "m**2",
    "flux density": "T",
    "turns": "1",
    "ratio": "1",
    "number": "1",
    "angle": "1",
    "current slope": "A/s",
    "voltage slope": "V/s",
    "power coefficient": "A**2*Hz",
}

_ROWS = """
V_ac      | mains voltage, rms                                     | voltage           | V_{ac}
f_line    | mains frequency                                        | frequency         | f_{line}
n_pulse   | charging pulses in one mains period (2 full wave, 1 half wave) | number    | n_{pulse}
N_d       | rectifier diodes in the charging path                  | number            | N_d
V_d       | forward drop of one mains rectifier diode              | voltage           | V_d
V_bridge  | drop of the mains rectifier                            | voltage           | V_{bridge}
V_crest   | crest of the rectified mains                           | voltage           | V_{crest}
R_series  | series resistance of the mains side                    | resistance        | R_{series}
C_bulk    | bulk capacitance                                       | capacitance       | C_{bulk}
V_valley  | lowest bulk voltage in a charging period               | voltage           | V_{valley}
V_depart  | bulk voltage when the mains rectifier stops conducting | voltage           | V_{depart}
V_mean    | bulk voltage averaged over a charging period           | voltage           | \\bar V_{bulk}
theta     | angle after the crest at which the rectifier stops conducting | angle       | \\theta
t_meet    | time from one crest until the next half-wave meets the falling bulk voltage | time | t_{meet}
t_charge  | conduction time of the mains rectifier                 | time              | t_{charge}
P_bulk    | power the bulk capacitor hands on                      | power             | P_{bulk}
V_dc      | voltage feeding the primary                            | voltage           | V_{dc}
V_limit   | current-limit threshold at the sense resistor          | voltage           | V_{limit}
V_effect  | current-limit threshold in effect                      | voltage           | V_{lim}
k_line    | line compensation: threshold lowered per volt of V_dc  | ratio             | k_{line}
S_ramp    | slope compensation, referred to the sense resistor     | voltage slope     | S_{ramp}
K_power   | power coefficient, peak current squared times frequency | power coefficient | K
R_s       | sense resistance                                       | resistance        | R_s
V_be      | base-emitter voltage that ends the pulse               | voltage           | V_{be}
I_limit   | primary current at which the limit is reached          | current           | I_{lim}
t_sense   | delay of the current-limit comparator and driver       | time              | t_{sense}
t_store   | storage time of a bipolar switch                       | time              | t_{store}
t_delay   | time from reaching the limit to the switch opening     | time              | t_{delay}
s_test    | current slope at which the limit was specified         | current slope     | s_{test}
s_on      | slope of the primary current while the switch is on    | current slope     | s_{on}
I_off     | primary current when the switch opens                  | current           | I_{off}
I_pk      | peak current of the magnetising inductance             | current           | I_{pk}
I_v       | current of the magnetising inductance when the switch closes | current     | I_v
I_bcm     | current swing of boundary conduction                   | current           | I_{bcm}
V_least   | lowest supply at which the reflected voltage fits the duty limit | voltage | V_{least}
I_sat     | peak current at which the core saturates               | current           | I_{sat}
V_sat     | saturation voltage of a bipolar switch                 | voltage           | V_{sat}
R_on      | resistance in the primary path while the switch is on  | resistance        | R_{on}
R_switch  | on-resistance of the switch                            | resistance        | R_{sw}
R_pri     | resistance of the primary winding                      | resistance        | R_{pri}
V_on      | voltage across the primary inductance while the switch is on | voltage     | V_{on}
C_d       | drain capacitance, winding included                    | capacitance       | C_d
V_close   | drain voltage when the switch closes                   | voltage           | V_{close}
f_s       | switching frequency                                    | frequency         | f_s
f_free    | switching frequency the pulses alone would set | frequency        | f_{free}
f_max     | highest switching frequency                            | frequency         | f_{max}
T_s       | switching period                                       | time              | T_s
t_on      | on time                                                | time              | t_{on}
t_rise    | on time from zero current                              | time              | t_{rise}
t_fall    | demagnetisation time down to zero current              | time              | t_{fall}
t_dem     | demagnetisation time                                   | time              | t_{dem}
t_ring    | half period of the drain ringing                       | time              | t_{ring}
D         | duty cycle                                             | ratio             | D
D_max     | largest duty cycle of the controller                   | ratio             | D_{max}
N_p       | primary turns                                          | turns             | N_p
N_s       | secondary turns                                        | turns             | N_s
N_aux     | auxiliary turns                                        | turns             | N_{aux}
n         | turns ratio, primary to secondary                      | ratio             | n
L_p       | primary inductance, secondary open                     | inductance        | L_p
L_leak    | leakage inductance seen from the primary               | inductance        | L_{leak}
L_m       | magnetising inductance                                 | inductance        | L_m
A_e       | effective core area                                    | area              | A_e
B_pk      | peak flux density                                      | flux density      | B_{pk}
B_sat     | saturation flux density, hot                           | flux density      | B_{sat}
V_r       | reflected voltage                                      | voltage           | V_r
V_c       | clamp voltage above the supply of the primary          | voltage           | V_c
k_clamp   | clamp voltage over reflected voltage                   | ratio             | k_{clamp}
R_cl      | clamp resistance                                       | resistance        | R_{cl}
P_clamp   | power taken by the clamp                               | power             | P_{clamp}
P_leak    | power stored in the leakage inductance                 | power             | P_{leak}
t_reset   | time in which the clamp brings the leakage current to zero | time          | t_{reset}
P_store   | power passed through the magnetising field             | power             | P_{store}
P_cond    | conduction loss of the primary path                    | power             | P_{cond}
P_close   | power the drain capacitance takes from the supply beyond the stored energy | power             | P_{close}
P_fill    | power that brings the leakage current back up at turn-on | power           | P_{fill}
P_swing   | power that swings the drain up and does not come back  | power             | P_{swing}
P_in      | power taken from the bulk                              | power             | P_{in}
P_sec     | power reaching the secondary winding                   | power             | P_{sec}
P_o       | output power of the rail                               | power             | P_o
P_socket  | power at the sockets                                   | power             | P_{socket}
eta       | efficiency from the bulk to the sockets                | ratio             | \\eta
eta_post  | efficiency of the second converter                     | ratio             | \\eta_{post}
I_p_mean  | primary current averaged over the period               | current           | \\bar I_p
I_p_rms   | primary rms current                                    | current           | I_{p,rms}
I_s_top   | peak magnetising current seen from the secondary       | current           | I_{s,top}
I_s_pk    | peak secondary current                                 | current           | I_{s,pk}
I_s_end   | secondary current at the end of demagnetisation        | current           | I_{s,end}
I_s_rms   | secondary rms current                                  | current           | I_{s,rms}
I_c_rms   | ripple current of the output capacitors, rms           | current           | I_{c,rms}
I_o       | output current                                         | current           | I_o
V_o       | output voltage of the rail                             | voltage           | V_o
V_f       | forward drop of the output rectifier at half the peak current | voltage    | V_f
R_sec     | resistance of the secondary winding                    | resistance        | R_{sec}
C_o       | output capacitance                                     | capacitance       | C_o
R_esr     | equivalent series resistance (ESR) of the output capacitors | resistance   | R_{ESR}
t_top     | time from switch-off to the crest of the output ripple | time              | t_{top}
V_ripple  | output ripple at the switching frequency, peak to peak | voltage           | V_{ripple}
V_ref     | reference voltage                                      | voltage           | V_{ref}
R_upper   | upper divider resistance                               | resistance        | R_{upper}
R_lower   | lower divider resistance                               | resistance        | R_{lower}
d_dem     | share of the period in which the secondary conducts, as the controller holds it | ratio | d_{dem}
d_full    | share of the period in which the secondary conducts, down to zero current | ratio | d_{full}
d_hold    | share of the period left to the secondary              | ratio             | d_{hold}
I_th      | secondary current at which the controller sees demagnetisation end | current | I_{th}
V_stop    | controller supply voltage below which it stops         | voltage           | V_{stop}
V_o_stop  | output voltage at which the controller loses its supply | voltage          | V_{o,stop}
V_led     | forward voltage of the indicator LED                   | voltage           | V_{led}
R_led     | LED series resistance                                  | resistance        | R_{led}
I_led     | indicator LED current                                  | current           | I_{led}
R_bleed   | bleeder resistance                                     | resistance        | R_{bleed}
I_bleed   | bleeder current                                        | current           | I_{bleed}
R_1       | one resistance                                         | resistance        | R_1
R_2       | another resistance                                     | resistance        | R_2
C_1       | one capacitance                                        | capacitance       | C_1
C_2       | another capacitance                                    | capacitance       | C_2
I_R       | current through a resistor, rms                        | current           | I_R
P_R       | power in a resistor                                    | power             | P_R
P_one     | power in one of several parallel resistors             | power             | P_{one}
P_rating  | power rating of a resistor                             | power             | P_{rated}
I_rating  | current rating                                         | current           | I_{rated}
I_1       | one current rating                                     | current           | I_1
I_2       | another current rating                                 | current           | I_2
N_b       | base winding turns                                     | turns             | N_b
R_b       | base resistance                                        | resistance        | R_b
h_FE      | current gain of the bipolar switch                     | ratio             | h_{FE}
I_base    | base current                                           | current           | I_b
I_drive   | collector current the base drive can hold              | current           | I_{drive}
P_label   | power printed on the label                             | power             | P_{label}
V_label   | voltage printed on the label                           | voltage           | V_{label}
I_label   | current printed on the label                           | current           | I_{label}
P_1       | one power                                              | power             | P_1
P_2       | another power                                          | power             | P_2
n_ports   | number of ports                                        | number            | n_{ports}
S_in      | apparent power at the mains                            | apparent power    | S_{in}
"""

_SIGNED = {"theta", "s_test", "I_v", "P_close"}


def _read() -> dict[str, Entry]:
    entries: dict[str, Entry] = {}
    for row in _ROWS.strip().splitlines():
        symbol, meaning, dimension, latex = (cell.strip() for cell in row.split("|"))
        entries[symbol] = Entry(symbol, meaning, dimension, _SI[dimension], latex, symbol in _SIGNED)
    return entries


GLOSSARY: Mapping[str, Entry] = MappingProxyType(_read())
"""Every symbol of the package by name."""
