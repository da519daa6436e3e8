"""No file is ever overwritten."""

from __future__ import annotations

import threading
from pathlib import Path

import pytest

from flyback.errors import RequestError
from flyback.files import next_free, write_new


@pytest.mark.parametrize(
    ("taken", "wanted", "free"),
    [
        ([], "report.html", "report.html"),
        (["report.html"], "report.html", "report-2.html"),
        (["report.html", "report-2.html", "report-4.html"], "report.html", "report-3.html"),
        (["report-2.html"], "report.html", "report.html"),
        (["notes"], "notes", "notes-2"),
        (["a.b.toml"], "a.b.toml", "a.b-2.toml"),
        ([".hidden"], ".hidden", ".hidden-2"),
    ],
)
def test_next_free(tmp_path: Path, taken: list[str], wanted: str, free: str) -> None:
    for name in taken:
        (tmp_path / name).touch()
    assert next_free(tmp_path / wanted) == tmp_path / free


def test_a_link_that_leads_nowhere_takes_a_name(tmp_path: Path) -> None:
    (tmp_path / "board.toml").symlink_to(tmp_path / "gone")
    assert write_new(tmp_path / "board.toml", "x") == tmp_path / "board-2.toml"
    assert not (tmp_path / "gone").exists()


def test_write_new_keeps_what_is_there(tmp_path: Path) -> None:
    path = tmp_path / "board.toml"
    assert write_new(path, "first Ω\n") == path
    assert write_new(path, "second") == tmp_path / "board-2.toml"
    assert write_new(str(path), "third") == tmp_path / "board-3.toml"
    assert path.read_bytes() == "first Ω\n".encode()


def test_many_writers_at_once_never_share_a_file(tmp_path: Path) -> None:
    texts = [f"text {number}" for number in range(24)]
    threads = [threading.Thread(target=write_new, args=(tmp_path / "r.txt", text)) for text in texts]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(path.read_text() for path in tmp_path.iterdir()) == sorted(texts)


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("", r"is a directory\. Name a file in it\."),
        ("gone/r.txt", r"there is no directory .*gone\. Make it first\."),
        ("file/r.txt", r"there is no directory .*file\."),
        ("n" * 300, r"cannot be written: File name too long\. Choose another place\."),
        ("nul\0", r"cannot be written: embedded null"),
    ],
)
def test_refusals(tmp_path: Path, name: str, words: str) -> None:
    (tmp_path / "file").touch()
    with pytest.raises(RequestError, match=words):
        write_new(tmp_path / name, "x")


def test_a_place_without_permission(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*arguments: object, **options: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "open", refuse)
    with pytest.raises(RequestError, match="cannot be written: Permission denied"):
        write_new(tmp_path / "r.txt", "x")
