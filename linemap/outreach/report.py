"""Claimed against realised: what a round promised and what came of it."""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from typing import Any

import pandas as pd

from linemap.outreach.schema import OUTCOMES
from linemap.printing import counted, rounded

_WORDS = {
    "usable": "usable",
    "not_usable": "not usable",
    "refused": "refused",
    "undeliverable": "undeliverable",
    "silent": "silent",
}
CAUTION = "A home where no lead was found is not cleared: a low result cannot rule out a lead line."


def report_round(
    round_id: str,
    dates: Mapping[Hashable, Any],
    claimed: pd.DataFrame,
    log: pd.DataFrame,
    corrections: pd.DataFrame,
) -> dict[str, Any]:
    """Hold a round's forecast against its log.

    Parameters
    ----------
    round_id : str
    dates : dict
        ``opened_on, closed_on, digest``.
    claimed : DataFrame
        Forecast, from :func:`forecast_round`.
    log : DataFrame
        The round's rows of :meth:`Ledger.log`.
    corrections : DataFrame
        The round's corrections in order: ``parcel_id, entered_on, outcome, lead_found, reason``.

    Returns
    -------
    dict
        ``round_id, opened_on, closed_on, digest, kits, outcomes, parts, unlisted,
        unlisted_homes, found_beside, corrected, sentences``. ``parts`` has a record for the
        whole list, each arm and each area: the forecast and, when closed, ``usable``,
        ``lead_found`` (at homes whose kit came back usable, as was claimed), ``lead_open``
        (usable kits whose home has no answer yet) and whether the counts lie inside the
        intervals; None while open answers decide it. ``found_beside`` counts lead lines found
        at other homes of the list.
    """
    closed = not pd.isna(dates["closed_on"])
    listed = log[log["listed"]]
    parts = [_part(row, listed, closed) for row in claimed.to_dict("records")]
    report = {
        "round_id": round_id,
        "opened_on": dates["opened_on"],
        "closed_on": dates["closed_on"] if closed else None,
        "digest": dates["digest"],
        "kits": len(listed),
        "outcomes": {name: int((listed["outcome"] == name).sum()) for name in OUTCOMES if closed},
        "unlisted": int((~log["listed"]).sum()),
        "unlisted_homes": log.loc[~log["listed"], "parcel_id"].tolist(),
        "found_beside": int((_found(listed) & (listed["outcome"] != "usable")).sum()),
        "corrected": corrections.to_dict("records"),
        "parts": parts,
    }
    return {**report, "sentences": _sentences(report)}


def with_unnamed(report: dict[str, Any], unnamed: int) -> dict[str, Any]:
    """Add how many homes of the list the returns did not name; say so where they are most."""
    words = report["sentences"]
    if 2 * unnamed > report["kits"]:
        said = (
            f"The returns do not name {counted(unnamed, 'home')} of the list of "
            f"{report['kits']:,}: these count as silent. `linemap round correct` enters what "
            "comes back later."
        )
        words = [*words[:-1], said, words[-1]]
    return {**report, "unnamed": unnamed, "sentences": words}


def _part(claim: dict[Hashable, Any], listed: pd.DataFrame, closed: bool) -> dict[Hashable, Any]:
    """Return the forecast of one part beside what came of it."""
    if not closed:
        return claim
    column = {"arm": "arm", "area": "area_id"}.get(claim["part"])
    rows = listed if column is None else listed[listed[column] == claim["name"]]
    back = rows[rows["outcome"] == "usable"]
    usable, found = len(back), int(_found(back).sum())
    waiting = int((back["lead_found"] == "unknown").sum())
    low, high = claim["found_low"], claim["found_high"]
    inside: bool | None = None  # open answers decide
    if low <= found and found + waiting <= high:
        inside = True
    elif found > high or found + waiting < low:
        inside = False
    return {
        **claim,
        "usable": usable,
        "lead_found": found,
        "lead_open": waiting,
        "usable_as_claimed": claim["returned_low"] <= usable <= claim["returned_high"],
        "found_as_claimed": inside,
    }


def _found(rows: pd.DataFrame) -> pd.Series:
    return rows["lead_found"] == "yes"


_ARMS = {
    "ranked": "Where a kit was expected to tell most (ranked)",
    "floor": "That the floors asked for (floor)",
    "audit": "Drawn at random (audit)",
}


def _sentences(report: dict[str, Any]) -> list[str]:
    whole = report["parts"][0]
    promise = (
        f"{whole['returned']:,.0f} usable kits ({whole['returned_low']:,.0f} to "
        f"{whole['returned_high']:,.0f}) and {rounded(whole['found'])} lead lines found "
        f"({whole['found_low']:,.0f} to {whole['found_high']:,.0f})"
    )
    if report["closed_on"] is None:
        return [
            f"{report['round_id']} opened on {report['opened_on']}: {report['kits']:,} kits.",
            f"Forecast (95% interval): {promise}.",
            f"Frozen with digest {report['digest'][:16]}.",
        ]
    counts = ", ".join(f"{report['outcomes'][name]:,} {_WORDS[name]}" for name in OUTCOMES)
    words = [
        f"{report['round_id']}, opened on {report['opened_on']}, closed on "
        f"{report['closed_on']}: {report['kits']:,} kits, {counts}.",
        f"Claimed (95% interval): {promise}.",
        f"Realised: {whole['usable']:,} usable kits "
        f"({_inside(whole['usable_as_claimed'])}) and {whole['lead_found']:,} lead lines found "
        f"({_inside(whole['found_as_claimed'])}).",
    ]
    if whole["lead_open"]:
        words.append(
            f"No answer about the line yet: {whole['lead_open']:,} of "
            f"{counted(whole['usable'], 'home')} with a usable kit, so the lines found can still "
            "rise."
        )
    if report["found_beside"]:
        words.append(
            f"{counted(report['found_beside'], 'lead line')} more found at homes of the list "
            "whose kit did not come back usable; no part of the claim."
        )
    words += [
        f"{_ARMS[part['name']]}: {counted(part['kits'], 'kit')}, claimed "
        f"{part['returned']:,.0f} usable and {rounded(part['found'])} found, realised "
        f"{part['usable']:,} and {part['lead_found']:,}."
        for part in report["parts"]
        if part["part"] == "arm"
    ]
    if report["unlisted"]:
        words.append(
            f"{counted(report['unlisted'], 'kit')} came from homes that were not on the list "
            f"(first: {', '.join(report['unlisted_homes'][:5])}), so it was not followed in full."
        )
    if report["corrected"]:
        last = report["corrected"][-1]
        words.append(
            f"{counted(len(report['corrected']), 'correction')} entered since closing; the figures "
            f"count what was entered last. The latest, on {last['entered_on']}: "
            f"{last['parcel_id']} is {_WORDS[last['outcome']]}, lead found "
            f"{last['lead_found']} ({last['reason']})."
        )
    return [*words, CAUTION]


def _inside(yes: bool | None) -> str:
    if yes is None:
        return "whether as claimed cannot be judged yet"
    return "inside the interval" if yes else "OUTSIDE the interval"
