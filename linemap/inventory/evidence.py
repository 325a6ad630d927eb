"""What the city record and the field checks say of each side, as codes of the contract."""

from __future__ import annotations

import numpy as np
import pandas as pd

from linemap.errors import ArgumentError
from linemap.tables import MATERIALS, contract

CONNECTORS = (*MATERIALS, "none")
HISTORIES = ("no", "yes", "unknown")
SIDES = ("utility", "customer")
_MODELS = r"statistical|regression|spatial|computer|risk|learned|learning|linear|bayes\w*"
PREDICTED = (
    r"(?i)(?<![a-z0-9])(?:"
    r"predict\w*|probab\w*|likel(?:y|ihood)\w*|estimat\w*|assum\w*|presum\w*"
    r"|infer(?:s|red|ring|ence\w*)?|imput\w*|extrapolat\w*|interpolat\w*|guess\w*"
    r"|modell?(?:ed|ing)|machine[\s_-]*learn\w*|random[\s_-]*forests?|neural\w*|classifier\w*"
    r"|(?-i:AI|ML)|algorithm\w*|statistically|statistical[\s_-]+(?:analys\w*|methods?)|regression\w*"
    rf"|(?:{_MODELS})[\s_-]+models?|models?[\s_-]+(?:outputs?|results?|scores?|runs?)"
    r"|(?:by|from)\s+(?:an?|the|our|this)\s+models?"
    r")(?![a-z0-9])"
)
"""Words by which a record says that it rests on a prediction. "Model" alone may be that of a
meter, and a statistical sheet is a piece of paper."""

LEAD, GALVANIZED, UNKNOWN = (MATERIALS.index(m) for m in ("lead", "galvanized", "unknown"))


def keyed(frame: pd.DataFrame, table: str) -> pd.DataFrame:
    """Return the table with ``parcel_id`` as a column and its required columns present."""
    if "parcel_id" not in frame.columns and frame.index.name == "parcel_id":
        frame = frame.reset_index()
    missing = [c.name for c in contract(table).values() if c.required and c.name not in frame]
    if missing:
        raise ArgumentError(f"{table} lacks the column(s) {', '.join(missing)}. Add them.")
    return frame


def _codes(frame: pd.DataFrame, column: str, allowed: tuple[str, ...]) -> np.ndarray:
    """Return codes of a column within its allowed values; missing is unknown."""
    if column not in frame.columns:
        return np.full(len(frame), allowed.index("unknown"))
    values = frame[column]
    codes = pd.Index(allowed).get_indexer(pd.Index(values))
    wrong = (codes < 0) & values.notna().to_numpy()
    if wrong.any():
        value = values[wrong].iloc[0]
        raise ArgumentError(f"{column} holds {value!r}, which is not one of {', '.join(allowed)}.")
    return np.where(codes < 0, allowed.index("unknown"), codes)


def read_record(lines: pd.DataFrame, index: pd.Index) -> dict[str, np.ndarray]:
    """Return codes of the city record for each parcel of the index.

    A prediction clears nothing: of a record that rests on one only lead, or lead that was once
    there, is read, and everything else is not known.
    """
    place = pd.Index(lines["parcel_id"]).get_indexer_for(index)
    if len(place) != len(index):
        raise ArgumentError("a parcel_id stands twice in lines. Keep one row for each parcel.")
    known = place >= 0
    predicted = np.zeros(len(lines), dtype=int)
    if "basis" in lines.columns and len(lines):
        rests_on = pd.Categorical(lines["basis"])
        words = pd.Series(rests_on.categories.astype(str)).str.contains(PREDICTED).to_numpy(bool)
        predicted = np.append(words, False)[rests_on.codes].astype(int)
    record = {"predicted": np.where(known, predicted[place], 0) if len(lines) else known * 0}
    for name, column, allowed, worst in (
        ("utility", "utility_material", MATERIALS, "lead"),
        ("customer", "customer_material", MATERIALS, "lead"),
        ("connector", "connector_material", CONNECTORS, "lead"),
        ("ever_below_lead", "ever_below_lead", HISTORIES, "yes"),
    ):
        unknown = allowed.index("unknown")
        codes = _codes(lines, column, allowed)
        codes = np.where((predicted == 1) & (codes != allowed.index(worst)), unknown, codes)
        record[name] = np.append(codes, unknown)[np.where(known, place, -1)]
    return record


def latest_checks(checks: pd.DataFrame | None, index: pd.Index) -> dict[str, np.ndarray]:
    """Return for each side what its latest check saw and whether any check saw lead.

    Per side: ``<side>`` codes of material, ``<side>_points`` number of points seen (one where
    the check does not say), ``<side>_lead`` whether lead was ever seen. Checks that could not
    tell the material are left out; of two on one day the one nearer to lead holds.
    """
    seen: dict[str, np.ndarray] = {}
    for side in SIDES:
        seen[side] = np.full(len(index), UNKNOWN)
        seen[f"{side}_points"] = np.zeros(len(index))
        seen[f"{side}_lead"] = np.zeros(len(index), dtype=bool)
    if checks is None or checks.empty:
        return seen
    sides = pd.Index(SIDES).get_indexer(pd.Index(checks["side"]))
    if (sides < 0).any():
        raise ArgumentError(f"side of a check is not one of {', '.join(SIDES)}. Correct it.")
    material = _codes(checks, "material", MATERIALS)
    points: np.ndarray = np.ones(len(checks))
    if "points" in checks.columns:
        points = checks["points"].astype(float).fillna(1.0).to_numpy()
    day = pd.to_datetime(checks["checked_on"]).to_numpy("datetime64[s]").astype("int64")
    place = index.get_indexer(pd.Index(checks["parcel_id"]))
    # The contract lists materials from lead onwards; of repeated places the last one stays.
    order = np.lexsort((points, -material, day))
    order = order[(place[order] >= 0) & (material[order] != UNKNOWN)]
    for code, side in enumerate(SIDES):
        rows = order[sides[order] == code]
        seen[side][place[rows]] = material[rows]
        seen[f"{side}_points"][place[rows]] = points[rows]
        seen[f"{side}_lead"][place[rows[material[rows] == LEAD]]] = True
    return seen
