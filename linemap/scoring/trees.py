"""Boosted trees as a prior: the challenger of the additive curves."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy.special import logit
from sklearn._loss import HalfBinomialLoss
from sklearn.ensemble import HistGradientBoostingRegressor

from linemap.scoring.design import NOT_PREDICTORS

LEAF = 40
"""Homes of a leaf at least."""


def crossed_trees(
    features: pd.DataFrame, label: np.ndarray, taught: np.ndarray, fold: np.ndarray, *, seed: int
) -> np.ndarray:
    """Return log-odds by boosted trees that never saw the home's own fold.

    Parameters
    ----------
    features : DataFrame
    label : ndarray, shape (n, n_folds)
        Posterior probability of lead, the soft label, without the evidence of each fold.
    taught : ndarray of bool, shape (n,)
        Homes with evidence; the others' labels are echoes and left out.
    fold : ndarray of int, shape (n,)
    seed : int

    Returns
    -------
    ndarray, shape (n,)
    """
    columns = features.drop(columns=[c for c in NOT_PREDICTORS if c in features.columns])
    table = np.column_stack(
        [
            columns[name].to_numpy(dtype=float)
            if pd.api.types.is_numeric_dtype(columns[name])
            else pd.Categorical(columns[name].astype(object)).codes.astype(float)
            for name in columns.columns
        ]
    )
    out = np.zeros(len(label))
    for k in np.unique(fold):
        learn = taught & (fold != k)
        if learn.sum() < 2 * LEAF:  # too few for a single split
            out[fold == k] = logit(label[learn if learn.any() else slice(None), k].mean())
            continue
        trees = HistGradientBoostingRegressor(
            loss=HalfBinomialLoss(),
            max_iter=120,
            learning_rate=0.06,
            max_leaf_nodes=12,
            min_samples_leaf=LEAF,
            early_stopping=False,
            random_state=seed,
        )
        trees.fit(table[learn], label[learn, k])
        p = np.clip(trees.predict(table[fold == k]), 1e-4, 1 - 1e-4)
        out[fold == k] = logit(p)
    return out
