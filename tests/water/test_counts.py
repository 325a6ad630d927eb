"""Kits through the programme. Rates: Flint re-sample of March 2016, 174 of 269 came back."""

import numpy as np
import pandas as pd
import pytest

from linemap.tables import complete_table
from linemap.water import check_kits, kit_counts


def programme():
    kits = pd.DataFrame(
        {
            "kit_id": [f"K{i}" for i in range(6)],
            "parcel_id": ["P0", "P1", "P2", "P3", "P4", "P5"],
            "requested_on": pd.to_datetime(["2026-01-01"] * 3 + [None] * 3),
            "mailed_on": pd.to_datetime(["2026-01-05"] * 5 + [None]),
            "collected_on": pd.to_datetime(
                ["2026-01-15", "2026-01-25", None, None, None, "2026-02-01"]
            ),
            "received_on": pd.to_datetime(
                ["2026-01-18", "2026-01-30", None, None, None, "2026-02-05"]
            ),
            "stagnation_h": [8, 3, np.nan, np.nan, np.nan, 9],
            "flush_min": [2.0] * 6,
            "reported_on": pd.to_datetime(["2026-02-01", None, None, None, None, None]),
        }
    )
    rows = [
        (k, draw, "lead", 2.0, 1.0, False)
        for k in ("K0", "K1", "K5")
        for draw in ("first", "flushed")
    ]
    names = ["kit_id", "draw", "analyte", "value_ug_l", "limit_ug_l", "below_limit"]
    return complete_table(kits, "kits"), pd.DataFrame(rows, columns=names)


def test_stages_in_order():
    kits, samples = programme()
    found = kit_counts(kits, check_kits(kits, samples))
    assert found.stages.to_dict() == {
        "asked": 3,
        "sent": 6,
        "returned": 3,
        "usable": 2,
        "reported": 1,
    }
    assert found.verdicts.to_dict() == {"usable": 2, "usable_with_doubt": 0, "not_usable": 1}
    assert found.reasons.to_dict() == {"water stood under 6 h": 1}
    assert found.return_rate == 0.5


def test_stages_that_nobody_noted_are_not_zero():
    kits, samples = programme()
    kits["reported_on"] = pd.NaT
    assert np.isnan(kit_counts(kits, check_kits(kits, samples)).stages["reported"])


def test_turnaround():
    kits, samples = programme()
    steps = kit_counts(kits, check_kits(kits, samples)).turnaround
    assert steps.loc["asked to sent", ["kits", "median"]].tolist() == [3, 4]
    assert steps.loc["sent to collected", ["kits", "median"]].tolist() == [2, 15]
    assert steps.loc["collected to received", ["kits", "median"]].tolist() == [3, 4]
    assert steps.loc["asked to reported", "median"] == 31


def test_return_rate_by_area():
    kits, samples = programme()
    areas = pd.Series({"P0": "north", "P1": "north", "P2": "south", "P3": "south"})
    table = kit_counts(kits, check_kits(kits, samples), areas).by_area
    assert list(table.index) == ["north", "south", "no area"]
    assert table["sent"].tolist() == [2, 2, 2]
    assert table["return_rate"].tolist() == [1.0, 0.0, 0.5]
    assert (
        (table["rate_low"] <= table["return_rate"]) & (table["return_rate"] <= table["rate_high"])
    ).all()


@pytest.mark.parametrize(
    ("returned", "sent", "low", "high"),
    [(3, 371, 0.00275, 0.02350), (19, 384, 0.03190, 0.07598), (174, 269, 0.588, 0.702)],
)
def test_wilson_interval_of_a_return_rate(returned, sent, low, high):
    """First two computed with statsmodels; Flint 2016 re-sample: 174 of 269 is 64.7 %."""
    kits = pd.DataFrame({"kit_id": range(sent), "parcel_id": range(sent)}).astype(str)
    kits["mailed_on"] = pd.Timestamp("2026-01-01")
    kits["received_on"] = pd.Timestamp("2026-02-01")
    kits.loc[returned:, "received_on"] = pd.NaT
    names = ["kit_id", "draw", "analyte", "value_ug_l", "limit_ug_l", "below_limit"]
    found = kit_counts(kits, check_kits(kits, pd.DataFrame(columns=names)))
    assert found.return_rate == pytest.approx(returned / sent)
    tolerance = 5.1e-6 if sent > 300 else 2e-3
    assert (found.rate_low, found.rate_high) == pytest.approx((low, high), abs=tolerance)


def test_order_of_kits_never_matters():
    kits, samples = programme()
    one = kit_counts(kits, check_kits(kits, samples))
    mixed = kits.sample(frac=1, random_state=1)
    two = kit_counts(mixed, check_kits(mixed, samples.iloc[::-1]))
    pd.testing.assert_series_equal(one.stages, two.stages)
    pd.testing.assert_frame_equal(one.turnaround, two.turnaround)


def test_no_kits_at_all():
    kits, samples = programme()
    found = kit_counts(kits.iloc[:0], check_kits(kits.iloc[:0], samples.iloc[:0]))
    assert found.stages["returned"] == 0
    assert np.isnan(found.return_rate)
