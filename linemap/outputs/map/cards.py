"""What the staff map knows of each home, packed so that the page opens one block at a time."""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import pandas as pd

from linemap.errors import ArgumentError

WEIGHTS = (
    "weight_prior",
    "weight_place",
    "weight_record",
    "weight_answers",
    "weight_water",
    "weight_check",
)
BLOCK = 2000
"""Homes in a block of cards; the page inflates one block when a card is opened."""

SIDES = ("utility_material", "customer_material", "connector_material")


def card_blocks(
    scores: pd.DataFrame,
    *,
    kits: pd.DataFrame | None = None,
    pairs: pd.DataFrame | None = None,
    lines: pd.DataFrame | None = None,
    learn: pd.Series | None = None,
) -> list[bytes]:
    """Return the cards of all homes as blocks of JSON, in the order of ``scores``.

    Parameters
    ----------
    scores : DataFrame
        By the ``scores`` contract, indexed by parcel_id.
    kits : DataFrame, optional
        By the ``kit_list`` contract: homes that the next kits go to.
    pairs : DataFrame, optional
        By the ``pairs`` contract: kits that came back; ``high_result`` (bool) where they are on
        the list of high results.
    lines : DataFrame, optional
        Materials of the sides as on record and ``why`` of the class, indexed by parcel_id.
    learn : Series, optional
        Mean absolute change of ``p_lead`` that a kit would bring [share], by parcel_id.

    Returns
    -------
    list of bytes
        One block for each ``BLOCK`` homes.

    Raises
    ------
    ArgumentError
        If a home's weights do not add up to its probability.
    """
    weights = rounded_weights(scores)
    listed = {row["parcel_id"]: row for row in _records_of(scores.index, kits)}
    returned: dict[str, list[dict[str, Any]]] = {}
    for row in _records_of(scores.index, pairs):
        returned.setdefault(row["parcel_id"], []).append(_kit(row))
    for found in returned.values():
        found.sort(key=lambda kit: (kit["on"] or "", kit["id"]))
    known = pd.DataFrame(index=scores.index) if lines is None else lines.reindex(scores.index)
    gains = None if learn is None else learn.reindex(scores.index).fillna(0)
    blocks = []
    for start in range(0, len(scores), BLOCK):
        part = scores.iloc[start : start + BLOCK]
        ground = known.iloc[start : start + BLOCK]
        words = _Words()
        block: dict[str, Any] = {
            "low": _permille(part["p_low"]),
            "high": _permille(part["p_high"]),
            "weights": weights[start : start + BLOCK].T.tolist(),
            "basis": words.codes(part["basis"]),
            "reasons": [words.codes(part[f"reason_{k}"]) for k in (1, 2, 3)],
            "record": [words.codes(_text(ground, side)) for side in SIDES],
            "ground": words.codes(_text(ground, "why")),
            "telling": words.codes(_text(part, "telling_source")),
            "without": _permille(_text(part, "p_without").astype(float).fillna(0)),
            "learn": [] if gains is None else _permille(gains.iloc[start : start + BLOCK]),
            "listed": {},
            "kits": {},
        }
        for place, parcel_id in enumerate(part.index):
            if parcel_id in listed:
                row = listed[parcel_id]
                block["listed"][place] = [row["rank"], row["arm"], row["why"]]
            if parcel_id in returned:
                block["kits"][place] = returned[parcel_id]
        block["words"] = words.seen
        blocks.append(json.dumps(block, separators=(",", ":"), ensure_ascii=False).encode())
    return blocks


def rounded_weights(scores: pd.DataFrame) -> np.ndarray:
    """Return the weights of evidence in hundredths of log-odds, so rounded that they add up.

    Each weight is rounded down and the hundredths that are then missing from the rounded sum
    go to the weights that lost most (largest remainder), so the bars on a card add up to the
    total printed below them.

    Parameters
    ----------
    scores : DataFrame
        With the ``weight_*`` columns [log-odds] and ``p_lead`` [share].

    Returns
    -------
    ndarray of int, shape (n, 6)

    Raises
    ------
    ArgumentError
        If the weights do not add up to ``p_lead``.

    Examples
    --------
    >>> row = pd.DataFrame([[0.004, 0.004, 0.004, 0, 0, 0]], columns=list(WEIGHTS))
    >>> rounded_weights(row.assign(p_lead=0.503)).tolist()
    [[1, 0, 0, 0, 0, 0]]
    """
    exact = scores[list(WEIGHTS)].to_numpy(dtype=float) * 100
    total = exact.sum(axis=1)
    implied = 1 / (1 + np.exp(-total / 100))
    wrong = ~(np.abs(implied - scores["p_lead"].to_numpy(dtype=float)) <= 1e-3)
    if wrong.any():
        raise ArgumentError(
            f"the weights of {int(wrong.sum())} home(s) do not add up to p_lead, the first is "
            f"{scores.index[wrong.argmax()]!r}. Score the city again."
        )
    whole = np.floor(exact)
    spare = np.rint(total) - whole.sum(axis=1)
    rank = np.argsort(np.argsort(-(exact - whole), axis=1, kind="stable"), axis=1, kind="stable")
    return (whole + (rank < spare[:, None])).astype(int)


class _Words:
    """Texts of a block, each kept once."""

    def __init__(self) -> None:
        self._place: dict[str, int] = {}

    @property
    def seen(self) -> list[str]:
        """The texts in the order of their places."""
        return list(self._place)

    def codes(self, texts: pd.Series) -> list[int]:
        """Return the place of each text; -1 where it is missing."""
        found, distinct = pd.factorize(texts)
        places = [self._place.setdefault(str(text), len(self._place)) for text in distinct]
        return np.array([*places, -1])[found].tolist()


def _text(frame: pd.DataFrame, column: str) -> pd.Series:
    """Return a column, or missing texts where the table has none."""
    if column in frame.columns:
        return frame[column]
    return pd.Series(None, index=frame.index, dtype=object)


def _permille(share: pd.Series) -> list[int]:
    return np.rint(share.to_numpy(dtype=float) * 1000).astype(int).tolist()


def _records_of(homes: pd.Index, frame: pd.DataFrame | None) -> list[dict[str, Any]]:
    """Return the rows of these homes as dictionaries; parcel_id may be the index or a column."""
    if frame is None:
        return []
    table = frame if "parcel_id" in frame.columns else frame.rename_axis("parcel_id").reset_index()
    rows = table[table["parcel_id"].isin(homes)].to_dict("records")
    return [{str(name): value for name, value in row.items()} for row in rows]


def _kit(row: dict[str, Any]) -> dict[str, Any]:
    """Return one returned kit as the card shows it; missing values as null."""
    return {
        "id": row["kit_id"],
        "on": None if pd.isna(row["collected_on"]) else f"{row['collected_on']:%Y-%m-%d}",
        "verdict": row["verdict"],
        "why": None if pd.isna(row["reasons"]) else row["reasons"],
        "first": _range(row["first_low"], row["first_high"]),
        "flushed": _range(row["flushed_low"], row["flushed_high"]),
        "stood": _number(row["stagnation_h"]),
        "ran": _number(row["flush_min"]),
        "above": bool(row.get("high_result", False)),
    }


def _range(low: float, high: float) -> list[float] | None:
    if pd.isna(low) or pd.isna(high):
        return None
    return [round(float(low), 3), round(float(high), 3)]


def _number(value: float) -> float | None:
    return None if pd.isna(value) else round(float(value), 2)
