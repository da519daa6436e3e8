"""Sweeps: each point against a check of the file that says so, crossings against roots found elsewhere."""

from __future__ import annotations

from functools import cache
from itertools import pairwise

import numpy as np
import pytest
from scipy.optimize import brentq
from worked import board

from flyback.analysis.assessment import Column
from flyback.analysis.bulk import Line
from flyback.analysis.demand import Case
from flyback.analysis.trace import trace
from flyback.board.model import Board
from flyback.errors import NotAFlybackError, RequestError
from flyback.studies.sweep import SAMPLES, Sweep, sweep
from flyback.verdict.check import check

FEW = 200

MULTIPLE = (
    'output = [{ ports = 1, voltage = "12 V", current = "2 A" }]',
    'output = [{ ports = 1, voltage = "5 V", current = "2 A", port = "USB" }, '
    '{ ports = 1, voltage = "12 V", current = "2 A", port = "USB" }]',
)
NO_LEAKAGE = ('leakage_inductance = "25 uH"\n', "")


@cache
def swept(name: str, *texts: str, **options: float) -> Sweep:
    return sweep(board(name), texts, **{"samples": FEW, **options})  # type: ignore[arg-type]


def column_of(edited: Board, found: Sweep, mains: float) -> Column:
    """The ladder that a check of a board gives at the line of a sweep."""
    result = check(edited, mains=mains, frequency=50.0, samples=FEW)
    return next(one for one in result.assessments if one.voltage == found.voltage).columns[0]


def same(found: Sweep, at: tuple[int, ...], column: Column) -> None:
    """A point of a sweep is that column: every ceiling, which binds, the band, and the claims met."""
    powers = {step.rung.name: float(step.ceiling.power) for step in column.steps}
    assert powers.keys() == {ceiling.name for ceiling in found.ceilings}
    for ceiling in found.ceilings:
        # arrays of samples are solved to 1e-7, see bulk.SOLVED_SAMPLES
        assert ceiling.power[at] == pytest.approx(powers[ceiling.name], rel=2e-6)
    assert found.name_of(int(found.binding[at])) == column.binding.rung.name
    assert found.ceilings[int(found.binding[at])].parts == column.binding.parts
    assert found.lowest[at] == pytest.approx(float(column.lowest.nominal), rel=2e-6)
    # the histogram of a check resolves 0.1 % of the nominal value; two samples may lie in a bin
    band = column.lowest.low, column.lowest.high
    assert (found.low[at], found.high[at]) == pytest.approx(band, rel=0.01)
    for claim, outcome in zip(found.claims, column.outcomes, strict=True):
        assert claim.needed[at] == pytest.approx(float(outcome.needed))
        # a sample may lie on the claim to the solver's tolerance
        assert claim.met[at] == pytest.approx(outcome.both.value, abs=1 / FEW)


# --- the same as a check of the file ----------------------------------------------------------------


FILES = [
    ("bedside_charger", "R7=1ohm..4ohm", ('state = "not fitted"', 'value = "{} ohm"\norigin = "marked"')),
    ("wall_charger", "C1=4u7..33u", ('value = "10 uF"', 'value = "{} F"')),
    ("wall_charger", "T1.primary_turns=90..150", ("primary_turns = 120", "primary_turns = {}")),
    ("wall_charger", "C5.esr=10mohm..90mohm", ('esr = { value = "30 mohm"', 'esr = { value = "{} ohm"')),
    ("travel_cube", "R3=2ohm..11ohm", ('marking = "5R6"', 'value = "{} ohm"\norigin = "marked"')),
    (
        "hall_charger",
        "U1.conduction_share=30..60 %",
        ('conduction_share = "0.50"', 'conduction_share = "{}"'),
    ),
    ("strip_adapter", "R10=35kohm..45kohm", ('value = "38k3"', 'value = "{} ohm"')),
]


@pytest.mark.parametrize(("name", "text", "edit"), FILES, ids=[f"{name} {text}" for name, text, _ in FILES])
def test_every_point_is_a_check_of_the_edited_file(name: str, text: str, edit: tuple[str, str]) -> None:
    found = swept(name, text, steps=3, mains=110.0, frequency=50.0)
    for k, number in enumerate(found.axes[0].values):
        # C1 of the wall charger: only the first of the two
        old, new = edit
        same(found, (k,), column_of(edited(name, old, new.replace("{}", f"{number:.12g}")), found, 110.0))


def edited(name: str, old: str, new: str) -> Board:
    from worked import text as file_text

    from flyback.board.file import loads

    written = file_text(name)
    assert old in written
    return loads(written.replace(old, new, 1))


def test_every_point_of_a_map_is_a_check() -> None:
    found = swept("bedside_charger", "R6=0.6ohm..2.2ohm", "mains=90V..264V", steps=3, frequency=50.0)
    for i, ohms in enumerate(found.axes[0].values):
        old, new = ('[parts.R6]\nrole = "sense resistor"\nmarking = "2R2"', f'value = "{ohms} ohm"')
        made = edited(
            "bedside_charger", old, f'[parts.R6]\nrole = "sense resistor"\norigin = "marked"\n{new}'
        )
        for j, volts in enumerate(found.axes[1].values):
            same(found, (i, j), column_of(made, found, float(volts)))


def test_what_the_handbook_lends_goes_along() -> None:
    # without a leakage of its own, a share of the primary inductance is lent
    made = board("wall_charger", NO_LEAKAGE)
    found = sweep(
        made, ["T1.primary_inductance=0.5mH..2mH"], steps=3, samples=FEW, mains=230.0, frequency=50.0
    )
    for k, henry in enumerate(found.axes[0].values):
        old = 'primary_inductance = { value = "1.00 mH ±10 %"'
        by_hand = board("wall_charger", NO_LEAKAGE, (old, old.replace("1.00 mH", f"{henry:.12g} H")))
        same(found, (k,), column_of(by_hand, found, 230.0))
    assert "T1.leakage_inductance" not in [value.key for value in found.assumed]
    assert any("T1.leakage_inductance is not given and goes along" in note for note in found.notes)


def test_a_bench_supply() -> None:
    found = swept("wall_charger", "R3=2ohm..4ohm", steps=3, dc=150.0)
    result = check(edited("wall_charger", 'marking = "2R4"', 'marking = "3R0"'), dc=150.0, samples=FEW)
    same(found, (1,), result.assessments[0].columns[0])


# --- between the steps ------------------------------------------------------------------------------


def ceilings_at(name: str, key: str, number: float, V_ac: float) -> dict[str, float]:
    """The nominal ladder of one board at one mains voltage, value by value and in plain floats."""
    circuit = trace(board(name))
    numbers = {k: value.nominal for k, value in circuit.values.items()}
    case = Case(circuit, 5.0, ())
    with np.errstate(all="ignore"):
        rows = case.ladder(circuit.supply(numbers | {key: number} if key else numbers), Line(V_ac, 50.0))
    return {rung: float(ceiling.power) for rung, ceiling in rows.items()}


def test_crossings_are_roots() -> None:
    found = swept("bedside_charger", "R6=0.5ohm..2ohm", steps=7)
    (crossing,) = found.crossings
    assert (crossing.before, crossing.after) == ("bulk valley", "current limit")

    def gap(ohms: float) -> float:
        powers = ceilings_at("bedside_charger", "R6.resistance", ohms, 90.0)
        return powers["bulk valley"] - powers["current limit"]

    root = brentq(gap, 0.8, 1.2, xtol=1e-12)
    # ceilings within 1e-6 are one (grid.TIE), and those of arrays are solved to 1e-7
    assert crossing.at == pytest.approx(root, rel=1e-5)
    assert crossing.power == pytest.approx(
        ceilings_at("bedside_charger", "R6.resistance", root, 90.0)["current limit"], rel=1e-5
    )


def test_crossings_along_the_mains() -> None:
    found = swept("travel_cube", "mains=80V..264V", steps=5)
    assert found.axes[0].name == "mains"
    (crossing,) = found.crossings

    def gap(volts: float) -> float:
        powers = ceilings_at("travel_cube", "", 0.0, volts)
        return powers[crossing.before] - powers[crossing.after]

    assert crossing.at == pytest.approx(brentq(gap, 80.0, 264.0, xtol=1e-9), rel=1e-5)


@pytest.mark.parametrize("steps", [4, 13, 61])
def test_ends_of_a_met_claim_are_roots_however_many_steps(steps: int) -> None:
    found = swept("bedside_charger", "R6=1ohm..4ohm", steps=steps)
    claim = next(claim for claim in found.claims if claim.text == "2 A from one port")
    (met,) = claim.ranges

    def margin(ohms: float) -> float:
        return min(ceilings_at("bedside_charger", "R6.resistance", ohms, 90.0).values()) - 10.1

    assert met.low == 1.0
    assert met.high == pytest.approx(brentq(margin, 2.0, 4.0, xtol=1e-12), rel=1e-5)


def test_the_whole_band_meets_less() -> None:
    found = swept("bedside_charger", "R6=1ohm..4ohm", steps=61)
    for claim in found.claims:
        for inner in claim.whole_band:
            assert any(outer.low <= inner.low and inner.high <= outer.high for outer in claim.ranges)
    claim = next(claim for claim in found.claims if claim.text == "2 A from one port")
    (met,) = claim.whole_band
    # where the low end of the band crosses, 97.5 % of the samples meet it
    share = float(np.interp(met.high, found.axes[0].values, claim.met))
    assert share == pytest.approx(0.975, abs=0.02)


def test_stepped_axes_name_their_steps() -> None:
    found = swept("wall_charger", "T1.primary_turns=80..160")
    names = [(one.before, one.after) for one in found.crossings]
    assert names == [("saturation", "current limit"), ("current limit", "capacitor ripple")]
    turns = found.axes[0].values.tolist()
    for crossing in found.crossings:
        k = turns.index(crossing.at)
        assert [found.name_of(int(found.binding[n])) for n in (k - 1, k)] == [
            crossing.before,
            crossing.after,
        ]
    for (first, _), (second, _) in pairwise(found.stretches):
        assert second.low == first.high + 1
    (claim,) = found.claims
    assert claim.ranges[0].low in turns
    assert claim.ranges[0].low == min(
        t for t, power in zip(turns, found.lowest, strict=True) if power >= 10.1
    )


def test_stretches_cover_the_axis() -> None:
    found = swept("bedside_charger", "R6=0.5ohm..2ohm", steps=7)
    ends = [(stretch.low, stretch.high) for stretch, _ in found.stretches]
    assert (ends[0][0], ends[-1][1]) == (0.5, 2.0)
    assert ends[0][1] == ends[1][0] == found.crossings[0].at


# --- what must hold ---------------------------------------------------------------------------------


def test_a_larger_sense_resistor_never_raises_the_current_limit() -> None:
    for fixed in ({}, {"dc": 300.0}):
        found = swept("wall_charger", "R3=1ohm..20ohm", steps=40, **fixed)
        limit = next(one for one in found.ceilings if one.name == "current limit").power
        assert (np.diff(limit) < 0).all()


def test_a_larger_bulk_never_lowers_a_ceiling() -> None:
    found = swept("bedside_charger", "C1=5u0..100u", steps=30)
    for ceiling in found.ceilings:
        finite = np.where(np.isinf(ceiling.power), 1e9, ceiling.power)
        # but for the ratings that are judged at the mean bulk voltage, which move by parts in a thousand
        slack = 1e-6 if ceiling.question.value == "reach" else 5e-3
        assert (finite[1:] >= finite[:-1] * (1 - slack)).all(), ceiling.name


def test_the_lowest_is_the_lowest_and_the_band_holds_it() -> None:
    found = swept("bedside_charger", "R6=0.6ohm..2.2ohm", "mains=90V..264V", steps=3, frequency=50.0)
    powers = np.array([ceiling.power for ceiling in found.ceilings])
    assert np.array_equal(found.lowest, powers.min(axis=0))
    assert (found.low < found.lowest).all()
    assert (found.high > found.low).all()


# --- what is chosen and said ------------------------------------------------------------------------


def test_the_line_is_where_the_board_can_give_least() -> None:
    found = swept("bedside_charger", "R6=0.5ohm..2ohm", steps=7)
    assert (found.line.full_name, found.line_asked) == ("90 V 50 Hz", False)
    asked = swept("bedside_charger", "R6=0.5ohm..2ohm", steps=3, mains=230.0)
    assert (asked.line.name, asked.line_asked) == ("230 V", True)
    assert swept("bedside_charger", "R6=0.5ohm..2ohm", steps=3, dc=150.0).line.name == "150 V dc"


def test_another_mains_that_leaves_less_is_said() -> None:
    # a threshold that is lowered per volt of bulk leaves less at a high mains
    text = "U1.line_compensation=0.00001..0.0015"
    found, high = swept("wall_charger", text, steps=12), swept("wall_charger", text, steps=12, mains=264.0)
    assert found.line.name == "90 V"
    (told,) = (note for note in found.notes if note.startswith("On 115 V, 230 V, 264 V less"))
    worst = int(np.argmin(high.lowest / found.lowest))
    assert f"on 264 V at worst {high.lowest[worst]:.2f} W instead of {found.lowest[worst]:.2f} W" in told
    assert told.endswith("--mains 264V sweeps there.")
    assert not any(note.startswith("On ") for note in high.notes)


def test_one_output_voltage_at_a_time() -> None:
    made = board("strip_adapter", MULTIPLE)
    usual = sweep(made, ["R5=0.5ohm..1ohm"], steps=2, samples=FEW)
    assert (usual.voltage, usual.other_voltages) == (12.0, (5.0,))
    five = sweep(made, ["R5=0.5ohm..1ohm"], steps=2, samples=FEW, voltage=5.0)
    assert (five.voltage, five.other_voltages) == (5.0, (12.0,))
    assert [claim.text for claim in five.claims] == ["2 A at 5 V from USB"]
    with pytest.raises(RequestError, match="no claim at 9 V"):
        sweep(made, ["R5=0.5ohm..1ohm"], voltage=9.0)


def test_points_without_a_result_are_said(monkeypatch: pytest.MonkeyPatch) -> None:
    from flyback.analysis import bulk

    monkeypatch.setattr(bulk, "MOST_STEPS", 1)
    found = sweep(board("wall_charger"), ["R3=1ohm..20ohm"], steps=3, samples=FEW)
    assert np.isnan(found.lowest).all()
    assert found.stretches[0][1] == ""
    assert found.claims[0].ranges == ()
    assert any(note.startswith("3 of 3 points have no result, such as R3 = 1.00 Ω") for note in found.notes)


def test_nothing_moves_is_said() -> None:
    found = swept("bedside_charger", "D5.current_rating=10A..20A", steps=3)
    assert "The lowest ceiling moves by no more than 0.5 % over the whole range." in found.notes


def test_what_stays_is_said() -> None:
    turns = swept("wall_charger", "T1.primary_turns=80..160").notes
    assert any("T1.primary_inductance stays at 1 mH at every step" in note for note in turns)
    both = swept(
        "wall_charger", "T1.primary_turns=80..160", "T1.primary_inductance=0.5mH..2mH", steps=2
    ).notes
    assert not any("stays at" in note for note in both)
    ohms = swept("bedside_charger", "R6=0.5ohm..2ohm", steps=7).notes
    assert "The new R6 is taken to have the old one's power_rating 0.5 W." in ohms
    fitted = swept("bedside_charger", "R7=1ohm..4ohm", steps=3)
    assert "R7.resistance has ± 5 % at every step: common practice, no source." in fitted.notes
    assert fitted.not_checked == ("sense resistor power: needs R7.power_rating",)


def test_a_value_that_was_unknown_can_be_swept() -> None:
    made = board(
        "wall_charger",
        ('core_area = { value = "20.1 mm²", origin = "datasheet" }', 'core_area = "unknown"'),
    )
    found = sweep(made, ["T1.core_area=10mm2..30mm2"], steps=3, samples=FEW)
    assert "saturation" in [ceiling.name for ceiling in found.ceilings]
    assert found.axes[0].now is None


def test_samples() -> None:
    assert sweep(board("wall_charger"), ["R3=1ohm..20ohm"], steps=2).samples == SAMPLES[1]
    assert swept("wall_charger", "R3=1ohm..20ohm", steps=12).samples == FEW


# --- refused ----------------------------------------------------------------------------------------


def problems(name: str, *texts: str, **options: float) -> list[str]:
    with pytest.raises(RequestError) as caught:
        sweep(board(name), texts, **options)  # type: ignore[arg-type]
    return [str(problem) for problem in caught.value.problems]


def test_everything_is_refused_at_once() -> None:
    told = problems("wall_charger", "R3=2ohm..1ohm", "mains=90V..264V", dc=5.0, samples=3, steps=500)
    places = [one.partition(":")[0] for one in told]
    assert places == ["R3=2ohm..1ohm", "mains=90V..264V", "steps", "dc", "samples"]


def test_what_sets_no_ceiling_is_refused() -> None:
    (told,) = problems("wall_charger", "C5.voltage_rating=10V..20V")
    assert told.startswith(
        "C5.voltage_rating: no ceiling depends on C5.voltage_rating (of the output capacitor)."
    )


def test_a_corner_that_is_no_circuit_is_refused() -> None:
    (told,) = problems("wall_charger", "T1.primary_inductance=20uH..1mH", "T1.leakage_inductance=5uH..50uH")
    assert told.startswith("T1.primary_inductance=20 µH T1.leakage_inductance=50 µH: a leakage of")


def test_no_ceiling_at_all_is_refused() -> None:
    made = board(
        "wall_charger",
        ('frequency = "65 kHz ±6 %"', 'frequency = "unknown"'),
        ('current_rating = { value = "5 A", origin = "datasheet" }', 'current_rating = "unknown"'),
    )
    with pytest.raises(RequestError, match="no ceiling can be computed; it needs"):
        sweep(made, ["R3=1ohm..2ohm"])


def test_not_a_flyback() -> None:
    made = board("bedside_charger", ('topology = "flyback"', 'topology = "half bridge"'))
    with pytest.raises(NotAFlybackError, match="a half bridge, not a flyback"):
        sweep(made, ["R6=1ohm..2ohm"])
