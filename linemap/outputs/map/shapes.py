"""Outlines of homes as few bytes: whole-number steps from corner to corner.

Web Mercator coordinates are rounded to a quarter of a metre, written as the step from the
previous corner (home after home along a space-filling curve, so that steps stay small) and
stored in as few bytes as each step needs. Nothing is simplified and nothing is left out.
"""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import shapely

WEB_MERCATOR = 3857
UNIT_M = 0.25
"""Rounding of the coordinates [Mercator m]; under two screen pixels at the closest zoom."""


@dataclass(frozen=True)
class PackedShapes:
    """Outlines of n homes.

    Attributes
    ----------
    origin : tuple of float
        Web Mercator x and y of the north-west corner [m]; packed y grows southward.
    unit : float
        Length of one step [Mercator m].
    rings : bytes
        Rings of each home, as varints; 0 for a home without a place, 1 vertex for a point.
    vertices : bytes
        Vertices of each ring without the closing one, as varints.
    steps : bytes
        x and y step of each vertex from the one before, zigzag varints.
    """

    origin: tuple[float, float]
    unit: float
    rings: bytes
    vertices: bytes
    steps: bytes


def curve_order(shapes: gpd.GeoSeries) -> npt.NDArray[np.intp]:
    """Return the order of homes along a Hilbert curve; homes without a place come last.

    Parameters
    ----------
    shapes : GeoSeries
        n shapes, any projection.

    Returns
    -------
    ndarray of int, shape (n,)
        Positions, so that ``shapes.iloc[order]`` walks the curve.
    """
    lost = (shapes.is_empty | shapes.isna()).to_numpy()
    if lost.all():
        return np.arange(len(shapes))
    key = np.full(len(shapes), np.iinfo(np.int64).max)
    key[~lost] = shapes[~lost].hilbert_distance().to_numpy().astype(np.int64)
    return np.argsort(key, kind="stable")


def pack_shapes(shapes: gpd.GeoSeries) -> PackedShapes:
    """Pack outlines, in the order given.

    Polygons and multipolygons keep every ring; any other shape becomes one point on it.

    Parameters
    ----------
    shapes : GeoSeries
        In a known coordinate reference system.

    Returns
    -------
    PackedShapes

    Examples
    --------
    >>> lot = gpd.GeoSeries([shapely.box(0, 0, 10, 20)], crs=3857)
    >>> packed = pack_shapes(lot)
    >>> list(packed.rings), list(packed.vertices), len(packed.steps)
    ([1], [4], 11)
    """
    geometry = shapes.to_crs(WEB_MERCATOR).to_numpy()
    kind = shapely.get_type_id(geometry)
    polygon = np.isin(kind, (3, 6))
    point = ~polygon & ~shapely.is_empty(geometry) & (kind >= 0)

    parts, part_home = shapely.get_parts(geometry[polygon], return_index=True)
    rings, ring_part = shapely.get_rings(parts, return_index=True)
    corners, corner_ring = shapely.get_coordinates(rings, return_index=True)
    closing = np.append(corner_ring[1:] != corner_ring[:-1], True)[: len(corner_ring)]
    corners, corner_ring = corners[~closing], corner_ring[~closing]
    points = shapely.get_coordinates(shapely.point_on_surface(geometry[point]))

    ring_home = np.concatenate(
        [np.flatnonzero(polygon)[part_home[ring_part]], np.flatnonzero(point)]
    )
    ring_size = np.concatenate(
        [np.bincount(corner_ring, minlength=len(rings)), np.ones(len(points), dtype=int)]
    ).astype(np.int64)
    corner_home = np.repeat(ring_home, ring_size)
    xy = np.concatenate([corners, points])[np.argsort(corner_home, kind="stable")]
    ring_size = ring_size[np.argsort(ring_home, kind="stable")]

    west, north = (xy[:, 0].min(), xy[:, 1].max()) if len(xy) else (0.0, 0.0)
    whole = np.rint(np.column_stack([xy[:, 0] - west, north - xy[:, 1]]) / UNIT_M).astype(np.int64)
    steps = np.diff(whole, axis=0, prepend=np.zeros((1, 2), dtype=np.int64))
    return PackedShapes(
        origin=(float(west), float(north)),
        unit=UNIT_M,
        rings=varints(np.bincount(ring_home, minlength=len(geometry))),
        vertices=varints(ring_size),
        steps=varints(zigzag(steps.ravel())),
    )


def zigzag(values: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
    """Map signed whole numbers to unsigned ones, small to small.

    >>> zigzag(np.array([0, -1, 1, -2])).tolist()
    [0, 1, 2, 3]
    """
    return (values << 1) ^ (values >> 63)


def varints(values: npt.ArrayLike) -> bytes:
    """Write unsigned whole numbers below 2**35 with seven bits to a byte, low bits first.

    References
    ----------
    The same code as ULEB128 of the DWARF debugging format, version 5, section 7.6.

    >>> list(varints([1, 127, 128, 624485]))
    [1, 127, 128, 1, 229, 142, 38]
    """
    number = np.asarray(values, dtype=np.int64)
    width = np.ones(len(number), dtype=np.int64)
    for bits in (7, 14, 21, 28):
        width += number >= (1 << bits)
    start = np.cumsum(width) - width
    out = np.empty(int(width.sum()), dtype=np.uint8)
    for place in range(5):
        has = width > place
        byte = (number[has] >> (7 * place)) & 127
        out[start[has] + place] = byte | np.where(width[has] > place + 1, 128, 0)
    return out.tobytes()
