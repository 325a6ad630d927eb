"""Cities at the edge: all lead, no records, one area, one spot, separable, tiny."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
import pytest
from scipy import sparse

from linemap.features import PlaceGraph
from linemap.scoring import Evidence, LineModel, city_fit
from linemap.scoring.field import FieldFit, fit_field

Fit = Callable[..., LineModel]


def sound(model: LineModel) -> pd.DataFrame:
    """Return the scores of a model, all of whose answers are numbers that make sense."""
    table = model.score()
    numbers = table.select_dtypes("number").drop(columns="p_without")
    assert np.isfinite(numbers).all(axis=None)
    assert (table["p_without"].notna() == table["telling_source"].notna()).all()
    for name in ("p_lead", "p_low", "p_high"):
        assert table[name].between(0, 1, inclusive="neither").all()
    assert (table["p_low"] <= table["p_lead"]).all()
    assert (table["p_lead"] <= table["p_high"]).all()
    assert table["reason_1"].notna().all()
    counts = model.expected_lead(pd.Series("all", index=table.index))
    assert 0 <= counts["low"].iloc[0] <= counts["expected"].iloc[0]
    assert counts["expected"].iloc[0] <= counts["high"].iloc[0] <= len(table)
    assert model.kit_information().between(0, 0.5).all()
    return table


def seen(index: pd.Index, lead: np.ndarray) -> pd.DataFrame:
    """Both sides of every home of ``index``, looked at along main work."""
    one = pd.DataFrame(
        {
            "parcel_id": index,
            "checked_on": pd.Timestamp("2024-01-01"),
            "material": np.where(lead, "lead", "copper"),
            "why": "main_work",
        }
    )
    return pd.concat([one.assign(side=side) for side in ("utility", "customer")])


def untold(evidence: Evidence, index: pd.Index) -> pd.Index:
    """Homes at which nobody looked."""
    return index.difference(pd.Index(evidence.checks["parcel_id"].unique()))


@pytest.mark.parametrize("material", ["lead", "copper"])
def test_all_records_alike(town, quick_fit: Fit, material: str) -> None:
    lines = town.evidence.lines.assign(utility_material=material, customer_material=material)
    p = sound(quick_fit(Evidence(lines=lines)))["p_lead"]
    assert (p.mean() > 0.5) == (material == "lead")


@pytest.mark.parametrize("lead", [True, False])
def test_all_checks_alike(town, quick_fit: Fit, lead: bool) -> None:
    half = town.features.index[::2]
    p = sound(quick_fit(Evidence(checks=seen(half, np.full(len(half), lead)))))["p_lead"]
    others = p.drop(half)
    assert (others > 0.8).mean() > 0.9 if lead else (others < 0.2).mean() > 0.9


def test_records_all_unknown_with_checks(town, quick_fit: Fit) -> None:
    lines = town.evidence.lines.assign(utility_material="unknown", customer_material="unknown")
    index = town.features.index[::4]
    lead = town.truth["is_lead"].reindex(index).to_numpy(dtype=bool)
    model = quick_fit(Evidence(lines=lines, checks=seen(index, lead)))
    p = sound(model)["p_lead"]
    assert model.describe()["sources"] == ["check"]
    others = town.truth["is_lead"].reindex(p.index).astype(bool).drop(index)
    assert p[others.index][others].mean() > p[others.index][~others].mean() + 0.1


@pytest.mark.parametrize("area", ["N1", None])
def test_one_single_area_or_none(town, quick_fit: Fit, area: str | None) -> None:
    features = town.features.assign(area_id=pd.Categorical([area] * len(town.features)))
    sound(quick_fit(town.evidence, features=features))


def test_all_homes_at_one_spot(town, quick_fit: Fit) -> None:
    n = len(town.features)
    features = town.features.assign(x=500_000.0, y=4_000_000.0)
    spot = np.array([500_000.0]), np.array([4_000_000.0])
    graph = PlaceGraph(np.zeros(n, dtype=int), *spot, sparse.csr_matrix((1, 1)), "cells")
    sound(quick_fit(town.evidence, features=features, graph=graph))


def test_separable_by_year(town, quick_fit: Fit) -> None:
    """Every home before 1940 seen to be lead, no later one: no slope runs away, order is kept."""
    year = town.features["year_built"].fillna(town.features["neighbour_year"])
    index = town.features.index[::2]
    checks = seen(index, (year[index] < 1940).to_numpy())
    p = sound(quick_fit(Evidence(checks=checks)))["p_lead"].drop(index)
    old, new = p[year[p.index] < 1930], p[year[p.index] > 1950]
    assert len(old) > 20
    assert len(new) > 20
    assert old.median() > 0.8
    assert new.median() < 0.2


@pytest.mark.parametrize(
    "missing", [["year_built", "neighbour_year"], ["neighbour_year"], ["main_year"]]
)
def test_columns_without_a_value(town, quick_fit: Fit, missing: list[str]) -> None:
    features = town.features.assign(**dict.fromkeys(missing, np.nan))
    sound(quick_fit(town.evidence, features=features))


def test_a_handful_of_homes(town, quick_fit: Fit) -> None:
    features = town.features.iloc[:12]
    graph = PlaceGraph(
        np.arange(12) // 6,
        np.array([0.0, 100.0]),
        np.zeros(2),
        sparse.csr_matrix(np.array([[0.0, 100.0], [100.0, 0.0]])),
        "cells",
    )
    sound(quick_fit(town.evidence, features=features, graph=graph))


def test_one_single_check(town, quick_fit: Fit) -> None:
    index = town.features.index[:1]
    p = sound(quick_fit(Evidence(checks=seen(index, np.array([True])))))["p_lead"]
    assert p.idxmax() == index[0]


def test_evidence_of_parcels_that_are_not_ours(town, quick_fit: Fit) -> None:
    foreign = seen(pd.Index(["elsewhere 1", "elsewhere 2"]), np.array([True, True]))
    checks = pd.concat([town.evidence.checks, foreign], ignore_index=True)
    with_foreign = sound(quick_fit(replace(town.evidence, checks=checks)))
    pd.testing.assert_frame_equal(with_foreign, quick_fit(town.evidence).score())


def test_one_look_at_one_side_leaves_the_other_open(town) -> None:
    """Few looks, each at the utility's side and copper: nothing clears the customer's side."""
    homes = town.features.index[:14]
    checks = seen(homes, np.zeros(len(homes), dtype=bool)).query("side == 'utility'")
    lines = town.evidence.lines.query("parcel_id not in @homes")
    same = lines["utility_material"].astype(object) == lines["customer_material"].astype(object)
    told = Evidence(
        lines[same], checks, town.evidence.pairs.iloc[:0], town.evidence.answers.iloc[:0]
    )
    model = LineModel(seed=1).fit(town.features, town.graph, told)
    assert model.describe()["states"] == 4
    weight = model.score().loc[homes, "weight_check"]
    both = replace(told, checks=seen(homes, np.zeros(len(homes), dtype=bool)))
    cleared = LineModel(seed=1).fit(town.features, town.graph, both).score()
    assert (weight > cleared.loc[homes, "weight_check"] + 1).all()


def test_of_two_looks_on_one_day_the_one_nearer_to_lead_holds(town, quick_fit: Fit) -> None:
    """As in the inventory, whatever the order of the rows; and the report says that they differ."""
    homes = untold(town.evidence, town.features.index)[:3]
    lead, other = (seen(homes, np.full(3, is_lead)) for is_lead in (True, False))
    fits = [
        quick_fit(replace(town.evidence, checks=pd.concat([town.evidence.checks, *looks])))
        for looks in ([lead], [lead, other], [other, lead])
    ]
    for fit in fits[1:]:
        pd.testing.assert_frame_equal(fit.score(), fits[0].score())
        assert any(text.startswith("At 3 homes two looks") for text in fit.describe()["warnings"])
    assert not any("two looks" in text for text in fits[0].describe()["warnings"])
    later = other.assign(checked_on=pd.Timestamp("2024-01-02"))
    checks = pd.concat([town.evidence.checks, lead, later])
    assert (
        quick_fit(replace(town.evidence, checks=checks)).score().loc[homes, "p_lead"] < 0.3
    ).all()


def test_a_fit_that_has_not_settled_says_so(
    town, model: LineModel, quick_fit: Fit, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One step is too few; what comes out is still numbers, and the report says what they are."""
    words = "Learning stopped at its limit of steps"
    assert not any(words in text for text in model.describe()["warnings"])

    def cut_short(*given: Any, **options: Any) -> FieldFit:
        return fit_field(*given, **{**options, "steps": 1, "tolerance": 0.0})

    monkeypatch.setattr("linemap.scoring.joint.fit_field", cut_short)
    hasty = quick_fit(town.evidence)
    assert any(words in text for text in hasty.describe()["warnings"])
    sound(hasty)


def test_homes_without_evidence_tell_nothing_of_curves_and_places(model: LineModel) -> None:
    problem = model.city_.joint.problem
    told = problem.kind > 0
    assert 0.1 < told.mean() < 0.9
    every, some = fit_field(problem), fit_field(problem.of_homes(told))
    assert some.b == pytest.approx(every.b, abs=1e-3)
    assert some.u == pytest.approx(every.u, abs=1e-3)
    assert some.information == pytest.approx(every.information[told], abs=1e-4)


def test_curvature_of_an_alike_problem_leads_to_the_same_mode(model: LineModel) -> None:
    """The way may start with old factors; where it ends and what is told there are the new ones."""
    now = model.city_.joint.problem
    before = now.with_weight(now.weight * 0.5)
    for old, new in ((before, now), tuple(p.places_only(p.offset) for p in (before, now))):
        known, fresh = fit_field(old), fit_field(new, tolerance=1e-9)
        led = fit_field(new, known, tolerance=1e-9)
        assert np.abs(known.u - fresh.u).max() > 0.05
        assert led.b == pytest.approx(fresh.b, abs=1e-3)
        assert led.u == pytest.approx(fresh.u, abs=1e-3)
        assert led.information == pytest.approx(fresh.information, abs=1e-4)
        single = fit_field(new, known, tolerance=1e9)
        assert single.lu is known.lu, "a step that gains little keeps its factors"
        assert not np.array_equal(single.information, known.information)


def test_sample_of_a_large_city_holds_what_little_evidence_there_is(
    town, quick_fit: Fit, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(city_fit, "MOST_HOMES", len(town.features) // 4)
    monkeypatch.setattr(city_fit, "SAMPLE_BLOCK_M", 300.0)
    for home in town.features.index[:: len(town.features) // 8]:
        model = quick_fit(Evidence(checks=seen(pd.Index([home]), np.array([True]))))
        p = sound(model)["p_lead"]
        assert p[home] == p.max()
        assert len(model.city_.joint.problem.unit) == 1
