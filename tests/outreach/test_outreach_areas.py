"""Areas: order under each aim, how firm it is, hot spots against the published formula."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date

import numpy as np
import pandas as pd
import pytest
from scipy.spatial import cKDTree
from scipy.stats import binomtest

from linemap.errors import ArgumentError
from linemap.intake import check_table
from linemap.outreach import KitPlan, choose_kits, rank_areas
from linemap.settings import OutreachSettings

Homes = Callable[..., pd.DataFrame]


def _expected(homes: pd.DataFrame, width: float = 10.0) -> pd.DataFrame:
    lead = homes.groupby("area_id")["p_lead"].sum()
    return pd.DataFrame({"expected": lead, "low": lead - width, "high": lead + width})


def _plan(homes: pd.DataFrame) -> KitPlan:
    settings = OutreachSettings(kits=100, floor_per_area=0)
    return choose_kits(homes, settings, seed=1, today=date(2026, 5, 1))


def test_contract_counts_and_order(make_homes: Homes) -> None:
    homes = make_homes()
    plan, expected = _plan(homes), _expected(homes)
    areas = rank_areas(homes, expected, plan)
    assert check_table(areas, "area_list")[1] == []
    assert areas["rank"].tolist() == list(range(1, 21))
    assert areas["expected_lead_lines"].is_monotonic_decreasing
    assert areas["homes"].sum() == len(homes)
    assert areas["kits_suggested"].sum() == len(plan.kits)
    unknown = (homes["inventory_class"] == "lead status unknown").sum()
    assert areas["unknown_lines"].sum() == unknown
    row = areas.iloc[0]
    inside = homes[homes["area_id"] == row["area_id"]]
    assert row["tested_share"] == pytest.approx(inside["tested"].mean())
    sent = inside["kits_before"] > 0
    assert row["return_rate"] == pytest.approx(inside.loc[sent, "tested"].mean())
    wilson = binomtest(int(inside.loc[sent, "tested"].sum()), int(sent.sum())).proportion_ci(
        0.95, method="wilson"
    )
    ends = row[["return_rate_low", "return_rate_high"]].tolist()
    assert ends == pytest.approx([wilson.low, wilson.high])


def test_each_aim_ranks_by_its_own_figure(make_homes: Homes) -> None:
    homes = make_homes()
    plan, expected = _plan(homes), _expected(homes)
    need = rank_areas(homes, expected, plan, "most_need")
    assert (need["expected_lead_lines"] * need["need"]).is_monotonic_decreasing
    tested = rank_areas(homes, expected, plan, "least_tested")
    assert tested["tested_share"].is_monotonic_increasing
    with pytest.raises(ArgumentError, match="most_lead, most_need, least_tested"):
        rank_areas(homes, expected, plan, "best")  # type: ignore[arg-type]
    with pytest.raises(ArgumentError, match="need"):
        rank_areas(homes.drop(columns="need"), expected, plan, "most_need")


def test_rank_is_firm_when_intervals_do_not_touch_and_loose_when_they_do(
    make_homes: Homes,
) -> None:
    homes = make_homes()
    plan = _plan(homes)
    apart = pd.DataFrame({"expected": 100.0 * np.arange(20)}, index=_expected(homes).index)
    firm = rank_areas(homes, apart.assign(low=apart - 1, high=apart + 1), plan)
    assert (firm["rank_low"] == firm["rank"]).all()
    assert (firm["rank_high"] == firm["rank"]).all()
    same = pd.DataFrame({"expected": 50.0, "low": 40.0, "high": 60.0}, index=apart.index)
    loose = rank_areas(homes, same, plan)
    assert loose["rank_low"].max() <= 3
    assert loose["rank_high"].min() >= 18


def test_rank_interval_holds_the_true_rank_about_nine_times_in_ten(make_homes: Homes) -> None:
    """Truth drawn here: area totals with known error; 90 % intervals, so 0.8 to 1."""
    homes = make_homes()
    plan = _plan(homes)
    index = _expected(homes).index
    rng = np.random.default_rng(4)
    hits = []
    for seed in range(10):
        truth = rng.normal(100, 20, 20)
        seen = truth + rng.normal(0, 10, 20)
        around = pd.DataFrame(
            {"expected": seen, "low": seen - 16.449, "high": seen + 16.449}, index=index
        )
        areas = rank_areas(homes, around, plan, seed=seed).set_index("area_id").loc[index]
        rank = (-truth).argsort().argsort() + 1
        hits.append(((areas["rank_low"] <= rank) & (rank <= areas["rank_high"])).mean())
    assert 0.8 < np.mean(hits) <= 1


def test_hot_spot_statistic_is_the_published_formula(make_homes: Homes) -> None:
    """Gi* of Ord and Getis (1995), worked out here with binary weights that include the area."""
    homes = make_homes()
    expected = _expected(homes)
    areas = rank_areas(homes, expected, _plan(homes)).set_index("area_id").sort_index()
    place = homes.groupby("area_id")[["x", "y"]].mean().to_numpy()
    share = (expected["expected"] / homes.groupby("area_id").size()).to_numpy()
    _, near = cKDTree(place).query(place, k=7)
    weights = np.zeros((20, 20))
    weights[np.repeat(np.arange(20), 7), near.ravel()] = 1.0
    total, squares, n = weights.sum(axis=1), (weights**2).sum(axis=1), 20
    spread = share.std() * np.sqrt((n * squares - total**2) / (n - 1))
    by_hand = (weights @ share - share.mean() * total) / spread
    np.testing.assert_allclose(areas["hot_spot_z"], by_hand, rtol=1e-6)


def test_a_planted_cluster_is_hot_and_noise_is_not(make_homes: Homes) -> None:
    homes = make_homes(6000, areas=100)
    area = homes["area_id"].str[1:].astype(int)
    homes["x"], homes["y"] = 500.0 * (area % 10), 500.0 * (area // 10)
    quiet = _expected(homes.assign(p_lead=np.random.default_rng(1).uniform(0.1, 0.3, 6000)))
    plan = _plan(homes)
    assert rank_areas(homes, quiet, plan)["hot_spot"].notna().mean() <= 0.05
    corner = (area % 10 < 3) & (area // 10 < 3)
    planted = _expected(homes.assign(p_lead=np.where(corner, 0.7, homes["p_lead"])))
    areas = rank_areas(homes, planted, plan).set_index("area_id")
    middle = ["A00", "A01", "A10", "A11"]
    assert areas.loc[middle, "hot_spot"].tolist() == ["hot"] * 4
    assert (areas["hot_spot_p"].dropna() <= 1).all()


def test_few_areas_get_no_hot_spot_figure(make_homes: Homes) -> None:
    homes = make_homes(300, areas=5)
    assert rank_areas(homes, _expected(homes), _plan(homes))["hot_spot_z"].isna().all()


def test_homes_within_reach_of_the_list_are_counted_by_area(make_homes: Homes) -> None:
    """Obvious answer: with no floor, no audit and no cap the list is just these homes."""
    homes = make_homes()
    limits = OutreachSettings(
        kits=30, floor_per_area=0, site_share=0.0, audit_share=0.0, floor_low_income=0.0,
        low_income_kits_to_lead=0.0, floor_renters=0.0, renter_kits_to_lead=0.0,
    )  # fmt: skip
    plan = choose_kits(homes, limits, seed=1, today=date(2026, 5, 1))
    expected = homes.groupby("area_id")["p_lead"].sum().to_frame("expected")
    expected = expected.assign(low=0.8 * expected["expected"], high=1.2 * expected["expected"])
    areas = rank_areas(homes, expected, plan)
    assert areas["in_reach"].tolist() == areas["kits_suggested"].tolist()
    assert areas["may_be_sent"].sum() == plan.design.eligible
    assert (areas["in_reach"] <= areas["may_be_sent"]).all()


def test_the_reason_says_how_many_homes_are_in_reach(make_homes: Homes) -> None:
    homes = make_homes()
    homes.loc[homes["area_id"] == "A03", "p_lead"] *= 0.01
    limits = OutreachSettings(kits=100, floor_per_area=1, audit_share=0.0, site_share=0.0)
    plan = choose_kits(homes, limits, seed=1, today=date(2026, 5, 1))
    areas = rank_areas(homes, _expected(homes), plan).set_index("area_id")
    end = "worth a kit at least as much as the last home chosen for worth"
    assert areas.loc["A03", "kits_suggested"] == 1
    assert areas.loc["A03", "why"].endswith(f"; 0 homes here are {end}")
    assert areas["why"].str.endswith(end).all()
    none = rank_areas(homes.drop(columns="p_return"), _expected(homes), plan)
    assert not none["why"].str.contains("chosen for worth").any()
