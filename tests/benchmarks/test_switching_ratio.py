"""Our switching simulation against the outside circuit simulator: 20 ms of a converter on mains.

Not part of the tests: run with `--benchmark-only -s`. Everything is timed in one run on one machine, and
how well the two agree stands beside it.
"""

import math
import subprocess
import sys
import time
from pathlib import Path

import pytest
from published import live
from published.simulated import CASES
from published.switching import MAINS_SETTLED, scenarios_of

from flyback.analysis.waveforms import cycle, full

CASE = "h1_full_5V1A_100V50"
AIM = 500
ENGINES = {"cycle": cycle.simulate, "full": full.simulate}
FIGURES = {
    "V_valley": "bulk_valley",
    "I_pk": "Ipk_mean",
    "P_in": "Pin_bulk",
    "P_o": "Pout",
    "I_p_rms": "Iprms",
    "I_s_rms": "Isrms",
    "I_c_rms": "Icrms",
}
"""Our figures and their names outside."""

EMPTY = "* a resistor\nV1 a 0 1\nR1 a 0 1\n.options reltol=1e-3\n.tran 1m 1m\n.end\n"

PROCESS = """
import sys
sys.path.insert(0, {tests!r})
from published.switching import scenarios_of
from published.simulated import CASES
from flyback.analysis.waveforms import {fidelity}
(s,) = scenarios_of({case!r}, CASES[{case!r}])
{fidelity}.simulate(s.converter, s.load, s.state, span=s.span, measure_from=s.measure_from)
"""


def simulate(fidelity):
    (s,) = scenarios_of(CASE, CASES[CASE])
    begun, ended = MAINS_SETTLED
    return ENGINES[fidelity](s.converter, s.load, s.state, span=ended, measure_from=begun)


def shortest(rounds, call):
    """Shortest of some rounds [s]."""
    found = math.inf
    for _ in range(rounds):
        began = time.perf_counter()
        call()
        found = min(found, time.perf_counter() - began)
    return found


def process(fidelity):
    """Seconds of a fresh Python that imports what it needs and simulates the same 20 ms."""
    code = PROCESS.format(tests=str(Path(__file__).parents[1]), fidelity=fidelity, case=CASE)
    return shortest(3, lambda: subprocess.run([sys.executable, "-c", code], check=True))


def outside(tag, start_up):
    """In-process and whole-process seconds of the simulator, and its figures."""
    run = live.run((live.NETLISTS / f"{CASE}_{tag}.cir").read_text(encoding="utf-8"))
    inside = run.wall - start_up if math.isnan(run.analysis) else run.analysis
    return inside, run.wall, live.figures(run.between(*MAINS_SETTLED), CASES[CASE]["inputs"]["T"])


@pytest.mark.simulator
@pytest.mark.skipif(live.simulator() is None, reason="ngspice is not installed")
def test_20_ms_on_mains_against_the_outside_simulator(benchmark):
    start_up = min(live.run(EMPTY).wall for _ in range(3))
    runs = {tag: outside(tag, start_up) for tag in ("tight", "base")}
    benchmark.pedantic(simulate, args=("cycle",), rounds=3, iterations=1, warmup_rounds=1)
    print(f"\n20 ms of {CASE}, seconds; outside simulator's start-up {start_up:.3f}")
    for tag, (inside, whole, _) in runs.items():
        print(f"  outside, {tag:5}  in process {inside:8.4f}   whole process {whole:7.3f}")
    for fidelity in ENGINES:
        inside, whole = shortest(5, lambda f=fidelity: simulate(f)), process(fidelity)
        figures = simulate(fidelity).figures
        print(f"  ours, {fidelity:8}  in process {inside:8.4f}   whole process {whole:7.3f}")
        for tag, (their_inside, their_whole, theirs) in runs.items():
            aim = f" (aim {AIM})" if (fidelity, tag) == ("cycle", "tight") else ""
            print(
                f"    outside {tag} / ours: in process {their_inside / inside:.1f}{aim}, "
                f"whole process {their_whole / whole:.1f}"
            )
            agreement = (
                f"{name} {100 * (getattr(figures, name) / theirs[outside_name] - 1):+.2f} %"
                for name, outside_name in FIGURES.items()
            )
            print(f"      {', '.join(agreement)}")
