"""Why one home got its probability: weights, reasons, and what would change it most."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd
from scipy.special import expit

from linemap.scoring.sources import SOURCES


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


def explanation(
    parcel_id: str, weights: pd.Series, sentences: dict[str, str], without_each: dict[str, float]
) -> Explanation:
    """Put together what is said of one home.

    Parameters
    ----------
    parcel_id : str
    weights : Series
        ``weight_<part>`` [log-odds].
    sentences : dict of str to str
        By part; empty where it says nothing.
    without_each : dict of str to float
        Log-odds of the home if one source were silent, by source.
    """
    by_part = {str(name).removeprefix("weight_"): float(w) for name, w in weights.items()}
    total = sum(by_part.values())
    speaking = sorted((n for n in by_part if sentences[n]), key=lambda name: -abs(by_part[name]))
    without = {name: float(expit(without_each[name])) for name in SOURCES if sentences[name]}
    if without:
        most = max(without, key=lambda name: abs(without[name] - expit(total)))
        text = (
            f"without the {most}, the probability would be {without[most]:.0%} "
            f"instead of {expit(total):.0%}"
        )
    else:
        text = "no record, answer, bottle or check speaks of this home itself"
    return Explanation(
        parcel_id, float(expit(total)), by_part, tuple(sentences[n] for n in speaking), text
    )
