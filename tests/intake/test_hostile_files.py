"""Files made to hurt: bombs, devices, endless rows, markup, and very many faults at once."""

import contextlib
import io
import os
import socket
import threading
import zipfile
from pathlib import Path

import geopandas as gpd
import numpy as np
import openpyxl
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from linemap.errors import InputError, SettingsError
from linemap.intake import quarantine_table, read_city, read_table, summarize_problems
from linemap.settings import parse_settings


def workbook(text):
    """Return a table as the bytes of a workbook."""
    book = io.BytesIO()
    pd.read_csv(io.StringIO(text), dtype=str).to_excel(book, index=False)
    return book.getvalue()


def changed_sheet(data, change):
    """Return a workbook with the XML of its sheet changed."""
    book, out = zipfile.ZipFile(io.BytesIO(data)), io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as new:
        for name in book.namelist():
            content = book.read(name)
            new.writestr(name, change(content) if name.endswith("sheet1.xml") else content)
    return out.getvalue()


def refusal(small_city, **changes):
    """Return the one reason for which the small city is refused."""
    with pytest.raises(InputError) as caught:
        read_city(small_city(**changes))
    (problem,) = caught.value.problems
    return problem.reason


def test_zip_bomb(small_city):
    bomb = io.BytesIO()
    with (
        zipfile.ZipFile(bomb, "w", zipfile.ZIP_DEFLATED) as archive,
        archive.open("xl/worksheets/sheet1.xml", "w", force_zip64=True) as sheet,
    ):
        for _ in range(110):
            sheet.write(b"0" * 2**20)
    reason = refusal(small_city, lines=("lines.xlsx", bomb.getvalue()))
    assert reason == "the file would unpack from 0.1 MB to 115 MB."


def test_entities_that_multiply(small_city):
    def laugh(xml):
        entities = '<!ENTITY a0 "ha">' + "".join(
            f'<!ENTITY a{n} "{f"&a{n - 1};" * 10}">' for n in range(1, 10)
        )
        text = xml.decode().split("?>", 1)[-1]
        cell = "<row r='1'><c t='inlineStr'><is><t>&a9;</t></is></c></row>"
        text = text.replace("<sheetData>", f"<sheetData>{cell}", 1)
        return f'<?xml version="1.0"?><!DOCTYPE x [{entities}]>{text}'.encode()

    reason = refusal(
        small_city, lines=lambda t: t, kits=("kits.xlsx", changed_sheet(workbook("a\n1"), laugh))
    )
    assert reason == "the spreadsheet is damaged."


def test_row_number_beyond_any_sheet(small_city):
    def far(xml):
        return xml.replace(b'<row r="3"', b'<row r="999999999999"')

    data = "kit_id,parcel_id\nK1,0001\nK2,0002\n"
    reason = refusal(small_city, kits=("kits.xlsx", changed_sheet(workbook(data), far)))
    assert reason == "the sheet has more than 1,048,576 rows."


def test_column_beyond_any_sheet(small_city):
    def far(xml):
        return xml.replace(b'r="A3"', b'r="XFDZZ3"')

    data = "kit_id,parcel_id\nK1,0001\nK2,0002\n"
    reason = refusal(small_city, kits=("kits.xlsx", changed_sheet(workbook(data), far)))
    assert reason == "the spreadsheet is damaged."


@pytest.mark.parametrize("keep", [0.2, 0.5, 0.9, 0.999])
def test_cut_workbook(small_city, keep):
    data = workbook("kit_id,parcel_id\nK1,0001\n")
    reason = refusal(small_city, kits=("kits.xlsx", data[: int(len(data) * keep)]))
    assert reason in ("this is not a whole .xlsx file.", "the zipped file is damaged.")


@pytest.mark.parametrize("keep", [0.2, 0.5, 0.9, 0.999])
def test_cut_parquet(small_city, keep):
    sink = io.BytesIO()
    pd.DataFrame({"kit_id": ["K1"], "parcel_id": ["0001"]}).to_parquet(sink)
    data = sink.getvalue()
    reason = refusal(small_city, kits=("kits.parquet", data[: int(len(data) * keep)]))
    assert reason == "this is not a whole Parquet file."


SAMPLE = Path(__file__).parents[2] / "synthetic_city" / "sample" / "areas.gpkg"


@pytest.mark.parametrize("keep", [0.3, 0.9, 0.99])
@pytest.mark.parametrize("ending", ["gpkg", "fgb", "geojson"])
def test_cut_shapes(tmp_path, ending, keep):
    whole = tmp_path / f"whole.{ending}"
    gpd.read_file(SAMPLE).to_file(whole)
    data = whole.read_bytes()
    (tmp_path / f"cut.{ending}").write_bytes(data[: int(len(data) * keep)])
    with pytest.raises(InputError, match="the file is damaged or not in the format of its ending"):
        read_table(tmp_path / f"cut.{ending}", "areas")


@pytest.mark.parametrize("part", ["shp", "shx", "dbf"])
@pytest.mark.filterwarnings("ignore::UserWarning", "ignore::RuntimeWarning")
def test_cut_part_of_a_shapefile(tmp_path, part):
    """GDAL reads such a file without a word and leaves out rows."""
    gpd.read_file(SAMPLE).to_file(tmp_path / "a.shp")
    assert len(read_table(tmp_path / "a.shp", "areas")) == 5
    path = tmp_path / f"a.{part}"
    path.write_bytes(path.read_bytes()[:-20])
    with pytest.raises(InputError, match=rf"the part \.{part} of the Shapefile is cut off"):
        read_table(tmp_path / "a.shp", "areas")


@pytest.mark.filterwarnings("ignore::linemap.errors.InputWarning")
def test_scratched_parquet(tmp_path):
    """One byte of the file turned over: a reason or a table, never a traceback."""
    sink = io.BytesIO()
    pd.DataFrame({"kit_id": ["K1", "K2"], "parcel_id": ["0001", "0002"]}).to_parquet(sink)
    data = sink.getvalue()
    outcomes = set()
    for at in range(4, len(data) - 4, 13):
        scratched = bytearray(data)
        scratched[at] ^= 0xFF
        (tmp_path / "kits.parquet").write_bytes(scratched)
        try:
            rows = len(read_table(tmp_path / "kits.parquet", "kits"))
        except InputError:
            rows = -1
        outcomes.add(rows)
    assert outcomes <= {-1, 1, 2}
    assert len(outcomes) > 1


def test_parquet_of_lists_and_of_bytes(small_city):
    sink = io.BytesIO()
    pq.write_table(pa.table({"kit_id": [["K1"]], "parcel_id": ["0001"]}), sink)
    assert refusal(small_city, kits=("k.parquet", sink.getvalue())) == (
        "the cells are not plain values."
    )
    sink = io.BytesIO()
    pq.write_table(pa.table({"kit_id": [b"\xff\xfe"], "parcel_id": ["0001"]}), sink)
    assert refusal(small_city, kits=("k.parquet", sink.getvalue())) == (
        "the cells are not plain values."
    )


def test_numbers_too_large_for_ids(small_city):
    """Ids kept as floating point have lost digits above 2**53; they are not used."""
    sink = io.BytesIO()
    pd.DataFrame({"kit_id": [1.0, 2.0**60], "parcel_id": ["0001", "0002"]}).to_parquet(sink)
    intake = read_city(
        small_city(kits=("k.parquet", sink.getvalue()), leave_out=("samples", "answers"))
    )
    assert intake.city.kits["kit_id"].tolist() == ["1"]
    (problem,) = intake.problems
    assert problem.reason == "a spreadsheet has rounded this id, so its last digits are lost."


def test_devices_and_folders_are_refused(small_city, tmp_path):
    (tmp_path / "folder.csv").mkdir()
    for name in ("/dev/null", "folder.csv", "."):
        with pytest.raises(SettingsError, match="this is not a plain file"):
            small_city({"files": {"parcels": name}})
        with pytest.raises(InputError, match="this is not a plain file"):
            read_table(tmp_path / name, "lines")


def test_pipe_is_refused_and_not_waited_for(tmp_path):
    os.mkfifo(tmp_path / "pipe.csv")
    done = []

    def attempt():
        with pytest.raises(InputError, match="this is not a plain file"):
            read_table(tmp_path / "pipe.csv", "lines")
        done.append(True)

    thread = threading.Thread(target=attempt, daemon=True)
    thread.start()
    thread.join(60)
    assert done


def test_links(small_city, tmp_path):
    settings = small_city()
    (tmp_path / "link.csv").symlink_to(tmp_path / "lines.csv")
    assert len(read_table(tmp_path / "link.csv", "lines")) == 4
    (tmp_path / "loop.csv").symlink_to(tmp_path / "loop.csv")
    (tmp_path / "dangling.csv").symlink_to(tmp_path / "gone.csv")
    for name in ("loop.csv", "dangling.csv"):
        with pytest.raises(InputError, match="there is no such file"):
            read_table(tmp_path / name, "lines")
    assert settings.path("lines") == tmp_path / "lines.csv"


@pytest.mark.parametrize(
    "name",
    [
        "/vsicurl/http://127.0.0.1:9/parcels.geojson",
        "/vsizip/nothing.zip",
        "http://127.0.0.1:9/parcels.geojson",
        "postgresql://127.0.0.1/db",
        "../../../../../../no/such/file.csv",
        "bad\0name.csv",
        "",
        "x" * 5000,
    ],
)
def test_names_that_are_no_files(tmp_path, name):
    with pytest.raises(SettingsError, match=r"files\.parcels"):
        parse_settings({"files": {"parcels": name}}, folder=tmp_path)
    with pytest.raises(InputError):
        read_table(tmp_path / name, "parcels")


def test_absolute_paths_and_paths_upwards_are_allowed(small_city, tmp_path):
    small_city()
    deep = tmp_path / "deep"
    deep.mkdir()
    files = {"parcels": str(tmp_path / "parcels.csv"), "areas": "../areas.geojson"}
    intake = read_city(parse_settings({"files": files}, folder=deep))
    assert intake.counts["areas"]["used"] == 2


def test_ten_gigabytes_of_nothing_are_refused_at_a_glance(tmp_path):
    for name, first in (
        ("a.csv", b""),
        ("b.csv", b"parcel_id;no end of the line "),
        ("c.gpkg", b""),
    ):
        with (tmp_path / name).open("wb") as stream:
            stream.write(first)
            stream.truncate(10 * 2**30)
        with pytest.raises(InputError):
            read_table(tmp_path / name, "parcels")


def test_line_without_end_is_refused(tmp_path):
    (tmp_path / "long.csv").write_bytes(b"parcel_id," * 300_000)
    with pytest.raises(InputError, match="the first line has no end within a million characters"):
        read_table(tmp_path / "long.csv", "parcels")


def test_formulas_without_results_are_not_taken_for_empty_cells(small_city, tmp_path):
    book = openpyxl.Workbook()
    book.active.append(["parcel_id", "utility_material", "customer_material", "installed_year"])
    book.active.append(["0001", "lead", "lead", "=1900+24"])
    book.active.append(["0002", "copper", "copper", 1951])
    book.save(tmp_path / "lines.xlsx")
    intake = read_city(small_city(lines=("lines.xlsx", None)))
    assert [str(p) for p in intake.problems] == [
        "lines.xlsx, table lines, column installed_year, row 1 [=1900+24]: the formula in this "
        "cell has no stored result. Open the file in a spreadsheet program and save it."
    ]
    assert intake.counts["lines"] == {"rows_in": 2, "used": 2, "quarantined": 0, "cells": 1}


KML = (
    '<?xml version="1.0"?>{before}<kml xmlns="http://www.opengis.net/kml/2.2"><Document>'
    "<NetworkLink><Link><href>{link}</href></Link></NetworkLink><Placemark><name>hill</name>"
    "<Polygon><outerBoundaryIs><LinearRing><coordinates>-93,45 -92,45 -92,46 -93,45"
    "</coordinates></LinearRing></outerBoundaryIs></Polygon></Placemark></Document></kml>"
)


@pytest.fixture
def listener():
    """Listen on loopback; give the address and the list of whoever called."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        calls = []

        def listen():
            with contextlib.suppress(OSError):
                while True:
                    calls.append(server.accept()[1])

        threading.Thread(target=listen, daemon=True).start()
        yield f"http://127.0.0.1:{server.getsockname()[1]}/x", calls
        server.shutdown(socket.SHUT_RDWR)


def test_links_in_shapes_are_not_followed(tmp_path, listener):
    address, calls = listener
    (tmp_path / "a.kml").write_text(KML.format(link=address, before=""), encoding="utf-8")
    areas = read_table(tmp_path / "a.kml", "areas", columns={"area_id": "Name"})
    assert areas["area_id"].tolist() == ["hill"]
    assert calls == []


@pytest.mark.parametrize(
    "text",
    [
        "<OGRWFSDataSource><URL>{}</URL></OGRWFSDataSource>",
        "<!-- FeatureCollection <kml --><OGRWFSDataSource><URL>{}</URL></OGRWFSDataSource>",
        '<kml/><OGRVRTDataSource><OGRVRTLayer name="x"><SrcDataSource>{}</SrcDataSource>'
        "</OGRVRTLayer></OGRVRTDataSource>",
        "<html><body>{}</body></html>",
        "<!---->" * 5000 + "<!{}",
        '<!DOCTYPE kml SYSTEM "{}"><kml/>',
    ],
)
@pytest.mark.parametrize("ending", ["xml", "gpkg", "geojson", "kml"])
def test_files_that_point_elsewhere_are_refused(tmp_path, listener, text, ending):
    address, calls = listener
    (tmp_path / f"a.{ending}").write_text(text.format(address), encoding="utf-8")
    with pytest.raises(InputError, match="this file does not hold shapes itself"):
        read_table(tmp_path / f"a.{ending}", "areas")
    assert calls == []


MARKUP = "<script>alert('1')</script>&\"<b>"
FORMULA = '=HYPERLINK("http://x","y")'


@pytest.mark.parametrize("value", [MARKUP, FORMULA, "+1-1", "@SUM(A1)", "\u202eabc", "\x07bell"])
@pytest.mark.parametrize("ending", ["csv", "parquet", "xlsx"])
def test_markup_and_formulas_stay_text(small_city, tmp_path, value, ending):
    """They are escaped where they are written, not here, and never evaluated."""
    if ending == "xlsx" and "\x07" in value:
        pytest.skip("a workbook cannot hold control characters")
    frame = pd.DataFrame({"site_id": ["S1"], "parcel_id": ["0001"], "kind": [value]})
    path = tmp_path / f"hostile.{ending}"
    if ending == "xlsx":
        with pd.ExcelWriter(
            path, engine="xlsxwriter", engine_kwargs={"options": {"strings_to_formulas": False}}
        ) as book:
            frame.to_excel(book, index=False)
    elif ending == "csv":
        frame.to_csv(path, index=False)
    else:
        frame.to_parquet(path)
    intake = read_city(small_city(sites=(path.name, None)))
    assert intake.city.sites["kind"].tolist() == [value]


def test_markup_in_codes_stands_in_the_quarantine_as_it_was(small_city):
    intake = read_city(
        small_city(answers=lambda t: t.replace("K1,lead", 'K1,"<img src=x onerror=alert(1)>"'))
    )
    (row,) = quarantine_table(intake.problems).to_dict("records")
    assert row["value"] == "<img src=x onerror=alert(1)>"
    assert row["effect"] == "cell"


def test_very_many_duplicates_are_each_listed(small_city, tmp_path):
    """A hundred thousand rows that repeat four, and as many bad cells."""
    rows = 100_000
    rng = np.random.default_rng(1)
    ids = np.array(["0001", "0002", "0003", "0004"])[rng.integers(0, 4, rows)]
    frame = pd.DataFrame(
        {
            "parcel_id": ids,
            "utility_material": "copper",
            "customer_material": np.where(np.arange(rows) % 2, "tin", "copper"),
        }
    )
    frame.to_csv(tmp_path / "many.csv", index=False)
    intake = read_city(small_city(lines=("many.csv", None)))
    assert intake.counts["lines"] == {
        "rows_in": rows,
        "used": 4,
        "quarantined": rows - 4,
        "cells": 0,
    }
    table = quarantine_table(intake.problems)
    assert len(table) == rows - 4
    assert table["row"].is_unique
    assert table["reason"].value_counts().tolist() == [rows // 2, rows // 2 - 4]
    said = summarize_problems(intake.problems)
    assert len(said) == 2
    assert said[0].startswith(
        "many.csv, table lines, column customer_material, rows 2, 4, 6, 8, 10"
    )
    assert "and 49,995 more [tin]" in said[0]


def test_error_of_very_many_problems_stays_readable(small_city):
    columns = {f"x{n}": f"Y{n}" for n in range(300)}
    with pytest.raises(SettingsError):
        small_city({"columns": {"lines": columns}})
    error = InputError(
        [p for n in range(300) for p in [_problem(n)]],
    )
    assert str(error).count("\n") == 51
    assert str(error).endswith("- ... and 250 more")


def _problem(number):
    from linemap.errors import Problem

    return Problem("f.csv", "lines", f"c{number}", "", "", "a.", "b.")
