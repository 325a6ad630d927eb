"""The effect of place: a Gaussian Markov field on the graph of places.

Neighbouring places are alike. Their common effect has the sparse precision

    Q = s (k^2 I + L) / v,     k = sqrt(8) / range,

where L is the Laplacian of the graph with weights 1 / (length of the link)^2, so that Q is a
conditional autoregression whose correlation falls with distance in metres, and s scales it to
the wanted variance v = sd^2.

References
----------
Besag (1974), Journal of the Royal Statistical Society B 36: conditional autoregressions.
Lindgren, Rue and Lindstrom (2011), Journal of the Royal Statistical Society B 73: the link to
fields with a range in metres.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy import sparse
from scipy.sparse.linalg import SuperLU, splu

LINK = 2.0 / 3.0
"""Weight of a link times its squared length: makes L approach the Laplacian on triangles."""


def factorize(matrix: sparse.spmatrix) -> SuperLU:
    """Factorize a sparse symmetric positive definite matrix."""
    return splu(
        matrix.tocsc(),
        permc_spec="MMD_AT_PLUS_A",
        diag_pivot_thresh=0.0,
        options={"SymmetricMode": True},
    )


def log_determinant(lu: SuperLU) -> float:
    """Return the log determinant of a factorized positive definite matrix."""
    return float(np.log(np.abs(lu.U.diagonal())).sum())


@dataclass(frozen=True)
class PlaceField:
    """The prior of the place effects for one sd and range.

    Attributes
    ----------
    adjacency : csr_matrix, shape (n_units, n_units)
        Lengths of the links between neighbouring places [m].
    sd : float
        Standard deviation of the effect [log-odds].
    range_m : float
        Distance at which correlation has become small [m].
    """

    adjacency: sparse.csr_matrix
    sd: float
    range_m: float

    @cached_property
    def _links(self) -> tuple[sparse.csr_matrix, np.ndarray]:
        """Return the incidence of links on places, and the square root of their weights."""
        upper = sparse.triu(self.adjacency, k=1).tocoo()
        n = self.adjacency.shape[0]
        m = len(upper.data)
        column = np.concatenate([upper.row, upper.col])
        row = np.concatenate([np.arange(m), np.arange(m)])
        sign = np.concatenate([np.ones(m), -np.ones(m)])
        incidence = sparse.csr_matrix((sign, (row, column)), shape=(m, n))
        return incidence, np.sqrt(LINK) / upper.data

    @cached_property
    def _raw(self) -> sparse.csr_matrix:
        incidence, root = self._links
        scaled = incidence.multiply(root[:, None]).tocsr()
        k2 = 8.0 / self.range_m**2
        return (scaled.T @ scaled + k2 * sparse.identity(self.adjacency.shape[0])).tocsr()

    @cached_property
    def scale(self) -> float:
        """Factor that gives the field its variance, from the mean of the inverse's diagonal."""
        n = self.adjacency.shape[0]
        rng = np.random.default_rng(0)
        signs = rng.choice([-1.0, 1.0], size=(n, 32))
        solved = factorize(self._raw).solve(signs)
        return float((signs * solved).sum() / signs.size) / self.sd**2

    @cached_property
    def precision(self) -> sparse.csr_matrix:
        """Precision matrix of the place effects."""
        return self._raw * self.scale

    def noise(self, rng: np.random.Generator, n_draws: int) -> np.ndarray:
        """Draw vectors whose covariance is the precision matrix, (n_units, n_draws)."""
        incidence, root = self._links
        n = self.adjacency.shape[0]
        k = np.sqrt(8.0) / self.range_m
        along = incidence.T @ (root[:, None] * rng.standard_normal((len(root), n_draws)))
        return np.sqrt(self.scale) * (along + k * rng.standard_normal((n, n_draws)))
