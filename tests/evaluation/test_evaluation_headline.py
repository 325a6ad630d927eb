"""The headline: whose threshold, whose list, and how sure its precision is."""

from __future__ import annotations

import json

import numpy as np
import pandas as pd
import pytest

from linemap.evaluation import Evaluation
from linemap.evaluation.headline import callable_list, lowest_threshold, make_headline
from linemap.evaluation.judging import measure_rows
from linemap.evaluation.measures import sigmoid


def judged_homes(label: np.ndarray, p: np.ndarray, fold: np.ndarray, block: np.ndarray):
    return pd.DataFrame(
        {"label": label, "linemap": p, "fold": fold, "block": block, "why": "random",
         "record_lead": np.nan},
        index=[f"P{i}" for i in range(len(p))],
    )  # fmt: skip


def test_a_list_of_whole_blocks_is_less_sure_than_one_of_lone_homes():
    """Known truth drawn here: chances are right, and blocks of 30 homes share their luck."""
    missed = {"blocks": 0, "lone": 0}
    for seed in range(60):
        rng = np.random.default_rng(seed)
        block = np.arange(600) // 30
        fold = (rng.permutation(20) % 5)[block]
        x = rng.normal(-0.5, 2.2, 600)
        shared = np.random.default_rng(9).normal(0, 1.5, 300)
        p = sigmoid(x[:, None] + shared).mean(axis=1)
        label = (rng.random(600) < sigmoid(x + rng.normal(0, 1.5, 20)[block])).astype(float)
        for name, places in (("blocks", block), ("lone", np.arange(600))):
            held = judged_homes(label, p, fold, places)
            found, _ = make_headline(held, pd.Series(p), bootstrap=2, rng=rng)
            missed[name] += found.listed > 0 and found.precision_high < 0.9
    assert missed["blocks"] <= 6
    assert missed["lone"] > 2 * missed["blocks"]


def test_a_list_that_could_not_be_tested_is_not_called_missing():
    """All sure homes lie in one fold: the others teach no threshold, and it teaches none to
    itself.
    """
    fold = np.arange(200) // 40
    p = np.where(np.arange(200) < 30, 0.97, 0.2)
    label = (np.arange(200) < 30).astype(float)
    unknown = pd.Series([0.97, 0.2])
    rng = np.random.default_rng(0)
    found, _ = make_headline(judged_homes(label, p, fold, fold), unknown, bootstrap=20, rng=rng)
    assert found.listed == 0
    assert found.text.startswith("A list of 90% lead was found among the 200 homes")
    assert "No list" not in found.text
    assert np.isnan(found.in_use_share)
    label = (np.arange(200) % 5 == 0).astype(float)
    none, _ = make_headline(judged_homes(label, p, fold, fold), unknown, bootstrap=20, rng=rng)
    assert none.text.startswith("No list of at least 10 homes reached 90% lead")
    assert np.isnan(none.in_use_share)
    kept = Evaluation(none, "", "checks", {"judged": 200, "homes": 200, "judged_lead": 40})
    assert json.loads(json.dumps(kept.to_dict(), allow_nan=False))["headline"]["threshold"] is None
    assert kept.to_dict()["headline"]["in_use_share"] is None
    assert not any("nan" in sentence for sentence in kept.sentences())


def test_no_list_among_few_homes_is_no_proof_of_none():
    """Ten homes of 70 would have been the shortest list that counts."""
    spot = np.arange(70)
    label = (spot % 5 == 0).astype(float)
    held = judged_homes(label, np.linspace(0.1, 0.5, 70), spot % 5, spot)
    rng = np.random.default_rng(0)
    found, _ = make_headline(held, held["linemap"], bootstrap=50, rng=rng)
    assert (found.listed, found.low, found.callable_share) == (0, 0, 0)
    assert found.high == pytest.approx(10 / 70)
    rows = measure_rows(held, protocol="blocks", weighting="as checked", weights=np.ones(70),
                        bootstrap=50, rng=rng, methods=("linemap",))  # fmt: skip
    assert {row["blocks"] for row in rows} == {70}
    [row] = [row for row in rows if row["measure"] == "callable_share_90"]
    assert (row["value"], row["low"]) == (0, 0)
    assert row["high"] >= 10 / 70


def test_lowest_threshold_by_hand():
    # the first ten hold 9 lead, the first eleven 10, the first twelve 10
    label = np.array([1.0] * 8 + [0, 1, 1, 0])
    p = np.linspace(0.95, 0.4, 12)
    assert lowest_threshold(label, p) == pytest.approx(0.45)
    assert lowest_threshold(label[:9], p[:9]) == np.inf, "too short to speak of"
    tied = np.r_[p[:9], 0.5, 0.5, 0.5]
    assert lowest_threshold(label, tied) == np.inf, "a tie is on the list whole"


def test_the_threshold_of_a_fold_comes_from_the_others():
    """Where all of .6 and above is lead in one half and of .9 and above in the other."""
    p = np.tile(np.repeat([0.9, 0.6], 20), 2)
    fold = np.repeat([0, 1], 40)
    label = np.r_[np.ones(40), np.ones(20), np.zeros(20)]
    listed, threshold = callable_list(label, p, fold)
    assert listed.tolist() == [*(p[:40] >= 0.9), *(p[40:] >= 0.6)]
    assert threshold == pytest.approx(0.75)


def test_the_share_in_use_is_of_unknown_homes_at_or_above_the_threshold():
    spot = np.arange(100)
    p = np.where(spot < 40, 0.9, 0.1)
    held = judged_homes((spot < 40).astype(float), p, spot % 5, spot)
    unknown = pd.Series([0.95, 0.9, 0.9, 0.5, 0.4, 0.3, 0.2, 0.1])
    found, _ = make_headline(held, unknown, bootstrap=20, rng=np.random.default_rng(0))
    assert found.threshold == pytest.approx(0.9)
    assert found.in_use_share == pytest.approx(3 / 8)


def test_the_headline_is_judged_on_homes_without_a_record_where_they_suffice():
    spot = np.arange(140)
    held = judged_homes((spot % 2).astype(float), np.full(140, 0.5), spot % 5, spot)
    recorded = held.assign(record_lead=np.where(spot < 60, 1.0, np.nan))
    few = held.assign(record_lead=np.where(spot < 100, 1.0, np.nan))
    rng = np.random.default_rng(0)
    found, _ = make_headline(recorded, held["linemap"], bootstrap=5, rng=rng)
    assert found.rows == 80
    assert found.judged_on.startswith("homes without a record")
    found, _ = make_headline(few, held["linemap"], bootstrap=5, rng=rng)
    assert found.rows == 140
    assert found.judged_on.startswith("homes with or without a record")
