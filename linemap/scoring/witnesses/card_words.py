"""The material that a card without lead names, and how often cards that miss a lead line name it.

A card that misses a lead line does not name just any other material. Where it was written down
that a line is plastic, somebody hardly took lead for it; another word may be what is put down
where nobody looked. How often each word stands on cards of lines without lead differs with the
building's year and is counted over the whole city. How much more or less often it stands on cards
that miss a lead line is learned where somebody looked, and nowhere else: elsewhere the words would
teach themselves.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.ndimage import gaussian_filter1d

from linemap.published import fact
from linemap.scoring.witnesses.code_table import soft_counts
from linemap.tables import MATERIALS

WORDS = (*(word for word in MATERIALS if word != "unknown"), "")
"""What may stand on one side of a card; last: nothing."""

PAIRS = [(utility, customer) for utility in WORDS for customer in WORDS]
"""What may stand on both."""

_FILLED = np.array([(utility != "") + 2 * (customer != "") for utility, customer in PAIRS])
_SAME_SIDES = (_FILLED[:, None] == _FILLED).astype(float)

BIN_YEARS, FIRST_YEAR, LAST_YEAR = 5, 1880, 2020
N_BINS = (LAST_YEAR - FIRST_YEAR) // BIN_YEARS + 2
"""Bins of building years; the last is of homes whose year is not known."""

SMOOTH_BINS = 1.5
"""Standard deviation over which shares of words run smoothly from bin to bin; our choice."""

BIN_STRENGTH = 5.0
"""Homes for which all years together count in each bin; our choice."""

LEAST, MOST = -5.0, 3.0
"""Bounds of what words may say [log-odds]; our choice."""

STEPS = 20
"""Steps in which the factors and their sums are brought in line."""


def word_codes(utility: pd.Series, customer: pd.Series) -> np.ndarray:
    """Return the place in ``PAIRS`` of what each card says, (n,)."""
    codes = []
    for side in (utility, customer):
        code = pd.Categorical(side.astype(object), categories=list(WORDS[:-1])).codes
        codes.append(np.where(code < 0, len(WORDS) - 1, code))
    return np.asarray(codes[0] * len(WORDS) + codes[1])


def year_bins(year: np.ndarray) -> np.ndarray:
    """Return the bin of each building year, (n,)."""
    known = np.isfinite(year)
    at = np.clip(np.where(known, year, FIRST_YEAR), FIRST_YEAR, LAST_YEAR) - FIRST_YEAR
    return np.where(known, at // BIN_YEARS, N_BINS - 1).astype(int)


@dataclass(frozen=True)
class CardWords:
    """How often each pair of words stands on cards that name no lead.

    Attributes
    ----------
    usual : ndarray, shape (N_BINS, n_pairs)
        Shares on cards of lines without lead, among those that fill in the same sides.
    more_often : ndarray, shape (n_pairs,)
        Factor of each share on cards that miss a lead line.
    told : ndarray, shape (n_pairs,)
        Missed lead lines that it was learned from, and those for which "as often" counts.
    """

    usual: np.ndarray
    more_often: np.ndarray
    told: np.ndarray

    @classmethod
    def none(cls) -> CardWords:
        """Return words that say nothing."""
        even = np.ones(len(PAIRS))
        return cls(_within_same_sides(np.tile(even, (N_BINS, 1))), even, even)

    @classmethod
    def of(
        cls, word: np.ndarray, bins: np.ndarray, other: np.ndarray, missed: np.ndarray
    ) -> CardWords:
        """Count the words.

        Parameters
        ----------
        word, bins : ndarray of int, shape (n,)
            As of :func:`word_codes` and :func:`year_bins`.
        other : ndarray, shape (n,)
            Chance that the line has no lead where the card speaks of it.
        missed : ndarray, shape (n,)
            Chance that it has; 0 where nobody looked.

        Notes
        -----
        The likeliest factors, each with a gamma distribution about 1 beforehand, that is worth
        the stated number of lines.
        """
        strength = float(fact("scoring.record.words_strength").value)
        soft = np.column_stack([other, missed])
        on_others, on_missed = soft_counts(word, soft, len(PAIRS), bins, N_BINS).swapaxes(0, 1)
        usual, where = _usual(on_others), on_missed @ _SAME_SIDES
        found = on_missed.sum(axis=0) + strength
        more_often = np.ones(len(PAIRS))
        for _ in range(STEPS):
            on_all = np.maximum((usual * more_often) @ _SAME_SIDES, 1e-300)
            more_often = found / ((where * usual / on_all).sum(axis=0) + strength)
        return cls(usual, more_often, found)

    def weight(
        self, word: np.ndarray, bins: np.ndarray, rng: np.random.Generator | None = None
    ) -> np.ndarray:
        """Return the log-likelihood ratio of a missed lead line against none, (n,).

        Parameters
        ----------
        word, bins : ndarray of int, shape (n,)
        rng : Generator, optional
            Draw the factors.
        """
        return np.asarray(self._table(rng)[bins, word])

    def _table(self, rng: np.random.Generator | None) -> np.ndarray:
        """Return the log-likelihood ratio of each pair in each bin, (N_BINS, n_pairs)."""
        factor = self.more_often
        if rng is not None:
            factor = factor * rng.gamma(self.told) / self.told
        on_all = (self.usual * factor) @ _SAME_SIDES
        ratio = np.log(np.maximum(factor, 1e-300)) - np.log(np.maximum(on_all, 1e-300))
        return np.asarray(np.clip(ratio, LEAST, MOST))

    def describe(
        self, word: np.ndarray, bins: np.ndarray, rng: np.random.Generator | None = None
    ) -> dict[str, float]:
        """Return the mean factor of each word that stands on both sides of some cards.

        How much likelier such a card is where there is lead than where there is none, among
        cards that name no lead.
        """
        n_pairs = len(PAIRS)
        cards = np.bincount(bins * n_pairs + word, minlength=N_BINS * n_pairs)
        cards = cards.reshape(N_BINS, n_pairs)
        total = cards.sum(axis=0)
        ratio = (np.exp(self._table(rng)) * cards).sum(axis=0) / np.maximum(total, 1)
        return {
            said: round(float(ratio[pair]), 3)
            for pair, (said, customer) in enumerate(PAIRS)
            if said == customer and total[pair]
        }


def _usual(count: np.ndarray) -> np.ndarray:
    """Return shares of words by year, smoothed, and shrunk to those of all years."""
    smooth = count.copy()
    smooth[:-1] = gaussian_filter1d(count[:-1], SMOOTH_BINS, axis=0, mode="nearest")
    smooth = smooth + BIN_STRENGTH * _within_same_sides(count.sum(axis=0))
    return _within_same_sides(smooth)


def _within_same_sides(count: np.ndarray) -> np.ndarray:
    """Return shares among words that fill in the same sides; 0 where there is none."""
    return np.asarray(count / np.maximum(count @ _SAME_SIDES, 1e-300))
