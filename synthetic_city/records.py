"""The city record: cards that are blank, one-sided, out of date or wrong."""

from __future__ import annotations

from functools import cache

import numpy as np
import pandas as pd

from synthetic_city.draws import Bools, Floats, Ints, choose, level, pick, stream
from synthetic_city.knobs import Knobs
from synthetic_city.pipes import (
    ANY_LEAD,
    COPPER,
    CUSTOMER,
    GALVANIZED,
    LEAD,
    MATERIALS,
    RENEWED,
    STATES,
    UTILITY,
)

BLANK = 5
"""Code of a side about which the card says nothing."""

_KINDS = len(STATES)


def _right_cards() -> Floats:
    out = np.zeros((_KINDS, 5, 5))
    out[np.arange(_KINDS), UTILITY, CUSTOMER] = 1.0
    return out


@cache
def _wrong_cards(knobs: Knobs) -> Floats:
    """Return what a wrong card says of each state, shape (50, 5, 5)."""
    out = np.zeros((_KINDS, 5, 5))
    for state, (u, c, _) in enumerate(STATES):
        if ANY_LEAD[state]:
            out[state, COPPER, COPPER] = knobs.missed_lead_card[0]
            out[state, COPPER, GALVANIZED] = knobs.missed_lead_card[1]
            out[state, GALVANIZED, GALVANIZED] = knobs.missed_lead_card[2]
        else:
            out[state, LEAD, LEAD] += knobs.false_lead_card[0]
            out[state, LEAD, c] += knobs.false_lead_card[1]
            out[state, u, LEAD] += knobs.false_lead_card[2]
    return out


RIGHT = _right_cards()


def wrong_chances(
    year: Ints, area: pd.DataFrame, area_of: Ints, knobs: Knobs
) -> tuple[Floats, Floats, Floats]:
    """Return the chance that a card is wrong for a home with lead, without, and renewed.

    The rates differ by direction, by neighbourhood, and are higher for older homes: nobody writes
    lead on the card of a new one.
    """
    at, height = np.array(knobs.record_by_year).T
    old = np.interp(year, at, height)
    missed = knobs.record_missed_lead * np.exp(area["record_missed"].to_numpy())[area_of] * old
    false = knobs.record_false_lead * np.exp(area["record_false"].to_numpy())[area_of] * old
    renewed = np.maximum(false, knobs.record_stale * old)
    return np.minimum(missed, 0.6), np.minimum(false, 0.5), np.minimum(renewed, 0.7)


def record_likelihood(
    utility: Ints, customer: Ints, wrong: tuple[Floats, Floats, Floats], knobs: Knobs
) -> Floats:
    """Return the likelihood of cards under each state, shape (n, 50).

    Parameters
    ----------
    utility, customer : array of int
        Recorded material codes, :data:`BLANK` where nothing is said.
    wrong : tuple of array
        See :func:`wrong_chances`.
    """
    missed, false, renewed = wrong
    miss = np.where(ANY_LEAD, missed[:, None], np.where(RENEWED, renewed[:, None], false[:, None]))
    right, off = _said(RIGHT, utility, customer), _said(_wrong_cards(knobs), utility, customer)
    return (1 - miss) * right + miss * off


def _said(cards: Floats, utility: Ints, customer: Ints) -> Floats:
    """Return the chance of what was said under each state; a blank side is summed over."""
    wide = np.zeros((_KINDS, 6, 6))
    wide[:, :5, :5] = cards
    wide[:, 5, :5] = cards.sum(axis=1)
    wide[:, :5, 5] = cards.sum(axis=2)
    wide[:, 5, 5] = cards.sum(axis=(1, 2))
    out: Floats = wide[:, utility, customer].T
    return out


def write_records(
    state: Ints,
    year: Ints,
    year_built: Floats,
    area: pd.DataFrame,
    area_of: Ints,
    *,
    knobs: Knobs,
    seed: int,
) -> tuple[pd.DataFrame, Ints, Ints, Bools]:
    """Write the city's cards.

    Parameters
    ----------
    state : array of int
        True state of each home.
    year, year_built : array
        True year, and the year as the assessor reports it (copied to some cards).

    Returns
    -------
    DataFrame
        Contract columns of ``lines`` without the key.
    utility, customer : array of int
        Recorded codes.
    wrong : array of bool
        Whether the card is wrong (before sides were left blank).
    """
    rng = stream(seed, "records")
    n = len(state)
    missed, false, renewed = wrong_chances(year, area, area_of, knobs)
    rate = np.where(ANY_LEAD[state], missed, np.where(RENEWED[state], renewed, false))
    wrong = rng.random(n) < rate
    off = _wrong_cards(knobs).reshape(_KINDS, 25)
    card = choose(rng, np.where(wrong[:, None], off[state], RIGHT.reshape(_KINDS, 25)[state]))
    utility, customer = card // 5, card % 5
    gap = area["record_gap"].to_numpy()[area_of]
    blank = rng.random(n) < level(
        gap + knobs.record_blank_old * np.interp(year, [1900, 1990], [1, -1]), knobs.record_blank
    )
    shares = (1 - sum(knobs.record_one_side), *knobs.record_one_side)
    sides = pick(rng, shares, n)
    utility = np.where(blank | (sides == 2), BLANK, utility)
    customer = np.where(blank | (sides == 1), BLANK, customer)
    table = _table(utility, customer, blank, year_built, knobs, rng)
    return table, utility, customer, wrong & ~blank


def _table(
    utility: Ints,
    customer: Ints,
    blank: Bools,
    year_built: Floats,
    knobs: Knobs,
    rng: np.random.Generator,
) -> pd.DataFrame:
    n = len(utility)
    says = np.array([*MATERIALS, "unknown"], dtype=object)
    hidden = blank | (rng.random(n) >= knobs.connector_recorded)
    lead = (utility == LEAD) & (rng.random(n) < knobs.connector_lead)
    fed_by_lead = (utility == LEAD) & (customer != LEAD)
    never = (customer == GALVANIZED) & (rng.random(n) < knobs.never_below_lead)
    dated = ~blank & (rng.random(n) < knobs.card_dated)
    basis = np.array(["tap card", "plumbing permit", "plan", "crew note", None], dtype=object)
    return pd.DataFrame(
        {
            "utility_material": says[utility],
            "customer_material": says[customer],
            "connector_material": np.array(["unknown", "lead", "none"], dtype=object)[
                np.select([hidden, lead], [0, 1], 2)
            ],
            "ever_below_lead": np.array(["yes", "no", "unknown"], dtype=object)[
                np.select([fed_by_lead, never], [0, 1], 2)
            ],
            "installed_year": np.where(dated, year_built, np.nan),
            "basis": basis[np.where(blank, 4, pick(rng, knobs.card_basis, n))],
        }
    )
