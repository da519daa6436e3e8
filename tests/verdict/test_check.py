"""The whole check: demo boards, where claims are judged, options, what is unknown, what is refused."""

from __future__ import annotations

import contextlib
import math
from collections.abc import Callable
from typing import Any

import pytest
from worked import (
    FOUR_PORTS,
    NAMES,
    SAMPLES,
    UNKNOWN_BULK,
    UNKNOWN_CORE,
    UNKNOWN_FREQUENCY,
    UNKNOWN_RECTIFIER,
    UNKNOWN_RIPPLE,
    UNKNOWN_SENSE,
    board,
    checked,
)

from flyback.analysis.assessment import Column
from flyback.analysis.ceilings import Question
from flyback.errors import FlybackError, RequestError
from flyback.verdict.check import Check, check
from flyback.verdict.words import FAILING, Word

TRIED = 'tried_on = "230 V 50 Hz"'
MAINS = 'mains = "100..240 V"'
BOTH = 'frequency = "50/60 Hz"'
AT_LEAST_LIKELY = {Word.LIKELY, Word.VERY_LIKELY}


def at(name: str, *changes: tuple[str, str], **options: Any) -> Check:
    return check(board(name, *changes), samples=SAMPLES, **options)


def volts(result: Check) -> list[float]:
    return [float(column.line.V_ac) for column in result.assessments[0].columns]


def column_at(result: Check, V_ac: float) -> Column:
    return next(column for column in result.assessments[0].columns if column.line.V_ac == V_ac)


def refusal(**options: Any) -> str:
    with pytest.raises(RequestError) as caught:
        at("wall_charger", **options)
    return str(caught.value)


# --- the demo boards ------------------------------------------------------------------------------


# Worked out beforehand with pencil and paper, so "about": watts at the sockets.
@pytest.mark.parametrize(
    ("name", "V_ac", "watts"),
    [
        ("wall_charger", 90.0, 12.8),
        ("wall_charger", 230.0, 14.8),
        ("bedside_charger", 90.0, 11.4),
        ("bedside_charger", 230.0, 13.5),
        ("strip_adapter", 90.0, 31.5),
        ("strip_adapter", 230.0, 44.0),
        ("travel_cube", 230.0, 0.58 * 5.0),
    ],
)
def test_about_the_power_that_was_expected(name: str, V_ac: float, watts: float) -> None:
    limits = column_at(checked(name), V_ac).steps
    power = next(step.ceiling.power for step in limits if step.rung.name == "current limit")
    assert float(power) == pytest.approx(watts, rel=0.06)


@pytest.mark.parametrize("name", ["wall_charger", "strip_adapter", "hall_charger"])
def test_labels_that_hold(name: str) -> None:
    result = checked(name)
    assert {judgement.word for judgement in result.claims} <= AT_LEAST_LIKELY
    assert result.exit_code == 0


def test_bedside_charger_cannot_do_its_label() -> None:
    result = checked("bedside_charger")
    total, port = result.claims
    assert (total.text, total.word, total.culprit) == ("24 W in total", Word.IMPOSSIBLE, "R5 || R6")
    assert (port.text, port.word in AT_LEAST_LIKELY) == ("2 A from one port", True)
    ports = result.label[0]
    assert (ports.text, ports.word) == ("4 x 2 A", Word.CONTRADICTS)
    assert result.exit_code == 1


def test_travel_cube_is_stopped_by_two_parts() -> None:
    result = checked("travel_cube")
    (claim,) = result.claims
    assert (claim.text, claim.word, claim.culprit) == ("1 A", Word.IMPOSSIBLE, "C1")
    assert result.exit_code == 1


@pytest.mark.parametrize(
    ("V_ac", "culprit"), [(90.0, "C1"), (100.0, "C1"), (115.0, "C1"), (230.0, "R3"), (264.0, "R3")]
)
def test_what_stops_the_travel_cube_where(V_ac: float, culprit: str) -> None:
    (claim,) = at("travel_cube", mains=V_ac).claims
    assert (claim.word, claim.culprit) == (Word.IMPOSSIBLE, culprit)


def test_hall_charger_holds_its_current_at_every_mains() -> None:
    # ideal: 15.5/2 x (0.50 V / 1.8 ohm) x 0.50 = 1.076 A; transformer loss takes a few percent, and the
    # sagging bulk a little more at 90 V
    columns = checked("hall_charger").assessments[0].columns
    amps = [float(column.lowest.nominal) / float(column.V_socket) for column in columns]
    assert all(1.0 < each < 1.1 for each in amps)
    assert amps[0] == min(amps)


@pytest.mark.parametrize("name", NAMES)
def test_every_claim_knows_its_ladder(name: str) -> None:
    result = checked(name)
    columns = [column for assessment in result.assessments for column in assessment.columns]
    for judgement in result.claims:
        assert judgement.column in columns
        assert judgement.outcome in judgement.column.outcomes
        assert judgement.culprit
    assert result.judgements == (*result.claims, *result.label)
    assert (result.judged, result.samples, result.not_checked) == (True, SAMPLES, ())
    assert result.exit_code == any(judgement.word in FAILING for judgement in result.judgements)


# --- where the claims are judged ------------------------------------------------------------------


@pytest.mark.parametrize(
    ("printed", "tried", "expected"),
    [
        ("100..240 V", "230 V", [90.0, 115.0, 230.0, 264.0]),
        ("230 V", "230 V", [207.0, 230.0, 253.0]),
        ("220..240 V", "230 V", [198.0, 230.0, 264.0]),
        ("110..120 V", "115 V", [99.0, 115.0, 132.0]),
        ("120..130 V", "127 V", [108.0, 115.0, 127.0, 143.0]),
        ("100..240 V", "127 V", [90.0, 115.0, 127.0, 230.0, 264.0]),
        ("100..240 V", "300 V", [90.0, 115.0, 230.0, 264.0]),
    ],
)
def test_the_label_range_and_a_tenth_either_way(printed: str, tried: str, expected: list[float]) -> None:
    result = at("wall_charger", (MAINS, f'mains = "{printed}"'), (TRIED, f'tried_on = "{tried} 50 Hz"'))
    assert volts(result) == pytest.approx(expected)
    assert result.whole_range


def test_no_range_printed() -> None:
    assert volts(at("wall_charger", (f"{MAINS}\n", ""))) == [230.0]
    with pytest.raises(RequestError, match=r"label\.mains.*--mains 230V"):
        at("wall_charger", (f"{MAINS}\n", ""), (f"{TRIED}\n", ""))
    assert volts(at("wall_charger", (f"{MAINS}\n", ""), (f"{TRIED}\n", ""), mains=110.0)) == [110.0]


@pytest.mark.parametrize(
    ("mains", "expected"),
    [(230.0, [230.0]), (230, [230.0]), ([230.0, 100.0], [230.0, 100.0]), ((110.0,), [110.0])],
)
def test_mains_asked_for(mains: Any, expected: list[float]) -> None:
    result = at("wall_charger", mains=mains)
    assert volts(result) == expected
    assert len(result.points) == len(expected)
    assert not result.whole_range


def test_a_bench_supply() -> None:
    result = at("bedside_charger", dc=150.0)
    (column,) = result.assessments[0].columns
    assert (column.line.V_ac, column.line.f_line, column.line.V_fixed) == (None, None, 150.0)
    assert "bulk valley" not in [step.rung.name for step in column.steps]
    assert float(column.binding.ceiling.loaded.V_valley) == 150.0


@pytest.mark.parametrize(
    ("label", "asked", "expected"),
    [
        ('frequency = "50/60 Hz"', None, 50.0),  # a longer wait for the next half-wave: the worse one
        ('frequency = "50/60 Hz"', 60.0, 60.0),
        ('frequency = "60 Hz"', None, 60.0),
        ("", None, 50.0),
    ],
)
def test_the_worse_frequency(label: str, asked: float | None, expected: float) -> None:
    result = at("bedside_charger", (BOTH, label), frequency=asked)
    assert [column.line.f_line for column in result.assessments[0].columns] == [expected] * 4


def test_the_worse_frequency_is_worse() -> None:
    slow, fast = (at("bedside_charger", mains=90.0, frequency=hertz) for hertz in (50.0, 60.0))
    both = at("bedside_charger", mains=90.0)
    powers = [float(result.assessments[0].worst.lowest.nominal) for result in (slow, fast, both)]
    assert powers[0] < powers[1]
    assert powers[2] == powers[0]


# --- the load of the operating points -------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "amps"),
    [
        ("wall_charger", 2.0),
        ("bedside_charger", 2.0),  # 24 W would be 4.75 A, which it cannot do
        ("hall_charger", 1.0),
    ],
)
def test_default_load_is_the_largest_claim_it_can_feed(name: str, amps: float) -> None:
    result = checked(name)
    assert result.load == pytest.approx(amps)
    assert None not in result.points


def test_default_load_of_a_board_that_reaches_no_claim_is_what_it_reaches() -> None:
    result = checked("travel_cube")
    worst = result.assessments[0].worst
    assert result.load == pytest.approx(float(worst.lowest.nominal) / 5.0)


def test_load_asked_for() -> None:
    result = at("bedside_charger", load=0.5)
    assert result.load == 0.5
    # 0.5 A on a rail of 5.05 V
    assert [float(point.delivery.P_socket) for point in result.points] == pytest.approx([2.525] * 4)


def test_a_load_the_bulk_cannot_feed() -> None:
    result = at("travel_cube", load=0.9)
    assert [point is None for point in result.points] == [True, True, False, False]
    assert result.claims == checked("travel_cube").claims


# --- what is unknown ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("change", "words", "not_checked"),
    [
        (UNKNOWN_CORE, Word.CANNOT_TELL, ["saturation: needs T1.core_area"]),
        (UNKNOWN_RIPPLE, Word.VERY_LIKELY, ["capacitor ripple: needs C5.ripple_rating"]),
        (UNKNOWN_RECTIFIER, Word.VERY_LIKELY, ["rectifier current: needs D5.current_rating"]),
        (
            UNKNOWN_SENSE,
            Word.CANNOT_TELL,
            [
                "bulk valley: needs R3.resistance",
                "current limit: needs R3.resistance",
                "capacitor ripple: needs R3.resistance",
                "sense resistor power: needs R3.resistance",
            ],
        ),
    ],
)
def test_unknown_values_are_named(change: tuple[str, str], words: Word, not_checked: list[str]) -> None:
    result = at("wall_charger", change)
    assert [judgement.word for judgement in result.claims] == [words]
    assert set(result.not_checked) <= set(not_checked)
    assert set(result.not_checked) >= set(not_checked[:3])


def test_unknown_bulk() -> None:
    result = at("wall_charger", UNKNOWN_BULK)
    assert result.claims[0].word is Word.CANNOT_TELL
    assert "C1.capacitance" in result.claims[0].reason
    assert "operating point: needs C1.capacitance" in result.not_checked
    assert result.points == ()


def test_hardly_anything_known() -> None:
    result = at("wall_charger", UNKNOWN_FREQUENCY, UNKNOWN_RECTIFIER)
    (claim,) = result.claims
    assert (claim.word, claim.column) == (Word.CANNOT_TELL, None)
    assert "U1.frequency" in claim.reason
    assert result.points == ()
    assert result.exit_code == 0


def test_small_currents_that_cannot_be_told() -> None:
    result = at("wall_charger", ('colour = "red"\n', ""))
    assert "LED current: needs D6.colour" in result.not_checked
    assert result.indicators == ()


def test_a_led_current() -> None:
    # (5.05 V - 2.0 V) / 1 kohm = 3.05 mA with the handbook's red LED, which is listed
    result = checked("wall_charger")
    assert [float(entry.current) for entry in result.indicators] == pytest.approx([3.05e-3], rel=0.01)
    assert "D6.forward_voltage" in [value.key for value in result.assumed]


def test_a_guess_that_decides() -> None:
    guess = 'limit_voltage = { value = "0.80 V ±30 %", origin = "guess" }'
    result = at("wall_charger", ('limit_voltage = "0.80 V ±6 %"', guess))
    assert result.claims[0].word is Word.CANNOT_TELL
    assert "guess" in result.claims[0].reason
    assert result.exit_code == 0


def test_several_voltages_on_one_port_are_each_judged_at_their_own() -> None:
    rows = (
        'output = [{ port = "C", voltage = "5 V", current = "2 A" }, '
        '{ port = "C", voltage = "4 V", current = "2 A" }]'
    )
    result = at("bedside_charger", (FOUR_PORTS, rows), mains=230.0)
    assert [assessment.voltage for assessment in result.assessments] == [5.0, 4.0]
    five, four = (assessment.worst for assessment in result.assessments)
    assert float(five.V_o) == 5.05  # the measured rail is the printed 5 V
    assert float(four.V_o) == 4.0
    assert [judgement.column for judgement in result.claims] == [five, five, four]


def test_a_label_of_watts_alone_is_judged_at_the_rail() -> None:
    row = 'output = [{ ports = 1, voltage = "12 V", current = "2 A" }]\n'
    with_row, without = (at("strip_adapter", *changes) for changes in ([], [(row, "")]))
    assert without.claims[0].word is with_row.claims[0].word
    assert float(without.assessments[0].worst.V_o) == float(with_row.assessments[0].worst.V_o)


def test_only_a_limit_that_is_not_there() -> None:
    result = at("wall_charger", UNKNOWN_SENSE, UNKNOWN_CORE, UNKNOWN_RECTIFIER)
    assert result.claims[0].word is Word.CANNOT_TELL


def test_a_board_that_reaches_nothing() -> None:
    # 12 V would reflect (12 + 0.5) x 14 = 175 V, above the 150 V of the clamp: nothing gets through
    result = at("bedside_charger", (FOUR_PORTS, FOUR_PORTS.replace("5 V", "12 V")))
    assert {claim.word for claim in result.claims} == {Word.IMPOSSIBLE}


def test_more_sense_resistors_never_leave_less_power() -> None:
    # 2R2 resistors in parallel: each further one raises the current limit, and at 90 V the bulk decides
    empty = 'role = "sense resistor"\nstate = "not fitted"\nnote = "empty footprint beside R6"\n'
    one = 'role = "sense resistor"\nmarking = "2R2"\ntolerance = "1 %"\n'
    powers = []
    for count in (1, 3, 6):
        more = "".join(f"[parts.R{70 + index}]\n{one}" for index in range(count))
        result = at("bedside_charger", (f"[parts.R7]\n{empty}", more), mains=90.0)
        steps = result.assessments[0].worst.steps
        powers.append(min(float(s.ceiling.power) for s in steps if s.rung.question is Question.REACH))
    assert powers == sorted(powers)


def test_a_current_limit_that_limits_nothing_is_not_held_against_the_board() -> None:
    """1 mΩ would end the pulses at 1600 A; the controller regulates long before, and other parts decide."""
    result = at("wall_charger", ('marking = "2R4"', 'marking = "R001"'))
    (claim,) = result.claims
    assert claim.word in (Word.LIKELY, Word.VERY_LIKELY)
    assert "R3 || R4" not in claim.culprit


@pytest.mark.parametrize("name", ["hall_charger", "bedside_charger"])
def test_a_bench_supply_holds_the_bulk(name: str) -> None:
    (why, *_) = at(name, dc=150.0).why
    assert "the bulk is held" in why
    assert "falls" not in why


def test_a_rail_far_from_the_label_is_told() -> None:
    # 2.495 V x (1 + 10 Mohm / 9.76 kohm) = 2.56 kV
    result = at("wall_charger", ('value = "10k"', 'value = "10M"'))
    assert any("2.56 kV" in notice and "5 V" in notice for notice in result.notices)


# --- not a flyback --------------------------------------------------------------------------------


@pytest.mark.parametrize("topology", ["capacitive dropper", "half bridge", "other"])
@pytest.mark.parametrize(("name", "code"), [("bedside_charger", 1), ("wall_charger", 0)])
def test_not_a_flyback_is_not_judged(name: str, code: int, topology: str) -> None:
    flyback = at(name)
    result = at(name, ('topology = "flyback"', f'topology = "{topology}"'))
    assert not result.judged
    assert (result.claims, result.assessments, result.points, result.why) == ((), (), (), ())
    assert result.label == flyback.label
    assert result.exit_code == code
    assert "not judged" in result.notices[0].lower()
    assert (topology in result.notices[0]) is (topology != "other")
    assert result.not_checked == ("power: the board is not a flyback",)


# --- what is refused ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("options", "field", "given", "expected"),
    [
        ({"mains": 39.9}, "mains", "39.9 V", "40 to 500 V"),
        ({"mains": 501.0}, "mains", "501 V", "40 to 500 V"),
        ({"mains": [230.0, -1.0]}, "mains", "-1 V", "40 to 500 V"),
        ({"mains": math.nan}, "mains", "nan V", "40 to 500 V"),
        ({"frequency": 0.0}, "frequency", "0 Hz", "40 to 500 Hz"),
        ({"dc": 0.5}, "dc", "0.5 V", "20 to 800 V"),
        ({"dc": math.inf}, "dc", "inf V", "20 to 800 V"),
        ({"load": 0.0}, "load", "0 A", "0.000001 to 100 A"),
        ({"load": -1.0}, "load", "-1 A", "0.000001 to 100 A"),
    ],
)
def test_options_that_make_no_sense(options: dict[str, Any], field: str, given: str, expected: str) -> None:
    said = refusal(**options)
    assert said.startswith(f"{field}: {given}")
    assert expected in said


@pytest.mark.parametrize("options", [{"mains": 230.0}, {"frequency": 50.0}])
def test_mains_and_a_bench_supply_exclude_each_other(options: dict[str, float]) -> None:
    said = refusal(dc=150.0, **options)
    assert "exclude each other" in said
    assert "give one" in said


def test_too_few_samples() -> None:
    with pytest.raises(RequestError, match=r"samples: 99 .* 100"):
        check(board("wall_charger"), samples=99)
    assert check(board("wall_charger"), samples=100).samples == 100


def test_all_problems_at_once() -> None:
    with pytest.raises(RequestError) as caught:
        check(board("wall_charger"), mains=[2.0, 2000.0], dc=5000.0, load=2000.0, frequency=1.0, samples=5)
    fields = [problem.field for problem in caught.value.problems]
    assert fields == ["mains", "mains", "frequency", "dc", "load", "samples", "dc"]


EXTREMES = [
    *[("mains", 40.0), ("mains", 500.0), ("load", 1e-6), ("load", 100.0)],
    *[("dc", 20.0), ("dc", 800.0), ("frequency", 40.0), ("frequency", 500.0)],
]


@pytest.mark.parametrize(("option", "value"), EXTREMES)
@pytest.mark.parametrize("name", NAMES)
def test_the_ends_of_what_is_accepted_give_a_result_or_words(name: str, option: str, value: float) -> None:
    with contextlib.suppress(FlybackError):
        result = check(board(name), samples=100, **{option: value})
        assert all(0 <= float(claim.column.lowest.nominal) < math.inf for claim in result.claims)


def test_no_mains_at_all() -> None:
    assert refusal(mains=[]).startswith("mains: ")


def test_a_refused_call_reads_nothing_of_the_board() -> None:
    with pytest.raises(RequestError):
        check(None, load=-1.0)  # type: ignore[arg-type]


# --- results are data -----------------------------------------------------------------------------


@pytest.mark.parametrize("seed", [1, 2])
def test_a_seed_gives_one_result(seed: int) -> None:
    first, second = (at("bedside_charger", mains=90.0, seed=seed) for _ in range(2))
    assert first == second
    assert first.seed == seed


def test_another_seed_gives_another_sample() -> None:
    shares = [at("bedside_charger", mains=90.0, seed=seed).claims[1].outcome.both for seed in (1, 2)]
    assert shares[0] != shares[1]


@pytest.mark.parametrize(
    "changed",
    [
        lambda result: setattr(result, "load", 1.0),
        lambda result: setattr(result.claims[0], "word", Word.LIKELY),
        lambda result: setattr(result.assessments[0], "voltage", 1.0),
        lambda result: setattr(result.assessments[0].columns[0], "V_o", 1.0),
    ],
)
def test_a_result_is_frozen(changed: Callable[[Check], None]) -> None:
    with pytest.raises(AttributeError):
        changed(checked("wall_charger"))
