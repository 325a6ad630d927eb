"""What must hold of every score: sums, order, repeatability, sources, checks, intervals."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from itertools import combinations

import numpy as np
import pandas as pd
import pytest
from scipy.special import expit

from linemap.errors import ArgumentError, EvidenceError
from linemap.published import fact
from linemap.scoring import Evidence, LineModel, log_odds
from linemap.scoring.reasons import say_building, say_record

SOURCE_OF = {"lines": "record", "answers": "answers", "pairs": "water", "checks": "check"}
Fit = Callable[..., LineModel]


def look(homes: list[str], material: str, side: tuple[str, ...], why: str) -> pd.DataFrame:
    """Checks of some homes on one day."""
    return pd.DataFrame(
        [
            {
                "parcel_id": home,
                "side": one,
                "checked_on": pd.Timestamp("2025-06-01"),
                "material": material,
                "why": why,
            }
            for home in homes
            for one in side
        ]
    )


def with_checks(evidence: Evidence, more: pd.DataFrame) -> Evidence:
    return replace(evidence, checks=pd.concat([evidence.checks, more], ignore_index=True))


def untouched(evidence: Evidence, index: pd.Index) -> pd.Index:
    """Homes of which no check, kit or form speaks."""
    spoken = pd.concat([evidence.checks["parcel_id"], evidence.pairs["parcel_id"]])
    return index.difference(pd.Index(spoken.unique()))


# ---------------------------------------------------------------- arithmetic of the scores


def test_weights_add_up_to_the_log_odds(scores: pd.DataFrame) -> None:
    weights = scores.filter(like="weight_")
    assert weights.shape[1] == 6
    gap = weights.sum(axis=1) - log_odds(scores["p_lead"])
    assert np.abs(gap).max() < 1e-9


def test_interval_holds_the_probability(scores: pd.DataFrame) -> None:
    assert (scores["p_low"] < scores["p_lead"]).all()
    assert (scores["p_lead"] < scores["p_high"]).all()
    assert (scores[["p_low", "p_high"]] > 0).all(axis=None)
    assert (scores[["p_low", "p_high"]] < 1).all(axis=None)


def test_scores_keep_the_order_of_the_parcels(town, scores: pd.DataFrame) -> None:
    assert scores.index.equals(town.features.index)


def test_scores_tell_lead_from_other_lines(town, scores: pd.DataFrame) -> None:
    """Not a measure of skill, but a sign or order turned round would show: mean p by truth."""
    lead = town.truth["is_lead"].reindex(scores.index).to_numpy(dtype=bool)
    assert scores["p_lead"][lead].mean() > 2.5 * scores["p_lead"][~lead].mean()


def test_inputs_are_left_as_they_were(town, quick_fit: Fit) -> None:
    tables = ("lines", "checks", "pairs", "answers")
    before = {name: getattr(town.evidence, name).copy(deep=True) for name in tables}
    features, unit = town.features.copy(deep=True), town.graph.unit.copy()
    quick_fit(town.evidence).score()
    for name in tables:
        pd.testing.assert_frame_equal(getattr(town.evidence, name), before[name])
    pd.testing.assert_frame_equal(town.features, features)
    assert (town.graph.unit == unit).all()


def test_same_seed_same_scores(town, model: LineModel, scores: pd.DataFrame) -> None:
    again = LineModel(seed=1).fit(town.features, town.graph, town.evidence)
    pd.testing.assert_frame_equal(again.score(), scores, check_exact=True)
    pd.testing.assert_frame_equal(model.score(), scores, check_exact=True)
    other = LineModel(seed=2).fit(town.features, town.graph, town.evidence).score()
    assert not other["p_lead"].equals(scores["p_lead"])


def test_row_order_of_evidence_is_irrelevant(town, quick_fit: Fit) -> None:
    """Forms of one home keep their order, since its last form counts."""
    one = town.evidence
    last = one.answers.drop_duplicates("parcel_id", keep="last")
    turned = Evidence(
        lines=one.lines.sample(frac=1.0, random_state=1),
        checks=one.checks.sample(frac=1.0, random_state=2),
        pairs=one.pairs.sample(frac=1.0, random_state=3),
        answers=last.sample(frac=1.0, random_state=4),
    )
    first, second = quick_fit(replace(one, answers=last)).score(), quick_fit(turned).score()
    numbers = first.select_dtypes("number").columns
    assert len(numbers) >= 9
    assert np.abs(first[numbers] - second[numbers]).max(axis=None) < 1e-9


# ---------------------------------------------------------------- any subset of sources


@pytest.mark.parametrize(
    "tables",
    [
        chosen
        for size in range(1, 5)
        for chosen in combinations(SOURCE_OF, size)
        if {"lines", "checks"} & set(chosen)
    ],
    ids="+".join,
)
def test_any_subset_with_records_or_checks_works(
    town, quick_fit: Fit, tables: tuple[str, ...]
) -> None:
    model = quick_fit(Evidence(**{name: getattr(town.evidence, name) for name in tables}))
    table = model.score()
    assert np.isfinite(table.filter(like="weight_")).all(axis=None)
    assert table["p_lead"].between(0, 1, inclusive="neither").all()
    used = {SOURCE_OF[name] for name in tables}
    assert set(model.describe()["sources"]) == used
    assert set(model.describe()["witnesses"]) == used
    for source in set(SOURCE_OF.values()) - used:
        assert (table[f"weight_{source}"] == 0).all()


@pytest.mark.parametrize("tables", [(), ("pairs",), ("answers",), ("pairs", "answers")])
def test_neither_record_nor_check_is_refused(town, quick_fit: Fit, tables: tuple[str, ...]) -> None:
    evidence = Evidence(**{name: getattr(town.evidence, name) for name in tables})
    with pytest.raises(EvidenceError, match=r"Bring the table lines or the table checks"):
        quick_fit(evidence)


def test_suspected_checks_alone_are_refused(town, quick_fit: Fit) -> None:
    homes = town.features.index[:30].tolist()
    with pytest.raises(EvidenceError, match="suspected"):
        quick_fit(Evidence(checks=look(homes, "lead", ("utility", "customer"), "suspected")))


def test_records_without_any_material_are_refused(town, quick_fit: Fit) -> None:
    blank = town.evidence.lines.assign(utility_material="unknown", customer_material="unknown")
    with pytest.raises(EvidenceError):
        quick_fit(Evidence(lines=blank))


def test_features_and_places_of_different_parcels_are_refused(town, quick_fit: Fit) -> None:
    with pytest.raises(ArgumentError, match="1199"):
        quick_fit(town.evidence, features=town.features.iloc[1:])


# ---------------------------------------------------------------- checks


def test_suspected_checks_teach_nothing_to_other_homes(town, quick_fit: Fit) -> None:
    """Their own homes are marked; the others move by no more than the noise of the draws."""
    plain = replace(
        town.evidence, checks=town.evidence.checks.query("why != 'suspected'").reset_index()
    )
    homes = untouched(plain, town.features.index)[::45].tolist()
    assert len(homes) >= 20
    more = look(homes, "lead", ("utility", "customer"), "suspected")
    before, after = quick_fit(plain).score(), quick_fit(with_checks(plain, more)).score()
    others = before.index.difference(pd.Index(homes))
    assert np.abs(after["p_lead"] - before["p_lead"])[others].max() < 1e-6
    sure = -log_odds(fact("scoring.check.error").value)
    assert after.loc[homes, "weight_check"].min() > sure - 1e-9
    assert (after["p_lead"] > before["p_lead"])[homes].all()


def test_checks_along_main_work_do_teach_others(town, quick_fit: Fit) -> None:
    """The same looks for another reason: the test above does not pass for want of effect."""
    homes = untouched(town.evidence, town.features.index)[::45].tolist()
    more = look(homes, "lead", ("utility", "customer"), "main_work")
    before = quick_fit(town.evidence).score()
    after = quick_fit(with_checks(town.evidence, more)).score()
    others = before.index.difference(pd.Index(homes))
    assert np.abs(after["p_lead"] - before["p_lead"])[others].max() > 0.05


def test_a_check_settles_its_home(town, quick_fit: Fit) -> None:
    """Near 0 or 1 wherever the look is no great surprise; everywhere by the stated error."""
    homes = untouched(town.evidence, town.features.index)[::40].tolist()
    unseen = quick_fit(town.evidence).score().loc[homes, "p_lead"]
    sure = -log_odds(fact("scoring.check.error").value)
    for material, sign, expected in (("lead", 1, unseen >= 0.1), ("copper", -1, unseen <= 0.9)):
        more = look(homes, material, ("utility", "customer"), "suspected")
        table = quick_fit(with_checks(town.evidence, more)).score().loc[homes]
        settled = table["p_lead"] if sign > 0 else 1 - table["p_lead"]
        assert expected.sum() >= 5
        assert settled[expected].min() > 0.9
        assert (sign * table["weight_check"]).median() > 0.9 * sure


def test_one_side_without_lead_leaves_room_for_the_other(town, quick_fit: Fit) -> None:
    """Homes recorded as lead: a look at one side lowers the chance, at both ends it."""
    free = untouched(town.evidence, town.features.index)
    lines = town.evidence.lines.set_index("parcel_id").loc[free]
    homes = lines.index[lines["utility_material"] == "lead"][:12].tolist()
    assert len(homes) == 12
    unseen = quick_fit(town.evidence).score().loc[homes, "p_lead"]
    one, both = (
        quick_fit(with_checks(town.evidence, look(homes, "copper", side, "suspected")))
        .score()
        .loc[homes, "p_lead"]
        for side in (("utility",), ("utility", "customer"))
    )
    assert (one < unseen).all()
    assert (both < one).all()
    assert (log_odds(one) > log_odds(both) + np.log(5)).all()


def test_later_check_of_a_side_outranks_the_earlier(town, quick_fit: Fit) -> None:
    home = [untouched(town.evidence, town.features.index)[0]]
    both = ("utility", "customer")
    early = look(home, "lead", both, "random").assign(checked_on=pd.Timestamp("2021-01-01"))
    late = look(home, "copper", both, "random").assign(checked_on=pd.Timestamp("2023-01-01"))
    p = quick_fit(with_checks(town.evidence, pd.concat([late, early]))).score()["p_lead"]
    assert p[home[0]] < 0.1


# ---------------------------------------------------------------- counts of lead lines


def test_expected_lead_is_the_sum_with_an_interval_that_knows_of_correlation(
    town, model: LineModel, scores: pd.DataFrame
) -> None:
    area = town.features["area_id"]
    city = pd.Series("all", index=area.index, name="city")
    for groups in (area, city):
        counts = model.expected_lead(groups)
        p = scores["p_lead"].groupby(groups, observed=True)
        assert counts["expected"].to_numpy() == pytest.approx(p.sum().to_numpy())
        assert (counts["low"] <= counts["expected"]).all()
        assert (counts["expected"] <= counts["high"]).all()
        alone = p.apply(lambda one: 2 * 1.645 * np.sqrt((one * (1 - one)).sum()))
        wide = p.sum() > 5
        assert wide.any()
        assert ((counts["high"] - counts["low"]).to_numpy() > alone.to_numpy())[wide].all()


def test_expected_lead_leaves_out_homes_in_no_group(model: LineModel, scores: pd.DataFrame) -> None:
    groups = pd.Series(None, index=scores.index, dtype=object, name="street")
    groups.iloc[:40] = "north"
    counts = model.expected_lead(groups)
    assert counts.index.tolist() == ["north"]
    assert counts["expected"].tolist() == pytest.approx([scores["p_lead"].iloc[:40].sum()])


# ---------------------------------------------------------------- reasons and support


def test_homes_with_evidence_have_reasons(town, scores: pd.DataFrame) -> None:
    assert scores["reason_1"].notna().all()
    reasons = scores[["reason_1", "reason_2", "reason_3"]]
    assert not (reasons == "").any(axis=None)
    checked = town.evidence.checks.query("material != 'unknown'")["parcel_id"].unique()
    told = reasons.loc[checked].apply(lambda row: row.str.contains("looked", na=False)).any(axis=1)
    assert told.all()


def test_a_later_house_is_said_to_stand_perhaps_on_an_older_line(model: LineModel) -> None:
    older = model.features_["replaced_home_year"]
    words = pd.Series(
        say_building(model.features_, model.weights()["weight_prior"].to_numpy()), older.index
    )
    assert older.notna().sum() > 20
    assert words.str.contains("perhaps on an older line").equals(older.notna())
    home = older.dropna().index[0]
    assert f"among homes from about {older[home]:.0f}," in words[home]


def test_the_record_is_quoted_with_its_materials(town, model: LineModel) -> None:
    lines = town.evidence.lines.set_index("parcel_id")
    words = pd.Series(say_record(model.sources_.record), model.features_.index)
    both = lines[["utility_material", "customer_material"]].astype(object)
    copper = both.eq("copper").all(axis=1).reindex(words.index)
    assert copper.sum() > 20
    assert words[copper].str.startswith("the record says copper on both sides, but").all()
    blank = both.replace("unknown", np.nan).isna().all(axis=1).reindex(words.index)
    assert (words[blank] == "").all()
    told = model.sources_.record.words_ratio()
    assert words.str.contains("seldom name this").equals(pd.Series(told < 1 / 1.5, words.index))
    assert words.str.contains("often name this").equals(pd.Series(told >= 1.5, words.index))


def without_source(model: LineModel, silent: str, home: str) -> float:
    """Bayes by enumeration over the states of one home, one source's words left out."""
    said = model.sources_.testimony(teaching=False)
    at = model.features_.index.get_loc(home)
    none = 1 - expit(model.city_.before[at])
    chance = np.r_[none, (1 - none) * np.exp(said.log_share[at])]
    for name, words in said.by_source.items():
        chance = chance * (np.exp(words[at]) if name != silent else 1.0)
    return float(chance[1:].sum() / chance.sum())


def test_chance_of_each_side_lies_within_that_of_the_line(town, model: LineModel, scores) -> None:
    sides = model.sides()
    p = scores["p_lead"].to_numpy()[:, None]
    assert (sides.to_numpy() <= p + 1e-12).all()
    assert (sides.sum(axis=1) >= scores["p_lead"] - 1e-12).all()
    checks = town.evidence.checks.query("side == 'utility' and why != 'suspected'")
    for material, sign in (("lead", 1), ("copper", -1)):
        seen = checks.loc[checks["material"] == material, "parcel_id"].unique()
        known = sides.loc[seen, "p_utility"]
        assert (sign * (known - 0.5) > 0.4).all()


def test_options_that_mean_nothing_are_refused_together(town) -> None:
    wrong = LineModel(prior="tree", target="galvanised", rounds=0, folds=1, draws=0, block_m=0)
    with pytest.raises(ArgumentError) as caught:
        wrong.fit(town.features, town.graph, town.evidence)
    for name in ("prior", "target", "rounds", "folds", "draws", "block_m"):
        assert name in str(caught.value)


def test_explanation_agrees_with_the_scores(town, model: LineModel, scores: pd.DataFrame) -> None:
    homes = [
        town.evidence.checks["parcel_id"].iloc[0],
        town.evidence.pairs["parcel_id"].iloc[0],
        *town.features.index[:3],
    ]
    for home in homes:
        why = model.explain(home)
        row = scores.loc[home]
        assert why.p_lead == pytest.approx(row["p_lead"], abs=1e-12)
        for part, weight in why.weights.items():
            assert weight == pytest.approx(row[f"weight_{part}"], abs=1e-12)
        assert sum(why.weights.values()) == pytest.approx(log_odds(why.p_lead), abs=1e-9)
        said = [row[f"reason_{j}"] for j in (1, 2, 3) if pd.notna(row[f"reason_{j}"])]
        assert list(why.sentences[: len(said)]) == said
        spoken = [source for source in SOURCE_OF.values() if why.weights[source]]
        silent = {name: without_source(model, name, home) for name in spoken}
        if silent:
            most = max(silent, key=lambda name: abs(silent[name] - why.p_lead))
            assert row["telling_source"] == most
            assert row["p_without"] == pytest.approx(silent[most], abs=1e-9)
            assert f"without the {most}" in why.counterfactual
            assert f"{silent[most]:.0%} instead of {why.p_lead:.0%}" in why.counterfactual
    with pytest.raises(ArgumentError, match="nowhere"):
        model.explain("nowhere")


def test_a_year_that_nobody_else_lacks_is_beyond_data(town, quick_fit: Fit) -> None:
    features = town.features.copy()
    silent = features.index[features["year_built"].isna()]
    lines = town.evidence.lines.query("parcel_id not in @silent")
    checks = town.evidence.checks.query("parcel_id not in @silent")
    pairs = town.evidence.pairs.query("parcel_id not in @silent")
    answers = town.evidence.answers.query("parcel_id not in @silent")
    table = quick_fit(Evidence(lines, checks, pairs, answers), features=features).score()
    assert len(silent) > 20
    assert table.loc[silent, "beyond_data"].all()


def test_home_unlike_all_others_is_beyond_data(town, quick_fit: Fit) -> None:
    features = town.features.copy()
    old, strange, far = features.index[[10, 500, 900]]
    features.loc[old, "year_built"] = 1790.0
    features["land_use"] = features["land_use"].cat.add_categories("lighthouse")
    features.loc[strange, "land_use"] = "lighthouse"
    features.loc[far, ["x", "y"]] += 50_000.0
    lines = town.evidence.lines.set_index("parcel_id").drop([old, strange, far]).reset_index()
    table = quick_fit(replace(town.evidence, lines=lines), features=features).score()
    assert table.loc[[old, strange, far], "beyond_data"].all()
    assert table["beyond_data"].mean() < 0.2


# ---------------------------------------------------------------- what a kit would teach


def test_information_of_a_kit(town, model: LineModel, scores: pd.DataFrame) -> None:
    gain = model.kit_information()
    assert gain.index.equals(scores.index)
    assert gain.between(0, 0.5).all()
    sides = town.evidence.checks.query("material != 'unknown'")
    sides = sides.groupby("parcel_id")["side"].nunique()
    known = sides.index[sides == 2]
    known = known[(scores.loc[known, "p_lead"] - 0.5).abs() > 0.49]
    assert len(known) >= 10
    assert gain[known].max() < 0.02
    unsure = scores["p_lead"].between(0.35, 0.65)
    assert gain[unsure].min() > 10 * gain[known].median()
    assert (gain <= 2 * scores["p_lead"] * (1 - scores["p_lead"]) + 1e-4).all()
