"""The door through which every input file is opened.

A source is a plain file with a known format, or a table in PostgreSQL. Nothing is read from
folders, devices, other addresses on the network or files that only point to others, and a file
is looked at before a library is let loose on it.
"""

from __future__ import annotations

import hashlib
import re
import struct
import zipfile
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

import numpy as np
import pyarrow as pa

from linemap.database import Address, is_address, read_address, without_person
from linemap.errors import DatabaseError, Effect, InputError, Problem
from linemap.references import split_part

Format = Literal["delimited", "workbook", "parquet", "vector", "database"]

FORMATS: dict[str, Format] = {
    ".csv": "delimited",
    ".tsv": "delimited",
    ".txt": "delimited",
    ".xlsx": "workbook",
    ".xlsm": "workbook",
    ".parquet": "parquet",
    ".pq": "parquet",
    ".geoparquet": "parquet",
}
"""Formats by ending; every other ending is tried as a file of shapes."""

MOST_UNPACKED = 4 * 2**30
"""Largest size to which a zipped file may unpack [bytes]; our choice."""

MOST_BYTES = 4 * 2**30
"""Largest file that is read [bytes]; no table of a city is larger. Our choice."""

MOST_PACKING = 200
"""Largest ratio of unpacked to packed size of a zipped file above 100 MB; our choice."""

SHAPEFILE_PARTS = (".shp", ".shx", ".dbf", ".prj", ".cpg")
"""Endings of the files that together make one Shapefile."""


SHAPE_ROOTS = (b"kml", b"gpx", b"FeatureCollection")
"""Outermost elements of the markup files that hold shapes themselves."""

_ROOT = re.compile(rb"\xef?\xbb?\xbf?(?>\s+|<\?.*?\?>|<!--.*?-->)*+<([\w.:-]+)", re.DOTALL)
_POINTER = re.compile(rb"<OGR\w*DataSource|<VRTDataset|<GDAL_WMS", re.IGNORECASE)


@dataclass(frozen=True)
class Source:
    """One input file and the table that it is to fill.

    Attributes
    ----------
    path : Path
        The file.
    part : str or None
        Sheet or layer in it.
    file : str
        The file as named in the settings, for messages.
    table : str
        Table of the contract.
    format : str
        How it is read.
    address : Address or None
        Where the table is, if it is not a file; ``path`` is empty then.
    """

    path: Path
    part: str | None
    file: str
    table: str
    format: Format
    address: Address | None = None

    def problem(
        self,
        reason: str,
        remedy: str,
        *,
        column: str = "",
        row: str = "",
        value: str = "",
        effect: Effect = "stop",
    ) -> Problem:
        """Return a problem of this file."""
        return Problem(self.file, self.table, column, row, value, reason, remedy, effect)

    def refusal(self, reason: str, remedy: str, **where: Any) -> InputError:
        """Return the error that stops the reading of this file."""
        return InputError([self.problem(reason, remedy, **where)])


@dataclass(frozen=True)
class RawTable:
    """The wanted columns of a file as text, before anything is understood.

    Attributes
    ----------
    text : pyarrow.Table
        String columns under the names of the file; empty cells are null.
    rows : ndarray of int
        Number of each row below the header, from 1; blank rows are left out.
    shapes : ndarray of shapely geometries or None
        One for each row, where the file holds shapes.
    crs : Any
        Coordinate reference system of the shapes as the file states it, or None.
    problems : list of Problem
        Rows that could not be parted into columns, and notes.
    content : dict or None
        Size [bytes] and SHA-256 of what was read, where it is no file that could be read again.
    """

    text: pa.Table
    rows: np.ndarray
    shapes: np.ndarray | None = None
    crs: Any = None
    problems: list[Problem] = field(default_factory=list)
    content: dict[str, Any] | None = None


def open_source(path: str | Path, table: str, *, file: str | None = None) -> Source:
    """Find a file, make sure that it is one, and tell its format.

    Parameters
    ----------
    path : str or Path
        File, with ``#sheet`` or ``#layer`` after it or without, or the address of a table.
    table : str
        Table of the contract that it is to fill.
    file : str, optional
        Name for messages; default the path as given.

    Returns
    -------
    Source

    Raises
    ------
    InputError
        If there is no such file, if it is not a plain file, if it is empty, or if its content
        does not suit its ending.
    """
    name = without_person(str(path) if file is None else file)
    if isinstance(path, str) and is_address(path):
        try:
            return Source(Path(), None, name, table, "database", read_address(path))
        except DatabaseError as error:
            problem = Problem(name, table, "", "", "", error.reason, "")
            raise InputError([problem]) from None
    try:
        full, part = split_part(path)
        exists = full.exists()
    except (OSError, ValueError):
        problem = Problem(name, table, "", "", "", "this cannot be a file.", "Check the name.")
        raise InputError([problem]) from None
    source = Source(full, part, name, table, FORMATS.get(full.suffix.lower(), "vector"))
    if not exists:
        raise source.refusal("there is no such file.", "Check the name.")
    if not full.is_file():
        raise source.refusal(
            "this is not a plain file.", "Name a file, not a folder, a device or an address."
        )
    try:
        with full.open("rb") as stream:
            head = stream.read(65536)
    except PermissionError:
        raise source.refusal(
            "this file may not be read.", "Ask for the right to read it."
        ) from None
    except OSError as error:
        raise source.refusal(
            f"this file cannot be read ({error.strerror}).", "Copy it anew."
        ) from None
    if not head:
        raise source.refusal("the file is empty.", "Export it again.")
    if (size := full.stat().st_size) > MOST_BYTES:
        raise source.refusal(
            f"the file holds {size / 1e9:,.1f} GB, more than any table of a city.",
            "Look whether it is the right file, or export the table alone.",
        )
    _suit(source, head)
    return source


def _suit(source: Source, head: bytes) -> None:
    """Hold the first bytes of a file against its ending."""
    ending = source.path.suffix.lower()
    if head.startswith(b"\xd0\xcf\x11\xe0"):
        raise source.refusal(
            "this is an old or password-protected spreadsheet.",
            "Save it as .xlsx without a password.",
        )
    if source.format == "delimited":
        if head.startswith((b"\xff\xfe", b"\xfe\xff")):
            raise source.refusal("the text is stored as UTF-16.", "Save it as CSV UTF-8.")
        if head.startswith(b"PK\x03\x04"):
            raise source.refusal(
                f"this is a zipped file or spreadsheet named {ending}.", "Give it its own ending."
            )
        if b"\0" in head:
            raise source.refusal("this is not a text table.", "Export the table as CSV UTF-8.")
    elif source.format == "workbook":
        if not zipfile.is_zipfile(source.path):
            raise source.refusal(
                "this is not a whole .xlsx file.", "Save it again, or use the ending of its format."
            )
        _refuse_bomb(source)
    elif source.format == "parquet":
        with source.path.open("rb") as stream:
            stream.seek(max(source.path.stat().st_size - 4, 0))
            tail = stream.read()
        if not head.startswith(b"PAR1") or tail != b"PAR1":
            raise source.refusal(
                "this is not a whole Parquet file.", "Copy or export it again to the end."
            )
    else:
        _suit_shapes(source, head)


def _suit_shapes(source: Source, head: bytes) -> None:
    """Refuse what only points elsewhere, and zipped files that unpack without end."""
    markup = head.lstrip(b"\xef\xbb\xbf \t\r\n").startswith(b"<")
    root = _ROOT.match(head)
    known = root is not None and root[1].split(b":")[-1] in SHAPE_ROOTS
    if _POINTER.search(head) or (markup and not known):
        raise source.refusal(
            "this file does not hold shapes itself.",
            "Export the layer as GeoPackage or GeoJSON.",
        )
    if head.startswith(b"PK\x03\x04"):
        _refuse_bomb(source)
    if source.path.suffix.lower() == ".shp":
        absent = [end for end in SHAPEFILE_PARTS[:3] if not _beside(source.path, end)]
        if absent:
            raise source.refusal(
                f"the part {' and '.join(absent)} of the Shapefile is not beside it.",
                "Copy all its parts.",
            )
        for end in SHAPEFILE_PARTS[:3]:
            if _cut_off(_beside(source.path, end), end):
                raise source.refusal(
                    f"the part {end} of the Shapefile is cut off.", "Copy all its parts again."
                )


def _beside(path: Path, ending: str) -> Path | None:
    """Return the file of the same name with another ending, in small or capital letters."""
    for part in (path.with_suffix(ending), path.with_suffix(ending.upper())):
        if part.is_file():
            return part
    return None


def _cut_off(path: Path | None, ending: str) -> bool:
    """Return whether a part of a Shapefile is shorter than its header says.

    References
    ----------
    ESRI Shapefile Technical Description (1998), main file header: length in 16-bit words at
    byte 24. dBASE table header: records at byte 4, length of header and record at byte 8.
    """
    if path is None:
        return True
    with path.open("rb") as stream:
        head = stream.read(32)
    if len(head) < 32:
        return True
    if ending == ".dbf":
        records, header, length = struct.unpack("<IHH", head[4:12])
        stated = header + records * length
    else:
        stated = 2 * struct.unpack(">I", head[24:28])[0]
    return path.stat().st_size < int(stated)


def _refuse_bomb(source: Source) -> None:
    """Refuse a zipped file that would unpack to far more than a table of a city.

    The sizes stated in a zip directory can be trusted for this: Python and GDAL both stop
    reading a member at its stated size.
    """
    try:
        with zipfile.ZipFile(source.path) as archive:
            unpacked = sum(item.file_size for item in archive.infolist())
    except (zipfile.BadZipFile, OSError, ValueError):
        raise source.refusal("the zipped file is damaged.", "Save or copy it again.") from None
    packed = max(source.path.stat().st_size, 1)
    if unpacked > MOST_UNPACKED or (unpacked > 10**8 and unpacked / packed > MOST_PACKING):
        raise source.refusal(
            f"the file would unpack from {packed / 1e6:,.1f} MB to {unpacked / 1e6:,.0f} MB.",
            "Export the table alone, as CSV or Parquet.",
        )


def fingerprints(source: Source) -> list[dict[str, Any]]:
    """Return name, size [bytes] and SHA-256 of a file, and of the parts of a Shapefile."""
    paths = [source.path]
    if source.path.suffix.lower() == ".shp":
        paths = [part for end in SHAPEFILE_PARTS if (part := _beside(source.path, end))]
    prints = []
    for path in paths:
        with path.open("rb") as stream:
            digest = hashlib.file_digest(stream, "sha256").hexdigest()
        name = (
            source.file if path == source.path else str(Path(source.file).with_suffix(path.suffix))
        )
        prints.append({"file": name, "bytes": path.stat().st_size, "sha256": digest})
    return prints
