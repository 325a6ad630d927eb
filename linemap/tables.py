"""Column contracts of every table.

The contracts are data: ``tables.csv`` beside this file has a line per column with its kind,
unit, allowed values and meaning. The readers, the checker and the documentation all use that
file, so they cannot drift apart.

In memory each contract table follows one rule of types: ids and text are strings (missing:
None or NaN), ``enum`` and ``material`` columns are categorical with the contract's values,
numbers and integers are floats (missing: NaN), dates are ``datetime64``, flags are bool.
Per-parcel tables are indexed by ``parcel_id``; all others have a plain range index.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass, field, fields
from functools import cache
from importlib.resources import files

import geopandas as gpd
import numpy as np
import pandas as pd

from linemap.errors import ArgumentError

MATERIALS = ("lead", "galvanized", "copper", "plastic", "iron", "brass", "other", "unknown")
"""Pipe materials of the contract."""

INVENTORY_CLASSES = (
    "lead",
    "galvanized requiring replacement",
    "non-lead",
    "lead status unknown",
)
"""Classes of the service line inventory, 40 CFR 141.84."""

INPUT_TABLES = ("parcels", "lines", "checks", "kits", "samples", "answers", "areas", "sites")
"""Tables that a utility may bring, in the order in which they are read."""

KEYS: dict[str, tuple[str, ...]] = {
    "parcels": ("parcel_id",),
    "lines": ("parcel_id",),
    "checks": ("parcel_id", "side", "checked_on"),
    "kits": ("kit_id",),
    "samples": ("kit_id", "draw", "analyte"),
    "answers": ("kit_id",),
    "areas": ("area_id",),
    "sites": ("site_id",),
    "rounds": ("round_id", "parcel_id"),
    "returns": ("parcel_id",),
}
"""Columns that together name one row of an input table."""

CONTESTED = {"samples": ("result", "unit"), "checks": ("material",)}
"""Columns in which rows of one key may contradict each other. Then all of them are kept, for the
later stage to see; only a row that repeats another is set aside."""

COORDINATES = ("longitude", "latitude")
"""Columns that give a place in files without shapes [degrees, WGS 84]."""


@dataclass(frozen=True)
class Column:
    """Contract of one column: a line of ``tables.csv``."""

    name: str
    kind: str
    required: bool
    allowed: tuple[str, ...]
    low: float
    high: float
    unit: str
    meaning: str


@cache
def contract(table: str) -> dict[str, Column]:
    """Return the columns of one table by name.

    Parameters
    ----------
    table : str
        Name of the table, e.g. ``parcels`` or ``scores``.

    Returns
    -------
    dict of str to Column
        In the order in which they are written.

    Raises
    ------
    ArgumentError
        If there is no such table.

    Examples
    --------
    >>> contract("kits")["stagnation_h"].unit
    'h'
    """
    columns: dict[str, Column] = {}
    text = files("linemap").joinpath("tables.csv").read_text(encoding="utf-8")
    for row in csv.DictReader(text.splitlines()):
        if row["table"] == table:
            columns[row["column"]] = Column(
                name=row["column"],
                kind=row["kind"],
                required=row["required"] == "yes",
                allowed=tuple(row["allowed"].split("|")) if row["allowed"] else (),
                low=float(row["low"]) if row["low"] else -np.inf,
                high=float(row["high"]) if row["high"] else np.inf,
                unit=row["unit"],
                meaning=row["meaning"].replace(";", ","),
            )
    if not columns:
        raise ArgumentError(f"no table is named {table!r}")
    return columns


def mappable_columns(table: str) -> tuple[str, ...]:
    """Return the column names that a file may hold under other names.

    These are the columns of the contract and, for tables with places, ``longitude`` and
    ``latitude``, which stand for the geometry in files without shapes.

    Examples
    --------
    >>> mappable_columns("sites")
    ('site_id', 'parcel_id', 'geometry', 'kind', 'longitude', 'latitude')
    """
    columns = tuple(contract(table))
    return (*columns, *COORDINATES) if "geometry" in columns else columns


def repeat_columns(table: str) -> tuple[str, ...]:
    """Return the columns in which a row agrees with another that it merely repeats.

    Examples
    --------
    >>> repeat_columns("samples")
    ('kit_id', 'draw', 'analyte', 'result', 'unit')
    """
    return (*KEYS.get(table, ()), *CONTESTED.get(table, ()))


def listed_columns(table: pd.DataFrame, name: str) -> list[Column]:
    """Return what the columns of a list hold, in its order, by its contract or ``list_more``.

    Columns that neither describes are left out.
    """
    known = {**contract("scores"), **contract("list_more"), **contract(name)}
    return [known[column] for column in table.columns if column in known]


def table_names() -> tuple[str, ...]:
    """Return the names of all contract tables, inputs first."""
    text = files("linemap").joinpath("tables.csv").read_text(encoding="utf-8")
    return tuple(dict.fromkeys(row["table"] for row in csv.DictReader(text.splitlines())))


def dictionary_markdown() -> str:
    """Return the data dictionary of the input tables as Markdown, one table each."""
    parts = []
    for name in INPUT_TABLES:
        rows = [
            f"| `{c.name}` | {'yes' if c.required else ''} | {c.unit} | {c.meaning}"
            f"{' (' + ', '.join(c.allowed) + ')' if c.allowed else ''} |"
            for c in contract(name).values()
        ]
        head = f"**{name}**, one row per {' + '.join(KEYS[name])}"
        parts.append("\n".join([head, "", "| column | needed | unit | meaning |",
                                "|---|---|---|---|", *rows]))  # fmt: skip
    return "\n\n".join(parts)


def empty_series(column: Column, index: pd.Index) -> pd.Series:
    """Return a column of missing values of the right type.

    Material columns are filled with ``unknown``, since that is what a missing record means.
    """
    if column.kind == "material":
        return pd.Series(
            pd.Categorical(["unknown"] * len(index), categories=column.allowed), index=index
        )
    if column.kind == "enum":
        return pd.Series(
            pd.Categorical([None] * len(index), categories=column.allowed), index=index
        )
    if column.kind in ("number", "integer"):
        return pd.Series(np.nan, index=index, dtype=float)
    if column.kind == "date":
        return pd.Series(pd.NaT, index=index, dtype="datetime64[ns]")
    if column.kind == "flag":
        return pd.Series(False, index=index, dtype=bool)
    return pd.Series([None] * len(index), index=index, dtype=object)


def empty_table(table: str) -> pd.DataFrame:
    """Return a table of the contract without rows, for a file that was not supplied."""
    index = pd.RangeIndex(0)
    columns = {c.name: empty_series(c, index) for c in contract(table).values()}
    if "geometry" in columns:
        columns.pop("geometry")
        return gpd.GeoDataFrame(columns, geometry=gpd.GeoSeries([], crs=None), index=index)
    return pd.DataFrame(columns, index=index)


def complete_table(frame: pd.DataFrame, table: str) -> pd.DataFrame:
    """Return the table with every contract column present and of the contract's type.

    Columns beyond the contract are kept at the end. Values are not judged here;
    :func:`linemap.intake.check_table` does that.
    """
    out = frame.copy()
    columns = contract(table)
    for name, column in columns.items():
        if name not in out.columns:
            if column.kind != "geometry":
                out[name] = empty_series(column, out.index)
        elif column.kind in ("enum", "material"):
            values = out[name].astype(object)
            if column.kind == "material":
                values = values.where(values.notna(), "unknown")
            values = values.where(values.isin(column.allowed), None)
            out[name] = pd.Categorical(values, categories=column.allowed)
        elif column.kind in ("number", "integer"):
            out[name] = out[name].astype(float)
        elif column.kind == "date":
            out[name] = pd.to_datetime(out[name]).astype("datetime64[ns]")
    order = [c for c in columns if c in out.columns]
    return out[order + [c for c in out.columns if c not in columns]]


@dataclass(frozen=True)
class City:
    """The utility's tables after intake: checked, joined, in metres.

    Attributes
    ----------
    name : str
        Name of the city in the settings.
    parcels : GeoDataFrame
        Indexed by ``parcel_id``, projected CRS in metres, ``area_id`` filled where an area is
        known. Columns named in ``scoring.extra`` are kept.
    lines, checks, kits, samples, answers, sites : DataFrame
        As in the contract; empty where no file was given. ``samples`` has in addition
        ``value_ug_l`` (NaN where below the limit), ``limit_ug_l`` and ``below_limit`` (bool).
    areas : GeoDataFrame
        As in the contract, same CRS as the parcels.
    rounds : DataFrame
        Earlier rounds; empty on the first.
    doubts : DataFrame
        ``kit_id, draw, analyte`` of each result that was set aside because it cannot be read,
        and ``kit_id`` alone of each kit or result that came twice, so that the verdict on the
        kit can say so.
    lost_lead : DataFrame
        ``kit_id, row, result, may_be_ug_l`` of each laboratory row that was set aside and may
        speak of lead, with the most that it may hold [ug/L].
    """

    name: str
    parcels: gpd.GeoDataFrame
    lines: pd.DataFrame = field(default_factory=lambda: empty_table("lines"))
    checks: pd.DataFrame = field(default_factory=lambda: empty_table("checks"))
    kits: pd.DataFrame = field(default_factory=lambda: empty_table("kits"))
    samples: pd.DataFrame = field(default_factory=lambda: empty_table("samples"))
    answers: pd.DataFrame = field(default_factory=lambda: empty_table("answers"))
    areas: gpd.GeoDataFrame = field(default_factory=lambda: empty_table("areas"))
    sites: pd.DataFrame = field(default_factory=lambda: empty_table("sites"))
    rounds: pd.DataFrame = field(default_factory=lambda: empty_table("rounds"))
    doubts: pd.DataFrame = field(
        default_factory=lambda: pd.DataFrame(columns=["kit_id", "draw", "analyte"], dtype=object)
    )
    lost_lead: pd.DataFrame = field(
        default_factory=lambda: pd.DataFrame(
            {"kit_id": [], "row": [], "result": [], "may_be_ug_l": []}
        )
    )

    def sources(self) -> tuple[str, ...]:
        """Return the names of the tables that have rows."""
        return tuple(
            f.name
            for f in fields(self)
            if f.name not in ("name", "doubts", "lost_lead") and len(getattr(self, f.name)) > 0
        )
