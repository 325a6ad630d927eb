"""Class of a service line by the rule: two sides, their history and the connector.

Only what was seen or recorded counts. Nothing here takes a predicted probability, and a record
that itself rests on a prediction can only say lead: what else it says is read as not known.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from linemap.errors import ArgumentError
from linemap.inventory import evidence
from linemap.inventory.evidence import CONNECTORS, HISTORIES, SIDES
from linemap.tables import INVENTORY_CLASSES, MATERIALS

LEAD, REQUIRING_REPLACEMENT, NON_LEAD, UNKNOWN = INVENTORY_CLASSES
SOURCES = ("no evidence", "city record", "field check")
PREDICTED = "The record rests on a prediction, which is not evidence."
PREDICTED_LEAD = "The record rests on a prediction: lead holds until somebody has looked."


@dataclass(frozen=True)
class LineClass:
    """Inventory class of one line and the rule that gave it."""

    inventory_class: str
    why: str


def classify_line(
    utility: str,
    customer: str,
    *,
    ever_below_lead: str = "unknown",
    connector: str = "unknown",
    lead_connector_counts: bool = False,
) -> LineClass:
    """Return the inventory class of one service line.

    The rules are asked in this order: lead anywhere, galvanized requiring replacement, lead
    status unknown, non-lead. Water flows from the utility's side to the customer's.

    Parameters
    ----------
    utility, customer : str
        Material of each side, one of ``tables.MATERIALS``.
    ever_below_lead : {"no", "yes", "unknown"}
        Whether lead was ever upstream of galvanized pipe here; unknown counts as yes.
    connector : str
        Material of the connector, or ``none``. By the federal rule it never changes the class.
    lead_connector_counts : bool
        Whether the state counts a lead connector as a lead part of the line.

    Returns
    -------
    LineClass

    Raises
    ------
    ArgumentError
        If a value is not in the contract.

    References
    ----------
    40 CFR 141.84 and the definitions of 40 CFR 141.2 (89 FR 86418, 30 October 2024), after the
    EPA fact sheet on the service line inventory of October 2024. That a galvanized utility side
    once below lead outranks an unknown customer side is our reading of the order of the rules.

    Examples
    --------
    >>> classify_line("galvanized", "unknown", ever_below_lead="no").inventory_class
    'lead status unknown'
    >>> classify_line("unknown", "galvanized", ever_below_lead="no").inventory_class
    'galvanized requiring replacement'
    """
    for name, value, allowed in (
        ("utility", utility, MATERIALS),
        ("customer", customer, MATERIALS),
        ("ever_below_lead", ever_below_lead, HISTORIES),
        ("connector", connector, CONNECTORS),
    ):
        if value not in allowed:
            raise ArgumentError(f"{name} = {value!r} is not one of {', '.join(allowed)}.")

    if "lead" in (utility, customer):
        part = "Both sides are" if utility == customer else "One side is"
        return LineClass(LEAD, f"{part} lead.")
    if connector == "lead" and lead_connector_counts:
        return LineClass(LEAD, "The connector is lead, which here counts as part of the line.")
    history = (
        "was once below lead"
        if ever_below_lead == "yes"
        else "cannot be shown never to have been below lead"
    )
    if customer == "galvanized" and utility == "unknown":
        return LineClass(
            REQUIRING_REPLACEMENT, "The galvanized customer's side lies below a side not known."
        )
    if "galvanized" in (utility, customer) and ever_below_lead != "no":
        return LineClass(REQUIRING_REPLACEMENT, f"The galvanized pipe {history}.")
    if "unknown" in (utility, customer):
        part = "Neither side is known." if utility == customer else "One side is not known."
        return LineClass(UNKNOWN, part)
    if "galvanized" in (utility, customer):
        return LineClass(
            NON_LEAD, "Neither side is lead, and the galvanized pipe was never below lead."
        )
    return LineClass(NON_LEAD, "Both sides are known and neither is lead nor galvanized.")


def classify_lines(
    lines: pd.DataFrame,
    checks: pd.DataFrame | None = None,
    parcel_ids: Iterable[str] | None = None,
    *,
    lead_connector_counts: bool = False,
) -> pd.DataFrame:
    """Return the inventory class of every line with its basis and reason.

    A field check outranks the city record, side by side. Where checks of one side disagree the
    latest holds; of two on one day the one nearer to lead. A check that could not tell the
    material says nothing. Lead that was seen or recorded before stays noted in ``why``, and on
    the utility's side it counts as history: galvanized pipe below it requires replacement.

    Parameters
    ----------
    lines : DataFrame
        City record, columns of the contract ``lines``; one row for each parcel.
    checks : DataFrame, optional
        Field checks, columns of the contract ``checks``.
    parcel_ids : iterable of str, optional
        Parcels to classify, in this order; rows of others are left out. Default: those in
        ``lines``, then those in ``checks``.
    lead_connector_counts : bool
        Whether the state counts a lead connector as a lead part of the line.

    Returns
    -------
    DataFrame
        Indexed by ``parcel_id``: ``utility_material``, ``customer_material``,
        ``connector_material``, ``ever_below_lead``, ``inventory_class`` (categories), ``basis``
        and ``why`` (text).

    Raises
    ------
    ArgumentError
        If a parcel stands twice in ``lines`` or ``parcel_ids``, a column is missing or a value
        is not in the contract.

    References
    ----------
    See :func:`classify_line`. A prediction is not evidence of a class unless the state has
    approved the method: EPA inventory guidance, August 2022 (from memory).

    Examples
    --------
    >>> record = pd.DataFrame({"parcel_id": ["A"], "utility_material": ["copper"],
    ...                        "customer_material": ["galvanized"]})
    >>> classify_lines(record).loc["A", "why"]
    "Utility's side copper (city record), customer's side galvanized (city record). \
The galvanized pipe cannot be shown never to have been below lead."
    """
    lines = evidence.keyed(lines, "lines")
    checks = None if checks is None else evidence.keyed(checks, "checks")
    if parcel_ids is None:
        ids = [lines["parcel_id"]] + ([] if checks is None else [checks["parcel_id"]])
        index = pd.Index(pd.concat(ids).unique(), name="parcel_id")
    else:
        index = pd.Index(parcel_ids, name="parcel_id")
        if not index.is_unique:
            raise ArgumentError("parcel_ids holds a parcel twice. Name each once.")

    record = evidence.read_record(lines, index)
    seen = evidence.latest_checks(checks, index)
    best, source = {}, {}
    for side in SIDES:
        checked = seen[side] != evidence.UNKNOWN
        best[side] = np.where(checked, seen[side], record[side])
        source[side] = np.where(checked, 2, np.where(best[side] == evidence.UNKNOWN, 0, 1))
    was_lead = {side: (record[side] == evidence.LEAD) | seen[f"{side}_lead"] for side in SIDES}
    below = was_lead["utility"] | (was_lead["customer"] & (best["customer"] == evidence.GALVANIZED))
    history = np.where(below, HISTORIES.index("yes"), record["ever_below_lead"])
    noted = np.zeros(len(index), dtype=int)
    for side, was in was_lead.items():
        noted |= (was & (best[side] != evidence.LEAD)).astype(int)

    shape = (8, 8, len(CONNECTORS), 3, 3, 3, 2, 2)
    codes = (
        best["utility"], best["customer"], record["connector"], history,
        source["utility"], source["customer"], noted, record["predicted"],
    )  # fmt: skip
    cases, case_of = np.unique(np.ravel_multi_index(codes, shape), return_inverse=True)
    told = [
        _tell(np.unravel_index(int(case), shape), lead_connector_counts=lead_connector_counts)
        for case in cases
    ]
    columns = [np.array(column, dtype=object) for column in zip(*told, strict=True)] or [
        np.array([], dtype=object)
    ] * 3
    classes = pd.Categorical(columns[0], categories=INVENTORY_CLASSES)
    return pd.DataFrame(
        {
            "utility_material": _category(best["utility"], MATERIALS),
            "customer_material": _category(best["customer"], MATERIALS),
            "connector_material": _category(record["connector"], CONNECTORS),
            "ever_below_lead": _category(history, HISTORIES),
            "inventory_class": classes.take(case_of),
            "basis": columns[1][case_of],
            "why": columns[2][case_of],
        },
        index=index,
    )


def lines_of(classes: pd.DataFrame, *wanted: str) -> pd.DataFrame:
    """Return the rows of classified lines whose class is one of those wanted."""
    if "inventory_class" not in classes.columns:
        raise ArgumentError("classes lacks the column inventory_class. Use classify_lines first.")
    return classes[classes["inventory_class"].isin(wanted).to_numpy()]


def _tell(case: tuple[np.intp, ...], *, lead_connector_counts: bool) -> tuple[str, str, str]:
    """Return class, basis and reason of one case of codes."""
    utility, customer, connector, history = case[:4]
    utility_source, customer_source, noted, predicted = case[4:]
    line = classify_line(
        MATERIALS[utility],
        MATERIALS[customer],
        ever_below_lead=HISTORIES[history],
        connector=CONNECTORS[connector],
        lead_connector_counts=lead_connector_counts,
    )
    sources = sorted({int(utility_source), int(customer_source)} - {0}, reverse=True)
    basis = " and ".join(SOURCES[source] for source in sources) or SOURCES[0]
    sides = [
        f"{side} side {MATERIALS[material]} ({SOURCES[source]})"
        if source
        else f"{side} side not known"
        for side, material, source in (
            ("Utility's", utility, utility_source),
            ("customer's", customer, customer_source),
        )
    ]
    why = [", ".join(sides) + ".", line.why]
    if CONNECTORS[connector] == "lead" and not line.why.startswith("The connector"):
        why.append("The connector is lead.")
    if line.inventory_class == NON_LEAD and SOURCES[2] not in basis:
        why.append("Nobody has looked: the record may be wrong.")
    if noted:
        why.append("Lead was seen or recorded here before: confirm that it was replaced.")
    if predicted:
        told_lead = ((utility, utility_source), (customer, customer_source))
        by_connector = lead_connector_counts and CONNECTORS[connector] == "lead"
        recorded = (evidence.LEAD, 1) in told_lead or by_connector
        why.append(PREDICTED_LEAD if recorded else PREDICTED)
    return line.inventory_class, basis, " ".join(why)


def _category(codes: np.ndarray, values: tuple[str, ...]) -> pd.Categorical[str]:
    return pd.Categorical.from_codes(codes, categories=pd.Index(values))
