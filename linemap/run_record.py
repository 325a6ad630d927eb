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

from linemap.outputs import Findings

LIBRARIES = (
    "linemap",
    "geopandas",
    "numpy",
    "pandas",
    "pyproj",
    "scikit-learn",
    "scipy",
    "shapely",
    "statsmodels",
)
"""Libraries whose version may change a figure."""

REPEATABLE = ("scores.csv", "lists/kits.csv", "lists/areas.csv", "lists/audit.csv")
"""Outputs that are byte for byte the same for the same inputs, settings, seed and versions."""


def file_hash(path: Path) -> str:
    """Return the SHA-256 of a file, read in pieces."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def versions() -> dict[str, str]:
    """Return the versions of Python and of the libraries that may change a figure."""
    found = {"python": platform.python_version()}
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
            "kits": len(findings.kit_list),
            "set_aside": len(findings.quarantine),
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
    before = {item["file"]: item["sha256"] for item in then["inputs"]}
    after = {item["file"]: item["sha256"] for item in now["inputs"]}
    for name in sorted(before.keys() | after.keys()):
        if name not in after:
            found.append(f"input {name} is no longer there.")
        "judged_on": {
            name: findings.evaluation["counts"].get(name)
            for name in ("homes", "homes_judged_on", "judged", "judged_lead")
        },
        elif name not in before:
            found.append(f"input {name} was not there before.")
        elif before[name] != after[name]:
            found.append(f"input {name} has other content than before.")
    for name in sorted(then["versions"].keys() | now["versions"].keys()):
        old, new = then["versions"].get(name, "none"), now["versions"].get(name, "none")
        if old != new:
            found.append(f"{name} is version {new}, it was {old}.")
    if then["settings"] != now["settings"]:
        found.append("the settings differ.")
    for name in sorted(then["outputs"].keys() | now["outputs"].keys()):
        if then["outputs"].get(name) != now["outputs"].get(name):
            found.append(f"output {name} differs.")
    return found
