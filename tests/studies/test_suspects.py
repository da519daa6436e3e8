"""What is suspected on the worked examples, as they are and with slips in what is written of them."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import benches
import pytest
from boards import Changes, demo
from worked import NAMES

from flyback.analysis.trace import trace
from flyback.board.model import LoadReading, LoadTest
from flyback.errors import BoardFileError, NotAFlybackError
from flyback.studies.slips import Grade, Kind
from flyback.studies.suspects import Explanation, Finding, Suspicions, look_for


@cache
def looked(name: str) -> Suspicions:
    return look_for(demo(name))


def found(name: str, **changes: Changes) -> tuple[Finding, ...]:
    return look_for(demo(name, **changes)).findings


def first(name: str, **changes: Changes) -> Explanation:
    return found(name, **changes)[0].explanations[0]


# --- the boards as they are -----------------------------------------------------------------------


def test_the_hall_charger_has_two_resistors_exchanged() -> None:
    """0.14 mA and 5 mA as fitted, 3 mA and 0.2 mA exchanged."""
    (finding,) = looked("hall_charger").findings
    one = finding.explanations[0]
    assert (one.slip.kind, one.slip.parts) == (Kind.EXCHANGED, ("R12", "R13"))
    figures = {old.row.figure: (old.told, new.told) for old, new in one.moved}
    assert figures["indicator LED current"] == pytest.approx((0.141e-3, 3.1e-3), rel=2e-3)
    assert figures["bleeder current"] == pytest.approx((5e-3, 0.227e-3), rel=2e-3)
    assert finding.grade is Grade.SUSPECT
    # its load test does not depend on either of them
    assert one.of_test == 0


def test_the_cracked_charger_has_an_open_sense_resistor() -> None:
    (finding,) = looked("cracked_charger").findings
    one = finding.explanations[0]
    assert (one.slip.kind, one.slip.parts) == (Kind.OPEN, ("R3", "R4"))
    assert finding.grade is Grade.STRONG
    assert one.moved == ()
    assert one.of_test > 10
    traced, then = one.told or (None, None)
    assert traced is not None
    assert then is not None
    assert then.I_o == pytest.approx(traced.reading.current, rel=0.05)


@pytest.mark.parametrize("name", ["wall_charger", "strip_adapter", "travel_cube", "bedside_charger"])
def test_nothing_is_suspected_of_the_others(name: str) -> None:
    assert looked(name).findings == ()
    assert looked(name).odd == ()
    assert all(one.grade is Grade.WORTH for one in looked(name).missing)
    assert looked(name).exit_code == 0


@pytest.mark.parametrize("name", NAMES)
def test_the_exit_code_says_whether_anything_is_more_than_worth_a_look(name: str) -> None:
    assert looked(name).exit_code == (1 if name in ("hall_charger", "cracked_charger") else 0)


def test_the_cracked_charger_written_down_as_it_is_has_nothing() -> None:
    assert found("cracked_charger", R4={"state": "open"}) == ()


def test_the_hall_charger_with_them_exchanged_has_nothing() -> None:
    assert found("hall_charger", R12={"marking": "102"}, R13={"marking": "223"}) == ()


# --- slips in what is written down ----------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "changes", "kind", "parts", "reading"),
    [
        ("wall_charger", {"R11": {"value": "976 ohm"}}, Kind.MISREAD, ("R11",), "9761"),
        ("wall_charger", {"R10": {"value": "100k"}}, Kind.MISREAD, ("R10",), "103"),
        ("wall_charger", {"R12": {"marking": "105"}}, Kind.MISREAD, ("R12",), "102"),
        ("wall_charger", {"R12": {"marking": "1R0"}}, Kind.MISREAD, ("R12",), "1K0"),
        (
            "wall_charger",
            {"R3": {"marking": "24R"}, "R4": {"marking": "24R"}},
            Kind.MISREAD,
            ("R3", "R4"),
            "2R4",
        ),
        ("strip_adapter", {"R5": {"marking": "6R2"}}, Kind.MISREAD, ("R5",), "R62"),
        ("strip_adapter", {"C1": {"value": "470 uF"}}, Kind.MISREAD, ("C1",), "47 µF"),
        (
            "wall_charger",
            {"T1": {"primary_inductance": {"value": "10 mH", "origin": "datasheet"}}},
            Kind.POINT_OFF,
            ("T1",),
            "1 mH",
        ),
        ("wall_charger", {"T1": {"primary_turns": 12}}, Kind.POINT_OFF, ("T1",), "120 turns"),
        # the divider turned round: 2.495 V (1 + 9.76 / 38.3) where 12 V are printed
        (
            "strip_adapter",
            {"R10": {"value": "10k"}, "R11": {"value": "38k3"}},
            Kind.EXCHANGED,
            ("R10", "R11"),
            "",
        ),
    ],
)
def test_a_slip_is_found_first(
    name: str, changes: dict[str, Changes], kind: Kind, parts: tuple[str, ...], reading: str
) -> None:
    one = first(name, **changes)
    readings = [one.slip.reading, *(other.reading for other in one.others)]
    assert (one.slip.kind, one.slip.parts) == (kind, parts)
    assert reading in readings


def test_the_load_test_tells_of_a_resistor_that_was_forgotten() -> None:
    one = first("bedside_charger", R6=None)
    assert (one.slip.kind, one.slip.parts) == (Kind.FORGOTTEN, ("R5",))
    assert one.of_test > 5


def test_the_load_test_tells_of_one_noted_as_empty() -> None:
    one = first("bedside_charger", R6={"state": "not fitted"})
    assert (one.slip.kind, one.slip.parts) == (Kind.FITTED, ("R6",))


def test_a_load_test_that_agrees_speaks_for_the_board_as_traced() -> None:
    """Two resistors of 24 ohm look misread, until readings say that the board gives as little as that."""
    board = demo("wall_charger", R3={"marking": "24R"}, R4={"marking": "24R"})
    circuit = trace(board)
    V_o = [share * 5.05 for share in benches.SAGGED]
    amps = benches.simulated(circuit, benches.nominal_numbers(circuit), 5.05, V_o)
    tests = tuple(
        LoadTest(readings=(LoadReading("1", V, A),), wall_power=None, mains=230.0)
        for V, A in [(5.05, 0.01), *zip(V_o, amps, strict=True)]
    )
    assert look_for(board).findings[0].grade is Grade.STRONG
    assert look_for(replace(board, load_tests=tests)).findings == ()


def test_two_slips_are_two_findings() -> None:
    findings = found("wall_charger", R12={"marking": "105"}, R11={"value": "976 ohm"})
    assert [one.explanations[0].slip.parts for one in findings] == [("R11",), ("R12",)]
    assert findings[0].chance >= findings[1].chance


def test_rival_explanations_share_a_finding() -> None:
    """28 V may come from either resistor of the divider."""
    (finding,) = found("wall_charger", R11={"value": "976 ohm"})
    assert [one.slip.parts for one in finding.explanations] == [("R11",), ("R10",)]
    assert sum(one.share for one in finding.explanations) == pytest.approx(1, abs=0.05)
    odds = sum(one.odds for one in finding.explanations)
    assert finding.chance == pytest.approx(odds / (1 + odds), rel=0.05)


def test_what_no_slip_explains_is_told_as_odd() -> None:
    """A quarter of the turns: no code is misread, no decade is off."""
    suspicions = look_for(demo("wall_charger", T1={"primary_turns": 30}))
    assert {one.row.figure for one in suspicions.odd} >= {"reflected voltage"}
    assert suspicions.findings == () or all(
        "reflected voltage" not in {old.row.figure for old, _ in one.moved}
        for finding in suspicions.findings
        for one in finding.explanations
    )


def test_a_load_test_that_nothing_explains_is_said() -> None:
    board = demo("wall_charger")
    tests = tuple(
        LoadTest(readings=(LoadReading("1", V, A),), wall_power=None, mains=230.0)
        for V, A in ((5.04, 0.1), (5.04, 0.2), (4.7, 0.33), (4.3, 2.1), (4.0, 0.35))
    )
    suspicions = look_for(replace(board, load_tests=tests))
    assert suspicions.findings == ()
    assert "no single slip explains it" in suspicions.notices[0]


def test_an_agreeing_load_test_has_no_notice() -> None:
    assert looked("bedside_charger").notices == ()
    assert looked("bedside_charger").tested == 5


# --- refusals -------------------------------------------------------------------------------------


def test_another_converter_is_refused() -> None:
    board = replace(demo("wall_charger"), topology="capacitive dropper")
    with pytest.raises(NotAFlybackError, match="not a flyback"):
        look_for(board)


def test_a_board_that_is_no_circuit_is_refused() -> None:
    board = demo("wall_charger")
    parts = {name: part for name, part in board.parts.items() if name != "T1"}
    with pytest.raises(BoardFileError, match="primary turns"):
        look_for(replace(board, parts=parts))


def test_the_same_board_gives_the_same_suspicions() -> None:
    once, again = (look_for(demo("cracked_charger")) for _ in range(2))
    assert [one.chance for one in once.findings] == [one.chance for one in again.findings]
