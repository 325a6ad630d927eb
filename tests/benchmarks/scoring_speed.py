"""Processor seconds and memory of the scores, beside plain boosting on the same homes.

    python tests/benchmarks/scoring_speed.py [--sizes 20000 100000] [--million]

Plain boosting is scikit-learn's HistGradientBoosting with its default 100 trees, learned from
the recorded homes on building and place, and asked for every home. Each runs in a process of its
own with one thread; features, graph and evidence are made before the clock starts. Peak memory
is the largest resident size during fit and score, with the tables in it (Linux only).
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import time
from pathlib import Path
from typing import Literal, get_args

import numpy as np
from sklearn.ensemble import HistGradientBoostingClassifier

from linemap.evaluation.baselines import feature_matrix
from linemap.evaluation.labels import record_labels
from linemap.features import build_features, build_graph
from linemap.scoring import Evidence, LineModel
from linemap.water import check_kits
from synthetic_city import make_city

ONE_THREAD = dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"), "1")
Method = Literal["boosting", "spline", "trees", "both"]
METHODS: tuple[Method, ...] = get_args(Method)


def measure(method: Method, parcels: int) -> dict[str, float]:
    """Fit and score one city by one method; return processor and wall seconds and peak [MiB]."""
    city = make_city(parcels, seed=1)
    features, graph = build_features(city.parcels, city.areas), build_graph(city.parcels)
    answers = city.answers.merge(city.kits[["kit_id", "parcel_id"]], on="kit_id")
    lines = city.lines.rename_axis("parcel_id").reset_index()
    told = Evidence(lines, city.checks, check_kits(city.kits, city.samples), answers)
    x = feature_matrix(features).to_numpy(dtype=float)
    label = record_labels(lines, features.index).to_numpy(dtype=float)
    seen = np.isfinite(label)
    del city
    Path("/proc/self/clear_refs").write_text("5")  # sets the peak back to the present size
    cpu, wall = time.process_time(), time.perf_counter()
    if method == "boosting":
        model = HistGradientBoostingClassifier(early_stopping=False, random_state=1)
        model.fit(x[seen], label[seen]).predict_proba(x)
    else:
        LineModel(prior=method, seed=1).fit(features, graph, told).score()
    cpu, wall = time.process_time() - cpu, time.perf_counter() - wall
    status = Path("/proc/self/status").read_text().splitlines()
    peak = next(int(line.split()[1]) for line in status if line.startswith("VmHWM"))
    return {"cpu": cpu, "wall": wall, "peak": peak / 1024}


def main() -> None:
    """Measure every method at every size and print the table."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--sizes", type=int, nargs="+", default=[20_000, 100_000])
    parser.add_argument("--million", action="store_true", help="a million parcels as well")
    parser.add_argument("--methods", nargs="+", default=list(METHODS[:2]), choices=METHODS)
    parser.add_argument("--one", nargs=2, help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.one:
        print(json.dumps(measure(given.one[0], int(given.one[1]))))
        return
    methods = ["boosting", *(name for name in given.methods if name != "boosting")]
    print("| parcels | method | processor s | wall s | peak MiB | s / boosting | MiB / boosting |")
    print("|---|---|---|---|---|---|---|")
    for size in [*given.sizes, *([1_000_000] if given.million else [])]:
        plain: dict[str, float] = {}
        for method in methods:
            done = subprocess.run(
                [sys.executable, __file__, "--one", method, str(size)],
                env=os.environ | ONE_THREAD,
                stdout=subprocess.PIPE,
                check=True,
            )
            row = json.loads(done.stdout)
            plain = plain or row
            ratio = f"{row['cpu'] / plain['cpu']:.1f} | {row['peak'] / plain['peak']:.1f}"
            name = method if method == "boosting" else f"linemap, {method}"
            print(
                f"| {size:,} | {name} | {row['cpu']:.1f} | {row['wall']:.1f} | "
                f"{row['peak']:.0f} | {ratio} |",
                flush=True,
            )


if __name__ == "__main__":
    main()
