"""Seconds and memory of a run, stage by stage, beside a plain script on the same data.

The plain script does with geopandas and scikit-learn what an analyst would write in a day: read
parcels, records and checks, an age rule, the share of lead among the nearest checked homes, and
gradient boosting on building and place; it judges and explains nothing, draws no map and chooses
no kits. Both work on the same invented city, one after the other, each in a process of its own
with one thread. Run it on an idle machine::

    python tests/benchmarks/million.py [--sizes 20000 100000 1000000] [--folder DIR]

``--folder`` keeps the invented cities for the next time. Peak memory of a stage is the largest
resident size while it ran, taken from the kernel (Linux only).
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

ONE_THREAD = dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"), "1")
MIB = 1024.0


class Laps:
    """Wall seconds, processor seconds and peak memory [MiB] between one call and the next."""

    def __init__(self) -> None:
        self.rows: list[dict[str, Any]] = []
        self.open: tuple[str, float, float] | None = None

    def begin(self, name: str) -> None:
        """End the lap before and begin another."""
        self.end()
        Path("/proc/self/clear_refs").write_text("5")  # sets the peak back to the present size
        self.open = (name, time.perf_counter(), time.process_time())

    def end(self) -> None:
        """End the lap."""
        if self.open is None:
            return
        name, wall, cpu = self.open
        status = Path("/proc/self/status").read_text().splitlines()
        peak = next(int(line.split()[1]) for line in status if line.startswith("VmHWM"))
        self.rows.append(
            {
                "stage": name,
                "seconds": time.perf_counter() - wall,
                "cpu": time.process_time() - cpu,
                "peak_mib": peak / MIB,
            }
        )
        self.open = None


def make(parcels: int, folder: Path) -> None:
    """Write an invented city, unless it is there already."""
    from synthetic_city import make_city, write_city

    if not (folder / "settings.toml").is_file():
        write_city(make_city(parcels=parcels, seed=7), folder)


def run_linemap(folder: Path, laps: Laps) -> None:
    """Do the whole job."""
    laps.begin("start the program")
    from linemap.pipeline import run
    from linemap.settings import load_settings

    with tempfile.TemporaryDirectory(dir=folder.parent) as place:
        run(load_settings(folder / "settings.toml"), Path(place) / "run", tell=laps.begin)
        laps.end()


def run_plain(folder: Path, laps: Laps) -> None:
    """Do what a plain script would."""
    laps.begin("start the program")
    import geopandas as gpd
    import pandas as pd
    from sklearn.ensemble import HistGradientBoostingClassifier
    from sklearn.neighbors import KNeighborsClassifier

    laps.begin("read")
    homes = gpd.read_file(folder / "parcels.gpkg").set_index("parcel_id")
    homes = homes.to_crs(homes.estimate_utm_crs())
    lines = pd.read_csv(folder / "lines.csv").set_index("parcel_id")
    checks = pd.read_csv(folder / "checks.csv")
    found = checks["material"].eq("lead").groupby(checks["parcel_id"]).max()
    laps.begin("age rule")
    middle = homes.geometry.centroid
    table = pd.DataFrame({"x": middle.x, "y": middle.y})
    for name in ("year_built", "main_year", "line_diameter_in", "dwelling_units", "assessed_value"):
        table[name] = homes[name].astype(float)
    table["land_use"] = homes["land_use"].astype("category").cat.codes
    for name in ("utility_material", "customer_material"):
        table[name] = lines[name].astype("category").cat.codes.reindex(homes.index)
    scores = pd.DataFrame({"age_rule": (table["year_built"] < 1930).astype(float)})
    learn = table.index.isin(found.index)
    label = found.reindex(table.index[learn]).astype(int)
    laps.begin("nearest neighbours")
    near = KNeighborsClassifier(15).fit(table.loc[learn, ["x", "y"]], label)
    scores["nearest"] = near.predict_proba(table[["x", "y"]])[:, 1]
    laps.begin("boosting")
    trees = HistGradientBoostingClassifier(random_state=1).fit(table[learn], label)
    scores["boosting"] = trees.predict_proba(table)[:, 1]
    laps.begin("write")
    with tempfile.TemporaryDirectory(dir=folder.parent) as place:
        scores.to_csv(Path(place) / "scores.csv")
        laps.end()


def child(what: str, parcels: int, folder: Path) -> None:
    """Do one piece of work and print its laps."""
    laps = Laps()
    if what == "make":
        make(parcels, folder)
    else:
        {"linemap": run_linemap, "plain": run_plain}[what](folder, laps)
    print(json.dumps(laps.rows))


def measure(what: str, parcels: int, folder: Path) -> list[dict[str, Any]]:
    """Do one piece of work in a process of its own and return its laps."""
    command = [sys.executable, __file__, "--child", what, "--sizes", str(parcels)]
    done = subprocess.run(
        [*command, "--folder", str(folder)],
        env={**os.environ, **ONE_THREAD},
        stdout=subprocess.PIPE,
        text=True,
        check=True,
    )
    rows: list[dict[str, Any]] = json.loads(done.stdout.splitlines()[-1])
    return rows


def total(rows: list[dict[str, Any]]) -> dict[str, Any]:
    """Return the sum of the seconds and the largest memory."""
    return {
        "stage": "whole job",
        "seconds": sum(row["seconds"] for row in rows),
        "cpu": sum(row["cpu"] for row in rows),
        "peak_mib": max(row["peak_mib"] for row in rows),
    }


def print_table(results: dict[int, dict[str, list[dict[str, Any]]]]) -> None:
    """Print stages down and sizes across, as Markdown."""
    sizes = list(results)
    print(f"\n{platform.platform()}, {os.cpu_count()} cores, Python {platform.python_version()}\n")
    print("| stage | " + " | ".join(f"{n:,} parcels" for n in sizes) + " |")
    print("|---|" + "---:|" * len(sizes))
    for what, title in (("linemap", ""), ("plain", "plain script: ")):
        names = [row["stage"] for row in [*results[sizes[0]][what], total(results[sizes[0]][what])]]
        for at, name in enumerate(names):
            cells = []
            for n in sizes:
                row = [*results[n][what], total(results[n][what])][at]
                cells.append(
                    f"{row['seconds']:.1f} s ({row['cpu']:.1f} s), {row['peak_mib'] / MIB:.2f} GiB"
                )
            print(f"| {title}{name} | " + " | ".join(cells) + " |")
    cells = []
    for n in sizes:
        ours, plain = total(results[n]["linemap"]), total(results[n]["plain"])
        cells.append(
            f"{ours['cpu'] / plain['cpu']:.1f} x the processor seconds, "
            f"{ours['peak_mib'] / plain['peak_mib']:.1f} x the memory"
        )
    print("| linemap beside the plain script | " + " | ".join(cells) + " |")
    print("\nWall seconds (processor seconds), largest resident memory while the stage ran.")


def main() -> None:
    """Measure every size and print one table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--sizes", type=int, nargs="+", default=[20_000, 100_000, 1_000_000])
    parser.add_argument("--folder", type=Path, help="keep the invented cities here")
    parser.add_argument("--child", choices=["make", "linemap", "plain"], help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.child:
        child(given.child, given.sizes[0], given.folder)
        return
    with tempfile.TemporaryDirectory() as spare:
        results: dict[int, dict[str, list[dict[str, Any]]]] = {}
        for n in given.sizes:
            folder = (given.folder or Path(spare)) / f"city-{n}"
            measure("make", n, folder)
            results[n] = {what: measure(what, n, folder) for what in ("plain", "linemap")}
            print_table({n: results[n]})
        print_table(results)


if __name__ == "__main__":
    main()
