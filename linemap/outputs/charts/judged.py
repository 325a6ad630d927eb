"""Charts of how right the scores are: reliability, gain, learning curve."""

from __future__ import annotations

from collections.abc import Sequence

import matplotlib
import matplotlib.ticker
import numpy as np
import pandas as pd
from matplotlib.figure import Figure

from linemap.outputs.charts.canvas import (
    DARK,
    LIGHT,
    LINE_STYLES,
    blank_chart,
    legend_below,
    nothing_chart,
)

FEWEST_JUDGED = 30
"""Judged homes below which a learning curve is not worth a title; our choice."""

MEASURE_WORDS = {
    "auc": "chance that lead is ranked above non-lead",
    "average_precision": "average precision",
    "log_loss": "log loss (lower is better)",
    "ece": "promised against found, mean distance",
}
_COMPARED = ("linemap", "age rule", "records as they are", "nearest checks")
_FIRST_PART = 0.2


def reliability_chart(bins: pd.DataFrame) -> Figure:
    """Draw promised against found rates of lead.

    What it shows: homes in groups of similar probability; across, what the scores promised; up,
    the share in which lead was found, with its 95% interval. How to read it: dots on the
    diagonal keep their promise; above it the scores are too low, below it too high.

    Parameters
    ----------
    bins : DataFrame
        ``promised``, ``found``, ``low``, ``high`` [share] and ``rows`` [homes] of one protocol
        and method.

    Returns
    -------
    Figure
    """
    kept = bins.dropna(subset=["promised", "found", "low", "high"])
    if kept.empty:
        return nothing_chart("No home could be judged on, so no promise can be tested")
    inside = kept["promised"].between(kept["low"], kept["high"])
    alike = "of homes with similar probability"
    title = (
        f"All {len(kept)} groups {alike} keep the promised rate of lead"
        if inside.all()
        else f"{int(inside.sum())} of {len(kept)} groups {alike} keep the promised rate of lead"
    )
    figure, axes = blank_chart(title, height=3.7)
    axes.plot([0, 1], [0, 1], color="0.45", linestyle="--", label="promise kept")
    found = kept["found"].to_numpy()
    few, many = int(kept["rows"].min()), int(kept["rows"].max())
    homes = f"{few:,}" if few == many else f"{few:,} to {many:,}"
    axes.errorbar(
        kept["promised"],
        found,
        yerr=np.maximum([found - kept["low"].to_numpy(), kept["high"].to_numpy() - found], 0),
        fmt="o",
        color=DARK,
        capsize=3,
        label=f"found, 95% interval ({homes} homes each)",
    )
    axes.set(xlabel="promised probability of lead", ylabel="share in which lead was found")
    axes.set(xlim=(-0.02, 1.02), ylim=(-0.02, 1.02))
    _in_percent(axes.xaxis, axes.yaxis)
    legend_below(figure)
    return figure


def gain_chart(gain: pd.DataFrame, methods: Sequence[str] = _COMPARED) -> Figure:
    """Draw lead found against homes looked at, beside simpler ways.

    What it shows: if the checked homes were visited in the order of each method, the share of
    all lead found so far. How to read it: the higher the line on the left, the fewer kits or
    visits for the same finds; the dotted diagonal is a list drawn at random.

    Parameters
    ----------
    gain : DataFrame
        ``method``, ``looked``, ``found`` [share] of one protocol.
    methods : sequence of str
        Methods to draw; those without rows are left out.

    Returns
    -------
    Figure
    """
    rows = gain.dropna(subset=["looked", "found"]).sort_values("looked")
    found = {
        str(name): float(np.interp(_FIRST_PART, part["looked"], part["found"]))
        for name, part in rows.groupby("method")
    }
    if "linemap" not in found:
        return nothing_chart("Too few homes to compare the order of the list with other orders")
    title = f"The first fifth of the list holds {found['linemap']:.0%} of the lead"
    if "age rule" in found:
        title += f"; oldest first, {found['age rule']:.0%}"
    figure, axes = blank_chart(title, height=3.7)
    axes.plot([0, 1], [0, 1], color="0.45", linestyle=(0, (1, 3)), label="at random")
    axes.axvline(_FIRST_PART, color="0.8", linewidth=1)
    shown = [name for name in methods if name in found]
    for number, name in enumerate(shown):
        part = rows[rows["method"] == name]
        axes.plot(
            part["looked"],
            part["found"],
            color=matplotlib.colormaps["cividis"](0.8 * number / max(len(shown) - 1, 1)),
            linestyle=LINE_STYLES[number % len(LINE_STYLES)],
            linewidth=2.4 if name == "linemap" else 1.5,
            label="this list" if name == "linemap" else name,
        )
    axes.set(
        xlabel="share of the homes judged on, looked at in this order",
        ylabel="share of their lead found",
    )
    axes.set(xlim=(0, 1), ylim=(0, 1.02))
    _in_percent(axes.xaxis, axes.yaxis)
    legend_below(figure)
    return figure


def learning_chart(learning: pd.DataFrame, *, measure: str = "auc") -> Figure:
    """Draw how the scores gain from more checks.

    What it shows: the measure on homes held out in space when only a part of the checks may be
    learned from. How to read it: a line that still climbs at the right says that more checks
    would help; a flat one, that other evidence carries the scores.

    Parameters
    ----------
    learning : DataFrame
        ``visible`` [checked homes], ``method``, ``measure``, ``value``, ``low``, ``high``, and
        ``rows`` [judged homes] where known.
    measure : str
        Measure to draw.

    Returns
    -------
    Figure
    """
    if learning.empty:
        return nothing_chart("Too few checks for a learning curve")
    rows = learning[(learning["measure"] == measure) & learning["value"].notna()]
    ours = rows[rows["method"] == "linemap"].sort_values("visible")
    judged = float(ours["rows"].max()) if "rows" in ours and len(ours) else np.nan
    if len(ours) < 2 or judged < FEWEST_JUDGED:
        return nothing_chart("Too few checks for a learning curve")
    first, last = ours.iloc[0], ours.iloc[-1]
    title = (
        f"From {first['visible']:,.0f} to {last['visible']:,.0f} checks learned from, the ranking "
        f"goes from {first['value']:.2f} to {last['value']:.2f}"
        if measure == "auc"
        else f"From {first['visible']:,.0f} to {last['visible']:,.0f} checks learned from, "
        f"{MEASURE_WORDS.get(measure, measure)} goes from {first['value']:.3f} to "
        f"{last['value']:.3f}"
    )
    figure, axes = blank_chart(title, height=3.7)
    for number, (name, part) in enumerate(rows.groupby("method")):
        part = part.sort_values("visible")
        axes.plot(
            part["visible"],
            part["value"],
            label="these scores" if name == "linemap" else str(name),
            marker="os^D"[number % 4],
            markersize=5,
            linestyle=LINE_STYLES[number % len(LINE_STYLES)],
            color=matplotlib.colormaps["cividis"](0.0 if name == "linemap" else 0.65),
        )
    if ours[["low", "high"]].notna().all(axis=None):
        axes.fill_between(
            ours["visible"], ours["low"], ours["high"], color=LIGHT, alpha=0.4, linewidth=0,
            label="95% interval",
        )  # fmt: skip
    axes.set(xlabel="homes learned from", ylabel=MEASURE_WORDS.get(measure, measure))
    legend_below(figure)
    return figure


def _in_percent(*sides: matplotlib.axis.Axis) -> None:
    for side in sides:
        side.set_major_formatter(matplotlib.ticker.PercentFormatter(1.0, decimals=0))
