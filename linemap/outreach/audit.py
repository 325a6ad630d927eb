"""The random arm: how likely each home is to be drawn, the draw, and what it is sure to bring."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from linemap.outreach.problem import TOLERANCE, Bools, Floats
from linemap.settings import AuditDraw

EQUAL_PART = 1 / 4
"""Part of the chances that is the same for all homes when likelier homes are drawn more often."""


@dataclass(frozen=True)
class AuditDesign:
    """How the audit arm was drawn, so that anybody can estimate from it.

    Homes of the ranked and floor arms are certain. From the other eligible homes, the frame,
    ``drawn`` are taken at random, each home with its own known chance.

    Attributes
    ----------
    eligible, certain, frame, drawn : int
        Homes.
    seed : int
    draw : {"likelier", "equal"}
        Whether homes with a higher chance of lead were drawn more often.
    lowest, highest : float
        Smallest and largest chance of being drawn in the frame [share].
    frame_lead : float
        Lead lines expected in the frame by the scores of the day [homes].
    """

    eligible: int
    certain: int
    frame: int
    drawn: int
    seed: int
    draw: AuditDraw = "likelier"
    lowest: float = 0.0
    highest: float = 0.0
    frame_lead: float = 0.0

    def describe(self) -> dict[str, Any]:
        """Return the design as plain values, for ``run.json`` and the ledger."""
        return asdict(self)

    def in_words(self) -> str:
        """Say from how many homes the arm was drawn, and how."""
        how = ", likelier ones more often" if self.draw == "likelier" and self.drawn else ""
        return f"drawn at random from {self.frame:,} other homes{how}"


def audit_chances(p_lead: Floats, size: float, *, draw: AuditDraw = "likelier") -> Floats:
    """Return the chance of each home of the frame to be drawn.

    ``likelier``: a quarter of the chances is the same for all homes and three quarters follow
    the chance of lead, so that the arm finds more lead and yet no home has less than a quarter
    of its chance under an equal draw. For a total, chances that follow the root of the chance of
    lead are the best; these tell as much (measured) and find more. Wrong scores cannot bias
    the estimates: each home is weighed by the chance that it truly had.

    Parameters
    ----------
    p_lead : array of float, shape (n_homes,)
    size : int
        Homes to draw.
    draw : {"likelier", "equal"}

    Returns
    -------
    array of float, shape (n_homes,)
        They add up to ``size``, or are all 1 where there are fewer homes.

    References
    ----------
    .. [1] J. Neyman, JRSS 97 (1934), and W. G. Cochran, Sampling Techniques (1977), on chances
       that follow the spread of what is estimated. From memory.
    .. [2] T. Hesterberg, "Weighted average importance sampling and defensive mixture
       distributions", Technometrics 37 (1995), on keeping an equal part. From memory.

    Examples
    --------
    >>> audit_chances(np.array([0.0, 0.1, 0.2]), 1).round(3).tolist()
    [0.083, 0.333, 0.583]
    """
    homes = len(p_lead)
    if size >= homes:
        return np.ones(homes)
    weight = np.ones(homes)
    if draw == "likelier" and p_lead.sum() > 0:
        weight = EQUAL_PART + (1 - EQUAL_PART) * p_lead / p_lead.mean()
    sure = np.zeros(homes, dtype=bool)
    while True:
        chance = np.where(sure, 1.0, (size - sure.sum()) * weight / weight[~sure].sum())
        over = (chance > 1) & ~sure
        if not over.any():
            return chance
        sure |= over


def draw_audit(chance: Floats, groups: Sequence[Bools], rng: np.random.Generator) -> Bools:
    """Draw homes with exactly these chances; as many as they add up to.

    The homes are laid in a row, group by group and otherwise in random order, each as long as
    its chance, and one is taken at every whole step from a random start. So each group gets
    what its chances add up to, rounded down or up.

    Parameters
    ----------
    chance : array of float, shape (n_homes,)
        0 for homes that are not to be drawn; they add up to a whole number.
    groups : sequence of array of bool, shape (n_homes,)
        Groups that shall each get their part.
    rng : numpy.random.Generator

    Returns
    -------
    array of bool, shape (n_homes,)

    References
    ----------
    .. [1] W. G. Madow, "On the theory of systematic sampling, II", Annals of Mathematical
       Statistics 20 (1949); H. O. Hartley and J. N. K. Rao, ibid. 33 (1962), on the random
       order. From memory.

    Examples
    --------
    >>> draw_audit(np.array([0.0, 1.0, 1.0]), [], np.random.default_rng(1)).tolist()
    [False, True, True]
    """
    order = np.lexsort((rng.random(len(chance)), *reversed(_in_a_row(groups))))
    reached = np.floor(np.round(np.cumsum(chance[order]), 9) + rng.random())
    drawn = np.zeros(len(chance), dtype=bool)
    drawn[order] = np.diff(reached, prepend=0.0) > 0
    return drawn


def sure_kits(chance: Floats, groups: Sequence[Bools]) -> list[int]:
    """Return how many homes of each group every draw brings, whatever the luck.

    Parameters
    ----------
    chance, groups
        As for :func:`draw_audit`.

    Returns
    -------
    list of int
        One for each group.

    Examples
    --------
    >>> sure_kits(np.array([0.5, 0.5, 0.7, 0.8]), [np.array([True, True, True, False])])
    [1]
    """
    order = np.lexsort([np.zeros(len(chance)), *reversed(_in_a_row(groups))])
    sure = []
    for group in groups:
        inside = group[order]
        starts = np.flatnonzero(np.diff(inside, prepend=~inside[:1]))
        totals = np.add.reduceat(chance[order], starts) if len(starts) else np.zeros(0)
        sure.append(int(np.floor(totals[inside[starts]] + TOLERANCE).sum()))
    return sure


def _in_a_row(groups: Sequence[Bools]) -> list[Bools]:
    """Return keys that sort homes so that as many groups as may be stand in one piece each."""
    keys: list[Bools] = []
    for group in groups:
        turned = np.bitwise_xor.reduce(groups[: len(keys)]) if keys else np.zeros_like(group)
        keys.append(group ^ turned)
    return keys
