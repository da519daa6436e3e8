"""A JSON format beside the page of docs/ that describes it: every key has its row, every null is said."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

DOCS = Path(__file__).parents[1] / "docs"


def _refuse(constant: str) -> None:
    raise ValueError(f"{constant} is not JSON")


def read_json(text: str) -> dict[str, Any]:
    """JSON text as data; NaN and infinities, which Python's reader would take, are refused."""
    data = json.loads(text, parse_constant=_refuse)
    assert isinstance(data, dict)
    return data


@dataclass(frozen=True)
class Document:
    """A page whose tables list the keys of a format, one table an object.

    Attributes:
        named_by_the_board: paths of objects whose keys are names of the board, not keys of the format.
    """

    name: str
    named_by_the_board: frozenset[str] = frozenset()

    @cached_property
    def text(self) -> str:
        return (DOCS / self.name).read_text(encoding="utf-8")

    @cached_property
    def tables(self) -> dict[str, dict[str, str]]:
        """By path: every key of the document's tables, and what it says about null."""
        tables: dict[str, dict[str, str]] = {}
        for section in self.text.split("\n## ")[1:]:
            heading, _, body = section.partition("\n")
            found = re.findall(r"^\| `(\w+)` \|.*\| ([^|]*) \|$", body, re.MULTILINE)
            keys = {row[0]: row[1] for row in found}
            for path in re.findall(r"`([^`]+)`", heading):
                assert path not in tables, f"{path} is documented twice"
                tables[path] = keys
        return tables

    def objects(self, value: Any, path: str = "") -> Iterator[tuple[str, dict[str, Any]]]:
        """Every object with its path, "." for the whole and "[]" for each entry of a list."""
        if isinstance(value, dict):
            if path not in self.named_by_the_board:
                yield path or ".", value
                for key, inner in value.items():
                    yield from self.objects(inner, f"{path}.{key}" if path else key)
        elif isinstance(value, list):
            for entry in value:
                yield from self.objects(entry, f"{path}[]")

    def undocumented(self, data: dict[str, Any]) -> list[str]:
        """Keys that the document does not have, and documented keys that an object lacks."""
        faults = []
        for path, found in self.objects(data):
            if path not in self.tables:
                faults.append(f"{path} has no table")
                continue
            faults += [f"{path} has {key}" for key in found if key not in self.tables[path]]
            faults += [f"{path} lacks {key}" for key in self.tables[path] if key not in found]
        return faults

    def wrong_nulls(self, data: dict[str, Any]) -> list[str]:
        """Keys that are null although the document says they never are."""
        return [
            f"{path}.{key}"
            for path, found in self.objects(data)
            for key, value in found.items()
            if value is None and self.tables[path][key].startswith("never")
        ]
