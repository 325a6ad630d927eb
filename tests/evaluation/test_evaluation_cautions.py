"""Warnings beside the figures: given where they hold, and nowhere else."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from linemap.evaluation.cautions import overlap_cautions, protocol_cautions
from linemap.evaluation.overlap import Overlap
from linemap.evaluation.words import WORDS


@pytest.mark.parametrize(("alike_m", "warned"), [(500.0, True), (233.0, False), (np.nan, False)])
def test_blocks_are_called_too_small_only_below_the_distance_over_which_lines_are_alike(
    alike_m: float, warned: bool
) -> None:
    """Blocks of 437 m that settings wanted at 600 m are large enough where lines are alike up to
    233 m, as the methods page says.
    """
    nothing = pd.DataFrame(columns=["method", "measure", "protocol", "value", "blocks"])
    facts = {"blocks": {"block_m": 437.0}}
    found = protocol_cautions(nothing, facts, alike_m, WORDS["checks"])
    assert [one.code for one in found] == ["blocks_too_small"] * warned


@pytest.mark.parametrize(
    ("blocks", "said"),
    [
        ({"blocks": 60, "audit": 20}, None),
        ({"blocks": 60, "audit": 12}, "Random checks only: only 12 blocks hold checks. Intervals"),
        ({"blocks": 18, "audit": 9}, "Random checks only: only 9 blocks hold checks. That is too"),
    ],
)
def test_the_fewest_blocks_behind_an_interval_are_warned_of(
    blocks: dict[str, int], said: str | None
) -> None:
    rows = pd.DataFrame(
        {
            "method": "linemap",
            "measure": "auc",
            "protocol": list(blocks),
            "value": 0.9,
            "blocks": list(blocks.values()),
        }
    )
    found = [one.text for one in protocol_cautions(rows, {}, 500.0, WORDS["checks"])]
    assert len(found) == (said is not None)
    assert all(text.startswith(said) for text in found)


ALIKE = Overlap(
    auc_building=0.6,
    auc_place=0.6,
    building_low=0.5,
    building_high=0.7,
    outside_building=0.05,
    far_share=0.25,
    median_distance_m=120.0,
    weights=pd.Series(dtype=float),
)


@pytest.mark.parametrize(
    ("changed", "code", "said"),
    [
        ({"auc_building": 0.76}, "unlike_buildings", "right in 76% of pairs"),
        ({"outside_building": 0.06}, "outside_support", "6% of the unknown homes are of a kind"),
        ({"far_share": 0.26}, "far_from_checks", "26% of the unknown homes have no check"),
    ],
)
def test_homes_unlike_the_checked_are_warned_of_beyond_the_limit(
    changed: dict[str, float], code: str, said: str
) -> None:
    assert overlap_cautions(ALIKE, WORDS["checks"]) == []
    [note] = overlap_cautions(replace(ALIKE, **changed), WORDS["checks"])
    assert note.code == code
    assert said in note.text


@pytest.mark.parametrize(
    ("protocol", "value", "labels", "warned"),
    [
        ("blocks", 0.081, "checks", True),
        ("audit", 0.081, "checks", True),
        ("blocks", 0.08, "checks", False),
        ("random", 0.081, "checks", False),
        ("blocks", 0.081, "records", False),
    ],
)
def test_probabilities_are_called_off_only_above_the_band_of_a_perfect_model(
    protocol: str, value: float, labels: str, warned: bool
) -> None:
    row = {
        "method": "linemap",
        "measure": "ece",
        "protocol": protocol,
        "value": value,
        "perfect_low": 0.02,
        "perfect_high": 0.08,
        "blocks": 60,
    }
    found = protocol_cautions(pd.DataFrame([row]), {}, 500.0, WORDS[labels])
    assert [one.code for one in found] == ["probabilities_off"] * warned
    assert all("differ by 8.1 percentage points" in one.text for one in found)
    assert all("a perfect model would show 2.0 to 8.0" in one.text for one in found)
