"""What a kit would teach: the change of probability to expect from two bottles and a form."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy.special import expit

from linemap.scoring.sources import Sources


def expected_change(
    log_odds: np.ndarray, lead_share: np.ndarray, other_share: np.ndarray
) -> np.ndarray:
    """Return the expected absolute change of probability from one more witness.

    Parameters
    ----------
    log_odds : ndarray, shape (n,)
        Log-odds before.
    lead_share, other_share : ndarray, shape (n_outcomes,)
        Chance of each outcome from a lead line, and from another.

    Returns
    -------
    ndarray, shape (n,)
        In lead lines, 0 to 1/2. It is 0 where no outcome could change anything.

    Examples
    --------
    >>> useless = np.array([0.5, 0.5])
    >>> expected_change(np.array([0.0]), useless, useless).tolist()
    [0.0]
    >>> certain = expected_change(np.array([0.0]), np.array([1.0, 0.0]), np.array([0.0, 1.0]))
    >>> certain.tolist()
    [0.5]
    """
    p = expit(np.asarray(log_odds, dtype=float))[:, None]
    chance = p * lead_share + (1 - p) * other_share
    moved = p * lead_share - p * chance
    return np.asarray(np.abs(moved).sum(axis=1))


def joint_outcomes(first: np.ndarray, second: np.ndarray) -> np.ndarray:
    """Return the chances of the joint outcomes of two witnesses that err independently."""
    return np.asarray((first[:, None] * second[None, :]).ravel())


def change_over_odds(
    log_odds: np.ndarray, lead_share: np.ndarray, other_share: np.ndarray
) -> np.ndarray:
    """Return :func:`expected_change` read from a fine table, fast for a million homes."""
    grid = np.linspace(-12.0, 12.0, 481)
    return np.interp(log_odds, grid, expected_change(grid, lead_share, other_share))


def kit_change(log_odds: np.ndarray, sources: Sources) -> np.ndarray:
    """Return the expected change of each home's probability from one kit, (n_homes,).

    Parameters
    ----------
    log_odds : ndarray, shape (n_homes,)
        Of lead, before the kit.
    sources : Sources
        With what was learned of bottles and forms.
    """
    bottles, form = sources.water.cell_shares(), sources.answers.joint_shares()
    lead_form = np.einsum("s,ewsa->ewa", sources.pattern.overall(), form[:, :, 1:])
    answers = sources.answers
    kinds = pd.DataFrame(
        {"s": sources.water.solder_of_home, "e": answers.era, "w": answers.record_word}
    )
    out = np.zeros(len(log_odds))
    for kind, here in kinds.groupby(["s", "e", "w"]).indices.items():
        s, e, w = np.asarray(kind)
        out[here] = change_over_odds(
            log_odds[here],
            joint_outcomes(bottles[s, 1], lead_form[e, w]),
            joint_outcomes(bottles[s, 0], form[e, w, 0]),
        )
    return out
