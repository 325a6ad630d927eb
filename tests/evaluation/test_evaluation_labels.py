"""Labels: findings and records are kept apart, and a home counts once."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from linemap.evaluation import check_labels, record_labels
from linemap.tables import complete_table

HOMES = pd.Index(["A", "B", "C", "D"], name="parcel_id")


def _checks(*rows: tuple[str, str, str, str, str]) -> pd.DataFrame:
    columns = ["parcel_id", "side", "checked_on", "material", "why"]
    table = pd.DataFrame(rows, columns=columns)
    table["checked_on"] = pd.to_datetime(table["checked_on"])
    return complete_table(table, "checks")


def test_a_home_counts_once_and_lead_on_any_side_is_lead():
    labels = check_labels(
        _checks(
            ("A", "utility", "2021-03-01", "copper", "main_work"),
            ("A", "customer", "2022-03-01", "lead", "suspected"),
            ("A", "customer", "2023-03-01", "lead", "request"),
            ("B", "utility", "2021-05-01", "copper", "random"),
            ("C", "utility", "2021-05-01", "unknown", "random"),
            ("elsewhere", "utility", "2021-05-01", "lead", "random"),
        ),
        HOMES,
    )
    assert labels.index.equals(HOMES)
    assert labels.loc["A", "label"] == 1
    assert labels.loc["A", "sides_seen"] == 2
    # the earliest look decides how the home came to be known
    assert labels.loc["A", "why"] == "main_work"
    # and the latest is the one the label rests on
    assert labels.loc["A", "checked_on"] == pd.Timestamp("2023-03-01")
    assert labels.loc["B", ["label", "sides_seen"]].tolist() == [0, 1]
    # an unknown material says nothing
    assert not labels.loc["C", "checked"]
    assert np.isnan(labels.loc["D", "label"])


def test_the_latest_look_at_each_side_holds():
    labels = check_labels(
        _checks(
            ("A", "utility", "2020-03-01", "lead", "main_work"),
            ("A", "customer", "2020-03-01", "lead", "main_work"),
            ("A", "utility", "2024-03-01", "copper", "request"),
            ("A", "customer", "2024-03-01", "copper", "request"),
            ("B", "utility", "2020-03-01", "lead", "random"),
            ("B", "customer", "2024-03-01", "copper", "request"),
        ),
        HOMES,
    )
    assert labels.loc["A", ["label", "sides_seen"]].tolist() == [0, 2]
    assert labels.loc["A", "checked_on"] == pd.Timestamp("2024-03-01")
    # a side that nobody looked at again is as it was
    assert labels.loc["B", "label"] == 1


@pytest.mark.parametrize("why", ["suspected", "listed"])
def test_a_look_where_lead_was_likely_counts_only_where_there_is_no_other(why):
    labels = check_labels(
        _checks(
            ("A", "utility", "2020-03-01", "copper", "random"),
            ("A", "utility", "2024-03-01", "lead", why),
            ("B", "utility", "2024-03-01", "lead", why),
        ),
        HOMES,
    )
    assert labels.loc["A", ["label", "why"]].tolist() == [0, "random"]
    assert labels.loc["A", "checked_on"] == pd.Timestamp("2020-03-01")
    assert labels.loc["B", ["label", "why"]].tolist() == [1, why]


def test_records_say_lead_none_or_nothing():
    lines = complete_table(
        pd.DataFrame(
            {
                "parcel_id": ["A", "B", "C"],
                "utility_material": ["copper", "unknown", "unknown"],
                "customer_material": ["lead", "plastic", "unknown"],
            }
        ),
        "lines",
    )
    assert record_labels(lines, HOMES).tolist()[:2] == [1, 0]
    assert record_labels(lines, HOMES).isna().tolist() == [False, False, True, True]


def test_a_first_look_without_a_reason_is_not_given_that_of_a_later_one():
    """Nobody knows why the first look was made, so the home was not drawn at random."""
    checks = pd.DataFrame(
        {
            "parcel_id": "a",
            "side": ["utility", "customer"],
            "checked_on": pd.to_datetime(["2020-01-01", "2024-01-01"]),
            "material": ["lead", "copper"],
            "why": [None, "random"],
        }
    )
    assert check_labels(checks, pd.Index(["a"])).loc["a", "why"] == "unknown"
