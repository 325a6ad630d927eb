"""The summaries that the report page and the lab-file command print."""

import datetime as dt
import json

import numpy as np
import pandas as pd
import pytest

from linemap.errors import ArgumentError
from linemap.water import check_kits, results_summary, water_summary
from synthetic_city import make_city


@pytest.fixture(scope="module")
def city():
    return make_city(3000, seed=5)


@pytest.fixture(scope="module")
def pairs(city):
    return check_kits(city.kits, city.samples)


def test_summary_is_plain_and_labelled(city, pairs):
    found = water_summary(pairs, city.kits, edition="LCRR", as_of=dt.date(2026, 11, 25))
    assert json.loads(json.dumps(found, allow_nan=False)) == found
    assert found["label"] == "programme statistic, not a compliance value"
    assert any("does not clear a home" in caution for caution in found["cautions"])
    assert found["first"]["percentile_90"]["action_level"] == 15
    assert sum(found["causes"].values()) == found["homes"]


def test_a_home_counts_once(pairs):
    found = water_summary(pairs)
    usable = pairs.loc[pairs["verdict"] != "not_usable"]
    assert usable["parcel_id"].duplicated().any()
    assert found["homes"] == usable["parcel_id"].nunique()
    assert found["repeats"]["homes"] > 0


def test_counts_agree_with_the_pairs(city, pairs):
    found = water_summary(pairs, city.kits)["kits"]
    assert found["stages"]["returned"] == len(pairs)
    assert sum(found["verdicts"].values()) == len(pairs)


def test_local_threshold_when_control_homes_are_known(city, pairs):
    truth = city.truth
    free = truth.index[~truth["lead"]] if "lead" in truth else pairs["parcel_id"]
    found = water_summary(pairs, control_homes=free)
    assert found["control"]["homes"] >= 20
    assert sum(found["above_control"].values()) == found["homes"]
    assert "are needed for a local threshold" in water_summary(pairs)["control"]


def test_whether_flushes_sampled_the_line(city, pairs):
    found = water_summary(pairs, line_diameter_in=city.parcels["line_diameter_in"])
    assert sum(found["reach"].values()) == found["homes"]
    assert "reach" not in water_summary(pairs)


def test_the_same_twice_and_in_any_order(city, pairs):
    one = water_summary(pairs, city.kits)
    again = check_kits(city.kits.iloc[::-1], city.samples.iloc[::-1])
    assert json.dumps(water_summary(again, city.kits), sort_keys=True) == json.dumps(
        one, sort_keys=True
    )


def test_the_new_level_flips_with_the_date(pairs):
    early = water_summary(pairs, edition="LCRI", as_of=dt.date(2027, 10, 31))
    late = water_summary(pairs, edition="LCRI", as_of=dt.date(2027, 11, 1))
    assert early["first"]["percentile_90"]["action_level"] == 15
    assert late["first"]["percentile_90"]["action_level"] == 10


def test_a_laboratory_file_alone(city):
    found = results_summary(city.samples)
    assert json.loads(json.dumps(found, allow_nan=False)) == found
    assert set(found["sets"]) == {
        "lead, first",
        "lead, flushed",
        "copper, first",
        "copper, flushed",
    }
    assert found["sets"]["copper, first"]["percentile_90"]["action_level"] == 1300
    assert found["results"] == len(city.samples)
    assert found["reasons"]["hours of standing not given"] == sum(found["verdicts"].values())


def test_a_laboratory_file_with_its_kits_leaves_out_what_may_not_be_used(city, pairs):
    found = results_summary(city.samples, city.kits)
    usable = pairs.loc[pairs["verdict"] != "not_usable", "parcel_id"].nunique()
    assert found["sets"]["lead, first"]["n"] <= usable
    with pytest.raises(ArgumentError, match="no row in kits"):
        results_summary(city.samples, city.kits.iloc[:1])


def test_no_results_at_all(city, pairs):
    found = water_summary(pairs.iloc[:0], city.kits.iloc[:0])
    assert found["homes"] == 0
    assert found["first"] == {"n": 0, "why": "There are no readable results."}


def test_only_non_detects():
    rows = [
        (f"K{i}", draw, "lead", np.nan, 1.0, True)
        for i in range(30)
        for draw in ("first", "flushed")
    ]
    names = ["kit_id", "draw", "analyte", "value_ug_l", "limit_ug_l", "below_limit"]
    found = results_summary(pd.DataFrame(rows, columns=names))["sets"]["lead, first"]
    assert found["advised"] == "share above a level only"
    assert found["percentile_90"]["at_most"] == 1
    assert found["above"][0]["above"] == 0


NAMES = ["kit_id", "draw", "analyte", "value_ug_l", "limit_ug_l", "below_limit"]


def test_a_later_kit_speaks_for_a_bottle_that_the_earlier_one_lacks():
    kits = pd.DataFrame(
        {"kit_id": ["A", "B"], "parcel_id": ["P", "P"], "stagnation_h": 8.0, "flush_min": 1.5,
         "collected_on": pd.to_datetime(["2026-01-01", "2026-03-01"])}
    )  # fmt: skip
    rows = [("A", "flushed", "lead", 1.0, 1.0, False), ("B", "first", "lead", 40.0, 1.0, False),
            ("B", "flushed", "lead", 2.0, 1.0, False)]  # fmt: skip
    samples = pd.DataFrame(rows, columns=NAMES)
    whole = water_summary(check_kits(kits, samples))
    assert whole["homes"] == 1
    sets = results_summary(samples, kits)["sets"]
    for first, flushed in ((whole["first"], whole["flushed"]),
                           (sets["lead, first"], sets["lead, flushed"])):  # fmt: skip
        assert (first["n"], first["percentile_90"]["value"]) == (1, 40.0)
        assert (flushed["n"], flushed["percentile_90"]["value"]) == (1, 1.0)


def test_a_row_that_came_twice_counts_once():
    rows = [("K1", "first", "lead", 3.0, 1.0, False)] * 2 + [
        ("K2", "first", "lead", 5.0, 1.0, False)
    ]
    found = results_summary(pd.DataFrame(rows, columns=NAMES))["sets"]["lead, first"]
    assert found["n"] == 2


def test_copper_without_lead_is_read():
    rows = [(f"K{i}", draw, "copper", 1400.0 + i, 1.0, False)
            for i in range(10) for draw in ("first", "flushed")]  # fmt: skip
    alone = results_summary(pd.DataFrame(rows, columns=NAMES))
    assert list(alone["sets"]) == ["copper, first", "copper, flushed"]
    assert alone["sets"]["copper, first"]["n"] == 10
    assert "10 kits count for copper only: no readable lead result." in alone["sentences"]
    rows += [("K99", draw, "lead", 3.0, 1.0, False) for draw in ("first", "flushed")]
    both = results_summary(pd.DataFrame(rows, columns=NAMES))["sets"]
    assert both["copper, first"]["n"] == 10
    assert both["lead, first"]["n"] == 1


def test_copper_of_a_kit_that_is_flawed_otherwise_is_not_read():
    samples = pd.DataFrame([("K1", "first", "copper", 900.0, 1.0, False)], columns=NAMES)
    kits = pd.DataFrame({"kit_id": ["K1"], "parcel_id": ["P"], "signed": ["no"]})
    found = results_summary(samples, kits)
    assert found["sets"] == {}
    assert found["copper_alone"] == 0


def test_sentences_of_a_laboratory_file(city):
    said = results_summary(city.samples)["sentences"]
    assert said[0].startswith(f"{len(city.samples):,} results of ")
    assert any(text.startswith("Lead, flushed bottle: ") for text in said)
    percentiles = [text for text in said if text.startswith("90th percentile")]
    assert len(percentiles) == 4
    assert all("not a compliance value" in text for text in percentiles)
    assert "A low result does not clear a home: a lead service line cannot be ruled out." in said


def test_sentences_of_five_results():
    rows = [(f"K{i}", "first", "lead", x, 1.0, False) for i, x in enumerate([8, 8, 8, 11, 20])]
    names = ["kit_id", "draw", "analyte", "value_ug_l", "limit_ug_l", "below_limit"]
    said = results_summary(pd.DataFrame(rows, columns=names), edition="LCR")["sentences"]
    assert any(
        "90th percentile 15.5 ug/L" in text and "above the action level" in text for text in said
    )
    assert "1 of 5 results above 15 ug/L: 20.0% (0.5% to 71.6%)." in said


def test_limits_above_the_level_are_told_instead_of_a_figure():
    rows = [(f"K{i}", "first", "lead", np.nan, 20.0, True) for i in range(30)]
    names = ["kit_id", "draw", "analyte", "value_ug_l", "limit_ug_l", "below_limit"]
    found = results_summary(pd.DataFrame(rows, columns=names))["sets"]["lead, first"]
    assert "cannot be held against 15 ug/L" in found["percentile_90"]
