"""The random arm: its chances are what they are said to be, and what it tells is right."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import expit, logit

from linemap.outreach import Ledger, choose_kits, forecast_round, income_third
from linemap.outreach.audit import EQUAL_PART, audit_chances, draw_audit, sure_kits
from linemap.outreach.estimates import stratum
from linemap.settings import OutreachSettings

Homes = Callable[..., pd.DataFrame]
TODAY = date(2026, 5, 1)
DRAWS = 2000


def _chances(count: int, size: int, seed: int, draw: str = "likelier") -> np.ndarray:
    p = np.random.default_rng(seed).beta(0.8, 4, count)
    return audit_chances(p, size, draw=draw)


@pytest.mark.parametrize(("size", "groups"), [(9, 0), (9, 2), (33, 1)])
def test_homes_are_drawn_as_often_as_their_chances_say(size: int, groups: int) -> None:
    """Counts over 2,000 seeds within 4.5 standard deviations of the binomial (textbook)."""
    chance = _chances(60, size, 3)
    chance[:10] = 0.0
    chance[10:] = audit_chances(np.linspace(0.01, 0.9, 50), size)
    some = [np.arange(60) % 3 == 0, np.arange(60) % 2 == 0][:groups]
    counts = np.zeros(60)
    for seed in range(DRAWS):
        counts += draw_audit(chance, some, np.random.default_rng(seed))
    off = counts - DRAWS * chance
    spread = np.sqrt(DRAWS * chance * (1 - chance))
    assert (np.abs(off) <= 4.5 * spread + 1e-9).all()
    assert counts.sum() == size * DRAWS


def test_likelier_homes_are_drawn_more_often_and_none_less_than_its_equal_part() -> None:
    p = np.random.default_rng(1).beta(0.8, 4, 900)
    chance = audit_chances(p, 40)
    assert chance.sum() == pytest.approx(40)
    assert (np.diff(chance[np.argsort(p)]) >= 0).all()
    assert chance.min() >= EQUAL_PART * 40 / 900
    assert audit_chances(p, 40, draw="equal") == pytest.approx(40 / 900)
    assert audit_chances(np.zeros(5), 2) == pytest.approx(0.4)
    assert (audit_chances(p[:7], 7) == 1).all()


@settings(max_examples=60, deadline=None)
@given(st.integers(1, 60), st.integers(0, 60), st.integers(0, 10_000))
def test_chances_are_chances_and_the_draw_has_its_size(count: int, size: int, seed: int) -> None:
    rng = np.random.default_rng(seed)
    p = rng.beta(0.2, 1, count) * (rng.random(count) < 0.8)
    chance = audit_chances(p, size)
    assert ((chance >= 0) & (chance <= 1)).all()
    assert chance.sum() == pytest.approx(min(size, count))
    groups = [rng.random(count) < share for share in (0.3, 0.5, 0.2)]
    sure = sure_kits(chance, groups)
    for again in range(5):
        drawn = draw_audit(chance, groups, np.random.default_rng(again))
        assert drawn.sum() == min(size, count)
        assert all(drawn[group].sum() >= n for group, n in zip(groups, sure, strict=True))


def test_two_groups_each_get_their_part_to_the_last_kit() -> None:
    chance = _chances(500, 20, 1)
    rng = np.random.default_rng(2)
    groups = [rng.random(500) < 0.3, rng.random(500) < 0.5]
    assert sure_kits(chance, groups) == [int(chance[group].sum()) for group in groups]


def _tells(size: int, draw: str, *, model: str, seeds: int = 200) -> pd.DataFrame:
    """Draw, let kits come back or not, estimate; known truth, chances of return known."""
    rows = []
    for seed in range(seeds):
        rng = np.random.default_rng(seed)
        p = rng.beta(0.5, 3, 1500)
        lead = rng.random(1500) < p
        back = expit(logit(0.45) + rng.normal(0, 0.5, 1500))
        said = {"right": p, "shuffled": rng.permutation(p), "too high": p**0.7}[model]
        chance = audit_chances(said, size, draw=draw)
        drawn = draw_audit(chance, [], rng)
        known = rng.random(drawn.sum()) < back[drawn]
        kits = pd.DataFrame(
            {
                "inclusion_probability": chance[drawn],
                "p_return_at_send": back[drawn],
                "p_lead_at_send": said[drawn],
                "frame_homes": 1500.0,
                "frame_lead": said.sum(),
                "lead_found": np.where(known, np.where(lead[drawn], "yes", "no"), "unknown"),
            }
        )
        share = stratum(kits)
        if share.answers:
            rows.append((share.share - lead.mean(), share.low <= lead.mean() <= share.high,
                         share.high - share.low))  # fmt: skip
    return pd.DataFrame(rows, columns=["error", "covered", "width"])


def test_the_arm_tells_the_truth_more_sharply_than_a_draw_with_equal_chances() -> None:
    """Over 200 seeds, nominal 95%; the interval is meant to err on the wide side."""
    unequal, equal = (_tells(60, draw, model="right") for draw in ("likelier", "equal"))
    for told in (unequal, equal):
        assert abs(told["error"].mean()) < 3 * told["error"].sem()
        assert 0.93 <= told["covered"].mean() <= 0.99
    assert unequal["width"].mean() < 0.97 * equal["width"].mean()


@pytest.mark.parametrize("size", [10, 40, 400])
def test_the_variance_of_the_total_is_smaller_than_under_equal_chances(size: int) -> None:
    """Of Horvitz and Thompson's total with independent draws: sum of p (1 / chance - p)
    (textbook), to the plain draw and to the best chances there are, those by the root.
    """
    p = np.random.default_rng(1).beta(0.5, 3, 3000)
    root = size * np.sqrt(p) / np.sqrt(p).sum()
    ours, equal, best = (
        float((p * (1 / chance - p)).sum())
        for chance in (audit_chances(p, size), np.full(3000, size / 3000), root)
    )
    assert best <= ours < 1.1 * best
    assert ours < 0.8 * equal


@pytest.mark.parametrize("model", ["shuffled", "too high"])
def test_wrong_scores_widen_what_the_arm_tells_and_do_not_bias_it(model: str) -> None:
    told = _tells(80, "likelier", model=model)
    right = _tells(80, "likelier", model="right")
    assert abs(told["error"].mean()) < 3 * told["error"].sem() + 0.005
    assert told["covered"].mean() >= 0.91
    assert told["width"].mean() > right["width"].mean()


def test_a_handful_of_answers_still_covers_the_truth() -> None:
    """Ten kits, about four answers."""
    told = _tells(10, "likelier", model="right")
    assert abs(told["error"].mean()) < 3 * told["error"].sem()
    assert told["covered"].mean() >= 0.93


@pytest.mark.parametrize("seed", range(3))
def test_floors_hold_for_the_whole_list_whatever_the_draw(make_homes: Homes, seed: int) -> None:
    homes = make_homes(3000, seed=seed)
    limits = OutreachSettings(kits=130, floor_low_income=0.45, floor_renters=0.5)
    for draw in range(3):
        plan = choose_kits(homes, limits, seed=draw, today=TODAY)
        listed = homes.loc[plan.kits["parcel_id"]]
        chosen = homes.loc[plan.kits.loc[plan.kits["arm"] != "audit", "parcel_id"]]
        low = income_third(homes).eq("lowest")
        assert low.loc[listed.index].sum() >= np.ceil(0.45 * 130)
        assert listed["owner_occupied"].eq("no").sum() >= 65
        assert low.loc[chosen.index].sum() < np.ceil(0.45 * 130)


def test_the_list_says_how_its_arm_was_drawn_and_the_ledger_keeps_it(
    make_homes: Homes, tmp_path: object
) -> None:
    homes = make_homes()
    plan = choose_kits(homes, OutreachSettings(kits=100), seed=1, today=TODAY)
    equal = choose_kits(homes, OutreachSettings(kits=100, audit_draw="equal"), seed=1, today=TODAY)
    assert "10 drawn at random from" in plan.sentences()[0]
    assert "likelier ones more often" in plan.sentences()[0]
    assert "likelier" not in equal.sentences()[0]
    audit = plan.kits[plan.kits["arm"] == "audit"]
    assert audit["inclusion_probability"].between(plan.design.lowest, plan.design.highest).all()
    assert plan.design.lowest < plan.design.highest
    one = audit.iloc[0]
    assert f"chance to be drawn was {one['inclusion_probability']:.1%}" in one["why"]
    assert equal.design.lowest == equal.design.highest == 10 / equal.design.frame
    ledger = Ledger(f"{tmp_path}/rounds.sqlite")
    ledger.open_round(plan, forecast_round(plan.kits, seed=1), today=TODAY)
    log = ledger.log()
    drawn = log[log["arm"] == "audit"]
    assert (drawn["frame_homes"] == plan.design.frame).all()
    assert drawn["frame_lead"].tolist() == pytest.approx([plan.design.frame_lead] * 10)
    assert log.loc[log["arm"] != "audit", "frame_homes"].isna().all()
