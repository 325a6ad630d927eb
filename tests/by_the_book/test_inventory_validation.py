"""Size of the validation sample and what its finds allow.

Table: 40 CFR 141.84(b)(5), from memory. Formula: Cochran's size for a share in a finite pool.
Limits: worked out with scipy 1.17 from Clopper-Pearson (1934), Wilson (1927) and the
hypergeometric distribution; checked again here against statsmodels and plain counting.
"""

import math
from fractions import Fraction

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from statsmodels.stats.proportion import proportion_confint

from linemap import inventory
from linemap.published import fact


@pytest.mark.parametrize(
    ("pool", "required"),
    [
        (1, 1),
        (100, 20),
        (500, 100),
        (1_499, 300),  # 20 % is 299.8
        (1_500, 322),  # the step between the two rules
        (2_000, 322),
        (2_001, 341),
        (3_000, 341),
        (3_001, 351),  # recalled as 350 or 351
        (4_000, 351),
        (4_001, 361),
        (6_000, 361),
        (6_001, 370),  # recalled as 370 or 371
        (10_000, 370),
        (10_001, 381),
        (50_000, 381),
        (50_001, 384),
        (1_000_000, 384),
    ],
)
def test_required_number(pool, required):
    size = inventory.validation_size(pool)
    assert size.required == required
    assert not size.verified
    assert "141.84(b)(5)" in str(size)
    assert "unverified" in str(size)


def test_where_memory_gives_two_numbers_both_are_told():
    assert "also recalled as 350" in str(inventory.validation_size(3_500))
    assert "also recalled as 371" in str(inventory.validation_size(8_000))


def test_rows_from_1500_follow_the_formula_at_their_upper_end():
    for row in fact("inventory.validation_table").value:
        exact = inventory.finite_population_size(row.get("to", math.inf))
        assert row["required"] == round(exact)


@pytest.mark.parametrize(
    ("pool", "size"),
    [
        (100, 80), (500, 217), (1_499, 306), (2_000, 322.4), (3_000, 340.7), (4_000, 350.6),
        (6_000, 361.1), (10_000, 369.98), (50_000, 381.2), (math.inf, 384.16),
    ],
)  # fmt: skip
def test_formula(pool, size):
    exact = inventory.finite_population_size(pool)
    assert exact == pytest.approx(size, abs=0.5 if isinstance(size, int) else 0.05)


@pytest.mark.parametrize(
    ("found", "checked", "method", "low", "high"),
    [
        (3, 371, "exact", 0.00167, 0.02345),
        (3, 371, "wilson", 0.00275, 0.02350),
        (19, 384, "exact", 0.03005, 0.07619),
        (19, 384, "wilson", 0.03190, 0.07598),
        (0, 384, "exact", 0.0, 0.00956),
    ],
)
def test_interval(found, checked, method, low, high):
    interval = inventory.share_interval(found, checked, method=method)
    assert interval == pytest.approx((low, high), abs=6e-6)


def test_a_clean_sample_of_384_still_allows_eight_in_a_thousand():
    assert inventory.share_at_most(0, 384) == pytest.approx(1 - 0.05 ** (1 / 384), rel=1e-9)
    assert inventory.share_at_most(0, 384) == pytest.approx(0.00777, abs=5e-6)
    assert inventory.share_at_most(0, 384) == pytest.approx(3 / 384, rel=0.01)  # rule of three


@pytest.mark.parametrize(
    ("pool", "checked", "lines"), [(2_000, 322, 16), (10_000, 370, 79), (50_000, 381, 390)]
)
def test_a_clean_sample_may_hide_hundreds_of_lead_lines(pool, checked, lines):
    estimate = inventory.validation_estimate(0, checked, pool)
    assert estimate.lines_most == estimate.hidden_most == lines
    assert f"up to {lines} more" in str(estimate)


@pytest.mark.parametrize(
    ("share", "pool", "size"),
    [
        (0.10, None, 29),
        (0.05, None, 59),
        (0.01, None, 299),
        (0.005, None, 598),
        (0.01, 500, 225),
        (0.01, 2_000, 277),
        (0.01, 10_000, 294),
    ],
)
def test_checks_without_a_find_that_show_less_than_a_share(share, pool, size):
    assert inventory.zero_find_size(share, pool) == size


@settings(deadline=None)
@given(st.integers(1, 400).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))))
def test_intervals_agree_with_statsmodels(counts):
    found, checked = counts
    for ours, theirs in (("exact", "beta"), ("wilson", "wilson")):
        expected = proportion_confint(found, checked, method=theirs)
        assert inventory.share_interval(found, checked, method=ours) == pytest.approx(
            expected, abs=1e-9
        )


def _at_most(found, checked, pool, lines):
    """Chance of so few finds, counted by hand: a fraction, since 1 of 40 is just 2.5 %."""
    ways = sum(math.comb(lines, k) * math.comb(pool - lines, checked - k) for k in range(found + 1))
    return Fraction(ways, math.comb(pool, checked))


@settings(deadline=None)
@given(
    st.integers(1, 60).flatmap(
        lambda pool: st.integers(1, pool).flatmap(
            lambda n: st.tuples(st.integers(0, n), st.just(n), st.just(pool))
        )
    )
)
@example((1, 1, 40))
def test_limits_in_a_finite_pool_agree_with_counting(counts):
    found, checked, pool = counts
    possible = range(found, pool - checked + found + 1)
    likely = [k for k in possible if _at_most(found, checked, pool, k) > Fraction(1, 20)]
    assert inventory.lines_at_most(found, checked, pool) == max(likely)
    tail = Fraction(1, 40)
    both = [
        k
        for k in possible
        if _at_most(found, checked, pool, k) > tail
        and (found == 0 or 1 - _at_most(found - 1, checked, pool, k) > tail)
    ]
    assert inventory.lines_interval(found, checked, pool) == (min(both), max(both))


def test_a_census_leaves_no_doubt():
    assert inventory.lines_interval(4, 90, 90) == (4, 4)
    assert inventory.lines_at_most(4, 90, 90) == 4
