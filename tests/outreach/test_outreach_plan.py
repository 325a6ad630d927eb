"""The list: who may be on it, its arms and their probabilities, its promises and prices."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import date

import numpy as np
import pandas as pd
import pytest

from linemap.errors import ArgumentError, LimitsError
from linemap.intake import check_table
from linemap.outreach import (
    KitPlan,
    audit_chances,
    choose_kits,
    fairness,
    forecast_round,
    income_third,
)
from linemap.outreach.eligibility import reason_left_out
from linemap.settings import GroupLimit, OutreachSettings, ValueSettings

TODAY = date(2026, 5, 1)
Homes = Callable[..., pd.DataFrame]


def _plan(homes: pd.DataFrame, seed: int = 1, **settings: object) -> KitPlan:
    given = {"kits": 100, **settings}
    return choose_kits(homes, OutreachSettings(**given), seed=seed, today=TODAY)


def _at(homes: pd.DataFrame, plan: KitPlan, *, audit: bool = True) -> pd.DataFrame:
    kits = plan.kits if audit else plan.kits[plan.kits["arm"] != "audit"]
    return homes.loc[kits["parcel_id"]]


def test_list_keeps_its_contract(make_homes: Homes) -> None:
    plan = _plan(make_homes())
    assert len(plan.kits) == 100
    _, problems = check_table(plan.kits, "kit_list")
    assert problems == []
    assert plan.kits["rank"].tolist() == list(range(1, 101))
    assert plan.kits["parcel_id"].is_unique
    parts = plan.kits[["value_find", "value_learn", "value_harm"]].sum(axis=1)
    np.testing.assert_allclose(plan.kits["value"], parts * plan.kits["p_return"])


def test_inputs_are_not_touched_and_the_same_seed_gives_the_same_list(make_homes: Homes) -> None:
    homes = make_homes()
    before = homes.copy(deep=True)
    first, second = _plan(homes), _plan(homes)
    pd.testing.assert_frame_equal(homes, before)
    pd.testing.assert_frame_equal(first.kits, second.kits)
    assert first.kits.to_csv() == second.kits.to_csv()


def test_order_of_the_homes_does_not_matter(make_homes: Homes) -> None:
    homes = make_homes()
    homes[["p_lead", "p_return", "learn"]] = 0.25
    shuffled = homes.sample(frac=1, random_state=3)
    chosen = [set(_plan(table, audit_share=0.0).kits["parcel_id"]) for table in (homes, shuffled)]
    assert chosen[0] == chosen[1]


def test_nobody_is_sent_a_kit_who_should_not_be(make_homes: Homes) -> None:
    homes = make_homes()
    chosen = _at(homes, _plan(homes, kits=400, per_segment=None))
    assert (chosen["inventory_class"] == "lead status unknown").all()
    assert not chosen["opted_out"].any()
    assert chosen["last_kit_on"].isna().all()
    assert (chosen["land_use"] != "vacant land").all() or chosen["site_kind"].notna().any()


def test_every_home_is_either_eligible_or_counted_as_left_out(make_homes: Homes) -> None:
    homes = make_homes()
    plan = _plan(homes)
    assert plan.design.eligible + plan.left_out["homes"].sum() == len(homes)
    known = plan.left_out.set_index("reason")["homes"]
    assert known["lead"] == (homes["inventory_class"] == "lead").sum()
    assert known["non-lead"] == (homes["inventory_class"] == "non-lead").sum()


def test_quiet_days_end(make_homes: Homes) -> None:
    homes = make_homes()
    assert "quiet" in _plan(homes, quiet_days=62).left_out["reason"].tolist()
    assert "quiet" not in _plan(homes, quiet_days=61).left_out["reason"].tolist()


def test_doubted_records_are_rechecked_only_when_asked_and_never_after_a_look(
    make_homes: Homes,
) -> None:
    homes = make_homes()
    homes["basis"] = "city record"
    homes.loc[homes.index[:1000], "basis"] = "field check"
    chosen = _at(homes, _plan(homes, recheck_above=0.3, kits=300, audit_share=0.0))
    doubted = chosen[chosen["inventory_class"] == "non-lead"]
    assert len(doubted) > 0
    assert (doubted["p_lead"] >= 0.3).all()
    assert (doubted["basis"] == "city record").all()


def test_floors_and_caps_hold(make_homes: Homes) -> None:
    homes = make_homes()
    plan = _plan(
        homes,
        kits=120,
        floor_per_area=3,
        cap_per_area=12,
        floor_low_income=0.5,
        floor_renters=0.5,
        per_segment=1,
    )
    chosen = _at(homes, plan, audit=False)
    per_area = chosen["area_id"].value_counts().reindex(sorted(homes["area_id"].unique()))
    assert per_area.min() >= 3
    assert per_area.max() <= 12
    assert chosen["street_segment"].value_counts().max() == 1
    listed = _at(homes, plan)
    assert (listed["owner_occupied"] == "no").sum() >= 60
    low = income_third(homes).loc[listed.index] == "lowest"
    assert low.sum() >= 60
    assert plan.gap < 0.01


def test_further_groups_have_floors_and_caps(make_homes: Homes) -> None:
    homes = make_homes()
    homes["tongue"] = np.where(np.arange(len(homes)) % 5 == 0, "b", "a")
    more = GroupLimit(column="tongue", value="b", floor=0.4, cap=0.45)
    plan = _plan(homes, group=(more,))
    assert (_at(homes, plan)["tongue"] == "b").sum() >= 40
    assert (_at(homes, plan, audit=False)["tongue"] == "b").sum() <= 45
    with pytest.raises(ArgumentError, match="tongu"):
        _plan(make_homes(), group=(more,))


def test_limits_on_a_column_of_numbers_compare_numbers(make_homes: Homes) -> None:
    homes = make_homes()
    homes["district"] = np.where(np.arange(len(homes)) % 5 == 0, 3.0, 1.0)
    homes.loc[homes.index[::7], "district"] = np.nan
    for value in ("3", "3.0"):
        more = GroupLimit(column="district", value=value, floor=0.4, cap=0.45)
        plan = _plan(homes, group=(more,))
        assert (_at(homes, plan)["district"] == 3).sum() >= 40
        assert (_at(homes, plan, audit=False)["district"] == 3).sum() <= 45


@pytest.mark.parametrize("limit", [{"floor": 0.1}, {"cap": 0.1}])
def test_a_limit_on_a_value_that_no_home_has_is_refused_with_those_there_are(
    make_homes: Homes, limit: dict[str, float]
) -> None:
    homes = make_homes().assign(district=lambda t: np.arange(len(t)) % 12 + 0.0, nothing=None)
    homes["tongue"] = np.where(homes["district"] > 3, "b", "a")
    homes.loc[homes.index[0], "tongue"] = None
    for column, value, said in (
        ("district", "12", "are: 0, 1, 2, 3, 4, 5, 6, 7, 8, 9 and 2 more"),
        ("district", "twelve", "are: 0, 1"),
        ("tongue", "None", "are: a, b"),
        ("nothing", "a", "none, the column is empty"),
    ):
        with pytest.raises(ArgumentError, match=rf"{column} = {value}, which no home .*{said}"):
            _plan(homes, group=(GroupLimit(column=column, value=value, **limit),))


def test_a_group_may_have_a_floor_and_a_cap_of_one_share(make_homes: Homes) -> None:
    """0.29 of 100 kits are 29, though 0.29 times 100 is a little less in the computer."""
    homes = make_homes()
    homes["tongue"] = np.where(np.arange(len(homes)) % 2 == 0, "b", "a")
    same = GroupLimit(column="tongue", value="b", floor=0.29, cap=0.29)
    plan = _plan(homes, group=(same,), audit_share=0.0)
    assert (_at(homes, plan)["tongue"] == "b").sum() == 29


def test_thirds_of_income_can_have_floors_and_caps(make_homes: Homes) -> None:
    homes = make_homes()
    third = income_third(homes)
    more = (
        GroupLimit(column="income_third", value="middle", floor=0.5),
        GroupLimit(column="income_third", value="highest", cap=0.1),
    )
    plan = _plan(homes, group=more, floor_per_area=0, site_share=0.0)
    assert (third[_at(homes, plan).index] == "middle").sum() >= 50
    assert (third[_at(homes, plan, audit=False).index] == "highest").sum() <= 10


def test_caps_that_the_random_arm_breaks_are_said(make_homes: Homes) -> None:
    homes = make_homes(1300)
    settings = {"per_segment": 1, "floor_low_income": 0.0, "low_income_kits_to_lead": 0.0}
    plan = _plan(homes, audit_share=0.4, **settings)
    kits = homes["street_segment"][plan.kits["parcel_id"]].value_counts()
    over = int((kits - 1).clip(lower=0).sum())
    said = "The limit of 1 kit per street segment: the random audit arm is not held to caps and"
    assert f"{said} brings {over} kits beyond." in plan.notes
    assert over > 1
    none = _plan(homes, audit_share=0.0, **settings)
    assert not any("not held to caps" in note for note in none.notes)


def test_sites_come_first(make_homes: Homes) -> None:
    homes = make_homes()
    homes.loc[homes["site_kind"].notna(), "p_lead"] = 0.01
    plan = _plan(homes, site_share=0.5)
    sites = homes["site_kind"].notna() & (homes["inventory_class"] == "lead status unknown")
    sites &= ~homes["opted_out"] & homes["last_kit_on"].isna()
    on_list = plan.kits.set_index("parcel_id")
    assert set(homes.index[sites]) <= set(on_list.index)
    first = on_list.loc[homes.index[sites]]
    assert (first["rank"] <= sites.sum() + plan.design.drawn).all()
    assert (first["arm"] != "ranked").all()
    assert first["why"].str.contains("the floor for listed sites").all()


def test_ranked_homes_would_be_chosen_for_their_value_alone(make_homes: Homes) -> None:
    homes = make_homes()
    bare = _plan(
        homes,
        floor_per_area=0,
        floor_low_income=0.0,
        low_income_kits_to_lead=0.0,
        renter_kits_to_lead=0.0,
        site_share=0.0,
        per_segment=None,
    )
    assert set(bare.kits["arm"]) == {"ranked", "audit"}
    value = bare.kits.groupby("arm", observed=True)["value"]
    assert value.min()["ranked"] >= value.max()["audit"]


def test_inclusion_probabilities_follow_the_design(make_homes: Homes) -> None:
    homes = make_homes()
    plan = _plan(homes)
    design = plan.design
    assert design.drawn == 10
    assert design.certain + design.frame == design.eligible
    probability = plan.kits.groupby("arm", observed=True)["inclusion_probability"].unique()
    assert probability["ranked"].tolist() == [1.0]
    others = homes.drop(index=plan.kits.query("arm != 'audit'")["parcel_id"])
    rest = others[reason_left_out(others, plan.limits, today=TODAY).isna().to_numpy()]
    chance = pd.Series(audit_chances(rest["p_lead"].to_numpy(), 10), index=rest.index)
    audit = plan.kits[plan.kits["arm"] == "audit"].set_index("parcel_id")
    assert audit["inclusion_probability"].tolist() == chance[audit.index].tolist()
    assert len(rest) == design.frame
    assert design.frame_lead == pytest.approx(rest["p_lead"].sum())
    assert len(plan.audit) == 10
    assert (plan.audit["frame"] == design.frame).all()


def test_laboratory_capacity_cuts_the_list_and_is_said(make_homes: Homes) -> None:
    plan = _plan(make_homes(), kits=200, lab_capacity=6, weeks=4)
    assert plan.expected_returns <= 24 * 1.02
    assert len(plan.kits) < 200
    assert any("laboratory can take 24" in note for note in plan.notes)
    per_week = plan.kits.groupby("week")["p_return"].sum()
    assert len(per_week) == 4
    assert per_week.max() < 7.5


def test_areas_with_nobody_left_lower_their_floor_and_say_so(make_homes: Homes) -> None:
    homes = make_homes()
    homes.loc[(homes["area_id"] == "A03") & (homes.index > "P000100"), "opted_out"] = True
    plan = _plan(homes, kits=200, floor_per_area=8)
    assert any("A03" in note and "lowered" in note for note in plan.notes)


def test_settings_that_contradict_each_other_name_themselves(make_homes: Homes) -> None:
    homes = make_homes()
    said = r"30 kits in all, 3 of them for the random audit arm; the floor of 6 kits in each area"
    with pytest.raises(LimitsError, match=said):
        _plan(homes, kits=30, floor_per_area=6, floor_low_income=0.0)
    with pytest.raises(LimitsError, match=r": 1 kit in all; the floor of 1 kit in each area"):
        _plan(homes, kits=1, floor_per_area=1, audit_share=0.0)
    with pytest.raises(LimitsError, match=r"cap of 2; the floor of 60% for the lowest-inc"):
        _plan(homes, floor_low_income=0.6, cap_per_area=2, floor_per_area=0)


@pytest.mark.parametrize(("fixed", "said"), [(0.6, True), (0.0, False)])
def test_a_floor_far_above_the_groups_share_of_lead_says_so(
    make_homes: Homes, fixed: float, said: bool
) -> None:
    homes = make_homes()
    low = income_third(homes).eq("lowest")
    homes.loc[low, "p_lead"] *= 0.3
    plan = _plan(homes, floor_low_income=fixed)
    notes = [note for note in plan.notes if "this floor exceeds 1.25 times" in note]
    assert [n.startswith("The floor of 60% for the lowest-income third") for n in notes] == (
        [True] if said else []
    )
    assert set(notes) <= set(plan.sentences())


def test_prices_are_what_dropping_the_limit_would_give(make_homes: Homes) -> None:
    homes = make_homes()
    settings = {
        "floor_low_income": 0.9,
        "low_income_kits_to_lead": 0.0,
        "floor_per_area": 0,
        "audit_share": 0.0,
        "site_share": 0.0,
    }
    plan = _plan(homes, **settings)
    free = _plan(homes, **{**settings, "floor_low_income": 0.0})
    price = plan.prices.set_index("limit").loc["floor_low_income"]
    assert price["expected_finds"] == pytest.approx(free.expected_finds)
    assert price["price"] == pytest.approx(free.expected_finds - plan.expected_finds)
    assert price["price"] > 1
    assert (
        f"costs {price['price']:.1f} of the {free.expected_finds:.0f} lead lines"
        in (price["sentence"])
    )


def test_exact_and_quick_agree_on_a_small_city(make_homes: Homes) -> None:
    homes = make_homes(300, areas=4)
    settings = OutreachSettings(kits=30, floor_renters=0.5)
    quick = choose_kits(homes, settings, seed=1, today=TODAY)
    exact = choose_kits(homes, settings, seed=1, today=TODAY, exact=True)
    assert quick.value <= exact.value + 1e-9
    assert quick.value >= 0.99 * exact.value
    assert exact.bound == pytest.approx(exact.value)


def test_words_beside_the_list_warn_and_explain(make_homes: Homes) -> None:
    plan = _plan(make_homes())
    assert plan.describe()["sentences"][-1] == plan.describe()["caution"]
    assert "cannot rule out" in plan.describe()["caution"]
    audit = plan.kits.loc[plan.kits["arm"] == "audit", "why"]
    assert audit.str.startswith("drawn at random from").all()


def test_without_an_eligible_home_the_list_is_empty_and_says_why(make_homes: Homes) -> None:
    homes = make_homes(20)
    homes["inventory_class"] = "lead"
    plan = _plan(homes)
    assert len(plan.kits) == len(plan.audit) == 0
    assert list(plan.kits.columns) == list(_plan(make_homes(60)).kits.columns)
    first, *caution = plan.sentences()
    assert first.startswith("The list is empty: no home may be sent a kit (20 homes: known lead")
    assert "not cleared" in caution[0]
    assert (fairness(homes, plan)["kits"] == 0).all()
    with pytest.raises(ArgumentError, match="p_return"):
        _plan(homes.drop(columns="p_return"))


def test_bare_homes_without_any_optional_column_are_enough() -> None:
    homes = pd.DataFrame(
        {"inventory_class": "lead status unknown", "p_lead": [0.1, 0.9, 0.5], "p_return": 0.5},
        index=pd.Index(["a", "b", "c"], name="parcel_id"),
    )
    plan = _plan(homes, kits=2, audit_share=0.0, value=ValueSettings(learn=0.0, harm=0.0))
    assert plan.kits["parcel_id"].tolist() == ["b", "c"]
    assert plan.expected_finds == pytest.approx(0.7)


def test_the_list_says_its_promise_with_intervals_and_in_plain_words(make_homes: Homes) -> None:
    """The figures are those that a round opened from this list would freeze."""
    plan = _plan(make_homes(), floor_per_area=1)
    said = " ".join(plan.sentences())
    frozen = forecast_round(plan.kits, seed=plan.seed).iloc[0]
    for name in ("returned", "found"):
        low, high = frozen[f"{name}_low"], frozen[f"{name}_high"]
        assert f"(95% interval {low:,.0f} to {high:,.0f})" in said
    assert "the floor of 1 kit in each area" in " ".join(plan.kits["why"]) + said.lower()
    for solver_talk in ("(s)", "upper bound", "0.00%", "value "):
        assert solver_talk not in said


@pytest.mark.parametrize(
    ("gap", "said"),
    [
        (0.0, "No other list under the same limits is worth more."),
        (1e-10, "No other list under the same limits is worth more."),
        (0.000123, "is worth over 0.02% more than this one."),
        (0.0000041, "is worth over 0.0005% more than this one."),
        (0.02, "is worth over 2.1% more than this one."),
    ],
)
def test_the_gap_to_the_bound_is_said_and_never_too_small(
    make_homes: Homes, gap: float, said: str
) -> None:
    plan = replace(_plan(make_homes(300), kits=30, floor_per_area=0), gap=gap)
    assert sum(sentence.endswith(said) for sentence in plan.sentences()) == 1


def test_no_home_is_said_to_have_lead_for_certain(make_homes: Homes) -> None:
    homes = make_homes()
    homes["p_lead"] = np.where(np.arange(len(homes)) % 2, 0.9999, 0.0001)
    words = _plan(homes, audit_share=0.2).kits["why"]
    assert not words.str.contains(r"\b(?:100|0)%").any()
    assert words.str.contains("chance of lead over 99%").any()
