"""The joint fit: rounds of prior and place, then witnesses; then priors that never saw their block.

Each round fits prior and place together to what the witnesses say (:mod:`linemap.scoring.field`)
and then lets the witnesses learn from the posterior: expectation and maximization in turn. After
the rounds, each fold of spatial blocks gets the prior that was fitted without any evidence of
its own homes, and the place effect is fitted once more on top of those priors.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import expit

from linemap.scoring.field import FieldFit, FieldProblem, fit_field
from linemap.scoring.place import PlaceField
from linemap.scoring.sources import Sources

SD_GRID = (0.3, 0.5, 0.75, 1.0, 1.35, 1.8)
RANGE_GRID = (120.0, 200.0, 350.0, 600.0, 1000.0, 1800.0, 3200.0)
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
    place : PlaceField
        Chosen sd and range.
    tried : dict of (sd, range) to float
        Log marginal likelihood of the settings tried.
    """

    problem: FieldProblem
    fit: FieldFit
    place: PlaceField
    tried: dict[tuple[float, float], float]


def fit_rounds(problem: FieldProblem, sources: Sources, *, rounds: int) -> JointFit:
    """Run the rounds; the error rates of ``sources`` are learned on the way.

    Parameters
    ----------
    problem : FieldProblem
        Design, graph and starting field; its weights are replaced.
    sources : Sources
    rounds : int
    """
    start: tuple[np.ndarray, np.ndarray] | None = None
    tried: dict[tuple[float, float], float] = {}
    for turn in range(rounds):
        testimony = sources.testimony(teaching=True)
        problem = problem.with_weight(testimony.weight())
        if turn in PLACE_TURNS:
            place, tried = choose_place(problem, start)
            problem = problem.with_place(place)
        fit = fit_field(problem, start, steps=8)
        start = (fit.b, fit.u)
        sources.learn(expit(fit.e + problem.weight), testimony)
    problem = problem.with_weight(sources.testimony(teaching=True).weight())
    fit = fit_field(problem, start, steps=8)
    return JointFit(problem, fit, problem.place, tried)


def choose_place(
    problem: FieldProblem, start: tuple[np.ndarray, np.ndarray] | None
) -> tuple[PlaceField, dict[tuple[float, float], float]]:
    """Climb a small grid of sd and range to the highest marginal likelihood."""
    tried: dict[tuple[int, int], float] = {}

    def field_at(i: int, j: int) -> PlaceField:
        return PlaceField(problem.place.adjacency, SD_GRID[i], RANGE_GRID[j])

    def value(i: int, j: int) -> float:
        if (i, j) not in tried:
            candidate = problem.with_place(field_at(i, j))
            fit = fit_field(candidate, start, steps=4, tolerance=0.05)
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


def cross_fit(joint: JointFit, fold: np.ndarray) -> tuple[np.ndarray, FieldProblem, FieldFit]:
    """Give every home a prior that never saw its block, then fit places on top.

    Parameters
    ----------
    joint : JointFit
    fold : ndarray of int, shape (n_homes,)

    Returns
    -------
    prior : ndarray, shape (n_homes,)
        Log-odds of building, use and size.
    problem : FieldProblem
        Places alone, with the prior as offset.
    fit : FieldFit
    """
    problem = joint.problem
    prior = np.zeros(len(fold))
    for k in np.unique(fold):
        out = fold == k
        fit = fit_field(problem.without(out), (joint.fit.b, joint.fit.u), steps=6)
        prior[out] = problem.x[out] @ fit.b.astype(np.float32)
    places = problem.places_only(prior)
    return prior, places, fit_field(places, (np.zeros(0), joint.fit.u), steps=8)
