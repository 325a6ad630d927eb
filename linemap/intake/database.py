"""Tables and views in PostgreSQL, with shapes where PostGIS keeps them.

Rows are ordered by their own content, so the same content gives the same table, the same row
numbers and the same hash, whatever order the database keeps them in. Row 5 of a problem is the
fifth row when the table is ordered by the columns that are read, the key first.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa
import pyproj
import shapely

from linemap.database import Address, connected
from linemap.errors import DatabaseError
from linemap.intake.shapefiles import MOST_ROWS, shapes_from_wkb
from linemap.intake.source import RawTable, Source

if TYPE_CHECKING:
    from sqlalchemy import Connection

AT_ONCE = 50_000
"""Rows that are fetched at once."""


@contextmanager
def _table(source: Source) -> Iterator[tuple[Connection, Address, list[dict[str, Any]]]]:
    """Hold the connection and what is known of the columns of the table or view."""
    assert source.address is not None
    try:
        with connected(source.address) as connection:
            from sqlalchemy import exc, inspect

            try:
                columns = inspect(connection).get_columns(
                    source.address.table, schema=source.address.schema
                )
            except exc.NoSuchTableError:
                columns = []
            if not columns:
                raise source.refusal(
                    "the database has no table or view of this name, or it may not be read.",
                    "Check the name; small and capital letters differ.",
                )
            yield connection, source.address, columns
    except DatabaseError as error:
        raise source.refusal(error.reason, "") from None


def _is_shape(column: dict[str, Any]) -> bool:
    """Return whether a column holds shapes of PostGIS."""
    return type(column["type"]).__name__ in ("Geometry", "Geography")


def column_names(source: Source) -> list[str]:
    """Return the names of the columns without those of shapes."""
    with _table(source) as (_, _, columns):
        return [column["name"] for column in columns if not _is_shape(column)]


def shape_column(source: Source) -> str | None:
    """Return the name of the column of shapes, None if there is none.

    Raises
    ------
    InputError
        If there is more than one.
    """
    with _table(source) as (_, _, columns):
        names = [column["name"] for column in columns if _is_shape(column)]
    if len(names) > 1:
        raise source.refusal(
            f"the table has {len(names)} columns of shapes: {', '.join(names)}.",
            "Make a view with one of them and name the view.",
        )
    return names[0] if names else None


def read_columns(source: Source, wanted: list[str], *, shapes: bool) -> RawTable:
    """Read some columns as text, and the shapes if they are asked for.

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
        With size and hash of what was read.

    Raises
    ------
    InputError
        If the database refuses, or a shape cannot be understood.
    """
    drawn = shape_column(source) if shapes else None
    with _table(source) as (connection, address, columns):
        import sqlalchemy as sa

        kinds = {column["name"]: column["type"] for column in columns}
        cells: list[Any] = []
        for name in wanted:
            cell: Any = sa.column(sa.sql.quoted_name(name, True))
            if getattr(kinds[name], "timezone", False):  # the day where the database stands
                cell = sa.cast(cell, sa.TIMESTAMP(timezone=False))
            cells.append(sa.cast(cell, sa.Text))
        order: list[Any] = [sa.collate(cell, "C") for cell in cells]
        if drawn is not None:
            wkb = sa.cast(sa.column(sa.sql.quoted_name(drawn, True)), sa.LargeBinary)
            cells.append(wkb)
            order.append(wkb)
        named = sa.sql.quoted_name(address.table or "", True)
        schema = sa.sql.quoted_name(address.schema, True) if address.schema else None
        labelled = [cell.label(f"c{place}") for place, cell in enumerate(cells)]
        query = sa.select(*labelled).select_from(sa.table(named, schema=schema)).order_by(*order)
        rows = connection.execution_options(yield_per=AT_ONCE).execute(query)
        parts: list[list[pa.Array]] = [[] for _ in wanted]
        found: list[np.ndarray] = []
        prints = [hashlib.sha256() for _ in cells]
        size = count = 0
        for piece in rows.partitions():
            count += len(piece)
            if count > MOST_ROWS:
                raise source.refusal(
                    f"the table has more than {MOST_ROWS:,} rows.", "Check the name."
                )
            for place, values in enumerate(zip(*piece, strict=True)):
                size += _digest(prints[place], values)
                if place < len(wanted):
                    parts[place].append(pa.array(values, pa.string()))
                else:
                    found.append(np.array(values, dtype=object))
    text = pa.Table.from_arrays(
        [pa.chunked_array(part, pa.string()) for part in parts], names=wanted
    )
    outlines, crs = _drawn(source, found) if drawn is not None else (None, None)
    names = [*wanted, drawn] if drawn is not None else wanted
    whole = json.dumps([names, [p.hexdigest() for p in prints]])
    content = {
        "file": source.file,
        "bytes": size,
        "sha256": hashlib.sha256(whole.encode()).hexdigest(),
    }
    return RawTable(text, np.arange(1, count + 1), outlines, crs, content=content)


def _digest(digest: Any, values: Iterable[str | bytes | None]) -> int:
    """Add the cells of one column to its hash, each with its length; return their bytes."""
    raw = [v.encode() if isinstance(v, str) else v for v in values]
    digest.update(b"".join(b"-" if v is None else b"%d:%b" % (len(v), v) for v in raw))
    return sum(len(v) for v in raw if v is not None)


def _drawn(source: Source, found: list[np.ndarray]) -> tuple[np.ndarray, Any]:
    """Return shapes and their reference system from the binary form that PostGIS stores."""
    raw = np.concatenate(found) if found else np.array([], dtype=object)
    curves = "Make a view of them with ST_CurveToLine and name the view."
    shapes = shapes_from_wkb(source, raw, curves)
    systems = np.unique(shapely.get_srid(shapes[~shapely.is_missing(shapes)]))
    if len(systems) > 1:
        raise source.refusal(
            f"the shapes are in {len(systems)} coordinate reference systems (SRID "
            f"{', '.join(map(str, systems))}).",
            "Bring them into one with ST_Transform.",
            column="geometry",
        )
    stated = int(systems[0]) if len(systems) else 0
    return shapely.set_srid(shapes, 0), _system(stated)


def _system(number: int) -> str | None:
    """Return the reference system of a number of PostGIS, whose table holds two authorities."""
    if not number:
        return None
    known = number in {int(code) for code in pyproj.get_codes("ESRI", pyproj.enums.PJType.CRS)}
    return f"ESRI:{number}" if known else f"EPSG:{number}"
