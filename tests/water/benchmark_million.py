"""Seconds and memory of the water stage on a million laboratory results.

Run ``python tests/water/benchmark_million.py``; it prints a table and asserts nothing.
"""

import resource
import time

import numpy as np
import pandas as pd

from linemap.water import (
    check_kits,
    percentile_90,
    read_pairs,
    results_summary,
    summarize_censored,
    water_summary,
)

RESULTS = 1_000_000


def main() -> None:
    """Make the results, time each step and print it."""
    rng = np.random.default_rng(1)
    n = RESULTS // 2
    x = rng.lognormal(0.5, 1.2, RESULTS)
    limit = rng.choice([0.5, 1.0, 2.0], RESULTS)
    below = x < limit
    kit = [f"K{i:07d}" for i in range(n)]
    samples = pd.DataFrame(
        {
            "kit_id": np.repeat(kit, 2),
            "draw": pd.Categorical(np.tile(["first", "flushed"], n)),
            "analyte": pd.Categorical(["lead"] * RESULTS),
            "value_ug_l": np.where(below, np.nan, x),
            "limit_ug_l": limit,
            "below_limit": below,
        }
    )
    homes = [f"P{i % (4 * n // 5)}" for i in range(n)]
    kits = pd.DataFrame({"kit_id": kit, "parcel_id": homes, "stagnation_h": 8.0, "flush_min": 2.0})
    pairs = check_kits(kits, samples)
    values = np.where(below, limit, x)
    steps = {
        "summarize_censored": lambda: summarize_censored(values, below),
        "percentile_90": lambda: percentile_90(values, below_limit=below),
        "check_kits": lambda: check_kits(kits, samples),
        "read_pairs": lambda: read_pairs(pairs),
        "water_summary": lambda: water_summary(pairs, kits),
        "results_summary": lambda: results_summary(samples),
    }
    print(f"{'step':<20} {'wall s':>8} {'cpu s':>8} {'peak GiB':>9}")
    for name, step in steps.items():
        wall, cpu = time.perf_counter(), time.process_time()
        step()
        wall, cpu = time.perf_counter() - wall, time.process_time() - cpu
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20
        print(f"{name:<20} {wall:>8.1f} {cpu:>8.1f} {peak:>9.2f}")


if __name__ == "__main__":
    main()
