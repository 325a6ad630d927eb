"""Chance of return: the prior without history, recovery of known chances, what it ignores."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date

import numpy as np
import pandas as pd
import pytest
from scipy.special import expit

from linemap.errors import ArgumentError
from linemap.outreach import expected_return
from linemap.published import fact
from linemap.tables import complete_table, empty_table

Homes = Callable[..., pd.DataFrame]


def _history(
    homes: pd.DataFrame, truth: pd.Series, count: int, seed: int, *, asked_gain: float = 0.8
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Draw kits that come back with known chances; residents who asked return more of them."""
    rng = np.random.default_rng(seed)
    ids = rng.choice(homes.index, count)
    mailed = pd.Timestamp("2024-06-01") + pd.to_timedelta(rng.integers(0, 730, count), unit="D")
    asked = rng.random(count) < 0.5
    logit = np.log(truth / (1 - truth)).loc[ids].to_numpy() + asked_gain * asked
    back = rng.random(count) < expit(logit)
    kits = pd.DataFrame(
        {
            "kit_id": [f"K{i}" for i in range(count)],
            "parcel_id": ids,
            "requested_on": pd.Series(mailed - pd.Timedelta(days=4)).where(asked),
            "mailed_on": mailed,
            "received_on": pd.Series(mailed + pd.Timedelta(days=30)).where(back),
        }
    )
    pairs = kits.loc[back, ["kit_id", "parcel_id"]].assign(verdict="usable")
    return complete_table(kits, "kits"), complete_table(pairs.reset_index(drop=True), "pairs")


def _truth(homes: pd.DataFrame, seed: int) -> pd.Series:
    rng = np.random.default_rng(1000 + seed)
    areas = sorted(homes["area_id"].unique())
    effect = homes["area_id"].map(dict(zip(areas, rng.normal(0, 0.6, len(areas)), strict=True)))
    return pd.Series(expit(-1.0 - 0.6 * homes["owner_occupied"].eq("no") + effect))


def test_without_history_every_home_has_the_stated_prior(make_homes: Homes) -> None:
    homes = make_homes(50)
    answer = expected_return(homes, empty_table("kits"), empty_table("pairs"), seed=1)
    prior = fact("outreach.return_prior").value
    assert answer.p_return.tolist() == pytest.approx([prior] * 50)
    assert answer.thin
    assert f"{prior:.0%}" in answer.basis
    assert fact("outreach.return_low").value < prior < fact("outreach.return_high").value


def test_published_return_rates_follow_from_their_counts() -> None:
    """147 of about 800 (Jakositz et al. 2020) and 174 of 269 (Flint, March 2016)."""
    assert fact("outreach.return_low").value == pytest.approx(147 / 800, abs=5e-4)
    assert fact("outreach.return_high").value == pytest.approx(174 / 269, abs=5e-4)


def test_known_chances_are_recovered(make_homes: Homes) -> None:
    """Truth from our own draws: unbiased over 6 cities, right order, intervals near 90 %."""
    bias, covered, order, straight = [], [], [], []
    for seed in range(6):
        homes = make_homes(3000, seed)
        truth = _truth(homes, seed)
        answer = expected_return(homes, *_history(homes, truth, 2500, seed), seed=1)
        table = answer.table
        bias.append((table["p_return"] - truth).mean())
        covered.append(
            ((table["p_return_low"] <= truth) & (truth <= table["p_return_high"])).mean()
        )
        order.append(np.corrcoef(table["p_return"], truth)[0, 1])
        assert not answer.thin
        assert answer.measures["log_loss"] < answer.measures["log_loss_constant"]
        assert answer.measures["gain_low"] > 0
        assert 0.7 < answer.measures["calibration_slope"] < 1.3
        ends = answer.measures["calibration_slope_low"], answer.measures["calibration_slope_high"]
        straight.append(ends[0] < 1 < ends[1])
    assert abs(np.mean(bias)) < 0.015
    assert 0.8 < np.mean(covered) < 0.98
    assert np.mean(order) > 0.85
    assert sum(straight) >= 5


def test_a_thin_history_stays_near_the_prior_and_says_so(make_homes: Homes) -> None:
    homes = make_homes(500)
    kits, pairs = _history(homes, pd.Series(0.9, index=homes.index), 12, 1)
    answer = expected_return(homes, kits, pairs, seed=1)
    assert answer.thin
    assert answer.measures == {}
    assert fact("outreach.return_prior").value < answer.p_return.mean() < 0.85
    assert "thin" in answer.basis


def test_recent_kits_are_left_out_whether_back_or_not(make_homes: Homes) -> None:
    homes = make_homes(800)
    kits, pairs = _history(homes, _truth(homes, 1), 600, 1)
    quick = kits.tail(40).assign(
        kit_id=[f"Q{i}" for i in range(40)],
        mailed_on=kits["received_on"].max(),
        received_on=kits["received_on"].max(),
    )
    more = pairs.tail(40).assign(kit_id=quick["kit_id"].to_numpy()[: len(pairs.tail(40))])
    before = expected_return(homes, kits, pairs, seed=1, on=date(2026, 5, 1))
    after = expected_return(
        homes, pd.concat([kits, quick]), pd.concat([pairs, more]), seed=1, on=date(2026, 5, 1)
    )
    assert after.kits == before.kits
    pd.testing.assert_frame_equal(after.table, before.table)


def test_a_year_typed_wrongly_does_not_make_kits_on_their_way_count_as_silent(
    make_homes: Homes,
) -> None:
    homes = make_homes(800)
    kits, pairs = _history(homes, _truth(homes, 1), 600, 1)
    on = kits["mailed_on"].max().date()
    typed = kits.tail(1).assign(kit_id="T", mailed_on=pd.Timestamp("2062-05-01"))
    before = expected_return(homes, kits, pairs, seed=1, on=on)
    after = expected_return(homes, pd.concat([kits, typed]), pairs, seed=1, on=on)
    assert after.kits == before.kits < len(kits)


def test_income_plays_no_part(make_homes: Homes) -> None:
    homes = make_homes(800)
    history = _history(homes, _truth(homes, 1), 600, 1)
    other = homes.assign(median_income=homes["median_income"].to_numpy()[::-1])
    pd.testing.assert_frame_equal(
        expected_return(homes, *history, seed=1).table,
        expected_return(other, *history, seed=1).table,
    )


def test_a_kit_twice_is_refused(make_homes: Homes) -> None:
    homes = make_homes(100)
    kits, pairs = _history(homes, _truth(homes, 1), 50, 1)
    with pytest.raises(ArgumentError, match="kit_id"):
        expected_return(homes, pd.concat([kits, kits]), pairs, seed=1)
