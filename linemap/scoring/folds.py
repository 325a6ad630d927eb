"""Spatial blocks shared out over folds, so that a home's prior never saw its neighbours."""

from __future__ import annotations

import numpy as np

LEAST_BLOCKS = 3
"""Blocks with evidence that each fold should have; a small town gets smaller blocks for it."""

SMALLEST_BLOCK_M = 50.0


def block_folds(
    x: np.ndarray,
    y: np.ndarray,
    told: np.ndarray,
    *,
    block_m: float,
    folds: int,
    rng: np.random.Generator,
) -> np.ndarray:
    """Return the fold of each home, whole square blocks together.

    Blocks with evidence are dealt out evenly, so that no fold holds all of it. Where there are
    too few of them, as in a small town, blocks are smaller than asked for.

    Parameters
    ----------
    x, y : ndarray, shape (n,)
        Position [m].
    told : ndarray of bool, shape (n,)
        Homes with evidence.
    block_m : float
        Side of a block [m], at most.
    folds : int
    rng : Generator
        Shares out the blocks.
    """
    block = square_blocks(x, y, block_m)
    while len(np.unique(block[told])) < LEAST_BLOCKS * folds and block_m > SMALLEST_BLOCK_M:
        block_m = max(block_m / 1.5, SMALLEST_BLOCK_M)
        block = square_blocks(x, y, block_m)
    order = rng.permutation(int(block.max()) + 1)
    speaks = np.bincount(block[told], minlength=len(order))[order] > 0
    fold_of_block = np.empty(len(order), dtype=np.int64)
    fold_of_block[order[np.argsort(~speaks, kind="stable")]] = np.arange(len(order)) % folds
    return fold_of_block[block]


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
    """Return the rows of a sample of whole blocks with about ``most`` told homes, in order.

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
    size = np.bincount(block[told], minlength=int(block.max()) + 1)
    order = rng.permutation(np.unique(block[told]))
    enough = int(np.searchsorted(np.cumsum(size[order]), most)) + 1
    return np.flatnonzero(np.isin(block, order[:enough]))
