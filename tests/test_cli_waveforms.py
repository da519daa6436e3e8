"""`flyback waveforms` and `flyback envelope`: options, files, words instead of tracebacks, Ctrl-C."""

from __future__ import annotations

import sys
import types
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
import waves
from click.testing import CliRunner, Result
from test_imports import HEAVY, command
from worked import path

from flyback import cli
from flyback.analysis.envelope import Envelope
from flyback.analysis.waveforms.scene import Scene

WALL = str(path("wall_charger"))
FAST = ("--samples", "100", "--mains", "230V")


class Called:
    """Stands for an analysis: keeps what it was called with, and gives back a made-up result."""

    def __init__(self, result: object) -> None:
        self.result = result
        self.options: dict[str, Any] = {}

    def __call__(self, board: object, **options: Any) -> object:
        self.options = options
        options["progress"](0.5)
        if isinstance(self.result, BaseException):
            raise self.result
        return self.result


def invoke(*arguments: str) -> Result:
    # the command sets this variable, which the runner then takes back
    runner = CliRunner(env={"OPENBLAS_NUM_THREADS": "1"})
    return runner.invoke(cli.main, list(arguments), prog_name="flyback")


def replaced(monkeypatch: pytest.MonkeyPatch, module: str, name: str, result: object) -> Called:
    called = Called(result)
    stand_in = types.ModuleType(module)
    setattr(stand_in, name, called)
    monkeypatch.setitem(sys.modules, module, stand_in)
    return called


def simulated(monkeypatch: pytest.MonkeyPatch, result: Scene | BaseException | None = None) -> Called:
    result = waves.scene() if result is None else result
    return replaced(monkeypatch, "flyback.analysis.waveforms.scene", "scene", result)


def computed(monkeypatch: pytest.MonkeyPatch, result: Envelope | None = None) -> Called:
    result = waves.envelope() if result is None else result
    return replaced(monkeypatch, "flyback.verdict.output", "volts_and_amps", result)


# --- options --------------------------------------------------------------------------------------


def test_without_options_nothing_is_asked_for(monkeypatch: pytest.MonkeyPatch) -> None:
    called = simulated(monkeypatch)
    result = invoke("waveforms", WALL)
    assert result.exit_code == 0
    assert result.output.startswith("Wall charger ")
    del called.options["progress"]
    assert called.options == {
        "load": None,
        "mains": None,
        "frequency": None,
        "dc": None,
        "span": None,
        "fidelity": None,
        "start": False,
    }


def test_every_option_reaches_the_simulation(monkeypatch: pytest.MonkeyPatch) -> None:
    called = simulated(monkeypatch)
    options = ["--mains", "230V", "--frequency", "50Hz", "--dc", "150V", "--span", "40us"]
    result = invoke("waveforms", WALL, *options, "--fidelity", "full", "--start", "--load", "1A,2A")
    assert result.exit_code == 0
    asked = called.options
    assert (asked["mains"], asked["frequency"], asked["dc"]) == (230.0, 50.0, 150.0)
    assert asked["span"] == pytest.approx(40e-6)
    assert (asked["fidelity"], asked["start"]) == ("full", True)
    assert (asked["load"].first, asked["load"].last, asked["load"].step) == (1.0, 2.0, True)


def test_every_option_reaches_the_envelope(monkeypatch: pytest.MonkeyPatch) -> None:
    called = computed(monkeypatch)
    options = ["--mains", "90V", "--mains", "230V", "--frequency", "60Hz", "--samples", "200"]
    assert invoke("envelope", WALL, *options, "--no-simulation").exit_code == 0
    del called.options["progress"]
    assert called.options == {
        "mains": (90.0, 230.0),
        "frequency": 60.0,
        "dc": None,
        "samples": 200,
        "simulate": False,
    }
    assert invoke("envelope", WALL, "--dc", "150V").exit_code == 0
    assert (called.options["mains"], called.options["dc"], called.options["simulate"]) == (
        None,
        150.0,
        True,
    )


@pytest.mark.parametrize("name", ["waveforms", "envelope"])
def test_help_is_short(name: str) -> None:
    result = invoke(name, "--help")
    assert result.exit_code == 0
    assert max(map(len, result.output.splitlines())) <= 80
    for option in ("--mains", "--frequency", "--dc", "-o FILE"):
        assert option in result.output


def test_help_of_waveforms_tells_the_exit_codes() -> None:
    assert "130  stopped with Ctrl-C" in invoke("waveforms", "--help").output


# --- files ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["waveforms", "envelope"])
@pytest.mark.parametrize(("suffix", "begins"), [(".svg", b"<?xml"), (".png", b"\x89PNG"), (".csv", None)])
def test_a_file_is_written_and_never_over_another(
    name: str, suffix: str, begins: bytes | None, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    simulated(monkeypatch)
    computed(monkeypatch)
    wanted = tmp_path / f"drawing{suffix}"
    plain = invoke(name, WALL)
    first = invoke(name, WALL, "-o", str(wanted))
    assert first.exit_code == 0
    assert first.output == f"{plain.output}Wrote {wanted}.\n"
    written = wanted.read_bytes()
    head = {"waveforms": b"time_s,primary_current_A", "envelope": b"line,source,output_voltage_V"}[name]
    assert written.startswith(begins or head)
    second = invoke(name, WALL, "-o", str(wanted))
    other = tmp_path / f"drawing-2{suffix}"
    assert second.output.endswith(f"Wrote {other} ({wanted} exists and is kept).\n")
    assert wanted.read_bytes() == written
    assert other.exists()


def test_no_file_is_written_unless_asked_for(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    simulated(monkeypatch)
    monkeypatch.chdir(tmp_path)
    invoke("waveforms", WALL)
    assert list(tmp_path.iterdir()) == []


# --- what cannot be used --------------------------------------------------------------------------

BAD_CALLS: dict[str, tuple[list[str], list[str]]] = {
    "another kind of file": (["waveforms", "-o", "a.pdf"], ["'-o'", "must end in .svg, .png or .csv"]),
    "no kind of file": (["envelope", "-o", "drawing"], ["'-o'", "must end in .svg, .png or .csv"]),
    "no directory": (["waveforms", "-o", "/nowhere/at/all.svg"], ["'-o'", "no directory /nowhere/at"]),
    "volts for a load": (["waveforms", "--load", "2V"], ["'--load'", '"2V" is a voltage', "2.5ohm"]),
    "two kinds of load": (["waveforms", "--load", "1A..2W"], ["'--load'", "from a current to a power"]),
    "decimal comma": (["waveforms", "--load", "1,5A"], ["'--load'", "Write a decimal with a point"]),
    "volts for a span": (["waveforms", "--span", "2V"], ["'--span'", "is a voltage"]),
    "another fidelity": (["waveforms", "--fidelity", "half"], ["'--fidelity'", "'cycle', 'full'"]),
    "no unit": (["envelope", "--mains", "230"], ["'--mains'", '"230" has no unit']),
}


@pytest.mark.parametrize("call", BAD_CALLS)
def test_a_call_that_cannot_be_used(call: str, monkeypatch: pytest.MonkeyPatch) -> None:
    called = [simulated(monkeypatch), computed(monkeypatch)]
    arguments, words = BAD_CALLS[call]
    result = invoke(*arguments, WALL)
    assert result.exit_code == 2
    said = " ".join(result.output.split())
    for word in words:
        assert word in said
    assert [one.options for one in called] == [{}, {}]  # refused before the work


# --- ends -----------------------------------------------------------------------------------------


def test_a_partial_result_is_shown_written_and_told_by_the_exit_code(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    run = replace(waves.two_cycles(), finished=False, notices=("the output voltage is not finite",))
    simulated(monkeypatch, waves.scene(run))
    result = invoke("waveforms", WALL, "-o", str(tmp_path / "a.csv"))
    assert result.exit_code == 1
    assert "Partial result" in result.output
    assert "the output voltage is not finite" in result.output
    assert (tmp_path / "a.csv").exists()


@pytest.mark.parametrize("name", ["waveforms", "check"])
def test_ctrl_c_leaves_with_words(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    simulated(monkeypatch, KeyboardInterrupt())

    def interrupted(*arguments: object, **options: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("flyback.verdict.check.check", interrupted)
    result = invoke(name, WALL)
    assert result.exit_code == 130
    assert result.stderr == "flyback: stopped with Ctrl-C.\n"
    assert result.stdout == ""


# --- what is loaded -------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["waveforms", "envelope"])
def test_help_is_light(name: str) -> None:
    assert command(name, "--help").isdisjoint(HEAVY)


@pytest.mark.parametrize("name", ["waveforms", "envelope"])
def test_text_loads_no_drawing(name: str) -> None:
    packages = command(name, WALL, "--mains", "230V")
    assert "numpy" in packages
    assert packages.isdisjoint(("matplotlib", "pint", "sympy"))


# --- the real thing -------------------------------------------------------------------------------


def test_two_cycles_of_a_board(tmp_path: Path) -> None:
    file = tmp_path / "a.svg"
    result = invoke("waveforms", WALL, "--load", "2A", "--mains", "230V", "-o", str(file))
    assert result.exit_code == 0
    assert "load 2.00 A on 230 V 50 Hz" in result.output
    assert "Simulated: 2 pulses in 30.8 µs, 65.0 kHz" in result.output
    assert file.stat().st_size > 10_000


def test_volts_and_amps_of_a_board(tmp_path: Path) -> None:
    file = tmp_path / "a.svg"
    result = invoke("envelope", WALL, *FAST, "-o", str(file))
    assert result.exit_code == 0
    assert "230 V 50 Hz" in result.output
    assert "Simulated: cycle: pulse by pulse, no ringing." in " ".join(result.output.split())
    assert file.stat().st_size > 10_000
    assert "simulated" not in invoke("envelope", WALL, *FAST, "--no-simulation").output
