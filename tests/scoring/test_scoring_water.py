"""What two bottles may weigh: never more than their sensitivity and specificity allow."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from linemap.published import fact
from linemap.scoring import Evidence, LineModel, yes_no_weights

Fit = Callable[..., LineModel]


def untouched(evidence: Evidence, index: pd.Index) -> pd.Index:
    """Homes of which no check, kit or form speaks."""
    spoken = pd.concat([evidence.checks["parcel_id"], evidence.pairs["parcel_id"]])
    return index.difference(pd.Index(spoken.unique()))


def kit(home: str, first: tuple[float, float], flushed: tuple[float, float]) -> dict[str, object]:
    """One usable kit, flushed as asked; each bottle an interval [ug/L]."""
    return {
        "kit_id": None,
        "parcel_id": home,
        "verdict": "usable",
        "reasons": "",
        "collected_on": pd.Timestamp("2025-05-01"),
        "stagnation_h": 8.0,
        "flush_min": float(fact("scoring.water.flush_window").value["from"]),
        "first_low": first[0],
        "first_high": first[1],
        "flushed_low": flushed[0],
        "flushed_high": flushed[1],
    }


def with_kits(evidence: Evidence, kits: list[dict[str, object]]) -> Evidence:
    more = pd.DataFrame(kits).assign(kit_id=[f"X{i:05d}" for i in range(len(kits))])
    return replace(evidence, pairs=pd.concat([evidence.pairs, more], ignore_index=True))


def test_pair_without_detection_never_weighs_more_than_its_sensitivity_allows(
    town, quick_fit: Fit
) -> None:
    """Negative likelihood ratio (1 - .73) / .95 = .284 of Smart et al. 2023, Water Research:
    a pair below the limit of 1 ug/L lowers the log-odds by at most 1.26.
    """
    floor = yes_no_weights(
        fact("scoring.water.sensitivity").value, fact("scoring.water.specificity").value
    )[1]
    homes = untouched(town.evidence, town.features.index)[::20].tolist()
    evidence = with_kits(town.evidence, [kit(home, (0.0, 1.0), (0.0, 1.0)) for home in homes])
    table = quick_fit(evidence).score().loc[homes]
    assert (table["weight_water"] < 0).all()
    assert table["weight_water"].min() >= floor - 0.005
    assert table["reason_1"].notna().all()


def test_bottles_never_move_the_odds_beyond_their_limits(town, quick_fit: Fit) -> None:
    """Without a false result among n homes, the 95 % limit of its share is 3/n ("rule of
    three", from memory); studied homes and local homes together are fewer than all homes.
    """
    homes = untouched(town.evidence, town.features.index)[::60].tolist()
    high = [kit(homes[0], (90.0, 90.0), (80.0, 80.0)) for _ in range(6)]
    low = [kit(home, (0.0, 1.0), (0.0, 1.0)) for home in homes for _ in range(12)]
    studied = fact("scoring.water.studied").value
    limits = fact("scoring.water.weight_limits").value
    for kits, sign in ((high, 1), (low, -1)):
        model = quick_fit(with_kits(town.evidence, kits))
        weight = model.score()["weight_water"]
        most = len(town.features) + studied["not_lead_homes" if sign > 0 else "lead_homes"]
        bound = min(np.log(most / 3.0), abs(limits["high" if sign > 0 else "low"]))
        spoken = pd.DataFrame(kits)["parcel_id"].unique()
        assert (sign * weight[spoken] > 0.5).all()
        assert np.abs(weight[homes]).max() <= bound + 1e-9
        stated = model.describe()["witnesses"]["water"]["weight_limits"]
        assert weight.min() >= stated[0] - 5e-4
        assert weight.max() <= stated[1] + 5e-4


def test_repeat_kits_weigh_less_than_their_sum(town, quick_fit: Fit) -> None:
    """Three homes alike in all but the number of equal kits: 1, 2 and 4.

    Kits below the limit, however many, weigh no more than one may.
    """
    free = untouched(town.evidence, town.features.index)
    features = town.features.loc[free]
    alike = features.index[features["year_built"].between(1951, 1968)][:3].tolist()
    count = dict(zip(alike, (1, 2, 4), strict=True))
    for first, flushed in (((9.0, 9.0), (3.0, 3.0)), ((0.0, 1.0), (0.0, 1.0))):
        kits = [kit(home, first, flushed) for home, k in count.items() for _ in range(k)]
        weight = quick_fit(with_kits(town.evidence, kits)).score()["weight_water"].abs()
        single = weight[alike[0]]
        assert single > 0.1
        for home, k in list(count.items())[1:]:
            assert single - 1e-9 <= weight[home] < 0.8 * k * single
            assert (weight[home] > single + 0.01) == (first == (9.0, 9.0))


def test_kits_set_aside_say_nothing(town, quick_fit: Fit) -> None:
    home = untouched(town.evidence, town.features.index)[0]
    aside = kit(home, (50.0, 50.0), (50.0, 50.0)) | {"verdict": "not_usable"}
    before = quick_fit(town.evidence).score()
    after = quick_fit(with_kits(town.evidence, [aside])).score()
    pd.testing.assert_frame_equal(after, before)


def test_a_doubted_kit_beside_a_good_one_never_weakens_it(town, quick_fit: Fit) -> None:
    one, two = untouched(town.evidence, town.features.index)[:2]
    good = [kit(home, (9.0, 9.0), (9.0, 9.0)) for home in (one, two)]
    doubted = good[1] | {"verdict": "usable_with_doubt"}
    weight = quick_fit(with_kits(town.evidence, [*good, doubted])).score()["weight_water"]
    gain = weight[two] - weight[one]
    assert gain >= -0.25, "solder era apart, they are alike"
    same = quick_fit(with_kits(town.evidence, [good[1], doubted])).score()["weight_water"][two]
    alone = quick_fit(with_kits(town.evidence, [good[1]])).score()["weight_water"][two]
    assert same > alone - 0.05


@pytest.mark.parametrize(
    ("first", "flushed"), [((9.0, 9.0), (12.0, 12.0)), ((0.0, 1.0), (0.0, 1.0))]
)
def test_a_doubted_kit_weighs_as_one_that_may_have_missed_the_line(
    town, quick_fit: Fit, first, flushed
) -> None:
    """Bayes' rule by enumeration: the kit missed the line's water and reads as without lead, or
    it did not. So a low result says less and a high one nearly as much.
    """
    features = town.features.loc[untouched(town.evidence, town.features.index)]
    good, doubted = features.index[features["year_built"].between(1951, 1968)][:2].tolist()
    kits = [kit(home, first, flushed) for home in (good, doubted)]
    kits[1] |= {"verdict": "usable_with_doubt"}
    model = quick_fit(with_kits(town.evidence, kits))
    scores = model.score()
    weight = scores["weight_water"]
    missed = model.describe()["witnesses"]["water"]["doubted_that_miss_lead"]
    assert 0.02 < missed < 0.6
    assert np.exp(weight[doubted]) == pytest.approx(
        missed + (1 - missed) * np.exp(weight[good]), rel=2e-3
    )
    kept = weight[doubted] / weight[good]
    assert kept > 0.8 if flushed[0] > 0 else kept < 0.95
    said = scores.filter(like="reason_").loc[[good, doubted]].fillna("").agg(" ".join, axis=1)
    assert said.str.contains("in doubt").tolist() == [False, True]
