"""The charts of a run as they stand in the pages: finding, picture, how to read it."""

from __future__ import annotations

from typing import Any

import pandas as pd
from markupsafe import Markup
from matplotlib.figure import Figure

from linemap.outputs import charts
from linemap.outputs.findings import Findings
from linemap.outputs.wording import ARM_WORDS

HOW_TO_READ = {
    "expected": "The dot is the expected number of lead lines, the bar its 90% interval. Where "
    "bars overlap, the order of two areas is not sure.",
    "gap": "Each area has a dot for its share of the city's expected lead lines and a ring for "
    "its share of the tested homes. A ring left of its dot: people with lead lines are missed.",
    "reliability": "Each dot is a group of the homes judged on, with similar probability. On the "
    "diagonal the promise is kept; above it the scores are too low, below it too high. One dot "
    "in twenty misses by chance. The homes were held out by place. This tests the probabilities, "
    "group by group, each within its own interval; a list meant to hold 90% lead is another test, "
    "and can miss its promise where every group keeps its own.",
    "gain": "Go down the list of the homes judged on from the left: the higher a line, the fewer "
    "visits for the same finds. The homes were held out by place.",
    "learning": "A line that still climbs at the right says that more checks would help.",
    "age": "The line is the mean estimate by year built, the band is the 90% interval of "
    "that mean. It need not fall with age.",
    "pairs": "Each point is a kit. Far right and low points to the tap and the house plumbing, "
    "high up to the line. A point in the lower left corner rules nothing out.",
    "claimed": "The bar is the 95% interval of the forecast that was frozen before any result, "
    "the stroke its middle, the cross what was found.",
}


def picture(figure: Figure, kind: str) -> dict[str, Markup | str]:
    """Return a chart as finding, SVG without the title, and a line on how to read it.

    Parameters
    ----------
    figure : Figure
    kind : str
        Key of :data:`HOW_TO_READ`.

    Returns
    -------
    dict
        ``title``, ``svg``, ``how``.
    """
    title = charts.chart_title(figure)
    svg = Markup(charts.figure_svg(figure, name=title, with_title=False))
    return {"svg": svg, "title": title, "how": HOW_TO_READ[kind]}


def pictures(findings: Findings, *, action_level: float) -> dict[str, dict[str, Any]]:
    """Return the charts for which this run has data, by name.

    Parameters
    ----------
    findings : Findings
    action_level : float
        Level to draw beside the bottles [ug/L].

    Returns
    -------
    dict of str to dict
    """
    tables, out = findings.evaluation_tables, {}
    bins, gain = tables.get("calibration"), tables.get("gain")
    if bins is not None and len(bins):
        ours = bins[(bins["method"] == "linemap") & (bins["protocol"] == "blocks")]
        if len(ours):
            out["reliability"] = picture(charts.reliability_chart(ours), "reliability")
    if gain is not None and len(gain) and (gain["protocol"] == "blocks").any():
        by_place = gain[gain["protocol"] == "blocks"]
        out["gain"] = picture(charts.gain_chart(by_place), "gain")
    learning = tables.get("learning")
    if learning is not None and len(learning) and "rows" in learning:
        judged = learning.loc[learning["value"].notna(), "rows"].max()
        if judged >= charts.FEWEST_JUDGED:
            out["learning"] = picture(charts.learning_chart(learning), "learning")
    if findings.ages["homes"].sum() >= 100:
        out["age"] = picture(charts.age_chart(findings.ages), "age")
    usable = findings.pairs[findings.pairs["verdict"].ne("not_usable")]
    if len(usable.dropna(subset=["first_high", "flushed_high"])):
        out["pairs"] = picture(charts.pair_chart(findings.pairs, limit=action_level), "pairs")
    if len(findings.area_list) > 1:
        out["expected"] = picture(charts.expected_chart(findings.area_list), "expected")
        if (findings.area_list["tested_share"] > 0).any():
            out["gap"] = picture(charts.testing_gap_chart(findings.area_list), "gap")
    return out


def claimed_picture(report: dict[str, Any], names: dict[str, str]) -> dict[str, Any]:
    """Return the chart of one round: the whole list, each arm, each area.

    Parameters
    ----------
    report : dict
        Report of a round.
    names : dict of str to str
        Names of the areas by area_id.

    Returns
    -------
    dict
    """
    parts = pd.DataFrame(report["parts"])
    said = {"all": {"all": "whole list"}, "arm": ARM_WORDS, "area": names}
    parts["name"] = [
        said[part].get(str(name), name)
        for part, name in zip(parts["part"], parts["name"], strict=True)
    ]
    return picture(charts.claimed_chart(parts.head(20)), "claimed")
