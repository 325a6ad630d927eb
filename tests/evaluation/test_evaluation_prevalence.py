"""Lead lines left: what random checks state rightly, and what no weighting repairs."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from linemap.evaluation import remaining_lead
from linemap.evaluation.baselines import feature_matrix
from linemap.evaluation.frame import prepare
from linemap.evaluation.overlap import compare_checked
from linemap.evaluation.prevalence import prevalence_table
from linemap.evaluation.space import block_numbers


def _city(rng: np.random.Generator, reason: str, n: int = 4000) -> pd.DataFrame:
    """Old homes in the west; checks at random, along western main work, or on suspicion."""
    x, y = rng.uniform(0, 5000, n), rng.uniform(0, 5000, n)
    year = 1900 + x / 50 + rng.normal(0, 8, n)
    truth = (rng.random(n) < 1 / (1 + np.exp((year - 1940) / 8))).astype(float)
    chance = {
        "random": np.ones(n),
        "main_work": np.where(x < 2500, 4.0, 1.0),
        "unknown": np.where(truth == 1, 12.0, 1.0),
    }[reason]
    checked = np.zeros(n, dtype=bool)
    checked[rng.choice(n, 400, replace=False, p=chance / chance.sum())] = True
    return pd.DataFrame(
        {
            "x": x,
            "y": y,
            "year_built": year,
            "land_use": "single",
            "area_id": "one",
            "median_income": np.nan,
            "checked": checked,
            "label": np.where(checked, truth, np.nan),
            "why": np.where(checked, reason, "unknown"),
            "checked_on": pd.NaT,
            "record_lead": np.nan,
            "truth": truth,
        },
        index=[f"P{i}" for i in range(n)],
    )


def _estimates(city: pd.DataFrame, seed: int) -> pd.DataFrame:
    data = prepare(city.drop(columns="truth"), "checks")
    data["block"] = (data["x"] // 500 * 10 + data["y"] // 500).astype(int)
    rng = np.random.default_rng(seed)
    overlap = compare_checked(data, feature_matrix(data), range_m=500, rng=rng)

    def total(homes: np.ndarray) -> tuple[float, float, float]:
        return city["truth"].mean() * homes.sum(), 0.0, float(homes.sum())

    table = prevalence_table(data, overlap.weights, total, bootstrap=200, rng=rng)
    return table[table["homes"] == "all"].set_index("way")


def test_random_checks_cover_the_lead_left():
    inside, errors = 0, []
    for seed in range(60):
        city = _city(np.random.default_rng(seed), "random", n=1500)
        drawn = city["why"] == "random"
        left = city.loc[~drawn, "truth"].sum()
        state = remaining_lead(int(city.loc[drawn, "label"].sum()), int(drawn.sum()), len(city))
        inside += state["left_low"] <= left <= state["left_high"]
        errors.append(state["lead_lines_left"] - left)
    assert inside >= 54
    assert abs(np.mean(errors)) < 3 * np.std(errors) / np.sqrt(60)


def test_homes_where_crews_stopped_at_lead_stay_among_the_random_checks():
    """Known truth drawn here: lead at 30% of the homes; 3 of 5 with lead are seen on one side."""
    inside, shares = 0, []
    for seed in range(40):
        rng = np.random.default_rng(seed)
        n = 2000
        truth = (rng.random(n) < 0.3).astype(float)
        checked = np.zeros(n, dtype=bool)
        checked[rng.choice(n, 300, replace=False)] = True
        stopped = checked & (truth == 1) & (rng.random(n) < 0.6)
        city = pd.DataFrame(
            {
                "x": rng.uniform(0, 5000, n),
                "y": rng.uniform(0, 5000, n),
                "year_built": 1950.0,
                "land_use": "single",
                "area_id": "one",
                "median_income": 1.0,
                "checked": checked,
                "label": np.where(checked, truth, np.nan),
                "why": np.where(checked, "random", "unknown"),
                "checked_on": pd.NaT,
                "record_lead": np.nan,
                "sides_seen": np.select([stopped, checked], [1, 2], 0),
            },
            index=[f"P{i}" for i in range(n)],
        )
        data = prepare(city, "checks").assign(block=0)
        assert not data.loc[stopped, "judged"].any()
        table = prevalence_table(
            data, pd.Series(1.0, data.index), lambda homes: (0, 0, 0), bootstrap=2, rng=rng
        )
        row = table.iloc[0]
        assert (row["checked"], row["population"]) == (300, n)
        inside += row["left_low"] <= truth[~checked].sum() <= row["left_high"]
        shares.append(row["share"])
    assert inside >= 36
    assert np.mean(shares) == pytest.approx(0.3, abs=0.015)


def test_weighting_repairs_checks_along_main_work():
    gaps = {"checks as they are": [], "checks reweighted": []}
    for seed in range(4):
        city = _city(np.random.default_rng(100 + seed), "main_work")
        table = _estimates(city, seed)
        for way, values in gaps.items():
            values.append(table.loc[way, "share"] - city["truth"].mean())
    assert np.mean(gaps["checks as they are"]) > 0.08
    assert abs(np.mean(gaps["checks reweighted"])) < 0.5 * np.mean(gaps["checks as they are"])


def test_weighting_does_not_repair_checks_made_on_knowledge_of_the_line():
    city = _city(np.random.default_rng(7), "unknown")
    table = _estimates(city, 7)
    assert table.loc["checks reweighted", "share"] - city["truth"].mean() > 0.15


def test_no_random_check_no_estimate():
    table = _estimates(_city(np.random.default_rng(7), "main_work"), 7)
    row = table.loc["random checks"]
    assert row["checked"] == 0
    assert np.isnan(row["share"])
    assert (row["low"], row["high"]) == (0, 1)


def test_remaining_lead_by_hand():
    # 10 of 100 in a pool of 100: all seen, none left to find
    state = remaining_lead(10, 100, 100)
    assert state["share"] == pytest.approx(0.1)
    assert (state["lead_lines_left"], state["left_low"], state["left_high"]) == (0, 0, 0)
    assert remaining_lead(10, 50, 100)["lead_lines_left"] == pytest.approx(10)


def test_overlap_tells_alike_from_unlike():
    def measure(reason: str):
        data = prepare(_city(np.random.default_rng(3), reason).drop(columns="truth"), "checks")
        data["block"] = block_numbers(data["x"].to_numpy(), data["y"].to_numpy(), 1000.0, (0, 0))
        return compare_checked(
            data, feature_matrix(data), range_m=500, rng=np.random.default_rng(1)
        )

    alike, unlike = measure("random"), measure("main_work")
    assert alike.auc_building == pytest.approx(0.5, abs=0.06)
    assert alike.auc_place == pytest.approx(0.5, abs=0.06)
    assert unlike.auc_place > 0.58
    assert alike.building_low < 0.5 < alike.building_high
    assert alike.outside_building < 0.05
    assert alike.weights.mean() == pytest.approx(1)


def test_homes_of_a_kind_never_checked_are_outside_support():
    city = _city(np.random.default_rng(3), "random")
    new = city["year_built"] > 1960
    city.loc[new, ["checked", "label"]] = [False, np.nan]
    data = prepare(city.drop(columns="truth"), "checks").assign(block=0)
    overlap = compare_checked(data, feature_matrix(data), range_m=500, rng=np.random.default_rng(1))
    open_homes = ~city["checked"]
    assert overlap.outside_building == pytest.approx(
        (new & open_homes).sum() / open_homes.sum(), abs=0.1
    )


def test_homes_of_the_random_arm_of_a_list_do_not_count_as_a_plain_random_sample():
    """Likelier homes are drawn into it more often; taken as a plain sample they would overstate."""
    city = _city(np.random.default_rng(4), "random")
    drawn = np.flatnonzero((city["truth"] == 1) & ~city["checked"])[:300]
    more = city.copy()
    more.loc[city.index[drawn], ["checked", "label", "why"]] = [True, 1.0, "audit_arm"]
    before, after = (_estimates(table, 4).loc["random checks"] for table in (city, more))
    assert after["checked"] == before["checked"] == 400
    assert after["share"] == before["share"]


def test_checks_that_follow_kits_are_not_unlike_by_building(frame):
    rng = np.random.default_rng(4)
    data = prepare(frame, "checks")
    luck = rng.random(len(data)) < 0.2
    data["checked"] = data["judged"] = luck
    data["block"] = 0
    data["kit_first_high"] = np.where(luck, 1.0, np.nan)
    data["answer_entry_pipe"] = np.where(luck, "copper", None)
    overlap = compare_checked(data, feature_matrix(data), range_m=500, rng=rng)
    assert overlap.auc_building < 0.6
    assert np.isnan(overlap.building_low), "one block has no spread"
    assert overlap.auc_place > 0.9
