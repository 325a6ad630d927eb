"""Doubted kits that missed the line's water: how many do is recovered from kits drawn so."""

import numpy as np
import pandas as pd
import pytest

from linemap.scoring.evidence import Homes
from linemap.scoring.sides import TWO
from linemap.scoring.witnesses import WaterWitness
from linemap.scoring.witnesses.water_bands import EDGES, N_BANDS, expected_tables

HOMES = 4000
MIDDLES = np.sqrt(np.array([0.5, *EDGES]) * np.array([*EDGES, 32.0]))
"""A result within each band [ug/L]."""


def town_of_kits(missed: float, seed: int) -> tuple[WaterWitness, np.ndarray]:
    """Half the homes have lead, half the kits are doubted; some of these miss the line's water."""
    rng = np.random.default_rng(seed)
    lead, doubted = rng.random(HOMES) < 0.5, rng.random(HOMES) < 0.5
    seen = lead & ~(doubted & (rng.random(HOMES) < missed))
    middle = expected_tables(False).shape[0] // 2
    cell = np.zeros(HOMES, dtype=int)
    for s in (False, True):
        shares = expected_tables(s)[middle, middle].ravel()
        cell[seen == s] = rng.choice(N_BANDS**2, (seen == s).sum(), p=shares / shares.sum())
    first, flushed = MIDDLES[cell // N_BANDS], MIDDLES[cell % N_BANDS]
    index = pd.Index([f"H{i}" for i in range(HOMES)])
    pairs = pd.DataFrame(
        {
            "parcel_id": index,
            "verdict": np.where(doubted, "usable_with_doubt", "usable"),
            "flush_min": 2.0,
            "first_low": first,
            "first_high": first,
            "flushed_low": flushed,
            "flushed_high": flushed,
        }
    )
    nowhere = np.zeros(HOMES, dtype=int)
    homes = Homes(index, np.full(HOMES, 1930.0), nowhere, nowhere, nowhere, 1)
    return WaterWitness(pairs, homes, TWO), lead


@pytest.mark.parametrize("missed", [0.0, 0.2, 0.5])
def test_how_many_doubted_kits_miss_the_line_is_recovered(missed: float) -> None:
    water, lead = town_of_kits(missed, seed=3)
    soft = np.column_stack([~lead, lead]).astype(float)
    for _ in range(25):
        water.learn(soft)
    said, drawn = water.describe(), np.random.default_rng(0)
    found = said["doubted_that_miss_lead"]
    assert found == pytest.approx(missed, abs=0.08)
    draws = [water.describe(drawn)["doubted_that_miss_lead"] for _ in range(200)]
    low, high = np.quantile(draws, [0.01, 0.99])
    assert low - 0.02 <= missed <= high + 0.02
    assert high - low < 0.4, "says something"
