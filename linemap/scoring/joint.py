"""The rounds of the joint fit: prior and place, then witnesses, in turn.

Each round fits prior and place together to what the witnesses say (:mod:`linemap.scoring.field`)
and then lets the witnesses learn from the posterior: expectation and maximization in turn. On
the way each curve's smoothing and the place effect's sd and range move to their likeliest values.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from linemap.scoring.draws import draw_field, field_variance
from linemap.scoring.field import FieldFit, FieldProblem, before_own_evidence, fit_field
from linemap.scoring.place import PlaceField
from linemap.scoring.smoothing import Smoothing
from linemap.scoring.sources import Sources

SD_GRID = (0.2, 0.3, 0.45, 0.65, 0.9, 1.2, 1.6, 2.2)
RANGE_GRID = (125.0, 175.0, 250.0, 350.0, 500.0, 700.0, 1000.0, 1400.0, 2000.0, 2800.0, 4000.0)
DRAWS = 40
"""Draws from which the variance is taken between rounds."""

PLACE_TURNS = (1, 3)
"""Rounds before which sd and range are chosen anew."""

NEGLIGIBLE = 3.0
"""Settings of place whose log likelihood is lower by so much are not followed further."""


@dataclass(frozen=True)
class JointFit:
    """What the rounds ended with.

    Attributes
    ----------
    problem : FieldProblem
        The last joint problem, all homes.
    fit : FieldFit
        Joint mode of prior and place.
    tried : dict of (sd, range) to float
        Log marginal likelihood of the settings tried.
    """

    problem: FieldProblem
    fit: FieldFit
    tried: dict[tuple[float, float], float]


def fit_rounds(
    problem: FieldProblem,
    smoothing: Smoothing,
    sources: Sources,
    *,
    rounds: int,
    rng: np.random.Generator,
) -> JointFit:
    """Run the rounds; the error rates of ``sources`` are learned on the way.

    Parameters
    ----------
    problem : FieldProblem
        Design, graph and starting field; its weights and penalty are replaced.
    smoothing : Smoothing
        To start from.
    sources : Sources
    rounds : int
    rng : Generator
    """
    start: tuple[np.ndarray, np.ndarray] | None = None
    tried: dict[tuple[float, float], float] = {}
    for turn in range(rounds):
        problem = problem.with_weight(sources.testimony(teaching=True).weight())
        if turn in PLACE_TURNS and start is not None:
            place, tried = choose_place(problem, start)
            problem = problem.with_place(place)
        fit = fit_field(problem, start, steps=4, tolerance=0.5)
        start = (fit.b, fit.u)
        draws = draw_field(problem, fit, n_draws=DRAWS, rng=rng)
        variance = field_variance(problem.x, problem.unit, draws)
        before = before_own_evidence(fit, problem.weight, variance)
        sources.learn(before)
        smoothing = smoothing.after(fit)
        problem = replace(problem, penalty=smoothing.penalty)
    problem = problem.with_weight(sources.testimony(teaching=True).weight())
    return JointFit(problem, fit_field(problem, start, steps=8), tried)


def choose_place(
    problem: FieldProblem, start: tuple[np.ndarray, np.ndarray]
) -> tuple[PlaceField, dict[tuple[float, float], float]]:
    """Climb a small grid of sd and range to the highest marginal likelihood.

    The curves stay as they are meanwhile; they are fitted again right after.
    """
    grid = _PlaceGrid(problem, start)
    best = grid.climb()
    return grid.field(best), {grid.setting(cell): value for cell, value in grid.tried.items()}


def place_intervals(joint: JointFit) -> dict[str, tuple[float, float]]:
    """Return 90 % intervals of the sd [log-odds] and the range [m] of place.

    Each setting of the grid weighs as much as its marginal likelihood, the curves held. A
    setting stands for all up to half way to the next, on the scale of logarithms.

    References
    ----------
    Rue, Martino and Chopin (2009), Journal of the Royal Statistical Society B 71, section 3:
    hyperparameters by their Laplace approximation on a grid.
    """
    grid = _PlaceGrid(joint.problem, (joint.fit.b, joint.fit.u))
    likely = grid.around(grid.climb())
    top = max(likely.values())
    weight = np.zeros((len(SD_GRID), len(RANGE_GRID)))
    for cell, value in likely.items():
        weight[cell] = np.exp(value - top)
    return {
        "sd": _middle_90(np.log(SD_GRID), weight.sum(axis=1)),
        "range_m": _middle_90(np.log(RANGE_GRID), weight.sum(axis=0)),
    }


def _middle_90(at: np.ndarray, weight: np.ndarray) -> tuple[float, float]:
    """Return the ends of the middle 90 % of weights spread evenly between grid points."""
    half = (at[:-1] + at[1:]) / 2.0
    edge = np.concatenate([[2.0 * at[0] - half[0]], half, [2.0 * at[-1] - half[-1]]])
    below = np.concatenate([[0.0], np.cumsum(weight) / weight.sum()])
    low, high = np.exp(np.interp([0.05, 0.95], below, edge))
    return float(low), float(high)


class _PlaceGrid:
    """Log marginal likelihoods of settings of place, each worked out once."""

    def __init__(self, problem: FieldProblem, start: tuple[np.ndarray, np.ndarray]) -> None:
        b, self.start = start
        self.places = problem.places_only(problem.offset + problem.x @ b.astype(np.float32))
        self.now = problem.place
        self.tried: dict[tuple[int, int], float] = {}

    @staticmethod
    def setting(cell: tuple[int, int]) -> tuple[float, float]:
        return SD_GRID[cell[0]], RANGE_GRID[cell[1]]

    def field(self, cell: tuple[int, int]) -> PlaceField:
        return PlaceField(self.now.adjacency, *self.setting(cell))

    def value(self, cell: tuple[int, int]) -> float:
        if cell not in self.tried:
            candidate = self.places.with_place(self.field(cell))
            fit = fit_field(candidate, (np.zeros(0), self.start), steps=6, tolerance=0.1)
            self.tried[cell] = fit.evidence(candidate)
        return self.tried[cell]

    def climb(self) -> tuple[int, int]:
        """Go from the present setting to the best around, until none is better."""
        at = (
            int(np.argmin(np.abs(np.log(np.array(SD_GRID) / self.now.sd)))),
            int(np.argmin(np.abs(np.log(np.array(RANGE_GRID) / self.now.range_m)))),
        )
        while (best := max([at, *_beside(at)], key=self.value)) != at:
            at = best
        return at

    def around(self, best: tuple[int, int]) -> dict[tuple[int, int], float]:
        """Return all settings that are not much less likely than the best, and their borders."""
        least = self.value(best) - NEGLIGIBLE
        done, waiting = {best}, [best]
        while waiting:
            new = [cell for cell in _beside(waiting.pop()) if cell not in done]
            done.update(new)
            waiting += [cell for cell in new if self.value(cell) > least]
        return {cell: self.value(cell) for cell in done}


def _beside(cell: tuple[int, int]) -> list[tuple[int, int]]:
    """Return the settings one step away on the grid."""
    near = [(cell[0] + di, cell[1] + dj) for di, dj in ((1, 0), (-1, 0), (0, 1), (0, -1))]
    return [(i, j) for i, j in near if 0 <= i < len(SD_GRID) and 0 <= j < len(RANGE_GRID)]


def crossed_prior(joint: JointFit, fold: np.ndarray, folds: int) -> np.ndarray:
    """Return coefficients fitted without the evidence of each fold, (n_columns, folds).

    Parameters
    ----------
    joint : JointFit
    fold : ndarray of int, shape (n_homes,)
        Fold of the homes that were fitted.
    folds : int
    """
    held = (joint.problem.without(fold == k) for k in range(folds))
    return np.column_stack([fit_field(one, joint.fit, steps=3, tolerance=0.5).b for one in held])
