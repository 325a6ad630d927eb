"""Planning areas as the pages draw them: outline, name and figures."""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

SIMPLIFY_M = 2.0
"""Area outlines are drawn to within this distance [m]."""

SLIVER_M2 = 100.0
"""Holes below this size [m2] are gaps left between parcels, and are not drawn; our choice."""


def area_records(
    areas: gpd.GeoDataFrame, figures: pd.DataFrame | None = None
) -> list[dict[str, Any]]:
    """Return one dictionary for each area, in the order of the table.

    Parameters
    ----------
    areas : GeoDataFrame
        By the ``areas`` contract, projected CRS in metres.
    figures : DataFrame, optional
        Columns to add, indexed by area_id; missing numbers become None.

    Returns
    -------
    list of dict
        ``id``, ``name``, ``rings`` (polygons of rings of [latitude, longitude]), ``label`` (a
        point inside) and the figures.
    """
    if not len(areas):
        return []
    outlines = [_without_slivers(shape) for shape in areas.geometry.simplify(SIMPLIFY_M)]
    flat = gpd.GeoSeries(outlines, index=areas.index, crs=areas.crs)
    label = gpd.GeoSeries(flat.representative_point(), crs=areas.crs).to_crs(4326)
    around = flat.to_crs(4326)
    known = {} if figures is None else figures.rename(index=str).to_dict("index")
    records = []
    for place, area_id in enumerate(areas["area_id"]):
        record: dict[str, Any] = {
            "id": str(area_id),
            "name": str(areas["name"].iloc[place]),
            "rings": _rings(around.iloc[place]),
            "label": _lat_lng([[label.iloc[place].x, label.iloc[place].y]])[0],
        }
        record |= {str(name): _plain(value) for name, value in known.get(str(area_id), {}).items()}
        records.append(record)
    return records


def _without_slivers(shape: Any) -> Any:
    """Return a shape without its smallest holes, which would look like a dotted line."""
    parts = [
        shapely.Polygon(part.exterior, [h for h in part.interiors if _size(h) >= SLIVER_M2])
        for part in shapely.get_parts(shape)
        if part.geom_type == "Polygon" and not part.is_empty
    ]
    return shapely.MultiPolygon(parts) if parts else shape


def _size(ring: Any) -> float:
    return float(shapely.Polygon(ring).area)


def _rings(shape: Any) -> list[list[list[list[float]]]]:
    return [
        [_lat_lng(shapely.get_coordinates(ring)[:-1]) for ring in shapely.get_rings(polygon)]
        for polygon in shapely.get_parts(shape)
        if polygon.geom_type == "Polygon"
    ]


def _lat_lng(xy: Any) -> list[list[float]]:
    return np.round(np.asarray(xy, dtype=float)[:, ::-1], 5).tolist()


def _plain(value: Any) -> Any:
    """Return a table cell as JSON can hold it."""
    if isinstance(value, dict):
        return {name: _plain(item) for name, item in value.items()}
    if pd.isna(value):
        return None
    return value.item() if isinstance(value, np.generic) else value
