"""Warnings beside the figures: given where they hold, and nowhere else."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from linemap.evaluation.cautions import protocol_cautions
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
