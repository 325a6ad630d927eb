"""Where things are: one projected reference system in metres, and doubts about places."""

from __future__ import annotations

from functools import cache
from typing import Any

import geopandas as gpd
import numpy as np
import pyproj
import shapely

from linemap.errors import InputError, Problem
from linemap.intake.checker import row_problems
from linemap.intake.shapes import polygons_only
from linemap.intake.source import Source

pyproj.network.set_network_enabled(False)  # no grid is fetched, so every machine agrees

WGS84 = "EPSG:4326"
DECIMALS = 3
"""Coordinates [m] are rounded to a millimetre: the same place from two files is one place."""

FARTHEST_M = 100_000.0
"""A shape farther than this from the middle of its city is misplaced [m]; our choice."""


def read_crs(text: str | None, file: str = "settings") -> pyproj.CRS | None:
    """Return the reference system of the settings.

    Raises
    ------
    InputError
        If it is not known.
    """
    if text is None:
        return None
    try:
        return pyproj.CRS.from_user_input(text)
    except pyproj.exceptions.CRSError:
        raise InputError(
            [
                Problem(
                    file,
                    "",
                    "city.crs",
                    "",
                    text,
                    "this coordinate reference system is not known.",
                    "Give its EPSG code, e.g. EPSG:2263.",
                )
            ]
        ) from None


def name_crs(source: Source, crs: Any, known: pyproj.CRS | None, shapes: np.ndarray) -> pyproj.CRS:
    """Settle the reference system of a file and hold its coordinates against it.

    Parameters
    ----------
    source : Source
    crs : Any
        What the file states, or None.
    known : pyproj.CRS or None
        ``city.crs`` of the settings, for files that state none.
    shapes : ndarray of shapely geometries

    Returns
    -------
    pyproj.CRS

    Raises
    ------
    InputError
        If none is known, or the coordinates cannot be in it.
    """
    stated = crs if crs is not None else known
    if stated is None:
        raise source.refusal(
            "the file does not say in which coordinate reference system it is.",
            'Give it under [city], e.g. crs = "EPSG:2263".',
            column="geometry",
        )
    try:
        found = pyproj.CRS.from_user_input(stated)
    except pyproj.exceptions.CRSError:
        raise source.refusal(
            "the coordinate reference system of the file is not known.",
            "Export the layer in a system with an EPSG code.",
            column="geometry",
        ) from None
    x, y = middle(shapes)
    if np.isnan(x):
        return found
    degrees = abs(x) <= 180 and abs(y) <= 180
    if found.is_geographic and degrees and (abs(y) > 90 or y < -60):
        raise source.refusal(
            f"longitude and latitude are swapped: the middle of the file is at {x:.2f}, {y:.2f}.",
            "Write longitude as x and latitude as y.",
            column="geometry",
        )
    if found.is_geographic and not degrees:
        raise source.refusal(
            f"the coordinates are not degrees, although the system is {found.name}.",
            "State the right coordinate reference system in the file.",
            column="geometry",
        )
    if not found.is_geographic and degrees and abs(y) <= 90:
        raise source.refusal(
            f"the coordinates look like degrees, although the system is {found.name}.",
            "State the right coordinate reference system in the file.",
            column="geometry",
        )
    return found


def middle(shapes: np.ndarray) -> tuple[float, float]:
    """Return the median of the corners of the bounding boxes; NaN if there are none."""
    bounds = shapely.bounds(shapes)
    bounds = bounds[np.isfinite(bounds).all(axis=1)]
    if not len(bounds):
        return np.nan, np.nan
    return float(np.median(bounds[:, 0])), float(np.median(bounds[:, 1]))


def working_crs(parcels: gpd.GeoDataFrame) -> pyproj.CRS:
    """Return the UTM zone (WGS 84) of the middle of the city.

    The middle is the median of the parcels, so a few misplaced ones do not move it.
    """
    centre = shapely.Point(*middle(parcels.geometry.to_numpy()))
    (lonlat,) = gpd.GeoSeries([centre], crs=parcels.crs).to_crs(WGS84)
    return _utm_zone(lonlat.x, lonlat.y)


@cache
def _utm_zone(longitude: float, latitude: float) -> pyproj.CRS:
    """Look up the UTM zone of a place; the look-up is slow, so it is kept."""
    return gpd.GeoSeries.from_xy([longitude], [latitude], crs=WGS84).estimate_utm_crs()


def to_metres(
    frame: gpd.GeoDataFrame, crs: pyproj.CRS, table: str, file: str
) -> tuple[gpd.GeoDataFrame, list[Problem]]:
    """Bring shapes into the working system and set aside what lies far outside the city.

    Parameters
    ----------
    frame : GeoDataFrame
        Indexed by row number, in its own reference system.
    crs : pyproj.CRS
        Projected, in metres.
    table, file : str
        For the problems.

    Returns
    -------
    GeoDataFrame
        Coordinates rounded to a millimetre; rings start and turn in one way, whatever the
        format of the file does.
    list of Problem
    """
    if not len(frame):
        return frame.set_crs(crs, allow_override=True), []
    there = frame.geometry.notna().to_numpy()
    zero = np.zeros(len(frame), dtype=bool)
    zero[there] = (shapely.bounds(frame.geometry.to_numpy()[there]) == 0).all(axis=1)
    out = frame if frame.crs == crs else frame.to_crs(crs)
    shapes = out.geometry.to_numpy()
    bounds = shapely.bounds(shapes)
    lost = there & ~np.isfinite(bounds).all(axis=1)
    x, y = middle(shapes[there & ~lost & ~zero])
    away = np.hypot(bounds[:, 0] - x, bounds[:, 1] - y)
    far = there & ~lost & ~zero & (away > FARTHEST_M)
    problems: list[Problem] = []
    for mask, reason in (
        (zero, "the place is 0, 0: no place was found for it."),
        (lost & ~zero, "the place does not exist in its coordinate reference system."),
        (far, f"the place is more than {FARTHEST_M / 1000:.0f} km from the others."),
    ):
        rows = frame.index[mask]
        problems += row_problems(
            file, table, "geometry", rows, [""] * len(rows), reason, "Give the right place.", "row"
        )
    keep = ~(zero | lost | far)
    out = out.loc[keep].copy()
    rounded = shapely.transform(out.geometry.to_numpy(), lambda xy: np.round(xy, DECIMALS))
    crossed = ~shapely.is_valid(rounded) & ~shapely.is_missing(rounded)
    rounded[crossed] = polygons_only(shapely.make_valid(rounded[crossed]))
    gone = shapely.is_empty(rounded) & ~shapely.is_missing(rounded)
    rows = out.index[gone]
    problems += row_problems(
        file,
        table,
        "geometry",
        rows,
        [""] * len(rows),
        "the outline encloses no ground: it is thinner than a millimetre.",
        "Draw it again, or give a point.",
        "row",
    )
    out.geometry = gpd.GeoSeries(shapely.normalize(rounded), index=out.index, crs=crs)
    return out.loc[~gone], problems


def check_inside(
    raw: gpd.GeoDataFrame, parcels: gpd.GeoDataFrame, areas: gpd.GeoDataFrame, file: str
) -> list[Problem]:
    """Stop if most parcels lie outside the areas, and say so if their axes are swapped.

    Parameters
    ----------
    raw : GeoDataFrame
        Parcels in the reference system of their file.
    parcels, areas : GeoDataFrame
        In the working system.
    file : str
        File of the parcels.

    Returns
    -------
    list of Problem
        Empty or one.
    """
    box = shapely.box(*areas.total_bounds).buffer(1000)
    shapely.prepare(box)
    inside = shapely.intersects(box, parcels.geometry.to_numpy())
    if not len(parcels) or inside.mean() >= 0.5:
        return []
    turned = shapely.transform(raw.geometry.to_numpy()[:1000], lambda xy: xy[:, ::-1])
    there = gpd.GeoSeries(turned, crs=raw.crs).to_crs(parcels.crs).to_numpy()
    swapped = shapely.intersects(box, there).mean() >= 0.5
    reason = f"only {int(inside.sum()):,} of {len(parcels):,} parcels lie in or near the areas"
    return [
        Problem(
            file,
            "parcels",
            "geometry",
            "",
            "",
            f"{reason}; with the two axes swapped they would." if swapped else f"{reason}.",
            "Write x before y, longitude before latitude."
            if swapped
            else "Check the coordinate reference systems of both files.",
        )
    ]
