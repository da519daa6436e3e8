"""The switching simulation: time of a pulse, growth with the span, memory of a long run.

Not part of the tests: run with `--benchmark-only -s`. Seconds are printed; growth is asserted here, with
room for a busy machine, because it does not depend on the machine's speed the way seconds do.
"""

from __future__ import annotations

import resource
import time

import pytest
from published.simulated import CASES
from published.switching import Scenario, scenarios_of

from flyback.analysis.waveforms import cycle, full
from flyback.analysis.waveforms.run import Run

REPEATS = 15
MILLION = 1_000_000


@pytest.fixture(scope="module")
def on_mains() -> Scenario:
    """Kind h of the outside simulation: mains, bulk, voltage loop, 5 V 1 A; 20 ms are 1300 pulses."""
    (scenario,) = scenarios_of("h1_full_5V1A_100V50", CASES["h1_full_5V1A_100V50"])
    return scenario


def run_cycle(s: Scenario, span: float) -> tuple[Run, float]:
    began = time.perf_counter()
    run = cycle.simulate(s.converter, s.load, s.state, span=span)
    return run, time.perf_counter() - began


def test_cycle_20_ms(benchmark, on_mains):
    run, _ = benchmark.pedantic(
        run_cycle, args=(on_mains, 20e-3), rounds=REPEATS, iterations=1, warmup_rounds=1
    )
    best = benchmark.stats.stats.min
    print(
        f"\ncycle: 20 ms, {run.figures.pulses} pulses in {1e3 * best:.2f} ms "
        f"(median {1e3 * benchmark.stats.stats.median:.2f} ms), "
        f"{1e6 * best / run.figures.pulses:.2f} us a pulse (aim 10); "
        f"energy found nowhere {run.energy.residual:.0e}"
    )


def test_cycle_grows_linearly(benchmark, on_mains):
    short = min(run_cycle(on_mains, 20e-3)[1] for _ in range(REPEATS))
    _, long = benchmark.pedantic(run_cycle, args=(on_mains, 200e-3), rounds=3, iterations=1)
    print(f"\ncycle: 20 ms {1e3 * short:.2f} ms, 200 ms {1e3 * long:.1f} ms: {long / short:.1f} x for 10")
    assert long / short < 13


def test_cycle_a_million_pulses(benchmark, on_mains):
    run_cycle(on_mains, 0.5)
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    span = MILLION / on_mains.converter.control.f_s
    run, seconds = benchmark.pedantic(run_cycle, args=(on_mains, span), rounds=1, iterations=1)
    grown = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before
    print(
        f"\ncycle: {run.figures.pulses} pulses ({span:.1f} s) in {seconds:.1f} s, "
        f"{1e6 * seconds / run.figures.pulses:.2f} us each; {len(run.pulses.t)} rows, "
        f"memory grown by {grown / 1024:.1f} MiB; energy found nowhere {run.energy.residual:.0e}"
    )
    assert grown < 20 * 1024, "memory must not grow with the number of pulses"


def test_full_grows_linearly(benchmark, on_mains):
    def seconds(span: float) -> float:
        began = time.perf_counter()
        full.simulate(on_mains.converter, on_mains.load, on_mains.state, span=span)
        return time.perf_counter() - began

    seconds(1e-3)
    short = min(seconds(5e-3) for _ in range(3))
    long = benchmark.pedantic(seconds, args=(20e-3,), rounds=2, iterations=1)
    print(f"\nfull: 5 ms {short:.3f} s, 20 ms {long:.3f} s: {long / short:.2f} x for 4")
    assert long / short < 5.5
