"""Parts of published designs found backwards: without a look at their own value, and noticed when wrong."""

from __future__ import annotations

from dataclasses import replace

import pytest

from .cases import RECOMPUTED, published_cases
from .recomputed_parts import PARTS

CASES = {case.key: case for case in published_cases()}


@pytest.mark.parametrize(("example", "part"), PARTS)
def test_a_part_is_found_without_its_own_value(example: str, part: str) -> None:
    case = CASES[example, part]
    others = {name: value for name, value in case.inputs.items() if name != part}
    assert part in case.inputs
    assert RECOMPUTED[case.key].compute(others) == RECOMPUTED[case.key].compute(case.inputs)


@pytest.mark.parametrize(
    ("example", "part", "wrong"),
    [
        ("valley-15w-33u", "Cbulk", "34e-6"),
        ("valley-6w-13u6-a", "Cbulk", "13.8e-6"),
        ("ccm-12v-15w-ef25", "Ns", "7"),
        ("ccm-24v-60w", "Rcs", "0.43"),
        ("qr-19v-lowline", "Rs", "0.16"),
        ("qr-19v-lowline", "Lp", "402e-6"),
        ("psr-turns-window-5v", "n_hi", "15.9"),
        ("bench-5v-0a5-stress", "R2", "5.7"),
        ("ocap-esr-equal-case", "ESR", "0.056"),
    ],
)
def test_a_wrong_part_is_noticed(example: str, part: str, wrong: str) -> None:
    case = CASES[example, part]
    ours = RECOMPUTED[case.key].compute(case.inputs)
    assert case.check(ours).holds, str(case.check(ours))
    assert not replace(case, printed=wrong).check(ours).holds


@pytest.mark.parametrize(
    ("example", "part", "effect"),
    [("qr-19v-lowline", "Rs", "Po_max"), ("valley-15w-33u", "Cbulk", "Vdc_min")],
)
def test_there_and_back(example: str, part: str, effect: str) -> None:
    """The part that was found gives the printed effect, by the forward recomputation."""
    case, forward = CASES[example, part], CASES[example, effect]
    found = RECOMPUTED[case.key].compute(case.inputs)
    assert RECOMPUTED[forward.key].compute({**forward.inputs, part: found}) == pytest.approx(
        case.inputs[effect], rel=1e-9
    )
