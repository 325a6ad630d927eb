"""How much each smooth term of the prior is smoothed, learned with the fit.

A curve pays for its steps. A fine curve, that of the building year, pays for them as for those of
a walk with heavy tails: many small steps and a few large ones, as lead came and went in war years.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy import linalg

from linemap.scoring.field import FieldFit

RIDGE = 0.03
"""Size of the penalty on coefficients, beside one on the first differences of a curve."""

FINE = 20
"""Coefficients from which the steps of a curve are weighed one by one."""

LIMITS = (0.05, 1e4)
"""Least and greatest multiple of a term's penalty."""


def step_penalty(width: int, weight: np.ndarray | None = None) -> np.ndarray:
    """Return the penalty on the steps of a curve, (width, width).

    Parameters
    ----------
    width : int
        Coefficients.
    weight : ndarray, shape (width - 1,), optional
        Weight of each step; 1 when left out.

    References
    ----------
    Eilers and Marx (1996), Statistical Science 11: splines with a penalty on differences.
    """
    step = np.diff(np.eye(width), axis=0)
    weighted = step if weight is None else weight[:, None] * step
    return np.asarray(step.T @ weighted + RIDGE * np.eye(width))


@dataclass(frozen=True)
class Smoothing:
    """The penalty of every term: a multiple of its unit.

    Attributes
    ----------
    unit : ndarray, shape (p, p)
        Penalty of all coefficients, each term's at a multiple of 1.
    terms : tuple of slice
        Columns of each smooth term.
    widths : tuple of int
        Coefficients of each term's curve, first in the term; 0: no curve.
    multiple : tuple of float
    """

    unit: np.ndarray
    terms: tuple[slice, ...]
    widths: tuple[int, ...]
    multiple: tuple[float, ...]

    @property
    def penalty(self) -> np.ndarray:
        """Penalty of all coefficients, (p, p)."""
        out = self.unit.copy()
        for term, multiple in zip(self.terms, self.multiple, strict=True):
            out[term, term] *= multiple
        return out

    def after(self, fit: FieldFit) -> Smoothing:
        """Return the smoothing moved towards its likeliest amount.

        One step of the generalized Fellner-Schall update: a term whose curve uses few degrees of
        freedom, or is nearly flat, is smoothed more; a term without use ends up flat. The steps
        of a fine curve are then weighed as by Cauchy's distribution, with what is not known of
        them: a step that is surely large is smoothed less, all others more.

        Parameters
        ----------
        fit : FieldFit
            Fit under the current penalty.

        References
        ----------
        Wood and Fasiolo (2017), Biometrics 73: generalized Fellner-Schall method.
        Lange, Little and Taylor (1989), Journal of the American Statistical Association 84:
        weights of the t distribution, here with one degree of freedom.
        """
        covariance = linalg.inv(fit.schur)
        unit, multiples = self.unit.copy(), []
        for term, width, now in zip(self.terms, self.widths, self.multiple, strict=True):
            b = fit.b[term]
            used = len(b) - now * np.einsum("ij,ji->", covariance[term, term], unit[term, term])
            best = max(used, 0.05) / max(float(b @ unit[term, term] @ b), 1e-6)
            multiples.append(float(np.clip(best, *LIMITS)))
            if width >= FINE:
                curve = slice(term.start, term.start + width)
                weight = _step_weights(fit.b[curve], covariance[curve, curve], multiples[-1])
                unit[curve, curve] = step_penalty(width, weight)
        return replace(self, unit=unit, multiple=tuple(multiples))


def _step_weights(b: np.ndarray, covariance: np.ndarray, multiple: float) -> np.ndarray:
    """Return the weight of each step of a curve, 1 in the geometric mean."""
    step = np.diff(np.eye(len(b)), axis=0)
    square = (step @ b) ** 2 + np.einsum("ij,jk,ik->i", step, covariance, step)
    weight = 2.0 / (1.0 + multiple * square)
    return np.asarray(weight / np.exp(np.log(weight).mean()))
