"""One city fitted: curves, places and error rates, and how far each home's odds are known.

A home's log-odds before its own evidence are split in two. Its *prior* is what building, use and
size say by curves that were fitted without any evidence from its own block. Its *place* is all
that the evidence around it adds to that. Neither has heard the home itself.

In a large city the curves, error rates, sd and range are learned on a sample of whole blocks;
places and weights are worked out for all homes.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import pandas as pd
from scipy import sparse
from scipy.special import expit

from linemap.scoring.design import Design
from linemap.scoring.draws import FieldDraws, draw_field, field_variance
from linemap.scoring.evidence import Evidence
from linemap.scoring.field import FieldFit, FieldProblem, before_own_evidence, fit_field
from linemap.scoring.folds import block_folds, block_sample
from linemap.scoring.joint import DRAWS, JointFit, crossed_prior, fit_rounds, place_intervals
from linemap.scoring.place import PlaceField
from linemap.scoring.sources import Sources
from linemap.scoring.trees import crossed_trees

START_PLACE = (0.9, 500.0)
"""sd [log-odds] and range [m] of place from which the search starts."""

MOST_HOMES = 30_000
"""Homes beyond which curves and error rates are learned on a sample of whole blocks."""

MOST_TOLD = 18_000
"""Homes with evidence in that sample, about."""

SAMPLE_BLOCK_M = 2500.0

MOST_LOG_ODDS = 10.0
"""Bound of what building and place may say: where nothing else is seen, a curve could run away."""


@dataclass(frozen=True)
class CityFit:
    """What was fitted.

    Attributes
    ----------
    design : Design
    x : ndarray of float32, shape (n_homes, n_columns)
    joint : JointFit
        Curves with their places, of all homes or of the sample.
    fold : ndarray of int, shape (n_homes,)
    prior : ndarray, shape (n_homes,)
        Log-odds by building, use and size; never saw the home's own block.
    before : ndarray, shape (n_homes,)
        Log-odds before the home's own evidence.
    variance : ndarray, shape (n_homes,)
        Posterior variance of ``before``.
    shift : float
        What was added to ``prior`` and ``before`` to bring them to their level [log-odds].
    draws : FieldDraws
    """

    design: Design
    x: np.ndarray
    joint: JointFit
    fold: np.ndarray
    prior: np.ndarray
    before: np.ndarray
    variance: np.ndarray
    shift: float
    draws: FieldDraws

    def describe_place(self) -> dict[str, Any]:
        """Return sd [log-odds] and range [m] of place with 90 % intervals, and the shift."""
        place = self.joint.problem.place
        ends = {name: list(pair) for name, pair in place_intervals(self.joint).items()}
        return {"sd": place.sd, "range_m": place.range_m, "interval": ends, "shift": self.shift}


def fit_city(
    features: pd.DataFrame,
    unit: np.ndarray,
    adjacency: sparse.csr_matrix,
    evidence: Evidence,
    sources: Sources,
    *,
    prior: Literal["spline", "trees", "both"],
    rounds: int,
    folds: int,
    block_m: float,
    n_draws: int,
    seed: int,
) -> CityFit:
    """Fit curves, places and error rates; ``sources`` learns on the way.

    Parameters
    ----------
    features : DataFrame
    unit : ndarray of int, shape (n_homes,)
    adjacency : csr_matrix, shape (n_units, n_units)
        Lengths of links [m].
    evidence : Evidence
    sources : Sources
        Witnesses of all homes.
    prior, rounds, folds, block_m, n_draws, seed
        As in :class:`linemap.scoring.LineModel`.
    """
    n = len(features)
    x, y = features["x"].to_numpy(), features["y"].to_numpy()
    told = sources.kind > 0
    dealt = np.random.default_rng([seed, 1])
    fold = block_folds(x, y, told, block_m=block_m, folds=folds, rng=dealt)
    design = Design().fit(features)
    whole = FieldProblem(
        x=design.matrix(features),
        penalty=design.penalty_,
        unit=unit,
        place=PlaceField(adjacency, *START_PLACE),
        weight=np.zeros(n),
        kind=sources.kind,
        offset=np.zeros(n),
    )
    smoothing = design.smoothing()
    rng = np.random.default_rng([seed, 0])
    if n <= MOST_HOMES:
        joint = fit_rounds(whole, smoothing, sources, rounds=rounds, rng=rng)
        crossed = crossed_prior(joint, fold, folds)
        problem, fit = joint.problem, joint.fit
        draws = draw_field(problem, fit, n_draws=n_draws, rng=rng)
    else:
        rows = block_sample(x, y, told, block_m=SAMPLE_BLOCK_M, most=MOST_TOLD, rng=rng)
        problem, rows = whole.restricted(rows).of_homes(told[rows]), rows[told[rows]]
        homes = sources.homes.take(rows)
        some = Sources(
            evidence.of(homes.index), homes, sources.target, sources.states, sources.pooled
        )
        joint = fit_rounds(problem, smoothing, some, rounds=rounds, rng=rng)
        crossed = crossed_prior(joint, fold[rows], folds)
        sources.adopt(some)
        problem, fit, draws = _places_of_all(whole, joint, sources, n_draws, rng)
    own = _crossed(whole.x, crossed, fold)
    variance = field_variance(whole.x, unit, draws)
    if prior != "spline":
        label = _crossed_labels(whole.x, crossed, problem, fit.u, variance, fold)
        trees = crossed_trees(features, label, told, fold, seed=seed)
        own = trees if prior == "trees" else (own + trees) / 2.0
        problem = problem.places_only(own)
        fit = fit_field(problem, (np.zeros(0), np.zeros(problem.n_units)))
    before = before_own_evidence(fit, problem.weight, variance)
    before = np.clip(before, -MOST_LOG_ODDS, MOST_LOG_ODDS)
    shift = sources.level(before)
    return CityFit(
        design=design,
        x=whole.x,
        joint=joint,
        fold=fold,
        prior=own + shift,
        before=before + shift,
        variance=variance,
        shift=shift,
        draws=draws,
    )


def _crossed(x: np.ndarray, b: np.ndarray, fold: np.ndarray) -> np.ndarray:
    """Return each home's log-odds by the coefficients of its own fold."""
    out = np.zeros(len(fold))
    for k in range(b.shape[1]):
        here = fold == k
        out[here] = x[here] @ b[:, k].astype(np.float32)
    return out


def _crossed_labels(
    x: np.ndarray,
    crossed: np.ndarray,
    problem: FieldProblem,
    start: np.ndarray,
    variance: np.ndarray,
    fold: np.ndarray,
) -> np.ndarray:
    """Return soft labels that know nothing of the evidence of each fold, (n_homes, folds)."""
    out = np.empty((len(fold), crossed.shape[1]))
    for k in range(crossed.shape[1]):
        curves = (x @ crossed[:, k].astype(np.float32)).astype(float)
        held = problem.without(fold == k).places_only(curves)
        fit = fit_field(held, (np.zeros(0), start), steps=5, tolerance=0.5)
        out[:, k] = expit(before_own_evidence(fit, held.weight, variance) + held.weight)
    return out


def _places_of_all(
    whole: FieldProblem, joint: JointFit, sources: Sources, n_draws: int, rng: np.random.Generator
) -> tuple[FieldProblem, FieldFit, FieldDraws]:
    """Fit the places of all homes on top of the curves of the sample."""
    place = PlaceField(whole.place.adjacency, joint.problem.place.sd, joint.problem.place.range_m)
    offset = (whole.x @ joint.fit.b.astype(np.float32)).astype(float)
    problem = whole.places_only(offset).with_place(place)
    curves = draw_field(joint.problem, joint.fit, n_draws=n_draws, rng=rng).b
    fit, enough = None, len(whole.unit) / MOST_HOMES
    for n in (min(DRAWS, n_draws), n_draws):
        problem = problem.with_weight(sources.testimony(teaching=True).weight())
        fit = fit_field(problem, fit, steps=5, tolerance=enough)
        draws = FieldDraws(curves[:, :n], draw_field(problem, fit, n_draws=n, rng=rng).u)
        variance = field_variance(whole.x, whole.unit, draws)
        before = before_own_evidence(fit, problem.weight, variance)
        sources.learn(before, repeats=1)
    problem = problem.with_weight(sources.testimony(teaching=True).weight())
    return problem, fit_field(problem, fit, steps=5, tolerance=enough), draws
