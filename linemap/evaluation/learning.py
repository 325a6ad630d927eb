"""The learning curve: what more checks would bring."""

from __future__ import annotations

import numpy as np
import pandas as pd

from linemap.errors import EvidenceError
from linemap.evaluation.folds import Split
from linemap.evaluation.judging import measure_rows, measure_table
from linemap.evaluation.runs import Run, Runner

SHARES = (0.1, 0.3, 0.6)
"""Shares of the visible checks at which the scores are refitted; all of them comes free."""

METHODS = ("linemap", "plain boosting")
MEASURES = ("auc", "average_precision", "log_loss", "ece")


def learning_curve(
    runner: Runner,
    run: Run,
    *,
    bootstrap: int,
    rng: np.random.Generator,
    shares: tuple[float, ...] = SHARES,
) -> pd.DataFrame:
    """Judge one fold of blocks while a growing random share of the other checks is visible.

    The fold is the one whose share of lead is nearest to that of all. The smaller sets of
    visible checks are part of the larger ones.

    Parameters
    ----------
    runner : Runner
    run : Run
        The spatial blocks; one of their folds is judged at every share.
    bootstrap : int
        Resamples of blocks.
    rng : numpy.random.Generator
    shares : tuple of float
        Shares of visible checks below 1.

    Returns
    -------
    DataFrame
        ``visible_share``, ``visible`` [checked homes], ``method``, ``measure``, ``value``,
        ``low``, ``high``, ``rows``, ``blocks``, ``note`` (why a point is missing).
    """
    split = _typical(run)
    checked = runner.data.index[runner.data["checked"]]
    others = checked.difference(split.hidden, sort=False)
    order = rng.permutation(len(others))
    seed = int(rng.integers(2**31))
    parts = []
    for share in (*shares, 1.0):
        seen = max(1, round(share * len(others)))
        held = run.held.loc[split.judged]
        note = ""
        if share < 1:
            hidden = split.hidden.append(others[np.sort(order[seen:])])
            try:
                p = runner.score(hidden, f"learning: {share:.0%} of the checks visible")
                ours = p[split.judged]
            except EvidenceError as error:
                ours, note = pd.Series(np.nan, index=split.judged), str(error)
            asked = runner.baselines(Split(hidden, split.judged))
            held = run.held.loc[split.judged, ["label", "block"]].join(asked)
            held["linemap"] = ours
        table = measure_table(
            measure_rows(held, protocol="learning", weighting="as checked",
                         weights=np.ones(len(held)), bootstrap=bootstrap,
                         rng=np.random.default_rng(seed), methods=METHODS)
        )  # fmt: skip
        table = table[table["measure"].isin(MEASURES)]
        if note:
            table.loc[len(table)] = {"method": "linemap", "measure": "log_loss"}
        parts.append(table.assign(visible_share=share, visible=seen, note=note))
    columns = ["visible_share", "visible", "method", "measure", "value", "low", "high", "rows",
               "blocks", "note"]  # fmt: skip
    return pd.concat(parts, ignore_index=True)[columns]


def _typical(run: Run) -> Split:
    """Return the split whose share of lead is nearest to the share of all judged homes."""
    rate = run.held["label"].mean()
    gaps = [abs(run.held.loc[s.judged, "label"].mean() - rate) for s in run.protocol.splits]
    return run.protocol.splits[int(np.argmin(gaps))]
