"""One who must find the borders of contracts: right where they can be worked out by hand."""

from dataclasses import replace

import numpy as np
import pytest

import synthetic_city
from synthetic_city.borders import _Search
from synthetic_city.ground import stretches
from synthetic_city.oracle import effect_weights
from synthetic_city.rounds import _told


@pytest.fixture(scope="module")
def city():
    return synthetic_city.make_city(1500, seed=3)


def loss(p, lead):
    p = np.clip(p.to_numpy(dtype=float), 1e-9, 1 - 1e-9)
    return -np.log(np.where(lead, p, 1 - p)).mean()


def test_who_must_find_the_borders_stands_behind_who_knows_them(city):
    """And before one who knows nothing of place: in a city of two thousand by a clear margin."""
    lead = city.truth["is_lead"].to_numpy(dtype=bool)
    known, learned = synthetic_city.oracle(city), synthetic_city.learned_oracle(city)
    searched = synthetic_city.searched_oracle(city)
    flat = synthetic_city.oracle(replace(city, truth=city.truth.assign(contract_effect=0.0)))
    assert loss(known, lead) < loss(learned, lead) < loss(searched, lead) < loss(flat, lead)
    assert searched.mean() == pytest.approx(lead.mean(), abs=0.03)


def test_another_seed_of_the_moves_says_nearly_the_same(city):
    one, other = (synthetic_city.searched_oracle(city, seed=seed) for seed in (1, 2))
    assert np.corrcoef(one, other)[0, 1] > 0.99
    assert one.equals(synthetic_city.searched_oracle(city, seed=1))


def test_each_contract_holds_the_sum_of_its_stretches_after_many_moves(city):
    _, x, y = stretches(_told(city).homes)
    rng = np.random.default_rng(4)
    heard = rng.normal(0, 3, (len(x), 15))
    search = _Search(heard, x, y, city.knobs.contract_spacing, rng)
    start = search.owner.copy()
    for _ in range(5):
        search.sweep()
    assert (search.owner != start).any()
    gap = ((search.at[:, None] - search.centre[None]) ** 2).sum(axis=2)
    assert (search.owner == gap.argmin(axis=1)).all(), "every stretch belongs to its nearest"
    sums = np.zeros_like(search.sums)
    np.add.at(sums, search.owner, heard)
    assert search.sums == pytest.approx(sums, abs=1e-8)
    assert search.evidence == pytest.approx(effect_weights(sums.T, fine=4)[1], abs=1e-6)


def test_without_evidence_all_borders_are_as_likely_as_they_were_drawn():
    """Then every move is kept, and a centre lies anywhere in its part of the grid (uniform)."""
    rng = np.random.default_rng(0)
    x, y = rng.uniform(0, 1200, (2, 300))
    search = _Search(np.zeros((300, 15)), x, y, 400.0, rng)
    inside = int(np.argmin(((search.grid - 600) ** 2).sum(axis=1)))
    places = []
    for _ in range(300):
        search.sweep()
        places.append(search.centre[inside] - search.grid[inside])
    spread = np.array(places) / 400.0
    assert np.abs(spread).max() <= 0.45
    assert spread.std(axis=0) == pytest.approx(0.9 / np.sqrt(12), abs=0.03)
