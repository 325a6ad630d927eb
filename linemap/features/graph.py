"""The graph of places: street segments where they are known, else cells of about 100 m."""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from scipy import sparse
from scipy.spatial import Delaunay, QhullError, cKDTree

from linemap.errors import ArgumentError

MOSTLY_FILLED = 0.8
"""Share of parcels with a street segment from which segments are used as places."""

LONGEST_EDGE = 4.0
"""Edges longer than this many times the median edge do not join neighbours."""


@dataclass(frozen=True)
class PlaceGraph:
    """Which place each parcel belongs to, and which places are neighbours.

    Attributes
    ----------
    unit : ndarray of int, shape (n_parcels,)
        Place of each parcel, in parcels order.
    unit_x, unit_y : ndarray, shape (n_units,)
        Mean position of the parcels of a place [m].
    adjacency : csr_matrix, shape (n_units, n_units)
        Symmetric; the length of the link between neighbouring places [m].
    kind : str
        ``street segments`` or ``cells``.
    """

    unit: np.ndarray
    unit_x: np.ndarray
    unit_y: np.ndarray
    adjacency: sparse.csr_matrix
    kind: str

    @property
    def n_units(self) -> int:
        """Number of places."""
        return len(self.unit_x)

    def part(self, rows: np.ndarray) -> PlaceGraph:
        """Return the graph of some parcels, on their own places.

        Parameters
        ----------
        rows : ndarray of int, shape (n,)
            Positions of the parcels, in the order wanted.
        """
        places, unit = np.unique(self.unit[rows], return_inverse=True)
        links = self.adjacency[places][:, places]
        return PlaceGraph(unit, self.unit_x[places], self.unit_y[places], links, self.kind)


def build_graph(parcels: gpd.GeoDataFrame, *, cell_m: float = 100.0) -> PlaceGraph:
    """Group parcels into places and link the places that are neighbours.

    Parameters
    ----------
    parcels : GeoDataFrame
        Projected CRS in metres. No street layer is needed.
    cell_m : float
        Side of a cell [m], where ``street_segment`` is missing for more than a fifth of parcels.

    Returns
    -------
    PlaceGraph

    Raises
    ------
    ArgumentError
        If a parcel has no usable geometry or ``cell_m`` is not positive.

    Notes
    -----
    Neighbours are the edges of the Delaunay triangulation of the places' mean positions, without
    those longer than four median edges (rivers, railways, edges of town) unless a place would
    stand alone. The graph stays planar, so sparse factorizations of it stay cheap; time grows as
    n log n.
    """
    if not cell_m > 0:
        raise ArgumentError(f"cell_m must be a positive number of metres, not {cell_m}.")
    points = shapely.centroid(parcels.geometry.to_numpy())
    x, y = shapely.get_x(points), shapely.get_y(points)
    if not np.isfinite(x).all() or not np.isfinite(y).all():
        bad = parcels.index[~(np.isfinite(x) & np.isfinite(y))]
        raise ArgumentError(f"{len(bad)} parcel(s) have no place, the first is {bad[0]}.")
    unit, kind = place_units(parcels, x, y, cell_m)
    size = np.bincount(unit)
    unit_x = np.bincount(unit, weights=x) / size
    unit_y = np.bincount(unit, weights=y) / size
    return PlaceGraph(unit, unit_x, unit_y, _neighbours(unit_x, unit_y), kind)


def place_units(
    parcels: pd.DataFrame, x: np.ndarray, y: np.ndarray, cell_m: float = 100.0
) -> tuple[np.ndarray, str]:
    """Return the place of each parcel as an integer, and which kind of place it is.

    Parcels without a segment, where most have one, join the segment of the nearest that has.
    """
    if "street_segment" in parcels.columns:
        named = parcels["street_segment"].notna().to_numpy()
        if len(named) and named.mean() >= MOSTLY_FILLED:
            code = pd.factorize(parcels["street_segment"])[0]
            if not named.all():
                place = np.column_stack([x, y])
                nearest = cKDTree(place[named]).query(place[~named])[1]
                code[~named] = code[named][nearest]
            return code, "street segments"
    column = np.floor((x - x.min(initial=np.inf)) / cell_m).astype(np.int64)
    row = np.floor((y - y.min(initial=np.inf)) / cell_m).astype(np.int64)
    width = int(column.max(initial=0)) + 1
    return pd.factorize(row * width + column)[0], "cells"


def _neighbours(x: np.ndarray, y: np.ndarray) -> sparse.csr_matrix:
    """Return the lengths [m] of the links between neighbouring places."""
    n = len(x)
    place = np.column_stack([x, y])
    if n < 2:
        return sparse.csr_matrix((n, n))
    try:
        corners = Delaunay(place - place.mean(axis=0)).simplices
        a, b = corners[:, [0, 1, 2]].ravel(), corners[:, [1, 2, 0]].ravel()
    except (QhullError, ValueError):
        a, b = np.empty(0, int), np.empty(0, int)
    length = np.hypot(x[a] - x[b], y[a] - y[b])
    if len(length):
        near = length <= LONGEST_EDGE * np.median(length)
        a, b, length = a[near], b[near], length[near]
    alone = np.setdiff1d(np.arange(n), np.concatenate([a, b]))
    if len(alone):
        distance, other = cKDTree(place).query(place[alone], k=2)
        self_first = other[:, 0] == alone
        friend = np.where(self_first, other[:, 1], other[:, 0])
        a, b = np.concatenate([a, alone]), np.concatenate([b, friend])
        length = np.concatenate([length, np.where(self_first, distance[:, 1], distance[:, 0])])
    low, high = np.minimum(a, b), np.maximum(a, b)
    _, first = np.unique(low.astype(np.int64) * n + high, return_index=True)
    low, high, length = low[first], high[first], np.maximum(length[first], 1.0)
    half = sparse.coo_matrix((length, (low, high)), shape=(n, n))
    return (half + half.T).tocsr()
