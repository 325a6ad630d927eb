"""Outlines and points: which can be used, which can be mended, which are set aside."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import shapely

from linemap.errors import Effect, Problem
from linemap.intake.checker import row_problems

POINT, POLYGON, MULTIPOINT, MULTIPOLYGON, COLLECTION = 0, 3, 4, 6, 7

SUITED = {
    "parcels": (POINT, POLYGON, MULTIPOLYGON),
    "areas": (POLYGON, MULTIPOLYGON),
    "sites": (POINT, POLYGON, MULTIPOLYGON),
}
"""Kinds of shape that each table may hold, by shapely's numbers."""

IN_WORDS = {
    "parcels": "a point or an outline",
    "areas": "an outline",
    "sites": "a point or outline",
}


def check_shapes(
    frame: gpd.GeoDataFrame, table: str, file: str
) -> tuple[gpd.GeoDataFrame, list[Problem]]:
    """Set aside rows whose shape cannot be used and mend outlines that cross themselves.

    Parameters
    ----------
    frame : GeoDataFrame
        Indexed by row number.
    table : {"parcels", "areas", "sites"}
    file : str
        File to name in the problems.

    Returns
    -------
    GeoDataFrame
        Flat (two dimensions), valid, of a kind that suits the table. Sites may be without a
        shape.
    list of Problem
    """
    shapes = frame.geometry.to_numpy().copy()
    if shapely.has_z(shapes).any():
        shapes = shapely.force_2d(shapes)
    bad = np.zeros(len(frame), dtype=bool)
    problems: list[Problem] = []

    def note(mask: np.ndarray, reason: str, remedy: str, effect: Effect) -> None:
        rows = frame.index[mask]
        words = [shapely.get_type_id(s) for s in shapes[mask]]
        values = [_kind(word) for word in words]
        problems.extend(row_problems(file, table, "geometry", rows, values, reason, remedy, effect))

    empty = shapely.is_missing(shapes) | shapely.is_empty(shapes)
    if table == "sites":
        shapes[empty] = None
    else:
        note(empty, "the shape is missing.", "Draw it, or give a point.", "row")
        bad |= empty
    broken = ~bad & ~empty & ~np.isfinite(shapely.bounds(shapes)).all(axis=1)
    broken |= ~bad & ~empty & ~_all_finite(shapes)
    note(broken, "a coordinate is not a number.", "Draw the shape again.", "row")
    bad |= broken

    good = ~bad & ~empty
    shapes[good] = _unwrapped(shapes[good])
    unsuited = good & ~np.isin(shapely.get_type_id(shapes), SUITED[table])
    note(unsuited, f"the shape is not {IN_WORDS[table]}.", "Draw it again.", "row")
    bad |= unsuited

    crossed = ~bad & ~empty & ~shapely.is_valid(shapes)
    mended = shapes.copy()
    mended[crossed] = polygons_only(shapely.make_valid(shapes[crossed]))
    lost = crossed & shapely.is_empty(mended)
    note(lost, "the outline encloses no ground.", "Draw it again.", "row")
    note(
        crossed & ~lost,
        "the outline crosses or touches itself; it was mended.",
        "Look whether the mended outline is right.",
        "note",
    )
    bad |= lost
    out = frame.loc[~bad].copy()
    out.geometry = gpd.GeoSeries(mended[~bad], index=out.index, crs=frame.crs)
    return out, problems


def _kind(number: int) -> str:
    """Return the name of a kind of shape."""
    names = [
        "Point",
        "LineString",
        "LinearRing",
        "Polygon",
        "MultiPoint",
        "MultiLineString",
        "MultiPolygon",
        "GeometryCollection",
    ]
    return names[number] if 0 <= number < len(names) else ""


def _all_finite(shapes: np.ndarray) -> np.ndarray:
    """Return which shapes have only finite coordinates."""
    coordinates, owner = shapely.get_coordinates(shapes, return_index=True)
    fine = np.ones(len(shapes), dtype=bool)
    fine[owner[~np.isfinite(coordinates).all(axis=1)]] = False
    return fine


def _unwrapped(shapes: np.ndarray) -> np.ndarray:
    """Return the only member of a shape of many, and the polygons of a mixed collection."""
    kinds = shapely.get_type_id(shapes)
    out = shapes.copy()
    many = (kinds == MULTIPOINT) | (kinds == MULTIPOLYGON)
    single = many & (shapely.get_num_geometries(shapes) == 1)
    out[single] = shapely.get_geometry(shapes[single], 0)
    mixed = kinds == COLLECTION
    polygons = polygons_only(shapes[mixed])
    out[mixed] = np.where(shapely.is_empty(polygons), shapes[mixed], polygons)
    return out


def polygons_only(shapes: np.ndarray) -> np.ndarray:
    """Return the polygons of each shape as one shape; empty where there are none."""
    parts, owner = shapely.get_parts(shapes, return_index=True)
    while np.isin(shapely.get_type_id(parts), (COLLECTION, MULTIPOLYGON)).any():
        parts, inner = shapely.get_parts(parts, return_index=True)
        owner = owner[inner]
    out = np.full(len(shapes), shapely.Polygon(), dtype=object)
    for position in np.unique(owner):
        mine = [p for p in parts[owner == position] if shapely.get_type_id(p) == POLYGON]
        if mine:
            out[position] = mine[0] if len(mine) == 1 else shapely.union_all(mine)
    return out
