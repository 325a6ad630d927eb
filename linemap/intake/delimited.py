"""Delimited text: CSV with commas, semicolons, tabs or bars."""

from __future__ import annotations

import codecs
import csv
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv as pacsv

from linemap.errors import InputError, Problem
from linemap.intake.checker import shown
from linemap.intake.source import RawTable, Source
from linemap.intake.text import drop_blank_rows

SEPARATORS = (",", ";", "\t", "|")
MOST_RAGGED = 100_000
"""Rows that do not fit the header after which a file is no table any more; our choice."""

LONGEST_LINE = 2**20
"""Longest header line that is still taken for a table [bytes]; our choice."""


@dataclass(frozen=True)
class Layout:
    """How the text of a file is to be read.

    Attributes
    ----------
    names : list of str
        Column names, as they stand.
    separator : str
        Between the cells.
    """

    names: list[str]
    separator: str


def layout(source: Source) -> Layout:
    """Read the header of a delimited file and tell its separator.

    Raises
    ------
    InputError
        If the first line is not a header.
    """
    with source.path.open("rb") as stream:
        head = stream.read(LONGEST_LINE)
    lines = head.removeprefix(codecs.BOM_UTF8).replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    first = lines.split(b"\n", 1)[0]
    if len(first) >= LONGEST_LINE - len(codecs.BOM_UTF8):
        raise source.refusal(
            "the first line has no end within a million characters.",
            "Check that this is a table with a header line.",
        )
    try:
        text = first.decode("utf-8")
    except UnicodeDecodeError:
        text = first.decode("cp1252", errors="replace")
    if not text.strip():
        raise source.refusal(
            "the first line is empty.", "Put the column names into the first line."
        )
    counts = {mark: len(next(csv.reader([text], delimiter=mark))) for mark in SEPARATORS}
    separator = max(counts, key=lambda mark: counts[mark])
    return Layout(next(csv.reader([text], delimiter=separator)), separator)


def column_names(source: Source) -> list[str]:
    """Return the names in the header."""
    return layout(source).names


def read_columns(source: Source, wanted: list[str]) -> RawTable:
    """Read some columns as text.

    Rows whose cells do not match the header in number are set aside.

    Parameters
    ----------
    source : Source
    wanted : list of str
        Names in the header.

    Returns
    -------
    RawTable

    Raises
    ------
    InputError
        If the text is neither UTF-8 nor Windows-1252, or a quotation mark is never closed.
    """
    plan = layout(source)
    scan = _scan(source)
    problems: list[Problem] = []
    if scan.encoding == "cp1252":
        problems.append(
            source.problem(
                "the text is not UTF-8; it was read as Windows-1252.",
                "Look at names with accents, and save the file as CSV UTF-8.",
                effect="note",
            )
        )
    ragged: list[_Ragged] = []
    if not scan.lines:
        empty = pa.table({name: pa.array([], pa.string()) for name in wanted})
        return RawTable(empty, np.empty(0, dtype=np.int64), problems=problems)
    places = [plan.names.index(name) for name in wanted]
    table = _read(source, plan, scan.encoding, places, ragged)
    if broken := next((row for row in ragged if row.broken), None):
        raise _open_quote(source, broken.text)
    if len(table) + len(ragged) < scan.lines:
        whole = _read(source, plan, scan.encoding, range(len(plan.names)), [])
        _refuse_open_quote(source, whole)
    everything = np.arange(1, len(table) + len(ragged) + 1)
    rows = np.delete(everything, [row.number - 1 for row in ragged])
    problems += [
        source.problem(
            f"the row does not have the {len(plan.names)} cells of the header.",
            "Put quotation marks around text that holds the separator.",
            row=str(row.number),
            value=shown(row.text),
            effect="row",
        )
        for row in ragged
        if row.text.strip()
    ]
    text, rows = drop_blank_rows(table.rename_columns(wanted), rows)
    return RawTable(text, rows, problems=problems)


@dataclass(frozen=True, slots=True)
class _Ragged:
    """A row that does not fit the header: its number, how it begins, whether lines broke in it."""

    number: int
    text: str
    broken: bool


@dataclass(frozen=True)
class _Scan:
    encoding: str
    lines: int


def _scan(source: Source) -> _Scan:
    """Read the file once in pieces: which encoding it is in, how many lines follow the header."""
    utf8 = codecs.getincrementaldecoder("utf-8")()
    encoding, breaks, last, returns = "utf-8", 0, b"\n", 0
    with source.path.open("rb") as stream:
        while piece := stream.read(2**20):
            breaks += piece.count(b"\n")
            returns += piece.count(b"\r")
            last = piece[-1:]
            if encoding == "utf-8":
                try:
                    utf8.decode(piece)
                except UnicodeDecodeError:
                    encoding = "cp1252"
            if encoding == "cp1252" and any(code in piece for code in b"\x81\x8d\x8f\x90\x9d"):
                encoding = ""
                break
    if encoding == "utf-8":
        try:
            utf8.decode(b"", final=True)
        except UnicodeDecodeError:
            encoding = "cp1252"
    if not encoding:
        raise source.refusal(
            "the text is neither UTF-8 nor Windows-1252.", "Save the file as CSV UTF-8."
        )
    breaks = max(breaks, returns)
    return _Scan(encoding, breaks - 1 if last in b"\r\n" else breaks)


def _read(
    source: Source,
    plan: Layout,
    encoding: str,
    places: Iterable[int],
    ragged: list[_Ragged],
) -> pa.Table:
    """Read the columns at some places as text; note in ``ragged`` the rows that do not fit."""
    labels = [str(place) for place in range(len(plan.names))]
    chosen = [str(place) for place in places]

    def unfit(row: pacsv.InvalidRow) -> str:
        broken = "\n" in row.text.strip()
        ragged.append(_Ragged(int(row.number) - 1, row.text[:200], broken))
        return "skip" if len(ragged) < MOST_RAGGED else "error"

    try:
        return pacsv.read_csv(
            str(source.path),
            read_options=pacsv.ReadOptions(
                column_names=labels,
                skip_rows_after_names=1,
                use_threads=False,
                encoding=encoding,
                block_size=2**24,
            ),
            parse_options=pacsv.ParseOptions(
                delimiter=plan.separator,
                newlines_in_values=True,
                ignore_empty_lines=False,
                invalid_row_handler=unfit,
            ),
            convert_options=pacsv.ConvertOptions(
                column_types={label: pa.string() for label in chosen},
                include_columns=chosen,
                strings_can_be_null=True,
                null_values=[""],
            ),
        )
    except (pa.ArrowInvalid, UnicodeDecodeError, ValueError) as error:
        if len(ragged) >= MOST_RAGGED:
            raise source.refusal(
                f"{MOST_RAGGED:,} rows do not have the {len(plan.names)} cells of the header.",
                "Look whether this is a table, and export it again.",
                value=shown(ragged[0].text),
            ) from None
        raise source.refusal(
            "the text cannot be parted into rows and columns.",
            "Look for a quotation mark that is not closed, and export the file again.",
            value=shown(str(error).split("\n")[0], 120),
        ) from None


def _refuse_open_quote(source: Source, table: pa.Table) -> None:
    """Stop if rows were swallowed by a quotation mark that nobody closed.

    Cells may hold line breaks. One that holds a whole further line of the table, separators
    and all, or that runs over more than 50 lines, is taken for swallowed rows.
    """
    separators = table.num_columns - 1
    for column in table.columns:
        broken = pc.fill_null(pc.match_substring_regex(column, r"[\r\n]"), False)
        for cell in column.filter(broken).to_pylist():
            lines = [line for line in cell.replace("\r", "\n").split("\n") if line.strip()]
            most = max((line.count(mark) for line in lines for mark in SEPARATORS), default=0)
            if len(lines) > 50 or 0 < separators <= most:
                raise _open_quote(source, cell)


def _open_quote(source: Source, text: str) -> InputError:
    return source.refusal(
        "a quotation mark is opened and not closed, so that rows run together.",
        "Close it or take it out.",
        value=shown(" ".join(text.split()), 40),
    )
