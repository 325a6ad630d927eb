"""The map for the public: areas and rounded figures, no home."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import folium
import geopandas as gpd
import pandas as pd

from linemap.outputs.map.areas import area_records
from linemap.outputs.map.page import PackedMap, json_bytes, locked_html, panel
from linemap.outputs.map.scale import group_colours
from linemap.outputs.public import public_areas
from linemap.outputs.wording import (
    CAUTIONS,
    PROBABILITY_CAUTION,
    left_out_in_words,
    rounding_in_words,
)

FIGURE_SCRIPTS = ["data.js", "state.js", "labels.js", "zones.js", "panel.js", "figures.js"]
"""Scripts of a page without homes; none of them knows what a home's record looks like."""

FIGURES = {
    "homes": "homes",
    "expected": "expected_lead_lines",
    "low": "low",
    "high": "high",
    "unknown": "unknown_lines",
    "tested": "tested_share",
}
"""Names on the page and in the area list."""


def draw_public_map(
    area_list: pd.DataFrame,
    areas: gpd.GeoDataFrame,
    *,
    outside: pd.Series | None = None,
    city: str = "our city",
    kit_contact: str = "Ask your water utility how to get a free sampling kit.",
    smallest: int = 10,
) -> folium.Map:
    """Draw the figures of areas that the public may see.

    Small counts are hidden and the others rounded here, by
    :func:`linemap.outputs.public.public_areas`; only names, outlines and those figures enter
    the page.

    Parameters
    ----------
    area_list : DataFrame
        By the ``area_list`` contract.
    areas : GeoDataFrame
        By the ``areas`` contract.
    outside : Series, optional
        ``homes, unknown_lines, expected_lead_lines`` of the homes in no area. Give it where
        there are such homes and the city's figures are public: the map then hides what could
        be worked out with them.
    city : str
        Name in the title.
    kit_contact : str
        Where to ask for a kit.
    smallest : int
        Smallest count that may be printed [homes].

    Returns
    -------
    folium.Map
    """
    figures = public_areas(area_list, outside=outside, smallest=smallest)
    more = [
        rounding_in_words(smallest),
        left_out_in_words(smallest),
    ]
    about = ["Public edition: areas, never single homes.", kit_contact]
    if not len(areas):
        about.insert(1, "No outlines of areas were given, so there is nothing to draw.")
    note = "The expected number is an estimate from records, age, place, answers and water results."
    return figure_map(
        figures,
        areas,
        title=_title(city),
        about=about,
        more=more,
        note=note,
        no_figure="no figure shown, to protect single homes; it may be high or low",
        rounding=smallest,
    )


def public_map_html(area_list: pd.DataFrame, areas: gpd.GeoDataFrame, **options: Any) -> str:
    """Return the public map as one page that asks no network for anything.

    Parameters
    ----------
    area_list, areas, **options
        As in :func:`draw_public_map`.

    Returns
    -------
    str
        HTML.
    """
    return locked_html(draw_public_map(area_list, areas, **options))


def figure_map(
    figures: pd.DataFrame,
    areas: gpd.GeoDataFrame,
    *,
    title: str,
    about: list[str],
    more: Sequence[str] = (),
    note: str = "",
    no_figure: str = "no homes",
    sheets: dict[str, str] | None = None,
    rounding: int = 10,
) -> PackedMap:
    """Draw area figures as they are given: nothing is hidden here.

    Parameters
    ----------
    figures : DataFrame
        Indexed by area_id, with the columns named in ``FIGURES``.
    areas : GeoDataFrame
        By the ``areas`` contract.
    title : str
    about : list of str
        Lines below the title.
    more : sequence of str
        Lines below the legend; on narrow screens folded away with it.
    note : str
        Line below the figures of an area.
    no_figure : str
        What the legend says of areas without a figure.
    sheets : dict of str to str, optional
        Page of each area, by area_id.
    rounding : int
        What the public edition rounds to [homes]; colours change between its figures.

    Returns
    -------
    PackedMap
    """
    named = figures[list(FIGURES.values())].rename(columns={v: k for k, v in FIGURES.items()})
    if sheets is not None:
        named["sheet"] = pd.Series(sheets).reindex(named.index)
    records = area_records(areas, named)
    blank = dict.fromkeys(named.columns)
    data = {"areas": json_bytes([blank | record for record in records])}
    side = panel(
        "figures.html",
        title=title,
        about=about,
        more=more,
        cautions=[PROBABILITY_CAUTION, *CAUTIONS],
    )
    page = {
        "groupColours": group_colours(),
        "note": note,
        "noFigure": no_figure,
        "rounding": rounding,
    }
    return PackedMap(
        title=title, panel=side, start="startFigures", scripts=FIGURE_SCRIPTS, page=page, data=data
    )


def _title(city: str) -> str:
    return f"{city}: lead service lines expected in each area"
