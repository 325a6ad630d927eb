"""Chance of return: the prior without history, recovery of known chances, what it ignores."""

from __future__ import annotations

import itertools
from collections.abc import Callable
from datetime import date

import numpy as np
import pandas as pd
import pytest
from scipy.integrate import quad
from scipy.special import expit
from scipy.stats import multivariate_normal, t
from statsmodels.stats.meta_analysis import combine_effects

from linemap.errors import ArgumentError
from linemap.outreach import ReturnForecast, expected_return, forecast_round
from linemap.outreach.return_shift import SHIFT, spread_of_months
from linemap.printing import rounded
from linemap.published import fact
from linemap.tables import complete_table, empty_table

Homes = Callable[..., pd.DataFrame]


def _tables(kits: pd.DataFrame, back: np.ndarray) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return kits, and those of them that came back usable, by the contracts."""
    pairs = kits.loc[back, ["kit_id", "parcel_id"]].assign(verdict="usable")
    return complete_table(kits, "kits"), complete_table(pairs.reset_index(drop=True), "pairs")


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
    return _tables(kits, back)


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


def _months(count: int, each: int, spread: float, seed: int) -> pd.DataFrame:
    """Draw kits of months whose chances of return shift together by a known spread."""
    rng = np.random.default_rng(seed)
    day = pd.date_range("2024-01-15", periods=count, freq="MS").repeat(each)
    center = rng.normal(-0.7, 0.4, count * each)
    shift = rng.normal(0, spread, count).repeat(each)
    back = rng.random(count * each) < expit(center + shift)
    return pd.DataFrame({"sent": day, "back": back})


def _learned_from_months(make_homes: Homes, spread: float, seed: int) -> ReturnForecast:
    homes = make_homes(600, seed)
    past = _months(24, 80, spread, seed)
    kits = pd.DataFrame({"kit_id": [f"K{i}" for i in range(len(past))], "mailed_on": past["sent"]})
    kits["parcel_id"] = np.random.default_rng(seed).choice(homes.index, len(past))
    tables = _tables(kits, past["back"].to_numpy())
    return expected_return(homes, *tables, seed=1, on=date(2026, 5, 1))


def test_a_city_whose_months_stray_gets_wider_promises(make_homes: Homes) -> None:
    """The next month is played with a shift of its own; 95% nominal, 90 to 98% asked for."""
    inside: dict[tuple[float, str], list[bool]] = {}
    for seed, spread in itertools.product(range(30), (0.0, 0.5)):
        answer = _learned_from_months(make_homes, spread, seed)
        mailed = answer.table.head(150).assign(arm="ranked", p_lead=0.5)
        rng = np.random.default_rng(100 + seed)
        told = {"shift": answer.shift, "level": answer.level}
        for name, words in (("learned", told), ("assumed", {})):
            whole = forecast_round(mailed, seed=seed, draws=400, **words).iloc[0]
            for _ in range(15):
                month = expit(rng.normal(-0.7, 0.4, 150) + spread * rng.normal())
                count = (rng.random(150) < month).sum()
                held = whole["returned_low"] <= count <= whole["returned_high"]
                inside.setdefault((spread, name), []).append(held)
    assert 0.88 <= np.mean(inside[0.5, "learned"]) <= 0.98
    assert np.mean(inside[0.0, "learned"]) >= 0.95, "wide where nothing strays, as a prior is"
    assert np.mean(inside[0.5, "assumed"]) < 0.8


@pytest.mark.parametrize("seed", range(3))
def test_months_that_stray_leave_the_level_more_open(make_homes: Homes, seed: int) -> None:
    """By theory at least as much as the mean of the months' shifts is unsure, 22 of them."""
    steady, straying = (_learned_from_months(make_homes, s, seed) for s in (0.0, 0.5))
    assert straying.shift > 2 * steady.shift
    months = straying.shift**2 / 22 - steady.shift**2 / 22
    assert straying.level**2 > steady.level**2 + 0.8 * months


@pytest.mark.parametrize("count", [0, 12, 2000])
def test_the_basis_says_how_far_returns_may_lie_off(make_homes: Homes, count: int) -> None:
    homes = make_homes(600)
    answer = expected_return(homes, *_history(homes, _truth(homes, 1), count, 1), seed=1)
    part = answer.p_return.mean()
    points = rounded(100 * np.hypot(answer.shift, answer.level) * part * (1 - part))
    assert f"may be about {points} percentage points above or below the forecast" in answer.basis


def test_kits_of_a_paused_programme_count_and_recent_ones_are_named(make_homes: Homes) -> None:
    """One mailing whose files end on the day it left."""
    homes = make_homes(600)
    kits = pd.DataFrame({"kit_id": [f"K{i}" for i in range(600)], "parcel_id": homes.index})
    kits = kits.assign(mailed_on=pd.Timestamp("2023-01-10"))
    kits, pairs = _tables(kits, np.arange(600) % 2 == 0)
    soon = expected_return(homes, kits, pairs, seed=1, on=date(2023, 6, 1))
    assert soon.kits == 0
    assert "no earlier kit to learn from (600 kits sent too recently to count)" in soon.basis
    later = expected_return(homes, kits, pairs, seed=1, on=date(2026, 5, 1))
    assert later.kits == 600
    assert "recently" not in later.basis
    assert later.p_return.mean() == pytest.approx(0.5, abs=0.05)
    assert later.level < soon.level / 2


def test_the_spread_of_months_is_the_mean_square_of_its_posterior() -> None:
    """Against scipy's quadrature of prior times likelihood, three months that hang together."""
    seen = np.array([0.4, -0.5, 0.3])
    error = np.array([[0.05, 0.02, 0.0], [0.02, 0.06, 0.01], [0.0, 0.01, 0.08]])

    def density(spread: float) -> float:
        months = multivariate_normal(np.zeros(3), error + spread**2 * np.eye(3)).pdf(seen)
        return float(t.pdf(spread / (SHIFT * np.sqrt(0.5)), 4) * months)

    whole = quad(density, 0, 2)[0]
    square = quad(lambda spread: spread**2 * density(spread), 0, 2)[0]
    # With a wide prior of one: the textbook's posterior of a normal mean.
    covariance = np.linalg.inv(np.linalg.inv(error) + np.eye(3))
    effects = covariance @ np.linalg.inv(error) @ seen
    learned = spread_of_months(effects, covariance, wide=1.0)
    assert learned == pytest.approx(np.sqrt(square / whole), rel=1e-3)


@pytest.mark.parametrize("seed", range(5))
def test_with_many_months_the_spread_is_near_the_moment_estimate(seed: int) -> None:
    """Paule and Mandel's estimate (1982) by statsmodels, 200 months measured well."""
    rng = np.random.default_rng(seed)
    error = rng.uniform(0.02, 0.08, 200)
    seen = rng.normal(0, np.sqrt(0.25 + error))
    moments = combine_effects(seen, error, method_re="iterated")
    covariance = 1 / (1 / error + 1)
    learned = spread_of_months(covariance / error * seen, np.diag(covariance), wide=1.0)
    assert learned == pytest.approx(np.sqrt(moments.tau2), abs=0.02)
    assert learned == pytest.approx(0.5, abs=0.1)


def test_without_kits_the_spread_of_months_is_the_assumed_one(make_homes: Homes) -> None:
    assert spread_of_months(np.zeros(0), np.zeros((0, 0)), wide=1.0) == pytest.approx(SHIFT, 0.03)
    homes = make_homes(50)
    answer = expected_return(homes, empty_table("kits"), empty_table("pairs"), seed=1)
    assert answer.shift == pytest.approx(SHIFT, 0.03)
    assert answer.level == pytest.approx(1.0, abs=0.2), "as open as its prior"
