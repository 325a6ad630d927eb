"""Who is in the validation pool, and whether the draw is fair and repeatable."""

import pandas as pd
import pytest
from scipy.stats import chisquare

from linemap import inventory
from linemap.errors import ArgumentError


def city(n, utility="copper", **columns):
    lines = pd.DataFrame({"parcel_id": [f"P{i:04d}" for i in range(n)]})
    return lines.assign(utility_material=utility, customer_material="copper", **columns)


def look(parcel, points, side="utility", material="copper", day="2024-05-01"):
    return {"parcel_id": parcel, "side": side, "checked_on": pd.Timestamp(day),
            "material": material, "points": points}  # fmt: skip


def test_pool_keeps_one_point_checks_and_leaves_out_what_the_rule_exempts():
    """40 CFR 141.84(b)(5), after the EPA fact sheet P101C5WZ."""
    lines = city(8, installed_year=[1950, 1988, 1989, None, None, None, None, 2005])
    lines.loc[7, "basis"] = "statistical model"
    seen = pd.DataFrame(
        [look("P0003", 1), look("P0004", 2), look("P0005", 1), look("P0005", 1, "customer"),
         look("P0007", None), look("P0007", None, "customer", day="2024-05-02")]
    )  # fmt: skip
    classes = inventory.classify_lines(lines, seen)
    grounds = inventory.validation_exemptions(lines, seen, classes, replaced=["P0006"])["exempt"]
    assert grounds.to_dict() == {
        "P0000": "none",
        "P0001": "none",
        "P0002": "installed after the ban",
        "P0003": "none",
        "P0004": "seen at two points",
        "P0005": "seen at two points",
        "P0006": "lead replaced before",
        "P0007": "seen at two points",
    }
    pool = inventory.validation_pool(lines, seen, classes, replaced=["P0006"])
    assert pool.index.tolist() == ["P0000", "P0001", "P0003"]


def test_a_year_that_rests_on_a_prediction_exempts_nothing():
    lines = city(1, installed_year=2005, basis="modelled")
    seen = pd.DataFrame([look("P0000", 1), look("P0000", 0, "customer")])
    classes = inventory.classify_lines(lines, seen)
    assert classes["inventory_class"].tolist() == ["non-lead"]
    assert inventory.validation_pool(lines, seen, classes).index.tolist() == ["P0000"]


@pytest.mark.parametrize("side", ["utility_material", "customer_material"])
@pytest.mark.parametrize("material", ["lead", "unknown", None])
def test_a_year_in_a_record_without_a_non_lead_material_exempts_nothing(side, material):
    """40 CFR 141.84(b)(5): the record itself must show that the line was laid after the ban."""
    lines = city(1, installed_year=2005).assign(**{side: material})
    seen = pd.DataFrame([look("P0000", 1), look("P0000", 0, "customer")])
    classes = inventory.classify_lines(lines, seen)
    assert classes["inventory_class"].tolist() == ["non-lead"]
    assert inventory.validation_pool(lines, seen, classes).index.tolist() == ["P0000"]


def test_an_earlier_local_ban_may_be_named():
    lines = city(2, installed_year=[1960, 1970])
    classes = inventory.classify_lines(lines)
    pool = inventory.validation_pool(lines, None, classes, ban_on="1965-01-01")
    assert pool.index.tolist() == ["P0000"]


def test_only_non_lead_lines_are_in_the_pool():
    lines = pd.concat([city(2), city(2, "unknown").replace("P000", "Q000", regex=True)])
    classes = inventory.classify_lines(lines)
    assert inventory.validation_pool(lines, None, classes).index.tolist() == ["P0000", "P0001"]
    assert inventory.audit_sample(classes, seed=1, size=2).index.str.startswith("Q").all()


def test_draw_is_repeatable_nested_and_free_of_row_order():
    lines = city(3_000)
    pool = inventory.validation_pool(lines, None, inventory.classify_lines(lines))
    drawn = inventory.validation_sample(pool, seed=4)
    assert (drawn["role"] == "sample").sum() == 341
    assert (drawn["role"] == "replacement").sum() == 341
    assert drawn.index.is_unique
    pd.testing.assert_frame_equal(drawn, inventory.validation_sample(pool[::-1], seed=4))
    fewer = inventory.validation_sample(pool, seed=4, size=50, reserves=0)
    assert fewer.index.tolist() == drawn.index[:50].tolist()
    assert inventory.validation_sample(pool, seed=5).index.tolist() != drawn.index.tolist()
    assert "seed 4" in drawn["design"].iloc[0]
    assert drawn["inclusion_probability"].iloc[0] == pytest.approx(341 / 3_000)
    assert drawn.loc[drawn["role"] == "replacement", "inclusion_probability"].isna().all()


def test_every_line_has_the_same_chance():
    lines = city(20)
    pool = inventory.validation_pool(lines, None, inventory.classify_lines(lines))
    drawn = pd.concat(
        inventory.validation_sample(pool, seed=seed, size=5, reserves=0) for seed in range(800)
    )
    counts = drawn.index.value_counts()
    assert len(counts) == 20
    assert chisquare(counts).pvalue > 0.001


def test_audit_list_joins_both_designs():
    lines = pd.concat([city(200), city(100, "unknown").replace("P0", "Q0", regex=True)])
    classes = inventory.classify_lines(lines)
    pool = inventory.validation_pool(lines, None, classes)
    table = inventory.audit_list(classes, pool, seed=3)
    sizes = table[table["role"] == "sample"].groupby("purpose").size().to_dict()
    assert sizes == {"check of unknown lines": 20, "validation of non-lead lines": 40}
    assert table.index.is_unique
    assert set(table["inventory_class"]) == {"lead status unknown", "non-lead"}
    empty = inventory.audit_list(classes.iloc[:0], pool.iloc[:0], seed=3)
    assert list(empty.columns) == list(table.columns)
    assert empty.empty


def test_estimate_covers_the_truth_as_often_as_it_says():
    """400 draws from a pool of 600 with 30 lead lines: limits hold in 95 % or more."""
    lines = city(600)
    pool = inventory.validation_pool(lines, None, inventory.classify_lines(lines))
    lead = set(pool.index[::20])
    held = 0
    for seed in range(400):
        drawn = inventory.validation_sample(pool, seed=seed, size=120, reserves=0)
        found = sum(parcel in lead for parcel in drawn.index)
        estimate = inventory.validation_estimate(found, 120, pool)
        held += estimate.lines_low <= len(lead) <= estimate.lines_high
    assert held / 400 >= 0.93


def test_estimate_tells_of_refusals_and_never_clears_a_home():
    text = str(inventory.audit_estimate(0, 100, 1_000, refused=12))
    assert "12 homes refused" in text
    assert "clears no single home" in text


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: inventory.validation_estimate(3, 2, 10), "3 found of 2 checked"),
        (lambda: inventory.validation_estimate(0, 0, 10), "0 found of 0 checked"),
        (lambda: inventory.validation_estimate(0, 11, 10), "11 checked of a pool of 10"),
        (lambda: inventory.validation_size(-1), "fewer than 0"),
        (lambda: inventory.zero_find_size(0), "between 0 and 1"),
        (lambda: inventory.share_interval(1, 2, method="wald"), "not one of exact, wilson"),
        (lambda: inventory.replacement_pace(10, [11]), "more than the 10 of the pool"),
        (lambda: inventory.replacement_pace(10, [-1]), "cannot be negative"),
        (lambda: inventory.notices_due(pd.DataFrame(), "2024-10-16"), "lacks the column"),
        (
            lambda: inventory.results_notice_due(pd.Series(dtype="datetime64[ns]"), edition="LCRR"),
            "give lead_ug_l",
        ),
        (
            lambda: inventory.results_notice_due(pd.Series(dtype="datetime64[ns]"), edition="LC"),
            "not one of LCR, LCRR, LCRI",
        ),
        (
            lambda: inventory.validation_sample(pd.DataFrame(index=["A"]), seed=1, size=2),
            "a sample of 2 cannot be drawn from 1 lines",
        ),
    ],
)
def test_what_cannot_be_is_refused(call, message):
    with pytest.raises(ArgumentError, match=message):
        call()
