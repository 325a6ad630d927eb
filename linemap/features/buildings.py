"""The feature table: age of the building and of its neighbours, use, size, place."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from linemap.errors import ArgumentError
from linemap.features.neighbours import TILE_HOMES, Spread, spread_places, years_around

LATER_BY = 7
"""Years by which a home is younger than its neighbours from which its line may be older."""

ABOUT_PEOPLE = ("median_income", "owner_occupied", "pregnant", "children_under_6")
"""Columns that are facts about people, not about the building or its place."""

NUMBERS = ("dwelling_units", "line_diameter_in", "main_year", "assessed_value")


def build_features(
    parcels: gpd.GeoDataFrame,
    areas: pd.DataFrame | None = None,
    *,
    extra: Sequence[str] = (),
    use_income: bool = False,
    spread: Spread | None = None,
    tile_homes: int = TILE_HOMES,
) -> pd.DataFrame:
    """Build the table of what is known of every parcel before anybody looks.

    Parameters
    ----------
    parcels : GeoDataFrame
        Indexed by ``parcel_id``, projected CRS in metres; any column of the contract may be
        missing except the geometry.
    areas : DataFrame, optional
        Planning areas with ``area_id`` and ``median_income``; read only with ``use_income``.
    extra : sequence of str
        Further columns of ``parcels`` to keep: numbers stay numbers, text becomes a category.
    use_income : bool
        Add ``median_income`` of the area. Off by default: a score that leans on income can send
        help away from people because of who they are, and needs a stated reason.
    spread : callable, optional
        Works out the years around homes tile by tile, elsewhere; the answers are the same.
    tile_homes : int
        Homes of a tile, about.

    Returns
    -------
    DataFrame
        Index of ``parcels``, with ``x``, ``y`` [m], ``year_built`` [year] (missing kept),
        ``neighbour_year`` [year] (median of the nearest homes with a known year, itself left
        out),
        ``main_later`` [years] (how much younger the main is than the home: lines are renewed
        with their main), ``replaced_home_year`` [year] (year of the neighbours where the home
        is much younger: a new house may stand on the old line), ``main_year`` [year],
        ``line_diameter_in`` [in], ``dwelling_units``, ``assessed_value``,
        ``area_m2`` [m2], ``land_use``, ``area_id`` (to report by, not to predict from), the
        extra columns and, if asked for, ``median_income``.

    Raises
    ------
    ArgumentError
        If a column named in ``extra`` is not in ``parcels``, or income is asked for and no area
        has one.
    """
    missing = [name for name in extra if name not in parcels.columns]
    if missing:
        raise ArgumentError(
            f"scoring.extra names {', '.join(missing)}, which the parcels do not have. "
            "Correct the name or leave it out."
        )
    points = shapely.centroid(parcels.geometry.to_numpy())
    out = pd.DataFrame(index=parcels.index)
    out["x"], out["y"] = shapely.get_x(points), shapely.get_y(points)
    out["year_built"] = _number(parcels, "year_built")
    out["neighbour_year"] = years_around(
        spread_places(parcels.index, out["x"].to_numpy(), out["y"].to_numpy()),
        out["year_built"].to_numpy(),
        spread=spread,
        tile_homes=tile_homes,
    )
    for name in NUMBERS:
        out[name] = _number(parcels, name)
    size = shapely.area(parcels.geometry.to_numpy())
    out["area_m2"] = np.where(size > 0, size, np.nan)
    year = out["year_built"].fillna(out["neighbour_year"])
    out["main_later"] = out["main_year"] - year
    later = year > out["neighbour_year"] + LATER_BY
    out["replaced_home_year"] = out["neighbour_year"].where(later)
    for name in ("land_use", "area_id"):
        out[name] = _text(parcels, name)
    for name in extra:
        if name not in out.columns:
            numeric = pd.api.types.is_numeric_dtype(parcels[name])
            out[name] = _number(parcels, name) if numeric else _text(parcels, name)
    if use_income:
        out["median_income"] = _income(out["area_id"], areas)
    return out


def said_of_people(columns: Iterable[str]) -> list[str]:
    """Say which features are facts about people, and what to watch then; nothing if none is."""
    used = [name for name in columns if name in ABOUT_PEOPLE]
    if not used:
        return []
    return [
        f"By your settings the scores use facts about people ({', '.join(used)}). Such a score can "
        "send kits away from homes of one group: compare the fairness table with that of a run "
        "without them."
    ]


def _number(frame: pd.DataFrame, name: str) -> np.ndarray:
    if name not in frame.columns:
        return np.full(len(frame), np.nan)
    return pd.to_numeric(frame[name], errors="coerce").to_numpy(dtype=float, na_value=np.nan)


def _text(frame: pd.DataFrame, name: str) -> pd.Series:
    if name not in frame.columns:
        return pd.Series(pd.Categorical([None] * len(frame)), index=frame.index)
    return frame[name].astype("category")


def _income(area_id: pd.Series, areas: pd.DataFrame | None) -> np.ndarray:
    if areas is None or "median_income" not in areas.columns or areas["median_income"].isna().all():
        raise ArgumentError(
            "scoring.use_income is on, but no area has a median_income. "
            "Add the column to the areas or turn the setting off."
        )
    table = areas.drop_duplicates("area_id").set_index("area_id")["median_income"]
    return area_id.astype(object).map(table).to_numpy(dtype=float)
