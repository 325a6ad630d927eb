"""Rows of measures and of groups: intervals that hold what they are of, and no wider claims."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from linemap.evaluation.calibration import perfect_ece
from linemap.evaluation.judging import group_table, measure_rows
from linemap.evaluation.measures import bin_numbers, logit, sigmoid


def town_of_blocks(
    rng: np.random.Generator, n: int = 400, size: int = 8, luck: float = 0.0
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return blocks, true chances and findings; ``luck`` [log-odds] is shared within a block."""
    block = np.arange(n) // size
    x = rng.normal(-1, 1.5, n)
    drawn = np.random.default_rng(9).normal(0, luck, 300)
    chance = sigmoid(x[:, None] + drawn).mean(axis=1)
    shared = rng.normal(0, luck, block.max() + 1)[block]
    return block, chance, (rng.random(n) < sigmoid(x + shared)).astype(float)


def ece_row(held: pd.DataFrame, rng: np.random.Generator, draws: int = 100) -> dict:
    rows = measure_rows(
        held, protocol="blocks", weighting="as checked", weights=np.ones(len(held)),
        bootstrap=draws, rng=rng, methods=("linemap",),
    )  # fmt: skip
    return next(row for row in rows if row["measure"] == "ece")


@pytest.mark.parametrize(("level", "slope"), [(0.0, 1.0), (0.15, 0.95)])
def test_interval_of_the_calibration_error_covers_the_truth(level, slope):
    """Known truth drawn here: stated log-odds are level + slope times the true ones.

    In 200 such towns the interval held it 98 and 91 times of 100, percentiles of resamples never.
    """
    inside, held_own = 0, 0
    for seed in range(40):
        rng = np.random.default_rng(seed)
        block, chance, label = town_of_blocks(rng)
        stated = sigmoid(level + slope * logit(chance))
        member = np.eye(10)[bin_numbers(stated)]
        truth = np.abs((chance - stated) @ member).sum() / len(stated)
        row = ece_row(pd.DataFrame({"label": label, "block": block, "linemap": stated}), rng)
        inside += row["low"] <= truth <= row["high"]
        held_own += row["low"] <= row["value"] <= row["high"]
    assert held_own == 40
    assert inside >= 34


def test_every_interval_holds_its_value(judged):
    result, _ = judged
    rows = pd.concat([result.measures, result.baselines, result.learning])
    rows = rows[rows["low"].notna()]
    assert (rows["low"] <= rows["value"] + 1e-12).all()
    assert (rows["value"] <= rows["high"] + 1e-12).all()


def test_groups_of_a_perfect_model_agree_though_neighbours_share_their_luck():
    """Known truth drawn here: the model states the true chances of 200 homes in 20 blocks."""
    agrees = 0
    for seed in range(40):
        rng = np.random.default_rng(seed)
        block, chance, label = town_of_blocks(rng, n=200, size=10, luck=1.5)
        held = pd.DataFrame({"label": label, "block": block, "linemap": chance})
        groups = pd.DataFrame({"area": "all"}, index=held.index)
        [row] = group_table(held, groups, protocol="blocks", bootstrap=2, rng=rng).to_dict(
            "records"
        )
        agrees += row["agrees"]
        assert row["found_low"] < row["found"] < row["found_high"]
    assert agrees >= 36


def test_a_perfect_model_lies_in_its_band_though_neighbours_share_their_luck():
    """Known truth drawn here: the true chances of 600 homes in 10 blocks.

    In 300 such towns 8% lay above the band, 33% above that of lone homes.
    """
    above, above_alone = 0, 0
    for seed in range(50):
        rng = np.random.default_rng(seed)
        block, chance, label = town_of_blocks(rng, n=600, size=60, luck=1.0)
        held = pd.DataFrame({"label": label, "block": block, "linemap": chance})
        row = ece_row(held, rng, draws=2)
        above += row["value"] > row["perfect_high"]
        above_alone += row["value"] > perfect_ece(chance, rng=rng, draws=200)[1]
    assert above <= 7
    assert above_alone >= 2 * above


def test_the_band_of_lone_homes_is_never_narrowed_by_few_homes_or_blocks():
    rng = np.random.default_rng(1)
    block, chance, label = town_of_blocks(rng, n=60, size=20)
    alone = perfect_ece(chance, rng=np.random.default_rng(2))
    shared = perfect_ece(chance, rng=np.random.default_rng(2), label=label, block=block)
    assert shared[1] >= alone[1]
    twins = np.tile(np.r_[chance, chance], 10)
    pairs = np.tile(np.arange(120), 10)
    told = np.tile((rng.random(120) < np.r_[chance, chance]).astype(float), 10)
    wide = perfect_ece(twins, rng=rng, label=told, block=pairs)[1]
    assert wide > 2 * perfect_ece(twins, rng=rng)[1]


def test_ahead_is_by_how_much_the_scores_beat_the_other():
    """The scores part the homes, the rival turns them round: one pair in two more is right."""
    label = np.tile([1.0, 0.0], 20)
    held = pd.DataFrame({"label": label, "block": np.arange(40), "linemap": 0.1 + 0.8 * label})
    held["age rule"] = 0.5
    rows = measure_rows(
        held, protocol="blocks", weighting="as checked", weights=np.ones(40), bootstrap=50,
        rng=np.random.default_rng(0), methods=("linemap", "age rule"),
    )  # fmt: skip
    [row] = [row for row in rows if (row["method"], row["measure"]) == ("age rule", "auc")]
    assert row["value"] == pytest.approx(0.5)
    assert row["ahead"] == pytest.approx(0.5)
    assert 0 < row["ahead_low"] <= row["ahead"] <= row["ahead_high"]


@pytest.mark.parametrize(("promised", "agrees"), [(0.3, True), (0.5, False), (0.1, False)])
def test_a_group_agrees_only_where_the_promise_lies_between_the_ends(promised, agrees):
    label = (np.arange(100) < 30).astype(float)
    held = pd.DataFrame({"label": label, "block": np.arange(100), "linemap": promised})
    groups = pd.DataFrame({"area": "all"}, index=held.index)
    rng = np.random.default_rng(0)
    row = group_table(held, groups, protocol="blocks", bootstrap=2, rng=rng).iloc[0]
    assert (row["found"], row["promised"]) == (pytest.approx(0.3), pytest.approx(promised))
    assert row["agrees"] == agrees
