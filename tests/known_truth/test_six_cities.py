"""What the model reaches on six invented cities of 20,000 parcels, held against their truth.

Two cities of each kind; homes whose line is unknown, unless a test says otherwise. Beside every
bound stands what was measured when it was set (2026-11-28, 2026-11-29). The truth and both
yardsticks come from the generator: the best that the evidence allows to one who knows all rates
and everything hidden of main contracts, and to one who knows all rates but must find where
contracts ended and what they laid.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
import pytest
from sklearn.metrics import average_precision_score

from linemap.evaluation.calibration import perfect_ece
from linemap.evaluation.measures import ece
from linemap.features import build_features, build_graph
from linemap.scoring import Evidence, LineModel
from linemap.water import check_kits
from synthetic_city import make_city, searched_oracle

pytestmark = pytest.mark.xdist_group("six cities")  # made once, by one worker

CITIES = (
    ("good_records", 1),
    ("good_records", 2),
    ("poor_records", 1),
    ("poor_records", 2),
    ("corrosion_control", 1),
    ("corrosion_control", 3),
)
WAR = (1941, 1946)


@dataclass(frozen=True)
class Judged:
    """One city's measures."""

    share: float
    share_searched: float
    beside_age_rule: float
    miss: float
    band: float
    homes_inside: float
    areas_inside: float
    total: pd.Series
    lead: float
    by_era: dict[tuple[int, int], tuple[float, float]]
    by_true_era: dict[tuple[int, int], tuple[float, float]]
    false_lead: tuple[float, float]
    missed_lead: tuple[float, float]


def judge(preset, seed):
    city = make_city(parcels=20_000, seed=seed, preset=preset)
    answers = city.answers.merge(city.kits[["kit_id", "parcel_id"]], on="kit_id")
    lines = city.lines.rename_axis("parcel_id").reset_index()
    told = Evidence(lines, city.checks, check_kits(city.kits, city.samples), answers)
    features, graph = build_features(city.parcels, city.areas), build_graph(city.parcels)
    model = LineModel(seed=seed).fit(features, graph, told)
    scores = model.score()

    truth = city.truth
    unknown, lead = truth["unknown"].to_numpy(bool), truth["is_lead"].to_numpy(float)
    p, searched = scores["p_lead"].to_numpy(float), searched_oracle(city).to_numpy(float)

    def precision(score):
        return average_precision_score(lead[unknown], score[unknown])

    def hits(score):
        ties = np.random.default_rng(0).random(unknown.sum())
        best = np.lexsort((ties, -score[unknown]))[: int(0.05 * unknown.sum())]
        return lead[unknown][best].mean()

    year = features["year_built"].fillna(3000.0).to_numpy()
    inside = (scores["p_low"] <= searched) & (searched <= scores["p_high"])
    area = city.parcels["area_id"]
    by_area = model.expected_lead(area)
    true = pd.Series(lead, area.index).groupby(area).sum().reindex(by_area.index)
    told, built = features["year_built"].to_numpy(), truth["year"].to_numpy()
    best = truth["p_oracle"].to_numpy(float)
    eras = ((1880, 1909), (1910, 1919), (1920, 1929), (1930, 1939), WAR, (1950, 1969), (1975, 2020))

    def by_era(year, true):
        inside = {e: (year >= e[0]) & (year <= e[1]) for e in eras}
        return {e: (float(p[at].mean()), float(true[at].mean())) for e, at in inside.items()}

    sides = lines[["utility_material", "customer_material"]].astype(object)
    full, named = sides.ne("unknown").all(axis=1) & sides.notna().all(axis=1), sides.eq("lead")
    named = named.any(axis=1).to_numpy()[full]
    said, is_lead = model.describe()["witnesses"]["record"], lead[full] == 1
    return Judged(
        share=precision(p) / precision(truth["p_oracle"].to_numpy(float)),
        share_searched=precision(p) / precision(searched),
        beside_age_rule=hits(p) / hits(-year),
        miss=float(np.ravel(ece(lead[unknown], p[unknown], np.ones((1, unknown.sum()))))[0]),
        band=perfect_ece(p[unknown], rng=np.random.default_rng(0))[1],
        homes_inside=float(inside[unknown].mean()),
        areas_inside=float(((by_area["low"] <= true) & (true <= by_area["high"])).mean()),
        total=model.expected_lead(pd.Series("all", index=truth.index)).iloc[0],
        lead=float(lead.sum()),
        by_era=by_era(told, lead),
        by_true_era=by_era(built, best),
        false_lead=(said["false_lead"], float(named[~is_lead].mean())),
        missed_lead=(said["missed_lead"], float((~named[is_lead]).mean())),
    )


@pytest.fixture(scope="module")
def six():
    return [judge(preset, seed) for preset, seed in CITIES]


def all_of(six, name):
    return np.array([getattr(city, name) for city in six])


def test_it_comes_close_to_the_best_that_the_evidence_allows(six):
    """Found .958 .905 .929 .887 .960 .951, and .973 .941 .961 .937 .973 .975 of the other."""
    share, searched = all_of(six, "share"), all_of(six, "share_searched")
    assert share.max() <= 1.01, "nothing beats it but by luck"
    assert searched.max() <= 1.01
    assert share.mean() > 0.915
    assert share.min() > 0.85
    assert searched.mean() > 0.95
    assert searched.min() > 0.92


def test_it_finds_more_than_the_age_rule(six):
    """Found 1.20 to 1.65 times the hits at 5 % of homes, oldest first."""
    beside = all_of(six, "beside_age_rule")
    assert beside.min() > 1.15
    assert beside.mean() > 1.33


def test_probabilities_hold(six):
    """Found .010 to .021, .013 in the mean; a perfect model shows at most .011 to .013."""
    beyond = all_of(six, "miss") - all_of(six, "band")
    assert beyond.mean() < 0.006
    assert beyond.max() < 0.015


def test_intervals_of_homes_hold_the_best_that_could_be_said(six):
    """Found .91 .96 .87 .95 .92 .96 (to hold nine in ten), contracts to be found and learned."""
    inside = all_of(six, "homes_inside")
    assert 0.90 <= inside.mean() <= 0.97
    assert inside.min() > 0.84


def test_intervals_of_areas_and_of_the_city_hold_the_truth(six):
    """Found: all areas of all six, and every city."""
    assert all_of(six, "areas_inside").mean() > 0.9
    held = [city.total["low"] <= city.lead <= city.total["high"] for city in six]
    assert sum(held) >= 5
    assert max(city.total["high"] / city.total["low"] for city in six) < 1.5, "says something"


def test_the_peak_of_the_war_years_is_found_within_five_points(six):
    """Lead of homes by the year in the files, and the best chances by the year that is true.

    Found at most .042 off. Lead in the war years .58 to .65, before .11 to .16, after
    .06 to .09. Years in the files are rounded, so the best chances by true year are lower.
    """
    for city in six:
        for eras in (city.by_era, city.by_true_era):
            found, true = eras[WAR]
            assert abs(found - true) < 0.05
            assert found > eras[1930, 1939][0] + 0.2
            assert found > eras[1950, 1969][0] + 0.2
    for eras in ("by_era", "by_true_era"):
        off = [abs(found - true) for city in six for found, true in getattr(city, eras).values()]
        assert np.mean(off) < 0.03  # .023 and .024
        assert max(off) < 0.09  # .066 and .065


def test_error_rates_of_the_record_are_learned(six):
    """Of full cards, within .022 for false lead and within .075 for missed lead."""
    for name, bound in (("false_lead", 0.04), ("missed_lead", 0.09)):
        found, true = all_of(six, name).T
        assert np.abs(found - true).max() < bound, name
        assert np.abs(found - true).mean() < 0.05, name
