"""Label arithmetic: figures of one label against each other, before any part is looked at."""

from __future__ import annotations

import pytest

from flyback.board.model import Label, OutputClaim
from flyback.errors import RequestError
from flyback.verdict.label import amount, claimed_power, judge_label, power_claims, sockets
from flyback.verdict.words import Judgement, Word

FOUR = (OutputClaim(5.0, 2.0, ports=4),)
ONE = (OutputClaim(5.0, 3.0),)
CHOICE = (  # one socket with three voltages: 15 W, 18 W, 18 W
    OutputClaim(5.0, 3.0, port="C"),
    OutputClaim(9.0, 2.0, port="C"),
    OutputClaim(12.0, 1.5, port="C"),
)
CHOICE_AND_PORT = (*CHOICE, OutputClaim(5.0, 2.4, port="A"))  # 18 W + 12 W


def label(
    outputs: tuple[OutputClaim, ...] = (),
    *,
    mains: tuple[float, float] | None = (100.0, 240.0),
    power: float | None = None,
    total_current: float | None = None,
    input_current: float | None = None,
    efficiency_mark: str = "",
) -> Label:
    return Label(
        mains=mains,
        frequencies=(50.0, 60.0),
        outputs=outputs,
        power=power,
        total_current=total_current,
        input_current=input_current,
        efficiency_mark=efficiency_mark,
    )


def only(found: list[Judgement]) -> Judgement:
    (judgement,) = found
    return judgement


# --- watts ----------------------------------------------------------------------------------------


def test_five_volts_at_three_amps_are_fifteen_watts() -> None:
    judgement = only(judge_label(label(ONE, power=18.0)))
    assert judgement.word is Word.CONTRADICTS
    assert judgement.text == "5 V x 3 A"
    assert "18 W" in judgement.reason
    assert "it is 15 W" in judgement.reason  # 5 x 3
    assert judgement.figure == 15.0


def test_four_ports_of_two_amps_are_forty_watts() -> None:
    judgement = only(judge_label(label(FOUR, power=24.0)))
    assert judgement.word is Word.CONTRADICTS
    assert judgement.text == "4 x 2 A"
    assert "24 W" in judgement.reason
    assert "it would be 40 W" in judgement.reason  # 4 x 5 x 2
    assert judgement.figure == 40.0


def test_ports_that_amount_to_less_than_the_printed_power() -> None:
    # 2 x 5 x 1 = 10 W can never be the 24 W that are printed
    judgement = only(judge_label(label((OutputClaim(5.0, 1.0, ports=2),), power=24.0)))
    assert judgement.word is Word.CONTRADICTS
    assert "24 W" in judgement.reason
    assert "10 W" in judgement.reason


@pytest.mark.parametrize(
    ("outputs", "watts"),
    [
        (ONE, 15.0),
        (FOUR, 40.0),
        (CHOICE, 18.0),  # the most demanding voltage of the socket, not the sum of the three
        (CHOICE_AND_PORT, 30.0),
        ((OutputClaim(5.0, 1.0), OutputClaim(12.0, 1.0)), 17.0),
        ((OutputClaim(5.0, 2.0, ports=2), OutputClaim(12.0, 1.0)), 32.0),
    ],
)
def test_what_the_sockets_amount_to(outputs: tuple[OutputClaim, ...], watts: float) -> None:
    assert claimed_power(label(outputs)) == watts
    agreeing = only(judge_label(label(outputs, power=watts)))
    assert agreeing.word is Word.CONSISTENT
    assert amount(watts, "W") in agreeing.reason
    assert only(judge_label(label(outputs, power=1.5 * watts))).word is Word.CONTRADICTS
    assert only(judge_label(label(outputs, power=watts / 1.5))).word is Word.CONTRADICTS


@pytest.mark.parametrize(
    ("power", "word"),
    [
        (15.3, Word.CONSISTENT),  # 15 W are 2.0 % off 15.3 W
        (14.71, Word.CONSISTENT),
        (15.35, Word.CONTRADICTS),  # 2.3 %
        (14.65, Word.CONTRADICTS),  # 2.4 %
    ],
)
@pytest.mark.parametrize("outputs", [ONE, (OutputClaim(5.0, 1.5, ports=2),)], ids=["one", "two ports"])
def test_two_percent_are_rounding(outputs: tuple[OutputClaim, ...], power: float, word: Word) -> None:
    assert only(judge_label(label(outputs, power=power))).word is word


def test_a_printed_power_outranks_the_sum_of_the_ports() -> None:
    assert claimed_power(label(FOUR, power=24.0)) == 24.0


# --- amps -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("total", "word"),
    [
        (4.8, Word.CONTRADICTS),  # 4 x 2 A = 8 A
        (7.8, Word.CONTRADICTS),  # 2.6 % above
        (7.9, Word.CONSISTENT),  # 1.3 % above
        (8.0, Word.CONSISTENT),
        (10.0, Word.CONSISTENT),
    ],
)
def test_ports_against_a_total_current(total: float, word: Word) -> None:
    judgement = only(judge_label(label(FOUR, total_current=total)))
    assert judgement.word is word
    assert judgement.figure == 8.0
    assert "8 A" in judgement.reason
    assert amount(total, "A") in judgement.reason


def test_a_total_current_of_one_socket_says_nothing() -> None:
    assert judge_label(label(ONE, total_current=1.0)) == []


def test_a_total_current_counts_each_socket_once() -> None:
    # the socket with three voltages gives at most 3 A, the other one 2.4 A
    assert only(judge_label(label(CHOICE_AND_PORT, total_current=5.4))).figure == pytest.approx(5.4)


# --- input ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("amps", "word"),
    [
        (0.10, Word.CONTRADICTS),  # 100 V x 0.10 A = 10 VA cannot feed 15 W, whatever is lost
        (0.149, Word.CONTRADICTS),
        (0.15, Word.CONSISTENT),
        (0.60, Word.CONSISTENT),
    ],
)
def test_input_rating_at_the_low_end_of_the_mains(amps: float, word: Word) -> None:
    judgement = only(judge_label(label(ONE, input_current=amps)))
    assert judgement.word is word
    assert judgement.text == f"input {amps:.4g} A"
    assert f"{100 * amps:.4g} VA at 100 V for 15 W out" in judgement.reason
    assert judgement.figure == pytest.approx(100 * amps)


def test_input_rating_is_held_against_the_printed_power() -> None:
    # 0.3 A x 100 V = 30 VA feed 24 W; the 40 W of the ports together are another line's matter
    found = judge_label(label(FOUR, power=24.0, input_current=0.3))
    assert [judgement.word for judgement in found] == [Word.CONTRADICTS, Word.CONSISTENT]


# --- nothing to compare ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    "silent",
    [
        label(ONE),
        label(FOUR),
        label(CHOICE),
        label(power=24.0),
        label(power=24.0, total_current=4.8),
        label(ONE, input_current=0.1, mains=None),
        label(ONE, efficiency_mark=""),
        label(),
    ],
    ids=["one port", "ports", "voltages", "power", "power and current", "no mains", "no mark", "empty"],
)
def test_nothing_to_compare_nothing_said(silent: Label) -> None:
    assert judge_label(silent) == []


# Least average efficiency of external supplies from 1 to 49 W as a share, P in watts, from memory:
# III 0.09 ln P + 0.49; V, low voltage, 0.075 ln P + 0.561; VI, low voltage, 0.0834 ln P - 0.0014 P + 0.609,
# basic 0.071 ln P - 0.0014 P + 0.67. With ln 10 = 2.3026 and ln 12 = 2.4849:
@pytest.mark.parametrize(
    ("mark", "output", "asks"),
    [
        ("III", OutputClaim(5.0, 2.0), "69.7 % on average at 10 W"),
        ("V", OutputClaim(5.0, 2.0), "73.4 % on average at 10 W"),
        ("VI", OutputClaim(5.0, 2.0), "78.7 % on average at 10 W"),
        ("VI", OutputClaim(12.0, 1.0), "83.0 % on average at 12 W"),
    ],
)
def test_a_mark_says_what_it_asks_for_and_is_not_judged(mark: str, output: OutputClaim, asks: str) -> None:
    judgement = only(judge_label(label((output,), efficiency_mark=mark)))
    assert judgement.word is Word.CANNOT_TELL
    assert judgement.text == f"efficiency mark {mark}"
    assert asks in judgement.reason
    assert "not judged" in judgement.reason


# --- claims for the board to decide ---------------------------------------------------------------


@pytest.mark.parametrize(
    ("printed", "names"),
    [
        (label(ONE), ["3 A"]),
        (label(FOUR), ["2 A from one port", "4 x 2 A"]),
        (label(FOUR, power=24.0), ["24 W in total", "2 A from one port"]),
        (label(FOUR, total_current=4.8), ["4.8 A in total", "2 A from one port"]),
        (label(CHOICE), ["3 A at 5 V from C", "2 A at 9 V from C", "1.5 A at 12 V from C"]),
        (label(power=24.0), ["24 W in total"]),
        (
            label((OutputClaim(5.0, 1.0), OutputClaim(12.0, 1.0))),
            ["1 A at 5 V from one port", "1 A at 12 V from one port", "all ports at once"],
        ),
    ],
)
def test_claims(printed: Label, names: list[str]) -> None:
    assert [claim.name for claim in power_claims(printed, rail=None if printed.outputs else 12.1)] == names


def test_watts_alone_are_judged_at_the_rail_or_not_at_all() -> None:
    (claim,) = power_claims(label(power=24.0), rail=12.1)
    assert claim.voltage == 12.1
    with pytest.raises(RequestError, match="watts without a voltage"):
        power_claims(label(power=24.0), rail=None)


def test_a_claim_asks_for_amps_or_watts_at_its_own_voltage() -> None:
    total, *ports = power_claims(label(CHOICE, power=18.0), None)
    assert (total.power, total.current) == (18.0, None)
    assert [(claim.voltage, claim.current, claim.power) for claim in ports] == [
        (5.0, 3.0, None),
        (9.0, 2.0, None),
        (12.0, 1.5, None),
    ]


def test_rows_that_share_a_port_are_one_socket() -> None:
    assert [len(group) for group in sockets(label(CHOICE_AND_PORT))] == [3, 1]


def test_rows_without_a_port_are_sockets_of_their_own() -> None:
    alike = OutputClaim(5.0, 1.0)
    assert sockets(label((alike, alike))) == [[alike], [alike]]
