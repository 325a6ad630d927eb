"""Garbage, however large: refused in bounded memory, with the file named and a remedy."""

import io
import shutil
import struct
import zipfile

import numpy as np
import openpyxl
import pytest

from linemap.errors import InputError, SettingsError
from linemap.intake import read_city, read_table
from linemap.settings import load_settings, parse_settings

BOUNDED = """
with open("/proc/self/statm") as stream:
    have = int(stream.read().split()[0]) * os.sysconf("SC_PAGE_SIZE")
resource.setrlimit(resource.RLIMIT_AS, (have + 2**30, have + 2**30))
"""
"""Code for the start of a process: one gigabyte beyond what the libraries take."""

HEADER = b"parcel_id,utility_material,customer_material\n"


def letters(count, line):
    """Return garbage letters with a line end after every ``line`` of them."""
    text = np.random.default_rng(1).integers(97, 123, count, dtype=np.uint8)
    text[line - 1 :: line] = 10
    return text.tobytes()


def write_garbage(kind, path):
    """Write a file that is far larger than the memory that may be used, where that matters."""
    block = letters(2**20, 41)
    with path.open("wb") as stream:
        stream.write(HEADER)
        if kind == "lines without separators":
            stream.writelines([block] * 300)
        elif kind == "one line without end":
            stream.writelines([block.replace(b"\n", b"x")] * 300)
        elif kind == "a quotation mark never closed":
            stream.writelines([b'1,"', *[block] * 300])
        elif kind == "cells of garbage":
            stream.writelines([b"a,b,c\n" * 100_000] * 22)
        elif kind == "bytes of all kinds":
            stream.writelines([np.random.default_rng(2).bytes(2**20)] * 300)
        elif kind == "ten gigabytes":
            stream.writelines([block])
            stream.truncate(10 * 2**30)


GARBAGE = {
    "lines without separators": "100,000 rows do not have the 3 cells of the header.",
    "one line without end": "the text cannot be parted into rows and columns.",
    "a quotation mark never closed": "the text cannot be parted into rows and columns.",
    "cells of garbage": "2,200,000 rows are wrong here, more than can be listed",
    "bytes of all kinds": "this is not a text table.",
    "ten gigabytes": "the file holds 10.7 GB, more than any table of a city.",
}


@pytest.mark.parametrize("kind", GARBAGE)
def test_large_garbage_is_refused_in_bounded_memory(tiny_city, linemap, tmp_path, kind):
    city = tmp_path / "city"
    shutil.copytree(tiny_city, city)
    write_garbage(kind, city / "lines.csv")
    code, said = linemap.run("check", "city/settings.toml", cwd=tmp_path, first=BOUNDED)
    (city / "lines.csv").unlink()
    assert code == 1, said
    assert "lines.csv, table lines" in said
    assert GARBAGE[kind] in said
    assert "Traceback" not in said


def test_too_little_memory_names_the_file(tiny_city, monkeypatch):
    from linemap.intake import city

    whole = city.load_table

    def starved(source, dialect):
        if source.table == "lines":
            raise MemoryError
        return whole(source, dialect)

    monkeypatch.setattr(city, "load_table", starved)
    with pytest.raises(InputError, match=r"lines\.csv, table lines: .* too large for the memory"):
        read_city(load_settings(tiny_city / "settings.toml"))


def book(rows):
    """Return a workbook as bytes."""
    made, out = openpyxl.Workbook(), io.BytesIO()
    for row in rows:
        made.active.append(row)
    made.save(out)
    return out.getvalue()


def with_parts(data, changed):
    """Return a workbook with some parts replaced or added: bytes, or pieces of bytes."""
    old, out = zipfile.ZipFile(io.BytesIO(data)), io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as new:
        for name in old.namelist():
            if name not in changed:
                new.writestr(name, old.read(name))
        for name, pieces in changed.items():
            with new.open(name, "w") as stream:
                for piece in pieces:
                    stream.write(piece)
    return out.getvalue()


LINES = book([["kit_id", "parcel_id"], ["K1", "0001"]])


def test_a_list_of_texts_that_swells(tmp_path):
    """Padded with what does not pack, so that the whole looks harmless."""
    pieces = [b"<sst>", *[b"<si><t>a</t></si>" * 60_000] * 280, b"</sst>"]
    noise = [np.random.default_rng(3).bytes(2**21)]
    changed = {"xl/sharedStrings.xml": pieces, "xl/media/a.png": noise}
    (tmp_path / "kits.xlsx").write_bytes(with_parts(LINES, changed))
    with pytest.raises(InputError, match=r"part xl/sharedStrings\.xml .* unpacks to 286 MB"):
        read_table(tmp_path / "kits.xlsx", "kits")


def test_a_row_that_swells(tmp_path):
    pieces = [b"<worksheet><sheetData><row>", *[b"<c/>" * 2**16] * 200, b"</row></sheetData>"]
    changed = {"xl/worksheets/sheet1.xml": [*pieces, b"</worksheet>"]}
    (tmp_path / "kits.xlsx").write_bytes(with_parts(LINES, changed))
    with pytest.raises(InputError, match="a row of the sheet is longer than any row of a table"):
        read_table(tmp_path / "kits.xlsx", "kits")


def test_sizes_that_lie(tmp_path):
    """A part that says it unpacks to 2,000 bytes is read no further, and found to be damaged."""
    pieces = [b"<worksheet><sheetData>", *[b"<row/>" * 2**16] * 200]
    data = bytearray(with_parts(LINES, {"xl/worksheets/sheet1.xml": pieces}))
    small = struct.pack("<I", 2000)
    with zipfile.ZipFile(io.BytesIO(bytes(data))) as archive:
        (item,) = (i for i in archive.infolist() if i.filename.endswith("sheet1.xml"))
    data[item.header_offset + 22 : item.header_offset + 26] = small
    entry = data.rfind(b"xl/worksheets/sheet1.xml") - 46
    assert data[entry : entry + 4] == b"PK\x01\x02"
    data[entry + 24 : entry + 28] = small
    (tmp_path / "kits.xlsx").write_bytes(data)
    with pytest.raises(InputError, match="the spreadsheet is damaged"):
        read_table(tmp_path / "kits.xlsx", "kits")


def test_cells_far_to_the_right_of_every_row(tmp_path):
    """Each row would be 16,384 cells wide; only the wanted ones are made."""
    rows = b"".join(
        b'<row r="%d"><c r="A%d" t="inlineStr"><is><t>K%d</t></is></c>'
        b'<c r="B%d" t="inlineStr"><is><t>0001</t></is></c><c r="XFD%d"><v>1</v></c></row>'
        % (n, n, n, n, n)
        for n in range(2, 4_002)
    )
    head = (
        b'<worksheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"><sheetData>'
        b'<row r="1"><c r="A1" t="inlineStr"><is><t>kit_id</t></is></c>'
        b'<c r="B1" t="inlineStr"><is><t>parcel_id</t></is></c></row>'
    )
    pieces = [head, rows, b"</sheetData></worksheet>"]
    (tmp_path / "kits.xlsx").write_bytes(with_parts(LINES, {"xl/worksheets/sheet1.xml": pieces}))
    assert len(read_table(tmp_path / "kits.xlsx", "kits")) == 4_000


@pytest.mark.parametrize(
    "name", ["~/parcels.csv", "~root/.bashrc", "$HOME/parcels.csv", "file:///etc/passwd",
             "parcels.csv\n", "C:\\parcels.csv", "\\\\server\\share\\a.csv", "|cat /etc/passwd",
             "/etc/../etc/no-such-file", "/dev/zero", "/proc/self/mem.csv"]
)  # fmt: skip
def test_names_are_names_and_nothing_else(tmp_path, name):
    with pytest.raises(SettingsError, match=r"files\.parcels"):
        parse_settings({"files": {"parcels": name}}, folder=tmp_path)
