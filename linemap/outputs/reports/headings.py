"""Findings of each section in one line, worked out from the tables."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd

from linemap.outputs.reports.limits_of_data import group_words
from linemap.outputs.reports.numbers import count, share
from linemap.printing import counted

PROMISED = 0.9
"""Share of lead that a list of homes called lead is meant to hold."""


def headings(
    *,
    area_list: pd.DataFrame,
    plan: dict[str, Any],
    evaluation: dict[str, Any],
    baselines: pd.DataFrame,
    fairness: pd.DataFrame,
    rounds: Sequence[dict[str, Any]],
    inventory: pd.DataFrame,
    water: dict[str, Any],
    action_level: float,
    counts: pd.DataFrame,
) -> dict[str, str]:
    """Return the finding of each section of the staff report, by the section's name.

    Parameters
    ----------
    area_list, fairness, inventory, counts : DataFrame
        As in :class:`linemap.outputs.Findings`.
    plan, evaluation, water : dict
        As in :class:`linemap.outputs.Findings`.
    baselines : DataFrame
        Measures of simpler ways, with ``ahead`` by how much the scores beat them.
    rounds : sequence of dict
        Reports of the rounds so far.
    action_level : float
        Level to compare results with [ug/L].

    Returns
    -------
    dict of str to str
    """
    return {
        "where": where_heading(area_list, plan),
        "right": right_heading(evaluation, baselines),
        "fair": fair_heading(fairness),
        "rounds": rounds_heading(rounds),
        "inventory": inventory_heading(inventory),
        "kits": kits_heading(water.get("kits")),
        "water": water_heading(water, action_level),
        "rows": rows_heading(counts),
    }


def where_heading(area_list: pd.DataFrame, plan: dict[str, Any]) -> str:
    """Say which area comes first and what the list promises."""
    if area_list.empty:
        return f"{count(plan.get('kits', 0))} kits chosen; no home lies in a planning area"
    first = area_list.sort_values("rank").iloc[0]
    text = (
        f"{first['name']} comes first, with {first['expected_lead_lines']:,.0f} expected lead "
        f"lines (90% interval {first['low']:,.0f} to {first['high']:,.0f})"
    )
    together = area_list[area_list.get("rank_low", area_list["rank"]) <= 1]
    if len(together) > 1:
        text += f"; {counted(len(together) - 1, 'other area')} may as well be first"
    return text


def right_heading(evaluation: dict[str, Any], baselines: pd.DataFrame) -> str:
    """Say whether the order of the scores beats the age rule, held out by place."""
    headline = evaluation.get("headline")
    if headline and headline.get("listed"):
        right = share(headline["precision"])
        named = (
            f"{share(headline['callable_share'])} of the {counted(headline['rows'], 'home')} it "
            "could be tested on"
        )
        listed = counted(headline["listed"], "line")
        lead = count(round(headline["precision"] * headline["listed"]))
        span = f"95% interval {share(headline['precision_low'])} to "
        span += share(headline["precision_high"])
        meant = f"meant to hold {share(PROMISED)} lead"
        if headline["precision_high"] < PROMISED:
            return (
                f"Do not use a list of homes called lead here: {meant}, it named {named} and "
                f"missed its promise, for {lead} of its {listed} ({right}, {span}) were lead"
            )
        missed = " and may have missed its promise" if headline["precision"] < PROMISED else ""
        return (
            f"A list {meant} named {named}{missed}: "
            f"{lead} of its {listed} ({right}, {span}) were lead"
        )
    if not baselines.empty:
        rows = baselines[
            (baselines["method"] == "age rule")
            & (baselines["measure"] == "auc")
            & (baselines["weighting"] == "as checked")
        ].set_index("protocol")
        for protocol in ("blocks", "random"):
            if protocol in rows.index:
                row = rows.loc[protocol]
                if row["ahead_low"] > 0:
                    return "The order of the scores is surely better than oldest first"
                if row["ahead_high"] < 0:
                    return "Oldest first would have been the better order here"
                return "It cannot be said that the order beats oldest first"
    return "There are too few checks to judge the scores by"


def fair_heading(fairness: pd.DataFrame) -> str:
    """Name the group that gets least of the kits for its share of the lead."""
    known = fairness.dropna(subset=["kits_to_lead"]) if len(fairness) else fairness
    known = known[~known["group"].astype(str).eq("unknown")] if len(known) else known
    if known.empty:
        return "No groups are known, so fairness cannot be judged"
    short = known[(known["kits_to_lead_high"] < 1) | (known["kits"] == 0)]
    if short.empty:
        return "No group gets clearly less than its share of the kits"
    worst = short.sort_values(["kits_to_lead", "expected_lead"], ascending=[True, False]).iloc[0]
    name = group_words(worst["group_by"], worst["group"])
    return (
        f"{name[0].upper()}{name[1:]} get {share(worst['share_of_kits'])} of the kits for "
        f"{share(worst['share_of_lead'])} of the expected lead"
    )


def rounds_heading(rounds: Sequence[dict[str, Any]]) -> str:
    """Say how many rounds found what they claimed, and how many more or fewer."""
    closed = [report for report in rounds if report.get("closed_on")]
    if not rounds:
        return "No round has been opened yet"
    if not closed:
        return f"{counted(len(rounds), 'round')} open, none closed yet"
    wholes = [report["parts"][0] for report in closed]
    if len(wholes) == 1:
        found, low, high = (wholes[0][key] for key in ("lead_found", "found_low", "found_high"))
        said = f"The closed round found {counted(found, 'lead line')}"
        if open_still := wholes[0].get("lead_open"):
            said += f" so far, with {counted(open_still, 'home')} still to be looked at"
        if wholes[0]["found_as_claimed"] is None:
            return f"{said}; claimed were {count(low)} to {count(high)} (95% interval)"
        how = "more than" if found > high else "fewer than" if found < low else "within"
        return f"{said}, {how} the {count(low)} to {count(high)} claimed (95% interval)"
    unsure = sum(whole["found_as_claimed"] is None for whole in wholes)
    more = sum(whole["lead_found"] > whole["found_high"] for whole in wholes)
    fewer = sum(whole["found_as_claimed"] is False for whole in wholes) - more
    return (
        f"{len(wholes) - more - fewer - unsure} of {len(wholes)} closed rounds found lead lines "
        f"within the claimed 95% interval, {more} more, {fewer} fewer"
        f"{f', {unsure} cannot be judged yet' if unsure else ''}"
    )


def inventory_heading(inventory: pd.DataFrame) -> str:
    """Say how many lines have unknown status."""
    lines = inventory[inventory["part"] == "service lines"].set_index("category")["lines"]
    total, unknown = int(lines.sum()), int(lines.get("lead status unknown", 0))
    return (
        f"{unknown:,} of {total:,} lines ({share(unknown / max(total, 1))}) have unknown lead "
        f"status; {int(lines.get('lead', 0)):,} are known lead"
    )


def kits_heading(kits: dict[str, Any] | None) -> str:
    """Say how many kits came back and how many can be used."""
    stages = (kits or {}).get("stages") or {}
    if not kits or not stages.get("sent"):
        return "No kits were sent"
    return (
        f"{count(stages.get('returned'))} of {counted(stages['sent'], 'kit')} came back "
        f"({share(kits['return_rate'][0])}), {count(stages.get('usable'))} can be used"
    )


def water_heading(water: dict[str, Any], action_level: float) -> str:
    """Say how many homes lie above the action level in the first draw."""
    first = water.get("first") or {}
    for step in first.get("above", []):
        if isinstance(step, dict) and np.isclose(step["level"], action_level):
            return (
                f"{step['above']:,} of {step['n']:,} homes ({share(step['share'], 1)}) are above "
                f"{action_level:g} ug/L in the first draw"
            )
    n = first.get("n", 0)
    return f"{counted(n, 'home')} with a readable first draw" if n else "No results to read"


def rows_heading(counts: pd.DataFrame) -> str:
    """Say how many rows were set aside."""
    read, aside = int(counts["rows_in"].sum()), int(counts["quarantined"].sum())
    if not aside:
        return f"All {read:,} rows were used"
    return f"{read - aside:,} of {read:,} rows were used, {aside:,} set aside"
