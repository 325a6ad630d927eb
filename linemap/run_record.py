"""The record of a run: everything that is needed to trace and to repeat it.

``run.json`` holds the inputs with their hashes, the settings, the seed, the versions of the
libraries, the count of rows read, used and set aside, the main figures and the hash of each
list. :func:`differences` says what changed between a record and the present.
"""

from __future__ import annotations

import hashlib
import platform
from collections.abc import Sequence
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

import pyogrio
import pyproj
import shapely

from linemap.outputs import Findings

LIBRARIES = (
    "linemap",
    "esda",
    "geopandas",
    "libpysal",
    "numpy",
    "pandas",
    "pyarrow",
    "pyogrio",
    "pyproj",
    "scikit-learn",
    "scipy",
    "shapely",
    "statsmodels",
)
"""Libraries whose version may change a figure."""

REPEATABLE = (
    "scores.csv",
    "lists/kits.csv",
    "lists/kits.xlsx",
    "lists/kits.gpkg",
    "lists/routes.html",
    "lists/areas.csv",
    "lists/audit.csv",
    "lists/looks.csv",
    "lists/high_results.csv",
    "lists/fairness.csv",
)
"""Outputs that are byte for byte the same for the same inputs, settings, seed and versions."""


def file_hash(path: Path) -> str:
    """Return the SHA-256 of a file, read in pieces."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def _code_hash() -> str:
    """Return the beginning of a hash of all files of the package, without compiled ones."""
    digest = hashlib.sha256()
    package = Path(__file__).parent
    for path in sorted(package.rglob("*")):
        if path.is_file() and "__pycache__" not in path.parts:
            name = path.relative_to(package).as_posix()
            digest.update(f"{name} {file_hash(path)}\n".encode())
    return digest.hexdigest()[:16]


CODE = _code_hash()
"""The code that is running: taken when it is loaded."""


def versions() -> dict[str, str]:
    """Return the versions of all that may change a figure, down to linemap's own files."""
    found = {
        "python": platform.python_version(),
        "machine": platform.machine(),
        "GDAL": pyogrio.__gdal_version_string__,
        "GEOS": shapely.geos_version_string,
        "PROJ": pyproj.proj_version_str,
        "code of linemap": CODE,
    }
    for name in LIBRARIES:
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            found[name] = "not installed"
    return found


def run_record(
    findings: Findings,
    inputs: Sequence[dict[str, Any]],
    seconds: dict[str, float],
    folder: Path,
) -> dict[str, Any]:
    """Return the content of ``run.json``.

    Parameters
    ----------
    findings : Findings
        What the run found.
    inputs : sequence of dict
        ``file``, ``bytes`` and ``sha256`` of each input.
    seconds : dict of str to float
        Time of each stage [s].
    folder : Path
        Where the outputs stand now; their hashes are taken.

    Returns
    -------
    dict
    """
    city = findings.expected.astype(float).to_dict("index")["(city)"]
    classes = findings.scores["inventory_class"]
    return {
        "inputs": list(inputs),
        "settings": findings.settings.model_dump(mode="json"),
        "seed": findings.settings.scoring.seed,
        "as_of": findings.as_of.isoformat(),
        "versions": versions(),
        "counts": findings.counts.to_dict("records"),
        "result": {
            "parcels": len(findings.scores),
            "unknown_lines": int((classes == "lead status unknown").sum()),
            "classes": {str(k): int(v) for k, v in classes.value_counts().sort_index().items()},
            "expected_lead_lines": round(city["expected"], 1),
            "low": round(city["low"], 1),
            "high": round(city["high"], 1),
            **{k: findings.model[k] for k in ("needs_replacement",) if k in findings.model},
            "kits": len(findings.kit_list),
            "set_aside": int(findings.counts[["quarantined", "cells"]].to_numpy().sum()),
        },
        "judged_on": {
            name: findings.evaluation["counts"].get(name)
            for name in ("homes", "homes_judged_on", "judged", "judged_lead")
        },
        "outputs": {
            name: file_hash(folder / name) for name in REPEATABLE if (folder / name).is_file()
        },
        "stage_seconds": seconds,
    }


def differences(then: dict[str, Any], now: dict[str, Any]) -> list[str]:
    """Say what differs between two records, as plain sentences.

    Parameters
    ----------
    then, now : dict
        Contents of two ``run.json``.

    Returns
    -------
    list of str
        Empty if inputs, settings, versions and repeatable outputs are all the same.
    """
    found = []
    before = {item["file"]: item["sha256"] for item in then.get("inputs", [])}
    after = {item["file"]: item["sha256"] for item in now.get("inputs", [])}
    for name in sorted(before.keys() | after.keys()):
        if name not in after:
            found.append(f"input {name} is no longer there.")
        elif name not in before:
            found.append(f"input {name} was not there before.")
        elif before[name] != after[name]:
            found.append(f"input {name} has other content than before.")
    for name, old, new in _changed(then, now, "versions"):
        found.append(f"{name} is version {new}, it was {old}.")
    for name, _, _ in _changed(then, now, "settings"):
        found.append(f"the settings of {name} differ.")
    if _changed(then, now, "ledger"):
        found.append("the ledger of rounds no longer begins with the entries that were read.")
    for name, _, _ in _changed(then, now, "outputs"):
        found.append(f"output {name} differs.")
    return found


def _changed(then: dict[str, Any], now: dict[str, Any], part: str) -> list[tuple[str, Any, Any]]:
    """Return what differs in one part of two records: name, what it was, what it is."""
    before, after = then.get(part, {}), now.get(part, {})
    names = sorted(before.keys() | after.keys())
    every = [(name, before.get(name, "none"), after.get(name, "none")) for name in names]
    return [(name, old, new) for name, old, new in every if old != new]
