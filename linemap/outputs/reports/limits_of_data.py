"""What the data of a run cannot tell, worked out from its tables, in plain words."""

from __future__ import annotations

from typing import Any

import pandas as pd

from linemap.outputs.reports.numbers import share
from linemap.printing import counted

ONE_SIDED_SHARE = 0.95
"""Share of one kind from which a record is held to be a list of that kind; our choice."""

FEWEST_RECORDED = 20
"""Recorded lines below which nothing is said of their balance; our choice."""

UNLIKE_SD = 0.25
"""Difference of means, in standard deviations, that counts as unlike: common practice."""

SAID_HERE = ("labels_are_records", "suspected_apart", "unknown_why")
"""Warnings of the evaluation that these sentences replace."""

_MOST_NAMES = 6
_OWN_EVIDENCE = ["weight_record", "weight_answers", "weight_water", "weight_check"]


def limits_of_data(
    *,
    scores: pd.DataFrame,
    classes: pd.DataFrame,
    areas: pd.DataFrame,
    year_built: pd.Series,
    pairs: pd.DataFrame,
    fairness: pd.DataFrame,
    model: dict[str, Any],
    water: dict[str, Any],
    labels: str = "checks",
) -> list[str]:
    """Say what the data cannot tell, one limit a sentence or two.

    Parameters
    ----------
    scores : DataFrame
        By the ``scores`` contract, indexed by parcel_id.
    classes : DataFrame
        ``inventory_class`` and ``basis``, indexed by parcel_id.
    areas : DataFrame
        ``area_id``, ``name`` of the planning areas.
    year_built : Series
        Year built by parcel_id; NaN where not known.
    pairs : DataFrame
        Returned kits, by the ``pairs`` contract.
    fairness : DataFrame
        ``group_by, group, testing_ratio`` with its 95% interval.
    model : dict
        What the scoring model says of itself.
    water : dict
        Summary of the water results.
    labels : {"checks", "records"}
        What the scores were judged against.

    Returns
    -------
    list of str
        Empty where none of the limits applies.
    """
    found = [
        _labels(model, labels),
        _suspicion(model),
        _areas_unchecked(scores, classes, areas),
        _beyond(scores),
        _nothing_of_their_own(scores),
        _one_sided(classes),
        _controls(water),
        _volunteers_by_group(fairness),
        _volunteers_by_age(pairs, year_built),
    ]
    return [sentence for sentence in found if sentence]


def _checked(classes: pd.DataFrame) -> pd.Series:
    return classes["basis"].astype(str).str.contains("field check")


def _labels(model: dict[str, Any], labels: str) -> str:
    if labels != "records" and "check" in model.get("sources", ["check"]):
        return ""
    return (
        "Nobody's look at a pipe is in the data; the only labels are entries of the city record. "
        "Figures of how right the scores are state agreement with the record, not with the ground."
    )


def _suspicion(model: dict[str, Any]) -> str:
    why = model.get("witnesses", {}).get("check", {}).get("why", {})
    total, suspected = sum(why.values()), why.get("suspected", 0)
    unsaid, drawn = why.get("unknown", 0), why.get("random", 0)
    if not total or not suspected + unsaid:
        return ""
    parts = [
        f"{counted(n, 'check was', 'checks were')} made {reason}"
        for n, reason in (
            (suspected, "because lead was suspected"),
            (unsaid, "for a reason that nobody noted"),
        )
        if n
    ]
    return (
        f"Of {counted(total, 'checked home')}, {' and '.join(parts)}. Checks chosen by suspicion "
        "overstate how much lead there is, and weighting cannot cure that: only homes drawn at "
        f"random can ({drawn:,} so far)."
    )


def _areas_unchecked(scores: pd.DataFrame, classes: pd.DataFrame, areas: pd.DataFrame) -> str:
    placed = scores["area_id"].dropna()
    checked = _checked(classes).reindex(placed.index).fillna(False)
    by_area = checked.groupby(placed.astype(str)).agg(["sum", "size"])
    none = by_area[by_area["sum"] == 0]
    if none.empty:
        return ""
    names = dict(zip(areas["area_id"].astype(str), areas["name"].astype(str), strict=True))
    listed = [names.get(str(area), str(area)) for area in none.index]
    text = ", ".join(listed[:_MOST_NAMES])
    if len(listed) > _MOST_NAMES:
        text += f" and {len(listed) - _MOST_NAMES} more"
    return (
        f"Nobody has looked at a single line in {counted(len(none), 'area')} of {len(by_area)} "
        f"({text}; {counted(int(none['size'].sum()), 'home')}). What is said there is carried "
        "over from other places."
    )


def _beyond(scores: pd.DataFrame) -> str:
    n = int(scores["beyond_data"].sum())
    if not n:
        return ""
    return (
        f"{counted(n, 'home is', 'homes are')} beyond the data ({share(n / len(scores), 1)}): by "
        "age, use or place unlike every home that anything was learned from. Their probabilities "
        "are a guess by extension; the map shows them apart."
    )


def _nothing_of_their_own(scores: pd.DataFrame) -> str:
    silent = scores[_OWN_EVIDENCE].abs().max(axis=1).lt(1e-9)
    n = int(silent.sum())
    if not n:
        return ""
    return (
        f"Of {counted(n, 'home')} ({share(n / len(scores))}) nothing is known but building and "
        "place: no record, no answer, no bottle, no check. Two such homes side by side cannot be "
        "told apart."
    )


def _one_sided(classes: pd.DataFrame) -> str:
    recorded = classes[classes["basis"].astype(str).eq("city record")]
    known = recorded[recorded["inventory_class"].ne("lead status unknown")]
    if len(known) < FEWEST_RECORDED:
        return ""
    lead = float(known["inventory_class"].eq("lead").mean())
    if lead >= ONE_SIDED_SHARE:
        return (
            f"The record is a list of known lead: {share(lead)} of its {len(known):,} named lines "
            "are lead. A home that is not on it may have been looked up and found clear, or never "
            "looked up; the record cannot tell which."
        )
    if lead <= 1 - ONE_SIDED_SHARE:
        return (
            f"The record hardly ever names lead ({share(lead, 1)} of {len(known):,} named lines). "
            "Either there is little, or lead was not written down; the record cannot tell which."
        )
    return ""


def _controls(water: dict[str, Any]) -> str:
    control = water.get("control")
    if not isinstance(control, str):
        return ""
    return (
        "There is no local level from which a flushed bottle speaks for a lead line: "
        f"{control[0].lower()}{control[1:]}"
    )


def _volunteers_by_group(fairness: pd.DataFrame) -> str:
    if fairness.empty:
        return ""
    low = fairness[fairness["testing_ratio_high"] < 1].sort_values("testing_ratio")
    if low.empty:
        return ""
    parts = [
        f"{group_words(row['group_by'], row['group'])} were tested {row['testing_ratio']:.2f} "
        f"times as often as all others (95% interval {row['testing_ratio_low']:.2f} to "
        f"{row['testing_ratio_high']:.2f})"
        for row in low.head(3).to_dict("records")
    ]
    return (
        f"The homes that sent water are not like the city: {'; '.join(parts)}. Shares of high "
        "results among them are not shares of the city."
    )


def _volunteers_by_age(pairs: pd.DataFrame, year_built: pd.Series) -> str:
    usable = pairs.loc[pairs["verdict"].ne("not_usable"), "parcel_id"].unique()
    year = year_built.dropna()
    tested = year.index.isin(usable)
    spread = float(year.std()) if len(year) > 1 else 0.0
    if tested.sum() < FEWEST_RECORDED or not spread > 0:
        return ""
    apart = float(year[tested].mean() - year[~tested].mean())
    if abs(apart) / spread < UNLIKE_SD:
        return ""
    return (
        f"Tested homes are {abs(apart):.0f} years {'newer' if apart > 0 else 'older'} on average "
        f"than the others (built {year[tested].mean():.0f} against {year[~tested].mean():.0f})."
    )


def group_words(group_by: str, group: str) -> str:
    """Return a group of homes in words.

    Examples
    --------
    >>> group_words("income_third", "lowest"), group_words("owner_occupied", "no")
    ('areas of the lowest-income third', 'rented homes')
    """
    if group_by == "income_third":
        return f"areas of the {group}-income third"
    if group_by == "owner_occupied":
        return {"yes": "owners' homes", "no": "rented homes"}.get(
            str(group), "homes of unknown tenure"
        )
    return f"{str(group_by).replace('_', ' ')} {group}"
