"""Any bytes at all give a table with every row accounted for, or a reason."""

import csv
import io
import string
import warnings
import zipfile
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

import geopandas as gpd
import pandas as pd
import pyarrow as pa
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from linemap.errors import InputError
from linemap.intake.cells import EMPTY_IDS, mend_ids
from linemap.intake.reading import Dialect, load_table
from linemap.intake.source import open_source
from linemap.intake.text import cell_as_text, column_as_text

BOUNDED = settings(
    max_examples=80, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
HEADER = b"parcel_id,utility_material,customer_material,basis\n"
SEPARATORS = [b",", b";", b"\n", b"\r\n", b"\r", b"\t", b" ", b""]
WORDS = st.sampled_from(
    [*SEPARATORS, *b'0001 lead " "" =1+1 #REF! NULL \' \0 \xff \xc3\xa9 \xe9 \x81'.split()]
)


def load(path, data, table="lines"):
    """Return the loaded table, or None if the file is refused with reasons."""
    path.write_bytes(data)
    try:
        return load_table(open_source(path, table), Dialect({}, {}))
    except InputError as error:
        problems = error.problems
    assert problems
    assert all(p.reason and p.remedy and p.effect == "stop" for p in problems)
    return None


def assert_accounted(loaded):
    aside = [p for p in loaded.problems if p.effect == "row"]
    assert loaded.rows_in == len(loaded.table) + len(aside)
    numbers = [int(p.row) for p in aside] + list(loaded.table.index)
    assert len(set(numbers)) == len(numbers)
    assert min(numbers, default=1) >= 1


@BOUNDED
@given(st.binary(max_size=300))
def test_any_bytes(tmp_path, data):
    load(tmp_path / "f.csv", data)


@BOUNDED
@given(st.binary(max_size=200))
def test_any_bytes_under_a_header(tmp_path, data):
    loaded = load(tmp_path / "f.csv", HEADER + data)
    if loaded is not None:
        assert_accounted(loaded)


@BOUNDED
@given(st.lists(WORDS, max_size=60))
def test_any_mix_of_separators_quotes_and_words(tmp_path, words):
    loaded = load(tmp_path / "f.csv", HEADER + b"".join(words))
    if loaded is not None:
        assert_accounted(loaded)


@settings(
    max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(st.binary(max_size=300), st.sampled_from(["xlsx", "parquet", "gpkg", "geojson", "shp"]))
def test_any_bytes_under_any_ending(tmp_path, data, ending):
    assert load(tmp_path / f"f.{ending}", data, "parcels") is None


CELL = st.text(string.ascii_letters + string.digits + " ,;|\t'\"\n\u00e9\u4e2d#<>=&", max_size=12)


@BOUNDED
@given(
    st.lists(CELL, min_size=1, max_size=12),
    st.sampled_from(",;\t|"),
    st.sampled_from([csv.QUOTE_MINIMAL, csv.QUOTE_ALL]),
    st.sampled_from(["\n", "\r\n"]),
    st.sampled_from(["utf-8", "utf-8-sig"]),
)
def test_what_the_csv_module_writes_is_read(tmp_path, cells, separator, quoting, ending, encoding):
    """The csv module of the standard library is the rival."""
    out = io.StringIO()
    writer = csv.writer(out, delimiter=separator, quoting=quoting, lineterminator=ending)
    writer.writerow(["parcel_id", "utility_material", "customer_material", "basis"])
    for number, cell in enumerate(cells):
        writer.writerow([f"{number:04}", "lead", "copper", cell])
    loaded = load(tmp_path / "f.csv", out.getvalue().encode(encoding))
    if loaded is None:
        assert any("\n" in cell for cell in cells), "only broken lines may look like open quotes"
        return
    assert loaded.table["parcel_id"].tolist() == [f"{n:04}" for n in range(len(cells))]
    assert loaded.table.index.tolist() == list(range(1, len(cells) + 1))
    wanted = [None if c.strip().lower() in EMPTY_IDS else c.strip() for c in cells]
    found = [None if pd.isna(v) else v.replace("\r\n", "\n") for v in loaded.table["basis"]]
    assert found == [None if w is None else w.replace("\r\n", "\n") for w in wanted]


@cache
def whole_file(ending):
    """Return a file of four parcels as bytes."""
    points = gpd.points_from_xy([-93.26, -93.25, -93.24, -93.23], [44.97] * 4, crs=4326)
    table = pd.DataFrame({"parcel_id": ["0001", "0002", "0003", "0004"], "year_built": 1924})
    shapes = gpd.GeoDataFrame(table, geometry=points)
    flat = table.assign(longitude=points.x, latitude=points.y)
    with TemporaryDirectory() as folder:
        path = Path(folder) / f"whole.{ending}"
        if ending == "xlsx":
            flat.to_excel(path, index=False)
        elif ending == "csv":
            flat.to_csv(path, index=False)
        elif ending == "parquet":
            shapes.to_parquet(path, compression=None)
        else:
            shapes.to_file(path)
        return path.read_bytes()


def scratched(data, scratches, keep):
    """Return bytes of which some are changed and the end is cut off."""
    out = bytearray(data)
    for place, byte in scratches:
        out[int(place * len(out))] = byte
    return bytes(out[: max(int(len(out) * keep), 1)])


SCRATCHES = st.lists(
    st.tuples(st.floats(0, 1, exclude_max=True), st.integers(0, 255)), min_size=1, max_size=8
)
KEEP = st.sampled_from([1.0, 1.0, 1.0, 0.99, 0.7])


@settings(
    max_examples=100, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(st.sampled_from(["csv", "parquet", "gpkg", "geojson", "fgb"]), SCRATCHES, KEEP)
def test_scratched_files(tmp_path, ending, scratches, keep):
    """A reason, or a table with every row accounted for."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        data = scratched(whole_file(ending), scratches, keep)
        loaded = load(tmp_path / f"f.{ending}", data, "parcels")
    if loaded is not None:
        assert_accounted(loaded)
        assert len(loaded.table) <= 5


@settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(
    st.sampled_from(["xl/worksheets/sheet1.xml", "xl/sharedStrings.xml", "xl/workbook.xml",
                     "xl/styles.xml", "[Content_Types].xml"]),
    SCRATCHES,
    KEEP,
)  # fmt: skip
def test_scratched_parts_of_a_workbook(tmp_path, part, scratches, keep):
    """The markup is changed within a sound zip, so that the reader gets to see it."""
    out = io.BytesIO()
    with (
        zipfile.ZipFile(io.BytesIO(whole_file("xlsx"))) as old,
        zipfile.ZipFile(out, "w") as new,
    ):
        for name in old.namelist():
            content = old.read(name)
            new.writestr(name, scratched(content, scratches, keep) if name == part else content)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        loaded = load(tmp_path / "f.xlsx", out.getvalue(), "parcels")
    if loaded is not None:
        assert_accounted(loaded)
        assert len(loaded.table) <= 4


def test_blank_rows_keep_the_numbers_of_the_others(tmp_path):
    data = HEADER + b"0001,lead,lead,\n\n,,,\n0002,lead,lead,\n \n0003,tin,lead,\n\n\n"
    loaded = load(tmp_path / "f.csv", data)
    assert loaded.table.index.tolist() == [1, 4]
    assert [(p.row, p.value) for p in loaded.problems] == [("6", "tin")]
    assert loaded.rows_in == 3


def test_rows_after_a_broken_line_keep_their_numbers(tmp_path):
    data = HEADER + b'0001,lead,lead,"tap\ncard"\n0002,lead\n0003,lead,lead,\n'
    loaded = load(tmp_path / "f.csv", data)
    assert loaded.table["basis"].tolist()[0] == "tap\ncard"
    assert loaded.table.index.tolist() == [1, 3]
    assert [(p.row, p.value) for p in loaded.problems] == [("2", "0002,lead")]


def test_many_blocks_of_text(tmp_path):
    """More than one block of the reader, with a short row near the end."""
    rows = 450_000
    body = b"".join(b"%07d,lead,copper,plan of the old town\n" % n for n in range(rows))
    loaded = load(tmp_path / "f.csv", HEADER + body + b"x,lead\n" + b"9999999,lead,lead,\n")
    assert loaded.rows_in == rows + 2
    assert [p.row for p in loaded.problems] == [str(rows + 1)]
    assert loaded.table.index[-1] == rows + 2


def test_mended_ids():
    given_ = [" 00123", "123.0", "123.00", '="007"', "12.50", "A.0", "", " ", "NULL", "nan", None]
    assert mend_ids(pa.array(given_, pa.string())).to_pylist() == [
        "00123",
        "123",
        "123",
        "007",
        "12.50",
        "A.0",
        None,
        None,
        None,
        None,
        None,
    ]


@given(st.integers(-(2**53) + 1, 2**53 - 1))
def test_whole_numbers_become_ids_without_point(number):
    assert cell_as_text(float(number)) == str(number)
    assert column_as_text(pa.chunked_array([[float(number)]])).to_pylist() == [str(number)]
    assert column_as_text(pa.chunked_array([[number]])).to_pylist() == [str(number)]


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_numbers_come_back_from_their_text(number):
    assert float(cell_as_text(number)) == number
    assert float(column_as_text(pa.chunked_array([[number]]))[0].as_py()) == number
