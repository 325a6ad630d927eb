"""Verdicts of returned kits. Limits: 40 CFR 141.86(b) (6 h); others common practice, no source."""

import datetime as dt

import numpy as np
import pandas as pd
import pytest

from linemap.errors import ArgumentError
from linemap.tables import contract
from linemap.water import GROUNDS, KitRules, check_kits, set_aside

GOOD = {
    "kit_id": "K1",
    "parcel_id": "P1",
    "requested_on": "2026-03-01",
    "mailed_on": "2026-03-03",
    "collected_on": "2026-03-10",
    "received_on": "2026-03-12",
    "stagnation_h": 8.0,
    "flush_min": 2.0,
    "filter_used": "no",
    "signed": "yes",
}


def kit_table(*changes):
    rows = [{**GOOD, "kit_id": f"K{i + 1}", **change} for i, change in enumerate(changes)]
    frame = pd.DataFrame(rows)
    for name in frame.columns:
        if name.endswith("_on"):
            frame[name] = pd.to_datetime(frame[name])
    return frame


def sample_table(*rows):
    """Rows: kit, draw, analyte, value, limit; value None is below the limit."""
    frame = pd.DataFrame(rows, columns=["kit_id", "draw", "analyte", "value_ug_l", "limit_ug_l"])
    frame["below_limit"] = frame["value_ug_l"].isna()
    frame["value_ug_l"] = frame["value_ug_l"].astype(float)
    frame["limit_ug_l"] = frame["limit_ug_l"].astype(float)
    return frame


def both(kit="K1", first=3.0, flushed=None):
    return [(kit, "first", "lead", first, 1.0), (kit, "flushed", "lead", flushed, 1.0)]


def one(change=None, samples=None, **options):
    rows = both() if samples is None else samples
    return check_kits(kit_table(change or {}), sample_table(*rows), **options).iloc[0]


def test_good_kit_is_usable_and_reads_as_intervals():
    row = one()
    assert row["verdict"] == "usable"
    assert pd.isna(row["reasons"])
    assert (row["first_low"], row["first_high"]) == (3.0, 3.0)
    assert (row["flushed_low"], row["flushed_high"]) == (0.0, 1.0)


@pytest.mark.parametrize(
    ("change", "verdict", "reason"),
    [
        ({"stagnation_h": 5.99}, "not_usable", "water stood under 6 h"),
        ({"stagnation_h": 6.0}, "usable", None),
        ({"stagnation_h": 18.0}, "usable", None),
        ({"stagnation_h": 18.5}, "usable_with_doubt", "water stood over 18 h"),
        ({"stagnation_h": np.nan}, "usable_with_doubt", "hours of standing not given"),
        ({"filter_used": "yes"}, "not_usable", "a filter was used"),
        ({"filter_used": "dont_know"}, "usable_with_doubt", "resident does not know of a filter"),
        ({"signed": "no"}, "not_usable", "signature missing"),
        ({"mailed_on": "2026-02-27"}, "usable_with_doubt", "dates out of order"),
        ({"received_on": "2026-03-09"}, "usable_with_doubt", "dates out of order"),
        (
            {"received_on": "2026-03-25"},
            "usable_with_doubt",
            "sample over 14 days old at the laboratory",
        ),
        ({"received_on": "2026-10-25"}, "not_usable", "sample over 180 days old at the laboratory"),
        ({"flush_min": 0.5}, "usable_with_doubt", "tap ran less than asked"),
        ({"flush_min": 5.0}, "usable_with_doubt", "tap ran longer than asked"),
        ({"bottles_swapped": "yes"}, "not_usable", "bottles noted as swapped on paper"),
    ],
)
def test_form_grounds(change, verdict, reason):
    row = one(change)
    assert row["verdict"] == verdict
    assert row["reasons"] == reason if reason else pd.isna(row["reasons"])


@pytest.mark.parametrize(
    ("samples", "verdict", "reason"),
    [
        (both()[:1], "usable_with_doubt", "flushed bottle missing"),
        (both()[1:], "usable_with_doubt", "first bottle missing"),
        ([], "not_usable", "no bottle with a result"),
        (
            [("K1", "first", "copper", 90, 1), ("K1", "flushed", "copper", 60, 1)],
            "not_usable",
            "an analyte was not measured; no readable lead result",
        ),
        (
            [*both()[:1], ("K1", "flushed", "copper", 60, 1)],
            "usable_with_doubt",
            "an analyte was not measured",
        ),
        (
            [both()[0], ("K1", "flushed", "lead", None, None)],
            "usable_with_doubt",
            "detection limit not given",
        ),
        (
            [*both(), ("K1", "first", "copper", 40, 1), ("K1", "flushed", "copper", 160, 1)],
            "usable_with_doubt",
            "bottles may be swapped on paper: copper rose while the tap ran",
        ),
        ([*both(), both()[0]], "usable_with_doubt", "kit returned twice"),
        (
            [*both(), ("K1", "first", "lead", 9.0, 1)],
            "not_usable",
            "kit returned twice; two different results for one bottle",
        ),
    ],
)
def test_bottle_grounds(samples, verdict, reason):
    row = one(samples=samples)
    assert (row["verdict"], row["reasons"]) == (verdict, reason)


def test_unreadable_result_is_a_ground_and_its_bottle_has_no_reading():
    samples = sample_table(*both())
    samples.loc[1, "below_limit"] = False
    row = check_kits(kit_table({}), samples).iloc[0]
    assert row["reasons"] == "a laboratory result cannot be read"
    assert np.isnan(row["flushed_low"])
    assert row["first_low"] == 3.0


def test_kit_id_given_twice_is_one_kit_returned_twice():
    kits = kit_table({}, {"kit_id": "K1"})
    pairs = check_kits(kits, sample_table(*both()))
    assert len(pairs) == 1
    assert pairs.loc[0, "reasons"] == "kit returned twice"


def test_every_ground_that_applies_is_named():
    row = one({"stagnation_h": 2, "filter_used": "yes", "signed": "no", "flush_min": 0.1})
    assert row["reasons"].split("; ") == [
        "water stood under 6 h",
        "a filter was used",
        "signature missing",
        "tap ran less than asked",
    ]


def test_future_dates_are_doubted_only_when_today_is_known():
    assert one(today=dt.date(2026, 3, 11))["reasons"] == "a date lies in the future"
    assert one()["verdict"] == "usable"


def test_kits_that_did_not_come_back_have_no_row():
    kits = kit_table({}, {"collected_on": None, "received_on": None})
    assert list(check_kits(kits, sample_table(*both()))["kit_id"]) == ["K1"]


def test_contract_order_types_and_untouched_inputs():
    kits, samples = kit_table({}, {}), sample_table(*both(), *both("K2"))
    before = kits.copy(), samples.copy()
    pairs = check_kits(kits, samples)
    pd.testing.assert_frame_equal(kits, before[0])
    pd.testing.assert_frame_equal(samples, before[1])
    assert list(pairs.columns) == list(contract("pairs"))
    assert isinstance(pairs.index, pd.RangeIndex)
    assert list(pairs["verdict"].cat.categories) == list(contract("pairs")["verdict"].allowed)


def test_no_rows_give_an_empty_table_of_the_contract():
    pairs = check_kits(kit_table({}).iloc[:0], sample_table())
    assert len(pairs) == 0
    assert list(pairs.columns) == list(contract("pairs"))


@pytest.mark.parametrize("high", [16.0, 500.0, 1e6])
def test_a_high_result_changes_no_verdict(high):
    usual = one()
    extreme = one(samples=both(first=high, flushed=high))
    assert (extreme["verdict"], extreme["reasons"]) == (usual["verdict"], usual["reasons"])


def test_no_ground_speaks_of_height():
    assert not any("high" in g.words or "high" in g.name for g in GROUNDS.values())


def test_rules_may_differ_by_programme():
    rules = KitRules(flush_least=5, flush_most=5, stagnation_most=24)
    assert one({"flush_min": 5, "stagnation_h": 20}, rules=rules)["verdict"] == "usable"
    with pytest.raises(ArgumentError, match="standing"):
        KitRules(stagnation_least=20)


def test_set_aside_keeps_the_result_and_adds_the_ground():
    pairs = check_kits(kit_table({}, {"stagnation_h": 20}), sample_table(*both(), *both("K2")))
    out = set_aside(pairs, ["K2"], ground="tampering", note="seal broken")
    assert list(out["verdict"]) == ["usable", "not_usable"]
    assert out.loc[1, "reasons"] == "water stood over 18 h; set aside: tampering (seal broken)"
    assert out.loc[1, "first_low"] == 3.0
    assert pairs.loc[1, "verdict"] == "usable_with_doubt"


@pytest.mark.parametrize("ground", ["high result", "high", "outlier", "", "lab error"])
def test_only_the_closed_list_sets_a_result_aside(ground):
    pairs = check_kits(kit_table({}), sample_table(*both()))
    with pytest.raises(ArgumentError, match="never invalid for being high"):
        set_aside(pairs, ["K1"], ground=ground)


def test_set_aside_names_kits_that_are_not_there():
    pairs = check_kits(kit_table({}), sample_table(*both()))
    with pytest.raises(ArgumentError, match="K9"):
        set_aside(pairs, ["K9"], ground="lab_error")
