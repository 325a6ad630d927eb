"""Leaks: hidden checks stay hidden, and a score or column that knows them is found out."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from linemap.evaluation import QUICK, evaluate
from linemap.evaluation.baselines import baseline_scores, feature_matrix
from linemap.evaluation.cautions import leak_cautions
from linemap.evaluation.frame import prepare
from linemap.evaluation.words import CHECKS


def codes(evaluation) -> set[str]:
    return {caution.code for caution in evaluation.cautions}


def test_every_judged_home_was_hidden_from_the_fit_that_judged_it(judged, frame):
    _, model = judged
    hidden = [set(call) for call in model.calls]
    told = frame.index[frame["checked"]]
    # five random and five block folds hide every checked home once, whatever the reason
    for calls in (hidden[:5], hidden[5:10], hidden[10:15]):
        assert sum(len(call) for call in calls) == len(told)
        assert set.union(*calls) == set(told)


def test_a_model_that_keeps_hidden_checks_is_found_out(town, frame, honest_model):
    honest = honest_model(town)
    result = evaluate(
        frame, lambda hidden: honest(hidden[:0]), seed=1, bootstrap=20, protocols=QUICK
    )
    assert {"hiding_changes_nothing", "answer_known", "too_good"} <= codes(result)
    assert result.headline is None
    assert "see the warnings" in result.headline_reason


def test_a_model_that_knows_most_answers_is_found_out(town, frame, honest_model):
    honest = honest_model(town)

    def leaking(hidden: pd.Index) -> pd.Series:
        return honest(hidden) * 0.05 + 0.95 * town["label"].fillna(0.3)

    result = evaluate(frame, leaking, seed=1, bootstrap=20, protocols=QUICK)
    assert "answer_known" in codes(result)
    assert result.headline is None


def test_a_feature_filled_in_from_the_checks_is_found_out(town, frame, honest_model):
    result = evaluate(
        frame.assign(remark=frame["label"].fillna(-1)),
        honest_model(town),
        seed=1,
        bootstrap=20,
        protocols=QUICK,
    )
    too_good = [c for c in result.cautions if c.code == "too_good"]
    assert any("plain boosting" in caution.text for caution in too_good)


def test_an_honest_model_is_not_accused(judged):
    assert not any(caution.severe for caution in judged[0].cautions)


@pytest.mark.parametrize("share", [0.02, 0.98])
def test_a_right_rate_is_not_called_a_leak_where_nearly_all_homes_are_alike(share):
    """Known truth drawn here: each home is given the share of lead and nothing else."""
    rng = np.random.default_rng(1)
    label = (rng.random(1200) < share).astype(float)
    held = pd.DataFrame({"label": label, "linemap": share, "visible": 0.99 * label + 0.005})
    assert leak_cautions({"blocks": held}, CHECKS) == []
    unhidden = held.assign(visible=share)
    [note] = leak_cautions({"blocks": unhidden}, CHECKS)
    assert (note.code, note.severe) == ("hiding_changes_nothing", False)
    known = held.assign(linemap=0.96 * label + 0.02)
    assert [note.code for note in leak_cautions({"blocks": known}, CHECKS)] == ["answer_known"]


def test_copying_the_nearest_check_flatters_under_random_folds(town, frame):
    def nearest(hidden: pd.Index) -> pd.Series:
        data = prepare(frame, "checks")
        table = baseline_scores(data, feature_matrix(data), hidden, data.index, seed=1)
        return table["nearest checks"]

    result = evaluate(frame, nearest, seed=1, bootstrap=20, protocols=["random", "blocks"])
    assert "random_flatters" in codes(result)


def test_baselines_never_see_hidden_checks(frame):
    data = prepare(frame, "checks")
    hidden = data.index[data["checked"]][:300]
    judged = hidden[data.loc[hidden, "judged"]]
    turned = data.copy()
    turned.loc[judged, "label"] = 1 - turned.loc[judged, "label"]
    one, two = (
        baseline_scores(d, feature_matrix(d), hidden, judged, seed=1) for d in (data, turned)
    )
    pd.testing.assert_frame_equal(one, two)
