"""A whole converter on mains, kind h of the circuit simulation: from the bulk to the output at once.

The valley is found by the load point itself here, not given. The ripple of that run carries leakage
ringing, which the closed form leaves out, so it is not compared.
"""

import json
from pathlib import Path

import pytest

from flyback.analysis.bulk import Line
from flyback.analysis.load_point import LoadPoint, load_point
from flyback.analysis.trace import trace
from flyback.board.file import loads

from .simulated import diode_drop

DATA = json.loads((Path(__file__).parent / "data" / "simulated.json").read_text(encoding="utf-8"))
CASE = DATA["cases"]["h1_full_5V1A_100V50"]
MEASURED = next(run["measured"] for run in CASE["runs"] if run["tag"] == "tight")

BOARD = """
[board]
name = "Simulated converter"
topology = "flyback"
control = "fixed-frequency peak current"

[label]
output = [{{ voltage = "5 V", current = "1 A" }}]

[parts.BR1]
role = "mains rectifier"
arrangement = "full wave"
forward_drop = {{ value = "{bridge:.6f} V", origin = "datasheet" }}

[parts.R9]
role = "series resistor"
value = "10 ohm"
origin = "measured"

[parts.C1]
role = "bulk capacitor"
value = "10 uF"
origin = "measured"

[parts.U1]
role = "switching IC"
origin = "datasheet"
limit_voltage = "0.75 V"
delay = "200 ns"
frequency = "65 kHz"
max_duty = "70 %"
on_resistance = "3 ohm"
drain_capacitance = "40 pF"

[parts.R1]
role = "sense resistor"
value = "1.8 ohm"
origin = "measured"

[parts.T1]
role = "transformer"
origin = "measured"
primary_turns = 150
secondary_turns = 10
primary_inductance = "1.5 mH"
leakage_inductance = "30 uH"
primary_resistance = "1.5 ohm"
secondary_resistance = "10 mohm"

[parts.R8]
role = "clamp resistor"
value = "150 kohm"
origin = "measured"

[parts.D2]
role = "output rectifier"
forward_drop = {{ value = "{rectifier:.6f} V", origin = "datasheet" }}

[parts.C2]
role = "output capacitor"
value = "680 uF"
origin = "measured"
esr = {{ value = "30 mohm", origin = "datasheet" }}
"""


@pytest.fixture(scope="module")
def point() -> LoadPoint:
    # the bridge carries the charging pulse, about a third of the time; the secondary peaks at n x I_pk
    bridge = diode_drop("dbr", 3 * MEASURED["Pin_bulk"] / MEASURED["bulk_peak"])
    rectifier = diode_drop("dsk", 15 * MEASURED["Ipk_mean"] / 2)
    circuit = trace(loads(BOARD.format(bridge=bridge, rectifier=rectifier)))
    supply = circuit.supply({key: value.nominal for key, value in circuit.values.items()})
    found = load_point(circuit, supply, Line(V_ac=100.0, f_line=50.0), V_o=5.0, I_o=1.0)
    assert found is not None
    return found


def test_valley_peak_current_and_input_power(point: LoadPoint) -> None:
    """Within 1 %: three times better than asked of a closed form."""
    assert point.V_valley == pytest.approx(MEASURED["bulk_valley"], rel=0.01)
    assert point.pulse.I_pk == pytest.approx(MEASURED["Ipk_mean"], rel=0.01)
    assert point.pulse.P_in == pytest.approx(MEASURED["Pin_bulk"], rel=0.01)


def test_secondary_currents(point: LoadPoint) -> None:
    assert point.delivery.I_s_rms == pytest.approx(MEASURED["Isrms"], rel=0.03)
    assert point.delivery.I_c_rms == pytest.approx(MEASURED["Icrms"], rel=0.03)


def test_a_wrong_bulk_would_be_noticed(point: LoadPoint) -> None:
    circuit = trace(loads(BOARD.format(bridge=0.8, rectifier=0.36).replace('"10 uF"', '"8.2 uF"')))
    supply = circuit.supply({key: value.nominal for key, value in circuit.values.items()})
    smaller = load_point(circuit, supply, Line(V_ac=100.0, f_line=50.0), V_o=5.0, I_o=1.0)
    assert smaller is not None
    assert smaller.V_valley != pytest.approx(MEASURED["bulk_valley"], rel=0.03)
