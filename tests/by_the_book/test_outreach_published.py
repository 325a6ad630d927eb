"""Published examples and reference libraries against the outreach stage's computations."""

from __future__ import annotations

from datetime import date

import numpy as np
import pandas as pd
import pytest
from scipy.stats import false_discovery_control
from statsmodels.stats.proportion import proportion_confint

from linemap.outreach import choose_kits, estimate_from_log, fairness
from linemap.outreach.choice import linear_bound, solve, solve_exactly
from linemap.outreach.problem import Problem
from linemap.settings import OutreachSettings


def test_knapsack_of_ten_items() -> None:
    """Test problem P01 of the knapsack data sets of Florida State University (from memory):
    capacity 165, best profit 309 with items 1, 2, 3, 4 and 6.
    """
    weight = np.array([23, 31, 29, 44, 53, 38, 63, 85, 89, 82], dtype=float)
    profit = np.array([92, 57, 49, 68, 60, 43, 67, 84, 87, 72], dtype=float)
    problem = Problem(profit, 165, cost=weight)
    exact = solve_exactly(problem)
    assert exact.value == 309
    assert np.flatnonzero(exact.taken).tolist() == [0, 1, 2, 3, 5]
    quick = solve(problem)
    assert quick.value <= 309 <= quick.bound


def test_linear_bound_is_dantzigs() -> None:
    """Dantzig 1957 (from memory): sort by value per cost, the last item is taken in part."""
    weight = np.array([23, 31, 29, 44, 53, 38, 63, 85, 89, 82], dtype=float)
    profit = np.array([92, 57, 49, 68, 60, 43, 67, 84, 87, 72], dtype=float)
    order = np.argsort(-profit / weight)
    room, bound = 165.0, 0.0
    for item in order:
        part = min(1.0, room / weight[item])
        bound += part * profit[item]
        room -= part * weight[item]
    assert linear_bound(Problem(profit, 165, cost=weight))[0] == pytest.approx(bound)


@pytest.mark.parametrize(("hits", "homes"), [(3, 371), (19, 384), (0, 384)])
def test_hit_rate_interval_is_wilsons(hits: int, homes: int) -> None:
    """Wilson's interval as in statsmodels; 3/371 is 0.00275 to 0.02350, 19/384 is 0.03190 to
    0.07598 (computed).
    """
    log = pd.DataFrame(
        {
            "round_id": "round 1",
            "arm": "audit",
            "inclusion_probability": 0.05,
            "p_return_at_send": 0.5,
            "outcome": "usable",
            "lead_found": ["yes"] * hits + ["no"] * (homes - hits),
        }
    )
    row = estimate_from_log(log).set_index("quantity").loc["hit rate, audit"]
    printed = {3: (0.00275, 0.02350), 19: (0.03190, 0.07598)}
    low, high = printed.get(hits, proportion_confint(hits, homes, 0.05, method="wilson"))
    assert row["low"] == pytest.approx(low, abs=5e-6)
    assert row["high"] == pytest.approx(high, abs=5e-6)


def test_simple_random_sampling_gives_the_textbook_variance() -> None:
    """Cochran, Sampling Techniques, chapter 3 (from memory): for a simple random sample of n of
    N the variance of a share is (1 - n/N) p (1 - p) / n, to the factor n / (n - 1). Wilson's
    interval at that variance is what must come out.
    """
    size, n, hits = 2000, 200, 50
    log = pd.DataFrame(
        {
            "round_id": "round 1",
            "arm": "audit",
            "inclusion_probability": n / size,
            "p_return_at_send": 1.0,
            "outcome": "usable",
            "lead_found": ["yes"] * hits + ["no"] * (n - hits),
        }
    )
    row = estimate_from_log(log, follow_up="all").set_index("quantity").loc["share with lead"]
    effective = n / (1 - n / size)
    low, high = proportion_confint(0.25 * effective, effective, 0.05, method="wilson")
    assert row["estimate"] == pytest.approx(0.25)
    assert (row["low"], row["high"]) == pytest.approx((low, high))


def test_false_discovery_control_on_the_papers_own_example() -> None:
    """Benjamini and Hochberg 1995, section 3.2 (p-values from memory): of 15 hypotheses the
    procedure rejects the first four at 5 %.
    """
    p = [0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344]
    p += [0.0459, 0.3240, 0.4262, 0.5719, 0.6528, 0.7590, 1.0]
    assert (false_discovery_control(p, method="bh") < 0.05).sum() == 4


def test_ratio_of_testing_rates_is_katzs() -> None:
    """Formula of Katz et al. 1978 (from memory), worked out by hand: 30 of 100 against 60 of
    300 is a ratio of 1.5, log spread sqrt(1/30 - 1/100 + 1/60 - 1/300).
    """
    homes = pd.DataFrame(
        {
            "inventory_class": "lead status unknown",
            "p_lead": 0.2,
            "p_return": 0.4,
            "owner_occupied": ["no"] * 100 + ["yes"] * 300,
            "tested": [True] * 30 + [False] * 70 + [True] * 60 + [False] * 240,
        },
        index=pd.Index([f"P{i:03d}" for i in range(400)], name="parcel_id"),
    )
    settings = OutreachSettings(kits=40, floor_low_income=0.0)
    plan = choose_kits(homes, settings, seed=1, today=date(2026, 5, 1))
    row = fairness(homes, plan, "owner_occupied").set_index("group").loc["no"]
    spread = np.sqrt(1 / 30 - 1 / 100 + 1 / 60 - 1 / 300)
    assert row["testing_ratio"] == pytest.approx(1.5)
    assert row["testing_ratio_low"] == pytest.approx(1.5 * np.exp(-1.959964 * spread))
    assert row["testing_ratio_high"] == pytest.approx(1.5 * np.exp(1.959964 * spread))
