"""A small invented table of homes for the outreach tests."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd
import pytest


def _make_homes(count: int = 2000, seed: int = 0, areas: int = 20) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    area = rng.integers(0, areas, count)
    p_lead = rng.beta(1, 4, count)
    quiet = rng.random(count) < 0.1
    return pd.DataFrame(
        {
            "area_id": [f"A{a:02d}" for a in area],
            "name": [f"Area {a:02d}" for a in area],
            "street_segment": [f"S{s}" for s in rng.integers(0, max(count // 13, 1), count)],
            "p_lead": p_lead,
            "p_low": 0.5 * p_lead,
            "p_high": 0.5 + 0.5 * p_lead,
            "p_return": rng.beta(4, 8, count),
            "inventory_class": rng.choice(
                ["lead status unknown", "lead", "non-lead"], count, p=[0.8, 0.1, 0.1]
            ),
            "owner_occupied": rng.choice(["yes", "no", "unknown"], count, p=[0.5, 0.4, 0.1]),
            "land_use": rng.choice(["single family", "vacant land"], count, p=[0.95, 0.05]),
            "dwelling_units": 1.0,
            "median_income": 30_000.0 + 2_000.0 * area,
            "children_under_6": 40.0 + area,
            "need": 1.0 - area / areas,
            "x": 500.0 * (area % 5) + rng.uniform(0, 100, count),
            "y": 500.0 * (area // 5) + rng.uniform(0, 100, count),
            "last_kit_on": pd.to_datetime(np.where(quiet, "2026-03-01", None)),
            "kits_before": quiet.astype(float),
            "tested": quiet & (rng.random(count) < 0.4),
            "opted_out": rng.random(count) < 0.01,
            "site_kind": pd.Series(np.where(rng.random(count) < 0.004, "school", "")).replace(
                "", None
            ),
            "learn": rng.uniform(0, 0.05, count),
        }
    ).set_axis(pd.Index([f"P{i:06d}" for i in range(count)], name="parcel_id"))


@pytest.fixture
def make_homes() -> Callable[..., pd.DataFrame]:
    return _make_homes
