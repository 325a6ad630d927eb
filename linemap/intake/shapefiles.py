"""Files of shapes: GeoPackage, GeoJSON, Shapefile, GeoParquet and whatever else GDAL reads."""

from __future__ import annotations

import json
import os
import warnings
from typing import Any

import geopandas as gpd
import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pyogrio
import shapely

from linemap.intake.source import RawTable, Source
from linemap.intake.text import column_as_text

pyogrio.set_gdal_config_options({"GML_DOWNLOAD_SCHEMA": "NO"})  # nothing is fetched

MOST_ROWS = 50_000_000
"""Rows of the largest table that is read; no city has as many parcels. Our choice."""

UNREADABLE = (RuntimeError, OSError, ValueError, pa.ArrowException, UnicodeDecodeError)
"""What the libraries raise on damaged files."""


def vector_names(source: Source) -> list[str]:
    """Return the names of the attributes of a layer."""
    return [str(name) for name in _layer(source)["fields"]]


def vector_has_shapes(source: Source) -> bool:
    """Return whether a layer holds shapes, or is a plain table."""
    return _layer(source)["geometry_type"] is not None


def _layer(source: Source) -> dict[str, Any]:
    """Return what is known of the named or only layer."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # what is amiss is said again when rows are read
            layers = [str(name) for name, _ in pyogrio.list_layers(source.path)]
    except UNREADABLE as error:
        raise _damaged(source, error) from None
    if source.part is not None and source.part not in layers:
        raise source.refusal(
            f"there is no layer {source.part}.", f"Name one of its layers: {', '.join(layers)}."
        )
    if source.part is None and len(layers) > 1:
        raise source.refusal(
            f"the file has {len(layers)} layers.",
            f"Name one after a #: {source.file}#{layers[0]} or {', '.join(layers[1:])}.",
        )
    if not layers:
        raise source.refusal("the file has no layer.", "Export the layer again.")
    try:
        info: dict[str, Any] = pyogrio.read_info(source.path, layer=source.part or layers[0])
    except UNREADABLE as error:
        raise _damaged(source, error) from None
    return info


def read_vector(source: Source, wanted: list[str], *, shapes: bool) -> RawTable:
    """Read some attributes as text, and the shapes if they are asked for.

    Parameters
    ----------
    source : Source
    wanted : list of str
        Names of attributes.
    shapes : bool
        Whether the shapes are needed.

    Returns
    -------
    RawTable

    Raises
    ------
    InputError
        If the file is damaged.
    """
    info = _layer(source)
    with warnings.catch_warnings(record=True) as said:
        warnings.simplefilter("always")
        try:
            meta, table = pyogrio.read_arrow(
                source.path, layer=info["layer_name"], columns=wanted, read_geometry=shapes
            )
            text = _texts(source, table, wanted)
            drawn = None
            if shapes and info["geometry_type"] is not None:
                name = meta["geometry_name"] or "wkb_geometry"
                curves = "Export the layer with its curves turned into straight lines."
                drawn = shapes_from_wkb(source, table.column(name).to_numpy(), curves)
        except UNREADABLE as error:
            raise _damaged(source, error) from None
    notes = [
        source.problem(
            f"the library that reads this format remarks: {remark}.",
            "Look whether anything is missing.",
            effect="note",
        )
        for remark in dict.fromkeys(str(w.message).split("\n")[0][:200].rstrip(".") for w in said)
    ]
    rows = np.arange(1, len(table) + 1)
    return RawTable(text, rows, drawn, meta["crs"], notes)


def shapes_from_wkb(source: Source, raw: np.ndarray, curves: str) -> np.ndarray:
    """Return shapes from their binary form; those that are no shapes are missing.

    Parameters
    ----------
    source : Source
    raw : ndarray of bytes
    curves : str
        Remedy where some are curves.

    Raises
    ------
    InputError
        If some are curves.
    """
    try:
        return np.asarray(shapely.from_wkb(raw, on_invalid="ignore"))
    except NotImplementedError:
        raise source.refusal(
            "some shapes are curves, which cannot be used.", curves, column="geometry"
        ) from None


def parquet_names(source: Source) -> list[str]:
    """Return the names of the columns of a Parquet file."""
    try:
        data = pq.read_metadata(source.path)
        names = [str(name) for name in data.schema.to_arrow_schema().names]
    except UNREADABLE as error:
        raise _damaged(source, error) from None
    if data.num_rows > MOST_ROWS:
        raise source.refusal(
            f"the table has {data.num_rows:,} rows, more than {MOST_ROWS:,}.",
            "Check the export.",
        )
    return [name for name in names if name != parquet_geometry(source)]


def read_parquet(source: Source, wanted: list[str], *, shapes: bool) -> RawTable:
    """Read some columns of a Parquet file as text, and its shapes if it is GeoParquet.

    Parameters
    ----------
    source : Source
    wanted : list of str
        Names of columns.
    shapes : bool
        Whether the shapes are needed.

    Returns
    -------
    RawTable

    Raises
    ------
    InputError
        If the file is damaged or a column does not hold single values.
    """
    geometry = parquet_geometry(source)
    drawn, crs = None, None
    try:
        table = pq.ParquetFile(source.path).read(columns=wanted)
        text = _texts(source, table, wanted)
        if shapes and geometry is not None:
            frame = gpd.read_parquet(source.path, columns=[geometry])
            drawn, crs = frame.geometry.to_numpy(), frame.crs
    except UNREADABLE as error:
        raise _damaged(source, error) from None
    return RawTable(text, np.arange(1, len(table) + 1), drawn, crs)


def parquet_geometry(source: Source) -> str | None:
    """Return the name of the shapes of a GeoParquet file; None if it is a plain table."""
    try:
        metadata = pq.read_schema(source.path).metadata or {}
        geo = json.loads(metadata[b"geo"]) if b"geo" in metadata else {}
    except UNREADABLE as error:
        raise _damaged(source, error) from None
    name = geo.get("primary_column") if isinstance(geo, dict) else None
    return name if isinstance(name, str) else None


def _texts(source: Source, table: pa.Table, wanted: list[str]) -> pa.Table:
    """Return the wanted columns as text."""
    arrays = []
    for name in wanted:
        try:
            arrays.append(column_as_text(table.column(name)))
        except (pa.ArrowException, UnicodeDecodeError) as error:
            raise source.refusal(
                "the cells are not plain values.",
                "Export this column as text.",
                column=name,
                value=_short(error),
            ) from None
    return pa.Table.from_arrays(arrays, names=wanted)


def _damaged(source: Source, error: Exception) -> Exception:
    return source.refusal(
        "the file is damaged or not in the format of its ending.",
        "Copy or export it again.",
        value=_short(error).replace(f"{source.path.parent}{os.sep}", ""),
    )


def _short(error: Exception) -> str:
    return str(error).split("\n")[0][:160].rstrip(". ")
