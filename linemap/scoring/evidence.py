"""What is known of single homes: records, checks, bottles and answers."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, fields, replace

import numpy as np
import pandas as pd

from linemap.errors import ArgumentError
from linemap.tables import empty_table


def _no_answers() -> pd.DataFrame:
    table = empty_table("answers")
    table["parcel_id"] = pd.Series([], dtype=object)
    return table


@dataclass(frozen=True)
class Evidence:
    """The tables that speak of single homes; any of them may be empty.

    Attributes
    ----------
    lines : DataFrame
        City record, as in the contract ``lines``.
    checks : DataFrame
        What somebody saw, as in the contract ``checks``.
    pairs : DataFrame
        Kits that came back, as in the contract ``pairs``.
    answers : DataFrame
        Residents' forms, as in the contract ``answers``, with ``parcel_id`` joined.
    """

    lines: pd.DataFrame = field(default_factory=lambda: empty_table("lines"))
    checks: pd.DataFrame = field(default_factory=lambda: empty_table("checks"))
    pairs: pd.DataFrame = field(default_factory=lambda: empty_table("pairs"))
    answers: pd.DataFrame = field(default_factory=_no_answers)

    def __post_init__(self) -> None:
        for name in (f.name for f in fields(self)):
            if "parcel_id" not in getattr(self, name).columns:
                raise ArgumentError(f"the table {name} has no column parcel_id. Join it first.")

    def in_order(self) -> Evidence:
        """Return the tables by parcel, so that the order of rows in files changes no digit.

        Rows of one parcel keep their order: of several forms the last counts.
        """
        return self._each(lambda table: table.sort_values("parcel_id", kind="stable"))

    def of(self, homes: pd.Index) -> Evidence:
        """Return what is known of some homes alone."""
        return self._each(lambda table: table[table["parcel_id"].isin(homes)])

    def _each(self, change: Callable[[pd.DataFrame], pd.DataFrame]) -> Evidence:
        return replace(self, **{f.name: change(getattr(self, f.name)) for f in fields(self)})


@dataclass(frozen=True)
class Homes:
    """The homes in their fixed order, with the groups in which error rates may differ.

    Attributes
    ----------
    index : Index
        parcel_id of each home.
    year : ndarray of float
        Building year, else that of the neighbours [year]; NaN where neither is known.
    era : ndarray of int
        0 before 1930, 1 to 1949, 2 to 1969, 3 to 1988, 4 later, 5 not known.
    renewed_main : ndarray of int
        1 where the main is more than 15 years younger than the home, 0 elsewhere.
    area : ndarray of int
        Neighbourhood of each home: the planning area, else a square of 1 km.
    n_areas : int
    """

    index: pd.Index
    year: np.ndarray
    era: np.ndarray
    renewed_main: np.ndarray
    area: np.ndarray
    n_areas: int

    def take(self, rows: np.ndarray) -> Homes:
        """Return some of the homes, neighbourhoods numbered as before."""
        return Homes(
            self.index[rows],
            self.year[rows],
            self.era[rows],
            self.renewed_main[rows],
            self.area[rows],
            self.n_areas,
        )

    def rows(self, parcel_id: pd.Series) -> np.ndarray:
        """Return the row of each parcel_id, -1 where it is no home of ours."""
        return self.index.get_indexer(pd.Index(parcel_id.astype(object)))


ERA_STARTS = (1930, 1950, 1970, 1989)
"""Cut points of eras [year]: common practice, except 1989, the year after the ban took hold."""

RENEWED_AFTER = 15
"""Years by which a main is younger than a home from which it counts as renewed."""

ERAS = (
    "before 1930",
    "1930 to 1949",
    "1950 to 1969",
    "1970 to 1988",
    "1989 or later",
    "year not known",
)


def describe_homes(features: pd.DataFrame) -> Homes:
    """Return the homes of a feature table with their eras and neighbourhoods."""
    year = features["year_built"].to_numpy(dtype=float)
    if "neighbour_year" in features.columns:
        year = np.where(np.isnan(year), features["neighbour_year"].to_numpy(dtype=float), year)
    era = np.digitize(np.nan_to_num(year, nan=0.0), ERA_STARTS)
    era[np.isnan(year)] = len(ERA_STARTS) + 1
    if "area_id" in features.columns and features["area_id"].notna().any():
        area, names = pd.factorize(features["area_id"], use_na_sentinel=False)
    else:
        column = np.floor((features["x"] - features["x"].min()) / 1000.0)
        row = np.floor((features["y"] - features["y"].min()) / 1000.0)
        area, names = pd.factorize((row * 1e6 + column).to_numpy())
    renewed = np.zeros(len(features), dtype=int)
    if "main_year" in features.columns:
        renewed = (features["main_year"].to_numpy(dtype=float) > year + RENEWED_AFTER).astype(int)
    return Homes(features.index, year, era, renewed, np.asarray(area), len(names))
