"""What a reader must know before trusting a figure: warnings worked out from the data."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from linemap.evaluation.folds import FEWEST_DATED, NAMES
from linemap.evaluation.frame import APART, drawn_at_random
from linemap.evaluation.intervals import FEWEST_BLOCKS as FEWEST_FOR_INTERVAL
from linemap.evaluation.overlap import Overlap
from linemap.evaluation.words import WORDS, Words

UNLIKE_AUC = 0.75
OUTSIDE_SHARE = 0.05
FAR_SHARE = 0.25
UNKNOWN_WHY_SHARE = 0.2
FEWEST_OF_A_KIND = 30
ONE_SIDED_SHARE = 0.95
TOO_GOOD_AUC = 0.995
PINNED = 0.05
FLATTERED_AUC = 0.03
FEWEST_BLOCKS = 20
FEWEST_RANDOM = 10
"""Limits from which a warning is given; all our choice."""

WHY_APART = {
    "suspected": "made because lead was suspected. They are neither fitted on nor judged here; "
    "they stand apart in the table by groups.",
    "listed": "made because a list of kits named the home. The scores learn from them, but are "
    "not judged by them here: the list picked homes whose scores were high. They stand apart in "
    "the table by groups.",
}
"""What is said of checks that are not judged on, by the reason they were made for."""


@dataclass(frozen=True)
class Caution:
    """One warning.

    Attributes
    ----------
    code : str
        Short fixed name.
    text : str
        What was seen, what it means and what to do.
    severe : bool
        Whether the figures should not be used until it is mended.
    """

    code: str
    text: str
    severe: bool = False


def label_cautions(frame: pd.DataFrame, labels: str) -> list[Caution]:
    """Warn about the labels themselves.

    Parameters
    ----------
    frame : DataFrame
        Evaluation frame with ``judged`` (bool).
    labels : {"checks", "records"}
        Where the labels come from.

    Returns
    -------
    list of Caution
    """
    judged = frame["judged"].to_numpy(dtype=bool)
    n, lead = int(judged.sum()), int(frame.loc[judged, "label"].sum())
    words = WORDS[labels]
    out = []
    if labels == "records":
        out.append(
            Caution(
                "labels_are_records",
                "The labels are entries of the city record, not findings. Every figure states "
                "agreement with the record; none states how often the scores are right.",
            )
        )
    if n and max(lead, n - lead) / n >= ONE_SIDED_SHARE:
        kind = "lead" if lead > n - lead else "non-lead"
        out.append(
            Caution(
                "one_sided_labels",
                f"{max(lead, n - lead):,} of {n:,} {words.say} {kind}. A model can look right "
                "by always saying so; the ranking is judged on very few homes of the other kind.",
            )
        )
    if n and min(lead, n - lead) < FEWEST_OF_A_KIND:
        out.append(
            Caution(
                "few_of_a_kind",
                f"Only {lead:,} {words.many} with lead and {n - lead:,} without: the intervals "
                "are wide and differences between methods may be luck.",
            )
        )
    if labels == "records":
        return out
    why = frame.loc[judged, "why"]
    unsaid = int((why == "unknown").sum())
    if n and unsaid / n > UNKNOWN_WHY_SHARE:
        out.append(
            Caution(
                "unknown_why",
                f"For {unsaid:,} of {n:,} checks it is not known why they were made. If lead was "
                "suspected there, every figure is too good. Fill in `why` where it can be found.",
            )
        )
    if "sides_seen" in frame.columns:
        half = frame["checked"] & frame["label"].notna() & (frame["sides_seen"] < 2)
        used = int((half & judged).sum())
        if half.any():
            out.append(
                Caution(
                    "one_side_seen",
                    f"At {int(half.sum()):,} checked homes only one side was seen; lead on the "
                    "other side would not show. "
                    + (
                        f"{used:,} of them had to be judged on: found rates may be too low."
                        if used
                        else "They are not judged on. If a second side is looked at less often "
                        "once the first was lead, the others are not a fair picture. Those drawn "
                        "at random do count in the estimate from random checks."
                    ),
                )
            )
    for reason in APART:
        checks = int((frame["checked"] & (frame["why"] == reason)).sum())
        if checks:
            out.append(Caution(f"{reason}_apart", f"{checks:,} checks were {WHY_APART[reason]}"))
    drawn = int(drawn_at_random(frame).sum())
    if drawn < FEWEST_OF_A_KIND:
        out.append(
            Caution(
                "few_random_checks",
                f"Only {drawn} {'check was' if drawn == 1 else 'checks were'} drawn at random. The "
                "share of lead in the city cannot be stated from findings; weighting does not "
                "repair checks made by choice.",
            )
        )
    return out


def no_audit_caution(held: pd.DataFrame) -> Caution:
    """Say why the checks drawn at random are not judged on their own.

    Parameters
    ----------
    held : DataFrame
        Homes judged by place, with ``label`` and ``why``.

    Returns
    -------
    Caution
    """
    drawn = held.loc[held["why"] == "random", "label"]
    return Caution(
        "no_audit",
        f"Checks drawn at random are not judged on their own: {len(drawn)} of them, "
        f"{int(drawn.sum())} with lead, are too few. At least {FEWEST_RANDOM}, with and without "
        "lead, are needed.",
    )


def no_plan_caution(name: str, checked: pd.DataFrame, words: Words) -> Caution:
    """Say why one way of hiding is not carried out.

    Parameters
    ----------
    name : str
        Protocol.
    checked : DataFrame
        Homes with a label: ``judged`` (bool) and ``checked_on`` (date).
    words : Words

    Returns
    -------
    Caution
    """
    day = pd.to_datetime(checked.loc[checked["judged"], "checked_on"])
    dated = int(day.notna().sum())
    why = {
        "time": f"more than half of the dated {words.many} are of the last day, so that little is "
        "left to learn from before it."
        if dated >= FEWEST_DATED
        else f"dates are missing. Of {len(day):,} {words.many} judged by, {dated:,} have one; at "
        f"least {FEWEST_DATED} are needed.",
        "matched": f"no home is without a {words.one}, so there is no distance to match.",
    }
    text = why.get(name, f"the {words.homes} homes lie in too few places to hide them in turn.")
    return Caution(f"no_{name}", f"{NAMES[name].capitalize()} is not judged: {text}")


def overlap_cautions(overlap: Overlap, words: Words) -> list[Caution]:
    """Warn where the homes in question are unlike those with a label."""
    out = []
    if overlap.auc_building > UNLIKE_AUC:
        span = ""
        if np.isfinite(overlap.building_low):
            span = f", 95% interval {overlap.building_low:.0%} to {overlap.building_high:.0%}"
        out.append(
            Caution(
                "unlike_buildings",
                f"{words.homes.capitalize()} homes can be told from unknown ones by their building "
                f"alone (right in {overlap.auc_building:.0%} of pairs{span}; 50% would be alike): "
                f"figures on {words.many} may not hold for the unknown homes.",
            )
        )
    if overlap.outside_building > OUTSIDE_SHARE:
        out.append(
            Caution(
                "outside_support",
                f"{overlap.outside_building:.0%} of the unknown homes are of a kind that was "
                f"hardly ever {words.homes}. Their scores rest on other kinds of homes.",
            )
        )
    if overlap.far_share > FAR_SHARE:
        out.append(
            Caution(
                "far_from_checks",
                f"{overlap.far_share:.0%} of the unknown homes have no {words.one} within the "
                "range over which neighbours resemble each other "
                f"(median distance {overlap.median_distance_m:,.0f} m).",
            )
        )
    return out


def leak_cautions(runs: dict[str, pd.DataFrame], words: Words) -> list[Caution]:
    """Look for signs that hidden labels were not hidden.

    Parameters
    ----------
    runs : dict of str to DataFrame
        Predictions by protocol: ``label``, ``linemap`` (hidden) and ``visible`` (mean over the
        fits in which the home's label was not hidden; NaN where there was none).
    words : Words

    Returns
    -------
    list of Caution
        Each kind once, for the first protocol that shows it.

    Notes
    -----
    The distance to the label is taken for homes with lead and for the others, and the larger
    counts: where lead is rare, an honest score is near 0, as nearly all labels are.
    """
    found: dict[str, Caution] = {}
    for protocol, held in runs.items():
        both = held[held["visible"].notna()]
        if len(both) < 20 or not 0 < both["label"].mean() < 1:
            continue
        miss = (both["linemap"] - both["label"]).abs()
        gap = float(miss.groupby(both["label"]).mean().max())
        name = NAMES[protocol].capitalize()
        if (both["linemap"] == both["visible"]).all():
            found.setdefault(
                "hiding_changes_nothing",
                Caution(
                    "hiding_changes_nothing",
                    f"{name}: hiding {words.many} changed no score at all. Either the scores do "
                    f"not use {words.many}, or hidden {words.many} are not hidden: then every "
                    "figure here is false.",
                    severe=gap < PINNED,
                ),
            )
        if gap < PINNED:
            found.setdefault(
                "answer_known",
                Caution(
                    "answer_known",
                    f"{name}: scores of hidden homes, with lead and without, are within {gap:.3f} "
                    f"of what the {words.say}. No evidence on a buried line is that good: the "
                    "answer is leaking into the scores.",
                    severe=True,
                ),
            )
    return list(found.values())


def too_good_cautions(measures: pd.DataFrame, words: Words) -> list[Caution]:
    """Warn where any method, ours or a baseline, ranks better than evidence can."""
    rows = measures[(measures["measure"] == "auc") & (measures["value"] >= TOO_GOOD_AUC)]
    rows = rows[np.minimum(rows["lead"], rows["rows"] - rows["lead"]) >= 20]
    return [
        Caution(
            "too_good",
            f"{row['method']} ranks almost perfectly, {NAMES[row['protocol']]} "
            f"(chance {row['value']:.3f} that lead stands above non-lead). "
            f"Look for a column that was filled in from the {words.many}.",
            severe=True,
        )
        for row in rows.to_dict("records")
    ]


def few_blocks_caution(name: str, blocks: int, words: Words) -> Caution:
    """Say that few blocks stand behind an interval, or too few for one.

    Parameters
    ----------
    name : str
        What was judged.
    blocks : int
        Blocks that hold homes judged.
    words : Words

    Returns
    -------
    Caution
    """
    what = "Intervals by block are themselves uncertain then, and too narrow if anything."
    if blocks < FEWEST_FOR_INTERVAL:
        what = "That is too few for an interval."
    return Caution("few_blocks", f"{name}: only {blocks} blocks hold {words.many}. {what}")


def protocol_cautions(
    measures: pd.DataFrame, facts: dict[str, dict[str, Any]], alike_m: float, words: Words
) -> list[Caution]:
    """Warn about blocks that are too small or too few, and about flattering random folds."""
    out = []
    block_m = facts.get("blocks", {}).get("block_m", np.nan)
    if block_m < alike_m * 0.999:
        out.append(
            Caution(
                "blocks_too_small",
                "The places hidden together are smaller than the distance over which lines of one "
                "age resemble each other, since larger ones would be too few: figures by place "
                "still flatter a little. The methods page gives both distances.",
            )
        )
    ours = measures[measures["method"] == "linemap"]
    drawn = ours.groupby("protocol", sort=False)["blocks"].min().sort_values(kind="stable")
    if len(drawn) and drawn.iloc[0] < FEWEST_BLOCKS:
        name = NAMES[str(drawn.index[0])].capitalize()
        out.append(few_blocks_caution(name, int(drawn.iloc[0]), words))
    off = ours[
        (ours["measure"] == "ece") & (words is WORDS["checks"])
    ]  # no probability is judged by records
    for row in off.to_dict("records"):
        if row["protocol"] != "random" and row["value"] > row["perfect_high"]:
            band = f"{100 * row['perfect_low']:.1f} to {100 * row['perfect_high']:.1f}"
            out.append(
                Caution(
                    "probabilities_off",
                    f"{NAMES[row['protocol']].capitalize()}: promised and found rates differ by "
                    f"{100 * row['value']:.1f} percentage points on average; a perfect model would "
                    f"show {band} on as many homes. Read the probabilities with care.",
                )
            )
    auc = ours[ours["measure"] == "auc"]
    by = auc.set_index("protocol")["value"]
    if {"random", "blocks"} <= set(by.index) and by["random"] - by["blocks"] > FLATTERED_AUC:
        out.append(
            Caution(
                "random_flatters",
                f"Lead is ranked above non-lead with a chance of {by['random']:.2f} where "
                f"{words.many} were hidden at random, {by['blocks']:.2f} where they were hidden by "
                f"place: quote the second for streets without {words.many}.",
            )
        )
    return out
