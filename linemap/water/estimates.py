"""Three estimators for results below several limits: steps, ranks, and likelihood.

Each takes ``values`` (the result, or the limit of a non-detect) and ``below_limit``.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import optimize, special

from linemap.errors import ArgumentError


@dataclass(frozen=True)
class StepCurve:
    """Kaplan-Meier estimate of the distribution of left-censored results.

    Attributes
    ----------
    at : ndarray of float, shape (k,)
        Distinct places that hold weight, upwards [unit of the values].
    share : ndarray of float, shape (k,)
        Estimated share of results at or below each place.
    unresolved : float
        Share that lies below the lowest limit, where no place is known. It is set at that
        limit, the first element of ``at``; 0 if there is none.
    """

    at: np.ndarray
    share: np.ndarray
    unresolved: float

    def mean(self, rest_at: float | None = None) -> float:
        """Return the mean; ``rest_at`` moves the unresolved share elsewhere."""
        moved = 0.0 if rest_at is None else self.unresolved * (rest_at - float(self.at[0]))
        return float(self.at @ np.diff(self.share, prepend=0.0)) + moved

    def sd(self, n: int) -> float:
        """Return the standard deviation with the usual n / (n - 1)."""
        jumps = np.diff(self.share, prepend=0.0)
        variance = float(((self.at - self.mean()) ** 2) @ jumps)
        return float(np.sqrt(variance * n / (n - 1))) if n > 1 else float("nan")

    def quantile(self, share: float) -> float:
        """Return the first place that reaches a share; NaN where it lies below all limits."""
        if share <= self.unresolved:
            return float("nan")
        found = int(np.searchsorted(self.share, share * (1 - 1e-12), side="left"))
        return float(self.at[min(found, self.at.size - 1)])


def kaplan_meier(values: np.ndarray, below_limit: np.ndarray) -> StepCurve:
    """Return the Kaplan-Meier curve of left-censored results.

    A non-detect counts as at risk at its own limit, so that a detect equal to a limit stands
    above it.

    Parameters
    ----------
    values : ndarray of float, shape (n,)
        Results, or the limits of non-detects.
    below_limit : ndarray of bool, shape (n,)
        Which are non-detects.

    Returns
    -------
    StepCurve

    Raises
    ------
    ArgumentError
        If there is no detect.

    References
    ----------
    Kaplan and Meier 1958; Helsel 2005, Nondetects and Data Analysis. The share below the
    lowest limit is set at that limit (Efron 1967).
    """
    detects = np.sort(values[~below_limit])
    if detects.size == 0:
        raise ArgumentError("every result is below its limit; there is no curve to draw")
    limits = np.sort(values[below_limit])
    places, counts = np.unique(detects, return_counts=True)
    at_risk = np.cumsum(counts) + np.searchsorted(limits, places, side="right")
    kept = 1.0 - counts / at_risk
    share_below = np.cumprod(kept[::-1])[::-1]
    share = np.append(share_below[1:], 1.0)
    unresolved = float(share_below[0])
    if unresolved > 0 and limits[0] < places[0]:
        places, share = np.append(limits[0], places), np.append(unresolved, share)
    return StepCurve(places, share, unresolved)


def ros_sample(values: np.ndarray, below_limit: np.ndarray) -> np.ndarray:
    """Return detects beside values that regression on order statistics puts for non-detects.

    The values have no order and belong to no row: some stand above the limit of the result
    they stand for. They serve for summaries only.

    Parameters
    ----------
    values : ndarray of float, shape (n,)
        Results, or the limits of non-detects; all above zero.
    below_limit : ndarray of bool, shape (n,)
        Which are non-detects.

    Returns
    -------
    ndarray of float
        Sorted. Non-detects above the highest detect tell nothing and are left out.

    Raises
    ------
    ArgumentError
        If there are fewer than two distinct detects.

    References
    ----------
    Helsel and Cohn 1988; Hirsch and Stedinger 1987 (plotting positions). Agrees with
    ``statsmodels.imputation.ros.impute_ros``, which is quadratic in practice at this size and
    substitutes half the limit above 80 % censored; this one does neither.
    """
    detects, limits = np.sort(values[~below_limit]), np.sort(values[below_limit])
    if detects.size < 2 or detects[0] == detects[-1]:
        raise ArgumentError("regression on order statistics needs two distinct detects")
    limits = limits[limits <= detects[-1]]
    if limits.size == 0:
        return detects
    steps, censored = np.unique(limits, return_counts=True)
    if detects[0] < steps[0]:
        steps, censored = np.append(detects[0], steps), np.append(0, censored)
    start = np.searchsorted(detects, steps, side="left")
    above = np.diff(np.append(start, detects.size))
    below = np.cumsum(censored) + start
    exceed = np.zeros(steps.size + 1)
    for j in range(steps.size - 1, -1, -1):
        at_or_above = above[j] / (above[j] + below[j]) if above[j] + below[j] else 0.0
        exceed[j] = exceed[j + 1] + (1 - exceed[j + 1]) * at_or_above

    group = np.searchsorted(steps, detects, side="right") - 1
    rank = np.arange(detects.size) - start[group] + 1
    position = (1 - exceed[group]) + (exceed[group] - exceed[group + 1]) * rank / (above[group] + 1)
    score = special.ndtri(position)
    centred = score - score.mean()
    slope = float(centred @ np.log(detects) / (centred @ centred))
    intercept = float(np.log(detects).mean() - slope * score.mean())

    cell = np.repeat(np.arange(steps.size), censored)
    place = np.arange(limits.size) - (np.cumsum(censored) - censored)[cell] + 1
    missing = special.ndtri((1 - exceed[cell]) * place / (censored[cell] + 1))
    return np.sort(np.concatenate([detects, np.exp(intercept + slope * missing)]))


@dataclass(frozen=True)
class LognormalFit:
    """Lognormal distribution fitted by maximum likelihood.

    Attributes
    ----------
    mu, sigma : float
        Mean and standard deviation of the natural logarithm.
    covariance : ndarray of float, shape (2, 2)
        Covariance of ``mu`` and ``log(sigma)`` from the observed information.
    """

    mu: float
    sigma: float
    covariance: np.ndarray

    def mean(self) -> float:
        """Return the mean [unit of the values]."""
        return float(np.exp(self.mu + self.sigma**2 / 2))

    def sd(self) -> float:
        """Return the standard deviation [unit of the values]."""
        return float(self.mean() * np.sqrt(np.expm1(self.sigma**2)))

    def quantile(self, share: float) -> float:
        """Return a quantile [unit of the values]."""
        return float(np.exp(self.mu + special.ndtri(share) * self.sigma))

    def interval(self, weight_sigma: float, weight_square: float, z: float) -> tuple[float, float]:
        """Return the Wald interval of exp(mu + a sigma + b sigma^2)."""
        centre = self.mu + weight_sigma * self.sigma + weight_square * self.sigma**2
        slope = np.array([1.0, weight_sigma * self.sigma + 2 * weight_square * self.sigma**2])
        half = z * float(np.sqrt(slope @ self.covariance @ slope))
        return float(np.exp(centre - half)), float(np.exp(centre + half))


def fit_lognormal(values: np.ndarray, below_limit: np.ndarray) -> LognormalFit:
    """Fit a lognormal distribution to left-censored results by maximum likelihood.

    Only counts per limit and two sums over the detects are needed, so that the cost of the
    search does not grow with the number of results.

    Parameters
    ----------
    values : ndarray of float, shape (n,)
        Results, or the limits of non-detects; all above zero.
    below_limit : ndarray of bool, shape (n,)
        Which are non-detects.

    Returns
    -------
    LognormalFit

    Raises
    ------
    ArgumentError
        If there are fewer than two distinct detects, or the search does not settle.

    References
    ----------
    Cohen 1959. Agrees with ``scipy.stats.lognorm.fit`` on ``CensoredData``, which gives no
    covariance and is slow for many results.
    """
    logs = np.log(values[~below_limit])
    if logs.size < 2 or np.ptp(logs) == 0:
        raise ArgumentError("a lognormal fit needs two distinct detects")
    limits, counts = np.unique(values[below_limit], return_counts=True)
    cuts, n = np.log(limits), float(values.size)
    centre, spread = float(logs.mean()), float(logs.std())

    def parts(theta: np.ndarray) -> tuple[float, np.ndarray, np.ndarray]:
        mu, eta = theta
        s = np.exp(eta)
        shift = (centre - mu) / s
        z1, z2 = logs.size * shift, logs.size * ((spread / s) ** 2 + shift**2)
        a = (cuts - mu) / s
        log_below = special.log_ndtr(a)
        mills = np.exp(-0.5 * a**2 - 0.5 * np.log(2 * np.pi) - log_below)
        slope = -mills * (a + mills)
        value = logs.size * eta + z2 / 2 - counts @ log_below
        gradient = -np.array([(z1 - counts @ mills) / s, z2 - logs.size - counts @ (mills * a)])
        cross = (-2 * z1 + counts @ (mills + slope * a)) / s
        hessian = -np.array(
            [
                [(-logs.size + counts @ slope) / s**2, cross],
                [cross, -2 * z2 + counts @ (slope * a**2 + mills * a)],
            ]
        )
        return value / n, gradient / n, hessian / n

    # A safe start: non-detects at half their limit (only a start, not an estimate).
    all_logs = np.concatenate([logs, np.repeat(cuts - np.log(2), counts)])
    start = np.array([all_logs.mean(), np.log(max(all_logs.std(), 1e-3))])
    found = optimize.minimize(
        lambda t: parts(t)[0],
        start,
        jac=lambda t: parts(t)[1],
        hess=lambda t: parts(t)[2],
        method="trust-exact",
        options={"gtol": 1e-10, "maxiter": 500},
    )
    hessian = parts(found.x)[2] * n
    if np.abs(parts(found.x)[1]).max() > 1e-6 or np.linalg.eigvalsh(hessian)[0] <= 0:
        raise ArgumentError("the lognormal fit did not settle; the results carry too little")
    return LognormalFit(float(found.x[0]), float(np.exp(found.x[1])), np.linalg.inv(hessian))
