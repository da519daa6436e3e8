"""Changes written into the text of a board file: what they do not touch stays as it was, comments too."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from dataclasses import fields, is_dataclass
from pathlib import Path
from typing import Any

from flyback.board.changes import (
    Change,
    Exchange,
    SetState,
    SetValue,
    SetWord,
    altered,
    as_file_says,
    movable_keys,
)
from flyback.board.file import load, loads
from flyback.board.model import Board, Part, State
from flyback.board.roles import ROLES
from flyback.errors import InputError, Problem, RequestError
from flyback.files import write_new

_OF_THE_COMPONENT = ("marking", "value", "tolerance", "origin", "state", "same_reel_as")
"""Keys of every part that go with the component when it changes its place."""

_WHERE = ("line", "lines", "path", "digest")


def write_altered(
    path: str | os.PathLike[str], changes: Sequence[Change], output: str | os.PathLike[str]
) -> Path:
    """Write a board file again with changes made, under a free name, and return that name.

    Comments and layout are kept, and the file given is left alone. A line at the top says what was changed.

    Raises:
        BoardFileError: the file cannot be read.
        RequestError: the output cannot be written, or the file is laid out so that the changes cannot be
            written into it.
    """
    board = load(path)
    text = changed_text(Path(path).read_bytes().decode("utf-8"), board, changes, source=Path(path).name)
    return write_new(output, text)


def changed_text(text: str, board: Board, changes: Sequence[Change], *, source: str) -> str:
    """The text of a board file with changes made; ``board`` is what it said before."""
    import tomlkit
    from tomlkit.exceptions import TOMLKitError

    mark = "\ufeff" if text.startswith("\ufeff") else ""
    line_end = "\r\n" if "\r\n" in text else "\n"
    try:
        document = tomlkit.parse(text.removeprefix(mark).replace("\r\n", "\n"))
        for change in changes:
            _make(document["parts"], board, change)
        made = ", ".join(str(change) for change in changes)
        written = f"# What if, by flyback alter from {source}: {made}\n{document.as_string()}"
        same = said(loads(written)) == said(altered(board, changes))
    except (TOMLKitError, InputError, TypeError):
        same = False
    if not same:
        raise RequestError(
            Problem(
                f"the changes cannot be written into the layout of {source}.",
                expected="one table [parts.R5] for each part",
                hint="Write each part as a table of its own, as flyback new does.",
            )
        )
    return mark + written.replace("\n", line_end)


def said(what: Any) -> Any:
    """What a board says, without where it stands: no lines, no path, no digest."""
    if isinstance(what, Mapping):
        return {key: said(value) for key, value in what.items()}
    if isinstance(what, tuple):
        return tuple(map(said, what))
    if not is_dataclass(what):
        return what
    names = (field.name for field in fields(what) if field.name not in _WHERE)
    return {name: said(getattr(what, name)) for name in names}


def _make(parts: Any, board: Board, change: Change) -> None:
    match change:
        case SetValue():
            _write_value(parts[change.designator], board.parts[change.designator], change)
        case SetWord():
            _put(parts[change.designator], change.key, change.word)
        case SetState():
            _put(parts[change.designator], "state", str(change.state))
        case Exchange():
            first, second = board.parts[change.first], board.parts[change.second]
            moved = (*_OF_THE_COMPONENT, *movable_keys(first, second))
            _exchange(parts[first.designator], parts[second.designator], moved)
            for part in (first, second):
                for key in ROLES[part.role].fields.keys() - set(moved):
                    _remove(parts[part.designator], key)
            swapped = {change.first: change.second, change.second: change.first}
            for part in parts.values():
                if (reel := part.get("same_reel_as")) in swapped:
                    _put(part, "same_reel_as", swapped[reel])


def _write_value(table: Any, part: Part, change: SetValue) -> None:
    content = as_file_says(change.value)
    if change.key != ROLES[part.role].value_field:
        _put(table, change.key, content)
        return
    said_by = [key for key in ("value", change.key, "marking") if key in table]
    for key in (*said_by[1:], "tolerance"):
        _remove(table, key)
    if said_by == ["marking"]:
        _put_in_place(table, "marking", "value", content)
    else:
        _put(table, said_by[0] if said_by else "value", content)
    if not part.fitted:
        _put(table, "state", str(State.FITTED))


def _exchange(first: Any, second: Any, keys: Sequence[str]) -> None:
    both = [{key: table[key].unwrap() for key in keys if key in table} for table in (first, second)]
    for table, content in ((first, both[1]), (second, both[0])):
        for key in keys:
            if key in content:
                _put(table, key, content[key])
            else:
                _remove(table, key)


# One key of a table. Where tomlkit cannot do a thing in place, the body of the table, which is all that
# is rendered, is set directly.


def _put(table: Any, key: str, content: Any) -> None:
    """Set a key where it stands, or add it below the keys of a table."""
    from tomlkit.items import Table

    old = table.get(key)
    if isinstance(old, Table):
        inner = content if isinstance(content, dict) else {"value": content}
        for name in [name for name in old if name not in inner]:
            _remove(old, name)
        for name, text in inner.items():
            _put(old, name, text)
    elif old is not None:
        table[key] = _item(content)
    else:
        below: list[Any] = []
        while isinstance(table, Table) and table.value.body and table.value.body[-1][0] is None:
            below.insert(0, table.value.body.pop())
        table[key] = _item(content)
        if isinstance(table, Table):
            table.value.body.extend(below)


def _put_in_place(table: Any, old: str, key: str, content: Any) -> None:
    """Set a key on the line of another, which goes."""
    import tomlkit

    place = _place(table, old)
    new = _item(content)
    del table[old]
    if place is None:
        table[key] = new
        return
    index, trivia = place
    new.trivia.__dict__.update(trivia.__dict__)
    table.value.body[index] = (tomlkit.key(key), new)


def _remove(table: Any, key: str) -> None:
    """Take a key out, if it is there; a comment behind it stays on a line of its own."""
    import tomlkit

    if key not in table:
        return
    place = _place(table, key)
    del table[key]
    if place is not None and place[1].comment:
        index, trivia = place
        comment = tomlkit.comment("")
        comment.trivia.indent, comment.trivia.comment = trivia.indent, trivia.comment
        table.value.body[index] = (None, comment)


def _place(table: Any, key: str) -> tuple[int, Any] | None:
    """Where a key stands in the body of its table, with the blanks and the comment of its line.

    None in a table that is written in several pieces and so has no body.
    """
    for index, (name, item) in enumerate(getattr(table.value, "body", ())):
        if name is not None and name.key == key:
            return index, item.trivia
    return None


def _item(content: Any) -> Any:
    """Content as the files of this project write it: a table of a value on one line, with room inside."""
    import tomlkit

    if not isinstance(content, Mapping):
        return tomlkit.item(content)
    pairs = (f"{key} = {tomlkit.item(value).as_string()}" for key, value in content.items())
    return tomlkit.value(f"{{ {', '.join(pairs)} }}")
