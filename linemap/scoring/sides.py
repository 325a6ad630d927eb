"""Two sides of a line, four joint states, and what counts as the target.

A line has a utility's side and a customer's side. Where records or checks tell the sides
apart the hidden state of a home is one of four (neither, utility only, customer only, both);
otherwise one of two. The target is "lead anywhere"; galvanized pipe that is or may have been
below lead is the target of a second model, see :mod:`linemap.scoring.galvanized`.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import reduce
from typing import Literal

import numpy as np
import pandas as pd

Target = Literal["lead", "galvanized"]

FOUR = np.array([[False, False], [True, False], [False, True], [True, True]])
TWO = np.array([[False, False], [True, True]])
NAMES = {4: ("neither", "utility only", "customer only", "both"), 2: ("none", "lead")}

PATTERN_DEFAULT = {4: (0.2, 0.2, 0.6), 2: (1.0,)}
PATTERN_STRENGTH = 30.0

LEAD, GALVANIZED, OTHER, UNKNOWN = 0, 1, 2, 3
"""Codes of a material on one side."""


def side_codes(material: pd.Series) -> np.ndarray:
    """Return the code of each material: lead, galvanized, other, unknown."""
    word = pd.Categorical(material, categories=["lead", "galvanized", "unknown"]).codes
    code = np.array([LEAD, GALVANIZED, UNKNOWN, OTHER])[word]  # the last for all other words
    code[material.isna().to_numpy()] = UNKNOWN
    return np.asarray(code)


def counts_as_target(
    code: np.ndarray, ever_below_lead: pd.Series | None, target: Target
) -> np.ndarray:
    """Return whether a known material counts towards the target.

    Galvanized pipe does not count where the city knows that it never was below lead.
    """
    if target == "lead":
        return np.asarray(code == LEAD)
    positive = code == GALVANIZED
    if ever_below_lead is not None:
        positive &= (ever_below_lead.astype(object) != "no").to_numpy()
    return np.asarray(positive)


def sides_told_apart(lines: pd.DataFrame, checks: pd.DataFrame, least: int = 30) -> bool:
    """Return whether the sides must be told apart.

    They must where records differ between the sides of at least ``least`` homes, and where any
    check saw one side only, or not the same on both: it says nothing of the other side.
    """
    if len(lines):
        utility = side_codes(lines["utility_material"])
        customer = side_codes(lines["customer_material"])
        if (utility != customer).sum() >= least:
            return True
    if len(checks):
        seen = checks[["parcel_id", "side"]].assign(code=side_codes(checks["material"]))
        by_home = seen[seen["code"] != UNKNOWN].groupby("parcel_id").nunique()
        return bool(((by_home["side"] == 1) | (by_home["code"] > 1)).any())
    return False


@dataclass
class SidePattern:
    """Which sides are lead, given that any is: shares by era, learned and shrunk.

    Attributes
    ----------
    states : ndarray of bool, shape (n_states, 2)
        Utility's and customer's side in each state; the first state is "none".
    share_ : ndarray, shape (n_eras, n_states - 1)
    """

    states: np.ndarray
    n_eras: int = 6

    def __post_init__(self) -> None:
        default = np.array(PATTERN_DEFAULT[len(self.states)])
        self.share_ = np.tile(default, (self.n_eras, 1))
        self.counts_ = np.tile(default * PATTERN_STRENGTH, (self.n_eras, 1))

    def learn(self, soft: np.ndarray, era: np.ndarray) -> None:
        """Learn the shares from the posterior of each state, shape (n_homes, n_states)."""
        default = np.array(PATTERN_DEFAULT[len(self.states)])
        overall = soft[:, 1:].sum(axis=0) + PATTERN_STRENGTH * default
        overall = overall / overall.sum()
        for e in range(self.n_eras):
            self.counts_[e] = soft[era == e, 1:].sum(axis=0) + PATTERN_STRENGTH * overall
        self.share_ = self.counts_ / self.counts_.sum(axis=1, keepdims=True)

    def overall(self) -> np.ndarray:
        """Return the share of each lead state over all eras, (n_states - 1,)."""
        total = self.counts_.sum(axis=0)
        return np.asarray(total / total.sum())

    def log_share(self, era: np.ndarray, rng: np.random.Generator | None = None) -> np.ndarray:
        """Return the log share of each lead state for each home; drawn, if a generator is given."""
        share = self.share_
        if rng is not None:
            drawn = rng.gamma(self.counts_) + 1e-12
            share = drawn / drawn.sum(axis=1, keepdims=True)
        return np.log(share)[era]


def lead_weight(states_weight: np.ndarray, log_share: np.ndarray) -> np.ndarray:
    """Return the log-likelihood ratio of "lead anywhere" against none.

    Parameters
    ----------
    states_weight : ndarray, shape (n_homes, n_states)
        Log-likelihood ratio of each state against the first, which is none. Where all are 0
        nothing was said, and silence weighs nothing.
    log_share : ndarray, shape (n_homes, n_states - 1)
    """
    if states_weight.shape[1] == 2:
        return states_weight[:, 1]
    out = np.zeros(len(states_weight))
    told = states_weight.any(axis=1)
    out[told] = _log_sum(states_weight[told, 1:] + log_share[told])
    return out


def state_posterior(
    p_lead: np.ndarray, states_weight: np.ndarray, log_share: np.ndarray
) -> np.ndarray:
    """Split the probability of lead over the states, shape (n_homes, n_states)."""
    inside = states_weight[:, 1:] + log_share
    inside = np.exp(inside - _log_sum(inside)[:, None])
    return np.column_stack([1.0 - p_lead, p_lead[:, None] * inside])


def _log_sum(values: np.ndarray) -> np.ndarray:
    """Return the logarithm of the summed exponentials of each row, of few columns."""
    return np.asarray(reduce(np.logaddexp, values.T))
