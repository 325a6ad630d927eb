"""Rows of one table matched to rows of another: by id, or by where they are."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from linemap.errors import Problem
from linemap.intake.checker import row_problems


def match_ids(
    frame: pd.DataFrame,
    known: pd.Index,
    *,
    column: str,
    table: str,
    file: str,
    noun: str,
    set_aside: pd.Index | None = None,
) -> tuple[pd.DataFrame, list[Problem]]:
    """Keep rows whose id is known; set the others aside and say why.

    Parameters
    ----------
    frame : DataFrame
        Indexed by row number.
    known : Index of str
        Ids of the table that is referred to.
    column : str
        Column of the id.
    table, file : str
        Of ``frame``, for the problems.
    noun : str
        What the id names, e.g. ``parcel``.
    set_aside : Index of str, optional
        Ids that were in the file but whose rows were set aside.

    Returns
    -------
    DataFrame
    list of Problem
    """
    ids = frame[column]
    lost = ~ids.isin(known).to_numpy()
    if not lost.any():
        return frame, []
    aside = lost & ids.isin([] if set_aside is None else set_aside).to_numpy()
    bare = known.str.lstrip("0")
    padded = known[known.str.startswith("0")]
    padded = pd.Index(bare[known.str.startswith("0")]) if len(padded) else padded
    zeros = lost & ~aside & ids.isin(padded).to_numpy()
    problems: list[Problem] = []
    for mask, reason, remedy in (
        (aside, f"the row of its {noun} was set aside.", f"Mend the row of the {noun}."),
        (
            zeros,
            f"no {noun} has this id, but one has it with zeros before it.",
            "A spreadsheet has dropped the zeros; export the column as text.",
        ),
        (
            lost & ~aside & ~zeros,
            f"no {noun} has this id.",
            f"Correct the id or add the {noun}.",
        ),
    ):
        rows = frame[mask]
        problems += row_problems(
            file, table, column, rows.index, rows[column], reason, remedy, "row"
        )
    return frame[~lost], problems


def find_areas(shapes: np.ndarray, areas: gpd.GeoDataFrame) -> np.ndarray:
    """Return the area of each shape: the one that holds most of it.

    Parameters
    ----------
    shapes : ndarray of shapely geometries, shape (n,)
        Points or outlines in the working system.
    areas : GeoDataFrame
        With ``area_id``, in the same system.

    Returns
    -------
    ndarray of object, shape (n,)
        Area ids; None where no area is touched. Ties go to the smaller id.
    """
    order = np.argsort(areas["area_id"].to_numpy(str), kind="stable")
    outlines = areas.geometry.to_numpy()[order]
    names = areas["area_id"].to_numpy(object)[order]
    shapely.prepare(outlines)
    which, of = shapely.STRtree(shapes).query(outlines, predicate="intersects")
    found = np.full(len(shapes), None, dtype=object)
    times = np.bincount(of, minlength=len(shapes))
    once = times[of] == 1
    found[of[once]] = names[which[once]]
    shared, rivals = of[~once], which[~once]
    overlap = shapely.area(shapely.intersection(shapes[shared], outlines[rivals]))
    best = np.lexsort((rivals, -np.round(overlap, 6), shared))
    shared, rivals = shared[best], rivals[best]
    leading = np.append(True, shared[1:] != shared[:-1]) if len(shared) else np.array([], bool)
    found[shared[leading]] = names[rivals[leading]]
    return found


def place_parcels(
    parcels: gpd.GeoDataFrame, areas: gpd.GeoDataFrame, file: str
) -> tuple[gpd.GeoDataFrame, list[Problem]]:
    """Fill ``area_id``: as the file says where it names a known area, else by place.

    Parameters
    ----------
    parcels : GeoDataFrame
        Indexed by row number.
    areas : GeoDataFrame
        In the same reference system; without rows nothing is changed.
    file : str
        File of the parcels.

    Returns
    -------
    GeoDataFrame
    list of Problem
        Ids of areas that do not exist (cell), parcels that lie in no area (note).
    """
    if not len(areas):
        return parcels, []
    given = parcels["area_id"].to_numpy(object).copy()
    missing = pd.isna(given)
    unknown = ~missing & ~np.isin(given.astype(str), areas["area_id"].to_numpy(str))
    given[unknown] = None
    search = missing | unknown
    given[search] = find_areas(parcels.geometry.to_numpy()[search], areas)
    nowhere = pd.isna(given)
    problems = row_problems(
        file,
        "parcels",
        "area_id",
        parcels.index[unknown],
        parcels["area_id"][unknown],
        "no area has this id; the place of the parcel decides.",
        "Correct the id or add the area.",
        "cell",
    )
    problems += row_problems(
        file,
        "parcels",
        "area_id",
        parcels.index[nowhere],
        [""] * int(nowhere.sum()),
        "the parcel lies in no area.",
        "Look whether an area is missing.",
        "note",
    )
    return parcels.assign(area_id=given), problems


def place_sites(
    sites: gpd.GeoDataFrame, parcels: gpd.GeoDataFrame, file: str
) -> tuple[gpd.GeoDataFrame, list[Problem]]:
    """Give each site its parcel and its place, each by the other where one is missing.

    Parameters
    ----------
    sites : GeoDataFrame
        Indexed by row number, with ``parcel_id`` or a shape.
    parcels : GeoDataFrame
        Indexed by ``parcel_id``, in the same reference system.
    file : str
        File of the sites.

    Returns
    -------
    GeoDataFrame
    list of Problem
    """
    no_id = sites["parcel_id"].isna().to_numpy()
    neither = no_id & sites.geometry.isna().to_numpy()
    problems = row_problems(
        file,
        "sites",
        "parcel_id",
        sites.index[neither],
        [""] * int(neither.sum()),
        "the site has neither a parcel nor a place.",
        "Give one of them.",
        "row",
    )
    named, unknown = match_ids(
        sites[~no_id],
        parcels.index,
        column="parcel_id",
        table="sites",
        file=file,
        noun="parcel",
    )
    problems += unknown
    keep = sites.index.isin(named.index) | (no_id & ~neither)
    out = sites.loc[keep].copy()
    shapes = out.geometry.to_numpy()
    ids = out["parcel_id"].to_numpy(object).copy()
    blank = shapely.is_missing(shapes)
    shapes[blank] = shapely.point_on_surface(parcels.geometry.loc[list(ids[blank])].to_numpy())
    lone = np.flatnonzero(pd.isna(ids))
    spots = shapely.point_on_surface(shapes[lone])
    site, parcel = shapely.STRtree(parcels.geometry.to_numpy()).query(spots, predicate="intersects")
    first = np.unique(site, return_index=True)[1]
    ids[lone[site[first]]] = parcels.index.to_numpy(object)[parcel[first]]
    out["parcel_id"] = ids
    out.geometry = gpd.GeoSeries(shapes, index=out.index, crs=sites.crs)
    return out, problems
