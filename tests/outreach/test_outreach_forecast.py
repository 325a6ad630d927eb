"""The forecast of a round: its mean in closed form, its interval against rounds played out."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy.special import expit, logit
from scipy.stats import binom

from linemap.errors import ArgumentError
from linemap.outreach import forecast_round


def _kits(count: int, seed: int, *, sd: float = 0.0) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    p = rng.beta(3, 3, count).clip(0.02, 0.98)
    return pd.DataFrame(
        {
            "parcel_id": [f"P{i}" for i in range(count)],
            "arm": np.where(np.arange(count) % 10 == 0, "audit", "ranked"),
            "area_id": [f"A{i % 8}" for i in range(count)],
            "p_lead": p,
            "p_low": expit(logit(p) - 1.645 * sd),
            "p_high": expit(logit(p) + 1.645 * sd),
            "p_return": rng.beta(4, 8, count),
        }
    )


def test_parts_and_means_are_sums_of_chances() -> None:
    kits = _kits(120, 1)
    table = forecast_round(kits, seed=1).set_index(["part", "name"])
    assert table.loc[("all", "all"), "kits"] == 120
    assert table.loc[("all", "all"), "returned"] == pytest.approx(kits["p_return"].sum())
    assert table.loc[("all", "all"), "found"] == pytest.approx(
        (kits["p_return"] * kits["p_lead"]).sum()
    )
    for part in ("arm", "area"):
        assert table.loc[part, "kits"].sum() == 120
        assert table.loc[part, "found"].sum() == pytest.approx(table.loc[("all", "all"), "found"])
    assert (table["returned_low"] <= table["returned"]).all()
    assert (table["found_high"] >= table["found"]).all()


def test_without_doubt_in_the_chances_the_interval_is_at_least_the_binomial_one() -> None:
    """Lower limit of width: scipy's binomial quantiles for homes that are all alike."""
    kits = _kits(200, 1).assign(p_return=0.4, p_lead=0.5, p_low=0.5, p_high=0.5)
    whole = forecast_round(kits, seed=1, draws=3000).iloc[0]
    low, high = binom(200, 0.2).ppf([0.025, 0.975])
    assert whole["found_low"] <= low
    assert whole["found_high"] >= high
    assert whole["found_high"] - whole["found_low"] < 2 * (high - low)


def test_doubt_about_lead_widens_the_interval_of_finds_only() -> None:
    sure, unsure = (forecast_round(_kits(300, 1, sd=sd), seed=1).iloc[0] for sd in (0.0, 1.0))
    assert unsure["found_high"] - unsure["found_low"] > sure["found_high"] - sure["found_low"]
    assert unsure["returned_high"] == sure["returned_high"]


def test_interval_covers_rounds_with_shared_errors() -> None:
    """Rounds are played with errors of the assumed kind; 95 % nominal, 90 to 98 % asked for."""
    inside = []
    for seed in range(120):
        rng = np.random.default_rng(seed)
        kits = _kits(150, seed, sd=0.6)
        whole = forecast_round(kits, seed=seed, draws=300).iloc[0]
        area = kits["area_id"].str[1:].astype(int).to_numpy()
        error = 0.6 * (
            0.5 * rng.normal()
            + 0.5 * rng.normal(size=8)[area]
            + np.sqrt(0.5) * rng.normal(size=150)
        )
        center = logit(kits["p_lead"]) * np.sqrt(1 + np.pi * 0.36 / 8)
        lead = rng.random(150) < expit(center + error)
        back = rng.random(150) < expit(logit(kits["p_return"]) + 0.1 * rng.normal())
        found, returned = (lead & back).sum(), back.sum()
        inside.append(
            (
                whole["found_low"] <= found <= whole["found_high"],
                whole["returned_low"] <= returned <= whole["returned_high"],
            )
        )
    coverage = np.mean(inside, axis=0)
    assert (coverage >= 0.90).all()
    assert (coverage <= 0.99).all()


def test_same_seed_same_forecast_and_nonsense_is_refused() -> None:
    kits = _kits(50, 2)
    pd.testing.assert_frame_equal(forecast_round(kits, seed=3), forecast_round(kits, seed=3))
    with pytest.raises(ArgumentError):
        forecast_round(kits.iloc[:0], seed=1)
    with pytest.raises(ArgumentError):
        forecast_round(kits, seed=1, draws=10)
    with pytest.raises(ArgumentError, match="shift"):
        forecast_round(kits, seed=1, shift=-0.1)
    with pytest.raises(ArgumentError, match="level"):
        forecast_round(kits, seed=1, level=np.nan)


def test_a_list_in_one_area_is_promised_as_widely_as_that_area_is_unsure() -> None:
    """To the closed form: binomial variance and the doubt beyond the level, which areas share."""
    kits = _kits(400, 1).assign(p_return=0.5, p_return_low=expit(-0.8), p_return_high=expit(0.8))
    one, many = (
        forecast_round(kits.assign(area_id=areas), seed=1, draws=4000, shift=0.0).iloc[0]
        for areas in ("A", [f"A{i}" for i in range(400)])
    )
    doubt, plain = 0.8 / 1.6449, 400 / 4
    here = kits.assign(area_id="A")
    level = forecast_round(here, seed=1, draws=4000, shift=0.0, level=doubt).iloc[0]
    for whole, variance in (
        (many, plain),
        (one, plain + (plain * doubt) ** 2),
        (level, plain + (plain * doubt) ** 2),
    ):
        width = 2 * 1.96 * np.sqrt(variance)
        assert whole["returned_high"] - whole["returned_low"] == pytest.approx(width, rel=0.1)


def test_a_larger_shift_widens_what_comes_back() -> None:
    kits = _kits(300, 1)
    width = [
        float(whole["returned_high"] - whole["returned_low"])
        for whole in (forecast_round(kits, seed=1, shift=s).iloc[0] for s in (0.0, 0.1, 0.4))
    ]
    assert width[0] < width[1] < width[2]
    assert width[2] > 2 * width[0]
