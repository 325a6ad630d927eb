"""Why one home got its probability: weights, reasons, and what would change it most."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.special import expit


@dataclass(frozen=True)
class Explanation:
    """Why one home got its probability.

    Attributes
    ----------
    parcel_id : str
    p_lead : float
    weights : dict of str to float
        Log-odds of each part; they add up to the log-odds of ``p_lead``.
    sentences : tuple of str
        Reasons, strongest first.
    counterfactual : str
        The one piece of evidence without which the probability would differ most.
    """

    parcel_id: str
    p_lead: float
    weights: dict[str, float]
    sentences: tuple[str, ...]
    counterfactual: str


def most_telling(log_odds: np.ndarray, without: dict[str, np.ndarray]) -> pd.DataFrame:
    """Return the one source of each home without which its probability would differ most.

    Parameters
    ----------
    log_odds : ndarray, shape (n_homes,)
    without : dict of str to ndarray, shape (n_homes,)
        Log-odds if one source were silent, by source.

    Returns
    -------
    DataFrame
        ``telling_source`` (missing where no source speaks of the home) and ``p_without``, the
        probability without it [share].
    """
    names = pd.Index(without)
    chances = expit(np.column_stack(list(without.values())))
    moved = np.abs(chances - expit(log_odds)[:, None])
    most = moved.argmax(axis=1)
    rows = np.arange(len(most))
    silent = moved[rows, most] < 1e-9
    return pd.DataFrame(
        {
            "telling_source": pd.Categorical.from_codes(np.where(silent, -1, most), names),
            "p_without": np.where(silent, np.nan, chances[rows, most]),
        }
    )


def explanation(
    parcel_id: str, weights: pd.Series, sentences: dict[str, str], telling: pd.Series
) -> Explanation:
    """Put together what is said of one home.

    Parameters
    ----------
    parcel_id : str
    weights : Series
        ``weight_<part>`` [log-odds].
    sentences : dict of str to str
        By part; empty where it says nothing.
    telling : Series
        The home's row of :func:`most_telling`.
    """
    by_part = {str(name).removeprefix("weight_"): float(w) for name, w in weights.items()}
    total = sum(by_part.values())
    speaking = sorted((n for n in by_part if sentences[n]), key=lambda name: -abs(by_part[name]))
    text = "no record, answer, bottle or check speaks of this home itself"
    if pd.notna(telling["telling_source"]):
        text = (
            f"without the {telling['telling_source']}, the probability would be "
            f"{telling['p_without']:.0%} instead of {expit(total):.0%}"
        )
    return Explanation(
        parcel_id, float(expit(total)), by_part, tuple(sentences[n] for n in speaking), text
    )
