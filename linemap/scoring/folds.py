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
    block = square_blocks(x, y, block_m)
    fold_of_block = rng.permutation(np.arange(int(block.max()) + 1) % folds)
    return np.asarray(fold_of_block[block])


def square_blocks(x: np.ndarray, y: np.ndarray, block_m: float) -> np.ndarray:
    """Return the square block of each home, numbered from 0."""
    column = np.floor((x - x.min()) / block_m).astype(np.int64)
    row = np.floor((y - y.min()) / block_m).astype(np.int64)
    return np.unique(row * (int(column.max()) + 1) + column, return_inverse=True)[1]


def block_sample(
    x: np.ndarray,
    y: np.ndarray,
    told: np.ndarray,
    *,
    block_m: float,
    most: int,
    rng: np.random.Generator,
) -> np.ndarray:
    """Return the rows of a sample of whole blocks with about ``most`` homes, in order.

    Parameters
    ----------
    x, y : ndarray, shape (n,)
        Position [m].
    told : ndarray of bool, shape (n,)
        Homes with evidence; blocks without any would teach nothing and are not drawn.
    block_m : float
        Side of a block [m].
    most : int
    rng : Generator
        Draws the blocks.
    """
    block = square_blocks(x, y, block_m)
    size = np.bincount(block)
    order = rng.permutation(np.unique(block[told]))
    enough = int(np.searchsorted(np.cumsum(size[order]), most)) + 1
    return np.flatnonzero(np.isin(block, order[:enough]))
