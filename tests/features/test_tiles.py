"""A city cut into tiles with halos gives what the whole city gives, bit for bit."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st

from linemap.features import build_features
from linemap.features.neighbours import cut_tiles, spread_places, tile_years, years_around


class Here:
    """Does tiles one after another and notes how many there were in each turn."""

    def __init__(self):
        self.turns = []

    def __call__(self, task, tiles):
        self.turns.append(len(tiles))
        return [task(tile) for tile in tiles]


def ids(n):
    return pd.Index([f"P{i:06d}" for i in range(n)], name="parcel_id")


def uneven(n, rng):
    """A dense core, a thin belt and a far hamlet: neighbours from a metre to kilometres away."""
    core = rng.normal(0, 150, (n // 2, 2))
    belt = rng.normal(0, 6_000, (n - n // 2 - 5, 2))
    return np.concatenate([core, belt, rng.normal(60_000, 10, (5, 2))])


def both(place, year, tile_homes):
    place = spread_places(ids(len(place)), place[:, 0], place[:, 1])
    here = Here()
    whole = years_around(place, year)
    tiled = years_around(place, year, spread=here, tile_homes=tile_homes)
    np.testing.assert_array_equal(whole, tiled)
    return whole, here.turns


@pytest.mark.parametrize("missing", [0.0, 0.4, 0.97])
def test_uneven_density_and_missing_years_widen_halos_until_they_suffice(missing):
    rng = np.random.default_rng(4)
    place = uneven(4_000, rng)
    year = np.where(rng.random(4_000) < missing, np.nan, rng.integers(1880, 2010, 4_000))
    whole, turns = both(place, year, 300)
    assert turns[0] > 8
    assert len(turns) > 1, "the hamlet's neighbours are a belt away: its first halo is too small"
    assert np.isfinite(whole).all()


def test_the_result_is_that_of_a_plain_search():
    rng = np.random.default_rng(5)
    place, year = uneven(500, rng), rng.integers(1880, 2010, 500).astype(float)
    neighbour, _ = both(place, year, 60)
    distance = np.hypot(*(place[:, None] - place[None]).T)
    order = np.argsort(distance, axis=1)[:, 1:13]
    np.testing.assert_array_equal(neighbour, np.median(year[order], axis=1))


def test_lots_on_a_grid_have_many_neighbours_at_one_distance():
    x, y = np.meshgrid(np.arange(50) * 20.0, np.arange(40) * 20.0)
    place = np.column_stack([x.ravel(), y.ravel()])
    year = np.random.default_rng(6).integers(1880, 2010, len(place)).astype(float)
    _, turns = both(place, year, 150)
    assert turns[0] > 8


def test_homes_at_one_point_are_told_apart_by_their_name():
    rng = np.random.default_rng(7)
    place = np.repeat(rng.uniform(0, 3_000, (40, 2)), 30, axis=0)
    both(place, rng.integers(1880, 2010, 1_200).astype(float), 100)


def test_all_at_one_point_are_cut_by_their_names():
    year = np.random.default_rng(8).integers(1880, 2010, 400).astype(float)
    _, turns = both(np.zeros((400, 2)), year, 100)
    assert turns[0] == 4


@pytest.mark.parametrize("known", [0, 1, 2, 5])
def test_a_city_in_which_hardly_a_year_is_known(known):
    rng = np.random.default_rng(9)
    year = np.full(300, np.nan)
    year[:known] = 1900.0 + np.arange(known)
    whole, _ = both(rng.uniform(0, 5_000, (300, 2)), year, 40)
    assert np.isnan(whole).all() == (known < 2)


@given(
    seed=st.integers(0, 10_000),
    n=st.integers(30, 250),
    tile=st.integers(5, 60),
    power=st.floats(0.3, 6.0),
)
@hypothesis_settings(max_examples=40, deadline=None)
def test_any_city_any_tiles(seed, n, tile, power):
    rng = np.random.default_rng(seed)
    place = rng.uniform(0, 1, (n, 2)) ** power * 10_000
    year = np.where(rng.random(n) < 0.3, np.nan, rng.integers(1880, 2010, n))
    both(place, year, tile)


def test_every_home_is_in_one_tile():
    rng = np.random.default_rng(10)
    tiles = cut_tiles(uneven(3_000, rng), 250)
    assert np.array_equal(np.sort(np.concatenate(tiles)), np.arange(3_000))
    assert max(map(len, tiles)) <= 250


def test_the_whole_feature_table_is_the_same_in_any_order_of_parcels():
    rng = np.random.default_rng(11)
    place = uneven(1_500, rng)
    parcels = gpd.GeoDataFrame(
        {"year_built": rng.integers(1880, 2010, 1_500), "street_segment": np.arange(1_500) // 9},
        index=ids(1_500),
        geometry=gpd.points_from_xy(*place.T),
        crs=32616,
    )
    whole = build_features(parcels)
    tiled = build_features(parcels, spread=Here(), tile_homes=200)
    pd.testing.assert_frame_equal(whole, tiled, check_exact=True)
    mixed = build_features(parcels.sample(frac=1.0, random_state=1), spread=Here(), tile_homes=200)
    pd.testing.assert_frame_equal(whole, mixed.loc[whole.index], check_exact=True)


def test_a_tile_that_lacks_neighbours_says_so():
    from linemap.features.neighbours import Tile

    few = Tile(np.zeros((3, 2)), np.array([1900.0, 1910.0, 1920.0]), 3, 13)
    assert tile_years(few).reach == np.inf
