"""Estimates for all eligible homes from the log of the rounds alone, whatever the ranking did."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
from statsmodels.stats.proportion import proportion_confint

from linemap.errors import ArgumentError
from linemap.outreach.eligibility import column_or, require_columns
from linemap.outreach.problem import Floats

COVERAGE = 0.95
WANTED = (
    "round_id",
    "arm",
    "inclusion_probability",
    "p_return_at_send",
    "outcome",
    "lead_found",
)
FRAME = ("frame_homes", "frame_lead")


@dataclass(frozen=True)
class Share:
    """Share with lead of the homes that a part of the list stands for.

    Attributes
    ----------
    size : float
        Homes that the part stands for [homes].
    homes, answers, hits : int
        Homes on the list, those with an answer about their line, and those with lead.
    share, low, high : float
        Share with lead and its 95% limits; NaN, 0 and 1 without an answer. The share may lie
        below 0 where few answers fell short of their claim, or else it would not be right on
        average; the limits do not.
    """

    size: float
    homes: int
    answers: int
    hits: int
    share: float = np.nan
    low: float = 0.0
    high: float = 1.0


def estimate_from_log(log: pd.DataFrame, *, follow_up: str = "returned") -> pd.DataFrame:
    """Estimate prevalence, lead lines and hit rates of each closed round from its log.

    Ranked and floor homes were certain to be on the list; audit homes stand for all the other
    eligible homes, each for ``1 / inclusion_probability`` of them (Horvitz and Thompson). A
    home without an answer is made up for by those of its stratum with one, each weighted by
    ``1 / p_return_at_send`` when only returned kits are followed up (Hajek). What is weighted
    so is by how much each answer misses the chance of lead that was frozen with the list; it
    is added to the sum of these chances (the difference estimator of Cassel, Särndal and
    Wretman). Good chances make the interval narrow, wrong ones make it wide; neither biases
    the estimate. The intervals of the two strata are Wilson's at the effective sample size
    (as Korn and Graubard do for weighted answers) and are joined by recovering their
    variances (Zou and Donner).

    The weights are right if the chance of return is, and if within a stratum and given that
    chance a return does not depend on lead. The hit rates are plain shares of the answers of
    each arm; that of the audit arm is not the share with lead of the homes it stands for.

    Parameters
    ----------
    log : DataFrame
        From :meth:`Ledger.log`: ``round_id, arm, inclusion_probability, p_return_at_send,
        outcome, lead_found`` and, where known, ``p_lead_at_send``, ``frame_homes`` and
        ``frame_lead`` of the audit arm; without them the plain weighted share is used. By
        ``eligible_homes`` it is known how many homes a list without a random arm left out:
        nothing is said of them. Homes that were not on the list are ignored, since nobody knows
        how they came to be sent a kit.
    follow_up : {"returned", "all"}
        ``returned``: the line is known only where a usable kit came back. ``all``: every home
        was followed up (a visit, say), so the chance of return plays no part.

    Returns
    -------
    DataFrame
        ``round_id, quantity, estimate, low, high, homes, answers``. Quantities: ``eligible
        homes`` [homes], ``share with lead`` [share] and ``lead lines`` [homes] among them,
        ``lead lines off the list`` [homes], ``hit rate, ranked``, ``hit rate, floor``,
        ``hit rate, audit`` [share of answers]. Intervals are 95%; ``homes`` and ``answers``
        count the kits behind the figure. NaN where homes are off the list and no home of a
        random arm stands for them with an answer.

    Raises
    ------
    ArgumentError
        If ``follow_up`` is unknown or a listed home has no inclusion probability.

    References
    ----------
    .. [1] D. G. Horvitz and D. J. Thompson, JASA 47 (1952). From memory.
    .. [2] J. Hajek, in Foundations of Statistical Inference (1971), the ratio form. From memory.
    .. [3] C. M. Cassel, C. E. Särndal and J. H. Wretman, Biometrika 63 (1976). From memory.
    .. [4] E. L. Korn and B. I. Graubard, "Confidence intervals for proportions with small
       expected number of positive counts estimated from survey data", Survey Methodology 24
       (1998). From memory.
    .. [5] G. Y. Zou and A. Donner, "Construction of confidence limits about effect measures: a
       general approach", Statistics in Medicine 27 (2008). From memory.
    """
    require_columns(log, WANTED, "the log")
    if follow_up not in ("returned", "all"):
        raise ArgumentError("follow_up is 'returned' or 'all'.")
    listed = log[log["arm"].notna() & log["outcome"].notna()]
    if not listed["inclusion_probability"].gt(0).all():
        raise ArgumentError("a listed home has no inclusion probability, so nothing can be said.")
    rows: list[dict[str, Any]] = []
    for round_id, kits in listed.groupby("round_id", sort=False):
        rows += [{"round_id": round_id, **row} for row in _round_estimates(kits, follow_up)]
    names = ["round_id", "quantity", "estimate", "low", "high", "homes", "answers"]
    return pd.DataFrame(rows, columns=names)


def estimates_in_words(estimates: pd.DataFrame) -> list[str]:
    """Say for each round what its log tells of all eligible homes."""
    words: list[str] = []
    for round_id, rows in estimates.groupby("round_id", sort=False):
        by_name = rows.set_index("quantity")
        lines, size = by_name.loc["lead lines"], by_name.loc["eligible homes", "estimate"]
        if pd.isna(lines["estimate"]):
            drawn = by_name.loc["lead lines off the list", "homes"]
            why = "no answer in the random audit arm yet" if drawn else "there was no random arm"
            words.append(f"{round_id}: {why}, so nothing can be said of the homes off the list.")
            continue
        words.append(
            f"{round_id}: {lines['estimate']:,.0f} lead lines (95% interval {lines['low']:,.0f} "
            f"to {lines['high']:,.0f}) among {size:,.0f} homes eligible on its day, "
            f"estimated from the log of {lines['answers']:,.0f} answers alone."
        )
    return words


def _round_estimates(kits: pd.DataFrame, follow_up: str) -> list[dict[str, Any]]:
    audit = kits["arm"].eq("audit").to_numpy()
    strata = [stratum(kits[~audit], follow_up), stratum(kits[audit], follow_up)]
    frozen = float(column_or(kits, "eligible_homes", np.nan).astype(float).max())
    if not audit.any() and frozen > len(kits):
        strata[1] = replace(strata[1], size=frozen - len(kits))
    eligible = sum(part.size for part in strata)
    count, answers = len(kits), sum(part.answers for part in strata)

    def row(
        quantity: str, triple: tuple[float, float, float], n: int, known: int
    ) -> dict[str, Any]:
        low, high = triple[1:]
        return {
            "quantity": quantity,
            "estimate": triple[0] if np.isnan(triple[0]) else max(triple[0], 0.0),
            "low": low,
            "high": high,
            "homes": n,
            "answers": known,
        }

    lines = joined([(part, part.size) for part in strata])
    share = (lines[0] / eligible, lines[1] / eligible, lines[2] / eligible)
    off = joined([(strata[1], strata[1].size - strata[1].homes)])
    found = [
        row("eligible homes", (eligible, eligible, eligible), count, count),
        row("share with lead", share, count, answers),
        row("lead lines", lines, count, answers),
        row("lead lines off the list", off, strata[1].homes, strata[1].answers),
    ]
    for arm in ("ranked", "floor", "audit"):
        inside = kits[kits["arm"] == arm]
        known = inside[inside["lead_found"].isin(["yes", "no"])]
        hits = int((known["lead_found"] == "yes").sum())
        if len(known):
            low, high = proportion_confint(hits, len(known), 1 - COVERAGE, method="wilson")
            found.append(
                row(f"hit rate, {arm}", (hits / len(known), low, high), len(inside), len(known))
            )
    return found


def stratum(kits: pd.DataFrame, follow_up: str = "returned") -> Share:
    """Return the share with lead of the homes that a part of a list stands for.

    Where the chances of lead when the list was frozen are known for all those homes, the answers
    only have to tell by how much they miss (the difference estimator); elsewhere the weighted
    share of the answers stands (Hajek). Wilson's limits at the effective number of answers.
    """
    drawn = kits["inclusion_probability"].to_numpy(dtype=float)
    known = kits["lead_found"].isin(["yes", "no"]).to_numpy()
    lead = kits["lead_found"].eq("yes").to_numpy(dtype=float)[known]
    size, expected = _homes_behind(kits, drawn)
    counts = (size, len(kits), int(known.sum()), int(lead.sum()))
    chance = drawn[known]
    if follow_up == "returned":
        chance = chance * kits["p_return_at_send"].to_numpy(dtype=float)[known]
    if not known.any() or (chance <= 0).any():
        return Share(*counts)
    claim = np.zeros(len(lead))
    if np.isfinite(expected):
        claim = kits["p_lead_at_send"].to_numpy(dtype=float)[known]
    weight = (1 / chance) / (1 / chance).sum()
    spread = weight**2 * (1 - chance)
    missed = float(weight @ (lead - claim))
    share = float(np.nan_to_num(expected) + missed)
    if spread.sum() <= 1e-12:
        return Share(*counts, share, share, share)
    possible = float(np.clip(share, lead.sum() / size, 1.0))
    noise = float(spread.sum())
    if np.isfinite(expected):
        noise = _noise(spread, claim, lead - claim - missed, expected, possible)
    low, high = proportion_confint(possible / noise, 1 / noise, 1 - COVERAGE, method="wilson")
    return Share(*counts, share, float(low), float(high))


def _homes_behind(kits: pd.DataFrame, drawn: Floats) -> tuple[float, float]:
    """Return how many homes a part stands for, and the share with lead that was claimed."""
    frame, claimed = (column_or(kits, name, np.nan).astype(float) for name in FRAME)
    if frame.notna().all() and len(kits):
        return float(frame.iloc[0]), float((claimed / frame).iloc[0])
    certain = bool((drawn == 1).all()) and "p_lead_at_send" in kits
    return float((1 / drawn).sum()), float(kits["p_lead_at_send"].mean()) if certain else np.nan


def _noise(spread: Floats, claim: Floats, missed: Floats, expected: float, share: float) -> float:
    """Return the variance of the share as that of a single answer's parts.

    At least what it is if the claimed chances are right; where the answers miss them by more,
    the mean of that and of what is seen, since few answers tell little of their own spread.
    """
    answers = len(claim)
    if_right = float(spread @ (claim * (1 - claim))) / max(expected * (1 - expected), 1e-9)
    near = min(max(share, 1e-3), 1 - 1e-3)
    seen = float(spread @ missed**2) * answers / max(answers - 1, 1) / (near * (1 - near))
    return max(if_right, (if_right + seen) / 2)


def joined(parts: Sequence[tuple[Share, float]]) -> tuple[float, float, float]:
    """Return the lead lines of parts of so many homes each, the limits by recovering variances."""
    sized = [(part, homes) for part, homes in parts if homes > 0]
    lines = sum(homes * part.share for part, homes in sized)
    below = sum((homes * max(part.share - part.low, 0.0)) ** 2 for part, homes in sized)
    above = sum((homes * (part.high - part.share)) ** 2 for part, homes in sized)
    return lines, max(lines - np.sqrt(below), 0.0), lines + np.sqrt(above)
