"""How sure the error rates are, together with the level of the odds.

If records are wrong more often than was learned, fewer homes have lead: error rates and the level
of all odds lean on each other. So they are drawn together. Their precision is summed from what
each home's evidence says of them once its state is summed out, never as if the states were known.
"""

from __future__ import annotations

import numpy as np
from scipy import linalg
from scipy.special import expit

from linemap.published import fact
from linemap.scoring.level import SHIFT_SD
from linemap.scoring.sides import state_posterior
from linemap.scoring.sources import Sources


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
    said = sources.testimony(teaching=True)
    weight = said.weight()
    p, q = expit(before), expit(before + weight)
    soft = state_posterior(q, said.total, said.log_share)
    pull = (q - p)[:, None]
    taught = sources.kind > 0
    scores = np.hstack([sources.record.pulls(soft), pull])[taught]
    stated = np.concatenate([sources.record.precision, [SHIFT_SD**-2.0]])
    lower = linalg.cholesky(scores.T @ scores + np.diag(stated), lower=True)
    out = []
    form = fact("scoring.model_error").value
    area, n_areas = sources.homes.area, sources.homes.n_areas
    for _ in range(n_draws):
        noise = rng.standard_normal(len(stated))
        off = linalg.solve_triangular(lower.T, noise, lower=False)
        drawn = sources.testimony(
            teaching=False, rng=rng, record_slopes=sources.record.slopes + off[:-1]
        )
        level = off[-1] + form["city"] * rng.standard_normal()
        level = level + form["area"] * rng.standard_normal(n_areas)[area]
        out.append(drawn.weight() + level + form["slope"] * rng.standard_normal() * before)
    return out
