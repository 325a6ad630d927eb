"""Charts of planning areas: expected lead lines, and where tests are missing."""

from __future__ import annotations

import matplotlib.ticker
import pandas as pd
from matplotlib.figure import Figure

from linemap.outputs.charts.canvas import DARK, LIGHT, blank_chart, legend_below, nothing_chart


def expected_chart(areas: pd.DataFrame, *, most: int = 15) -> Figure:
    """Draw the expected lead lines of each area with their interval.

    What it shows: a dot for each area at its expected number of lead lines, with the 90%
    interval as a bar, most first. How to read it: where bars overlap, the order of the two
    areas is not sure.

    Parameters
    ----------
    areas : DataFrame
        ``name``, ``homes``, ``expected_lead_lines``, ``low``, ``high`` [homes]; rows with
        missing figures are left out, but for ``homes``.
    most : int
        Areas to draw.

    Returns
    -------
    Figure
    """
    known = areas.dropna(subset=["expected_lead_lines", "low", "high"])
    if known.empty:
        return nothing_chart("No area has enough homes to show expected lead lines")
    table = known.sort_values(["expected_lead_lines", "name"], ascending=[False, True])
    table = table.head(most).reset_index(drop=True)
    first = table.iloc[0]
    title = f"{first['name']} has the most expected lead lines: {first['expected_lead_lines']:,.0f}"
    if pd.notna(first["homes"]):
        title += f" among {first['homes']:,.0f} homes"
    figure, axes = blank_chart(title, height=1.3 + 0.27 * len(table))
    axes.hlines(table.index, table["low"], table["high"], color=LIGHT, linewidth=7,
                label="90% interval")  # fmt: skip
    axes.plot(table["expected_lead_lines"], table.index, "o", color=DARK, label="expected")
    axes.set_yticks(table.index, table["name"], parse_math=False)
    axes.set_ylim(len(table) - 0.5, -0.5)
    axes.set_xlim(0, None)
    axes.xaxis.set_major_formatter(matplotlib.ticker.StrMethodFormatter("{x:,.0f}"))
    label = "expected lead lines [homes]"
    if len(known) > len(table):
        label += f"; the first {len(table)} of {len(known)} areas"
    axes.set_xlabel(label)
    legend_below(figure, columns=2)
    return figure


def testing_gap_chart(areas: pd.DataFrame, *, most: int = 15) -> Figure:  # noqa: PT028
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
    if table.empty or not tested.sum() > 0 or not table["expected_lead_lines"].sum() > 0:
        return nothing_chart("No home has been tested yet, so there is no gap to show")
    table["lead"] = areas["expected_lead_lines"] / areas["expected_lead_lines"].sum()
    table["tested"] = tested / tested.sum()
    table["gap"] = table["lead"] - table["tested"]
    table = table.sort_values("gap", ascending=False)
    n_areas = len(table)
    table = table.head(most).reset_index(drop=True)
    first = table.iloc[0]
    title = (
        f"{first['name']} holds {first['lead']:.0%} of the expected lead but {first['tested']:.0%} "
        "of the tested homes"
        if first["gap"] >= 0.005
        else "Tests are spread over the areas as the expected lead is"
    )
    figure, axes = blank_chart(title, height=1.3 + 0.27 * len(table))
    axes.hlines(table.index, table["lead"], table["tested"], color="0.6", linewidth=1.2)
    axes.plot(table["lead"], table.index, "o", color=DARK, label="share of expected lead")
    axes.plot(table["tested"], table.index, "o", markerfacecolor="white", markeredgecolor=DARK,
              label=f"share of the {tested.sum():,.0f} tested homes")  # fmt: skip
    axes.set_yticks(table.index, table["name"], parse_math=False)
    axes.set_ylim(len(table) - 0.5, -0.5)
    axes.set_xlim(0, None)
    axes.xaxis.set_major_formatter(matplotlib.ticker.PercentFormatter(1.0, decimals=0))
    label = "share of the city"
    if n_areas > len(table):
        label += f"; the {len(table)} widest gaps of {n_areas} areas"
    axes.set_xlabel(label)
    legend_below(figure, columns=2)
    return figure
