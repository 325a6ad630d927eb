"""Column contracts of every table, and the one checker that holds a table to them.

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
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd

from linemap.errors import ArgumentError, Problem

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
}
"""Columns that together name one row of an input table."""


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


def table_names() -> tuple[str, ...]:
    """Return the names of all contract tables, inputs first."""
    text = files("linemap").joinpath("tables.csv").read_text(encoding="utf-8")
    return tuple(dict.fromkeys(row["table"] for row in csv.DictReader(text.splitlines())))


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

    Columns beyond the contract are kept at the end. Values are not judged here, see
    :func:`check_table`.
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
            out[name] = pd.Categorical(values, categories=column.allowed)
        elif column.kind in ("number", "integer"):
            out[name] = out[name].astype(float)
    order = [c for c in columns if c in out.columns]
    return out[order + [c for c in out.columns if c not in columns]]


def check_table(
    frame: pd.DataFrame, table: str, file: str = "", rows: pd.Series | None = None
) -> tuple[pd.DataFrame, list[Problem]]:
    """Hold a table to its contract.

    A missing required column is a ``stop``. A row without a readable required value, or whose
    key is taken by an earlier row, is set aside. An optional value outside the contract is
    blanked and its row kept.

    Parameters
    ----------
    frame : DataFrame
        Table with contract names and parsed values (numbers as numbers, dates as dates).
    table : str
        Name of the contract.
    file : str
        File to name in the problems.
    rows : Series of int, optional
        Row numbers below the header, same index as ``frame``; default 1, 2, 3 ...

    Returns
    -------
    DataFrame
        Rows that may be used, complete with all contract columns, index kept.
    list of Problem
    """
    columns = contract(table)
    numbers = pd.Series(np.arange(1, len(frame) + 1), index=frame.index) if rows is None else rows
    problems = [
        Problem(
            file,
            table,
            column.name,
            "",
            "",
            "this required column is missing.",
            f'Add it, or name the column that holds it under [columns.{table}], e.g. '
            f'{column.name} = "YOUR NAME".',
        )
        for column in columns.values()
        if column.required and column.name not in frame.columns
    ]
    if problems:
        return frame.iloc[:0], problems

    bad_rows = pd.Series(False, index=frame.index)
    out = frame.copy()

    def note(mask: pd.Series, column: Column, reason: str, remedy: str, whole_row: bool) -> None:
        for label in frame.index[mask.to_numpy()]:
            problems.append(
                Problem(
                    file,
                    table,
                    column.name,
                    str(numbers.loc[label]),
                    _shown(frame.at[label, column.name]),
                    reason,
                    remedy,
                    "row" if whole_row else "cell",
                )
            )

    for column in columns.values():
        if column.name not in frame.columns or column.kind in ("geometry", "flag"):
            continue
        values = frame[column.name]
        missing = values.isna()
        if column.required:
            fault = missing & ~bad_rows
            note(fault, column, "a required value is missing.", "Fill it in.", True)
            bad_rows |= missing
        wrong, reason, remedy = _outside(values, missing, column)
        fault = wrong & ~bad_rows
        note(fault, column, reason, remedy, column.required)
        if column.required:
            bad_rows |= wrong
        elif wrong.any():
            out[column.name] = values.mask(wrong)

    keys = [key for key in KEYS.get(table, ()) if key in frame.columns]
    if keys:
        twice = frame[keys].duplicated(keep="first") & ~bad_rows
        note(
            twice,
            columns[keys[0]],
            f"another row above has the same {' + '.join(keys)}.",
            "Keep one of them.",
            True,
        )
        bad_rows |= twice
    return complete_table(out.loc[~bad_rows], table), problems


def _outside(
    values: pd.Series, missing: pd.Series, column: Column
) -> tuple[pd.Series, str, str]:
    """Return which values lie outside the contract, the reason and the remedy."""
    if column.kind in ("enum", "material"):
        wrong = ~values.isin(column.allowed) & ~missing
        section = "material" if column.kind == "material" else column.name
        return (
            wrong,
            f"this is not one of {', '.join(column.allowed)}.",
            f"Correct it, or translate your code under [values.{section}].",
        )
    if column.kind in ("number", "integer"):
        numbers = pd.to_numeric(values, errors="coerce")
        wrong = (~(numbers >= column.low) | ~(numbers <= column.high)) & ~missing
        limits = f"{_bound(column.low)} to {_bound(column.high)}"
        unit = f" {column.unit}" if column.unit else ""
        return wrong, f"this is not a number from {limits}{unit}.", "Correct or empty the cell."
    return pd.Series(False, index=values.index), "", ""


def _bound(value: float) -> str:
    if np.isinf(value):
        return "any"
    return f"{value:g}"


def _shown(value: Any, width: int = 60) -> str:
    """Return a value as a short text for a message; empty if missing."""
    if value is None or (np.isscalar(value) and pd.isna(value)):
        return ""
    text = str(value)
    return text if len(text) <= width else text[: width - 3] + "..."


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

    def sources(self) -> tuple[str, ...]:
        """Return the names of the tables that have rows."""
        return tuple(
            f.name for f in fields(self) if f.name != "name" and len(getattr(self, f.name)) > 0
        )
