"""Galvanized pipe to be replaced, on lines without lead: the wider target beside "lead".

A line needs replacement if any part of it is lead, or is galvanized pipe that is or may have been
below lead. That is one chance on top of another: lead, or else galvanized. The second is fitted
by the same model to what is known of the lines that more likely have no lead, so the wider chance
can never be below the chance of lead.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from linemap.scoring.evidence import Evidence
from linemap.scoring.sides import GALVANIZED, side_codes

SIDES = ("utility_material", "customer_material")


def evidence_without_lead(evidence: Evidence, p_lead: pd.Series) -> Evidence:
    """Return what records and checks say of galvanized pipe on lines without lead.

    Lines that more likely have lead say nothing, nor does a side that was recorded or seen as
    lead. Bottles and forms are left out: they were given to tell lead.

    Parameters
    ----------
    evidence : Evidence
    p_lead : Series
        Probability of lead by parcel_id.
    """
    some = evidence.of(p_lead.index[p_lead.to_numpy() < 0.5])
    lines = some.lines.assign(
        **{side: some.lines[side].astype(object).replace("lead", "unknown") for side in SIDES}
    )
    checks = some.checks[(some.checks["material"].astype(object) != "lead").to_numpy()]
    return Evidence(lines=lines, checks=checks)


def speaks_of_galvanized(evidence: Evidence) -> bool:
    """Return whether any record or check names galvanized pipe."""
    named = [evidence.lines[side] for side in SIDES] + [evidence.checks["material"]]
    return any((side_codes(material) == GALVANIZED).any() for material in named)


def either(first: np.ndarray, second: np.ndarray) -> np.ndarray:
    """Return the chance of one thing or, where it is not so, of another.

    Examples
    --------
    >>> either(np.array([0.5]), np.array([0.2])).round(2).tolist()
    [0.6]
    """
    return np.asarray(first + (1.0 - first) * second)


def variance_of_either(
    first: np.ndarray, second: np.ndarray, variance: np.ndarray, other_variance: np.ndarray
) -> np.ndarray:
    """Return the variance of the log-odds of :func:`either`, from those of its parts.

    By the delta method: the log-odds of ``either`` move by ``first / either`` for each unit by
    which the log-odds of ``first`` move, and likewise for ``second``.

    Parameters
    ----------
    first, second : ndarray, shape (n,)
        The two chances.
    variance, other_variance : ndarray, shape (n,)
        Variance of their log-odds.
    """
    whole = either(first, second)
    return np.asarray((first / whole) ** 2 * variance + (second / whole) ** 2 * other_variance)
