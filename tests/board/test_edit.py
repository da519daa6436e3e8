"""Reading changes as they are written, and refusing those that cannot be, all at once and in words."""

from __future__ import annotations

import pytest
from worked import board, text

from flyback.board.edit import Exchange, SetState, SetValue, SetWord, altered, read_changes
from flyback.board.file import loads
from flyback.board.model import Board, State
from flyback.errors import RequestError


def problems(made: Board, *texts: str) -> list[str]:
    with pytest.raises(RequestError) as caught:
        read_changes(made, texts)
    return [str(problem) for problem in caught.value.problems]


# --- what can be written ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("written", "key", "nominal", "said"),
    [
        ("R3=1R0", "resistance", 1.0, "1R0 ± 1 %"),
        ("R3 = 2.2 ohm", "resistance", 2.2, "2.2 ohm ± 1 %"),
        ("R3=1R0 ± 5 %", "resistance", 1.0, "1R0 ± 5 %"),
        ("R3=2R4 || 2R4", "resistance", 1.2, "2R4 || 2R4 ± 1 %"),
        ("R3.value=1R0", "resistance", 1.0, "1R0 ± 1 %"),
        ("R3.resistance=1R0", "resistance", 1.0, "1R0 ± 1 %"),
        ("R12=103", "resistance", 10e3, "10 kΩ ± 5 %"),
        ("R12=103 ± 1 %", "resistance", 10e3, "10 kΩ ± 1 %"),
        ("R12=01C", "resistance", 10e3, "10 kΩ ± 5 %"),
        ("R12=470", "resistance", 47.0, "47 Ω ± 5 %"),
        ("R12=4K7F", "resistance", 4700.0, "4K7F"),
        ("C1=47u", "capacitance", 47e-6, "47u ± 20 %"),
        ("C1=47 uF -20/+50 %", "capacitance", 47e-6, "47 uF -20/+50 %"),
        ("C5=107K", "capacitance", 100e-6, "100 µF ± 10 %"),
        ("T1.primary_turns=90", "primary_turns", 90.0, "90"),
        ("U1.max_duty=0.6", "max_duty", 0.6, "0.6"),
        ("U1.frequency=100 kHz", "frequency", 100e3, "100 kHz ± 6 %"),
    ],
)
def test_values(written: str, key: str, nominal: float, said: str) -> None:
    (change,) = read_changes(board("wall_charger"), [written])
    assert isinstance(change, SetValue)
    assert (change.key, change.value.text) == (key, said)
    assert change.value.nominal == pytest.approx(nominal, rel=1e-12)


@pytest.mark.parametrize(
    ("written", "change"),
    [
        ("R3<->R12", Exchange("R3", "R12")),
        ("R3 <-> R12", Exchange("R3", "R12")),
        ("R3↔R12", Exchange("R3", "R12")),
        ("R3=open", SetState("R3", State.OPEN)),
        ("R3 = not fitted", SetState("R3", State.NOT_FITTED)),
        ("D5.technology=silicon", SetWord("D5", "technology", "silicon")),
        ("BR1.arrangement=half wave", SetWord("BR1", "arrangement", "half wave")),
    ],
)
def test_other_changes(written: str, change: object) -> None:
    assert read_changes(board("wall_charger"), [written]) == (change,)


def test_an_empty_footprint_is_fitted_by_its_value() -> None:
    made = board("bedside_charger")
    after = altered(made, read_changes(made, ["R7=2R2"]))
    assert [part.designator for part in after.playing("sense resistor")] == ["R5", "R6", "R7"]


def test_a_part_listed_as_open_is_fitted_again() -> None:
    made = loads(text("wall_charger").replace("[parts.R4]\n", '[parts.R4]\nstate = "open"\n'))
    assert len(made.playing("sense resistor")) == 1
    assert len(altered(made, read_changes(made, ["R4=fitted"])).playing("sense resistor")) == 2


def test_a_change_is_written_as_it_can_be_read() -> None:
    made = board("wall_charger")
    texts = ["R3=1R0", "R12<->R10", "R4=open", "D5.technology=silicon", "T1.primary_turns=90", "C5=107K"]
    changes = read_changes(made, texts)
    assert read_changes(made, [str(change) for change in changes]) == changes


def test_several_keys_of_one_part() -> None:
    texts = ["R3=1R0", "R3.power_rating=1 W", "T1.primary_turns=90"]
    assert len(read_changes(board("wall_charger"), texts)) == 3


# --- what cannot ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("written", "words"),
    [
        ("R3", "R3: this is not a change. Write for example R6=1R0"),
        ("R3=R4=1", "this is not a change"),
        ("R3<>R4", "this is not a change"),
        ("R3=", "nothing stands after the ="),
        ("r3=1R0", 'the board has no part "r3". Did you mean "R3"?'),
        ("R9=1R0", 'the board has no part "R9". It has R3, R4, R10, R11, R12.'),
        ("Z1=1R0", 'the board has no part "Z1". It has BR1, C1,'),
        ("R3<->R9", 'the board has no part "R9"'),
        ("T1.primary_turn=90", 'Did you mean "primary_turns"?'),
        ("T1=90", "a transformer has no value of its own. Name a key: T1.primary_turns,"),
        ("U2.note=x", '"note" is not a key of the role voltage reference that a change can set'),
        ("R3.tolerance=5 %", 'changed together with its value. Write for example "R3=2.4 Ω ± 5 %".'),
        ("R3=1x0", '"1x0" '),
        ("R3=47", "Write 47 ohm."),
        ("R3=0", "It must be above zero."),
        ("R3=2 Gohm", "outside what any sense resistor can be"),
        ("U1.max_duty=1.5", "outside what max_duty of any switching IC can be"),
        ("U1.frequency=100k", "Write 100 kHz."),
        ("T1.primary_turns=90 mH", "turns"),
        ("C1=100", "may be microfarads in clear, or a code for picofarads. Write 100u"),
        ("D5.technology=germanium", 'there is no technology "germanium"'),
        ("R3<->R3", "a part cannot change places with itself"),
        ("R3<->C1", "a resistor and a capacitor cannot take each other's place"),
        ("D5<->D6", "an output rectifier and an indicator LED cannot take each other's place"),
        ("R3=fitted", "R3 is fitted already"),
    ],
)
def test_refusals(written: str, words: str) -> None:
    (found,) = problems(board("wall_charger"), written)
    assert words in found
    assert found.startswith(written.split(" ")[0]), "the change itself says where the fault is"


@pytest.mark.parametrize(
    ("written", "words"),
    [
        ("R7=open", "an empty footprint cannot fail open"),
        ("R7=not fitted", "R7 is not fitted already"),
        ("R7=fitted", 'does not say what R7 would be. Give it: "R7=2R4".'),
    ],
)
def test_refusals_at_an_empty_footprint(written: str, words: str) -> None:
    (found,) = problems(board("bedside_charger"), written)
    assert words in found


def test_a_component_must_be_possible_in_its_new_place() -> None:
    link = '[parts.R1]\nrole = "series resistor"\nmarking = "0"\n'
    made = loads(text("wall_charger").replace("[parts.BR1]", f"{link}\n[parts.BR1]"))
    (found,) = problems(made, "R1<->R3")
    assert "outside what any sense resistor can be" in found


def test_the_spread_taken_over_must_be_possible_too() -> None:
    made = board("wall_charger", ('max_duty = "70 %"', 'max_duty = "63..77 %"'))
    (found,) = problems(made, "U1.max_duty=95 %")
    assert '"0.95 ± 10 %" is outside' in found
    assert read_changes(made, ["U1.max_duty=94..96 %"])


@pytest.mark.parametrize(
    ("texts", "words"),
    [
        (["R3=1R0", "R3=1R0"], "R3=1R0 is written twice"),
        (["R3=1R0", "R3.resistance=2R0"], "R3=1R0 and R3.resistance=2R0 both change R3"),
        (["R3=open", "R3=1R0"], "both change R3"),
        (["R3=open", "R3.power_rating=1 W"], "both change R3"),
        (["R3<->R12", "R12=1k0"], "both change R12"),
        (["R3<->R12", "R12<->R10"], "both change R12"),
    ],
)
def test_one_thing_changed_twice(texts: list[str], words: str) -> None:
    (found,) = problems(board("wall_charger"), *texts)
    assert words in found


def test_the_same_exchange_twice_is_said_for_both_parts() -> None:
    assert len(problems(board("wall_charger"), "R3<->R12", "R12<->R3")) == 2


@pytest.mark.parametrize(
    ("name", "texts", "part"),
    [
        ("wall_charger", ["T1=open"], "transformer T1"),
        ("wall_charger", ["BR1=open"], "mains rectifier BR1"),
        ("wall_charger", ["U1=open"], "switching IC U1"),
        ("wall_charger", ["D5=not fitted"], "output rectifier D5"),
        ("wall_charger", ["C5=open"], "output capacitor C5"),
        ("wall_charger", ["D4=open"], "clamp suppressor D4"),
        ("wall_charger", ["R10=open"], "upper divider resistor R10"),
        ("wall_charger", ["U2=open"], "voltage reference U2"),
        ("travel_cube", ["R4=open"], "base resistor R4"),
        ("travel_cube", ["Q2=open"], "sense transistor Q2"),
        ("travel_cube", ["C1=open"], "bulk capacitor C1"),
    ],
)
def test_a_flyback_that_no_longer_works(name: str, texts: list[str], part: str) -> None:
    (found,) = problems(board(name), *texts)
    assert f"without the {part}" in found
    assert found.endswith("there is no power to judge. Change something else.")


def test_the_last_of_several() -> None:
    made = board("wall_charger")
    for texts in (["R3=open"], ["C1=open"], ["R3=open", "C2=open", "D6=open", "R12=not fitted"]):
        read_changes(made, texts)
    first, second = problems(made, "R3=open", "R4=open")
    assert first.startswith("R3=open: without the sense resistor R3")
    assert second.startswith("R4=open: without the sense resistor R4")


def test_every_one_of_a_path_is_needed() -> None:
    second = '[parts.R9]\nrole = "upper divider resistor"\nmarking = "101"\n\n[parts.R10]'
    made = loads(text("wall_charger").replace("[parts.R10]", second))
    (found,) = problems(made, "R9=open")
    assert "upper divider resistor R9" in found


def test_a_clamp_that_another_stands_in_for() -> None:
    other = '[parts.R8]\nrole = "clamp resistor"\nmarking = "154"\n\n[parts.D5]'
    made = loads(text("wall_charger").replace("[parts.D5]", other))
    assert read_changes(made, ["D4=open"])
    assert read_changes(made, ["R8=open"])
    assert len(problems(made, "D4=open", "R8=open")) == 2


def test_another_topology_may_lose_anything() -> None:
    made = loads(text("wall_charger").replace('topology = "flyback"', 'topology = "half bridge"'))
    assert read_changes(made, ["T1=open"])


def test_every_problem_at_once() -> None:
    found = problems(board("wall_charger"), "R9=1R0", "T1.primary_turn=90", "R3=1x0", "C1=10u", "C1=12u")
    assert len(found) == 4
    assert [words.partition(":")[0] for words in found[:3]] == ["R9=1R0", "T1.primary_turn=90", "R3=1x0"]


def test_no_change() -> None:
    (found,) = problems(board("wall_charger"))
    assert "no change is given" in found
