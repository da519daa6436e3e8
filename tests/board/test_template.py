"""The starter file loads, explains every role and key, and never overwrites."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path
from types import MappingProxyType

import pytest

from flyback.board import template as template_module
from flyback.board.file import load, loads
from flyback.board.roles import CONTROL_FAMILIES, ROLES, TOPOLOGIES, Field
from flyback.board.template import template, write_template
from flyback.errors import RequestError
from flyback.units import parse


def test_loads_without_problems() -> None:
    board = loads(template())
    assert board.topology == "flyback"
    # 5 V at 1 A is the 5 W that the label says
    (claim,) = board.label.outputs
    assert claim.ports * claim.voltage * claim.current == board.label.power == 5.0
    assert len(board.load_tests) == 2


def test_no_line_is_wider_than_a_page() -> None:
    assert max(map(len, template().splitlines())) <= 96


def test_section_headers_are_explained() -> None:
    lines = template().splitlines()
    for header in ("[board]", "[label]", "[rail]", "[[load_test]]", "[parts.U1]"):
        index = lines.index(header)
        assert "#" in (lines[index - 1][:1], lines[index + 1][:1]), header


def test_every_role_key_and_choice_is_listed() -> None:
    flat = re.sub(r"\n# +", " ", template().partition("# topology, in")[2])
    for role in ROLES.values():
        assert f"{role.name} ({role.letters}): {role.used_for}" in flat
        for field in role.fields.values():
            assert re.search(rf"{field.key} +{re.escape(field.meaning)}", flat), field.key
            assert all(f'"{choice}"' in flat for choice in field.choices)
    for word in (*CONTROL_FAMILIES, *TOPOLOGIES):
        assert re.search(rf" {re.escape(word)}  +", flat)


def test_a_new_role_appears_by_itself(monkeypatch: pytest.MonkeyPatch) -> None:
    wick = replace(
        ROLES["bleeder"],
        name="test wick",
        fields=MappingProxyType({"glow": Field("glow", "power", "how it glows", "3 W")}),
    )
    monkeypatch.setattr(template_module, "ROLES", {"test wick": wick})
    assert '#      glow                    how it glows, "3 W"' in template()
    assert "transformer (T)" not in template()


@pytest.mark.parametrize(
    ("dimension", "example"),
    [
        pytest.param(field.dimension, field.example, id=f"{role.name}-{field.key}")
        for role in ROLES.values()
        for field in role.fields.values()
        if field.dimension not in ("choice", "text")
    ],
)
def test_examples_of_the_roles_can_be_read(dimension: str, example: str) -> None:
    assert parse(example, dimension=dimension).nominal > 0


def test_write_template_takes_the_next_free_name(tmp_path: Path) -> None:
    path = tmp_path / "board.toml"
    assert write_template(path) == path
    assert write_template(path) == tmp_path / "board-2.toml"
    assert write_template(path) == tmp_path / "board-3.toml"
    assert load(path).digest == load(tmp_path / "board-3.toml").digest


def test_write_template_refuses_a_directory(tmp_path: Path) -> None:
    with pytest.raises(RequestError, match="is a directory"):
        write_template(tmp_path)
