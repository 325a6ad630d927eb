"""Counts of the inventory in the regulation's categories."""

from __future__ import annotations

import pandas as pd

from linemap.inventory.classes import lines_of
from linemap.tables import INVENTORY_CLASSES

CONNECTOR_CATEGORIES = ("lead", "non-lead", "unknown", "none")


def inventory_summary(classes: pd.DataFrame) -> pd.DataFrame:
    """Count lines by class and basis, and connectors by category.

    Parameters
    ----------
    classes : DataFrame
        As from :func:`classify_lines`.

    Returns
    -------
    DataFrame
        ``part`` (service lines, connectors, basis), ``category``, ``lines``, ``share`` [of all
        lines]. Every category of the regulation has a row, also where it counts none.

    References
    ----------
    40 CFR 141.84; connectors as lead, non-lead, unknown or none: 89 FR 86418, Exhibit 1.

    Examples
    --------
    >>> from linemap.inventory import classify_lines
    >>> record = pd.DataFrame({"parcel_id": ["A", "B"], "utility_material": ["copper", "lead"],
    ...                        "customer_material": ["copper", "copper"]})
    >>> inventory_summary(classify_lines(record)).head(4)[["category", "lines"]]
                               category  lines
    0                              lead      1
    1  galvanized requiring replacement      0
    2                          non-lead      1
    3               lead status unknown      0
    """
    connectors = classes["connector_material"].astype(str)
    connectors = connectors.where(connectors.isin(["lead", "unknown", "none"]), "non-lead")
    counted = {
        "service lines": lines_of(classes, *INVENTORY_CLASSES)["inventory_class"]
        .value_counts()
        .reindex(list(INVENTORY_CLASSES), fill_value=0),
        "connectors": connectors.value_counts().reindex(list(CONNECTOR_CATEGORIES), fill_value=0),
        "basis": classes["basis"].value_counts().sort_index(),
    }
    rows = [
        {"part": part, "category": category, "lines": int(lines)}
        for part, counts in counted.items()
        for category, lines in counts.items()
    ]
    table = pd.DataFrame(rows)
    table["share"] = table["lines"] / max(len(classes), 1)
    return table
