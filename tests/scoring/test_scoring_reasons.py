"""Reasons in words: they say in which direction they move the estimate."""

from __future__ import annotations

import re

from scipy.special import expit

from linemap.scoring.reasons import say_place


def test_place_gives_checked_lines_as_its_reason_only_where_they_point_the_same_way(
    town, quick_fit
) -> None:
    """Three of five lines that are lead lower the chance of a home that had 85% by its age."""
    model = quick_fit(town.evidence)
    weights = model.weights()
    said = say_place(town.features, model.sources_.check, weights)
    seen = {True: 0, False: 0}
    for text, place, prior in zip(
        said, weights["weight_place"], weights["weight_prior"], strict=True
    ):
        assert (" more " in text) == (place > 0), text
        found = re.search(r"(\d+) of (\d+) lines? checked", text)
        if not found:
            continue
        lead, lines = map(int, found.groups())
        agrees = (lead / lines > expit(prior)) == (place > 0)
        assert ("though" not in text) == agrees, (text, prior, place)
        seen[agrees] += 1
    assert min(seen.values()) > 10, "both kinds occur"
