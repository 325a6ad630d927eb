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
    nothing = pd.DataFrame(columns=["method", "measure", "protocol", "value"])
    facts = {"blocks": {"block_m": 437.0, "blocks": 60}}
    found = protocol_cautions(nothing, facts, alike_m, WORDS["checks"])
    assert [one.code for one in found] == ["blocks_too_small"] * warned
