"""Prior and place fitted together: Newton steps on the likelihood of uncertain labels.

The log-odds of home i are  e = x b + u[unit],  and its evidence says that lead is exp(w) times
as likely as none. The hidden state is summed out:

    log(p exp(w) + 1 - p),  p = 1 / (1 + exp(-e)),

so a home without evidence says nothing and a record says only as much as it can. Coefficients b
have a smoothness penalty, places u the precision of :mod:`linemap.scoring.place`; both are found
by Newton steps on the joint posterior, with u eliminated by its sparse factor.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy import linalg, sparse
from scipy.sparse.linalg import SuperLU
from scipy.special import expit

from linemap.scoring.place import PlaceField, factorize, log_determinant

CHUNK = 50_000
"""Homes summed at a time, to keep copies of the design small."""


@dataclass(frozen=True)
class FieldProblem:
    """Everything that stays fixed while prior and place are fitted.

    Attributes
    ----------
    x : ndarray of float32, shape (n, p)
        Design; p may be 0 for places alone.
    penalty : ndarray, shape (p, p)
    unit : ndarray of int, shape (n,)
    place : PlaceField
    weight : ndarray, shape (n,)
        Log-likelihood ratio of the home's evidence.
    kind : ndarray of int, shape (n,)
        Which sources a home has; homes of one kind carry alike information. 0: none.
    offset : ndarray, shape (n,)
    """

    x: np.ndarray
    penalty: np.ndarray
    unit: np.ndarray
    place: PlaceField
    weight: np.ndarray
    kind: np.ndarray
    offset: np.ndarray

    @property
    def n_units(self) -> int:
        """Number of places."""
        return int(self.place.adjacency.shape[0])

    def by_place(self, of_homes: np.ndarray) -> np.ndarray:
        """Return a number of each home summed by place, (n_units,)."""
        total = np.bincount(self.unit, weights=of_homes, minlength=self.n_units)
        return total.astype(float)  # numpy counts no home at all in whole numbers

    def with_weight(self, weight: np.ndarray) -> FieldProblem:
        """Return the same problem under other evidence weights."""
        return replace(self, weight=weight)

    def with_place(self, place: PlaceField) -> FieldProblem:
        """Return the same problem under another place prior."""
        return replace(self, place=place)

    def without(self, out: np.ndarray) -> FieldProblem:
        """Return the problem in which some homes have no evidence at all."""
        weight, kind = np.where(out, 0.0, self.weight), np.where(out, 0, self.kind)
        return replace(self, weight=weight, kind=kind)

    def places_only(self, offset: np.ndarray) -> FieldProblem:
        """Return the problem of the places alone, on top of known log-odds."""
        empty = np.zeros((len(offset), 0), dtype=np.float32)
        return replace(self, x=empty, penalty=np.zeros((0, 0)), offset=offset)

    def restricted(self, rows: np.ndarray) -> FieldProblem:
        """Return the problem of some homes, on their own places."""
        places, unit = np.unique(self.unit[rows], return_inverse=True)
        adjacency = self.place.adjacency[places][:, places]
        some = self.of_homes(rows)
        return replace(some, unit=unit, place=replace(self.place, adjacency=adjacency))

    def of_homes(self, rows: np.ndarray) -> FieldProblem:
        """Return the problem of some homes on all places: those without evidence tell nothing."""
        return replace(
            self,
            x=self.x[rows],
            unit=self.unit[rows],
            weight=self.weight[rows],
            kind=self.kind[rows],
            offset=self.offset[rows],
        )

    def log_odds(self, b: np.ndarray, u: np.ndarray) -> np.ndarray:
        """Return the log-odds before evidence."""
        return self.offset + self.x @ b.astype(np.float32) + u[self.unit]

    def objective(self, e: np.ndarray, b: np.ndarray, u: np.ndarray) -> float:
        """Return the log posterior up to a constant."""
        likelihood = np.logaddexp(0.0, e + self.weight) - np.logaddexp(0.0, e)
        prior = b @ self.penalty @ b + u @ (self.place.precision @ u)
        return float(likelihood.sum() - 0.5 * prior)


@dataclass(frozen=True)
class FieldFit:
    """The joint posterior of prior and place: mode and factors of its precision."""

    b: np.ndarray
    u: np.ndarray
    e: np.ndarray
    information: np.ndarray
    lu: SuperLU
    cross: np.ndarray
    solved: np.ndarray
    schur: np.ndarray
    objective: float
    converged: bool

    def evidence(self, problem: FieldProblem) -> float:
        """Return the Laplace approximation of the log marginal likelihood."""
        value = self.objective - 0.5 * log_determinant(self.lu)
        value += 0.5 * problem.place.log_determinant
        if len(self.b):
            value -= 0.5 * np.linalg.slogdet(self.schur)[1]
            value += 0.5 * np.linalg.slogdet(problem.penalty)[1]
        return float(value)


def before_own_evidence(fit: FieldFit, weight: np.ndarray, variance: np.ndarray) -> np.ndarray:
    """Return each home's log-odds before its own evidence.

    The fitted field has already heard the home itself. Its own pull is taken out again, so that
    the home's evidence may be added without counting it twice. The mode is used as it is, not
    averaged over its uncertainty: the level of a mode is already fitted to the averages.

    Parameters
    ----------
    fit : FieldFit
    weight : ndarray, shape (n,)
        Evidence that the field was fitted to.
    variance : ndarray, shape (n,)
        Posterior variance of the log-odds.
    """
    pull = expit(fit.e + weight) - expit(fit.e)
    without = variance / np.maximum(1.0 - variance * fit.information, 0.2)
    return np.asarray(fit.e - without * pull)


P_BINS = np.array([-3.0, -2.0, -1.0, 0.0, 1.0])


def information(e: np.ndarray, weight: np.ndarray, kind: np.ndarray) -> np.ndarray:
    """Return what each home's evidence tells of its log-odds, at most p (1 - p).

    A full label tells p (1 - p). Evidence of a kind tells the share of it by which it moves
    probabilities: the mean square of (posterior - prior) over p (1 - p), among homes of the same
    kind and of similar probability.
    """
    p = expit(e)
    full = p * (1 - p)
    moved = (expit(e + weight) - p) ** 2
    bins = len(P_BINS) + 1
    n_kinds = int(kind.max(initial=0)) + 1
    group = kind * bins + np.digitize(e, P_BINS)
    top = np.bincount(group, weights=moved, minlength=n_kinds * bins).reshape(n_kinds, bins)
    base = np.bincount(group, weights=full, minlength=n_kinds * bins).reshape(n_kinds, bins)
    overall = (top.sum(axis=1) + 1e-6) / (base.sum(axis=1) + 1e-3)
    share = (top + 5.0 * overall[:, None]) / (base + 5.0)
    share[0] = 0.0
    return np.asarray(full * np.minimum(share, 1.0).ravel()[group])


def fit_field(
    problem: FieldProblem,
    start: FieldFit | tuple[np.ndarray, np.ndarray] | None = None,
    *,
    steps: int = 25,
    tolerance: float = 1e-3,
) -> FieldFit:
    """Find the joint mode of prior and place, and the factors of the precision there.

    Parameters
    ----------
    problem : FieldProblem
    start : FieldFit or tuple of ndarray, optional
        Coefficients and place effects to start from; or the fit of a problem that differs
        little, whose curvature then serves for the first step.
    steps : int
        Most Newton steps.
    tolerance : float
        Stop when a step gains less than this in the log posterior. The curvature before so small
        a step is as good as the one after it, and is kept.
    """
    p = problem.x.shape[1]
    if isinstance(start, FieldFit):
        b, u = start.b, start.u
    else:
        b, u = start if start is not None else (np.zeros(p), np.zeros(problem.n_units))
    e = problem.log_odds(b, u)
    value = problem.objective(e, b, u)
    if isinstance(start, FieldFit):
        told = information(e, problem.weight, problem.kind)
        fit = replace(start, e=e, information=told, objective=value)
    else:
        fit = _curvature(problem, b, u, e, value)
    for _ in range(steps):
        gain = expit(e + problem.weight) - expit(e)
        grad_u = problem.by_place(gain) - problem.place.precision @ u
        step_u = fit.lu.solve(grad_u)
        step_b = np.zeros(p)
        if p:
            grad_b = (problem.x.T @ gain.astype(np.float32)).astype(float) - problem.penalty @ b
            step_b = linalg.solve(fit.schur, grad_b - fit.cross.T @ step_u, assume_a="pos")
            step_u = step_u - fit.solved @ step_b
        size = 1.0
        for _ in range(8):
            new_b, new_u = b + size * step_b, u + size * step_u
            new_e = problem.log_odds(new_b, new_u)
            new_value = problem.objective(new_e, new_b, new_u)
            if new_value >= value - 1e-9 * abs(value):
                break
            size *= 0.5
        gained = new_value - value
        if gained <= 0:
            return replace(fit, converged=True)
        b, u, e, value = new_b, new_u, new_e, new_value
        if gained < tolerance:
            return replace(fit, b=b, u=u, e=e, objective=value, converged=True)
        fit = _curvature(problem, b, u, e, value)
    return fit


def _curvature(
    problem: FieldProblem,
    b: np.ndarray,
    u: np.ndarray,
    e: np.ndarray,
    value: float,
) -> FieldFit:
    info = information(e, problem.weight, problem.kind)
    lu = factorize(problem.place.precision + sparse.diags(problem.by_place(info)))
    p = problem.x.shape[1]
    if p:
        cross, within = _weighted_sums(problem, info)
        solved = lu.solve(cross)
        schur = within + problem.penalty - cross.T @ solved
    else:
        cross = solved = np.zeros((problem.n_units, 0))
        schur = np.zeros((0, 0))
    return FieldFit(b, u, e, info, lu, cross, solved, schur, value, converged=False)


def _weighted_sums(problem: FieldProblem, info: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the weighted design summed by place and multiplied by itself, chunk by chunk."""
    p = problem.x.shape[1]
    cross = np.zeros((problem.n_units, p))
    within = np.zeros((p, p))
    for start in range(0, len(info), CHUNK):
        rows = slice(start, start + CHUNK)
        x = problem.x[rows]
        weighted = x * info[rows, None].astype(np.float32)
        n = len(x)
        by_place = sparse.csr_matrix(
            (np.ones(n, np.float32), (problem.unit[rows], np.arange(n))),
            shape=(problem.n_units, n),
        )
        cross += by_place @ weighted
        within += x.T @ weighted
    return cross, within
