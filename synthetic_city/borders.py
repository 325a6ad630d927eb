"""The best that can be said by one who must also find where one main contract ended.

Which stretches of street one contract covers is hidden, as in life. It is known how contracts
lie: each stretch belongs to the nearest of centres that were scattered about a grid. So centres
are moved about by chance, each within its own part of the grid, and kept in the proportion in
which the evidence speaks for the borders that they draw (Metropolis); what a contract laid is
summed over exactly at each step.
"""

from __future__ import annotations

import numpy as np
from scipy.spatial import cKDTree

from synthetic_city.draws import Floats
from synthetic_city.ground import JITTER, grid_of, stretches
from synthetic_city.oracle import Told, by_effect, effect_weights

_SWEEPS, _UNHEARD = 160, 40  # moves of every centre; those before anything is kept
_PARTS = 4  # steps between effects are cut in so many parts
_REACH = 2.1  # spacings within which a centre can own a stretch, or another of its stretches


def searched_posterior(told: Told, *, seed: int) -> Floats:
    """Return the chance of lead after all evidence, with effects and borders of contracts hidden.

    Every rate is known, and how contracts are scattered, but neither where one ends nor how much
    lead it laid.

    Parameters
    ----------
    told : Told
    seed : int
        Seed of the moves.

    Returns
    -------
    array, shape (n,)

    References
    ----------
    N. Metropolis and others, J. Chem. Phys. 21 (1953). From memory.
    """
    log, share = by_effect(told)
    stretch, x, y = stretches(told.homes)
    heard: Floats = np.stack([np.bincount(stretch, row) for row in log], axis=1).astype(float)
    search = _Search(heard, x, y, told.knobs.contract_spacing, np.random.default_rng(seed))
    kept = np.zeros_like(heard)
    for sweep in range(_SWEEPS):
        search.sweep()
        if sweep >= _UNHEARD:
            kept += search.weights()
    kept /= _SWEEPS - _UNHEARD
    return np.clip(np.einsum("nk,kn->n", kept[stretch], share), 1e-9, 1 - 1e-9)


class _Search:
    """Centres of contracts that are moved about, and the stretches that they own."""

    def __init__(
        self, heard: Floats, x: Floats, y: Floats, spacing: float, rng: np.random.Generator
    ) -> None:
        self.heard, self.at, self.spacing, self.rng = heard, np.column_stack([x, y]), spacing, rng
        self.grid = np.column_stack(grid_of(x, y, spacing))
        self.centre = self.grid + self._scatter(len(self.grid))
        self.owner = cKDTree(self.centre).query(self.at)[1]
        self.sums = np.zeros((len(self.grid), heard.shape[1]))
        np.add.at(self.sums, self.owner, heard)
        self.evidence = effect_weights(self.sums.T, fine=_PARTS)[1]
        near = cKDTree(self.grid)
        own = near.query_ball_point(self.grid, 2 * _REACH * spacing)
        self.rivals = [np.array(some) for some in own]
        found = cKDTree(self.at).query_ball_point(self.grid, _REACH * spacing)
        self.around = [np.array(some, dtype=np.int64) for some in found]

    def _scatter(self, n: int) -> Floats:
        return self.spacing * self.rng.uniform(-JITTER, JITTER, (n, 2))

    def sweep(self) -> None:
        """Try to move every centre once, anywhere in its part of the grid."""
        for centre in self.rng.permutation(len(self.grid)):
            if len(self.around[centre]):
                self._move(centre, self.grid[centre] + self._scatter(1)[0])

    def _move(self, centre: int, to: Floats) -> None:
        here, rivals = self.around[centre], self.rivals[centre]
        places = self.centre[rivals]
        places[rivals == centre] = to
        gap = ((self.at[here][:, None, :] - places[None, :, :]) ** 2).sum(axis=2)
        owner = rivals[gap.argmin(axis=1)]
        changed = owner != self.owner[here]
        if not changed.any():
            self.centre[centre] = to
            return
        moved, before, after = here[changed], self.owner[here[changed]], owner[changed]
        cells = np.union1d(before, after)
        sums = self.sums[cells]
        np.subtract.at(sums, np.searchsorted(cells, before), self.heard[moved])
        np.add.at(sums, np.searchsorted(cells, after), self.heard[moved])
        evidence = effect_weights(sums.T, fine=_PARTS)[1]
        gain = evidence.sum() - self.evidence[cells].sum()
        if np.log(self.rng.random()) < gain:
            self.centre[centre], self.owner[moved] = to, after
            self.sums[cells], self.evidence[cells] = sums, evidence

    def weights(self) -> Floats:
        """Return the posterior of the effect on each stretch, (n_stretches, 15)."""
        return effect_weights(self.sums.T, fine=_PARTS)[0].T[self.owner]
