"""Control charts: false alarms and detection by simulation, and what each chart answers."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from linemap.errors import ArgumentError
from linemap.outreach import control_charts
from linemap.outreach.alarm import (
    calibration_martingale,
    cusum,
    cusum_limit,
    detection,
)


def _chances(count: int, seed: int) -> np.ndarray:
    """Chances as on the lists of a city with much lead: mean near 0.5."""
    return np.random.default_rng(seed).beta(3, 3, count)


def test_false_alarms_and_detection_meet_the_goal() -> None:
    """Fresh draws, not those the limit was set on: at most 5 % false alarms in 1,000 checks
    (plus 2 standard errors of 400 runs), a fall to half flagged within 100 in nearly all.
    """
    base = _chances(400, 1)
    limit = cusum_limit(base, seed=1)
    false_alarms, caught = [], []
    for seed in range(400):
        rng = np.random.default_rng(5_000 + seed)
        p = rng.choice(base, 1000)
        false_alarms.append(cusum(rng.random(1000) < p, p).max() > limit)
        late = p[:100]
        quiet = rng.random(200) < (before := rng.choice(base, 200))
        outcomes = np.concatenate([quiet, rng.random(100) < late / 2])
        caught.append(cusum(outcomes, np.concatenate([before, late]))[200:].max() > limit)
    assert np.mean(false_alarms) <= 0.05 + 2 * np.sqrt(0.05 * 0.95 / 400)
    assert np.mean(caught) > 0.95


def test_detection_tells_the_power_and_admits_when_it_is_low() -> None:
    high, low = _chances(300, 1), np.full(300, 0.1)
    strong = detection(high, limit=cusum_limit(high, seed=1), seed=2)
    weak = detection(low, limit=cusum_limit(low, seed=1), seed=2)
    assert strong > 0.95
    assert weak < 0.1


def test_chart_resets_at_zero_and_adds_likelihood_ratios() -> None:
    """By hand: a miss at p = 0.5 adds ln(0.75 / 0.5), a hit adds ln(0.5)."""
    values = cusum(np.array([True, False, False, True]), np.full(4, 0.5))
    step = np.log(1.5)
    assert values.tolist() == pytest.approx([0, step, 2 * step, 2 * step + np.log(0.5)])


def test_martingale_keeps_its_promise_under_right_chances_and_grows_under_wrong() -> None:
    """Ville: passes 20 with probability of at most 5 %, at any time."""
    ever, grown = [], []
    for seed in range(400):
        rng = np.random.default_rng(seed)
        p = rng.beta(2, 3, 600)
        ever.append(calibration_martingale(rng.random(600) < p, p).max() > np.log(20))
        if seed < 60:
            overclaimed = np.clip(0.6 * p, 0, 1)
            grown.append(
                calibration_martingale(rng.random(600) < overclaimed, p).max() > np.log(20)
            )
    assert np.mean(ever) <= 0.05
    assert np.mean(grown) > 0.95


def test_martingale_has_mean_one() -> None:
    """Exact: the mean over all outcomes of a few checks is 1."""
    p = np.array([0.2, 0.5, 0.9])
    total = 0.0
    for bits in range(8):
        hit = np.array([bits >> i & 1 for i in range(3)], dtype=bool)
        weight = np.prod(np.where(hit, p, 1 - p))
        total += weight * np.exp(calibration_martingale(hit, p)[-1])
    assert total == pytest.approx(1)


def _log(count: int, seed: int, *, truth: float = 1.0, followed: bool = True) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    p, back = rng.beta(5, 5, count), rng.beta(6, 6, count)
    usable = rng.random(count) < back
    listed = np.ones(count, dtype=bool)
    log = pd.DataFrame(
        {
            "round_id": "round 1",
            "outcome": np.where(usable, "usable", "silent"),
            "listed": listed,
            "p_lead_at_send": p,
            "p_return_at_send": back,
            "lead_found": np.where(
                usable, np.where(rng.random(count) < truth * p, "yes", "no"), "unknown"
            ),
        }
    )
    if followed:
        return log
    other = log.assign(listed=False, outcome="usable", p_lead_at_send=0.1, p_return_at_send=np.nan)
    other["lead_found"] = np.where(rng.random(count) < 0.1, "yes", "no")
    return pd.concat([log.assign(outcome="silent", lead_found="unknown"), other])


def test_a_sound_programme_raises_no_alarm_and_a_failed_model_does() -> None:
    sound = control_charts(_log(400, 3), seed=1).alarms.set_index("chart")
    assert not sound["alarm"].any()
    failed = control_charts(_log(400, 3, truth=0.4), seed=1).alarms.set_index("chart")
    assert failed.loc[["hit rate", "hit rate of the list", "calibration"], "alarm"].all()
    assert not failed.loc["return rate", "alarm"]
    assert failed.loc["hit rate", "at_check"] < 120
    assert "ALARM" in failed.loc["hit rate", "sentence"]


def test_an_alarm_tells_what_was_seen_in_the_checks_that_raised_it() -> None:
    """Kits came back as claimed, then none for a while, then all: over all of them, as many."""
    count = 300
    log = _log(count, 3).assign(p_return_at_send=0.5, lead_found="unknown")
    every = np.arange(count)
    back = np.where(every < 100, every % 2 == 0, every >= 150)
    log["outcome"] = np.where(back, "usable", "silent")
    row = control_charts(log, seed=1).alarms.set_index("chart").loc["return rate"]
    at = int(row["at_check"])
    assert 100 < at <= 150
    assert f"(in checks 100 to {at}, claimed 50.0%, seen 0.0%)" in row["sentence"]
    found = np.where(every < 50, "no", "yes")
    log = log.assign(outcome="usable", lead_found=found, p_lead_at_send=0.5)
    row = control_charts(log, seed=1).alarms.set_index("chart").loc["calibration"]
    assert row["at_check"] < 50
    assert f"(in checks 1 to {row['at_check']:.0f}, claimed 50.0%, seen 0.0%)" in row["sentence"]


def test_a_list_not_followed_shows_in_the_lists_chart_only() -> None:
    alarms = control_charts(_log(300, 2, followed=False), seed=1).alarms.set_index("chart")
    assert alarms.loc["hit rate of the list", "alarm"]
    assert not alarms.loc["hit rate", "alarm"]
    assert alarms.loc["return rate", "alarm"]
    listed, checked = alarms.loc[["hit rate of the list", "hit rate"], "sentence"]
    assert "held against what the whole list promised, has fallen" in listed
    assert "No alarm for the hit rate, held against the chances of the very homes" in checked
    assert "ask which homes answered" in listed
    assert "ask which homes answered" not in checked


def test_when_the_probabilities_fail_nobody_is_sent_to_look_at_who_answered() -> None:
    sentences = control_charts(_log(400, 3, truth=0.4), seed=1).sentences()
    assert sum(s.startswith("ALARM") for s in sentences) == 3
    assert not any("which homes answered" in s for s in sentences)


def test_charts_of_an_empty_log_say_there_is_nothing_to_judge() -> None:
    charts = control_charts(_log(10, 1).iloc[:0], seed=1)
    assert charts.points.empty
    assert all("nothing to judge" in sentence for sentence in charts.sentences())


def test_nonsense_is_refused() -> None:
    with pytest.raises(ArgumentError):
        cusum(np.array([True]), np.array([1.2]))
    with pytest.raises(ArgumentError):
        cusum(np.array([True]), np.array([0.5]), fall=1.0)
