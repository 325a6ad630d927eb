"""Refusals and warnings: what the checks at hand cannot carry is not said."""

from __future__ import annotations

import json

import numpy as np
import pandas as pd
import pytest

from linemap.errors import ArgumentError, EvidenceError
from linemap.evaluation import QUICK, evaluate
from linemap.evaluation.cautions import label_cautions
from linemap.evaluation.frame import prepare


def codes(evaluation) -> set[str]:
    return {caution.code for caution in evaluation.cautions}


def test_no_headline_where_checks_were_made_for_other_reasons(town, frame, honest_model):
    asked = frame.copy()
    asked.loc[asked["why"] != "suspected", "why"] = "request"
    result = evaluate(asked, honest_model(town), seed=1, bootstrap=20, protocols=QUICK)
    assert result.headline is None
    assert "Draw a random sample" in result.headline_reason
    assert {"few_random_checks"} <= codes(result)


@pytest.mark.parametrize("kept", ["few", "one kind"])
def test_random_checks_that_cannot_be_judged_alone_are_named(town, frame, honest_model, kept):
    drawn = frame.index[frame["why"] == "random"]
    dropped = drawn[6:] if kept == "few" else drawn[frame.loc[drawn, "label"] == 1]
    few = frame.copy()
    few.loc[dropped, "why"] = "main_work"
    result = evaluate(few, honest_model(town), seed=1, bootstrap=20, folds=2, protocols=QUICK)
    left = len(drawn) - len(dropped)
    [text] = [caution.text for caution in result.cautions if caution.code == "no_audit"]
    assert f"{left} of them" in text
    assert set(result.measures["protocol"]) == {"blocks"}


def test_unknown_reasons_are_warned_of(town, frame, honest_model):
    unsaid = frame.copy()
    unsaid.loc[unsaid["why"] == "main_work", "why"] = "unknown"
    result = evaluate(unsaid, honest_model(town), seed=1, bootstrap=20, protocols=QUICK)
    assert "unknown_why" in codes(result)


def test_suspected_checks_are_hidden_and_reported_apart(judged, frame):
    result, model = judged
    suspected = frame.index[frame["why"] == "suspected"]
    assert result.counts["judged_by_reason"]["suspected"] == 0
    assert len(suspected.difference(pd.Index(np.concatenate(model.calls[5:10])))) == 0
    apart = result.groups[result.groups["group"] == "suspected"].iloc[0]
    assert apart["rows"] == len(suspected)
    assert "suspected_apart" in codes(result)


def test_homes_that_a_list_named_are_hidden_and_reported_apart(town, frame, honest_model):
    listed = frame.index[frame["why"] == "main_work"][::3]
    some = frame.copy()
    some.loc[listed, "why"] = "listed"
    result = evaluate(some, honest_model(town), seed=1, bootstrap=20, protocols=QUICK)
    assert result.counts["judged_by_reason"]["listed"] == 0
    assert result.groups.set_index("group").loc["listed", "rows"] == len(listed)
    assert "listed_apart" in codes(result)


def test_one_sided_labels_are_warned_of(town, frame, honest_model):
    sided = frame.copy()
    lead = sided.index[sided["label"] == 1]
    sided.loc[lead[12:], "label"] = 0
    result = evaluate(sided, honest_model(town), seed=1, bootstrap=20, protocols=QUICK)
    assert {"one_sided_labels", "few_of_a_kind"} <= codes(result)


def test_homes_seen_on_one_side_are_left_out_while_others_suffice(town, frame, honest_model):
    half = frame.assign(sides_seen=np.where(np.arange(len(frame)) % 2 == 0, 2, 1))
    result = evaluate(half, honest_model(town), seed=1, bootstrap=20, protocols=QUICK)
    assert result.counts["judged"] < 260
    assert "one_side_seen" in codes(result)
    alone = evaluate(frame.assign(sides_seen=1), honest_model(town), seed=1, bootstrap=20,
                     protocols=QUICK)  # fmt: skip
    assert alone.counts["judged"] == 408


def test_random_checks_of_one_side_are_not_missed(frame):
    """Half of the 120 random checks saw one side: enough are left that nothing is warned of."""
    drawn = frame.index[frame["why"] == "random"]
    half = frame.assign(sides_seen=np.where(frame.index.isin(drawn[20:]), 1, 2))
    assert len(drawn) == 120
    data = prepare(half, "checks")
    assert (data["judged"] & (data["why"] == "random")).sum() == 20
    told = {note.code: note.text for note in label_cautions(data, "checks")}
    assert "few_random_checks" not in told
    assert "count in the estimate from random checks" in told["one_side_seen"]


def test_labels_that_are_records_are_never_called_truth(town, frame):
    by_record = frame.assign(label=town["record_lead"])
    seen = []

    def from_age(hidden: pd.Index) -> pd.Series:
        seen.append(hidden)
        year = town["year_built"].fillna(1950)
        return 1 / (1 + np.exp((year - 1935) / 11))

    result = evaluate(by_record, from_age, seed=1, bootstrap=20, protocols=QUICK, labels="records")
    assert result.labels == "records"
    assert result.headline is None
    assert "labels_are_records" in codes(result)
    assert result.prevalence.empty
    assert result.choice.kind == "none"
    # a record that is the label is no evidence: the record baseline can only rank by luck
    assert result.value("auc", method="records as they are")[0] == 0.5
    assert set(np.concatenate(seen)) == set(by_record.index[by_record["label"].notna()])


def test_no_text_calls_record_entries_checks(town, frame):
    sided = frame.assign(label=town["record_lead"].where(town["record_lead"].ne(1), np.nan))
    lead = town.index[town["record_lead"].eq(1)]
    sided.loc[lead[:12], "label"] = 1
    few = sided.assign(label=sided["label"].where(sided.index.isin(lead[:2])))
    year = town["year_built"].fillna(1950)
    age = 1 / (1 + np.exp((year - 1935) / 11))
    for given in (frame.assign(label=town["record_lead"]), sided, few):
        result = evaluate(given, lambda _: age, seed=1, bootstrap=20, folds=2, labels="records")
        text = json.dumps(result.to_dict()) + " ".join(result.sentences())
        for false in ("checks found", "usable checks", "never used as the label", "hecked homes"):
            assert false not in text
        for protocol in result.protocols["text"]:
            assert "agreement with the record, not with the truth" in protocol


def test_too_few_checks_judge_nothing_and_stop_nothing(town, frame, honest_model):
    bare = frame.copy()
    bare[["checked", "label"]] = [False, np.nan]
    model = honest_model(town)
    result = evaluate(bare, model, seed=1)
    assert not model.calls
    assert result.headline is None
    assert result.measures.empty
    assert "too_few_to_judge" in codes(result)
    json.dumps(result.to_dict(), allow_nan=False)
    assert "Nothing was judged" in " ".join(result.sentences())


def test_a_model_that_refuses_a_protocol_does_not_end_the_evaluation(town, frame, honest_model):
    honest = honest_model(town)

    def needs_many(hidden: pd.Index) -> pd.Series:
        if len(hidden) > 0.4 * frame["checked"].sum():
            raise EvidenceError("too few checks to learn from")
        return honest(hidden)

    result = evaluate(frame, needs_many, seed=1, bootstrap=20)
    assert "refused_time" in codes(result)
    assert "blocks" in set(result.measures["protocol"])
    missing = result.learning[result.learning["note"] != ""]
    assert "too few checks to learn from" in set(missing["note"])


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (lambda f: f.drop(columns=["why", "x"]), "lacks x, why"),
        (lambda f: pd.concat([f, f.iloc[:1]]), "a parcel twice"),
        (lambda f: f.assign(label=2.0), "label may hold 1, 0 and NaN only"),
        (lambda f: f.assign(x=np.nan), "x and y must be known"),
        (lambda f: f.assign(checked=False), "a label stands at a home that was not checked"),
    ],
)
def test_a_frame_that_breaks_the_contract_is_refused(town, frame, change, message, honest_model):
    with pytest.raises(ArgumentError, match=message):
        evaluate(change(frame), honest_model(town), seed=1)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (lambda p: p.iloc[1:], "left out 1 parcels, e.g. P00000"),
        (lambda p: p * 3, "probabilities lie from 0 to 1"),
        (lambda p: p.where(p.index != "P00007"), "gave nan for parcel P00007"),
        (lambda p: p.to_numpy(), "must return a Series"),
    ],
)
def test_a_score_that_breaks_the_contract_is_refused(town, frame, change, message, honest_model):
    honest = honest_model(town)
    with pytest.raises(ArgumentError, match=message):
        evaluate(frame, lambda hidden: change(honest(hidden)), seed=1, protocols=QUICK)


def test_an_unknown_protocol_is_named(town, frame, honest_model):
    with pytest.raises(ArgumentError, match="'blcoks'"):
        evaluate(frame, honest_model(town), seed=1, protocols=["blcoks"])


@pytest.mark.parametrize("folds", [0, 1])
def test_fewer_than_two_folds_are_refused(town, frame, honest_model, folds):
    with pytest.raises(ArgumentError, match="set folds to 2 or more"):
        evaluate(frame, honest_model(town), seed=1, folds=folds)


def test_few_checks_and_many_folds_are_judged(town, frame, honest_model):
    few = frame.copy()
    told = few.index[few["checked"] & few["why"].ne("suspected")]
    lead = few.loc[told, "label"].eq(1)
    kept = told[lead][:11].append(told[~lead][:11])
    few["checked"] = few.index.isin(kept)
    few["label"] = few["label"].where(few["checked"])
    result = evaluate(few, honest_model(town), seed=1, bootstrap=20, folds=25,
                      protocols=["random", "matched"])  # fmt: skip
    assert set(result.protocols["fits"]) == {22}


@pytest.mark.parametrize(
    ("dates", "said"),
    [
        ("none", "dates are missing. Of 408 checks judged by, 0 have one; at least 10 are needed."),
        (
            "one",
            "more than half of the dated checks are of the last day, so that little is "
            "left to learn from before it.",
        ),
    ],
)
def test_missing_dates_are_said_to_be_missing(town, frame, honest_model, dates, said):
    day = pd.NaT if dates == "none" else pd.Timestamp("2022-05-01")
    result = evaluate(frame.assign(checked_on=day), honest_model(town), seed=1, bootstrap=5,
                      folds=2, protocols=["blocks", "time"])  # fmt: skip
    [text] = [caution.text for caution in result.cautions if caution.code == "no_time"]
    assert text == f"Forward in time is not judged: {said}"


def test_every_home_checked_leaves_no_distance_to_match(town, frame, honest_model):
    all_told = frame[frame["checked"]]
    model = honest_model(town)
    result = evaluate(all_told, model, seed=1, bootstrap=5, folds=2, protocols=["matched"])
    [text] = [caution.text for caution in result.cautions if caution.code == "no_matched"]
    assert "no home is without a check" in text


def test_a_sample_alone_states_no_lead_of_the_city(town, frame, honest_model):
    west = frame.index[frame["x"] < 3000]
    with pytest.raises(ArgumentError, match="give expected_lead, or no sample"):
        evaluate(frame, honest_model(town), seed=1, protocols=QUICK, sample=west)
