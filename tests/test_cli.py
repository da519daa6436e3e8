"""The command line: exit codes, words instead of tracebacks, pipes and poor encodings."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from collections.abc import Mapping
from pathlib import Path

import click
import pytest
import worked
from click.testing import CliRunner, Result
from worked import ROOT, path

import flyback
from flyback import cli
from flyback.board.file import load

FAST = ("--samples", "500", "--mains", "230V")
WALL = str(path("wall_charger"))
BEDSIDE = str(path("bedside_charger"))


def run(*arguments: str, stdin: str = "", **environment: str) -> subprocess.CompletedProcess[bytes]:
    """The command in a process of its own, as a shell would start it."""
    return subprocess.run(
        [sys.executable, "-m", "flyback", *arguments],
        cwd=ROOT,
        input=stdin.encode(),
        capture_output=True,
        env={**os.environ, "PYTHONWARNINGS": "error", **environment},
        timeout=60,
        check=False,
    )


def invoke(*arguments: str) -> Result:
    # the command sets this variable, which the runner then takes back
    runner = CliRunner(env={"OPENBLAS_NUM_THREADS": "1"})
    return runner.invoke(cli.main, list(arguments), prog_name="flyback")


def told(
    *arguments: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> tuple[int, str]:
    """Exit code and standard error of the entry point, without the cost of a process."""
    monkeypatch.setenv("OPENBLAS_NUM_THREADS", "1")
    monkeypatch.setattr(sys, "argv", ["flyback", *arguments])
    with pytest.raises(SystemExit) as left:
        cli.run()
    captured = capsys.readouterr()
    assert captured.out == ""
    return int(left.value.code or 0), captured.err


# --- exit codes -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "code"), [("wall_charger", 0), ("hall_charger", 0), ("bedside_charger", 1)]
)
def test_exit_code_by_the_verdict(name: str, code: int) -> None:
    result = invoke("check", str(path(name)), *FAST)
    assert result.exit_code == code
    assert result.output.startswith(load(path(name)).name)


def test_the_module_and_the_command_are_one() -> None:
    done = run("check", WALL, *FAST)
    assert done.returncode == 0
    assert done.stderr == b""
    assert done.stdout.decode() == invoke("check", WALL, *FAST).output


def test_a_label_at_odds_with_itself_fails_whatever_the_board(tmp_path: Path) -> None:
    file = tmp_path / "dropper.toml"
    changed = worked.text("bedside_charger", ('topology = "flyback"', 'topology = "capacitive dropper"'))
    file.write_text(changed, encoding="utf-8")
    result = invoke("check", str(file))
    assert result.exit_code == 1
    assert "contradicts" in result.output


# --- help and version -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    "arguments", [["--help"], ["-h"], ["check", "--help"], ["check", "-h"], ["new", "--help"]]
)
def test_help(arguments: list[str]) -> None:
    result = invoke(*arguments)
    assert result.exit_code == 0
    assert result.output.startswith("Usage: flyback")
    assert max(map(len, result.output.splitlines())) <= 80


@pytest.mark.parametrize("arguments", [["--help"], ["check", "--help"]])
def test_help_tells_the_exit_codes(arguments: list[str]) -> None:
    output = invoke(*arguments).output
    for code, meaning in ((0, "no claim fails"), (1, "a claim is impossible"), (2, "cannot be used")):
        assert re.search(rf"^ +{code}  .*{meaning}", output, re.MULTILINE)


def test_help_warns() -> None:
    assert "can kill" in " ".join(invoke("--help").output.split())


@pytest.mark.parametrize("command", sorted(cli.main.commands))
def test_every_option_says_what_it_is_for(command: str) -> None:
    for parameter in cli.main.commands[command].params:
        if isinstance(parameter, click.Option):
            assert parameter.help, parameter.name


def test_version() -> None:
    result = invoke("--version")
    assert (result.exit_code, result.output) == (0, f"flyback {flyback.__version__}\n")


# --- options --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("options", "line"),
    [
        (["--mains", "100V"], "Judged at 100 V 50 Hz"),
        (["--mains", "230 V", "--mains", "100V"], "Judged at 100 V 50 Hz"),
        (["--mains", "0.1kV", "--frequency", "60 Hz"], "Judged at 100 V 60 Hz"),
        (["--dc", "150V"], "Judged at 150 V dc"),
        (["--mains", "230V", "--load", "500mA"], "At a load of 0.500 A"),
        (["--mains", "230V", "--samples", "700"], "95 % of 700 samples"),
    ],
)
def test_options(options: list[str], line: str) -> None:
    output = invoke("check", BEDSIDE, "--samples", "500", *options).output
    assert line in " ".join(output.split())


def test_json() -> None:
    result = invoke("check", BEDSIDE, *FAST, "--json")
    data = json.loads(result.output)
    assert result.exit_code == data["exit_code"] == 1
    assert data["samples"] == 500
    assert [line["line"]["mains_V"] for line in data["ladders"][0]["lines"]] == [230.0]


# --- what cannot be used --------------------------------------------------------------------------

FIVE_FAULTS: tuple[tuple[str, str], ...] = (
    ('role = "transformer"\n', 'role = "transformer"\ncore_aria = "20 mm²"\n'),
    ('delay = "200 ns"', 'delay = "200 mA"'),
    ('technology = "schottky"', 'technology = "shottky"'),
    ('frequency = "50/60 Hz"', 'frequency = "mains"'),
    ("primary_turns = 120", 'primary_turns = "many"'),
)

BAD_FILES: Mapping[str, tuple[str, list[str]]] = {
    "not TOML": ("a charger, 5 V 2 A\n", ["line 1", "not TOML"]),
    "empty": ("", ["[board] is missing", "[label] is missing"]),
    "binary": ("\x00\x01\x02", ["not TOML"]),
    "not a number": (
        worked.text("wall_charger", ('input_current = "0.35 A"', "power = nan")),
        ["label.power", "not a finite number"],
    ),
    "infinite": (
        worked.text("wall_charger", ('input_current = "0.35 A"', 'power = "inf W"')),
        ["label.power", "not a finite number"],
    ),
    "claim of nothing": (
        worked.text("wall_charger", ('input_current = "0.35 A"', 'power = "0 W"')),
        ["label.power", '"0 W"', "above zero"],
    ),
    "bulk of a farad": (
        worked.text("wall_charger", ('value = "10 uF"', 'value = "1 F"')),
        ["parts.C1.value", "parts.C2.value", '"1 F"', "Check the unit"],
    ),
    "designator twice": (
        worked.text("wall_charger", ("[parts.R4]", "[parts.R3]")),
        ["parts.R3", "written twice", "first on line"],
    ),
    "turns without a ratio": (
        worked.text("wall_charger", ("secondary_turns = 8\n", "")),
        ["parts.T1", "no turns ratio", "secondary_turns"],
    ),
    "turns unknown": (
        worked.text("wall_charger", ("secondary_turns = 8\n", 'secondary_turns = "unknown"\n')),
        ["secondary turns", "count or measure"],
    ),
    "no output": (
        worked.text("wall_charger", ('output = [{ ports = 1, voltage = "5 V", current = "2 A" }]\n', "")),
        ["claims nothing", "Write output ="],
    ),
    "no mains anywhere": (
        worked.text("wall_charger", ('mains = "100..240 V"\n', ""), ('tried_on = "230 V 50 Hz"\n', "")),
        ["label.mains", "--mains 230V"],
    ),
    "leakage above the inductance": (
        worked.text("wall_charger", ('leakage_inductance = "25 uH"', 'leakage_inductance = "25 mH"')),
        ["parts.T1.leakage_inductance", "secondary shorted"],
    ),
    "five faults": (
        worked.text("wall_charger", *FIVE_FAULTS),
        [
            "5 problems",
            '"core_aria" is not a key',
            "core_area",
            '"200 mA"',
            '"schottky"',
            '"mains"',
            '"many"',
        ],
    ),
}


@pytest.mark.parametrize("fault", BAD_FILES)
def test_a_file_that_cannot_be_used(
    fault: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    text, words = BAD_FILES[fault]
    file = tmp_path / "board.toml"
    file.write_text(text, encoding="utf-8")
    code, said = told("check", str(file), monkeypatch=monkeypatch, capsys=capsys)
    assert code == 2
    assert said.startswith("flyback: ")
    assert "Traceback" not in said
    for word in words:
        assert word in said


BAD_CALLS: Mapping[str, tuple[list[str], list[str]]] = {
    "no command": ([], ["Usage: ", "check", "new"]),
    "misspelt command": (["chek", WALL], ["'chek'", "'check'"]),
    "misspelt option": (["check", WALL, "--mians", "230V"], ["'--mians'", "'--mains'"]),
    "misspelt long option": (["check", WALL, "--frequncy", "50Hz"], ["'--frequency'"]),
    "no board": (["check"], ["BOARD"]),
    "two boards": (["check", WALL, WALL], ["unexpected extra argument"]),
    "no file": (["new"], ["FILE"]),
    "no unit": (["check", WALL, "--mains", "230"], ["'--mains'", '"230" has no unit', "230 V"]),
    "comma": (["check", WALL, "--mains", "5,0V"], ["'--mains'", "comma", "5.0V"]),
    "volts for amps": (
        ["check", WALL, "--load", "2 V"],
        ["'--load'", "is a voltage", "a current [A] is expected"],
    ),
    "amps for hertz": (["check", WALL, "--frequency", "50 A"], ["'--frequency'", "is a current"]),
    "ohms for volts": (["check", WALL, "--dc", "4k7"], ["'--dc'"]),
    "words for volts": (["check", WALL, "--dc", "plenty"], ["'--dc'", '"plenty"']),
    "nothing for volts": (["check", WALL, "--dc", ""], ["'--dc'"]),
    "infinite": (["check", WALL, "--mains", "inf V"], ["'--mains'"]),
    "a range": (["check", WALL, "--mains", "200..240 V"], ["'--mains'", "range", "one value"]),
    "a tolerance": (["check", WALL, "--mains", "230 V ±10 %"], ["'--mains'", "one value"]),
    "no number of samples": (["check", WALL, "--samples", "many"], ["'--samples'", "'many'"]),
    "few samples": (["check", WALL, "--samples", "99"], ["samples: 99"]),
    "mains too high": (["check", WALL, "--mains", "2kV"], ["mains: 2000 V", "40 to 500 V"]),
    "mains and bench supply": (["check", WALL, "--mains", "230V", "--dc", "150V"], ["exclude each other"]),
    "all at once": (
        ["check", WALL, "--mains", "2V", "--mains", "2kV", "--load", "2000A", "--samples", "5"],
        ["mains: 2 V", "mains: 2000 V", "load: 2000 A", "samples: 5"],
    ),
    "missing file": (["check", "nowhere.toml"], ["no file nowhere.toml", "flyback new"]),
    "misspelt file": (["check", WALL.replace("charger", "chargr")], ["Did you mean", "wall_charger.toml"]),
    "directory": (["check", str(ROOT)], ["is a directory"]),
    "empty name": (["check", ""], []),
    "name too long": (["check", "x" * 5000], []),
    "new over a directory": (["new", str(ROOT)], ["is a directory"]),
    "new in no directory": (["new", "/nowhere/at/all.toml"], ["no directory /nowhere/at"]),
}


@pytest.mark.parametrize("call", BAD_CALLS)
def test_a_call_that_cannot_be_used(
    call: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    arguments, words = BAD_CALLS[call]
    code, said = told(*arguments, monkeypatch=monkeypatch, capsys=capsys)
    assert code == 2
    assert said
    assert "Traceback" not in said
    for word in words:
        assert word in said


@pytest.mark.parametrize(
    "arguments",
    [
        ["check", "nowhere.toml"],
        ["check", WALL, "--mains", "230"],
        ["check", WALL, "--samples", "5"],
        ["check", "tests/worked.py"],
    ],
)
def test_a_process_leaves_with_words_too(arguments: list[str]) -> None:
    done = run(*arguments)
    assert (done.returncode, done.stdout) == (2, b"")
    assert done.stderr
    assert b"Traceback" not in done.stderr


def test_an_unreadable_name_is_no_traceback(tmp_path: Path) -> None:
    done = run("check", os.fsdecode(os.fsencode(str(tmp_path)) + b"/caf\xe9.toml"))
    assert done.returncode == 2
    assert b"Traceback" not in done.stderr


# --- new ------------------------------------------------------------------------------------------


def test_new_writes_a_file_that_check_takes(tmp_path: Path) -> None:
    file = tmp_path / "charger.toml"
    result = invoke("new", str(file))
    assert result.exit_code == 0
    assert f"Wrote {file}." in result.output
    assert f"flyback check {file}" in result.output
    assert invoke("check", str(file), *FAST).exit_code == 0


def test_new_never_overwrites(tmp_path: Path) -> None:
    file = tmp_path / "charger.toml"
    file.write_text("precious", encoding="utf-8")
    for number in (2, 3):
        result = invoke("new", str(file))
        assert result.exit_code == 0
        assert f"Wrote {tmp_path / f'charger-{number}.toml'}" in result.output
        assert f"{file} exists and is kept" in result.output
    assert file.read_text(encoding="utf-8") == "precious"
    assert sorted(entry.name for entry in tmp_path.iterdir()) == [
        "charger-2.toml",
        "charger-3.toml",
        "charger.toml",
    ]


# --- pipes and encodings --------------------------------------------------------------------------


@pytest.mark.parametrize("lines", [0, 1])
@pytest.mark.parametrize("unbuffered", ["", "1"])
@pytest.mark.parametrize("options", [[], ["--json"]], ids=["text", "json"])
def test_a_reader_that_goes_early(lines: int, unbuffered: str, options: list[str]) -> None:
    with subprocess.Popen(
        [sys.executable, "-m", "flyback", "check", WALL, *FAST, *options],
        cwd=ROOT,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        env={**os.environ, "PYTHONUNBUFFERED": unbuffered},
    ) as process:
        assert process.stdout
        assert process.stderr
        read = [process.stdout.readline() for _ in range(lines)]
        process.stdout.close()
        assert process.stderr.read() == b""
        assert process.wait(timeout=60) in (0, 1)
    assert all(line.startswith((b"Wall charger ", b"{")) for line in read)


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no device that is always full")
@pytest.mark.parametrize(
    "arguments", [["check", BEDSIDE, *FAST], ["check", BEDSIDE, *FAST, "--json"], ["--help"]]
)
def test_a_full_disk(arguments: list[str]) -> None:
    with Path("/dev/full").open("wb") as full:
        done = subprocess.run(
            [sys.executable, "-m", "flyback", *arguments],
            cwd=ROOT,
            stdout=full,
            stderr=subprocess.PIPE,
            timeout=60,
            check=False,
        )
    assert done.returncode == 2
    assert done.stderr.startswith(b"flyback: the output cannot be written")
    assert b"Traceback" not in done.stderr
    assert b"Exception" not in done.stderr


@pytest.mark.parametrize(
    ("encoding", "ohms", "celsius"),
    [
        ("ascii", "1.20 ohm", "100 deg C"),
        ("latin-1", "1.20 ohm", "100 °C"),
        ("cp1252", "1.20 ohm", "100 °C"),
        ("utf-8", "1.20 Ω", "100 °C"),
    ],
)
def test_signs_a_terminal_lacks_are_spelt(encoding: str, ohms: str, celsius: str) -> None:
    done = run("check", WALL, "--samples", "500", PYTHONIOENCODING=encoding)
    assert (done.returncode, done.stderr) == (0, b"")
    text = done.stdout.decode(encoding)
    assert f"R3 || R4 = {ohms} " in text
    assert celsius in text
    assert "?" not in text


@pytest.mark.parametrize("encoding", ["ascii", "latin-1"])
def test_a_micro_sign_is_never_lost(encoding: str) -> None:
    # "2.20 ?F" would be anything from picofarads to farads
    text = run("check", str(path("travel_cube")), "--samples", "500", PYTHONIOENCODING=encoding).stdout
    assert f"C1 = 2.20 {'u' if encoding == 'ascii' else 'µ'}F" in text.decode(encoding)


@pytest.mark.parametrize("encoding", ["ascii", "latin-1", "utf-8"])
def test_json_is_json_in_any_encoding(encoding: str) -> None:
    done = run("check", BEDSIDE, *FAST, "--json", PYTHONIOENCODING=encoding)
    assert done.returncode == 1
    # where the encoding is ASCII, UTF-8 is written all the same
    assert (
        json.loads(done.stdout.decode("utf-8" if encoding == "ascii" else encoding))["format_version"] == 1
    )


@pytest.mark.parametrize("encoding", ["ascii", "latin-1"])
def test_names_an_encoding_lacks_are_no_traceback(encoding: str, tmp_path: Path) -> None:
    file = tmp_path / "board.toml"
    file.write_text(worked.text("wall_charger", ('"Wall charger"', '"Ładowarka 床头"')), encoding="utf-8")
    done = run("check", str(file), *FAST, PYTHONIOENCODING=encoding)
    assert (done.returncode, done.stderr) == (0, b"")
    assert done.stdout.startswith(b"?adowarka ??")


def test_faults_in_an_encoding_that_lacks_them(tmp_path: Path) -> None:
    file = tmp_path / "board.toml"
    file.write_text(worked.text("wall_charger", ('delay = "200 ns"', 'delay = "200 µΩ"')), encoding="utf-8")
    done = run("check", str(file), PYTHONIOENCODING="latin-1")
    assert done.returncode == 2
    assert "Traceback" not in done.stderr.decode("latin-1")
    assert '"200 µohm"' in done.stderr.decode("latin-1")
