"""What a list promises before any result is in: kits returned and lead found, with intervals."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import expit, logit

from linemap.errors import ArgumentError
from linemap.outreach.eligibility import column_or, require_columns
from linemap.outreach.return_shift import SHIFT

Floats = NDArray[np.float64]

COVERAGE = 0.95
_Z90 = 1.6449
_EDGE = 1e-6
_SHARED = 0.125
_CHUNK = 500


def forecast_round(
    kits: pd.DataFrame,
    *,
    seed: int,
    draws: int = 2000,
    shift: float = SHIFT,
    level: float = 0.0,
) -> pd.DataFrame:
    """Forecast how many kits come back and how many lead lines they find.

    Each draw takes chances of lead and of return within their own intervals, then lets every
    home return its kit or not and have lead or not. A model that errs, errs in many places at
    once. Of the variance of a home's log-odds of lead an eighth is shared by the whole city and
    an eighth by its area, our choice. The chances of return move together by ``shift`` and
    ``level``; what a home's own interval holds beyond the level is that of its area.

    Parameters
    ----------
    kits : DataFrame
        A plan's list: ``parcel_id, arm, p_lead, p_return`` and, where known, ``area_id, p_low,
        p_high, p_return_low, p_return_high`` (ends of 90 % intervals).
    seed : int
    draws : int
        Draws behind the interval.
    shift : float
        Standard deviation by which whole months stray from the chances of return [log-odds].
    level : float
        Standard deviation of the common level of these chances, so far as the history leaves it
        open [log-odds]; it is part of every home's interval. Both are those of
        :class:`linemap.outreach.ReturnForecast` where there is a history.

    Returns
    -------
    DataFrame
        One row for the whole list, each arm and each area: ``part`` (``all``, ``arm``,
        ``area``), ``name, kits, returned, returned_low, returned_high, found, found_low,
        found_high``; the interval is 95 %.

    Raises
    ------
    ArgumentError
        If the list is empty, ``draws`` is below 100, or ``shift`` or ``level`` is negative.
    """
    require_columns(kits, ("arm", "p_lead", "p_return"), "the list of kits")
    if kits.empty or draws < 100:
        raise ArgumentError("a forecast needs at least one kit and 100 draws.")
    if not (0 <= shift < np.inf and 0 <= level < np.inf):
        raise ArgumentError(f"a shift of {shift} and a level of {level} cannot be; give 0 or more.")
    rng = np.random.default_rng(seed)
    parts = _parts(kits)
    areas = pd.factorize(column_or(kits, "area_id", None), use_na_sentinel=False)[0]
    lead, lead_sd = _center_and_spread(kits, "p_lead", "p_low", "p_high")
    back, back_sd = _center_and_spread(kits, "p_return", "p_return_low", "p_return_high")
    area_sd = np.sqrt(np.maximum(back_sd**2 - level**2, 0.0))
    counted: list[tuple[Floats, Floats]] = []
    for start in range(0, draws, _CHUNK):
        size = (min(_CHUNK, draws - start), len(kits))
        common = rng.normal(scale=np.hypot(shift, level), size=(size[0], 1))
        returned = rng.random(size) < expit(back + common + area_sd * _by_area(areas, size, rng))
        shared = rng.normal(size=(size[0], 1)) + _by_area(areas, size, rng)
        error = np.sqrt(_SHARED) * shared + np.sqrt(1 - 2 * _SHARED) * rng.normal(size=size)
        has_lead = rng.random(size) < expit(lead + lead_sd * error)
        counted.append((returned @ parts.T, (returned & has_lead) @ parts.T))
    returns = np.vstack([pair[0] for pair in counted])
    finds = np.vstack([pair[1] for pair in counted])
    p, q = kits["p_lead"].to_numpy(dtype=float), kits["p_return"].to_numpy(dtype=float)
    out = pd.DataFrame(_part_names(kits), columns=["part", "name"])
    out["kits"] = parts.sum(axis=1).astype(int)
    for name, mean, sample in (("returned", parts @ q, returns), ("found", parts @ (p * q), finds)):
        tail = (1 - COVERAGE) / 2
        low, high = np.quantile(sample, [tail, 1 - tail], axis=0, method="nearest")
        out[name], out[f"{name}_low"], out[f"{name}_high"] = mean, low, high
    return out


def _part_names(kits: pd.DataFrame) -> list[tuple[str, str]]:
    arms = [arm for arm in ("ranked", "floor", "audit") if (kits["arm"] == arm).any()]
    areas = sorted(column_or(kits, "area_id", None).dropna().astype(str).unique())
    return [("all", "all"), *(("arm", arm) for arm in arms), *(("area", area) for area in areas)]


def _parts(kits: pd.DataFrame) -> Floats:
    """Return which kits belong to each part, shape (n_parts, n_kits)."""
    area = column_or(kits, "area_id", None).astype(str)
    rows = [
        np.ones(len(kits))
        if part == "all"
        else (kits["arm"] if part == "arm" else area).eq(name).to_numpy(dtype=float)
        for part, name in _part_names(kits)
    ]
    return np.array(rows)


def _center_and_spread(kits: pd.DataFrame, name: str, low: str, high: str) -> tuple[Floats, Floats]:
    """Return log-odds and their spread such that the mean of the drawn chances is the chance."""
    p = kits[name].to_numpy(dtype=float).clip(_EDGE, 1 - _EDGE)
    ends = [
        column_or(kits, end, np.nan).astype(float).fillna(kits[name]).to_numpy()
        for end in (low, high)
    ]
    sd = np.abs(logit(ends[1].clip(_EDGE, 1 - _EDGE)) - logit(ends[0].clip(_EDGE, 1 - _EDGE)))
    sd = sd / (2 * _Z90)
    return logit(p) * np.sqrt(1 + np.pi * sd**2 / 8), sd


def _by_area(areas: NDArray[np.int64], size: tuple[int, int], rng: np.random.Generator) -> Floats:
    """Return standard normal draws of the areas, laid out by home."""
    return rng.normal(size=(size[0], int(areas.max(initial=0)) + 1))[:, areas]
