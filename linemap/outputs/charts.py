"""Charts of a run. Each title states the finding; each docstring says how to read the chart.

Colours come from matplotlib's cividis scale, which reads in grey and to colour-blind eyes;
lines and markers differ in shape as well.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from html import escape

import matplotlib
import matplotlib.axes
import matplotlib.ticker
import numpy as np
import pandas as pd
from matplotlib.figure import Figure

_DARK, _MIDDLE, _LIGHT = (matplotlib.colormaps["cividis"](share) for share in (0.05, 0.5, 0.85))
_STYLES = ("-", "--", "-.", ":", (0, (5, 1, 1, 1, 1, 1)), (0, (1, 1)))


def figure_svg(figure: Figure, *, name: str) -> str:
    """Return a figure as inline SVG with an accessible name, the same bytes each time.

    Parameters
    ----------
    figure : Figure
    name : str
        What the picture shows, for readers who cannot see it.

    Returns
    -------
    str
    """
    buffer = io.StringIO()
    with matplotlib.rc_context({"svg.hashsalt": "linemap", "svg.fonttype": "none"}):
        figure.savefig(buffer, format="svg", metadata={"Date": None, "Creator": None})
    text = buffer.getvalue()
    text = text[text.index("<svg") :]
    return text.replace("<svg ", f'<svg role="img" aria-label="{escape(name, quote=True)}" ', 1)


def _axes(
    title: str, *, width: float = 6.4, height: float = 3.8
) -> tuple[Figure, matplotlib.axes.Axes]:
    figure = Figure(figsize=(width, height), layout="constrained")
    axes = figure.add_subplot()
    axes.set_title(title, loc="left", fontsize=11, wrap=True)
    axes.spines[["top", "right"]].set_visible(False)
    axes.grid(color="0.9", linewidth=0.8)
    axes.set_axisbelow(True)
    return figure, axes


def reliability_chart(bins: pd.DataFrame) -> Figure:
    """Draw promised against found rates of lead.

    What it shows: homes in groups of similar probability; across, what the scores promised; up,
    the share in which lead was found, with its 95 % interval. How to read it: dots on the
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
    off = int(((bins["promised"] < bins["low"]) | (bins["promised"] > bins["high"])).sum())
    title = (
        "Every group of homes has the rate of lead that was promised"
        if off == 0
        else f"{off} of {len(bins)} groups miss the promised rate of lead"
    )
    figure, axes = _axes(title)
    axes.plot([0, 1], [0, 1], color="0.45", linestyle="--", label="promise kept")
    found = bins["found"].to_numpy()
    axes.errorbar(
        bins["promised"],
        found,
        yerr=[found - bins["low"].to_numpy(), bins["high"].to_numpy() - found],
        fmt="o",
        color=_DARK,
        capsize=3,
        label="found, with 95 % interval",
    )
    axes.set(xlabel="promised probability of lead", ylabel="share in which lead was found")
    axes.set(xlim=(-0.02, 1.02), ylim=(-0.02, 1.02))
    axes.legend(frameon=False)
    return figure


def gain_chart(
    gain: pd.DataFrame, methods: Sequence[str] = ("linemap", "age rule", "kNN")
) -> Figure:
    """Draw lead found against homes looked at, beside simpler ways.

    What it shows: if the checked homes were visited in the order of each method, the share of
    all lead found so far. How to read it: the higher the line on the left, the fewer kits or
    visits for the same finds; the diagonal is a list drawn at random.

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
    at = 0.2
    found = {
        name: float(np.interp(at, part["looked"], part["found"]))
        for name, part in gain.groupby("method")
    }
    title = (
        f"The first fifth of the list holds {found.get('linemap', np.nan):.0%} of the lead, "
        f"by the age rule {found.get('age rule', np.nan):.0%}"
    )
    figure, axes = _axes(title)
    axes.plot([0, 1], [0, 1], color="0.45", linestyle=(0, (1, 3)), label="at random")
    shown = [name for name in methods if name in found]
    for number, name in enumerate(shown):
        part = gain[gain["method"] == name]
        shade = matplotlib.colormaps["cividis"](0.8 * number / max(len(shown) - 1, 1))
        axes.plot(
            part["looked"],
            part["found"],
            color=shade,
            linestyle=_STYLES[number % len(_STYLES)],
            linewidth=2.2 if name == "linemap" else 1.6,
            label=name,
        )
    axes.set(xlabel="share of checked homes looked at", ylabel="share of their lead found")
    axes.legend(frameon=False)
    return figure


def weights_chart(weights: pd.Series, *, p_lead: float, name: str) -> Figure:
    """Draw how each source moved one home's log-odds.

    What it shows: a step for each source of evidence, up towards lead, down away from it; the
    last bar is their sum. How to read it: long steps decided; one unit up multiplies the odds
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
    total = float(weights.sum())
    biggest = str(weights.abs().idxmax()).removeprefix("weight_")
    figure, axes = _axes(
        f"{name}: probability of lead {p_lead:.0%}, decided most by the {biggest}", height=3.2
    )
    left = np.concatenate([[0.0], np.cumsum(weights.to_numpy())[:-1]])
    labels = [str(label).removeprefix("weight_") for label in weights.index]
    colours = [_DARK if value >= 0 else _LIGHT for value in weights]
    rows = np.arange(len(weights))
    axes.barh(rows, weights, left=left, color=colours, edgecolor="black", linewidth=0.6)
    axes.barh(len(weights), total, color=_MIDDLE, edgecolor="black", linewidth=0.6, hatch="//")
    for row, (start, value) in enumerate(zip(left, weights, strict=True)):
        axes.annotate(
            f"{value:+.2f}", (start + value, row), xytext=(4, 0), textcoords="offset points",
            va="center", fontsize=9,
        )  # fmt: skip
    axes.annotate(
        f"{total:+.2f}", (total, len(weights)), xytext=(4, 0), textcoords="offset points",
        va="center", fontsize=9,
    )  # fmt: skip
    axes.set_yticks([*rows, len(weights)], [*labels, "sum"])
    axes.invert_yaxis()
    axes.margins(x=0.15)
    axes.axvline(0, color="0.3", linewidth=1)
    axes.set_xlabel("weight of evidence [log-odds]; right is towards lead")
    return figure


def age_chart(scores: pd.DataFrame, year_built: pd.Series) -> Figure:
    """Draw the mean probability of lead by year of building.

    What it shows: the mean estimated probability of homes built in each five years, with the
    range of the middle 80 % of homes. How to read it: it need not fall from old to new; a rise
    in the middle is a building wave that still used lead.

    Parameters
    ----------
    scores : DataFrame
        By the ``scores`` contract.
    year_built : Series
        Year built of the same homes; NaN where not known.

    Returns
    -------
    Figure
    """
    known = year_built.notna()
    five = (year_built[known] // 5 * 5).astype(int)
    p = scores.loc[known[known].index, "p_lead"]
    groups = p.groupby(five)
    table = pd.DataFrame(
        {
            "mean": groups.mean(),
            "low": groups.quantile(0.1),
            "high": groups.quantile(0.9),
            "homes": groups.size(),
        }
    )
    table = table[table["homes"] >= 5]
    peak = int(table["mean"].idxmax())
    figure, axes = _axes(
        f"Lead is most probable in homes built {peak} to {peak + 4} ({table['mean'].max():.0%})"
    )
    middle = table.index + 2
    axes.fill_between(middle, table["low"], table["high"], color=_LIGHT, alpha=0.5, linewidth=0,
                      label="middle 80 % of homes")  # fmt: skip
    axes.plot(middle, table["mean"], color=_DARK, marker="o", markersize=3.5, label="mean")
    axes.set(xlabel="year built", ylabel="estimated probability of lead", ylim=(0, None))
    axes.legend(frameon=False)
    return figure


def learning_chart(learning: pd.DataFrame, *, measure: str = "auc") -> Figure:
    """Draw how the scores gain from more checks.

    What it shows: the measure on homes held out in space when only a part of the checks may be
    learned from. How to read it: a line that still climbs at the right says that more checks
    would help; a flat one, that other evidence carries the scores.

    Parameters
    ----------
    learning : DataFrame
        ``visible``, ``method``, ``measure``, ``value``, ``low``, ``high``.
    measure : str
        Measure to draw.

    Returns
    -------
    Figure
    """
    rows = learning[(learning["measure"] == measure) & learning["value"].notna()]
    ours = rows[rows["method"] == "linemap"].sort_values("visible")
    gained = ours["value"].iloc[-1] - ours["value"].iloc[0] if len(ours) > 1 else 0.0
    title = (
        f"From {ours['visible'].iloc[0]:.0f} to {ours['visible'].iloc[-1]:.0f} checks the "
        f"ranking moves by {gained:+.3f} (1 is perfect)"
        if len(ours) > 1
        else "Too few checks for a learning curve"
    )
    figure, axes = _axes(title)
    for number, (name, part) in enumerate(rows.groupby("method")):
        part = part.sort_values("visible")
        axes.plot(
            part["visible"], part["value"], label=name, marker="o", markersize=4,
            linestyle=_STYLES[number % len(_STYLES)],
            color=matplotlib.colormaps["cividis"](0.0 if name == "linemap" else 0.7),
        )  # fmt: skip
    if len(ours):
        axes.fill_between(
            ours["visible"], ours["low"], ours["high"], color=_LIGHT, alpha=0.4, linewidth=0
        )
    axes.set(xlabel="checked homes learned from", ylabel=measure)
    axes.legend(frameon=False)
    return figure


def claimed_chart(parts: pd.DataFrame) -> Figure:
    """Draw what a round claimed and what came back.

    What it shows: for the whole list and each arm the forecast number of lead lines found with
    its interval, and what was found. How to read it: a cross inside its bar keeps the promise.

    Parameters
    ----------
    parts : DataFrame
        ``name``, ``found``, ``found_low``, ``found_high`` and, when closed, ``lead_found``.

    Returns
    -------
    Figure
    """
    table = parts.reset_index(drop=True)
    closed = "lead_found" in table and table["lead_found"].notna().all()
    if closed:
        inside = table["lead_found"].between(table["found_low"], table["found_high"])
        title = f"{int(inside.sum())} of {len(table)} forecasts hold what came back"
    else:
        title = "The forecast of this round, before any result"
    figure, axes = _axes(title, height=1.4 + 0.4 * len(table))
    rows = table.index
    axes.hlines(rows, table["found_low"], table["found_high"], color=_LIGHT, linewidth=8,
                label="95 % interval of the forecast")  # fmt: skip
    axes.plot(table["found"], rows, "|", color=_DARK, markersize=14, label="forecast")
    if closed:
        axes.plot(table["lead_found"], rows, "x", color="black", markersize=8, label="found")
    axes.set_yticks(rows, table["name"].astype(str))
    axes.invert_yaxis()
    axes.set_xlabel("lead lines found [homes]")
    axes.legend(frameon=False)
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
    kept = pairs[pairs["verdict"].ne("not_usable")].dropna(subset=["first_high", "flushed_high"])
    above = int((kept["first_low"] > limit).sum() + (kept["flushed_low"] > limit).sum())
    figure, axes = _axes(
        f"{above:,} of {2 * len(kept):,} bottles are above {limit:g} ug/L", height=4.4
    )
    below = kept["first_low"].eq(0) | kept["flushed_low"].eq(0)
    seen = kept[~below]
    axes.scatter(seen["first_high"], seen["flushed_high"], s=12, color=_DARK, alpha=0.6,
                 label="both measured", linewidths=0)  # fmt: skip
    part = kept[below]
    axes.scatter(part["first_high"], part["flushed_high"], s=18, marker="v", facecolors="none",
                 edgecolors=_MIDDLE, label="one or both below the limit")  # fmt: skip
    axes.axvline(limit, color="0.35", linestyle="--", linewidth=1)
    axes.axhline(limit, color="0.35", linestyle="--", linewidth=1, label=f"{limit:g} ug/L")
    axes.set(xscale="log", yscale="log")
    axes.set(xlabel="first draw [ug/L]", ylabel="flushed [ug/L]")
    axes.legend(frameon=False, loc="upper left")
    return figure


def testing_gap_chart(areas: pd.DataFrame, *, most: int = 20) -> Figure:
    """Draw each area's share of expected lead beside its share of tested homes.

    What it shows: a line between the two shares for each area, widest gap first. How to read
    it: where the hollow ring (tested) is left of the dot (lead), people there are missed.

    Parameters
    ----------
    areas : DataFrame
        By the ``area_list`` contract.
    most : int
        Areas to draw.

    Returns
    -------
    Figure
    """
    table = areas[["name", "expected_lead_lines"]].copy()
    tested = areas["tested_share"] * areas["homes"]
    table["lead"] = areas["expected_lead_lines"] / max(areas["expected_lead_lines"].sum(), 1e-9)
    table["tested"] = tested / max(tested.sum(), 1e-9)
    table["gap"] = table["lead"] - table["tested"]
    table = table.sort_values("gap", ascending=False).head(most).reset_index(drop=True)
    first = table.iloc[0]
    figure, axes = _axes(
        f"{first['name']} holds {first['lead']:.0%} of the expected lead but {first['tested']:.0%} "
        "of the tested homes",
        height=1.4 + 0.26 * len(table),
    )
    axes.hlines(table.index, table["lead"], table["tested"], color="0.6", linewidth=1.2)
    axes.plot(table["lead"], table.index, "o", color=_DARK, label="share of expected lead")
    axes.plot(table["tested"], table.index, "o", markerfacecolor="white", markeredgecolor=_DARK,
              label="share of tested homes")  # fmt: skip
    axes.set_yticks(table.index, table["name"])
    axes.invert_yaxis()
    axes.xaxis.set_major_formatter(matplotlib.ticker.PercentFormatter(1.0))
    axes.set_xlabel("share of the city")
    axes.legend(frameon=False)
    return figure
