"""The line finder against lines counted by eye and against the layout of generated files."""

from __future__ import annotations

import tomllib
from typing import Any

import pytest
import tomlkit
from hypothesis import given
from hypothesis import strategies as st

from flyback.board.lines import KeyPath, Repeat, find_lines

DOCUMENT = '''\
# a comment with [a.header] = "and a key"
top = 1
dotted.key = "x"
"quoted key" = 'single'

[parts.R5]      # trailing comment
role = "sense # not a comment"
note = """
fake = "inside a text"
[fake.header]
quotes "" and \\""" and the end""""
marking = '2R2'

[parts."U 1"]
limit = { min = "1 V", typ = "2 V", "max" = "3 V" }
literal = \'\'\'
it's = 'inside'\'\'\'
after = 1979-05-27 07:32:00

[label]
output = [
  { voltage = "5 V", current = "1 A" },    # commas, and brackets ] } in a comment
  { voltage = "7 V" },
  { voltage = "9 V", current = "2 A" },

]
numbers = [1, [2,
  3], 4]

[[load_test]]
note = "first"

[[load_test]]
readings = [{ port = "1" }]
[load_test.sub]
key = true
'''


@pytest.mark.parametrize(
    ("path", "line"),
    [
        (("top",), 2),
        (("dotted",), 3),
        (("dotted", "key"), 3),
        (("quoted key",), 4),
        (("parts",), 6),
        (("parts", "R5"), 6),
        (("parts", "R5", "role"), 7),
        (("parts", "R5", "note"), 8),
        (("parts", "R5", "marking"), 12),
        (("parts", "U 1", "limit", "typ"), 15),
        (("parts", "U 1", "limit", "max"), 15),
        (("parts", "U 1", "literal"), 16),
        (("parts", "U 1", "after"), 18),
        (("label", "output"), 21),
        (("label", "output", 0, "voltage"), 22),
        (("label", "output", 1), 23),
        (("label", "output", 1, "voltage"), 23),
        (("label", "output", 2, "current"), 24),
        (("label", "numbers", 0), 27),
        (("label", "numbers", 1, 1), 28),
        (("label", "numbers", 2), 28),
        (("load_test", 0, "note"), 31),
        (("load_test", 1), 33),
        (("load_test", 1, "readings", 0, "port"), 34),
        (("load_test", 1, "sub", "key"), 36),
    ],
)
def test_line_of_a_key(path: KeyPath, line: int) -> None:
    tomllib.loads(DOCUMENT)
    found = find_lines(DOCUMENT)
    assert path in found.known
    assert found.of(path) == line


@pytest.mark.parametrize(
    ("path", "line"),
    [
        (("parts", "R5", "tolerance"), 6),
        (("label", "output", 2, "ports"), 24),
        (("parts", "R9"), 6),
        (("rail", "voltage"), None),
        ((), None),
    ],
)
def test_a_key_that_is_not_there_has_the_line_around_it(path: KeyPath, line: int | None) -> None:
    assert find_lines(DOCUMENT).of(path) == line


def test_nothing_inside_a_text_is_a_key() -> None:
    names = {step for path in find_lines(DOCUMENT).known for step in path}
    assert not names & {"fake", "header", "it's", "a"}


@pytest.mark.parametrize(
    ("text", "repeat"),
    [
        ("[parts.R5]\n[parts.R6]\n[parts.R5]", Repeat(("parts", "R5"), 1, 3)),
        ("[a]\nb = 1\n\nb = 2", Repeat(("a", "b"), 2, 4)),
        ("a = { b = 1 }\n[c]\n[a]", Repeat(("a",), 1, 3)),
        ("a.b = 1\na.b = 2", Repeat(("a", "b"), 1, 2)),
    ],
)
def test_repeats(text: str, repeat: Repeat) -> None:
    assert find_lines(text).repeats == (repeat,)


def test_an_inline_table_may_span_lines_as_later_versions_of_toml_allow() -> None:
    lines = find_lines("a = {\n  b = 1, # why\n  c = 2,\n}\nd = 3")
    assert [lines.of(path) for path in (("a", "b"), ("a", "c"), ("d",))] == [2, 3, 5]


@pytest.mark.parametrize(
    "text", [DOCUMENT, "[[a]]\nb = 1\n[[a]]\nb = 2", "a.b = 1\na.c = 2", 'a = "a = "a = ""']
)
def test_no_repeat(text: str) -> None:
    assert find_lines(text).repeats == ()


@pytest.mark.parametrize("rest", ['c = "open', "c = ]", "= 1", "[open", "c = [1", "c = { d", '"""', "\x00"])
def test_what_was_found_before_a_fault_is_kept(rest: str) -> None:
    assert find_lines(f"[a]\nb = 1\n{rest}").of(("a", "b")) == 2


@given(st.text(alphabet="ab=.[]{}\"'\\#,\n 1"))
def test_any_text_is_survived(text: str) -> None:
    lines = find_lines(text)
    assert all(1 <= line <= text.count("\n") + 1 for line in lines.known.values())


KEYS = st.text(alphabet="abc-_ .#[]'", min_size=1, max_size=5)
LEAVES = st.integers() | st.booleans() | st.text(alphabet="ab=#[]\"'\\\n,}", max_size=8)
TREES = st.recursive(
    LEAVES,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(KEYS, inner, max_size=3),
    max_leaves=12,
)


def leaf_paths(content: Any, path: KeyPath = ()) -> list[KeyPath]:
    if isinstance(content, dict):
        return [found for key, inner in content.items() for found in leaf_paths(inner, (*path, key))]
    if isinstance(content, list):
        return [found for index, inner in enumerate(content) for found in leaf_paths(inner, (*path, index))]
    return [path]


@given(st.dictionaries(KEYS, TREES, max_size=5))
def test_every_key_of_a_generated_file_is_found_where_it_is_written(content: dict[str, Any]) -> None:
    text = tomlkit.dumps(content)
    written = text.split("\n")
    lines = find_lines(text)
    assert lines.repeats == ()
    for path in leaf_paths(tomllib.loads(text)):
        assert path in lines.known
        last_name = next(step for step in reversed(path) if isinstance(step, str))
        line = lines.of(path[: len(path) - path[::-1].index(last_name)])
        assert line is not None
        assert last_name in written[line - 1]
