"""The chance that a home which is mailed a kit sends a usable one back."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import expit, logit
from statsmodels.genmod.families import Binomial
from statsmodels.genmod.generalized_linear_model import GLM

from linemap.errors import ArgumentError
from linemap.outreach.area_logit import AreaLogit, Factors
from linemap.outreach.eligibility import column_or
from linemap.outreach.history import WAIT_DAYS, last_day, sent_on
from linemap.outreach.return_shift import spread_of_months
from linemap.printing import counted, rounded
from linemap.published import fact

Floats = NDArray[np.float64]

FOLDS = 5
_SPREADS = (0.3, 0.5, 0.8)
_PLAIN_SPREAD = {
    "renter": 0.5,
    "tenure unknown": 0.5,
    "several dwellings": 0.5,
    "sent before": 0.5,
    "asked": 1.0,
    "winter": 0.2,
    "spring": 0.2,
}
_THIN = 50
_WIDE = 1.0


@dataclass(frozen=True)
class ReturnForecast:
    """Chance of a usable return at each home, and what it rests on.

    Attributes
    ----------
    table : DataFrame
        Indexed by parcel_id: ``p_return, p_return_low, p_return_high`` [share], the last two
        the ends of a 90 % interval of the chance itself.
    kits, usable : int
        Kits in the history that had time to come back, and those that did and were usable.
    prior : float
        Chance of return assumed before any history [share].
    thin : bool
        Whether the history is so short that the prior carries much of the answer.
    measures : dict
        Out-of-fold log loss beside that of a constant rate, how much less it is, and the
        calibration slope and intercept on the logit scale (1 and 0 are perfect), the middle two
        with ends of a 95 % interval; of the model without months; empty where history is thin.
    shift : float
        Standard deviation by which whole months stray from the chances [log-odds].
    level : float
        Standard error of the mean of all homes' log-odds: the common level, so far as the
        history leaves it open [log-odds].
    basis : str
        One sentence that says all this.
    """

    table: pd.DataFrame
    kits: int
    usable: int
    prior: float
    thin: bool
    measures: dict[str, float]
    shift: float
    level: float
    basis: str

    @property
    def p_return(self) -> pd.Series:
        """Chance of a usable return [share], indexed by parcel_id."""
        return self.table["p_return"]


def expected_return(
    homes: pd.DataFrame,
    kits: pd.DataFrame,
    pairs: pd.DataFrame,
    *,
    seed: int,
    on: date | None = None,
) -> ReturnForecast:
    """Learn from earlier kits how likely each home is to return a usable one.

    A logistic model of tenure, size, season, whether the resident had asked for the kit,
    earlier kits to the same home, area, and the month of mailing. Every coefficient is shrunk
    to zero and the intercept to a stated prior, so that a short history gives the prior and a
    long one the data: standard deviations of 1 for having asked, 0.2 for the season (a few
    mailing days tell little of a year) and 0.5 for the rest [log-odds], our choice. How strongly
    areas are shrunk is chosen by out-of-fold log loss, homes kept whole; how far months stray is
    learned too, see :func:`linemap.outreach.return_shift.spread_of_months`. The forecast is for
    homes that did not ask, in a month of its own. Income and other demographics are not used.

    Parameters
    ----------
    homes : DataFrame
        Indexed by parcel_id with, where known, ``owner_occupied, dwelling_units, area_id,
        kits_before``.
    kits : DataFrame
        Kits sent so far, by the contract. Kits sent less than 60 days before the last date in
        the table (or a year before ``on``, if that is later) are left out, back or not: the
        silent ones may still come. Where there is a column ``settled`` (see
        :func:`with_rounds`), those of closed rounds count at once and those of open rounds not
        yet.
    pairs : DataFrame
        Returned kits with their verdict, by the contract.
    seed : int
        Seed of the folds.
    on : date, optional
        Day on which the next kits go out, for the season; the last date in ``kits`` when
        left out. Dates after it, such as a year typed wrongly, are not waited for.

    Returns
    -------
    ReturnForecast

    Raises
    ------
    ArgumentError
        If a kit stands in ``kits`` twice.

    References
    ----------
    .. [1] Prior between two published programmes: ``outreach.return_low`` and
       ``outreach.return_high`` in published.toml.
    """
    if kits["kit_id"].duplicated().any():
        raise ArgumentError("a kit_id stands twice among the kits. Keep one row per kit.")
    prior = float(fact("outreach.return_prior").value)
    last = last_day(kits)
    planned = pd.Timestamp(on) if on is not None else last
    history = _history(kits, pairs, homes, until=_waited_until(last, planned))
    asking = _factors(homes, column_or(homes, "kits_before", 0).fillna(0), planned, asked=0.0)
    areas = sorted(column_or(homes, "area_id", None).dropna().astype(str).unique())
    design = _design(asking, areas)
    outcome = history["usable"].to_numpy(dtype=float)
    learned = _design(history, areas)
    spread, measures = _choose_spread(
        learned, outcome, history["parcel_id"], prior=prior, seed=seed
    )
    model, shift = _fit_with_months(learned, outcome, history["sent"], prior=prior, spread=spread)
    level = model.error_of_mean(design)
    center, sd = model.log_odds(design), model.standard_error(design)
    table = pd.DataFrame(
        {
            "p_return": expit(center),
            "p_return_low": expit(center - 1.645 * sd),
            "p_return_high": expit(center + 1.645 * sd),
        },
        index=homes.index,
    )
    sent, usable = len(history), int(outcome.sum())
    thin = min(usable, sent - usable) < _THIN
    recent = int(kits["parcel_id"].isin(homes.index).sum()) - sent
    basis = _basis(sent, usable, recent, prior, thin, measures)
    basis += f"; {_beyond_luck(float(np.hypot(shift, level)), float(table['p_return'].mean()))}."
    if not model.converged_:
        basis += " The fit had not settled at its limit of steps: chances may be off a little."
    return ReturnForecast(table, sent, usable, prior, thin, measures, shift, level, basis)


def _waited_until(last: Any, planned: Any) -> Any:
    """Return the day until which the files know what came back.

    That is their last date, which may lie behind the day of the list, but by no more than a year:
    after a longer pause nothing is on its way any more. Our choice.
    """
    if pd.isna(last):
        return last
    return max(min(last, planned), planned - pd.DateOffset(years=1))


def _history(
    kits: pd.DataFrame, pairs: pd.DataFrame, homes: pd.DataFrame, *, until: Any
) -> pd.DataFrame:
    """Return one row per kit that had time to come back until a day, with its factors."""
    kits = kits.assign(sent=sent_on(kits))
    kits = kits[kits["parcel_id"].isin(homes.index)].sort_values(["sent", "kit_id"], kind="stable")
    good = pairs.loc[pairs["verdict"] != "not_usable", "kit_id"]
    recent = kits["sent"] > until - pd.Timedelta(days=WAIT_DAYS)
    settled = column_or(kits, "settled", None)
    over = settled.eq(True) | (settled.isna() & ~recent)
    kits = kits.assign(earlier=kits.groupby("parcel_id").cumcount())[over]
    at = homes.reindex(pd.Index(kits["parcel_id"]))
    rows = _factors(
        at,
        kits["earlier"].set_axis(at.index),
        kits["sent"].set_axis(at.index),
        asked=kits["requested_on"].notna().to_numpy(dtype=float),
    )
    rows["usable"] = kits["kit_id"].isin(good).to_numpy()
    rows["parcel_id"] = at.index.to_numpy()
    rows["sent"] = kits["sent"].to_numpy()
    return rows.reset_index(drop=True)


def _factors(homes: pd.DataFrame, earlier: pd.Series, sent: Any, *, asked: Any) -> pd.DataFrame:
    tenure = column_or(homes, "owner_occupied", None).astype(object)
    days = pd.to_datetime(pd.Series(sent, index=homes.index)).dt.dayofyear.astype(float)
    turn = days * (2 * np.pi / 365.25)
    return pd.DataFrame(
        {
            "renter": tenure.eq("no").astype(float),
            "tenure unknown": (~tenure.isin(["yes", "no"])).astype(float),
            "several dwellings": column_or(homes, "dwelling_units", np.nan).gt(1).astype(float),
            "sent before": earlier.gt(0).astype(float),
            "asked": asked,
            "winter": turn.map(np.cos).fillna(0.0),
            "spring": turn.map(np.sin).fillna(0.0),
            "area_id": column_or(homes, "area_id", None),
        },
        index=homes.index,
    )


def _design(factors: pd.DataFrame, areas: list[str]) -> Factors:
    plain = factors[list(_PLAIN_SPREAD)].to_numpy(dtype=float)
    area = factors["area_id"].astype("category")
    codes = pd.Index(areas).get_indexer(area.cat.categories.astype(str))
    known = area.cat.codes.to_numpy()
    code = np.append(codes, -1)[known].astype(np.int64)
    return Factors(np.hstack([np.ones((len(factors), 1)), plain]), code, len(areas))


def _model(prior: float, spread: float, months: Sequence[float] = ()) -> AreaLogit:
    """Return the unfitted model; spreads are those of the weights [log-odds]."""
    spreads = np.array([1.0, *_PLAIN_SPREAD.values(), *months])
    mean = np.zeros(len(spreads))
    mean[0] = logit(prior)
    return AreaLogit(mean, spreads**-2, spread)


def _fit_with_months(
    factors: Factors, outcome: Floats, sent: pd.Series, *, prior: float, spread: float
) -> tuple[AreaLogit, float]:
    """Fit with a shift of each month, and return the model and the spread of the shifts.

    Without them a few months that went well would be taken for the season, and the doubt for
    that of kits that come back each by itself.
    """
    code, names = pd.factorize(sent.dt.to_period("M"))
    month = np.vstack([np.eye(len(names)), np.zeros(len(names))])[code]
    both = Factors(np.hstack([factors.plain, month]), factors.area, factors.n_areas)

    def fit(shift: float) -> AreaLogit:
        return _model(prior, spread, [shift] * len(names)).fit(both, outcome)

    wide, plain = fit(_WIDE), factors.plain.shape[1]
    shift = spread_of_months(wide.weights_[plain:], wide.covariance_[plain:, plain:], wide=_WIDE)
    return fit(shift), shift


def _choose_spread(
    design: Factors, outcome: Floats, parcel_ids: pd.Series, *, prior: float, seed: int
) -> tuple[float, dict[str, float]]:
    """Choose the spread of the areas' weights by out-of-fold log loss."""
    if min(outcome.sum(), (1 - outcome).sum()) < _THIN:
        return _SPREADS[0], {}
    groups, labels = pd.factorize(parcel_ids)
    fold = np.random.default_rng(seed).permutation(len(labels))[groups] % FOLDS
    losses, predictions = {}, {}
    for spread in _SPREADS:
        out = np.empty(len(outcome))
        for k in range(FOLDS):
            model = _model(prior, spread).fit(design.take(fold != k), outcome[fold != k])
            out[fold == k] = model.log_odds(design.take(fold == k))
        predictions[spread] = out
        losses[spread] = _log_loss(outcome, expit(out))
    best = min(_SPREADS, key=lambda spread: losses[spread])
    line = np.column_stack([np.ones(len(outcome)), predictions[best]])
    fitted = GLM(outcome, line, family=Binomial()).fit()
    (intercept, slope), (low, high) = fitted.params, fitted.conf_int()[1]
    constant = np.full(len(outcome), outcome.mean())
    gain = _surprise(outcome, constant) - _surprise(outcome, expit(predictions[best]))
    half = 1.96 * float(gain.std(ddof=1)) / np.sqrt(len(gain))
    return best, {
        "log_loss": losses[best],
        "log_loss_constant": _log_loss(outcome, constant),
        "gain": float(gain.mean()),
        "gain_low": float(gain.mean() - half),
        "gain_high": float(gain.mean() + half),
        "calibration_slope": float(slope),
        "calibration_slope_low": float(low),
        "calibration_slope_high": float(high),
        "calibration_intercept": float(intercept),
    }


def _surprise(outcome: Floats, chance: Floats) -> Floats:
    return np.asarray(-(outcome * np.log(chance) + (1 - outcome) * np.log1p(-chance)))


def _log_loss(outcome: Floats, chance: Floats) -> float:
    return float(_surprise(outcome, chance).mean())


def _basis(
    sent: int, usable: int, recent: int, prior: float, thin: bool, measures: dict[str, float]
) -> str:
    """Say what the chances rest on, without what follows from the shift."""
    late = f" ({counted(recent, 'kit')} sent too recently to count)" if recent else ""
    if not sent:
        return (
            f"no earlier kit to learn from{late}, so every home is given the prior of {prior:.0%}"
        )
    rate = f"{usable:,} ({usable / sent:.0%})"
    words = f"learned from {sent:,} earlier kits, of which {rate} came back usable{late}"
    if thin:
        return f"{words}; the history is thin, so the prior of {prior:.0%} still counts"
    errs = "less" if measures["gain"] > 0 else "no less"
    return (
        f"{words}; on kits left out of the learning it errs {errs} than one rate for all homes "
        f"(log loss {measures['log_loss']:.3f} against {measures['log_loss_constant']:.3f}, "
        f"difference {measures['gain']:.3f}, 95% interval {measures['gain_low']:.3f} to "
        f"{measures['gain_high']:.3f}; calibration slope {measures['calibration_slope']:.2f}, "
        f"{measures['calibration_slope_low']:.2f} to {measures['calibration_slope_high']:.2f}, "
        "1 is perfect)"
    )


def _beyond_luck(spread: float, chance: float) -> str:
    """Say in points of the share that comes back what a spread of the log-odds means."""
    points = 100 * spread * chance * (1 - chance)
    return (
        f"beyond luck, the share that comes back may be about {rounded(points)} percentage points "
        "above or below the forecast (one standard deviation)"
    )
