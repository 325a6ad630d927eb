"""A city too large for one page: an overview of its areas and a page of homes for each."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import geopandas as gpd
import pandas as pd

from linemap.outputs.map.page import locked_html
from linemap.outputs.map.public_map import figure_map
from linemap.outputs.map.staff import map_html
from linemap.outputs.wording import expected_in_words

OVERVIEW = "map.html"
NO_AREA = "(no area)"


def map_sheets(
    parcels: gpd.GeoDataFrame,
    scores: pd.DataFrame,
    areas: gpd.GeoDataFrame,
    *,
    area_list: pd.DataFrame,
    kits: pd.DataFrame | None = None,
    pairs: pd.DataFrame | None = None,
    lines: pd.DataFrame | None = None,
    learn: pd.Series | None = None,
    city: str = "our city",
    expected: pd.Series | None = None,
    smallest: int = 10,
) -> Iterator[tuple[str, str]]:
    """Give the pages of a very large city one by one; for staff.

    Parameters
    ----------
    parcels, scores, areas, kits, pairs, lines, learn, city, expected, smallest
        As in :func:`linemap.outputs.map.draw_map`.
    area_list : DataFrame
        By the ``area_list`` contract: the figures of the overview.

    Yields
    ------
    name : str
        File name; the first is the overview, whose areas link to the others. All belong in one
        folder. Homes in no area have a page of their own.
    html : str
        The page.
    """
    place = scores["area_id"].astype(object).where(scores["area_id"].notna(), NO_AREA).astype(str)
    known = areas["area_id"].astype(str)
    place = place.where(place.isin(known), NO_AREA)
    rows = place.groupby(place.to_numpy()).indices
    held = [area_id for area_id in (*known, NO_AREA) if area_id in rows]
    sheets = {area_id: f"map-{number:03d}.html" for number, area_id in enumerate(held, start=1)}
    figures = area_list if area_list.index.name == "area_id" else area_list.set_index("area_id")
    about = [] if expected is None else [expected_in_words(len(parcels), expected)]
    about.append("Staff overview: figures of areas. Open an area to see the page with its homes.")
    if NO_AREA in sheets:
        count = len(rows[NO_AREA])
        about.append(f"{count:,} homes lie in no area; their page is {sheets[NO_AREA]}.")
    overview = figure_map(
        figures.rename(index=str),
        areas,
        title=f"{city}: overview",
        about=about,
        sheets=sheets,
        rounding=smallest,
    )
    yield OVERVIEW, locked_html(overview)
    kits_of, pairs_of = _by_area(kits, place), _by_area(pairs, place)
    for area_id, name in sheets.items():
        here = place.index[rows[area_id]]
        inside = known == area_id
        yield (
            name,
            map_html(
                parcels.loc[here],
                scores.iloc[rows[area_id]],
                areas[inside],
                kits=kits_of(area_id),
                pairs=pairs_of(area_id),
                lines=None if lines is None else lines.reindex(here),
                area_list=figures[figures.index.astype(str) == area_id],
                learn=None if learn is None else learn.reindex(here),
                city=city,
                overview=OVERVIEW,
                smallest=smallest,
            ),
        )


def _by_area(table: pd.DataFrame | None, place: pd.Series) -> Callable[[str], pd.DataFrame | None]:
    """Return a function that gives the rows of a table whose homes lie in an area.

    The table is shared out once, so that time does not grow with areas times rows.
    """
    if table is None:
        return lambda _: None
    named = table["parcel_id"] if "parcel_id" in table.columns else table.index
    rows = table.groupby(place.reindex(pd.Index(named)).to_numpy()).indices
    return lambda area_id: table.iloc[rows.get(area_id, [])]
