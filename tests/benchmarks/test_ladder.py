"""One million samples of the whole ladder, four mains voltages, against drawing random numbers.

Not part of the tests: run with `--benchmark-only -s`. Growth is asserted here because it does not depend on
the machine's speed the way seconds do; seconds are only printed.
"""

import resource
import time

import numpy as np
import pytest

import flyback
from flyback.analysis import tolerance
from flyback.analysis.ceilings import starting_points
from flyback.analysis.demand import Case, Demand
from flyback.analysis.inputs import mains_line
from flyback.analysis.sampling import sample
from flyback.analysis.trace import trace

MILLION = 1_000_000


@pytest.fixture(scope="module")
def prepared():
    """Nominal ladders of the bedside charger at four mains voltages, ready to be sampled."""
    circuit = trace(flyback.load("worked_examples/bedside_charger.toml"))
    lines = [mains_line(V_ac, 50.0) for V_ac in (90.0, 115.0, 230.0, 264.0)]
    case = Case(circuit, 5.0, (Demand("24 W", 5.0, power=24.0),))
    supply = circuit.supply({key: value.nominal for key, value in circuit.values.items()})
    nominal = [case.ladder(supply, line) for line in lines]
    starts = [starting_points(supply, line, rows) for line, rows in zip(lines, nominal, strict=True)]

    def run(samples: int) -> float:
        began = time.perf_counter()
        sample(case, lines, nominal, starts, samples=samples, seed=tolerance.SEED)
        return time.perf_counter() - began

    return circuit, run


def _draw(count: int, columns: int, kind: str) -> float:
    generator = np.random.default_rng(tolerance.SEED)
    draw = getattr(generator, kind)
    began = time.perf_counter()
    for _ in range(0, count, tolerance.BLOCK):
        draw((columns, tolerance.BLOCK))
    return time.perf_counter() - began


def test_million_samples_of_the_ladder(benchmark, prepared):
    circuit, run = prepared
    columns = len({value.cause for value in circuit.values.values() if value.spread})
    run(tolerance.BLOCK)
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    seconds = benchmark.pedantic(run, args=(MILLION,), rounds=1, iterations=1)
    after = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    uniform, normal = (_draw(MILLION, columns, kind) for kind in ("random", "standard_normal"))
    print(
        f"\n{MILLION} samples x 4 mains voltages, {columns} spreads: {seconds:.2f} s\n"
        f"  the same count of uniform numbers {uniform:.3f} s: {seconds / uniform:.0f} times (aim 12)\n"
        f"  the same count of normal numbers  {normal:.3f} s: {seconds / normal:.0f} times (aim 3)\n"
        f"  peak memory {after / 1024:.0f} MiB, grown by {(after - before) / 1024:.1f} MiB"
    )
    assert after - before < 20 * 1024, "memory must not grow with the number of samples"


def test_growth_is_linear(benchmark, prepared):
    _, run = prepared
    run(tolerance.BLOCK)
    small, large = run(10_000), benchmark.pedantic(run, args=(MILLION,), rounds=1, iterations=1)
    print(f"\n10 000 samples {small:.3f} s, 1 000 000 samples {large:.2f} s: {large / small:.0f} x for 100")
    assert large / small < 130
