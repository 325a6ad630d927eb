"""Years of the neighbours: for a whole city, or tile by tile with the same result.

A tile's own homes are its core; around them lies a halo of other homes, since the nearest
neighbours of a home at the edge stand beyond it. How far a halo must reach is not guessed: a tile
says how far the farthest neighbour that it used was, and a halo that does not reach as far is
widened to there. No home outside can then be nearer, so tiles give what the whole city gives, bit
for bit.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.spatial import cKDTree

NEIGHBOURS = 12
"""Homes with a known year whose median is ``neighbour_year``."""

TIE_M = 2.5e-4
"""Largest move of a home that parts neighbours at equal distance [m]: less than a millimetre."""

TILE_HOMES = 50_000
"""Homes of a tile, about; our choice."""

SLACK_M = 1e-3
"""By which a halo is wider than it need be [m], for rounding."""


@dataclass(frozen=True)
class Tile:
    """Homes of a tile and its halo.

    Attributes
    ----------
    place : ndarray, shape (n, 2)
        Position of each home [m], core first.
    year : ndarray, shape (n,)
        Building year; NaN where not known.
    core : int
        Number of homes of the core.
    most : int
        Neighbours that there are to find in the whole city, the home itself included.
    """

    place: np.ndarray
    year: np.ndarray
    core: int
    most: int


@dataclass(frozen=True)
class TileYears:
    """Years of the core of a tile.

    Attributes
    ----------
    neighbour : ndarray, shape (n_core,)
        Median year of the nearest other homes with a known year.
    reach : float
        Distance of the farthest neighbour used [m]; infinite where too few were found.
    """

    neighbour: np.ndarray
    reach: float


Spread = Callable[[Callable[[Tile], TileYears], Sequence[Tile]], Sequence[TileYears]]
"""Does the same for every tile, here or elsewhere, and returns the answers in order."""


def spread_places(ids: pd.Index, x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Return positions moved by a fraction of a millimetre, by a hash of the parcel_id.

    Of several homes at equal distance the same are the nearest then, in whatever order the homes
    come and however they are cut into tiles.

    Returns
    -------
    ndarray, shape (n, 2)
    """
    code = pd.util.hash_array(ids.astype(object).to_numpy(), categorize=False)
    move = np.stack([code >> np.uint64(32), code & np.uint64(0xFFFFFFFF)], axis=1) / 2.0**32
    return np.column_stack([x, y]) + TIE_M * (2.0 * move - 1.0)


def tile_years(tile: Tile) -> TileYears:
    """Work out the years of a tile's core."""
    n = tile.core
    known = np.flatnonzero(~np.isnan(tile.year) & np.isfinite(tile.place).all(axis=1))
    if tile.most < 2:
        return TileYears(np.full(n, np.nan), 0.0)
    if len(known) < tile.most:
        return TileYears(np.full(n, np.nan), np.inf)
    tree = cKDTree(tile.place[known])
    distance, at = tree.query(np.nan_to_num(tile.place[:n]), k=tile.most)
    near = known[at]
    years = tile.year[near]
    years[near == np.arange(n)[:, None]] = np.nan
    return TileYears(np.nanmedian(years, axis=1), float(distance.max(initial=0.0)))


def years_around(
    places: np.ndarray,
    year: np.ndarray,
    *,
    spread: Spread | None = None,
    tile_homes: int = TILE_HOMES,
) -> np.ndarray:
    """Return the median year of each home's nearest neighbours.

    Parameters
    ----------
    places : ndarray, shape (n, 2)
        Positions of :func:`spread_places` [m].
    year : ndarray, shape (n,)
        Building year; NaN where not known.
    spread : callable, optional
        Does many tiles at once, elsewhere; without it the city is one tile.
    tile_homes : int
        Homes of a tile, at most.

    Returns
    -------
    ndarray, shape (n,)
        NaN where nothing is known.
    """
    n_known = int((~np.isnan(year) & np.isfinite(places).all(axis=1)).sum())
    most = min(NEIGHBOURS + 1, n_known)
    if spread is None or len(year) <= tile_homes or not np.isfinite(places).all():
        return tile_years(Tile(places, year, len(year), most)).neighbour
    neighbour = np.full(len(year), np.nan)
    waiting = dict(enumerate(cut_tiles(places, tile_homes)))
    halo = {at: _first_halo(places[core], most) for at, core in waiting.items()}
    while waiting:
        tiles = []
        for at, core in waiting.items():
            rows = np.concatenate([core, _around(places, core, halo[at])])
            tiles.append(Tile(places[rows], year[rows], len(core), most))
        answers = spread(tile_years, tiles)
        for (at, core), found in zip(list(waiting.items()), answers, strict=True):
            if found.reach <= halo[at]:
                neighbour[core] = found.neighbour
                del waiting[at]
            else:
                halo[at] = found.reach if np.isfinite(found.reach) else 2.0 * halo[at]
    return neighbour


def cut_tiles(places: np.ndarray, most: int) -> list[np.ndarray]:
    """Cut a city into tiles by halving it along its longer side.

    Parameters
    ----------
    places : ndarray, shape (n, 2)
    most : int
        Homes of a tile.

    Returns
    -------
    list of ndarray of int
        Rows of each tile; every row is in one.
    """
    done, waiting = [], [np.arange(len(places))]
    while waiting:
        rows = waiting.pop()
        here = places[rows]
        axis = int(np.argmax(np.ptp(here, axis=0)))
        low = here[:, axis] < np.median(here[:, axis])
        if len(rows) <= most or not low.any():
            done.append(rows)
        else:
            waiting += [rows[~low], rows[low]]
    return done


def _first_halo(core: np.ndarray, most: int) -> float:
    """Guess how far neighbours stand, from the density of the core [m]."""
    width, height = np.maximum(np.ptp(core, axis=0), 1.0)
    return float(2.0 * np.sqrt(most * width * height / (np.pi * len(core)))) + 1.0


def _around(places: np.ndarray, core: np.ndarray, halo_m: float) -> np.ndarray:
    """Return the rows of the homes around a core, within a distance of the box about it [m]."""
    low = places[core].min(axis=0) - halo_m - SLACK_M
    high = places[core].max(axis=0) + halo_m + SLACK_M
    inside = ((places >= low) & (places <= high)).all(axis=1)
    inside[core] = False
    return np.flatnonzero(inside)
