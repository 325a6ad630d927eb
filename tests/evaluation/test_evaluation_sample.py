"""A very large city is judged on a sample of whole blocks, and says so."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from linemap.evaluation import QUICK, evaluate, judging_sample
from linemap.evaluation.sample import BLOCK_M
from linemap.evaluation.space import block_numbers


def test_a_city_that_is_small_enough_is_taken_whole(frame):
    assert judging_sample(frame, seed=1).equals(frame.index)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_blocks_stay_whole_and_homes_keep_their_order(frame, seed):
    sample = judging_sample(frame, seed=seed, most_homes=600, fewest_checks=1)
    rows = frame.index.get_indexer(sample)
    assert 600 <= len(sample) < len(frame)
    assert (np.diff(rows) > 0).all()
    shift = np.random.default_rng([seed, 50]).random(2)
    block = block_numbers(frame["x"].to_numpy(), frame["y"].to_numpy(), BLOCK_M, tuple(shift))
    outside = np.delete(np.arange(len(frame)), rows)
    assert not set(block[rows]) & set(block[outside])


def test_few_checks_make_the_sample_grow_to_the_whole_city(frame):
    useful = int((frame["checked"] & (frame["why"] != "suspected")).sum())
    half = judging_sample(frame, seed=1, most_homes=100, fewest_checks=useful // 2)
    checked = frame.loc[half, "checked"] & (frame.loc[half, "why"] != "suspected")
    assert checked.sum() >= useful // 2
    assert len(half) < len(frame)
    whole = judging_sample(frame, seed=1, most_homes=100, fewest_checks=useful + 1)
    assert whole.equals(frame.index)


@pytest.fixture(scope="module")
def on_sample(town, frame, honest_model):
    sample = judging_sample(frame, seed=2, most_homes=1200, fewest_checks=1)
    model = honest_model(town)
    asked = []

    def fit_score(hidden: pd.Index) -> pd.Series:
        asked.append(hidden)
        return model(hidden).loc[sample]

    def expected_lead(groups: pd.Series) -> pd.DataFrame:
        return pd.DataFrame({"expected": 0.25, "low": 0.2, "high": 0.3}, ["these"]) * len(groups)

    result = evaluate(frame, fit_score, seed=1, bootstrap=10, folds=2, protocols=QUICK,
                      sample=sample, expected_lead=expected_lead)  # fmt: skip
    return result, sample, asked


def test_only_homes_of_the_sample_are_hidden_and_judged(on_sample, frame):
    result, sample, asked = on_sample
    assert all(hidden.isin(sample).all() for hidden in asked)
    assert result.counts["homes"] == len(frame)
    assert result.counts["homes_judged_on"] == len(sample)
    blocks = result.protocols.set_index("protocol").loc["blocks"]
    assert blocks["rows"] == result.counts["judged"]
    note = next(c for c in result.cautions if c.code == "judged_on_sample")
    assert f"{len(sample):,}" in note.text


def test_estimates_for_the_city_are_of_the_whole_city(on_sample, frame):
    result, _, _ = on_sample
    table = result.prevalence[result.prevalence["homes"] == "all"].set_index("way")
    drawn = frame["checked"] & (frame["why"] == "random") & frame["label"].notna()
    assert table.loc["random checks", "checked"] == drawn.sum()
    pool = (~frame["checked"] | drawn).sum()
    assert table.loc["random checks", "population"] == pool
    row, left = table.loc["sum of probabilities"], (~frame["checked"]).sum()
    assert row[["left_low", "lead_lines_left", "left_high"]].tolist() == pytest.approx(
        [0.2 * left, 0.25 * left, 0.3 * left]
    )
    assert row[["low", "share", "high"]].tolist() == pytest.approx([0.2, 0.25, 0.3])


def test_a_sample_of_all_homes_changes_nothing(town, frame, honest_model):
    plain, same = (
        evaluate(frame, honest_model(town), seed=1, bootstrap=10, folds=2, protocols=QUICK, **more)
        for more in ({}, {"sample": frame.index})
    )
    assert plain.to_dict() == same.to_dict()
