"""Kits above the action level, held against the level of the rule."""

import numpy as np
import pandas as pd
import pytest

from linemap.water import action_level, high_results

PARCELS = pd.DataFrame(
    {"area_id": ["A", "A", "B", "B"], "address": ["1 Elm", "2 Elm", "3 Elm", None]},
    index=pd.Index(["P1", "P2", "P3", "P4"], name="parcel_id"),
)


def pairs_of(*rows):
    names = ["kit_id", "parcel_id", "verdict", "collected_on", "first_low", "first_high",
             "flushed_low", "flushed_high"]  # fmt: skip
    table = pd.DataFrame(list(rows), columns=names)
    return table.assign(collected_on=pd.to_datetime(table["collected_on"]), reasons=None)


def kits_of(*told):
    ids = [f"K{k}" for k in range(1, len(told) + 1)]
    table = pd.DataFrame({"kit_id": ids, "reported_on": pd.to_datetime(list(told))})
    return table.assign(parcel_id=None, collected_on=pd.NaT)


def test_only_more_than_the_level_in_either_bottle_counts():
    """More than 10 ug/L is above: 89 FR 86418, 40 CFR 141.80(c)."""
    assert action_level("LCRI") == 10.0
    pairs = pairs_of(
        ("K1", "P1", "usable", "2025-03-01", 10.0, 10.0, 9.9, 9.9),
        ("K2", "P2", "usable", "2025-03-02", 10.1, 10.1, 0.0, 1.0),
        ("K3", "P3", "usable", "2025-03-03", 2.0, 2.0, 31.0, 31.0),
        ("K4", "P4", "usable", "2025-03-04", 0.0, 20.0, np.nan, np.nan),
    )
    found = high_results(pairs, kits_of(None, None, None, None), PARCELS)
    assert found["kit_id"].tolist() == ["K3", "K2"], "latest first"
    assert found["lead_ug_l"].tolist() == [31.0, 10.1]
    assert found["address"].tolist() == ["3 Elm", "2 Elm"]


def test_a_kit_set_aside_is_told_all_the_same():
    pairs = pairs_of(
        ("K1", "P1", "not_usable", "2025-03-01", 80.0, 80.0, np.nan, np.nan),
        ("K2", "P1", "usable", None, 12.0, 12.0, 12.0, 12.0),
    )
    found = high_results(pairs, kits_of(None, None), PARCELS)
    assert found["kit_id"].tolist() == ["K1", "K2"], "a kit without a day comes last"
    assert "set aside" not in found["why"][1]
    assert found["why"].str.startswith("tell the resident without delay").all()
    assert "says nothing of the pipe" in found["why"][0]


def test_who_was_not_told_comes_first():
    pairs = pairs_of(
        ("K1", "P1", "usable", "2025-01-01", 12.0, 12.0, 12.0, 12.0),
        ("K2", "P2", "usable", "2025-06-01", 50.0, 50.0, 12.0, 12.0),
    )
    found = high_results(pairs, kits_of(None, "2025-06-20"), PARCELS)
    assert found["kit_id"].tolist() == ["K1", "K2"]
    assert found["reported_on"].isna().tolist() == [True, False]
    assert found["why"][0].startswith("tell the resident without delay")
    assert found["why"][1].startswith("told;")


def test_where_no_kit_is_high_the_list_is_empty():
    pairs = pairs_of(("K1", "P1", "usable", "2025-03-01", 5.0, 5.0, 0.0, 1.0))
    assert high_results(pairs, kits_of(None), PARCELS).empty


def test_a_day_before_the_water_was_drawn_tells_nobody():
    pairs = pairs_of(
        ("K1", "P1", "usable", "2025-06-01", 50.0, 50.0, 12.0, 12.0),
        ("K2", "P2", "usable", "2025-06-01", 50.0, 50.0, 12.0, 12.0),
    )
    found = high_results(pairs, kits_of("2025-05-31", "2025-06-01"), PARCELS)
    assert found["kit_id"].tolist() == ["K1", "K2"]
    assert found["reported_on"].isna().tolist() == [True, False]
    assert found["why"][0].startswith("tell the resident without delay")
    assert "before the day of the water" in found["why"][0]
    assert "before the day of the water" not in found["why"][1]


def test_a_kit_that_stands_twice_in_the_table_is_listed_once():
    pairs = pairs_of(("K1", "P1", "usable", "2025-06-01", 50.0, 50.0, 12.0, 12.0))
    kits = pd.concat([kits_of(None), kits_of("2025-06-20"), kits_of("2025-06-10")])
    found = high_results(pairs, kits, PARCELS)
    assert found["kit_id"].tolist() == ["K1"]
    assert found["reported_on"].tolist() == [pd.Timestamp("2025-06-20")]


LOST = ["kit_id", "row", "result", "may_be_ug_l"]


def test_a_row_that_was_set_aside_is_listed_with_the_most_that_it_may_hold():
    """More than 10 ug/L is above: 89 FR 86418, 40 CFR 141.80(c)."""
    pairs = pairs_of(
        ("K1", "P1", "usable_with_doubt", "2025-03-01", np.nan, np.nan, 3.0, 3.0),
        ("K2", "P2", "usable", "2025-03-02", 60.0, 60.0, 3.0, 3.0),
        ("K3", "P3", "usable", "2025-03-03", 2.0, 2.0, 3.0, 3.0),
    )
    lost = [("K1", 4, ">50 ug/L", 50.0), ("K1", 5, "80* ug/L", 80.0), ("K2", 6, "20*", 20.0),
            ("K3", 7, "9*", 9.0), ("K9", 8, "75 ug/L", 75.0), (None, 9, "11", 11.0),
            (None, 10, "12", 12.0)]  # fmt: skip
    lost = pd.DataFrame(lost, columns=LOST)
    found = high_results(pairs, kits_of(None, None, None), PARCELS, lost=lost)
    assert found["lead_ug_l"].tolist() == [60.0, 80.0, 75.0, 12.0, 11.0]
    assert found["kit_id"].fillna("").tolist() == ["K2", "K1", "K9", "", ""]
    assert found["parcel_id"].fillna("").tolist() == ["P2", "P1", "", "", ""]
    assert found["set_aside_result"].fillna("").tolist() == ["", "80* ug/L", "75 ug/L", "12", "11"]
    assert "may hold as much" in found["why"][1]
    assert "may hold as much" not in found["why"][0]
    assert found["why"][2].startswith("find out at once whose water this is")


def test_of_two_results_for_one_bottle_the_higher_is_listed():
    pairs = pairs_of(("K1", "P1", "not_usable", "2025-03-01", np.nan, np.nan, 3.0, 3.0))
    samples = pd.DataFrame(
        {"kit_id": ["K1"] * 3, "analyte": ["lead", "lead", "copper"], "value_ug_l": [5.0, 80, 900]}
    )
    found = high_results(pairs, kits_of(None), PARCELS, samples)
    assert found["lead_ug_l"].tolist() == [80.0]
    assert "of two results for one bottle this is the higher" in found["why"][0]
    nothing = high_results(pairs, kits_of(None), PARCELS, samples.iloc[[0, 2]])
    assert nothing.empty


@pytest.mark.parametrize("parcels", [PARCELS, PARCELS.drop(columns="address")])
def test_none_is_a_table_with_the_columns_of_its_contract(parcels):
    found = high_results(pairs_of(), kits_of(), parcels)
    assert found.empty
    assert list(found.columns[:3]) == ["kit_id", "parcel_id", "area_id"]
