"""Changes in the text of a board file: what it then says, and what stays as it was."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from worked import NAMES, board, path, text

from flyback.board.changes import kind
from flyback.board.edit import altered, read_changes, write_altered
from flyback.board.edit_file import changed_text, said
from flyback.board.file import load, loads
from flyback.board.model import Board
from flyback.board.roles import ROLES
from flyback.errors import BoardFileError, RequestError

EXAMPLES = {name: text(name) for name in NAMES}


def changed(before: str, *texts: str) -> str:
    made = loads(before)
    return changed_text(before, made, read_changes(made, texts), source="a.toml")


def lines_changed(before: str, after: str) -> tuple[list[str], list[str]]:
    """The lines that went and those that came, but for the line at the top."""
    old, new = before.splitlines(), after.splitlines()[1:]
    return [line for line in old if line not in new], [line for line in new if line not in old]


# --- what is written --------------------------------------------------------------------------------


def test_only_the_value_differs() -> None:
    before = EXAMPLES["bedside_charger"]
    gone, new = lines_changed(before, changed(before, "T1.primary_turns=90", "R7=2R2"))
    assert gone == ['state = "not fitted"', "primary_turns = 98"]
    assert new == [
        'state = "fitted"',
        'value = { value = "2R2", origin = "what if" }',
        'primary_turns = { value = "90", origin = "what if", note = "was 98" }',
    ]


def test_a_line_at_the_top_says_what_was_changed() -> None:
    after = changed(EXAMPLES["wall_charger"], "R4=open", "R10<->R11", "C1=47u")
    assert after.splitlines()[0] == (
        "# What if, by flyback alter from a.toml: R4=open, R10<->R11, C1.capacitance=47u ± 20 %"
    )
    assert after.splitlines()[1:4] == EXAMPLES["wall_charger"].splitlines()[:3]


def test_an_exchange_exchanges_lines() -> None:
    before = EXAMPLES["hall_charger"]
    after = changed(before, "R12<->R13")
    place = 'role = "LED series resistor"\nmarking = "102"\ntolerance = "5 %"\n'
    assert place in after
    assert 'role = "bleeder"\nmarking = "223"\ntolerance = "5 %"\n' in after


COMMENTED = """
[parts.R3]    # beside the heatsink
role = "sense resistor"
marking = "2R4"      # read with a loupe
tolerance = "1 %"    # brown ring
power_rating = { value = "0.5 W", origin = "datasheet" } # size 1206
# one of two

# ------------ the other
"""


def commented() -> str:
    start = EXAMPLES["wall_charger"].index("\n[parts.R3]")
    end = EXAMPLES["wall_charger"].index("[parts.R4]")
    return EXAMPLES["wall_charger"][:start] + COMMENTED + EXAMPLES["wall_charger"][end:]


def test_comments_stay_where_they_were() -> None:
    after = changed(commented(), "R3=1R0", "R3.power_rating=1 W", "R4=open")
    expected = """
[parts.R3]    # beside the heatsink
role = "sense resistor"
value = { value = "1R0 ± 1 %", origin = "what if", note = "was 2R4 ± 1 %" }      # read with a loupe
# brown ring
power_rating = { value = "1 W", origin = "what if", note = "was 0.5 W" } # size 1206
# one of two

# ------------ the other
"""
    assert expected in after


def test_a_new_key_stands_with_the_part_and_not_below_the_next_heading() -> None:
    after = changed(commented(), "R3=open")
    assert '# size 1206\nstate = "open"\n# one of two\n\n# ------------ the other\n' in after


LAYOUTS = {
    "inline": ('[parts.R3]\nrole = "sense resistor"\nmarking = "2R4"\ntolerance = "1 %"\n'
               'power_rating = { value = "0.5 W", origin = "datasheet" }\n',
               '[parts]\nR3 = { role = "sense resistor", marking = "2R4", tolerance = "1 %" }\n'),
    "dotted": ('[parts.R3]\nrole = "sense resistor"\nmarking = "2R4"\ntolerance = "1 %"\n'
               'power_rating = { value = "0.5 W", origin = "datasheet" }\n',
               '[parts]\nR3.role = "sense resistor"\nR3.marking = "2R4"\nR3.tolerance = "1 %"\n'),
    "quoted": ('[parts.R3]\nrole', '[ "parts" . "R3" ]\n"role"'),
    "sub-table": ('power_rating = { value = "0.5 W", origin = "datasheet" }\n',
                  '[parts.R3.power_rating]\nvalue = "0.5 W"\norigin = "datasheet"\n'),
    "out of order": ('[parts.R3]\nrole = "sense resistor"\n',
                     '[meters]\nvoltage = "1 %"\n\n[parts.R3]\nrole = "sense resistor"\n'),
    "value beside marking": ('[parts.R3]\nrole = "sense resistor"\n',
                             '[parts.R3]\nrole = "sense resistor"\nvalue = "2.4 ohm"\n'),
}  # fmt: skip


@pytest.mark.parametrize("layout", LAYOUTS)
@pytest.mark.parametrize(
    "texts",
    [
        ["R3=1R0"],
        ["R3.power_rating=1 W"],
        ["R3=open"],
        ["R3<->R12"],
        ["R3<->R4"],
        ["R12=1k0", "R3=1R0 ± 5 %"],
    ],
    ids=str,
)
def test_other_layouts(layout: str, texts: list[str]) -> None:
    """Said as `altered` says it, whatever the layout; `changed_text` refuses to write anything else."""
    old, new = LAYOUTS[layout]
    before = EXAMPLES["wall_charger"].replace(old, new, 1)
    made = loads(before)
    assert said(loads(changed(before, *texts))) == said(altered(made, read_changes(made, texts)))


def test_a_layout_that_cannot_be_kept_is_refused_in_words(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("flyback.board.edit_file._put", lambda *_: None)
    with pytest.raises(RequestError, match=r"cannot be written into the layout of a\.toml"):
        changed(EXAMPLES["wall_charger"], "R4=open")


def test_line_ends_and_byte_order_mark_stay(tmp_path: Path) -> None:
    source = tmp_path / "board.toml"
    source.write_bytes(("\ufeff" + EXAMPLES["wall_charger"]).replace("\n", "\r\n").encode())
    made = load(source)
    written = write_altered(source, read_changes(made, ["R4=open"]), tmp_path / "what_if.toml").read_bytes()
    assert written.startswith("\ufeff# What if".encode())
    assert written.count(b"\n") == written.count(b"\r\n") == source.read_bytes().count(b"\n") + 2


def test_nothing_is_written_over(tmp_path: Path) -> None:
    before = path("wall_charger").read_bytes()
    changes = read_changes(board("wall_charger"), ["R4=open"])
    taken = tmp_path / "what_if.toml"
    taken.write_text("mine")
    written = write_altered(path("wall_charger"), changes, taken)
    assert (written.name, taken.read_text()) == ("what_if-2.toml", "mine")
    assert len(load(written).playing("sense resistor")) == 1
    assert path("wall_charger").read_bytes() == before


def test_files_that_cannot_be_read_or_written(tmp_path: Path) -> None:
    changes = read_changes(board("wall_charger"), ["R4=open"])
    with pytest.raises(BoardFileError, match="there is no file"):
        write_altered(tmp_path / "none.toml", changes, tmp_path / "x.toml")
    with pytest.raises(RequestError, match="is a directory"):
        write_altered(path("wall_charger"), changes, tmp_path)


# --- any change -------------------------------------------------------------------------------------

_EXAMPLE_WORDS = {"turns": "77", "ratio": "0.33", "resistance": "3R3", "capacitance": "33 nF"}


def possible_changes(made: Board) -> list[str]:
    """One change of every key, state and pair of a board; some are no board and refused."""
    texts = []
    for designator, part in made.parts.items():
        texts += [f"{designator}=open", f"{designator}=fitted"]
        for field in ROLES[part.role].fields.values():
            written = _EXAMPLE_WORDS.get(field.dimension, field.example)
            texts.append(f"{designator}.{field.key}={field.choices[-1] if field.choices else written}")
        alike = [other.designator for other in made.parts.values() if kind(other) == kind(part)]
        texts += [f"{designator}<->{other}" for other in alike]
    return texts


BOARDS = {name: loads(written) for name, written in EXAMPLES.items()}
CHANGES = {name: possible_changes(made) for name, made in BOARDS.items()}


@settings(max_examples=80, deadline=None, derandomize=True)
@given(data=st.data())
def test_the_file_says_what_the_board_in_memory_says(data: st.DataObject) -> None:
    name = data.draw(st.sampled_from(NAMES))
    texts = data.draw(st.lists(st.sampled_from(CHANGES[name]), min_size=1, max_size=4))
    before, made = EXAMPLES[name], BOARDS[name]
    try:
        changes = read_changes(made, texts)
    except RequestError:
        return
    after = changed_text(before, made, changes, source="a.toml")
    assert said(loads(after)) == said(altered(made, changes))
    comments = [line for line in before.splitlines() if line.startswith("#")]
    assert [line for line in after.splitlines()[1:] if line.startswith("#")] == comments
    headers = re.findall(r"^\[.*", before, re.MULTILINE)
    assert re.findall(r"^\[.*", after, re.MULTILINE) == headers
    assert before.count("\n\n") == after.count("\n\n")


@pytest.mark.parametrize("name", NAMES)
def test_each_change_alone(name: str) -> None:
    made, written = BOARDS[name], 0
    for one in CHANGES[name]:
        try:
            changes = read_changes(made, [one])
        except RequestError:
            continue
        after = changed_text(EXAMPLES[name], made, changes, source="a.toml")
        assert said(loads(after)) == said(altered(made, changes)), one
        written += 1
    assert written > 20, "and most of them can be made"


def test_what_is_said_notices_a_difference() -> None:
    one, other = board("wall_charger"), board("wall_charger", ('marking = "2R4"', 'marking = "2R7"'))
    assert said(one) != said(other)
    assert said(one) == said(loads("# a line more\n" + EXAMPLES["wall_charger"]))
