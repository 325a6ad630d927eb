"""One file to one table of the contract."""

from __future__ import annotations

import warnings
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
import shapely

from linemap.errors import InputError, InputWarning, Problem
from linemap.intake import database, delimited, shapefiles, workbook
from linemap.intake.cells import parse_number, read_cells
from linemap.intake.checker import check_table, row_problems
from linemap.intake.codes import with_code_faults
from linemap.intake.columns import pick_columns
from linemap.intake.dates import date_order
from linemap.intake.places import WGS84, middle, name_crs, read_crs
from linemap.intake.report import summarize_problems
from linemap.intake.shapes import check_shapes
from linemap.intake.source import RawTable, Source, open_source
from linemap.tables import COORDINATES, Column, contract


@dataclass(frozen=True)
class Loaded:
    """A table as one file gives it, before it is matched with others.

    Attributes
    ----------
    table : DataFrame or GeoDataFrame
        Rows that may be used, by the contract; the index is the row number in the file.
    problems : list of Problem
        Of effect ``row``, ``cell`` and ``note``.
    rows_in : int
        Rows in the file, blank ones left out.
    ids : Index
        First key of every row of the file, used or not.
    content : dict or None
        Size and SHA-256 of what was read, if it is not a file.
    rows : DataFrame or None
        Of samples every row, used or not: a high result must not be lost with its row.
    """

    table: pd.DataFrame
    problems: list[Problem]
    rows_in: int
    ids: pd.Index
    content: dict[str, Any] | None = None
    rows: pd.DataFrame | None = None


@dataclass(frozen=True)
class Dialect:
    """What the settings say about the reading of files.

    Attributes
    ----------
    columns : mapping
        Name in the file of each column of the contract.
    codes : mapping
        Codes of the utility under the name of a column, or ``material``.
    extra : sequence of str
        Further columns of parcels that are kept.
    crs : str, optional
        Reference system of files that state none.
    day_first : bool, optional
        Order of dates such as 5/4/2024.
    """

    columns: Mapping[str, str]
    codes: Mapping[str, Mapping[str, str]]
    extra: Sequence[str] = ()
    crs: str | None = None
    day_first: bool | None = None


def load_table(source: Source, dialect: Dialect) -> Loaded:
    """Read a file into a table and hold it to the contract.

    Parameters
    ----------
    source : Source
    dialect : Dialect

    Returns
    -------
    Loaded

    Raises
    ------
    InputError
        With every reason for which the file as a whole cannot be used.
    """
    names = column_names(source)
    placed = "geometry" in contract(source.table)
    drawn = placed and has_shapes(source)
    picked = pick_columns(source, names, dialect.columns, dialect.extra, has_shapes=drawn)
    raw = read_text(source, list(dict.fromkeys(picked.values())), shapes=drawn)
    index = pd.Index(raw.rows, name="row")
    problems = list(raw.problems)
    rows_in = len(index) + sum(p.effect == "row" for p in problems)
    if not rows_in:
        bare = ("the table has a header but no rows.", "Export it again.")
        if source.table == "parcels":
            raise source.refusal(*bare)
        problems.append(source.problem(*bare, effect="note"))
    frame, notes = _understand(source, raw, picked, index, dialect)
    problems += notes
    key = next(iter(contract(source.table)))
    ids = pd.Index(frame[key].dropna())
    if placed:
        frame, notes = _with_shapes(source, frame, raw, picked, dialect.crs)
        problems += notes
    table, faults = check_table(frame, source.table, source.file, pd.Series(frame.index))
    problems += faults
    if placed:
        table, faults = check_shapes(table, source.table, source.file)
        problems += faults
    if rows_in and not len(table):
        raise nothing_left(source, rows_in, problems)
    every = frame if source.table == "samples" else None
    return Loaded(table, problems, rows_in, ids, raw.content, every)


def nothing_left(source: Source, rows_in: int, problems: Sequence[Problem]) -> InputError:
    """Return the error that no row of a table can be used.

    With the commonest reason, and the unknown codes of every column.
    """
    rows = [p for p in problems if p.effect == "row" and p.table == source.table]
    (column, reason, remedy), _ = Counter((p.column, p.reason, p.remedy) for p in rows).most_common(
        1
    )[0]
    example = next(p.value for p in rows if (p.column, p.reason) == (column, reason))
    stop = source.problem(
        f"none of the {rows_in:,} rows can be used. Most often: {reason}",
        remedy,
        column=column,
        value=example,
    )
    return InputError(with_code_faults([stop], [p for p in problems if p.table == source.table]))


def column_names(source: Source) -> list[str]:
    """Return the column names of a file."""
    readers = {
        "delimited": delimited.column_names,
        "workbook": workbook.column_names,
        "parquet": shapefiles.parquet_names,
        "vector": shapefiles.vector_names,
        "database": database.column_names,
    }
    return readers[source.format](source)


def has_shapes(source: Source) -> bool:
    """Return whether a file holds shapes."""
    if source.format == "parquet":
        return shapefiles.parquet_geometry(source) is not None
    if source.format == "database":
        return database.shape_column(source) is not None
    return source.format == "vector" and shapefiles.vector_has_shapes(source)


def read_text(source: Source, wanted: list[str], *, shapes: bool) -> RawTable:
    """Return the wanted columns of a file as text."""
    if source.format == "delimited":
        return delimited.read_columns(source, wanted)
    if source.format == "workbook":
        return workbook.read_columns(source, wanted)
    if source.format == "parquet":
        return shapefiles.read_parquet(source, wanted, shapes=shapes)
    if source.format == "database":
        return database.read_columns(source, wanted, shapes=shapes)
    return shapefiles.read_vector(source, wanted, shapes=shapes)


def _understand(
    source: Source,
    raw: RawTable,
    picked: Mapping[str, str],
    index: pd.Index,
    dialect: Dialect,
) -> tuple[pd.DataFrame, list[Problem]]:
    """Turn text into values of the contract."""
    found: dict[str, pd.Series] = {}
    problems: list[Problem] = []
    stops: list[Problem] = []
    for name, column in contract(source.table).items():
        if name not in picked or column.kind == "geometry":
            continue
        text = _array(raw.text, picked[name])
        order = date_order([])
        if column.kind == "date":
            order = date_order(
                [word for word in text.unique().to_pylist() if word], day_first=dialect.day_first
            )
            if not order.certain:
                rows = _rows_of(text, order.against, index)
                reason = f"{order.reason.removesuffix('.')} ({rows})."
                stops.append(source.problem(reason, order.remedy, column=name))
                continue
            if order.reason:
                problems.append(
                    source.problem(order.reason, order.remedy, column=name, effect="note")
                )
        section = "material" if column.kind == "material" else name
        codes = dialect.codes.get(section, {})
        found[name] = read_cells(text, column, index, codes, day_first=order.day_first)
        if column.kind == "material" and source.table == "lines":
            found[name] = found[name].fillna("unknown")
    if stops:
        raise InputError(stops)
    for name in dialect.extra if source.table == "parcels" else ():
        if name not in found:
            found[name] = _extra(_array(raw.text, picked[name]), index)
    return pd.DataFrame(found, index=index), problems


def _rows_of(text: pa.Array, words: Sequence[str], index: pd.Index, *, most: int = 10) -> str:
    """Name the rows in which some words stand."""
    there = pc.fill_null(pc.is_in(text, value_set=pa.array(words, pa.string())), False)
    rows = index[there.to_numpy(zero_copy_only=False)]
    named = ", ".join(str(row) for row in rows[:most])
    more = f" and {len(rows) - most:,} more" if len(rows) > most else ""
    return f"{'row' if len(rows) == 1 else 'rows'} {named}{more}"


def _array(table: pa.Table, name: str) -> pa.Array:
    """Return one column in one piece."""
    column = table.column(name).combine_chunks()
    return pa.concat_arrays(column.chunks) if isinstance(column, pa.ChunkedArray) else column


def _extra(text: pa.Array, index: pd.Index) -> pd.Series:
    """Return a column beyond the contract: numbers if all its cells are, else text."""
    words = [
        None if word is None or not word.strip() else word.strip() for word in text.to_pylist()
    ]
    numbers = {word: parse_number(word) for word in set(words) if word is not None}
    if any(number is None for number in numbers.values()):
        return pd.Series(words, index=index, dtype=object)
    return pd.Series(
        [np.nan if word is None else numbers[word] for word in words], index=index, dtype=float
    )


def _with_shapes(
    source: Source,
    frame: pd.DataFrame,
    raw: RawTable,
    picked: Mapping[str, str],
    crs: str | None,
) -> tuple[gpd.GeoDataFrame, list[Problem]]:
    """Give the table its shapes: those of the file, or points of longitude and latitude."""
    shapes, stated = raw.shapes, raw.crs
    problems: list[Problem] = []
    known = read_crs(crs)
    if shapes is None and set(COORDINATES) <= set(picked):
        shapes, problems = _points(source, frame, raw, picked)
        x, y = middle(shapes)
        degrees = not max(abs(x), abs(y)) > 180
        if known is None and not degrees:
            raise source.refusal(
                f"longitude and latitude are not degrees: {x:.0f}, {y:.0f}.",
                'Give degrees, or their system under [city], e.g. crs = "EPSG:2263".',
                column="longitude",
            )
        stated = WGS84 if degrees else known
    elif shapes is None:
        shapes, stated = np.full(len(frame), None, dtype=object), WGS84
    system = name_crs(source, stated, known, shapes)
    placed = gpd.GeoDataFrame(frame, geometry=gpd.GeoSeries(shapes, index=frame.index, crs=system))
    lost = {int(p.row) for p in problems}
    return placed[~placed.index.isin(lost)], problems


def _points(
    source: Source, frame: pd.DataFrame, raw: RawTable, picked: Mapping[str, str]
) -> tuple[np.ndarray, list[Problem]]:
    """Return points of longitude and latitude, None where there is none."""
    numbers = []
    problems: list[Problem] = []
    lost = np.zeros(len(frame), dtype=bool)
    for name in COORDINATES:
        column = Column(name, "number", False, (), -np.inf, np.inf, "degrees", "")
        text = _array(raw.text, picked[name])
        values = read_cells(text, column, frame.index, {}, day_first=False)
        parsed = pd.to_numeric(values, errors="coerce")
        unread = (parsed.isna() & values.notna()).to_numpy() & ~lost
        lost |= unread
        problems += row_problems(
            source.file,
            source.table,
            name,
            frame.index[unread],
            values[unread],
            "this is not a number of degrees.",
            "Write it as 44.9778 or -93.2650.",
            "row",
        )
        numbers.append(parsed.to_numpy(float))
    points = np.full(len(frame), None, dtype=object)
    there = np.isfinite(numbers[0]) & np.isfinite(numbers[1])
    points[there] = shapely.points(numbers[0][there], numbers[1][there])
    return points, problems


def read_table(
    path: str | Path,
    table: str,
    *,
    columns: Mapping[str, str] | None = None,
    values: Mapping[str, Mapping[str, str]] | None = None,
    extra: Sequence[str] = (),
    crs: str | None = None,
    day_first: bool | None = None,
) -> pd.DataFrame:
    """Read one table of the contract from one file.

    Parameters
    ----------
    path : str or Path
        CSV, Parquet, XLSX or a file of shapes; ``file.xlsx#Sheet`` and ``file.gpkg#layer``
        name a part of it. Or the address of a table in PostgreSQL, as in the settings.
    table : str
        Name of the contract, e.g. ``lines``.
    columns : mapping of str to str, optional
        Name in the file of each column that is named differently there.
    values : mapping, optional
        Codes of the utility, e.g. ``{"material": {"CU": "copper"}}``.
    extra : sequence of str, optional
        Further columns of parcels to keep.
    crs : str, optional
        Coordinate reference system, for a file that states none.
    day_first : bool, optional
        Whether 5/4/2024 is the fifth of April; asked about if the file leaves it open.

    Returns
    -------
    DataFrame
        By the contract; shapes in the reference system of the file.

    Raises
    ------
    InputError
        With every reason for which the file cannot be used.

    Warns
    -----
    InputWarning
        If rows or values were set aside.
    """
    loaded = load_table(
        open_source(path, table), Dialect(columns or {}, values or {}, extra, crs, day_first)
    )
    warn_of(loaded.problems)
    return loaded.table.reset_index(drop=True)


def warn_of(problems: Sequence[Problem]) -> None:
    """Warn of what was set aside, in one warning."""
    if problems:
        warnings.warn("\n".join(summarize_problems(problems)), InputWarning, stacklevel=3)
