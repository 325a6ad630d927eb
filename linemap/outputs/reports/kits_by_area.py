"""Why the areas that come first do not always get the most kits, in words."""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from typing import Any

import pandas as pd

from linemap.outputs.reports.numbers import count, is_missing, share
from linemap.printing import counted

AIM_WORDS = {
    "most_lead": "expected lead lines",
    "most_need": "expected lead lines times the need index",
    "least_tested": "the share of homes not tested",
}
"""What areas are ranked by, under each aim."""


def why_kits_differ(area_list: pd.DataFrame, kit_list: pd.DataFrame, *, aim: str) -> str:
    """Say why the first area gets fewer kits than another; empty where it gets the most.

    Parameters
    ----------
    area_list : DataFrame
        By the ``area_list`` contract; ``return_rate``, ``may_be_sent`` and ``in_reach`` are told
        where they are known.
    kit_list : DataFrame
        By the ``kit_list`` contract.
    aim : str
        What the areas are ranked by.

    Returns
    -------
    str
    """
    if area_list.empty:
        return ""
    ranked = area_list.sort_values("rank").to_dict("records")
    first, most = ranked[0], max(ranked, key=lambda area: area["kits_suggested"])
    if first["kits_suggested"] >= most["kits_suggested"]:
        return ""
    one, other = first["name"], most["name"]
    words = [
        f"{one} comes first by {AIM_WORDS.get(aim, aim)} and gets {count(first['kits_suggested'])} "
        f"of the {counted(len(kit_list), 'kit')}; {other} gets {count(most['kits_suggested'])}. "
        "Kits go to single homes, not to areas: to those where a kit is expected to tell most, "
        "above all by the chance of lead times the chance of a usable return."
    ]
    if _known(first, most, "return_rate"):
        words.append(
            f"Of the homes in {one} that were ever sent a kit, {_rate(first)} returned a usable "
            f"one; in {other} {_rate(most)}."
        )
    if _known(first, most, "may_be_sent", "in_reach"):
        words.append(
            f"The last home chosen that way sets the mark: {count(first['in_reach'])} of the "
            f"{count(first['may_be_sent'])} homes in {one} that may be sent a kit reach it, "
            f"{count(most['in_reach'])} of {count(most['may_be_sent'])} in {other}."
        )
    words.append(_arms(first, kit_list))
    if _known(first, most, "return_rate") and first["return_rate"] < most["return_rate"]:
        words.append(
            "Where kits seldom come back, a visit or a look at the pipe finds what kits do not."
        )
    return " ".join(word for word in words if word)


def _known(first: Mapping[Hashable, Any], most: Mapping[Hashable, Any], *names: str) -> bool:
    return all(name in area and pd.notna(area[name]) for area in (first, most) for name in names)


def _rate(area: Mapping[Hashable, Any]) -> str:
    """Say the rate of return of an area, with its 95% interval where that is known."""
    rate, low = share(area["return_rate"]), area.get("return_rate_low")
    if is_missing(low):
        return rate
    return f"{rate} (95% interval {share(low)} to {share(area['return_rate_high'])})"


def _arms(area: Mapping[Hashable, Any], kit_list: pd.DataFrame) -> str:
    """Say what the kits of an area are there for."""
    here = kit_list[kit_list["area_id"].astype(str).eq(str(area["area_id"]))]
    n = here["arm"].astype(str).value_counts()
    if here.empty:
        return ""
    return (
        f"Of the {counted(len(here), 'kit')} for {area['name']}, {count(n.get('ranked', 0))} "
        f"reached it, {count(n.get('floor', 0))} keep the floors and {count(n.get('audit', 0))} "
        "were drawn at random."
    )
