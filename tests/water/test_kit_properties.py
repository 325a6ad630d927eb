"""Properties of the judgement of kits: it is blind to height, order and other kits."""

import numpy as np
import pandas as pd
from hypothesis import given, settings
from hypothesis import strategies as st

from linemap.tables import complete_table
from linemap.water import check_kits

QUICK = settings(max_examples=15, deadline=None, derandomize=True)
MAYBE = st.floats(0, 60) | st.none()


@st.composite
def programmes(draw):
    n = draw(st.integers(1, 5))
    pick = st.lists
    kits = pd.DataFrame(
        {
            "kit_id": [f"K{i}" for i in range(n)],
            "parcel_id": [f"P{i % 3}" for i in range(n)],
            "stagnation_h": draw(pick(MAYBE, min_size=n, max_size=n)),
            "flush_min": draw(pick(MAYBE, min_size=n, max_size=n)),
            "filter_used": draw(
                pick(st.sampled_from(["yes", "no", "dont_know", None]), min_size=n, max_size=n)
            ),
            "signed": draw(pick(st.sampled_from(["yes", "no", None]), min_size=n, max_size=n)),
        }
    )
    days = st.integers(0, 400) | st.none()
    for name in ("mailed_on", "collected_on", "received_on"):
        when = draw(pick(days, min_size=n, max_size=n))
        kits[name] = pd.to_datetime("2025-01-01") + pd.to_timedelta(when, unit="D")
    rows = []
    for kit in kits["kit_id"]:
        for draw_name in ("first", "flushed"):
            value = draw(st.floats(0.1, 500) | st.none() | st.just("missing"))
            if value != "missing":
                rows.append((kit, draw_name, "lead", value, 1.0, value is None))
    names = ["kit_id", "draw", "analyte", "value_ug_l", "limit_ug_l", "below_limit"]
    samples = pd.DataFrame(rows, columns=names)
    samples["value_ug_l"] = samples["value_ug_l"].astype(float)
    samples["below_limit"] = samples["below_limit"].astype(bool)
    return complete_table(kits, "kits"), samples


@QUICK
@given(programmes(), st.floats(1, 1e4))
def test_height_never_changes_a_verdict(programme, factor):
    kits, samples = programme
    higher = samples.assign(value_ug_l=samples["value_ug_l"] * factor)
    one, two = check_kits(kits, samples), check_kits(kits, higher)
    pd.testing.assert_series_equal(one["verdict"], two["verdict"])
    pd.testing.assert_series_equal(one["reasons"], two["reasons"])


@QUICK
@given(programmes(), st.integers(0, 1000))
def test_order_of_rows_never_matters(programme, seed):
    kits, samples = programme
    one = check_kits(kits, samples).set_index("kit_id")
    mixed = check_kits(
        kits.sample(frac=1, random_state=seed), samples.sample(frac=1, random_state=seed)
    ).set_index("kit_id")
    pd.testing.assert_frame_equal(one, mixed.loc[one.index])


@QUICK
@given(programmes())
def test_each_kit_is_judged_alone(programme):
    kits, samples = programme
    together = check_kits(kits, samples).set_index("kit_id")
    for kit_id, row in together.iterrows():
        mine = kits.loc[kits["kit_id"] == kit_id].reset_index(drop=True)
        alone = check_kits(mine, samples).iloc[0]
        assert alone["verdict"] == row["verdict"]
        assert alone["reasons"] == row["reasons"] or (
            pd.isna(alone["reasons"]) and pd.isna(row["reasons"])
        )


@QUICK
@given(programmes())
def test_every_kit_gets_one_verdict_and_readings_are_intervals(programme):
    kits, samples = programme
    pairs = check_kits(kits, samples)
    assert pairs["kit_id"].is_unique
    assert pairs["verdict"].notna().all()
    assert (pairs["reasons"].isna() == (pairs["verdict"] == "usable")).all()
    for draw in ("first", "flushed"):
        low, high = pairs[f"{draw}_low"], pairs[f"{draw}_high"]
        assert (low.isna() == high.isna()).all()
        assert (low.dropna() <= high.dropna()).all()
        assert not np.isinf(high).any()
