"""The feature table: order, years of neighbours, missing values, and what must stay out."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest

from linemap.errors import ArgumentError
from linemap.features import build_features, said_of_people


def make_row(year: list[float], step_m: float = 20.0) -> gpd.GeoDataFrame:
    """Parcels along one straight street, ``step_m`` apart."""
    n = len(year)
    x = np.arange(n) * step_m
    return gpd.GeoDataFrame(
        {
            "year_built": year,
            "land_use": "single family",
            "area_id": ["N1"] * (n // 2) + ["N2"] * (n - n // 2),
        },
        index=pd.Index([f"P{n - i:03d}" for i in range(n)], name="parcel_id"),
        geometry=gpd.points_from_xy(x, np.zeros(n)),
        crs=32616,
    )


@pytest.fixture
def row() -> gpd.GeoDataFrame:
    return make_row([1901.0 + 2 * i for i in range(30)])


@pytest.fixture
def areas() -> pd.DataFrame:
    return pd.DataFrame({"area_id": ["N2", "N1"], "median_income": [80_000.0, 30_000.0]})


def test_rows_and_order_are_those_of_the_parcels(row: gpd.GeoDataFrame) -> None:
    shuffled = row.sample(frac=1.0, random_state=3)
    table = build_features(shuffled)
    assert table.index.equals(shuffled.index)
    assert table.index.name == "parcel_id"
    assert table["x"].tolist() == shuffled.geometry.x.tolist()
    assert table["year_built"].tolist() == shuffled["year_built"].tolist()


def test_order_of_parcels_changes_no_value(row: gpd.GeoDataFrame) -> None:
    row["street_segment"] = ["A"] * 10 + ["B"] * 20
    table = build_features(row)
    shuffled = build_features(row.sample(frac=1.0, random_state=3))
    pd.testing.assert_frame_equal(table, shuffled.reindex(table.index), check_categorical=False)


def test_neighbour_year_is_the_median_of_the_twelve_nearest_others(row: gpd.GeoDataFrame) -> None:
    """Home 15 of the row has six neighbours on each side, built 1919 to 1929 and 1933 to 1943.

    Worked by hand: the median of those twelve years is (1929 + 1933) / 2 = 1931. The home at the
    end has only the twelve to its right, 1903 to 1925, whose median is 1914.
    """
    table = build_features(row)
    assert table["neighbour_year"].iloc[15] == 1931.0
    assert table["neighbour_year"].iloc[0] == 1914.0


def test_own_year_does_not_enter_neighbour_year(row: gpd.GeoDataFrame) -> None:
    before = build_features(row)["neighbour_year"]
    row.loc[row.index[15], "year_built"] = 2020.0
    after = build_features(row)["neighbour_year"]
    assert after.iloc[15] == before.iloc[15]
    assert after.iloc[16] != before.iloc[16]


def test_missing_year_stays_missing_and_borrows_only_in_neighbour_year() -> None:
    """By hand: with 1941 missing among thirteen homes, the other twelve have the median 1914."""
    year = [1901.0 + 2 * i for i in range(13)]
    year[6] = np.nan
    table = build_features(make_row(year))
    assert np.flatnonzero(table["year_built"].isna()).tolist() == [6]
    known = [value for value in year if not np.isnan(value)]
    assert table["neighbour_year"].iloc[6] == np.median(known)


def test_no_year_anywhere_leaves_all_years_missing() -> None:
    table = build_features(make_row([np.nan] * 15))
    assert table[["year_built", "neighbour_year"]].isna().all(axis=None)


def test_new_house_among_old_ones_remembers_their_year() -> None:
    year = [1910.0] * 10
    year[4] = 1995.0
    table = build_features(make_row(year))
    assert table["replaced_home_year"].iloc[4] == 1910.0
    assert table["replaced_home_year"].drop(table.index[4]).isna().all()


def test_main_later_counts_years_from_home_to_main(row: gpd.GeoDataFrame) -> None:
    row["main_year"] = 1950.0
    row.loc[row.index[0], "main_year"] = np.nan
    table = build_features(row)
    assert np.isnan(table["main_later"].iloc[0])
    assert table["main_later"].iloc[1:].tolist() == [1950.0 - y for y in row["year_built"][1:]]


def test_parcels_and_areas_are_left_as_they_were(
    row: gpd.GeoDataFrame, areas: pd.DataFrame
) -> None:
    row.loc[row.index[3], "year_built"] = np.nan
    parcels_before, areas_before = row.copy(deep=True), areas.copy(deep=True)
    build_features(row, areas, use_income=True)
    pd.testing.assert_frame_equal(pd.DataFrame(row), pd.DataFrame(parcels_before))
    pd.testing.assert_frame_equal(areas, areas_before)


def test_nothing_about_people_enters_unless_asked(
    row: gpd.GeoDataFrame, areas: pd.DataFrame
) -> None:
    people = {
        "median_income": 50_000.0,
        "children_under_6": 12,
        "owner_occupied": True,
        "share_renters": 0.4,
    }
    told = build_features(row.assign(**people), areas.assign(**people))
    assert not set(people) & set(told.columns)
    plain = build_features(row)
    assert list(told.columns) == list(plain.columns)


def test_income_of_the_area_enters_when_asked(row: gpd.GeoDataFrame, areas: pd.DataFrame) -> None:
    table = build_features(row, areas, use_income=True)
    assert table["median_income"].tolist() == [30_000.0] * 15 + [80_000.0] * 15
    assert "children_under_6" not in table.columns
    assert "facts about people (median_income)" in said_of_people(table.columns)[0]
    tenure = build_features(row.assign(owner_occupied="yes"), extra=("owner_occupied",))
    assert "facts about people (owner_occupied)" in said_of_people(tenure.columns)[0]
    assert said_of_people(build_features(row, areas).columns) == []


def test_income_without_any_is_refused(row: gpd.GeoDataFrame, areas: pd.DataFrame) -> None:
    with pytest.raises(ArgumentError, match="median_income"):
        build_features(row, areas.assign(median_income=np.nan), use_income=True)
    with pytest.raises(ArgumentError, match="median_income"):
        build_features(row, use_income=True)


def test_extra_columns_keep_their_kind(row: gpd.GeoDataFrame) -> None:
    row["storeys"] = 2.0
    row["roof"] = ["slate", None] * 15
    table = build_features(row, extra=("storeys", "roof"))
    assert (table["storeys"] == 2.0).all()
    assert isinstance(table["roof"].dtype, pd.CategoricalDtype)
    assert table["roof"].isna().sum() == 15


def test_unknown_extra_column_is_named(row: gpd.GeoDataFrame) -> None:
    with pytest.raises(ArgumentError, match="porch"):
        build_features(row, extra=("porch",))
