"""The lists of a run as tables in PostgreSQL with PostGIS.

All tables are replaced in one transaction: whoever reads sees the old lists or the new ones,
never a part, and rights and views that were given on the tables stay. They hold households, so
nobody but the login that writes them is given a right to them.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import TYPE_CHECKING, Any

import geopandas as gpd
import pandas as pd

from linemap.database import connected, read_address
from linemap.errors import DatabaseError
from linemap.outputs.wording import PROBABILITY_CAUTION

if TYPE_CHECKING:
    from sqlalchemy import Connection, Table

MARK = "Written by linemap"
"""How the comment on each table begins that may be replaced."""

SRID = 4326
"""Reference system of the shapes: longitude and latitude, WGS 84."""

_ONE_AT_A_TIME = 0x6C696E65
"""Number of the lock that keeps two runs from writing at once; our choice."""


def reach_database(address: str) -> None:
    """Make sure that a database can be reached, before long work is begun for it.

    Raises
    ------
    DatabaseError
        If it cannot.
    """
    with connected(read_address(address, "schema"), write=True):
        pass


def write_database(
    tables: Mapping[str, pd.DataFrame],
    shapes: Mapping[str, gpd.GeoSeries],
    address: str,
    *,
    city: str,
    as_of: date,
) -> list[str]:
    """Write tables with their shapes into a database, all or none.

    Parameters
    ----------
    tables : mapping of str to DataFrame
        By name; each is written as ``linemap_NAME``.
    shapes : mapping of str to GeoSeries
        For each table the shape of each row, in the same order.
    address : str
        ``postgresql://HOST/DATABASE?schema=NAME``; without a schema the default one.
    city : str
        Name for the comment on the tables.
    as_of : date
        Day of the run, for the comment.

    Returns
    -------
    list of str
        Names of the tables with their schema.

    Raises
    ------
    DatabaseError
        If the database cannot be reached or refuses, or a table of the same name was not
        written by linemap. Nothing is changed then.
    """
    place = read_address(address, "schema")
    note = f"{MARK}: {city}, {as_of.isoformat()}. {PROBABILITY_CAUTION}"
    with connected(place, write=True) as connection:
        import sqlalchemy as sa

        schema = place.schema or connection.scalar(sa.select(sa.func.current_schema()))
        if schema is None or not sa.inspect(connection).has_schema(schema):
            raise DatabaseError(
                f"the database has no schema {schema or 'by default'}. Its keeper can make it.",
                address,
            )
        connection.execute(sa.select(sa.func.pg_advisory_xact_lock(_ONE_AT_A_TIME)))
        for name, table in tables.items():
            frame = _plain(table).set_geometry(shapes[name].to_crs(SRID).to_numpy(), crs=SRID)
            target = _described(f"linemap_{name}", schema, frame, note)
            _make_room(connection, target, address)
            options: dict[str, Any] = {"schema": schema, "if_exists": "append", "index": False}
            if frame.geometry.notna().any():
                frame.to_postgis(target.name, connection, **options)
            elif len(frame):
                plain = pd.DataFrame(frame.drop(columns="geometry"))
                plain.to_sql(target.name, connection, chunksize=1000, method="multi", **options)
    return [f"{schema}.linemap_{name}" for name in tables]


def _plain(table: pd.DataFrame) -> Any:
    """Return the table with plain columns and text that a database can hold."""
    out = table.reset_index(drop=True).copy()
    for name in out.columns:
        if not pd.api.types.is_numeric_dtype(out[name]) and not _is_day(out[name]):
            text = [None if pd.isna(v) else str(v).replace("\0", "") for v in out[name]]
            out[name] = pd.Series(text, index=out.index, dtype=object)
    return gpd.GeoDataFrame(out)


def _is_day(values: pd.Series) -> bool:
    return pd.api.types.is_datetime64_any_dtype(values)


def _described(name: str, schema: str, frame: gpd.GeoDataFrame, note: str) -> Table:
    """Return a table as SQLAlchemy describes it."""
    import sqlalchemy as sa
    from geoalchemy2 import Geometry

    columns = []
    for column, values in frame.drop(columns="geometry").items():
        kind: Any = sa.Text
        if pd.api.types.is_bool_dtype(values):
            kind = sa.Boolean
        elif pd.api.types.is_integer_dtype(values):
            kind = sa.BigInteger
        elif pd.api.types.is_numeric_dtype(values):
            kind = sa.Double
        elif _is_day(values):
            kind = sa.Date
        columns.append(sa.Column(sa.sql.quoted_name(str(column), True), kind))
    columns.append(sa.Column("geometry", Geometry("GEOMETRY", srid=SRID)))
    return sa.Table(name, sa.MetaData(), *columns, schema=schema, comment=note)


def _make_room(connection: Connection, target: Table, address: str) -> None:
    """Empty an earlier table of ours, or make it; refuse to touch one that is not ours."""
    import sqlalchemy as sa
    from sqlalchemy.schema import SetTableComment

    known = sa.inspect(connection)
    if known.has_table(target.name, schema=target.schema):
        comment = known.get_table_comment(target.name, schema=target.schema)["text"] or ""
        if not comment.startswith(MARK):
            raise DatabaseError(
                f"the table {target.name} was not written by linemap, so nothing was changed. "
                "Rename it, or name another schema.",
                address,
            )
        names = [c["name"] for c in known.get_columns(target.name, schema=target.schema)]
        if names == [column.name for column in target.columns]:
            connection.execute(target.delete())
            connection.execute(SetTableComment(target))
            return
        target.drop(connection)
    target.create(connection)
