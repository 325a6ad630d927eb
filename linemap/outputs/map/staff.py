"""The staff map: every home of the city in one page."""

from __future__ import annotations

from typing import Any

import folium
import geopandas as gpd
import numpy as np
import pandas as pd

from linemap.errors import ArgumentError
from linemap.outputs.map.areas import area_records
from linemap.outputs.map.cards import card_blocks
from linemap.outputs.map.page import PackedMap, json_bytes, locked_html, panel
from linemap.outputs.map.public_map import FIGURES
from linemap.outputs.map.scale import HOME_BANDS, group_colours, home_colours
from linemap.outputs.map.shapes import curve_order, pack_shapes
from linemap.outputs.wording import (
    CAUTIONS,
    PROBABILITY_CAUTION,
    expected_in_words,
    high_result_in_words,
)
from linemap.tables import INVENTORY_CLASSES

SCRIPTS = [
    "data.js",
    "state.js",
    "labels.js",
    "zones.js",
    "panel.js",
    "homes.js",
    "paint.js",
    "legend.js",
    "find.js",
    "filters.js",
    "groups.js",
    "card.js",
    "staff.js",
]
NO_AREA = 65535
BEYOND, LISTED, TESTED = 4, 8, 16
"""Bits of a home's flags above the two that hold its class."""


def draw_map(
    parcels: gpd.GeoDataFrame,
    scores: pd.DataFrame,
    areas: gpd.GeoDataFrame,
    *,
    kits: pd.DataFrame | None = None,
    pairs: pd.DataFrame | None = None,
    lines: pd.DataFrame | None = None,
    area_list: pd.DataFrame | None = None,
    learn: pd.Series | None = None,
    city: str = "our city",
    expected: pd.Series | None = None,
    overview: str = "",
    smallest: int = 10,
) -> folium.Map:
    """Draw all homes of a city, their probabilities and what lies behind them; for staff.

    The map shows inline in a notebook. :func:`map_html` gives the same as a page.

    Parameters
    ----------
    parcels : GeoDataFrame
        n parcels indexed by parcel_id, projected CRS in metres; where some have an ``address``,
        homes can be found by it.
    scores : DataFrame
        By the ``scores`` contract, indexed by parcel_id; the same n parcels.
    areas : GeoDataFrame
        By the ``areas`` contract; may be empty.
    kits : DataFrame, optional
        By the ``kit_list`` contract: where the next kits go.
    pairs : DataFrame, optional
        By the ``pairs`` contract: kits that came back.
    lines : DataFrame, optional
        ``utility_material``, ``customer_material`` and, if known, ``connector_material`` and
        ``why`` (ground of the class, in words), indexed by parcel_id.
    area_list : DataFrame, optional
        By the ``area_list`` contract: figures, intervals, ranks and reasons of the areas.
    learn : Series, optional
        What a kit would teach: mean absolute change of ``p_lead`` [share], by parcel_id.
    city : str
        Name in the title.
    expected : Series, optional
        Lead lines expected in the city, ``expected, low, high`` [homes]; said below the title.
    overview : str
        File of an overview page to link back to.
    smallest : int
        What the public edition rounds to [homes]; areas have one colour in both editions.

    Returns
    -------
    folium.Map

    Raises
    ------
    ArgumentError
        If parcels and scores differ in their homes, or weights do not add up.
    """
    _same_homes(parcels, scores)
    order = curve_order(parcels.geometry)
    shapes = pack_shapes(parcels.geometry.iloc[order])
    homes = scores.reindex(parcels.index[order])
    data = {
        "rings": shapes.rings,
        "vertices": shapes.vertices,
        "steps": shapes.steps,
        "chances": _chances(homes["p_lead"]).tobytes(),
        "flags": _flags(homes, kits, pairs).tobytes(),
        "home-areas": _area_places(homes, areas).tobytes(),
        "areas": json_bytes(area_records(areas, _area_figures(area_list))),
        "ids": "\n".join(str(i) for i in homes.index).encode(),
    }
    addresses = _addresses(parcels)
    if (addresses != "").any():
        data["addresses"] = "\n".join(addresses.iloc[order]).encode()
    blocks = card_blocks(homes, kits=kits, pairs=pairs, lines=lines, learn=learn)
    for number, block in enumerate(blocks):
        data[f"cards-{number}"] = block
    page = {
        "homes": len(homes),
        "packing": {"origin": shapes.origin, "unit": shapes.unit},
        "colours": home_colours(),
        "groupColours": group_colours(),
        "rounding": smallest,
        "bands": HOME_BANDS,
        "cautions": [PROBABILITY_CAUTION, *CAUTIONS],
        "highResult": high_result_in_words(),
        "addressed": "addresses" in data,
        "sheet": bool(overview),
    }
    title = f"{city}: lead service lines, home by home"
    side = panel(
        "staff.html",
        title=title,
        finding="" if expected is None else expected_in_words(len(parcels), expected),
        addressed=page["addressed"],
        overview=overview,
        cautions=page["cautions"],
    )
    return PackedMap(
        title=title, panel=side, start="startStaff", scripts=SCRIPTS, page=page, data=data
    )


def map_html(
    parcels: gpd.GeoDataFrame, scores: pd.DataFrame, areas: gpd.GeoDataFrame, **options: Any
) -> str:
    """Return the staff map as one page that opens from disk and asks no network for anything.

    Parameters
    ----------
    parcels, scores, areas, **options
        As in :func:`draw_map`.

    Returns
    -------
    str
        HTML.
    """
    return locked_html(draw_map(parcels, scores, areas, **options))


def _same_homes(parcels: gpd.GeoDataFrame, scores: pd.DataFrame) -> None:
    if len(parcels) != len(scores) or not parcels.index.isin(scores.index).all():
        raise ArgumentError(
            f"the map needs the same homes in parcels ({len(parcels)}) and scores "
            f"({len(scores)}), both indexed by parcel_id."
        )
    if parcels.crs is None:
        raise ArgumentError("the map needs parcels with a coordinate reference system.")
    if scores["p_lead"].isna().any():
        raise ArgumentError(f"{int(scores['p_lead'].isna().sum())} home(s) have no p_lead.")


def _chances(p_lead: pd.Series) -> np.ndarray:
    """Return probabilities in whole ten-thousandths, rounded down so that limits hold."""
    return np.floor(p_lead.to_numpy(dtype=float) * 10000 + 1e-9).astype("<u2")


def _flags(
    homes: pd.DataFrame, kits: pd.DataFrame | None, pairs: pd.DataFrame | None
) -> np.ndarray:
    """Return a byte for each home: its class and three yes-or-no marks."""
    classes = pd.Categorical(homes["inventory_class"].astype(object), categories=INVENTORY_CLASSES)
    if (classes.codes < 0).any():
        raise ArgumentError("every home needs an inventory_class; classify the lines first.")
    flags = classes.codes.astype(np.uint8)
    flags |= np.where(homes["beyond_data"].to_numpy(dtype=bool), BEYOND, 0).astype(np.uint8)
    if kits is not None:
        listed = kits["parcel_id"] if "parcel_id" in kits.columns else kits.index
        flags |= np.where(homes.index.isin(listed), LISTED, 0).astype(np.uint8)
    if pairs is not None:
        usable = pairs.loc[pairs["verdict"] != "not_usable", "parcel_id"]
        flags |= np.where(homes.index.isin(usable), TESTED, 0).astype(np.uint8)
    return flags


def _addresses(parcels: gpd.GeoDataFrame) -> pd.Series:
    """Return the address of each parcel on one line, empty where there is none."""
    if "address" not in parcels.columns:
        return pd.Series("", index=parcels.index)
    return parcels["address"].astype(object).fillna("").astype(str).str.split().str.join(" ")


def _area_places(homes: pd.DataFrame, areas: gpd.GeoDataFrame) -> np.ndarray:
    """Return the place of each home's area in the table of areas."""
    places = pd.Index(areas["area_id"]).get_indexer(homes["area_id"]) if len(areas) else -1
    return np.where(places == -1, NO_AREA, places).astype("<u2") * np.ones(len(homes), dtype="<u2")


def _area_figures(area_list: pd.DataFrame | None) -> pd.DataFrame | None:
    if area_list is None:
        return None
    table = area_list if area_list.index.name == "area_id" else area_list.set_index("area_id")
    whole = table[list(FIGURES.values())].rename(columns={v: k for k, v in FIGURES.items()})
    out = table[["low", "high", "rank", "kits_suggested", "why"]].copy()
    figures = whole[["homes", "expected", "unknown", "tested"]].to_dict("records")
    out["whole"] = pd.Series(figures, index=table.index, dtype=object)
    return out
