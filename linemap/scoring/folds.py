"""Spatial blocks shared out over folds, so that a home's prior never saw its neighbours."""

from __future__ import annotations

import numpy as np


def block_folds(
    x: np.ndarray, y: np.ndarray, *, block_m: float, folds: int, rng: np.random.Generator
) -> np.ndarray:
    """Return the fold of each home, whole square blocks together.

    Parameters
    ----------
    x, y : ndarray, shape (n,)
        Position [m].
    block_m : float
        Side of a block [m].
    folds : int
    rng : Generator
        Shares out the blocks.
    """
    column = np.floor((x - x.min()) / block_m).astype(np.int64)
    row = np.floor((y - y.min()) / block_m).astype(np.int64)
    _, block = np.unique(row * (int(column.max()) + 1) + column, return_inverse=True)
    n_blocks = int(block.max()) + 1
    fold_of_block = rng.permutation(np.arange(n_blocks) % folds)
    return np.asarray(fold_of_block[block])
