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
    b, u = start
    places = problem.places_only(problem.offset + problem.x @ b.astype(np.float32))
    tried: dict[tuple[int, int], float] = {}
    empty = np.zeros(0)

    def field_at(i: int, j: int) -> PlaceField:
        return PlaceField(problem.place.adjacency, SD_GRID[i], RANGE_GRID[j])

    def value(i: int, j: int) -> float:
        if (i, j) not in tried:
            candidate = places.with_place(field_at(i, j))
            fit = fit_field(candidate, (empty, u), steps=6, tolerance=0.1)
            tried[i, j] = fit.evidence(candidate)
        return tried[i, j]

    at = (
        int(np.argmin(np.abs(np.log(np.array(SD_GRID) / problem.place.sd)))),
        int(np.argmin(np.abs(np.log(np.array(RANGE_GRID) / problem.place.range_m)))),
    )
    while True:
        i, j = at
        near = [
            (i + di, j + dj)
            for di, dj in ((0, 0), (1, 0), (-1, 0), (0, 1), (0, -1))
            if 0 <= i + di < len(SD_GRID) and 0 <= j + dj < len(RANGE_GRID)
        ]
        best = max(near, key=lambda cell: value(*cell))
        if best == at:
            break
        at = best
    return field_at(*at), {(SD_GRID[i], RANGE_GRID[j]): v for (i, j), v in tried.items()}


def crossed_prior(joint: JointFit, fold: np.ndarray, folds: int) -> np.ndarray:
    """Return coefficients fitted without the evidence of each fold, (n_columns, folds).

    Parameters
    ----------
    joint : JointFit
    fold : ndarray of int, shape (n_homes,)
        Fold of the homes that were fitted.
    folds : int
    """
    start = (joint.fit.b, joint.fit.u)
    return np.column_stack(
        [
            fit_field(joint.problem.without(fold == k), start, steps=3, tolerance=0.5).b
            for k in range(folds)
        ]
    )
