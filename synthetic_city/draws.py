"""Random streams by name, and draws for many homes at once."""

from __future__ import annotations

import zlib
from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]


def stream(seed: int, name: str) -> np.random.Generator:
    """Return a generator of its own for one stage, so that stages do not disturb each other."""
    return np.random.default_rng([seed, zlib.crc32(name.encode())])


def choose(rng: np.random.Generator, chances: Floats) -> Ints:
    """Draw one column for each row of a table of chances.

    Parameters
    ----------
    rng : Generator
    chances : array, shape (n, k)
        Rows sum to about 1; they are rescaled.

    Returns
    -------
    array of int, shape (n,)
    """
    steps = np.cumsum(chances, axis=1)
    at = rng.random(len(chances)) * steps[:, -1]
    found: Ints = (steps < at[:, None]).sum(axis=1)
    return np.minimum(found, chances.shape[1] - 1)


def pick(rng: np.random.Generator, chances: Sequence[float], n: int) -> Ints:
    """Draw ``n`` columns from one row of chances."""
    p = np.asarray(chances, dtype=float)
    drawn: Ints = rng.choice(len(p), size=n, p=p / p.sum())
    return drawn


def logistic(x: ArrayLike) -> Floats:
    """Return the probability of log-odds.

    Examples
    --------
    >>> float(logistic(0.0))
    0.5
    """
    out: Floats = 1.0 / (1.0 + np.exp(-np.asarray(x, dtype=float)))
    return out


def log_odds(p: ArrayLike) -> Floats:
    """Return the log-odds of a probability."""
    q = np.asarray(p, dtype=float)
    out: Floats = np.log(q) - np.log1p(-q)
    return out


def level(score: Floats, mean: float) -> Floats:
    """Shift log-odds by one constant so that the mean probability is as wanted.

    Examples
    --------
    >>> round(float(level(np.array([-1.0, 0.0, 2.0]), 0.3).mean()), 6)
    0.3
    """
    low, high = -30.0, 30.0
    for _ in range(60):
        middle = (low + high) / 2
        if logistic(score + middle).mean() < mean:
            low = middle
        else:
            high = middle
    return logistic(score + low)


def smooth_field(rng: np.random.Generator, x: Floats, y: Floats, length: float) -> Floats:
    """Return a smooth random surface of about unit variance at points ``x``, ``y`` [m]."""
    out = np.zeros(len(x))
    waves = 8
    for _ in range(waves):
        angle = rng.uniform(0, 2 * np.pi)
        k = 2 * np.pi / (length * rng.uniform(0.7, 1.6))
        out += np.sin(k * (np.cos(angle) * x + np.sin(angle) * y) + rng.uniform(0, 2 * np.pi))
    return out * np.sqrt(2 / waves)
