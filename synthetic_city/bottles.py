"""What the two bottles hold, how the laboratory prints it, and how likely that is.

The logarithm of lead in a bottle is normal about a mean that depends on the plumbing, on what
the water sees of the line, on standing and running time, and on one effect of the home that all
its bottles share. A few bottles catch a particle; a filter takes most of it away.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy.special import log_ndtr

from synthetic_city.draws import Bools, Floats, Ints, pick
from synthetic_city.knobs import Knobs

KINDS = 4
"""Kinds of line that the water can tell: none, galvanized, part lead, lead throughout."""


def log_means(
    solder: Ints, stagnation_h: Floats, flush_min: Floats, knobs: Knobs
) -> tuple[Floats, Floats]:
    """Return the mean log of lead [ln ug/L] in the first and the flushed bottle by kind of line.

    Returns
    -------
    first, flushed : array, shape (n, 4)
    """
    stood = np.where(np.isnan(stagnation_h), 9.0, np.clip(stagnation_h, 0.5, 40))
    ran = np.where(np.isnan(flush_min), 2.0, np.clip(flush_min, 0.0, 15))
    premise = np.array(knobs.premise_first)[solder] * knobs.premise_control
    line = np.array(knobs.line_first) * knobs.line_control
    first = np.log(premise[:, None] + line) + (knobs.stagnation_power * np.log(stood / 8))[:, None]
    main = knobs.main_flushed * knobs.premise_control
    flushed = np.log(main + np.array(knobs.line_flushed) * knobs.line_control)
    return first, flushed - (knobs.flush_decay * (ran - 2))[:, None]


def fill(
    mean: Floats, home_effect: Floats, filtered: Bools, knobs: Knobs, rng: np.random.Generator
) -> Floats:
    """Return lead in bottles [ug/L]."""
    log = mean + home_effect + knobs.bottle_sd * rng.standard_normal(len(mean))
    log += np.log(knobs.spike_factor) * (rng.random(len(mean)) < knobs.spike_share)
    log += np.log(knobs.filter_factor) * filtered
    return np.exp(log)


def bottle_likelihood(
    value: Floats, limit: Floats, mean: Floats, home_effect: Floats, filtered: bool, knobs: Knobs
) -> Floats:
    """Return the log-likelihood of bottles.

    Parameters
    ----------
    value : array, shape (n,)
        Lead [ug/L]; NaN where below the limit.
    limit : array, shape (n,)
        Detection limit [ug/L]; NaN where there is no readable result (log-likelihood 0).
    mean : array, shape (n, 4)
    home_effect : array, shape (q,)
        Values at which to evaluate.

    Returns
    -------
    array, shape (n, 4, q)
    """
    below = np.isnan(value)
    x = np.log(np.where(below, np.where(np.isnan(limit), 1.0, limit), value))
    centre = mean[:, :, None] + home_effect + (np.log(knobs.filter_factor) if filtered else 0.0)
    plain = _normal(x[:, None, None] - centre, below[:, None, None], knobs.bottle_sd)
    lifted = centre + np.log(knobs.spike_factor)
    spike = _normal(x[:, None, None] - lifted, below[:, None, None], knobs.bottle_sd)
    both = np.logaddexp(np.log1p(-knobs.spike_share) + plain, np.log(knobs.spike_share) + spike)
    out: Floats = np.where(np.isnan(limit)[:, None, None], 0.0, both)
    return out


def _normal(distance: Floats, below: Bools, sd: float) -> Floats:
    z = distance / sd
    return np.where(below, log_ndtr(z), -0.5 * z * z - np.log(sd) - 0.5 * np.log(2 * np.pi))


def draw_batches(
    n: int, knobs: Knobs, rng: np.random.Generator, *, copper: bool = False
) -> pd.DataFrame:
    """Return detection limit [ug/L], unit and manner of printing of ``n`` batches."""
    limit = np.where(rng.random(n) < knobs.limit_two, 2.0, 1.0)
    units = (1 - knobs.batch_mg - knobs.batch_ppb, knobs.batch_mg, knobs.batch_ppb)
    return pd.DataFrame(
        {
            "limit": np.full(n, knobs.copper_limit) if copper else limit,
            "unit": pick(rng, units, n),
            "manner": pick(rng, knobs.print_manner, n),
        }
    )


def print_results(
    amount: Floats, batch: pd.DataFrame, misprint: float, rng: np.random.Generator
) -> pd.DataFrame:
    """Print results as a laboratory does.

    Parameters
    ----------
    amount : array, shape (n,)
        Concentration [ug/L].
    batch : DataFrame
        Limit, unit and manner of printing of each bottle's batch, see :func:`draw_batches`.
    misprint : float
        Share of results that nobody can read.

    Returns
    -------
    DataFrame
        result, unit, detection_limit as printed; value_ug_l (NaN below the limit or where
        nobody can read it), limit_ug_l, below_limit.
    """
    limit = batch["limit"].to_numpy()
    unit = batch["unit"].to_numpy()
    manner = batch["manner"].to_numpy()
    value = np.round(amount, 1)
    below = value < limit
    unreadable = rng.random(len(amount)) < misprint
    slip = rng.integers(0, 2, len(amount))
    text = [
        _text(v, lim, b, u, m, s if bad else -1)
        for v, lim, b, u, m, s, bad in zip(
            value.tolist(),
            limit.tolist(),
            below.tolist(),
            unit.tolist(),
            manner.tolist(),
            slip.tolist(),
            unreadable.tolist(),
            strict=True,
        )
    ]
    return pd.DataFrame(
        {
            "result": text,
            "unit": np.array(["ug/L", "mg/L", "ppb"])[unit],
            "detection_limit": np.where(unit == 1, np.round(limit / 1000, 4), limit),
            "value_ug_l": np.where(below | unreadable, np.nan, value),
            "limit_ug_l": np.where(unreadable, np.nan, limit),
            "below_limit": below & ~unreadable,
        }
    )


def _text(value: float, limit: float, below: bool, unit: int, manner: int, slip: int) -> str:
    """Return one result as printed: ``<1``, `` <1.0``, ``ND``, ``2.4``, ``0.0024``."""
    if slip >= 0:  # a slip of the keyboard that no reader should guess at
        return (
            f"{max(value, limit):.1f}".replace(".", "..") if slip else f"{max(value, limit):.1f}^"
        )
    if below and manner == 3:
        return "ND"
    shown = limit if below else value
    if unit == 1:
        text = f"{shown / 1000:.3f}" if below and manner == 0 else f"{shown / 1000:.4f}"
    else:
        text = f"{shown:.0f}" if below and manner == 0 else f"{shown:.1f}"
    if not below:
        return text
    return f" <{text}" if manner == 2 else f"<{text}"
