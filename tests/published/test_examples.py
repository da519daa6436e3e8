"""Published worked examples, recomputed with our formulas to the last printed digit."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import pytest

from .cases import RECOMPUTED, PublishedCase, half_last_digit, published_cases, published_checks
from .recomputed_design import quasi_resonant_frequency, valley_from_the_crest
from .rows import Check, Kind

CASES = {case.key: case for case in published_cases()}
VALLEY_15W = CASES["valley-15w-33u", "Vdc_min_exact"]
VALLEY_6W = CASES["valley-6w-13u6-a", "Vdc_min_exact"]
LOWLINE = CASES["qr-19v-lowline", "f_min_at_162V6"]


def rows_of(kind: Kind) -> list[object]:
    """The published rows of one kind, each under its name."""
    return [pytest.param(check, id=check.name) for check in published_checks() if check.kind is kind]


@pytest.mark.parametrize("check", rows_of(Kind.PUBLISHED))
def test_published_figure(check: Check) -> None:
    assert check.holds, str(check)


@pytest.mark.parametrize("check", rows_of(Kind.FITTED))
def test_figure_from_which_an_input_was_solved(check: Check) -> None:
    """Agreement is no confirmation: it shows that our formula is the source's."""
    assert check.holds, str(check)


@pytest.mark.parametrize("check", rows_of(Kind.SECOND_PATH))
def test_second_path_which_is_no_source(check: Check) -> None:
    assert check.holds, str(check)


@pytest.mark.parametrize("check", rows_of(Kind.PRACTICE))
def test_common_practice(check: Check) -> None:
    assert check.holds, str(check)


@pytest.mark.parametrize("check", rows_of(Kind.PLAUSIBILITY))
def test_efficiency_lies_within_reach_of_built_boards(check: Check) -> None:
    assert check.holds, str(check)


def test_no_published_row_escapes_the_tests_above() -> None:
    tested = {Kind.PUBLISHED, Kind.FITTED, Kind.SECOND_PATH, Kind.PRACTICE, Kind.PLAUSIBILITY}
    assert {check.kind for check in published_checks()} == tested


# What does not come out as printed, and why


def test_the_low_line_frequency_does_not_belong_to_the_printed_voltage() -> None:
    """Printed for 127 V; it is the frequency at 162.6 V, the crest of 115 V."""
    at_printed_voltage = LOWLINE.check(quasi_resonant_frequency(LOWLINE.inputs, LOWLINE.inputs["Vdc"]))
    assert not at_printed_voltage.holds
    assert at_printed_voltage.difference == pytest.approx(-0.10, abs=0.01)
    assert LOWLINE.check(quasi_resonant_frequency(LOWLINE.inputs, 162.6)).holds


def test_the_misprinted_output_current_is_ten_times_too_large() -> None:
    case = CASES["rcc-5v-0a4-spec", "Io_max"]
    ours = RECOMPUTED[case.key].compute(case.inputs)
    assert not replace(case, printed="4.8").check(ours).holds
    assert replace(case, printed="4.8").check(10 * ours).holds


@pytest.mark.parametrize(
    ("case", "power"),
    [
        (VALLEY_15W, VALLEY_15W.inputs["Po"] / VALLEY_15W.inputs["eta"]),
        (VALLEY_6W, VALLEY_6W.inputs["Pin"]),
    ],
    ids=["15 W", "6 W"],
)
def test_the_departure_angle_alone_parts_us_from_the_recomputed_valley(
    case: PublishedCase, power: float
) -> None:
    from_the_crest = valley_from_the_crest(case.inputs, power)
    assert from_the_crest == pytest.approx(float(case.printed), abs=half_last_digit(case.printed))


# Tolerances


@pytest.mark.parametrize(
    ("printed", "half"),
    [
        ("93", 0.5),
        ("0.52", 0.005),
        ("0.50", 0.005),
        ("1.85e-06", 0.005e-6),
        ("49.6e3", 50),
        ("35e-5", 0.5e-5),
        ("1884e-6", 0.5e-6),
    ],
)
def test_tolerance_is_half_the_last_printed_digit(printed: str, half: float) -> None:
    assert half_last_digit(printed) == pytest.approx(half, rel=1e-12)


LAST_DIGITS: list[tuple[str, str, Mapping[str, float]]] = [
    ("dcm-6w-inductance", "Lm", {"ton_B": 0.005e-6}),
    ("dcm-6w-inductance", "toff_C", {"Vo_C": 0.05}),
    ("ccm-12v-15w-ef25", "A_LG", {"Lp": 0.5e-6}),
    ("qr-19v-lowline", "f_min_at_162V6", {"n21": 0.0005, "VF": 0.05, "td": 0.005e-6}),
    ("qr-19v-lowline", "Po_max", {"f_min": 50}),
    ("valley-6w-13u6-a", "Cbulk", {"Vdc_min": 0.5}),
    ("psr-turns-window-5v", "n_lo", {"Vr_lo": 0.5}),
    ("bench-arithmetic", "R_led", {"I_led": 0.05e-3}),
]


@pytest.mark.parametrize(("example", "figure", "digits"), LAST_DIGITS)
def test_a_tolerance_is_widened_no_further_than_the_last_digits_of_its_inputs(
    example: str, figure: str, digits: Mapping[str, float]
) -> None:
    case = CASES[example, figure]
    compute = RECOMPUTED[case.key].compute
    moved = sum(
        abs(compute({**case.inputs, name: case.inputs[name] + half}) - compute(case.inputs))
        for name, half in digits.items()
    )
    assert case.reach is not None
    assert max(case.reach) <= half_last_digit(case.printed) + moved


def test_every_other_widened_tolerance_is_explained_by_a_test_here() -> None:
    widened = {case.key for case in published_cases() if case.reach and not case.plausibility}
    by_digits = {(example, figure) for example, figure, _ in LAST_DIGITS}
    assert widened == by_digits | {VALLEY_15W.key, VALLEY_6W.key}


# The checks can fail


@pytest.mark.parametrize(
    ("example", "figure", "wrong"),
    [
        ("valley-15w-33u", "Vdc_min", "94"),
        ("ccm-12v-15w-ef25", "Is_rms", "2.24"),
        ("dcm-6w-inductance", "Lm", "530e-6"),
        ("ccm-12v-15w-ef25", "Lp", "1885e-6"),
        ("qr-19v-lowline", "Po_max_at_127V", "85.3"),
        ("valley-15w-33u", "Vdc_min_exact", "85.4"),
        ("eff-headlines", "5V_2A_avg", "0.89"),
        ("bench-arithmetic", "label_power", "18"),
        ("bench-arithmetic", "led_current", "0.2e-3"),
    ],
)
def test_a_wrong_figure_is_noticed(example: str, figure: str, wrong: str) -> None:
    case = CASES[example, figure]
    ours = RECOMPUTED[case.key].compute(case.inputs)
    assert case.check(ours).holds
    assert not replace(case, printed=wrong).check(ours).holds
