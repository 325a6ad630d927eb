"""Chart of a round: what was claimed and what came back."""

from __future__ import annotations

import pandas as pd
from matplotlib.figure import Figure

from linemap.outputs.charts.canvas import DARK, LIGHT, blank_chart, legend_below, nothing_chart
from linemap.printing import rounded


def claimed_chart(parts: pd.DataFrame) -> Figure:
    """Draw what a round claimed and what came back.

    What it shows: for the whole list and each part the forecast number of lead lines found with
    its 95% interval, and what was found. How to read it: a cross inside its bar keeps the
    promise.

    Parameters
    ----------
    parts : DataFrame
        ``name``, ``found``, ``found_low``, ``found_high`` and, when closed, ``lead_found``
        [homes] and ``found_as_claimed`` (None where it cannot be judged yet); ``kits`` where
        known.

    Returns
    -------
    Figure
    """
    table = parts.reset_index(drop=True)
    if table.empty:
        return nothing_chart("No round has been opened yet")
    closed = "lead_found" in table and table["lead_found"].notna().all()
    if closed:
        judged = table["found_as_claimed"].dropna()
        unsure = len(table) - len(judged)
        so_far = " so far" if pd.isna(table["found_as_claimed"].iloc[0]) else ""
        said = [
            f"{table['lead_found'].iloc[0]:,.0f} lead lines found{so_far}, "
            f"{rounded(table['found'].iloc[0])} claimed"
        ]
        if len(judged):
            said.append(f"{int(judged.sum())} of {len(judged)} forecasts hold")
        if unsure:
            said.append(f"{unsure} cannot be judged yet")
        title = "; ".join(said)
    else:
        title = f"{rounded(table['found'].iloc[0])} lead lines claimed, before any result"
    figure, axes = blank_chart(title, height=1.5 + 0.32 * len(table))
    rows = table.index
    axes.hlines(rows, table["found_low"], table["found_high"], color=LIGHT, linewidth=8,
                label="95% interval of the forecast")  # fmt: skip
    axes.plot(table["found"], rows, "|", color=DARK, markersize=14, label="forecast")
    if closed:
        axes.plot(table["lead_found"], rows, "x", color="black", markersize=8, label="found",
                  clip_on=False)  # fmt: skip
    names = table["name"].astype(str)
    if "kits" in table:
        names = names + " (" + table["kits"].map("{:,.0f}".format) + " kits)"
    axes.set_yticks(rows, names, parse_math=False)
    axes.set_ylim(len(table) - 0.5, -0.5)
    axes.set_xlim(0, None)
    axes.set_xlabel("lead lines found [homes]")
    legend_below(figure, columns=3)
    return figure
