"""Codes of the table contracts, and tables in the form in which they are handed over."""

from __future__ import annotations

import pandas as pd

_MATERIALS = ("lead", "galvanized", "copper", "plastic", "iron", "brass", "other", "unknown")
_TOLD = ("lead", "galvanized", "copper", "plastic", "dont_know")
CODES: dict[str, tuple[str, ...]] = {
    "owner_occupied": ("yes", "no", "unknown"),
    "utility_material": _MATERIALS,
    "customer_material": _MATERIALS,
    "connector_material": (*_MATERIALS, "none"),
    "ever_below_lead": ("yes", "no", "unknown"),
    "side": ("utility", "customer"),
    "material": _MATERIALS,
    "why": ("random", "audit_arm", "listed", "main_work", "request", "suspected", "unknown"),
    "filter_used": ("yes", "no", "dont_know"),
    "signed": ("yes", "no"),
    "bottles_swapped": ("yes", "no"),
    "draw": ("first", "flushed"),
    "analyte": ("lead", "copper"),
    "unit": ("ug/L", "mg/L", "ppb", "ppm"),
    "entry_pipe": _TOLD,
    "line_replaced": ("yes", "no", "dont_know"),
    "inside_pipe": _TOLD,
}
"""Codes of the coded columns, in the order of the table contracts."""


def keyed(table: pd.DataFrame, key: pd.Index) -> pd.DataFrame:
    """Return the table with ``parcel_id`` in place of ``home``."""
    out = table.rename(columns={"home": "parcel_id"})
    out["parcel_id"] = key.to_numpy()[table["home"].to_numpy()]
    return out


def coded(table: pd.DataFrame) -> pd.DataFrame:
    """Return the table with its coded columns as categories, all codes of the contract known."""
    out = table.copy()
    for name in out.columns.intersection(list(CODES)):
        out[name] = pd.Categorical(out[name], categories=list(CODES[name]))
    return out
