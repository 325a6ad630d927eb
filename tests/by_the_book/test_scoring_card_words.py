"""What a card without lead names instead, against Bayes's rule and shares that cards were made by.

Dawid and Skene (1979), Journal of the Royal Statistical Society C 28: an observer who may say one
of several things, each with its own share in each true state.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy.optimize import minimize
from scipy.stats import gamma

from linemap.published import fact
from linemap.scoring.evidence import Homes
from linemap.scoring.sides import FOUR
from linemap.scoring.witnesses.card_words import PAIRS, CardWords, word_codes, year_bins
from linemap.scoring.witnesses.record import RecordWitness

MATERIALS = ("galvanized", "copper", "plastic")


def shares_by_year(year: np.ndarray) -> np.ndarray:
    """Return shares of galvanized, copper and plastic on cards of lines without lead, (n, 3)."""
    plastic = np.clip((year - 1950) / 60, 0.05, 0.6)
    iron = np.clip((1970 - year) / 100, 0.02, 0.5)
    return np.column_stack([iron, 1 - iron - plastic, plastic])


def draw_words(
    rng: np.random.Generator, year: np.ndarray, lead: np.ndarray, factor: tuple[float, ...]
) -> np.ndarray:
    """Return the word of each card, drawn by the shares of its year and truth."""
    share = shares_by_year(year) * np.where(lead[:, None], factor, 1.0)
    at = rng.random((len(year), 1)) * share.sum(axis=1, keepdims=True)
    return np.array(MATERIALS)[(at > share.cumsum(axis=1)).sum(axis=1)]


def make_cards(seed: int, n: int, factor: tuple[float, ...]) -> pd.DataFrame:
    """Return cards without lead, their truth and year; the same word on both sides."""
    rng = np.random.default_rng(seed)
    year = rng.integers(1900, 2000, n).astype(float)
    lead = rng.random(n) < 0.3
    return pd.DataFrame({"year": year, "lead": lead, "said": draw_words(rng, year, lead, factor)})


def learned(cards: pd.DataFrame) -> tuple[CardWords, np.ndarray, np.ndarray]:
    """Return what is learned where every line was seen, and the codes of the cards."""
    word, bins = word_codes(cards["said"], cards["said"]), year_bins(cards["year"].to_numpy())
    lead = cards["lead"].to_numpy(dtype=float)
    return CardWords.of(word, bins, 1.0 - lead, lead), word, bins


def test_weights_are_bayes_with_the_shares_that_the_cards_were_made_by() -> None:
    factor = (0.4, 2.0, 0.1)
    cards = make_cards(1, 60_000, factor)
    words, word, bins = learned(cards)
    usual = shares_by_year(cards["year"].to_numpy())
    at = pd.Categorical(cards["said"], categories=MATERIALS).codes
    theirs = np.log(np.array(factor)[at] / (usual * factor).sum(axis=1))
    away = np.abs(words.weight(word, bins) - theirs)
    assert np.median(away) < 0.05
    assert np.quantile(away, 0.95) < 0.25, "shares run smoothly over some years"


def test_factors_are_the_likeliest_after_a_gamma_distribution() -> None:
    """By a general optimizer on the same counts; density of the gamma distribution by scipy."""
    cards = make_cards(2, 300, (0.4, 2.0, 0.1))
    words, word, bins = learned(cards)
    lead = cards["lead"].to_numpy()
    kinds = np.unique(word)
    usual = words.usual[:, kinds]
    said = np.searchsorted(kinds, word[lead])
    strength = float(fact("scoring.record.words_strength").value)

    def unlikely(log_factor: np.ndarray) -> float:
        share = usual * np.exp(log_factor)
        share = share / share.sum(axis=1, keepdims=True)
        prior = gamma.logpdf(np.exp(log_factor), strength, scale=1 / strength) + log_factor
        return -float(np.log(share[bins[lead], said]).sum() + prior.sum())

    best = minimize(unlikely, np.zeros(len(kinds)), method="BFGS").x
    ours = np.log(words.more_often[kinds])
    assert ours - ours.mean() == pytest.approx(best - best.mean(), abs=0.01)


def test_words_that_are_as_common_with_lead_as_without_say_nothing() -> None:
    words, word, bins = learned(make_cards(3, 60_000, (1.0, 1.0, 1.0)))
    assert np.abs(words.weight(word, bins)).max() < 0.15


def test_few_lines_that_were_seen_say_little() -> None:
    """Four missed lines that all say copper do not rule out another word."""
    cards = make_cards(4, 4000, (1.0, 1.0, 1.0))
    word, bins = word_codes(cards["said"], cards["said"]), year_bins(cards["year"].to_numpy())
    copper = np.flatnonzero(cards["said"] == "copper")[:4]
    missed = np.zeros(len(cards))
    missed[copper] = 1.0
    weight = CardWords.of(word, bins, 1.0 - missed, missed).weight(word, bins)
    assert np.abs(weight).max() < 1.5


def test_a_side_is_held_against_cards_that_fill_in_the_same_sides() -> None:
    """Cards of one side name plastic more often than cards of two: no news of lead."""
    rng = np.random.default_rng(5)
    one = rng.random(20_000) < 0.5
    said = np.where(rng.random(20_000) < np.where(one, 0.7, 0.2), "plastic", "copper")
    other_side = pd.Series(np.where(one, "unknown", said))
    word = word_codes(pd.Series(said), other_side)
    bins = year_bins(np.full(20_000, np.nan))
    lead = (rng.random(20_000) < np.where(one, 0.5, 0.05)).astype(float)
    words = CardWords.of(word, bins, 1.0 - lead, lead)
    assert np.abs(words.weight(word, bins)).max() < 0.15


def make_witness(cards: pd.DataFrame, looked: np.ndarray) -> RecordWitness:
    """Return the record's witness of these cards."""
    n = len(cards)
    index = pd.Index([f"H{i:06d}" for i in range(n)], name="parcel_id")
    nothing = np.zeros(n, dtype=int)
    homes = Homes(index, cards["year"].to_numpy(), nothing, nothing, nothing, 1)
    lines = pd.DataFrame(
        {"parcel_id": index, "utility_material": cards["said"], "customer_material": cards["said"]}
    )
    return RecordWitness(lines, homes, FOUR, looked=looked)


def soft_of(p: np.ndarray) -> np.ndarray:
    return np.column_stack([1 - p, 0.2 * p, 0.2 * p, 0.6 * p])


def test_only_lines_that_were_seen_teach_the_words() -> None:
    """Where nobody looked the odds by age would teach the words what age has said already."""
    cards = make_cards(6, 20_000, (1.0, 1.0, 1.0))
    guessed = soft_of(np.where(cards["said"] == "plastic", 0.05, 0.5))
    witness = make_witness(cards, np.zeros(len(cards), dtype=bool))
    witness.learn(guessed)
    assert np.abs(witness.words_ratio() - 1.0).max() < 1e-3
    everyone = make_witness(cards, np.ones(len(cards), dtype=bool))
    everyone.learn(guessed)
    assert everyone.words_ratio()[cards["said"] == "plastic"].max() < 0.5


def test_words_do_not_move_the_error_rates() -> None:
    """One in four of these lines is missed, whatever the cards then name; learned in turns."""
    cards = make_cards(7, 20_000, (0.4, 2.0, 0.1))
    rng, lead = np.random.default_rng(7), cards["lead"].to_numpy()
    named = lead & (rng.random(20_000) < 0.75)
    cards["said"] = np.where(named, "lead", cards["said"])
    looked = rng.random(20_000) < 0.1
    witness = make_witness(cards, looked)
    odds = np.log(0.3 / 0.7)
    for _ in range(30):
        weight = np.log((np.exp(witness.weights()[:, 1:]) * [0.2, 0.2, 0.6]).sum(axis=1))
        p = 1 / (1 + np.exp(-odds - weight))
        witness.learn(soft_of(np.where(looked, lead, p)))
    assert witness.describe()["missed_lead"] == pytest.approx(0.25, abs=0.02)
    told = witness.describe()["words"]
    assert told["copper"] > 1.2
    assert told["plastic"] < 0.4


def test_draws_of_factors_spread_as_widely_as_little_was_told() -> None:
    cards = make_cards(8, 400, (0.4, 2.0, 0.1))
    spread = []
    for n in (40, 400):
        words, word, bins = learned(cards.iloc[:n])
        drawn = [words.weight(word, bins, np.random.default_rng(seed)) for seed in range(200)]
        spread.append(np.std(drawn, axis=0)[:40].mean())
    assert 0.02 < spread[1] < 0.7 * spread[0]


def test_every_pair_of_words_has_a_place_and_lead_is_never_among_quiet_cards() -> None:
    side = pd.Series(["copper", None, "unknown", "lead"])
    other = pd.Series(["plastic", "iron", None, "copper"])
    said = [PAIRS[k] for k in word_codes(side, other)]
    assert said == [("copper", "plastic"), ("", "iron"), ("", ""), ("lead", "copper")]
