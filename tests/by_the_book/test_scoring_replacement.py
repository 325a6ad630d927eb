"""What needs replacement, and the stated start of the record's errors, against books and papers."""

import numpy as np
import pytest
from scipy.special import expit, logit

from linemap.published import fact
from linemap.scoring.galvanized import either, variance_of_either


def test_chances_of_one_thing_or_else_another_are_those_of_the_complement():
    """Law of total probability: neither happens with chance (1 - p)(1 - q); any textbook."""
    p, q = np.random.default_rng(1).random((2, 500))
    assert either(p, q) == pytest.approx(1 - (1 - p) * (1 - q), abs=1e-12)
    assert (either(p, q) >= p).all()


def test_variance_agrees_with_draws():
    """The delta method (Casella and Berger, Statistical Inference, section 5.5; from memory)."""
    rng = np.random.default_rng(2)
    for p, q in ((0.1, 0.2), (0.5, 0.5), (0.8, 0.05), (0.03, 0.6)):
        first = expit(logit(p) + 0.2 * rng.standard_normal(200_000))
        second = expit(logit(q) + 0.3 * rng.standard_normal(200_000))
        drawn = logit(first + (1 - first) * second).var()
        ours = variance_of_either(*(np.array([v]) for v in (p, q, 0.04, 0.09)))
        assert ours[0] == pytest.approx(drawn, rel=0.05)


def test_records_start_from_the_published_share_of_lead_lines_that_they_miss():
    """Smart et al. 2023, Water Research: town records right for 90 % of lead lines."""
    assert expit(fact("scoring.record.missed_lead").value["level"]) == pytest.approx(
        0.10, abs=0.002
    )
