"""Evidence at its edges: sides that differ, sparse or crowded evidence, several kits of a home."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from linemap.assembly import answers_by_date
from linemap.scoring import Evidence, LineModel
from linemap.scoring.folds import block_folds, block_sample
from linemap.tables import empty_table

Fit = Callable[..., LineModel]


def looks(index: pd.Index, utility: np.ndarray, customer: np.ndarray) -> pd.DataFrame:
    """Both sides of every home of ``index``, looked at along main work."""
    one = pd.DataFrame({"parcel_id": index, "checked_on": pd.Timestamp("2024-01-01")})
    sides = {"utility": utility, "customer": customer}
    seen = [one.assign(side=side, material=material) for side, material in sides.items()]
    return pd.concat(seen, ignore_index=True).assign(why="main_work")


@pytest.mark.parametrize("material", ["lead", "galvanized"])
def test_pipe_seen_on_one_side_counts_where_every_check_saw_both(
    town, quick_fit: Fit, material: str
) -> None:
    """Lead here and copper there is a line with lead, not a line of which nothing is known."""
    index = town.features.index[::6]
    both, half = np.arange(len(index)) % 5 == 0, np.arange(len(index)) % 5 == 1
    checks = looks(
        index, np.where(both | half, material, "copper"), np.where(both, material, "copper")
    )
    target = "lead" if material == "lead" else "needs_replacement"
    model = quick_fit(Evidence(checks=checks), target=target)
    p = model.score()["p_lead" if target == "lead" else "p_replace"]
    assert (p[index[half]] > 0.5).mean() > 0.9
    assert p[index[~both & ~half]].median() < 0.1


def test_sample_of_a_large_city_counts_homes_with_evidence() -> None:
    rng = np.random.default_rng(1)
    x, y = rng.random((2, 30_000)) * 10_000
    told = rng.random(30_000) < 0.02
    rows = block_sample(x, y, told, block_m=1000.0, most=400, rng=rng)
    assert 400 <= told[rows].sum() < 450
    assert told[block_sample(x, y, told, block_m=1000.0, most=1000, rng=rng)].sum() == told.sum()


@pytest.mark.parametrize("corner", [1.0, 0.2])
def test_every_fold_holds_evidence_in_a_small_town(corner: float) -> None:
    """All of a town, or the evidence of it, within one block as asked for."""
    rng = np.random.default_rng(1)
    x, y = rng.random((2, 300)) * 500
    told = (x < 500 * corner) & (y < 500 * corner)
    for seed in range(5):
        rng = np.random.default_rng(seed)
        fold = block_folds(x, y, told, block_m=600.0, folds=4, rng=rng)
        counts = np.bincount(fold[told], minlength=4)
        assert counts.min() > 0, counts


@pytest.mark.parametrize("prior", ["spline", "trees", "both"])
def test_evidence_at_a_single_place_is_no_obstacle(town, quick_fit: Fit, prior: str) -> None:
    spot = town.features[["x", "y"]].sub(town.features[["x", "y"]].median()).abs().max(axis=1)
    index = spot.nsmallest(6).index
    material = np.array(["lead", "copper"] * 3)
    model = quick_fit(Evidence(checks=looks(index, material, material)), prior=prior)
    assert model.score()["p_lead"].between(0, 1, inclusive="neither").all()


def test_kits_of_homes_that_nobody_saw_tell_other_cities_nothing(town, quick_fit: Fit) -> None:
    model = quick_fit(replace(town.evidence, checks=empty_table("checks")))
    tables = model.sources_.counts(model.city_.before)
    assert len(model.sources_.water.row) > 20
    assert all(not table.any() for table in tables.values())


def test_a_model_fitted_again_gives_the_reasons_of_its_new_evidence(town, quick_fit: Fit) -> None:
    fewer = Evidence(lines=town.evidence.lines)
    model = quick_fit(town.evidence)
    model.score()
    again = model.fit(town.features, town.graph, fewer).score()
    pd.testing.assert_frame_equal(again, quick_fit(fewer).score())


def test_galvanized_pipe_seen_on_suspicion_alone_does_not_stop_a_run(town, quick_fit: Fit) -> None:
    """Then nothing can be learned of it, and what needs replacement is lead alone."""
    lead = town.evidence.lines["utility_material"].astype(object).eq("lead")
    sides = ("utility_material", "customer_material")
    lines = town.evidence.lines.assign(**{s: np.where(lead, "lead", "unknown") for s in sides})
    index = town.features.index[:20]
    seen = np.full(20, "galvanized")
    checks = looks(index, seen, seen).assign(why="suspected")
    model = quick_fit(Evidence(lines=lines, checks=checks), target="needs_replacement")
    scores = model.score()
    assert scores["p_replace"].to_numpy() == pytest.approx(scores["p_lead"].to_numpy())


def some_kits(home: str, *results: tuple[float, ...]) -> pd.DataFrame:
    """Kits of one home with both ends of both bottles [ug/L]; the second and on are doubted."""
    ends = ["first_low", "first_high", "flushed_low", "flushed_high"]
    kits = pd.DataFrame(results, columns=ends)
    return kits.assign(
        parcel_id=home,
        kit_id=[f"X{i}" for i in range(len(kits))],
        verdict=["usable", *["usable_with_doubt"] * (len(kits) - 1)],
        flush_min=2.0,
        collected_on=pd.Timestamp("2025-05-01"),
    )


def test_a_kit_that_tells_next_to_nothing_takes_nothing_from_a_good_one(
    town, quick_fit: Fit
) -> None:
    spoken = pd.concat([town.evidence.checks["parcel_id"], town.evidence.pairs["parcel_id"]])
    home = town.features.index.difference(pd.Index(spoken.unique()))[0]
    good, weak = (12.0, 12.0, 9.0, 9.0), (2.5, 2.5, np.nan, np.nan)
    weight = []
    for kits in ([good], [good, weak], [good, weak, weak]):
        pairs = pd.concat([town.evidence.pairs, some_kits(home, *kits)], ignore_index=True)
        model = quick_fit(replace(town.evidence, pairs=pairs))
        weight.append(model.weights()["weight_water"][home])
    assert weight[0] > 0.5
    assert weight[1] > weight[0] - 0.05
    assert weight[2] > weight[0] - 0.1


def test_reason_gives_a_result_that_was_measured(town, quick_fit: Fit) -> None:
    """Of 1.5 ug/L and "below 5" the higher is not known; 5 was never measured."""
    home = town.features.index[0]
    kits = some_kits(home, (1.5, 1.5, 1.2, 1.2), (0.0, 5.0, 0.0, 5.0))
    scores = quick_fit(replace(town.evidence, pairs=kits)).score()
    said = " ".join(scores.filter(like="reason_").loc[home].dropna())
    assert "1.5 ug/L after standing, 1.2 ug/L after running" in said


def test_of_several_forms_the_one_of_the_last_kit_counts_in_any_order_of_rows() -> None:
    days = pd.to_datetime(["2025-06-01", "2024-01-01", None, None])
    kits = pd.DataFrame(
        {
            "kit_id": ["new", "old", "never", "lost"],
            "parcel_id": "a",
            "collected_on": days,
            "received_on": pd.to_datetime([None, None, None, "2024-09-01"]),
            "mailed_on": pd.NaT,
        }
    )
    answers = pd.DataFrame({"kit_id": kits["kit_id"], "entry_pipe": list("1234")})
    for rows in (answers, answers[::-1]):
        city = SimpleNamespace(answers=rows, kits=kits)
        assert answers_by_date(city)["kit_id"].tolist() == ["never", "old", "lost", "new"]
