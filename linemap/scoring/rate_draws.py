"""How sure the error rates are, together with the level of the odds.

If records are wrong more often than was learned, fewer homes have lead: error rates and the level
of all odds lean on each other. So they are drawn together. Their precision is summed from what
each home's evidence says of them once its state is summed out, never as if the states were known.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
from scipy import linalg
from scipy.special import expit

from linemap.published import fact
from linemap.scoring.level import SHIFT_SD
from linemap.scoring.sides import state_posterior
from linemap.scoring.sources import Sources

ENDS = {"low": 0.05, "high": 0.95}
"""Quantiles at the ends of a 90 % interval."""


def rate_draws(
    sources: Sources, before: np.ndarray, *, n_draws: int, rng: np.random.Generator
) -> list[np.ndarray]:
    """Draw what the sources say of every home, and how far the level of the odds is off.

    Parameters
    ----------
    sources : Sources
        With learned error rates.
    before : ndarray, shape (n_homes,)
        Log-odds before the home's own evidence.
    n_draws : int
    rng : Generator

    Returns
    -------
    list of ndarray, shape (n_homes,)
        What to add to ``before``, once for each draw [log-odds].

    References
    ----------
    Berndt, Hall, Hall and Hausman (1974), Annals of Economic and Social Measurement 3: the
    information as a sum of products of scores.
    """
    out = []
    form = fact("scoring.model_error").value
    area, n_areas = sources.homes.area, sources.homes.n_areas
    for slopes, level in _slopes_and_level(sources, before, n_draws, rng):
        drawn = sources.testimony(teaching=False, rng=rng, record_slopes=slopes)
        level = level + form["city"] * rng.standard_normal()
        level = level + form["area"] * rng.standard_normal(n_areas)[area]
        out.append(drawn.weight() + level + form["slope"] * rng.standard_normal() * before)
    return out


def described(
    sources: Sources, before: np.ndarray, *, n_draws: int, rng: np.random.Generator
) -> dict[str, Any]:
    """Return what was learned of each source, with 90 % intervals.

    Parameters
    ----------
    sources, before, n_draws, rng
        As of :func:`rate_draws`.

    Returns
    -------
    dict
        What each witness says of itself, and under ``interval`` the ends ``low`` and ``high`` of
        every number in it that is not known for sure.
    """
    out = sources.describe()
    drawn = [
        sources.describe(rng, slopes)
        for slopes, _ in _slopes_and_level(sources, before, n_draws, rng)
    ]
    for name, said in out.items():
        said["interval"] = {
            end: _quantile([one[name] for one in drawn], q) for end, q in ENDS.items()
        }
    return out


def _quantile(said: list[Any], q: float) -> Any:
    """Return a quantile of each number in what is said again and again; None where none differs."""
    first = said[0]
    if isinstance(first, dict):
        differs = (key for key in first if any(one[key] != first[key] for one in said))
        inside = {key: _quantile([one[key] for one in said], q) for key in differs}
        return {key: value for key, value in inside.items() if value is not None}
    if isinstance(first, list):
        return [_quantile(list(one), q) for one in zip(*said, strict=True)]
    if not isinstance(first, float):
        return None
    return round(float(np.quantile(said, q)), 4)


def _slopes_and_level(
    sources: Sources, before: np.ndarray, n_draws: int, rng: np.random.Generator
) -> Iterator[tuple[np.ndarray, float]]:
    """Draw the record's coefficients and the level of the odds from their posterior, jointly."""
    said = sources.testimony(teaching=True)
    weight = said.weight()
    p, q = expit(before), expit(before + weight)
    soft = state_posterior(q, said.total, said.log_share)
    pull = (q - p)[:, None]
    taught = sources.kind > 0
    scores = np.hstack([sources.record.pulls(soft), pull])[taught]
    stated = np.concatenate([sources.record.precision, [SHIFT_SD**-2.0]])
    lower = linalg.cholesky(scores.T @ scores + np.diag(stated), lower=True)
    for _ in range(n_draws):
        noise = rng.standard_normal(len(stated))
        off = linalg.solve_triangular(lower.T, noise, lower=False)
        yield sources.record.slopes + off[:-1], float(off[-1])
