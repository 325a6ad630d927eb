"""Carry out a protocol: refit with checks hidden, keep what was said of the hidden homes."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from linemap.errors import ArgumentError
from linemap.evaluation.baselines import MEANING as BASELINES
from linemap.evaluation.baselines import baseline_scores
from linemap.evaluation.folds import Protocol, Split
from linemap.evaluation.frame import APART

FitScore = Callable[[pd.Index], pd.Series]
Tell = Callable[[str], None]

KEPT = ["label", "why", "record_lead", "block"]


@dataclass(frozen=True)
class Run:
    """What one protocol gave.

    Attributes
    ----------
    protocol : Protocol
    held : DataFrame
        Judged homes, indexed by ``parcel_id``: ``label``, ``why``, ``record_lead``, ``block``,
        ``fold``, ``linemap`` (probability while hidden), ``visible`` (mean while not hidden)
        and one column per baseline.
    apart : DataFrame
        The same without baselines for homes checked on suspicion or from a list.
    p_lead : Series
        All homes: the probability while hidden, or the mean over the fits where never hidden.
    """

    protocol: Protocol
    held: pd.DataFrame
    apart: pd.DataFrame
    p_lead: pd.Series


@dataclass(frozen=True)
class Runner:
    """Holds what every protocol needs: the frame, its features and the model to refit."""

    data: pd.DataFrame
    features: pd.DataFrame
    fit_score: FitScore
    seed: int
    tell: Tell | None = None

    def score(self, hidden: pd.Index, what: str) -> pd.Series:
        """Refit with the checks of ``hidden`` taken out and return checked probabilities."""
        if self.tell is not None:
            self.tell(what)
        p = self.fit_score(hidden)
        if not isinstance(p, pd.Series) or not p.index.is_unique:
            raise ArgumentError("fit_score must return a Series with one value per parcel")
        missing = self.data.index.difference(p.index)
        if len(missing):
            raise ArgumentError(
                f"fit_score left out {len(missing)} parcels, e.g. {missing[0]}; score all of them"
            )
        out = p.reindex(self.data.index).astype(float)
        if not out.between(0, 1).all():
            worst = out[~out.between(0, 1)].index[0]
            raise ArgumentError(
                f"fit_score gave {out[worst]} for parcel {worst}; probabilities lie from 0 to 1"
            )
        return out

    def run(self, protocol: Protocol) -> Run:
        """Carry out every split of a protocol."""
        data = self.data
        n, splits = len(data), protocol.splits
        hidden_p = np.full(n, np.nan)
        fold = np.full(n, -1)
        open_sum, open_fits = np.zeros(n), np.zeros(n)
        parts = []
        for number, split in enumerate(splits):
            what = f"{protocol.name}: fit {number + 1} of {len(splits)}"
            p = self.score(split.hidden, what).to_numpy(dtype=float)
            hidden = data.index.isin(split.hidden)
            # a home hidden in several splits (forward in time) keeps the fit that judges it
            first = hidden & ((fold < 0) | data.index.isin(split.judged))
            hidden_p[first], fold[first] = p[first], number
            open_sum[~hidden] += p[~hidden]
            open_fits[~hidden] += 1
            parts.append(self.baselines(split))
        visible = np.divide(open_sum, open_fits, out=np.full(n, np.nan), where=open_fits > 0)
        told = data[KEPT].assign(fold=fold, linemap=hidden_p, visible=visible)
        judged = pd.Index(np.concatenate([split.judged.to_numpy() for split in splits]))
        held = told.loc[data.index[data.index.isin(judged)]].join(pd.concat(parts))
        apart = told[
            data["why"].isin(APART) & data["label"].notna() & data["checked"] & (fold >= 0)
        ]
        p_lead = pd.Series(np.where(fold >= 0, hidden_p, visible), index=data.index)
        return Run(protocol, held, apart, p_lead)

    def baselines(self, split: Split) -> pd.DataFrame:
        """Return the baselines' scores for the judged homes of a split."""
        table = baseline_scores(
            self.data, self.features, split.hidden, split.judged, seed=self.seed
        )
        return table[list(BASELINES)]
