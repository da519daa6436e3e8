"""Other things seen on the way, that no claim asks about."""

from __future__ import annotations

from flyback.analysis.assessment import Assessment
from flyback.analysis.ceilings import Question
from flyback.analysis.circuit import Circuit, Supply
from flyback.analysis.demand import CLOSE
from flyback.units import format_quantity

CLEAR_OF_REFLECTED = 1.1
"""A clamp below this many reflected voltages takes a large share of every pulse (our choice)."""


WORTH_SAYING = 0.995
"""A power share lower than this by alternating pulses is told."""


def notices(circuit: Circuit, supply: Supply, assessment: Assessment) -> tuple[str, ...]:
    """What a tester should know besides the verdict, in sentences."""
    found = []
    row = max(circuit.board.label.outputs, key=lambda r: r.voltage, default=None)
    if row is not None and supply.V_rail is not None and not circuit.second_converter:
        off = abs(float(supply.V_rail) / row.voltage - 1)
        rail = format_quantity(float(supply.V_rail), "voltage")
        if off > CLOSE and len({other.voltage for other in circuit.board.label.outputs}) == 1:
            found.append(
                f"The rail is set to {rail}, but the label says {row.voltage:g} V, at which it is judged "
                "here: re-read the divider and the reference, or measure the rail."
            )
        elif 0.05 < off <= CLOSE:
            found.append(f"The rail is set to {rail}; the label says {row.voltage:g} V.")
    found += _clamp_notice(assessment)
    for column in assessment.columns:
        for step in column.steps:
            if step.rung.name == "current limit" and step.subharmonics < WORTH_SAYING:
                lower = f"{100 * (1 - step.subharmonics):.0f} %"
                found.append(
                    f"At {column.line.full_name} and the current limit the pulses alternate (duty above "
                    f"one half, too little ramp): the power may be {lower} lower; the band is widened "
                    "by that."
                )
    if assessment.unsettled:
        found.append(f"{assessment.unsettled} samples did not settle on a bulk valley.")
    return tuple(found)


def _clamp_notice(assessment: Assessment) -> list[str]:
    """A clamp at the reflected voltage eats the output; more likely something was misread."""
    for step in assessment.worst.steps:
        loaded, delivered = step.ceiling.loaded, step.ceiling.delivered
        if loaded is None or delivered is None or step.rung.question is not Question.REACH:
            continue
        V_c, V_r = float(delivered.V_c), float(loaded.load.V_r)
        if V_c < CLEAR_OF_REFLECTED * V_r:
            clamp, reflected = format_quantity(V_c, "voltage"), format_quantity(V_r, "voltage")
            return [
                f"The clamp at {clamp} is hardly above the reflected voltage of {reflected} and takes "
                "much of every pulse: re-read the turns, the rail voltage and the clamp."
            ]
        break
    return []
