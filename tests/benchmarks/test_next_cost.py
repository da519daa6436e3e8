"""What counting the possible measurements along costs the Monte Carlo pass (aim: at most a quarter more).

Not part of the tests: run with `--benchmark-only -s`. Seconds are only printed.
"""

import time

import numpy as np
import pytest

import flyback
from flyback.analysis.ceilings import starting_points
from flyback.analysis.demand import Case, Demand
from flyback.analysis.inputs import mains_line, plain
from flyback.analysis.leverage import leads, started
from flyback.analysis.sampling import sample
from flyback.analysis.tolerance import SAMPLES, SEED
from flyback.analysis.trace import trace

ROUNDS = 9


@np.errstate(all="ignore")
@pytest.mark.parametrize("name", ["bedside_charger", "wall_charger", "hall_charger", "travel_cube"])
def test_counting_along(benchmark, name):
    circuit = trace(flyback.load(f"worked_examples/{name}.toml"))
    lines = [plain(mains_line(V_ac, 50.0)) for V_ac in (90.0, 115.0, 230.0, 264.0)]
    case = Case(circuit, 5.0, (Demand("2 A", 5.0, current=2.0), Demand("1 A", 5.0, current=1.0)))
    supply = circuit.supply({key: value.nominal for key, value in circuit.values.items()})
    nominal = [case.ladder(supply, line) for line in lines]
    starts = [starting_points(supply, line, rows) for line, rows in zip(lines, nominal, strict=True)]

    def run(counting: bool) -> float:
        began = time.process_time()
        leverage = started(case, lines, nominal) if counting else None
        sample(case, lines, nominal, starts, samples=SAMPLES, seed=SEED, leverage=leverage)
        if leverage is not None:
            leads(leverage)
        return time.process_time() - began

    run(True)
    # in turn, so that whatever else the machine does falls on both
    pairs = [(run(False), run(True)) for _ in range(ROUNDS)]
    without, counted = (min(times) for times in zip(*pairs, strict=True))
    benchmark.pedantic(run, args=(True,), rounds=1, iterations=1)
    more = 100 * (counted / without - 1)
    print(f"\n{name}: {1e3 * without:.0f} ms, counted along {1e3 * counted:.0f} ms: {more:+.0f} %")
