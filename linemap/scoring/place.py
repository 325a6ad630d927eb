"""The effect of place: a Gaussian Markov field on the graph of places.

Neighbouring places are alike. Their common effect has the sparse precision

    Q = s K K / sd^2,     K = 8 / range^2 + L,

where L is the Laplacian of the graph whose links weigh one over their squared length. Q is a
conditional autoregression on neighbours and their neighbours; its correlation falls smoothly
with distance in metres, to about 0.14 at the range, and s scales its variance to one.

References
----------
Besag (1974), Journal of the Royal Statistical Society B 36: conditional autoregressions.
Lindgren, Rue and Lindstrom (2011), Journal of the Royal Statistical Society B 73: the link to
fields with a range in metres.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Protocol

import numpy as np
from scipy import sparse
from scipy.sparse.linalg import SuperLU, splu

LINK = 2.0 / 3.0
"""Weight of a link times its squared length: makes L approach the Laplacian on triangles."""


class Graph(Protocol):
    """What is needed of a place graph; see :class:`linemap.features.PlaceGraph`."""

    @property
    def unit(self) -> np.ndarray:
        """Place of each home."""

    @property
    def adjacency(self) -> sparse.csr_matrix:
        """Which places are neighbours."""

    @property
    def kind(self) -> str:
        """What a place is: stretches of street, or squares."""


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
    def root(self) -> sparse.csr_matrix:
        """The symmetric matrix K whose square is the precision, up to scale."""
        links = self.adjacency.copy()
        links.data = LINK / links.data**2
        total = np.asarray(links.sum(axis=1)).ravel()
        return (sparse.diags(total + 8.0 / self.range_m**2) - links).tocsr()

    @cached_property
    def root_factor(self) -> SuperLU:
        """The factorized root."""
        return factorize(self.root)

    @cached_property
    def scale(self) -> float:
        """Factor that gives the field its variance, from the mean of the inverse's diagonal.

        The diagonal of the inverse of K K is the squared length of the columns of the inverse
        of K; random signs estimate their mean.
        """
        n = self.adjacency.shape[0]
        signs = np.random.default_rng(0).choice([-1.0, 1.0], size=(n, 48))
        return float((self.root_factor.solve(signs) ** 2).mean()) / self.sd**2

    @cached_property
    def precision(self) -> sparse.csr_matrix:
        """Precision matrix of the place effects, (n_units, n_units)."""
        return (self.root @ self.root * self.scale).tocsr()

    @cached_property
    def log_determinant(self) -> float:
        """Log determinant of the precision."""
        n = self.adjacency.shape[0]
        return 2.0 * log_determinant(self.root_factor) + n * float(np.log(self.scale))

    def noise(self, rng: np.random.Generator, n_draws: int) -> np.ndarray:
        """Draw vectors whose covariance is the precision matrix, (n_units, n_draws)."""
        white = rng.standard_normal((self.adjacency.shape[0], n_draws))
        return np.asarray(np.sqrt(self.scale) * (self.root @ white))
