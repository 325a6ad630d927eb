"""Control charts over the rounds, asking whether the list still finds what it promised.

Three questions, each with a named method. Hit rate and return rate: a cumulative sum chart for
yes-or-no results whose chances differ, against a fall to half. Calibration: a test martingale
that bets against the probabilities and whose alarm is valid at any time.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import expit, logit, logsumexp

from linemap.errors import ArgumentError
from linemap.outreach.eligibility import require_columns

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

FALSE_ALARM = 0.05
HORIZON = 1000
FALL = 0.5
_PATHS = 4000
_EDGE = 1e-4
_SHIFTS = (-1.0, -0.5, 0.0, 0.5, 1.0)
_SLOPES = (0.5, 1.0, 1.5)
_WHICH_ANSWERED = (
    " The homes that were checked had lower chances than the list on average, and these are not "
    "refuted: ask which homes answered before doubting the probabilities."
)


@dataclass(frozen=True)
class Charts:
    """Control charts of a log.

    Attributes
    ----------
    points : DataFrame
        ``chart, check, round_id, value, limit``: one row for each chart and result.
    alarms : DataFrame
        One row per chart: ``chart, checks, alarm`` (bool), ``at_check`` and ``round_id`` of the
        first alarm, ``limit, method, sentence``.
    """

    points: pd.DataFrame
    alarms: pd.DataFrame

    def sentences(self) -> list[str]:
        """Say for each chart whether it raised an alarm."""
        return list(self.alarms["sentence"])


def cusum(outcomes: Bools, chances: Floats, *, fall: float = FALL) -> Floats:
    """Return the cumulative sum chart for a fall of every chance to a part of itself.

    Each result adds its log-likelihood ratio, ``log(fall)`` for a hit and
    ``log((1 - fall * p) / (1 - p))`` for a miss, and the sum never falls below zero.

    Parameters
    ----------
    outcomes : array of bool, shape (n_checks,)
        In order of time.
    chances : array of float, shape (n_checks,)
        Chance of each that was claimed beforehand [share].
    fall : float
        Part of the chance that the chart is tuned to, between 0 and 1.

    Returns
    -------
    array of float, shape (n_checks,)

    References
    ----------
    .. [1] E. S. Page, "Continuous inspection schemes", Biometrika 41 (1954). From memory.
    .. [2] S. H. Steiner, R. J. Cook, V. T. Farewell and T. Treasure, "Monitoring surgical
       performance using risk-adjusted cumulative sum charts", Biostatistics 1 (2000). From
       memory.

    Examples
    --------
    >>> cusum(np.array([False, True]), np.array([0.5, 0.5])).round(3).tolist()
    [0.405, 0.0]
    """
    steps = _steps(np.asarray(outcomes, dtype=bool), _kept(chances), fall)
    total, out = 0.0, np.empty(len(steps))
    for i, step in enumerate(steps):
        total = max(0.0, total + step)
        out[i] = total
    return out


def cusum_limit(
    chances: Floats,
    *,
    seed: int,
    fall: float = FALL,
    horizon: int = HORIZON,
    false_alarm: float = FALSE_ALARM,
) -> float:
    """Return the limit that the chart passes by mere luck in at most 5 % of 1,000 checks.

    Found by simulation: outcomes are drawn from chances that are drawn from those given.

    Parameters
    ----------
    chances : array of float, shape (n_checks,)
    seed : int
    fall : float
    horizon : int
        Checks within which a false alarm is counted.
    false_alarm : float
        Largest share of runs with a false alarm.

    Returns
    -------
    float
    """
    return float(
        np.quantile(_highest(chances, seed, fall, horizon), 1 - false_alarm, method="higher")
    )


def detection(
    chances: Floats, *, limit: float, seed: int, fall: float = FALL, within: int = 100
) -> float:
    """Return the chance that the chart flags a real fall within a number of checks.

    Parameters
    ----------
    chances : array of float, shape (n_checks,)
        Chances claimed; what truly happens has ``fall`` times these.
    limit : float
        From :func:`cusum_limit`.
    seed : int
    fall : float
    within : int

    Returns
    -------
    float
        Share of simulated runs.
    """
    highest = _highest(chances, seed, fall, within, truly=fall)
    return float((highest > limit).mean())


def calibration_martingale(outcomes: Bools, chances: Floats) -> Floats:
    """Return the log of a test martingale that grows only if the chances are off.

    It starts at 1 and mixes bets on shifted and stretched log-odds. If the chances are right,
    it ever passes ``1 / alpha`` with probability of at most ``alpha`` (Ville), however often
    one looks.

    Parameters
    ----------
    outcomes : array of bool, shape (n_checks,)
    chances : array of float, shape (n_checks,)

    Returns
    -------
    array of float, shape (n_checks,)
        Natural logarithm of the martingale after each check.

    References
    ----------
    .. [1] J. Ville, Étude critique de la notion de collectif (1939); G. Shafer and V. Vovk,
       Game-Theoretic Foundations for Probability and Finance (2019). From memory.
    """
    p = _kept(chances)
    hit = np.asarray(outcomes, dtype=bool)
    base = np.where(hit, np.log(p), np.log1p(-p))
    bets = []
    for slope in _SLOPES:
        for shift in _SHIFTS:
            if (slope, shift) != (1.0, 0.0):
                q = expit(shift + slope * logit(p)).clip(_EDGE / 10, 1 - _EDGE / 10)
                bets.append(np.cumsum(np.where(hit, np.log(q), np.log1p(-q)) - base))
    return logsumexp(np.array(bets), axis=0) - np.log(len(bets))


def control_charts(log: pd.DataFrame, *, seed: int, false_alarm: float = FALSE_ALARM) -> Charts:
    """Draw the control charts of a log of rounds.

    ``hit rate`` holds what was found against the chance claimed for the very homes that were
    checked: an alarm means the probabilities fail. ``hit rate of the list`` holds it against
    the hit rate that the list promised, whichever homes were checked: an alarm there alone
    means the list was not followed. ``return rate`` does the same for usable kits, and
    ``calibration`` asks whether the chances of lead are right at every level.

    Parameters
    ----------
    log : DataFrame
        From :meth:`Ledger.log`.
    seed : int
        Seed of the simulated limits.
    false_alarm : float
        Largest chance of a false alarm of each chart, in 1,000 checks or ever.

    Returns
    -------
    Charts
    """
    wanted = ("round_id", "outcome", "lead_found", "listed", "p_lead_at_send", "p_return_at_send")
    require_columns(log, wanted, "the log")
    done = log[log["outcome"].notna()]
    answered = done[done["lead_found"].isin(["yes", "no"])]
    with_chance = answered[answered["p_lead_at_send"].notna()]
    promised = answered["round_id"].map(_promised_hit_rate(done)).to_numpy(dtype=float)
    sent = done[done["p_return_at_send"].notna()]
    hits, all_hits = with_chance["lead_found"].eq("yes"), answered["lead_found"].eq("yes")
    p_lead, p_return = with_chance["p_lead_at_send"], sent["p_return_at_send"]
    falls = [
        _Claim(
            "hit rate",
            "the hit rate, held against the chances of the very homes that were checked",
            (with_chance["round_id"], hits, p_lead),
        ),
        _Claim(
            "hit rate of the list",
            "the hit rate, held against what the whole list promised",
            (answered["round_id"], all_hits, promised),
        ),
        _Claim(
            "return rate",
            "the return rate, held against the chances of a usable return",
            (sent["round_id"], sent["outcome"].eq("usable"), p_return),
        ),
    ]
    charts = [_cusum_chart(claim, seed, false_alarm) for claim in falls]
    fit = _Claim("calibration", "calibration", (with_chance["round_id"], hits, p_lead))
    charts.append(_martingale_chart(fit, false_alarm))
    alarms = pd.DataFrame([alarm for _, alarm in charts])
    raised = alarms.set_index("chart")["alarm"]
    only_the_list = raised["hit rate of the list"] and not raised["hit rate"]
    if only_the_list and with_chance["p_lead_at_send"].mean() < promised.mean():
        alarms.loc[alarms["chart"] == "hit rate of the list", "sentence"] += _WHICH_ANSWERED
    return Charts(pd.concat([points for points, _ in charts], ignore_index=True), alarms)


def _promised_hit_rate(log: pd.DataFrame) -> pd.Series:
    """Return the hit rate among answers that each round's list promised, by round_id."""
    listed = log[log["listed"]]
    weight = listed["p_return_at_send"]
    sums = (
        pd.DataFrame({"hits": listed["p_lead_at_send"] * weight, "answers": weight})
        .groupby(listed["round_id"])
        .sum()
    )
    return sums["hits"] / sums["answers"]


class _Claim:
    """What one chart holds the results against.

    Parameters
    ----------
    chart : str
        Its name.
    asked : str
        What it asks, in words.
    results : tuple of array-like, each of shape (n_checks,)
        Round, whether it was a hit, and the chance that was claimed; in order of time.
    """

    def __init__(self, chart: str, asked: str, results: tuple[Any, Any, Any]) -> None:
        self.chart, self.asked = chart, asked
        self.rounds = np.asarray(results[0], dtype=object)
        self.hits = np.asarray(results[1], dtype=bool)
        self.chances = np.asarray(results[2], dtype=float)


def _cusum_chart(
    claim: _Claim, seed: int, false_alarm: float
) -> tuple[pd.DataFrame, dict[str, Any]]:
    p, limit, words = claim.chances, float("nan"), ""
    if len(p):
        limit = cusum_limit(p, seed=seed, false_alarm=false_alarm)
        power = detection(p, limit=limit, seed=seed)
        words = (
            f" A fall to half would be flagged within 100 checks with a chance of {power:.0%}, "
            f"a false alarm in {HORIZON:,} checks has {false_alarm:.0%}."
        )
    fell = f"{claim.asked}, has fallen well below it"
    points, alarm = _first_over(claim, cusum(claim.hits, p), limit, fell, words)
    return points, {**alarm, "method": "cumulative sum (Page; Steiner et al.)"}


def _martingale_chart(claim: _Claim, false_alarm: float) -> tuple[pd.DataFrame, dict[str, Any]]:
    values = calibration_martingale(claim.hits, claim.chances)
    words = f" A false alarm ever has a chance of at most {false_alarm:.0%}."
    off = "the probabilities of lead do not fit what was found"
    points, alarm = _first_over(claim, values, float(-np.log(false_alarm)), off, words)
    return points, {**alarm, "method": "test martingale (Ville)"}


def _first_over(
    claim: _Claim, values: Floats, limit: float, trouble: str, words: str
) -> tuple[pd.DataFrame, dict[str, Any]]:
    """Return the points of a chart and its first alarm in words.

    The figures are of the checks that raised it: up to the alarm, from the last time that the
    chart stood at zero, where it had heard nothing against the claim.
    """
    points = pd.DataFrame(
        {
            "chart": claim.chart,
            "check": np.arange(1, len(values) + 1),
            "round_id": claim.rounds,
            "value": values,
            "limit": limit,
        }
    )
    over = np.flatnonzero(values > limit)
    first = int(over[0]) if len(over) else None
    if not len(values):
        sentence = f"No alarm for {claim.asked}: nothing to judge yet."
    elif first is None:
        sentence = f"No alarm for {claim.asked}, in {len(values):,} checks.{words}"
    else:
        zero = np.flatnonzero(values[:first] == 0)
        start = int(zero[-1]) + 1 if len(zero) else 0
        part = slice(start, first + 1)
        where = f"in checks {start + 1:,} to {first + 1:,}, " if first > start else ""
        sentence = (
            f"ALARM at check {first + 1:,} ({claim.rounds[first]}): {trouble} ({where}claimed "
            f"{claim.chances[part].mean():.1%}, seen {claim.hits[part].mean():.1%})."
        )
    return points, {
        "chart": claim.chart,
        "checks": len(values),
        "alarm": first is not None,
        "at_check": np.nan if first is None else first + 1,
        "round_id": None if first is None else claim.rounds[first],
        "limit": limit,
        "sentence": sentence,
    }


def _kept(chances: Floats) -> Floats:
    p = np.asarray(chances, dtype=float)
    if not ((p >= 0) & (p <= 1)).all():
        raise ArgumentError("chances lie between 0 and 1, none may be missing.")
    return p.clip(_EDGE, 1 - _EDGE)


def _steps(outcomes: Bools, chances: Floats, fall: float) -> Floats:
    if not 0 < fall < 1:
        raise ArgumentError("fall lies between 0 and 1.")
    return np.where(outcomes, np.log(fall), np.log1p(-fall * chances) - np.log1p(-chances))


def _highest(chances: Floats, seed: int, fall: float, checks: int, truly: float = 1.0) -> Floats:
    """Return the highest point of each of many simulated charts."""
    rng = np.random.default_rng(seed)
    p = _kept(chances)
    total, highest = np.zeros(_PATHS), np.zeros(_PATHS)
    for _ in range(checks):
        drawn = rng.choice(p, _PATHS)
        total = np.maximum(0.0, total + _steps(rng.random(_PATHS) < truly * drawn, drawn, fall))
        np.maximum(highest, total, out=highest)
    return highest
