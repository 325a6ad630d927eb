"""Charts of homes: the evidence on one, age, the two bottles."""

from __future__ import annotations

from typing import Any

import matplotlib.ticker
import numpy as np
import pandas as pd
from matplotlib.figure import Figure

from linemap.outputs.charts.canvas import (
    DARK,
    LIGHT,
    MIDDLE,
    blank_chart,
    legend_below,
    nothing_chart,
)

FEWEST_OF_AN_AGE = 5
"""Homes below which five years of building are left out; our choice."""

PART_WORDS = {
    "prior": "building",
    "place": "place",
    "record": "city record",
    "answers": "answers",
    "water": "water",
    "check": "field check",
}
_SMALLEST = 0.1


def weights_chart(weights: pd.Series, *, p_lead: float, name: str) -> Figure:
    """Draw how each source moved one home's log-odds.

    What it shows: a step for each source of evidence, right towards lead, left away from it; the
    hatched bar is their sum. How to read it: long steps decided; one unit multiplies the odds
    by 2.7.

    Parameters
    ----------
    weights : Series
        Weight [log-odds] by source, in order.
    p_lead : float
        Probability that belongs to the sum.
    name : str
        Home.

    Returns
    -------
    Figure
    """
    if weights.empty:
        return nothing_chart(f"{name}: there is no evidence to show")
    values = weights.to_numpy(dtype=float)
    parts = [str(label).removeprefix("weight_") for label in weights.index]
    labels = [PART_WORDS.get(part, part) for part in parts]
    total, most = float(values.sum()), labels[int(np.abs(values).argmax())]
    figure, axes = blank_chart(
        f"{name}: probability of lead {p_lead:.0%}, decided most by the {most}", height=3.2
    )
    left = np.concatenate([[0.0], np.cumsum(values)[:-1]])
    rows = np.arange(len(values))
    colours = [DARK if value >= 0 else LIGHT for value in values]
    axes.barh(rows, values, left=left, color=colours, edgecolor="black", linewidth=0.6)
    axes.barh(len(values), total, color=MIDDLE, edgecolor="black", linewidth=0.6, hatch="//")
    steps = [*zip(rows, np.maximum(left, left + values), values, strict=True)]
    for row, end, value in [*steps, (len(values), max(total, 0.0), total)]:
        axes.annotate(
            f"{value:+.2f}", (end, row), xytext=(4, 0), textcoords="offset points",
            va="center", fontsize=9,
        )  # fmt: skip
    axes.set_yticks([*rows, len(values)], [*labels, "sum"])
    axes.invert_yaxis()
    axes.use_sticky_edges = False
    axes.margins(x=0.15)
    axes.axvline(0, color="0.3", linewidth=1)
    axes.set_xlabel("weight of evidence [log-odds]; right is towards lead")
    return figure


def age_chart(ages: pd.DataFrame) -> Figure:
    """Draw the mean probability of lead by year of building.

    What it shows: the mean estimated probability of homes built in each five years, with its
    90% interval. How to read it: it need not fall from old to new; a rise in the middle is a
    building wave that still used lead. A wide band is an age of which little is known.

    Parameters
    ----------
    ages : DataFrame
        Index: first year of each five years; columns ``mean``, ``low``, ``high`` [share] and
        ``homes``.

    Returns
    -------
    Figure
    """
    table = ages
    table = table[table["homes"] >= FEWEST_OF_AN_AGE]
    if table.empty:
        return nothing_chart("Too few homes of known age to show lead by year built")
    at = int(table["mean"].to_numpy().argmax())
    peak, start = table.iloc[at], int(table.index.to_numpy(dtype=int)[at])
    figure, axes = blank_chart(
        f"Lead is most probable in homes built {start} to {start + 4} (mean "
        f"{peak['mean']:.0%}, {peak['homes']:,.0f} homes)"
    )
    table = table.reindex(range(table.index.min(), table.index.max() + 5, 5))
    middle = table.index + 2
    axes.fill_between(middle, table["low"], table["high"], color=LIGHT, alpha=0.5, linewidth=0,
                      label="90% interval of the mean")  # fmt: skip
    axes.plot(middle, table["mean"], color=DARK, marker="o", markersize=3.5, label="mean")
    axes.set_xlabel(f"year built ({int(table['homes'].sum()):,} homes, in five years)")
    axes.set(ylabel="estimated probability of lead", ylim=(0, 1.02))
    axes.yaxis.set_major_formatter(matplotlib.ticker.PercentFormatter(1.0, decimals=0))
    legend_below(figure)
    return figure


def pair_chart(pairs: pd.DataFrame, *, limit: float) -> Figure:
    """Draw the two bottles of each usable kit against each other.

    What it shows: first draw across, flushed bottle up, both in ug/L on a logarithmic scale;
    hollow triangles are results below the laboratory's limit, drawn at it. How to read it: far
    right and low points to the tap and the house plumbing, high up to the line; a point in the
    lower left corner rules nothing out.

    Parameters
    ----------
    pairs : DataFrame
        By the ``pairs`` contract.
    limit : float
        Level to draw as a line [ug/L].

    Returns
    -------
    Figure
    """
    usable = pairs[pairs["verdict"].ne("not_usable")]
    kept = usable.dropna(subset=["first_low", "first_high", "flushed_low", "flushed_high"])
    if kept.empty:
        return nothing_chart("No usable kit has two readable bottles")
    above = (kept["first_low"] > limit) | (kept["flushed_low"] > limit)
    figure, axes = blank_chart(
        f"{int(above.sum()):,} of {len(kept):,} usable kits have a bottle above {limit:g} ug/L",
        height=4.0,
    )
    below = kept["first_low"].eq(0) | kept["flushed_low"].eq(0)
    below_style = {"s": 22, "marker": "v", "facecolors": "none", "edgecolors": MIDDLE}
    groups: tuple[tuple[pd.DataFrame, dict[str, Any], str], ...] = (
        (kept[~below], {"s": 14, "color": DARK, "alpha": 0.6}, "both measured"),
        (kept[below], below_style, "one or both below the laboratory's limit"),
    )
    for part, style, label in groups:
        if len(part):
            axes.scatter(
                part["first_high"].clip(lower=_SMALLEST),
                part["flushed_high"].clip(lower=_SMALLEST),
                label=f"{label} ({len(part):,})",
                linewidths=0.9,
                **style,
            )
    axes.axvline(limit, color="0.35", linestyle="--", linewidth=1)
    axes.axhline(limit, color="0.35", linestyle="--", linewidth=1, label=f"{limit:g} ug/L")
    axes.set(xscale="log", yscale="log")
    for side in (axes.xaxis, axes.yaxis):
        side.set_major_locator(matplotlib.ticker.LogLocator(subs=(1.0, 2.0, 5.0)))
        side.set_major_formatter(matplotlib.ticker.FuncFormatter(lambda x, _: f"{x:g}"))
        side.set_minor_locator(matplotlib.ticker.NullLocator())
    axes.set(xlabel="first draw [ug/L]", ylabel="flushed [ug/L]")
    legend_below(figure, columns=2)
    return figure
