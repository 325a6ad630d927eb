"""Years from which a line may be, against heaps and distances that a table was made with.

Heitjan and Rubin (1990), Journal of the American Statistical Association 85: a heaped number
stands for all that would have been rounded to it, each as likely as it is and as often rounded.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from linemap.scoring.design import Design
from linemap.scoring.years import SPAN, LineYears


def make_table(seed: int, n: int, to_five: float, to_ten: float) -> tuple[pd.DataFrame, np.ndarray]:
    """Return homes whose years were rounded at random, and the years before."""
    rng = np.random.default_rng(seed)
    near = rng.integers(1880, 2000, n).astype(float)
    true = near + np.rint(rng.normal(0.0, 4.0, n))
    kind = rng.choice(3, n, p=[1.0 - to_five - to_ten, to_five, to_ten])
    up = rng.random(n) < 0.5
    tens = np.where(true % 10 == 5, true + np.where(up, 5, -5), 10 * np.rint(true / 10))
    said = np.choose(kind, [true, 5 * np.rint(true / 5), tens])
    return pd.DataFrame({"year_built": said, "neighbour_year": near}), true


def one_hot(low: int, high: int):
    """Return a basis with one column for each year, so that a mean of it shows the weights."""
    return lambda year: (np.asarray(year)[:, None] == np.arange(low, high)).astype(float)


@pytest.mark.parametrize(("to_five", "to_ten"), [(0.0, 0.0), (0.3, 0.0), (0.1, 0.25)])
def test_heaps_are_read_off_the_last_digits(to_five: float, to_ten: float) -> None:
    homes, _ = make_table(1, 60_000, to_five, to_ten)
    found = LineYears.of(homes)
    assert found.to_five == pytest.approx([to_five] * 2, abs=0.03)
    assert found.to_ten == pytest.approx([to_ten] * 2, abs=0.03)


def test_years_behind_a_round_year_are_as_frequent_as_they_were() -> None:
    """Of homes said to be from 1920 among neighbours from 1922: counted before the rounding."""
    homes, true = make_table(2, 2_000_000, 0.1, 0.25)
    told = LineYears.of(homes.iloc[:200_000])
    same = (homes["year_built"] == 1920) & (homes["neighbour_year"] == 1922)
    counted = np.bincount(true[same].astype(int) - 1910, minlength=21) / same.sum()
    weight = told.mean_basis(homes[same].iloc[:1], one_hot(1910, 1931))[0]
    assert weight.sum() == pytest.approx(1.0)
    assert np.abs(weight - counted).sum() < 0.1
    assert weight[10] < 0.6, "less than six in ten are from 1920 itself"
    assert (weight[16:] == 0).all()
    assert (weight[:5] == 0).all()


def test_other_years_are_taken_as_they_are() -> None:
    homes, _ = make_table(3, 20_000, 0.1, 0.2)
    odd = homes[homes["year_built"] % 5 != 0]
    basis = one_hot(1850, 2050)
    assert (LineYears.of(homes).mean_basis(odd, basis) == basis(odd["year_built"])).all()


def test_a_home_without_a_year_is_as_far_from_its_neighbours_as_others() -> None:
    homes, true = make_table(4, 200_000, 0.0, 0.0)
    told = LineYears.of(homes)
    away = true - homes["neighbour_year"].to_numpy()
    counted = np.array([(away == k).mean() for k in range(-12, 13)])
    missing = pd.DataFrame({"year_built": [np.nan, np.nan], "neighbour_year": [1930.0, np.nan]})
    weight = told.mean_basis(missing, one_hot(1918, 1943))
    assert np.abs(weight[0] - counted).sum() < 0.1, "but for smoothing over a year or two"
    assert not weight[1].any(), "nothing is known of it"


def test_a_house_much_younger_than_its_neighbours_is_drawn_to_the_curve_at_their_year() -> None:
    """Among 95 ordinary homes in a hundred, 5 came 8 to 60 years later: these are found."""
    homes, _ = make_table(5, 100_000, 0.0, 0.0)
    rng = np.random.default_rng(5)
    came = rng.random(len(homes)) < 0.05
    homes.loc[came, "year_built"] = homes["neighbour_year"] + rng.integers(8, 61, len(homes))
    away = homes["year_built"] - homes["neighbour_year"]
    homes["replaced_home_year"] = homes["neighbour_year"].where(away > 7)
    told = LineYears.of(homes)
    assert told.replaced == pytest.approx(0.05, abs=0.01)
    for years in (10, 20, 50):
        counted = came[away == years].mean()
        assert told.later[SPAN + years] == pytest.approx(counted, abs=0.15)
    assert not told.later[: SPAN + 1].any(), "older than the others is not later"
    house = pd.DataFrame(
        {"year_built": [1962.0], "neighbour_year": 1912.0, "replaced_home_year": 1912.0}
    )
    weight = told.mean_basis(house, one_hot(1850, 2050))[0]
    assert weight[[1912 - 1850, 1962 - 1850]] == pytest.approx([0.75, 0.25], abs=0.01)


def test_differences_that_go_both_ways_are_no_later_houses() -> None:
    homes, _ = make_table(7, 100_000, 0.0, 0.0)
    homes["year_built"] += np.random.default_rng(7).integers(-30, 31, len(homes))
    away = homes["year_built"] - homes["neighbour_year"]
    homes["replaced_home_year"] = homes["neighbour_year"].where(away > 7)
    told = LineYears.of(homes)
    assert told.later[: SPAN + 30].max() < 0.1
    assert told.replaced < 0.02


def test_the_curve_of_the_building_year_is_averaged_so() -> None:
    """By plain sums over the curve's own basis."""
    homes, _ = make_table(6, 5000, 0.1, 0.1)
    homes = homes.assign(x=0.0, y=0.0)
    homes.loc[0, "year_built"] = np.nan
    design = Design().fit(homes)
    term, curve = design.terms_["year_built"], design.curves_["year_built"]
    found = design.matrix(homes)[0, term]
    near = homes.loc[0, "neighbour_year"]
    share = design.years_.distance
    years = near + np.arange(-SPAN, SPAN + 1)
    theirs = sum(s * curve.transform([[y]])[0] for s, y in zip(share, years, strict=True))
    assert found[:-1] == pytest.approx(theirs)
    assert found[-1] == 1.0, "and one level of its own"


def test_a_table_without_years_or_neighbours_is_read_too() -> None:
    for homes in (pd.DataFrame(index=range(3)), pd.DataFrame({"year_built": [1920.0, np.nan]})):
        told = LineYears.of(homes)
        assert np.isfinite(told.distance).all()
        basis = told.mean_basis(homes, one_hot(1900, 1940))
        assert basis.shape == (len(homes), 40)
        assert np.isfinite(basis).all()
