"""What is said of an evaluation: no figure without its interval, and none that is not known."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from linemap.evaluation import evaluate


def said(result, start: str) -> str:
    [one] = [sentence for sentence in result.sentences() if sentence.startswith(start)]
    return one


def test_the_calibration_error_is_said_with_its_interval_and_a_perfect_models_band(judged):
    result, _ = judged
    rows = result.measures.query("measure == 'ece' and weighting == 'as checked'")
    ends = ["value", "low", "high", "perfect_low", "perfect_high"]
    row = 100 * rows.set_index("protocol").loc["blocks", ends].astype(float)
    assert said(result, "Hidden by place: chance").endswith(
        f"differ by {row['value']:.1f} percentage points (95% interval {row['low']:.1f} to "
        f"{row['high']:.1f}; a perfect model would show {row['perfect_low']:.1f} to "
        f"{row['perfect_high']:.1f})."
    )


@pytest.mark.filterwarnings("error::RuntimeWarning")
def test_later_checks_of_one_kind_are_said_not_to_be_judged(town, frame, honest_model):
    middle = frame["checked_on"].quantile(0.5)
    early = frame["checked"] & frame["label"].eq(1)
    given = frame.copy()
    given.loc[early & (frame["checked_on"] > middle), "checked_on"] = middle - pd.Timedelta(3, "D")
    result = evaluate(given, honest_model(town), seed=1, bootstrap=5, folds=2, protocols=["time"])
    rows = result.measures.query("protocol == 'time'")["rows"].iloc[0]
    assert said(result, "Forward in time: not") == (
        f"Forward in time: not judged, since all {rows} homes checked are without lead."
    )
    assert result.gain.empty
    assert not any("nan" in sentence for sentence in result.sentences())


def test_too_few_blocks_are_said_instead_of_an_interval(town, frame, honest_model):
    near = frame.assign(x=frame["x"] / 20, y=frame["y"] / 20)
    result = evaluate(near, honest_model(town), seed=1, bootstrap=5, folds=2, block_m=300,
                      protocols=["blocks"])  # fmt: skip
    assert said(result, "Hidden by place: chance").count("(too few blocks for an interval") == 2
    assert not any("nan" in sentence for sentence in result.sentences())


def test_no_probability_is_judged_by_records(town, frame):
    age = 1 / (1 + np.exp((town["year_built"].fillna(1950) - 1935) / 11))
    result = evaluate(frame.assign(label=town["record_lead"]), lambda _: age, seed=1, bootstrap=5,
                      folds=2, protocols=["blocks"], labels="records")  # fmt: skip
    assert "by the age rule" in said(result, "Hidden by place: chance")
    assert "promised and found rates" not in " ".join(result.sentences())


@pytest.mark.parametrize(("drawn", "stated"), [(30, True), (29, False)])
def test_a_share_from_few_random_checks_is_not_stated(town, frame, honest_model, drawn, stated):
    """The warning says from the same number on that it cannot be."""
    few = frame.copy()
    few.loc[frame.index[frame["why"] == "random"][drawn:], "why"] = "main_work"
    result = evaluate(few, honest_model(town), seed=1, bootstrap=5, folds=2, protocols=["blocks"])
    text = " ".join(result.sentences())
    assert (f"From {drawn} random checks among all open homes" in text) == stated
    assert (f"Only {drawn} checks were drawn at random" in text) != stated
