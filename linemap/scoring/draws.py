"""How sure: joint draws of prior, place and error rates, never sums of independent errors."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import linalg, sparse
from scipy.special import expit

from linemap.scoring.field import FieldFit, FieldProblem

CHUNK = 20_000
"""Homes handled at a time, so that memory does not grow with the city."""


Z90 = 1.6448536269514722
"""Half width of a 90 % interval in standard deviations."""


def widened(log_odds: np.ndarray, variance: np.ndarray) -> np.ndarray:
    """Return the middle of log-odds with a variance whose mean probability is that of ``log_odds``.

    References
    ----------
    MacKay (1992), Neural Computation 4, 720-736: mean of a logistic curve over a normal.
    """
    return np.asarray(log_odds * np.sqrt(1.0 + np.pi / 8.0 * variance))


SUREST = 34.0
"""Log-odds beyond which a probability would be rounded to 1."""


def interval(log_odds: np.ndarray, variance: np.ndarray) -> pd.DataFrame:
    """Return a probability with its 90 % interval.

    Parameters
    ----------
    log_odds, variance : ndarray, shape (n,)

    Returns
    -------
    DataFrame
        Columns ``p``, ``low``, ``high``.
    """
    spread = Z90 * np.sqrt(variance)
    p = expit(log_odds)
    high = np.maximum(p, expit(np.minimum(log_odds + spread, SUREST)))
    return pd.DataFrame({"p": p, "low": expit(log_odds - spread), "high": high})


@dataclass(frozen=True)
class FieldDraws:
    """Draws of the deviation of coefficients and places from their mode.

    Attributes
    ----------
    b : ndarray of float32, shape (n_columns, n_draws)
    u : ndarray of float32, shape (n_units, n_draws)
    """

    b: np.ndarray
    u: np.ndarray


def draw_field(
    problem: FieldProblem, fit: FieldFit, *, n_draws: int, rng: np.random.Generator
) -> FieldDraws:
    """Draw from the Laplace posterior of coefficients and places, jointly.

    Coefficients come from the Cholesky factor of their Schur complement; places, given
    coefficients, by solving the field's precision against noise that has it as covariance.
    """
    p = len(fit.b)
    lower = linalg.cholesky(fit.schur, lower=True) if p else np.zeros((0, 0))
    b = rng.standard_normal((p, n_draws))
    if p:
        b = linalg.solve_triangular(lower.T, b, lower=False)
    by_unit = problem.by_place(fit.information)
    noise = problem.place.noise(rng, n_draws)
    noise += np.sqrt(by_unit)[:, None] * rng.standard_normal((problem.n_units, n_draws))
    u = fit.lu.solve(noise) - fit.solved @ b
    return FieldDraws(b.astype(np.float32), u.astype(np.float32))


def deviations(
    x: np.ndarray, unit: np.ndarray, draws: FieldDraws
) -> Iterator[tuple[slice, np.ndarray]]:
    """Yield the deviation of each home's log-odds in every draw, a chunk of homes at a time."""
    for start in range(0, len(unit), CHUNK):
        rows = slice(start, min(start + CHUNK, len(unit)))
        yield rows, x[rows] @ draws.b + draws.u[unit[rows]]


def field_variance(x: np.ndarray, unit: np.ndarray, draws: FieldDraws) -> np.ndarray:
    """Return the posterior variance of each home's log-odds before its own evidence."""
    out = np.zeros(len(unit))
    for rows, moved in deviations(x, unit, draws):
        out[rows] = moved.var(axis=1)
    return out


def drawn_chances(
    x: np.ndarray,
    unit: np.ndarray,
    draws: FieldDraws,
    centre: np.ndarray,
    evidence: list[np.ndarray],
) -> Iterator[tuple[slice, np.ndarray]]:
    """Yield the chance of each home in every draw, a chunk of homes at a time.

    Parameters
    ----------
    centre : ndarray, shape (n,)
        Log-odds before evidence.
    evidence : list of ndarray, shape (n,)
        Evidence weights under different draws of the error rates; draws take turns.
    """
    turn = np.arange(draws.u.shape[1]) % len(evidence)
    for rows, moved in deviations(x, unit, draws):
        own = np.stack([w[rows] for w in evidence], axis=1)[:, turn]
        yield rows, expit(centre[rows][:, None] + moved + own)


def group_counts(
    chances: Iterable[tuple[slice, np.ndarray]],
    group: np.ndarray,
    n_groups: int,
    rng: np.random.Generator,
) -> np.ndarray:
    """Draw how many homes of each group are of the kind, (n_groups, n_draws).

    Parameters
    ----------
    chances : iterable of (rows, chances)
        Of :func:`drawn_chances`.
    group : ndarray of int, shape (n,)
        -1: in no group.
    n_groups : int
    rng : Generator
    """
    counts: list[np.ndarray] = []
    for rows, p in chances:
        inside = group[rows] >= 0
        if not inside.any():
            continue
        p = p[inside]
        there = rng.random(p.shape, dtype=np.float32) < p
        n = len(there)
        by_group = sparse.csr_matrix(
            (np.ones(n, np.float32), (group[rows][inside], np.arange(n))), shape=(n_groups, n)
        )
        counts.append(by_group @ there.astype(np.float32))
    return np.asarray(np.sum(counts, axis=0, dtype=float)) if counts else np.zeros((n_groups, 1))


def expected_counts(
    groups: pd.Series,
    p: np.ndarray,
    chances: Iterable[tuple[slice, np.ndarray]],
    rng: np.random.Generator,
    level: float = 0.9,
) -> pd.DataFrame:
    """Return how many homes of each group are expected to be of the kind.

    Parameters
    ----------
    groups : Series, shape (n,)
        Group of each home; missing: in none.
    p : ndarray, shape (n,)
        Chance of each home.
    chances, rng
        As of :func:`group_counts`.
    level : float
        Chance that the interval holds the true number.

    Returns
    -------
    DataFrame
        Index: groups in sorted order; columns ``expected``, ``low``, ``high`` [homes], the ends
        of an interval that holds what is expected.
    """
    aligned = groups.astype("category")
    names, code = aligned.cat.categories, aligned.cat.codes.to_numpy()
    counts = group_counts(chances, code, len(names), rng)
    inside = code >= 0
    expected = np.bincount(code[inside], weights=p[inside], minlength=len(names))
    low, high = np.quantile(counts, [(1 - level) / 2, (1 + level) / 2], axis=1)
    return pd.DataFrame(
        {
            "expected": expected,
            "low": np.minimum(low, expected),
            "high": np.maximum(high, expected),
        },
        index=pd.Index(names, name=groups.name),
    )
