"""The homes of a very large city on which its scores are judged.

Every way of hiding checks refits the model several times, which a city of a million homes cannot
afford. A sample of whole blocks keeps what a judgement needs: neighbours stay together, and no
street is favoured.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from linemap.evaluation.cautions import Caution
from linemap.evaluation.frame import APART
from linemap.evaluation.space import block_numbers

MOST_HOMES = 50_000
"""Homes beyond which a city is judged on a sample of about as many; our choice."""

FEWEST_CHECKS = 1000
"""Checks that the sample holds at least, if the city has them; our choice."""

BLOCK_M = 2000.0
"""Edge of a sampled block [m], wider than neighbours are commonly alike; our choice."""


def judging_sample(
    frame: pd.DataFrame,
    *,
    seed: int,
    most_homes: int = MOST_HOMES,
    fewest_checks: int = FEWEST_CHECKS,
) -> pd.Index:
    """Return the homes to judge on: all of them, or a random sample of whole square blocks.

    Parameters
    ----------
    frame : DataFrame
        One row per home, indexed by ``parcel_id``: ``x``, ``y`` [m], ``checked`` (bool), ``why``.
    seed : int
    most_homes : int
        Homes up to which all are taken.
    fewest_checks : int
        Blocks are added until this many homes were checked for a reason that may be judged on, or
        none is left: a city with few checks is judged on all of them.

    Returns
    -------
    Index
        In the order of the frame.

    Examples
    --------
    >>> row = pd.DataFrame({"x": np.arange(8) * 1000.0, "y": 0.0, "checked": True, "why": "random"})
    >>> len(judging_sample(row, seed=1)), len(judging_sample(row, seed=1, most_homes=4,
    ...                                                      fewest_checks=2))
    (8, 4)
    """
    if len(frame) <= most_homes:
        return frame.index
    rng = np.random.default_rng([seed, 50])
    shift = rng.random(2)
    x, y = frame["x"].to_numpy(dtype=float), frame["y"].to_numpy(dtype=float)
    block = block_numbers(x, y, BLOCK_M, (shift[0], shift[1]))
    useful = frame["checked"].to_numpy(dtype=bool) & ~frame["why"].isin(APART).to_numpy()
    order = rng.permutation(int(block.max()) + 1)
    homes = np.cumsum(np.bincount(block)[order])
    checks = np.cumsum(np.bincount(block, weights=useful)[order])
    enough = (homes >= most_homes) & (checks >= fewest_checks)
    taken = order[: int(np.argmax(enough)) + 1] if enough.any() else order
    return frame.index[np.isin(block, taken)]


def sample_caution(sampled: int, homes: int) -> Caution:
    """Say that the scores were judged on a sample, and what that means."""
    return Caution(
        "judged_on_sample",
        f"With {homes:,} homes the scores were judged on a random sample of whole blocks with "
        f"{sampled:,} of them, refitted without the rest. Homes at the edge of a sampled block "
        "miss neighbours there, so the figures are a little low if anything. Counts of checks and "
        "estimates from random checks are those of the whole city.",
    )
