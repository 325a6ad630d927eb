"""Spreadsheets: one sheet of an .xlsx file."""

from __future__ import annotations

import zipfile
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any
from xml.etree.ElementTree import ParseError

import numpy as np
import openpyxl
import pyarrow as pa

from linemap.errors import Problem
from linemap.intake.checker import shown
from linemap.intake.source import RawTable, Source
from linemap.intake.text import cell_as_text, drop_blank_rows

MOST_ROWS = 1_048_576
"""Rows of the largest sheet that a spreadsheet program can hold."""

MOST_STRINGS, MOST_PART = 2**28, 2**25
"""Largest size of the list of texts, and of another part held in memory [bytes]; our choice."""

LONGEST_ROW = 2**25
"""Longest row of a sheet that is read [bytes of markup]; our choice."""

STREAMED = ("xl/worksheets/", "xl/charts/", "xl/drawings/", "xl/media/", "xl/pivot", "xl/tables/")
"""Parts of a workbook that are read in pieces or not at all."""

UNREADABLE = (
    zipfile.BadZipFile,
    zlib.error,
    LookupError,
    ArithmeticError,
    ValueError,
    TypeError,
    AttributeError,
    AssertionError,
    RecursionError,
    OSError,
    ParseError,
    EOFError,
    NotImplementedError,
)
"""What openpyxl raises on damaged files."""


@contextmanager
def _sheet(source: Source, *, formulas: bool = False) -> Iterator[tuple[Any, bool]]:
    """Give the named or first sheet, and whether the file holds formulas.

    Every fault of the file becomes a refusal. With ``formulas`` the cells give their formulas
    instead of the stored results.
    """
    book = None
    _refuse_swollen_parts(source)
    try:
        holds = _holds_formulas(source)  # and no row is so long that it could not be held
        book = openpyxl.load_workbook(source.path, read_only=True, data_only=not formulas)
        names = [sheet.title for sheet in book.worksheets]
        if not names:
            raise source.refusal("the spreadsheet has no sheet.", "Save it again with its table.")
        name = names[0] if source.part is None else source.part
        if name not in names:
            raise source.refusal(
                f"there is no sheet {name}.", f"Name one of its sheets: {', '.join(names)}."
            )
        sheet: Any = book[name]
        sheet.reset_dimensions()
        yield sheet, holds
    except UNREADABLE as error:
        raise source.refusal(
            "the spreadsheet is damaged.",
            "Open it in a spreadsheet program and save it again.",
            value=type(error).__name__,
        ) from None
    finally:
        if book is not None:
            book.close()


def _refuse_swollen_parts(source: Source) -> None:
    """Refuse a workbook of which a part that is held in memory as a whole is too large.

    Sheets are read row by row and are not meant; neither is what is never opened.
    """
    try:
        with zipfile.ZipFile(source.path) as archive:
            parts = [(item.filename, item.file_size) for item in archive.infolist()]
    except UNREADABLE:
        parts = []  # said when the file is opened
    for name, size in parts:
        if not name.endswith((".xml", ".rels")) or name.startswith(STREAMED):
            continue
        if size > (MOST_STRINGS if name == "xl/sharedStrings.xml" else MOST_PART):
            raise source.refusal(
                f"the part {shown(name)} of the spreadsheet unpacks to {size / 1e6:,.0f} MB.",
                "Export the table alone, as CSV or Parquet.",
            )


def _header(values: tuple[Any, ...]) -> list[str]:
    return ["" if value is None else str(cell_as_text(value)) for value in values]


def column_names(source: Source) -> list[str]:
    """Return the names in the first row."""
    with _sheet(source) as (sheet, _):
        names = _header(next(sheet.iter_rows(max_row=1, values_only=True), ()))
    if not any(name.strip() for name in names):
        raise source.refusal(
            "the first row of the sheet is empty.", "Put the column names into the first row."
        )
    return names


def read_columns(source: Source, wanted: list[str]) -> RawTable:
    """Read some columns of the sheet as text.

    Parameters
    ----------
    source : Source
    wanted : list of str
        Names in the first row.

    Returns
    -------
    RawTable

    Raises
    ------
    InputError
        If the file is damaged or longer than a spreadsheet can be.
    """
    cells: list[list[str | None]] = [[] for _ in wanted]
    numbers: list[int] = []
    with _sheet(source) as (sheet, formulas):
        names = _header(next(sheet.iter_rows(max_row=1, values_only=True), ()))
        places = [names.index(name) for name in wanted]
        lines = sheet.iter_rows(max_col=max(places, default=0) + 1, values_only=True)
        next(lines, ())
        for count, line in enumerate(lines, start=1):
            if count >= MOST_ROWS:
                raise source.refusal(
                    f"the sheet has more than {MOST_ROWS:,} rows.", "Export the table as CSV."
                )
            width = len(line)
            words = [cell_as_text(line[p]) if p < width else None for p in places]
            if any(words):
                numbers.append(count)
                for column, word in zip(cells, words, strict=True):
                    column.append(word)
    try:
        arrays = [pa.array(column, pa.string()) for column in cells]
    except UnicodeEncodeError:
        raise source.refusal(
            "a cell holds characters that are not text.", "Find and retype it."
        ) from None
    rows = np.array(numbers, dtype=np.int64)
    text, rows = drop_blank_rows(pa.Table.from_arrays(arrays, names=wanted), rows)
    unsaved = _unsaved(source, wanted, places) if formulas else []
    return RawTable(text, rows, problems=unsaved)


def _unsaved(source: Source, wanted: list[str], places: list[int]) -> list[Problem]:
    """Return the cells whose formula has no stored result, so that they look empty.

    A program that is not a spreadsheet may write formulas without working them out.
    """
    found = []
    with _sheet(source) as (results, _), _sheet(source, formulas=True) as (written, _):
        pairs = zip(
            results.iter_rows(min_row=2, values_only=True),
            written.iter_rows(min_row=2, values_only=True),
            strict=False,
        )
        for count, (values, texts) in enumerate(pairs, start=1):
            for name, place in zip(wanted, places, strict=True):
                text = texts[place] if place < len(texts) else None
                blank = place >= len(values) or values[place] is None
                if blank and isinstance(text, str) and text.startswith("="):
                    found.append(
                        source.problem(
                            "the formula in this cell has no stored result.",
                            "Open the file in a spreadsheet program and save it.",
                            column=name,
                            row=str(count),
                            value=shown(text),
                            effect="cell",
                        )
                    )
    return found


def _holds_formulas(source: Source) -> bool:
    """Return whether any sheet of the file holds a formula.

    Raises
    ------
    InputError
        If a row is so long that it could not be held in memory.
    """
    found = False
    with zipfile.ZipFile(source.path) as archive:
        for name in archive.namelist():
            if not (name.startswith("xl/worksheets/") and name.endswith(".xml")):
                continue
            with archive.open(name) as stream:
                tail, since_row = b"", 0
                while piece := stream.read(2**20):
                    text = tail + piece
                    found = found or any(mark in text for mark in (b"<f>", b"<f "))
                    since_row = len(text) if b"<row" in text else since_row + len(piece)
                    if since_row > LONGEST_ROW:
                        raise source.refusal(
                            "a row of the sheet is longer than any row of a table.",
                            "Export the table alone, as CSV or Parquet.",
                        )
                    tail = piece[-3:]
    return found
