"""Tables of how often a source says each thing in each state, learned and shrunk."""

from __future__ import annotations

from typing import Any, Protocol

import numpy as np


class Witness(Protocol):
    """What every witness can do; see the package text."""

    name: str
    heard: np.ndarray
    """Whether the source says anything of each home."""
    learned: tuple[str, ...]
    """Names of the attributes in which it keeps what it learned."""

    def learn(self, soft: np.ndarray) -> None:
        """Learn error rates from the posterior of each state of each home."""

    def weights(self, rng: np.random.Generator | None = None) -> np.ndarray:
        """Return log-likelihood ratios of each state against none, (n_homes, n_states)."""

    def describe(self, rng: np.random.Generator | None = None) -> dict[str, Any]:
        """Return what was learned, as plain numbers; drawn, if a generator is given."""


def soft_counts(
    code: np.ndarray,
    soft: np.ndarray,
    n_codes: int,
    group: np.ndarray | None = None,
    n_groups: int = 1,
) -> np.ndarray:
    """Count codes by group and state, each home split over its states.

    Parameters
    ----------
    code : ndarray of int, shape (n,)
        What the source says.
    soft : ndarray, shape (n, n_states)
        Posterior of each state, times any weight of the row.
    n_codes : int
    group : ndarray of int, shape (n,), optional
    n_groups : int

    Returns
    -------
    ndarray, shape (n_groups, n_states, n_codes)
    """
    key = code if group is None else group * n_codes + code
    counts = [
        np.bincount(key, weights=soft[:, k], minlength=n_groups * n_codes)
        for k in range(soft.shape[1])
    ]
    return np.stack([one.reshape(n_groups, n_codes) for one in counts], axis=1)


def shrunk_counts(counts: np.ndarray, centre: np.ndarray, strength: float) -> np.ndarray:
    """Return Dirichlet parameters: counts plus ``strength`` homes that follow ``centre``."""
    return counts + strength * centre


def shares(parameters: np.ndarray, rng: np.random.Generator | None = None) -> np.ndarray:
    """Return shares over the last axis: the Dirichlet mean, or one draw of it."""
    values = parameters if rng is None else rng.gamma(parameters) + 1e-300
    return values / values.sum(axis=-1, keepdims=True)


def how_sure(soft: np.ndarray) -> np.ndarray:
    """Return how much homes tell of what is said in each state, beside homes of known state.

    Of a home that is in a state with the chance p the share p of one counts as being in it, but
    it tells no more than the share p of that: the product of its scores is p squared. This is of
    all that is said together. Of one word that other states say far more often homes may tell
    half as much, of one that they hardly ever say more.

    Parameters
    ----------
    soft : ndarray, shape (n, n_states)

    Returns
    -------
    ndarray, shape (n_states,)
        0 to 1; 1 where there is no home.

    References
    ----------
    Berndt, Hall, Hall and Hausman (1974), Annals of Economic and Social Measurement 3: the
    information as a sum of products of scores.

    Examples
    --------
    >>> how_sure(np.array([[1.0, 0.0], [0.5, 0.5]])).round(3).tolist()
    [0.833, 0.5]
    """
    return np.asarray(((soft**2).sum(axis=0) + 1e-9) / (soft.sum(axis=0) + 1e-9))


def as_sure(parameters: np.ndarray, sure: np.ndarray | float, least: float) -> np.ndarray:
    """Return Dirichlet parameters of the same shares that are only as sure as they should be.

    Parameters
    ----------
    parameters : ndarray, shape (..., n_codes)
    sure : ndarray, shape (...), or float
        Of :func:`how_sure`.
    least : float
        Homes as which they count at least: those that the stated shares count as.

    Examples
    --------
    >>> as_sure(np.array([30.0, 10.0]), 0.5, 4.0).tolist()
    [15.0, 5.0]
    """
    homes = parameters.sum(axis=-1)
    counts = np.clip(sure * homes, np.minimum(least, homes), homes)
    return np.asarray(parameters * (counts / homes)[..., None])
