"""Columns as text: the one form in which every format hands over its cells."""

from __future__ import annotations

from datetime import date, datetime, time
from decimal import Decimal
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

MOST_DIGITS = 2.0**53
"""Whole numbers above this are no longer exact as floating point."""


def column_as_text(column: pa.ChunkedArray) -> pa.Array:
    """Return any column as text: whole numbers without ``.0``, dates as ISO, empty as null.

    Parameters
    ----------
    column : pyarrow.ChunkedArray
        Column as a file stores it.

    Returns
    -------
    pyarrow.Array
        Of type string.

    Raises
    ------
    pyarrow.ArrowInvalid, pyarrow.ArrowNotImplementedError
        If the cells are not single values or not readable as text.

    Examples
    --------
    >>> column_as_text(pa.chunked_array([[7.0, 2.5, None]])).to_pylist()
    ['7', '2.5', None]
    """
    array = column.combine_chunks()
    if isinstance(array, pa.ChunkedArray):
        array = pa.concat_arrays(array.chunks) if array.num_chunks else pa.array([], array.type)
    if pa.types.is_dictionary(array.type):
        array = array.dictionary_decode()
    if pa.types.is_floating(array.type):
        text = array.cast(pa.string())
        whole = pc.and_(pc.equal(pc.floor(array), array), pc.less(pc.abs(array), MOST_DIGITS))
        integers = pc.if_else(whole, array.cast(pa.float64()), 0.0).cast(pa.int64())
        return pc.if_else(
            pc.is_nan(array), None, pc.if_else(whole, integers.cast(pa.string()), text)
        )
    if pa.types.is_nested(array.type):
        raise pa.ArrowNotImplementedError("the cells hold lists or records")
    if pa.types.is_null(array.type):
        return array.cast(pa.string())
    text = array.cast(pa.string())
    text.validate(full=True)
    return pc.if_else(pc.equal(text, ""), None, text)


def cell_as_text(value: Any) -> str | None:
    """Return one cell of a spreadsheet as text, by the rules of :func:`column_as_text`.

    Examples
    --------
    >>> cell_as_text(123.0), cell_as_text(datetime(2024, 5, 31)), cell_as_text(True)
    ('123', '2024-05-31', 'true')
    """
    if value is None or isinstance(value, str):
        return value or None
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float):
        if value != value:
            return None
        return str(int(value)) if value.is_integer() and abs(value) < MOST_DIGITS else repr(value)
    if isinstance(value, datetime):
        return str(value.date()) if value.time() == time() else str(value)
    if isinstance(value, (int, Decimal, date, time)):
        return str(value)
    return str(value)


def drop_blank_rows(text: pa.Table, rows: np.ndarray) -> tuple[pa.Table, np.ndarray]:
    """Leave out rows in which every cell is empty; the others keep their numbers."""
    if not text.num_columns or not text.num_rows:
        return text, rows
    filled = np.zeros(text.num_rows, dtype=bool)
    for name in text.column_names:
        blank = pc.equal(pc.utf8_trim_whitespace(text.column(name)), "")
        filled |= ~pc.fill_null(blank, True).to_numpy()
        if filled.all():
            return text, rows
    return text.filter(pa.array(filled)), rows[filled]
