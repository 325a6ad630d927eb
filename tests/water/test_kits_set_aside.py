"""What intake set aside still counts against the kit that it belongs to."""

import pandas as pd

from linemap.tables import complete_table
from linemap.water import check_kits


def one_kit():
    kits = pd.DataFrame(
        {"kit_id": ["K1"], "parcel_id": ["P1"], "stagnation_h": [8.0], "flush_min": [1.5],
         "filter_used": ["no"], "signed": ["yes"], "received_on": [pd.Timestamp("2026-03-04")]}
    )  # fmt: skip
    samples = pd.DataFrame(
        {"kit_id": "K1", "draw": ["first"], "analyte": "lead", "result": "2.0", "unit": "ug/L",
         "value_ug_l": 2.0, "limit_ug_l": 1.0, "below_limit": False}
    )  # fmt: skip
    return complete_table(kits, "kits"), samples


def test_an_unreadable_result_is_a_ground_and_not_a_missing_bottle():
    kits, samples = one_kit()
    doubts = pd.DataFrame({"kit_id": ["K1"], "draw": ["flushed"], "analyte": ["lead"]})
    reasons = check_kits(kits, samples, doubts=doubts).loc[0, "reasons"]
    assert "a laboratory result cannot be read" in reasons
    assert "missing" in check_kits(kits, samples).loc[0, "reasons"]
    assert "cannot be read" not in check_kits(kits, samples).loc[0, "reasons"]


def test_a_kit_of_which_a_row_came_twice_is_in_doubt():
    kits, samples = one_kit()
    doubts = pd.DataFrame({"kit_id": ["K1"], "draw": [None], "analyte": [None]})
    assert "kit returned twice" in check_kits(kits, samples, doubts=doubts).loc[0, "reasons"]
