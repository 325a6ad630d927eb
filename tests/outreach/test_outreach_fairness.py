"""Fairness: shares, ratios and intervals group by group."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import date

import numpy as np
import pandas as pd
import pytest

from linemap.errors import ArgumentError
from linemap.outreach import KitPlan, choose_kits, fairness, income_third
from linemap.settings import OutreachSettings

Homes = Callable[..., pd.DataFrame]


def _plan(homes: pd.DataFrame, **settings: object) -> KitPlan:
    given = {"kits": 200, **settings}
    return choose_kits(homes, OutreachSettings(**given), seed=1, today=date(2026, 5, 1))


def test_shares_add_up_and_ratios_follow(make_homes: Homes) -> None:
    homes = make_homes()
    plan = _plan(homes)
    table = fairness(homes, plan)
    for _, part in table.groupby("group_by"):
        assert part["share_of_kits"].sum() == pytest.approx(1)
        assert part["share_of_lead"].sum() == pytest.approx(1)
        assert part["kits"].sum() == len(plan.kits)
        assert part["homes"].sum() == len(homes)
    np.testing.assert_allclose(
        table["kits_to_lead"], table["share_of_kits"] / table["share_of_lead"]
    )
    for name in ("kits_to_lead", "testing_ratio", "risk_ratio"):
        assert (table[f"{name}_low"] < table[name]).all()
        assert (table[f"{name}_high"] > table[name]).all()


def test_floors_for_the_lowest_third_show(make_homes: Homes) -> None:
    homes = make_homes()
    poor = income_third(homes) == "lowest"
    homes.loc[poor, "p_return"] *= 0.5
    rows = []
    for share, times in ((0.0, 0.0), (0.0, 0.9), (0.5, 0.9)):
        plan = _plan(
            homes,
            floor_low_income=share,
            low_income_kits_to_lead=times,
            renter_kits_to_lead=0.0,
        )
        table = fairness(homes, plan, "income_third").set_index("group")
        rows.append(table.loc["lowest", "kits_to_lead"])
    assert rows[0] < 0.6
    assert 0.85 < rows[1] < 1.1  # the random arm comes on top of the floor
    assert rows[2] > 1.2


def test_renters_keep_half_of_pace_with_their_share_of_lead_by_default(make_homes: Homes) -> None:
    homes = make_homes()
    rents = homes["owner_occupied"] == "no"
    homes.loc[rents, "p_return"] *= 0.3
    rows = []
    for settings in ({"renter_kits_to_lead": 0.0}, {}, {"renter_kits_to_lead": 0.9}):
        plan = _plan(homes, **settings)
        table = fairness(homes, plan, "owner_occupied").set_index("group")
        rows.append((table.loc["no", "kits_to_lead"], plan))
    assert rows[0][0] < 0.3
    assert 0.45 < rows[1][0] < 0.75
    assert 0.85 < rows[2][0] < 1.1
    prices = [plan.prices.set_index("limit")["price"] for _, plan in rows]
    assert "floor_renters" not in prices[0]
    assert 0 < prices[1]["floor_renters"] < prices[2]["floor_renters"]


def test_any_column_can_be_a_group_and_missing_is_its_own(make_homes: Homes) -> None:
    homes = make_homes()
    homes["tongue"] = np.where(np.arange(len(homes)) % 3 == 0, "b", None)
    table = fairness(homes, _plan(homes), "tongue")
    assert table["group"].tolist() == ["b", "unknown"]
    with pytest.raises(ArgumentError, match="tongu"):
        fairness(homes, _plan(homes), "tongu")


def test_interval_of_the_share_covers_even_treatment(make_homes: Homes) -> None:
    """Kits drawn at random are even by design: the 95 % interval must cover 1 nearly always."""
    homes = make_homes(3000)
    plan = _plan(homes)
    unknown = homes[homes["inventory_class"] == "lead status unknown"]
    covered = []
    for seed in range(100):
        drawn = unknown.sample(len(plan.kits), random_state=seed, weights="p_lead")
        random_kits = plan.kits.assign(parcel_id=drawn.index)
        table = fairness(homes, replace(plan, kits=random_kits), "owner_occupied")
        covered += ((table["kits_to_lead_low"] <= 1) & (table["kits_to_lead_high"] >= 1)).tolist()
    assert np.mean(covered) > 0.93


def test_a_group_never_tested_shows_as_such(make_homes: Homes) -> None:
    homes = make_homes()
    renters = homes["owner_occupied"] == "no"
    homes["owner_occupied"] = np.where(renters, "no", "yes")
    homes.loc[renters, "tested"] = False
    table = fairness(homes, _plan(homes), "owner_occupied").set_index("group")
    none, only = table.loc["no"], table.loc["yes"]
    assert none["testing_ratio"] == none["testing_ratio_low"] == 0
    assert 0 < none["testing_ratio_high"] < 0.5
    assert only["testing_ratio"] == only["testing_ratio_high"] == np.inf
    assert only["testing_ratio_low"] == pytest.approx(1 / none["testing_ratio_high"])
    n, m, c = renters.sum() + 1, (~renters).sum() + 1, homes["tested"].sum() + 0.5
    spread = np.sqrt(1 / 0.5 - 1 / n + 1 / c - 1 / m)
    by_hand = 0.5 / n / (c / m) * np.exp(1.959964 * spread)
    assert none["testing_ratio_high"] == pytest.approx(by_hand)
    homes["owner_occupied"] = "yes"
    assert fairness(homes, _plan(homes), "owner_occupied")["testing_ratio"].isna().all()


def test_a_group_without_a_kit_has_limits_by_the_rule_of_three(make_homes: Homes) -> None:
    homes = make_homes()
    plan = _plan(homes)
    bare = plan.kits[homes.loc[plan.kits["parcel_id"], "owner_occupied"].to_numpy() != "no"]
    table = fairness(homes, replace(plan, kits=bare), "owner_occupied").set_index("group")
    none = table.loc["no"]
    assert none["kits_to_lead"] == none["kits_to_lead_low"] == 0
    assert none["kits_to_lead_high"] == pytest.approx(3 / len(bare) / none["share_of_lead"])
