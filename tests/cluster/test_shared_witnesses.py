"""What cities tell each other of their witnesses: sums over homes, and what they are worth."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from linemap.errors import ArgumentError
from linemap.features import build_features, build_graph
from linemap.scoring import Evidence, LineModel, SharedCounts
from linemap.scoring.witnesses import COUNT_SHAPES
from linemap.water import check_kits
from synthetic_city import make_city

FEW = {
    "checks_random": 0.0008,
    "checks_main_work": 0.0015,
    "checks_request": 0.0005,
    "checks_suspected": 0.0005,
    "kits_asked": 0.02,
    "kits_mailed": 0.005,
}


def town(parcels, seed, **knobs):
    city = make_city(parcels, seed=seed, **knobs)
    answers = city.answers.merge(city.kits[["kit_id", "parcel_id"]], on="kit_id")
    lines = city.lines.rename_axis("parcel_id").reset_index()
    told = Evidence(lines, city.checks, check_kits(city.kits, city.samples), answers)
    return city, build_features(city.parcels, city.areas), build_graph(city.parcels), told


def some_counts(seed, size=30.0):
    rng = np.random.default_rng(seed)
    tables = {name: rng.gamma(2.0, size, shape).round(3) for name, shape in COUNT_SHAPES.items()}
    return SharedCounts(1, tables)


def test_what_is_told_is_small_and_holds_no_home():
    _, features, graph, told = town(400, seed=5)
    plain = SharedCounts.of(LineModel(seed=1).fit(features, graph, told)).to_dict()
    assert {name: np.shape(table) for name, table in plain["tables"].items()} == {
        "false_lead": (2, 12, 2),
        "missed_lead": (2, 12, 2),
        "entry_pipe": (2, 5),
        "line_replaced": (2, 3),
        "repeats": (2,),
        "water": (2, 6, 6),
    }
    text = json.dumps(plain)
    assert not [home for home in features.index if home in text]


def test_only_homes_that_were_looked_at_count():
    _, features, graph, told = town(400, seed=5)
    counts = SharedCounts.of(LineModel(seed=1).fit(features, graph, told))
    taught = told.checks.loc[told.checks["why"] != "suspected", "parcel_id"].nunique()
    said = counts.tables["false_lead"].sum() + counts.tables["missed_lead"].sum()
    assert 0 < said <= taught + 0.01


def test_counts_changed_by_hand_are_refused():
    plain = some_counts(1).to_dict()
    plain["tables"]["repeats"][0] += 100
    with pytest.raises(ArgumentError, match="hash"):
        SharedCounts.from_dict(plain)
    negative = some_counts(1).to_dict()
    negative["tables"]["repeats"][0] = -1.0
    for wrong in (None, {}, {"cities": 1, "tables": {"repeats": [1, 0]}}, [1], negative):
        with pytest.raises(ArgumentError, match="counts of other cities"):
            SharedCounts.from_dict(wrong)


def test_the_sum_does_not_depend_on_who_tells_first():
    parts = [some_counts(seed) for seed in range(5)]
    assert SharedCounts.total(parts).to_dict() == SharedCounts.total(parts[::-1]).to_dict()
    assert SharedCounts.total([]) is None
    assert SharedCounts.from_dict(json.loads(json.dumps(parts[0].to_dict()))).cities == 1


def test_counts_that_say_nothing_leave_the_published_rates():
    _, features, graph, told = town(400, seed=5)
    nothing = SharedCounts(1, {name: np.zeros(shape) for name, shape in COUNT_SHAPES.items()})
    alone = LineModel(seed=1).fit(features, graph, told).score()["p_lead"]
    beside = LineModel(seed=1, pooled=nothing).fit(features, graph, told).score()["p_lead"]
    np.testing.assert_allclose(beside, alone, atol=1e-9)


def test_a_city_with_few_checks_starts_nearer_to_its_own_missed_lead():
    """Eight small cities beside two with more checks, held to the truth of the generator.

    The error of the missed-lead rate fell from .55 to .42 [log-odds] on average, in six of eight
    cities. The log loss did not gain: .333 alone, .354 shared, worst where one city's records are
    unlike those of the others. So sharing is off unless settings ask for it.
    """
    parts = []
    for seed in (300, 301):
        _, *large = town(4_000, seed=seed, checks_random=0.03)
        parts.append(SharedCounts.of(LineModel(seed=1).fit(*large)))
    pooled = SharedCounts.total(parts)
    loss, rate_error, bias = np.zeros((3, 2, 8))
    for i, seed in enumerate(range(31, 39)):
        city, features, graph, told = town(1_500, seed=seed, **FEW)
        lead = city.truth["is_lead"].to_numpy(bool)
        said = city.lines[["utility_material", "customer_material"]].astype(object)
        full = said.ne("unknown").all(axis=1).to_numpy()
        missed = 1 - said.eq("lead").any(axis=1).to_numpy()[full & lead].mean()
        for j, others in enumerate((None, pooled)):
            model = LineModel(seed=1, pooled=others).fit(features, graph, told)
            p = model.weights().sum(axis=1).pipe(lambda w: 1 / (1 + np.exp(-w))).to_numpy()
            loss[j, i] = -np.log(np.where(lead, p, 1 - p)).mean()
            bias[j, i] = abs(p.mean() - lead.mean())
            learned = model.describe()["witnesses"]["record"]["missed_lead"]
            rate_error[j, i] = abs(np.log(learned / (1 - learned)) - np.log(missed / (1 - missed)))
    assert rate_error[1].mean() < 0.9 * rate_error[0].mean()
    assert np.median(bias[1]) < np.median(bias[0])
    assert loss[1].mean() < loss[0].mean() + 0.04, "what it may cost is bounded"


def test_galvanized_pipe_starts_from_what_is_published():
    _, features, graph, told = town(400, seed=5)
    some = some_counts(2)
    fits = [
        LineModel(seed=1, target="galvanized", pooled=one).fit(
            features, graph, replace(told, pairs=told.pairs.iloc[:0], answers=told.answers.iloc[:0])
        )
        for one in (None, some)
    ]
    np.testing.assert_array_equal(*[fit.weights().to_numpy() for fit in fits])
