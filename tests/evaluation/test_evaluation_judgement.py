"""The door of the stage: contract, honesty, leaks, refusals, cost."""

from __future__ import annotations

import json

import numpy as np
import pandas as pd
import pytest

from linemap.evaluation import PROTOCOLS, QUICK, evaluate, judgement
from linemap.evaluation.baselines import MEANING


def codes(evaluation) -> set[str]:
    return {caution.code for caution in evaluation.cautions}


def test_all_protocols_take_at_most_twenty_fits(judged):
    _, model = judged
    assert len(model.calls) <= 20


def test_quick_protocols_take_one_fit_a_fold(town, frame, honest_model):
    model = honest_model(town)
    result = evaluate(frame, model, seed=1, bootstrap=20, folds=3, protocols=QUICK)
    assert len(model.calls) == 3
    assert result.headline is not None
    assert set(result.measures["protocol"]) == {"blocks", "audit"}
    assert result.learning.empty


def test_every_table_is_filled_and_every_estimate_has_an_interval(judged):
    result, _ = judged
    tables = result.tables()
    assert all(len(table) for name, table in tables.items())
    assert set(result.measures["protocol"]) == set(PROTOCOLS) - {"learning"}
    assert set(result.baselines["method"]) == set(MEANING)
    for table in (result.measures, result.baselines):
        interval = table[["value", "low", "high"]].dropna(subset="value")
        assert interval.notna().all(axis=None)
        assert (interval["low"] <= interval["high"]).all()
    ece = result.measures[result.measures["measure"] == "ece"]
    plain = ece[ece["weighting"] == "as checked"]
    assert (plain["perfect_low"] < plain["perfect_high"]).all()
    kinds = {"era", "area", "income", "record", "why"}
    assert set(result.groups["kind"]) == kinds
    few = result.groups[["lead", "rows"]].eval("lead < 5 or rows - lead < 5")
    measures = ["auc", "average_precision", "brier", "log_loss"]
    assert result.groups.loc[~few, measures].notna().all(axis=None)
    assert result.groups.loc[few, ["auc", "average_precision"]].isna().all(axis=None)


def test_result_goes_to_json_without_nan(judged):
    result, _ = judged
    text = json.dumps(result.to_dict(), allow_nan=False)
    back = json.loads(text)
    assert back["headline"]["rows"] == result.headline.rows
    assert "never clears a home" in back["caution"]
    assert len(back["published"]) == 2
    assert back["warnings"][0]["text"] == result.warnings[0]


def test_sentences_open_with_counts_and_close_with_the_caution(judged):
    result, _ = judged
    lines = result.sentences()
    assert lines[0].startswith("408 of 2,400 homes are judged by")
    assert "cannot be ruled out" in lines[1]
    assert lines[-1].startswith("A score is a probability, not a finding")


def test_same_seed_same_result_and_inputs_untouched(town, frame, honest_model):
    before = frame.copy(deep=True)
    one, two = (
        evaluate(frame, honest_model(town), seed=4, bootstrap=20, folds=2) for _ in range(2)
    )
    assert json.dumps(one.to_dict()) == json.dumps(two.to_dict())
    for name, table in one.tables().items():
        pd.testing.assert_frame_equal(table, two.tables()[name])
    pd.testing.assert_frame_equal(frame, before)


def test_a_protocol_is_judged_alike_alone_or_among_others(judged, town, frame, honest_model):
    alone = evaluate(frame, honest_model(town), seed=1, bootstrap=60, protocols=["blocks"])
    assert alone.value("auc")[0] == judged[0].value("auc")[0]
    assert alone.value("log_loss")[0] == judged[0].value("log_loss")[0]


def test_true_probabilities_are_called_right(town, frame, new_town):
    # the probabilities the town was drawn from: nothing can be better calibrated
    inside = []
    for seed in range(3):
        other = new_town(seed=50 + seed)
        given = other.drop(columns=["truth", "p_true"])
        result = evaluate(
            given, lambda hidden, t=other: t["p_true"], seed=1, bootstrap=40, protocols=["blocks"]
        )
        assert result.value("calibration_slope")[0] == pytest.approx(1, abs=0.25)
        row = result.measures.query("measure == 'ece' and weighting == 'as checked'").iloc[0]
        inside.append(row["perfect_low"] <= row["value"] <= row["perfect_high"])
        assert result.choice.kind == "none"
    assert sum(inside) >= 2


def test_shuffled_labels_show_no_gain(town, honest_model):
    shuffled = town.copy()
    checked = shuffled["checked"].to_numpy()
    rng = np.random.default_rng(2)
    shuffled.loc[checked, "label"] = rng.permutation(shuffled.loc[checked, "label"].to_numpy())
    result = evaluate(
        shuffled.drop(columns=["truth", "p_true"]), honest_model(shuffled), seed=1, bootstrap=100
    )
    for protocol in ("random", "blocks", "matched"):
        value, low, _ = result.value("auc", protocol=protocol)
        assert value == pytest.approx(0.5, abs=0.08)
        assert low <= 0.52
        boosted = result.value("auc", protocol=protocol, method="plain boosting")[0]
        assert boosted == pytest.approx(0.5, abs=0.08)
    assert result.headline.callable_share < 0.02


def test_learning_curve_grows_with_checks(judged):
    result, _ = judged
    ours = result.learning.query("method == 'linemap' and measure == 'log_loss'")
    assert ours["visible"].is_monotonic_increasing
    assert ours["value"].iloc[-1] < ours["value"].iloc[0]


def test_gain_curve_runs_from_nothing_to_all(judged):
    for _, curve in judged[0].gain.groupby(["protocol", "method"]):
        assert curve["found"].iloc[0] == 0
        assert curve["found"].iloc[-1] == pytest.approx(1)
        assert (curve["found"].diff().dropna() >= -1e-12).all()


def test_progress_is_told_before_each_fit(town, frame, honest_model):
    said: list[str] = []
    model = honest_model(town)
    evaluate(frame, model, seed=1, bootstrap=20, folds=3, protocols=QUICK, tell=said.append)
    assert said == [f"blocks: fit {k} of 3" for k in (1, 2, 3)]


@pytest.mark.parametrize(("alike_m", "warned"), [(800.0, False), (9000.0, True)])
def test_blocks_smaller_than_asked_for_are_a_fault_only_where_lines_are_alike_over_more(
    town, frame, honest_model, monkeypatch, alike_m, warned
):
    """The settings may ask for more than a city can be judged by; what matters is the distance
    over which lines of one age are alike, as the methods page says.
    """
    found = judgement._ranges
    monkeypatch.setattr(judgement, "_ranges", lambda *told: {**found(*told), "used_m": alike_m})
    few = {"seed": 1, "bootstrap": 20, "folds": 3, "protocols": ["blocks"]}
    result = evaluate(frame, honest_model(town), block_m=20_000.0, **few)
    assert 800.0 < result.ranges["block_m"] < 9000.0
    assert ("blocks_too_small" in codes(result)) == warned


@pytest.mark.parametrize(("why", "ways"), [("main_work", 2), ("random", 1)])
def test_checks_for_one_reason_are_reweighted_unless_drawn_at_random(
    town, frame, honest_model, why, ways
):
    """Checks along main work are all for one reason, yet no picture of the city."""
    one = frame.assign(why=frame["why"].where(~frame["checked"], why))
    result = evaluate(one, honest_model(town), seed=1, bootstrap=5, folds=2, protocols=["blocks"])
    assert result.measures["weighting"].nunique() == ways


def test_reweighted_measures_weigh_each_home_by_the_inverse_of_its_chance(judged):
    """Weights all 1 would repeat the plain figures."""
    result, _ = judged
    rows = result.measures.query("protocol == 'blocks' and measure == 'log_loss'")
    by = rows.set_index("weighting")["value"]
    assert result.overlap.weights.std() > 0.1
    assert by["inverse propensity"] != pytest.approx(by["as checked"], rel=1e-6)


@pytest.mark.parametrize(
    ("edge", "why", "named"),
    [
        (1500.0, "main_work", "The headline: only"),
        (1500.0, "random", "Random checks only: only"),
        (np.inf, "main_work", ""),
    ],
)
def test_the_fewest_blocks_of_all_are_warned_of_once(
    town, frame, honest_model, monkeypatch, edge, why, named
):
    """Checks for reasons that do not hang on the line lie in one corner, all others anywhere."""
    found = judgement._ranges
    monkeypatch.setattr(judgement, "_ranges", lambda *told: {**found(*told), "used_m": 500.0})
    corner = (frame["x"] < edge) & (frame["y"] < edge)
    given = frame.assign(record_lead=np.nan)
    given["why"] = np.where(frame["checked"], np.where(corner, why, "request"), "unknown")
    more = given.index[corner & ~given["checked"]][:40]
    given.loc[more, ["checked", "label", "why"]] = [True, 0.0, why]
    result = evaluate(given, honest_model(town), seed=1, bootstrap=5, folds=2, protocols=QUICK)
    [text] = [c.text for c in result.cautions if c.code == "few_blocks"] or [""]
    assert text.startswith(named)
    assert bool(text) == bool(named)
    assert (result.headline.blocks < 20) == bool(named)
