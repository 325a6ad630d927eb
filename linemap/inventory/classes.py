"""Class of a service line by the rule: two sides, their history and the connector.

Only what was seen or recorded counts. Nothing here takes a predicted probability, and a record
that itself rests on a prediction is read as not known.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from linemap.errors import ArgumentError
from linemap.tables import INVENTORY_CLASSES, MATERIALS, contract

LEAD, REQUIRING_REPLACEMENT, NON_LEAD, UNKNOWN = INVENTORY_CLASSES
CONNECTORS = (*MATERIALS, "none")
HISTORIES = ("no", "yes", "unknown")
SOURCES = ("no evidence", "city record", "field check")
PREDICTED = (
    r"(?i)\b(?:predict\w*|model|models|modell?ed|modell?ing|machine learning|statistical\w*)\b"
)

_LEAD, _GALVANIZED, _UNKNOWN = (MATERIALS.index(m) for m in ("lead", "galvanized", "unknown"))


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
        return LineClass(NON_LEAD, "No lead, and the galvanized pipe was never below lead.")
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
    lines = _keyed(lines, "lines")
    checks = None if checks is None else _keyed(checks, "checks")
    if parcel_ids is None:
        ids = [lines["parcel_id"]] + ([] if checks is None else [checks["parcel_id"]])
        if lines["parcel_id"].duplicated().any():
            raise ArgumentError("a parcel_id stands twice in lines. Keep one row for each parcel.")
        index = pd.Index(pd.concat(ids).unique(), name="parcel_id")
    else:
        index = pd.Index(parcel_ids, name="parcel_id")
        if not index.is_unique:
            raise ArgumentError("parcel_ids holds a parcel twice. Name each once.")

    record = _read_record(lines, index)
    seen = _read_checks(checks, index)
    best, source = {}, {}
    for side in ("utility", "customer"):
        checked = seen[side] != _UNKNOWN
        best[side] = np.where(checked, seen[side], record[side])
        source[side] = np.where(checked, 2, np.where(best[side] == _UNKNOWN, 0, 1))
    was_lead = {
        side: (record[side] == _LEAD) | seen[f"{side}_lead"] for side in ("utility", "customer")
    }
    below = was_lead["utility"] | (was_lead["customer"] & (best["customer"] == _GALVANIZED))
    history = np.where(below, HISTORIES.index("yes"), record["ever_below_lead"])
    noted = np.zeros(len(index), dtype=int)
    for side, was in was_lead.items():
        noted |= (was & (best[side] != _LEAD)).astype(int)

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
    if noted:
        why.append("Lead was seen or recorded here before: confirm that it was replaced.")
    if predicted:
        why.append("The record rests on a prediction, which is not evidence.")
    return line.inventory_class, basis, " ".join(why)


def _keyed(frame: pd.DataFrame, table: str) -> pd.DataFrame:
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
    codes = pd.Categorical(values, categories=allowed).codes.astype(int)
    wrong = (codes < 0) & values.notna().to_numpy()
    if wrong.any():
        value = values[wrong].iloc[0]
        raise ArgumentError(f"{column} holds {value!r}, which is not one of {', '.join(allowed)}.")
    return np.where(codes < 0, allowed.index("unknown"), codes)


def _category(codes: np.ndarray, values: tuple[str, ...]) -> pd.Categorical:
    return pd.Categorical.from_codes(codes, dtype=pd.CategoricalDtype(list(values)))


def _read_record(lines: pd.DataFrame, index: pd.Index) -> dict[str, np.ndarray]:
    """Return codes of the city record for each parcel of the index."""
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
    for name, column, allowed in (
        ("utility", "utility_material", MATERIALS),
        ("customer", "customer_material", MATERIALS),
        ("connector", "connector_material", CONNECTORS),
        ("ever_below_lead", "ever_below_lead", HISTORIES),
    ):
        unknown = allowed.index("unknown")
        codes = np.where(predicted == 1, unknown, _codes(lines, column, allowed))
        record[name] = np.append(codes, unknown)[np.where(known, place, -1)]
    return record


def _read_checks(checks: pd.DataFrame | None, index: pd.Index) -> dict[str, np.ndarray]:
    """Return for each side the material of the latest check and whether lead was ever seen."""
    sides = ("utility", "customer")
    seen = {side: np.full(len(index), _UNKNOWN) for side in sides}
    seen |= {f"{side}_lead": np.zeros(len(index), dtype=bool) for side in sides}
    if checks is None or checks.empty:
        return seen
    material = _codes(checks, "material", MATERIALS)
    nearness = np.select([material == _LEAD, material == _GALVANIZED], [2, 1], 0)
    day = pd.to_datetime(checks["checked_on"]).to_numpy("datetime64[s]").astype("int64")
    place = index.get_indexer(pd.Index(checks["parcel_id"]))
    order = np.lexsort((nearness, day))  # of repeated places the last one assigned stays
    order = order[(place[order] >= 0) & (material[order] != _UNKNOWN)]
    for side in sides:
        rows = order[(checks["side"] == side).to_numpy(bool)[order]]
        seen[side][place[rows]] = material[rows]
        seen[f"{side}_lead"][place[rows[material[rows] == _LEAD]]] = True
    return seen
