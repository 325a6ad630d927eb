"""Files broken in one way each that stop the job, and the exact message that a planner gets."""

import json
import os

import pytest

from linemap.errors import InputError
from linemap.intake import read_city

MAP_IT = 'Add it, or name the column that holds it under [columns.{}], e.g. {} = "YOUR NAME".'
NO_FORMAT = "the file is damaged or not in the format of its ending. Copy or export it again."


def moved(turn):
    """Move every corner of the areas."""

    def change(text):
        areas = json.loads(text)
        for feature in areas["features"]:
            (ring,) = feature["geometry"]["coordinates"]
            feature["geometry"]["coordinates"] = [[turn(*corner) for corner in ring]]
        return json.dumps(areas)

    return change


# id: (changes of the small city, settings, messages)
STOPS = {
    "empty file": (
        {"lines": b""},
        {},
        ["lines.csv, table lines: the file is empty. Export it again."],
    ),
    "header without rows": (
        {"parcels": lambda t: t.split("\n")[0] + "\n"},
        {},
        ["parcels.csv, table parcels: the table has a header but no rows. Export it again."],
    ),
    "first line empty": (
        {"lines": lambda t: "\n" + t},
        {},
        [
            "lines.csv, table lines: the first line is empty. Put the column names into the "
            "first line."
        ],
    ),
    "picture": (
        {"lines": b"\x89PNG\r\n\x1a\n\0\0\0"},
        {},
        [
            "lines.csv, table lines: this is not a text table. Export the table as CSV UTF-8.",
        ],
    ),
    "UTF-16": (
        {"lines": lambda t: t.encode("utf-16")},
        {},
        ["lines.csv, table lines: the text is stored as UTF-16. Save it as CSV UTF-8."],
    ),
    "no known encoding": (
        {"sites": "site_id,parcel_id,kind\nS1,0002,caf\u00e9".encode("cp1252") + b"\x81\n"},
        {},
        [
            "sites.csv, table sites: the text is neither UTF-8 nor Windows-1252. Save the file "
            "as CSV UTF-8."
        ],
    ),
    "old spreadsheet": (
        {"lines": ("lines.xls", b"\xd0\xcf\x11\xe0" + b"\0" * 100)},
        {},
        [
            "lines.xls, table lines: this is an old or password-protected spreadsheet. Save it "
            "as .xlsx without a password."
        ],
    ),
    "text named .xlsx": (
        {"lines": ("lines.xlsx", lambda t: t)},
        {},
        [
            "lines.xlsx, table lines: this is not a whole .xlsx file. Save it again, or use the "
            "ending of its format."
        ],
    ),
    "zip named .csv": (
        {"lines": b"PK\x03\x04" + b"\0" * 30},
        {},
        [
            "lines.csv, table lines: this is a zipped file or spreadsheet named .csv. Give it "
            "its own ending."
        ],
    ),
    "text named .parquet": (
        {"lines": ("lines.parquet", lambda t: t)},
        {},
        [
            "lines.parquet, table lines: this is not a whole Parquet file. Copy or export it "
            "again to the end."
        ],
    ),
    "missing columns": (
        {"lines": lambda t: t.replace("utility_material", "util").replace("parcel_id", "pin")},
        {},
        [
            "lines.csv, table lines, column parcel_id: this required column is missing. "
            + MAP_IT.format("lines", "parcel_id"),
            "lines.csv, table lines, column utility_material: this required column is missing. "
            + MAP_IT.format("lines", "utility_material"),
        ],
    ),
    "mapped column missing": (
        {},
        {"columns": {"lines": {"utility_material": "UTIL"}}},
        [
            "lines.csv, table lines, column utility_material: there is no column UTIL in the "
            "file, as [columns.lines] says. Its columns are: parcel_id, utility_material, "
            "customer_material, installed_year."
        ],
    ),
    "column twice": (
        {"lines": lambda t: t.replace("installed_year", "utility_material")},
        {},
        [
            "lines.csv, table lines, column utility_material: 2 columns are named "
            "utility_material. Rename or drop all but one."
        ],
    ),
    "extra column missing": (
        {},
        {"scoring": {"extra": ["roof"]}},
        [
            "parcels.csv, table parcels, column roof: this column is named in scoring.extra and "
            "is missing. Its columns are: parcel_id, longitude, latitude, year_built, "
            "owner_occupied, assessed_value."
        ],
    ),
    "open quotation mark": (
        {"lines": lambda t: t.replace("0002,copper", '0002,"copper')},
        {},
        [
            'lines.csv, table lines [0002,"copper,galvanized,1951 0003,unk...]: a quotation mark '
            "is opened and not closed, so that rows run together. Close it or take it out."
        ],
    ),
    "open quotation mark in the last column": (
        {"lines": lambda t: t.replace("galvanized,1951", 'galvanized,"1951')},
        {},
        [
            "lines.csv, table lines [1951 0003,unknown,, 0004,copper,coppe...]: a quotation mark "
            "is opened and not closed, so that rows run together. Close it or take it out."
        ],
    ),
    "two errors in two files": (
        {"lines": b"", "kits": lambda t: t.replace("kit_id", "kit")},
        {},
        [
            "lines.csv, table lines: the file is empty. Export it again.",
            "kits.csv, table kits, column kit_id: this required column is missing. "
            + MAP_IT.format("kits", "kit_id"),
        ],
    ),
    "samples without kits": (
        {"leave_out": ("kits",)},
        {},
        [
            "samples.csv, table samples: samples were given without kits. Name the file of the "
            "kits under [files].",
            "answers.csv, table answers: answers were given without kits. Name the file of the "
            "kits under [files].",
        ],
    ),
    "no row left": (
        {
            "lines": lambda t: (
                t.replace("lead,lead", "LD,LD").replace("copper", "CU").replace("un", "U")
            )
        },
        {},
        [
            "lines.csv, table lines, column utility_material [LD]: none of the 4 rows can be "
            "used. Most often: this is not one of lead, galvanized, copper, plastic, iron, "
            "brass, other, unknown. Correct it, or translate your code under [values.material].",
            "lines.csv, table lines, column utility_material: 3 codes are unknown: "
            '"CU" = "..." (2 rows), "LD" = "..." (1 row), "Uknown" = "..." (1 row). Put them '
            "under [values.material], each with one of lead, galvanized, copper, plastic, iron, "
            "brass, other, unknown.",
            "lines.csv, table lines, column customer_material: 2 codes are unknown: "
            '"CU" = "..." (1 row), "LD" = "..." (1 row). Put them under [values.material], each '
            "with one of lead, galvanized, copper, plastic, iron, brass, other, unknown.",
        ],
    ),
    "day and month": (
        {
            "checks": lambda t: t.replace("2024-05-31", "31/5/2024").replace(
                "2024-06-01", "1/6/2024"
            ),
        },
        {},
        [
            "checks.csv, table checks, column checked_on: some dates have the day first "
            "(31/5/2024); 1/6/2024 could be read either way (row 1). Set day_first = true under "
            "[city] if the day comes first in every file, or write the dates of this column as "
            "YYYY-MM-DD."
        ],
    ),
    "both orders of day and month": (
        {
            "checks": lambda t: t.replace("2024-05-31", "31/5/2024").replace(
                "2024-06-01", "6/13/2024"
            ),
        },
        {},
        [
            "checks.csv, table checks, column checked_on: some dates have the day first "
            "(31/5/2024); 6/13/2024 has the month first (row 1). Write all dates of this column "
            "as YYYY-MM-DD."
        ],
    ),
    "no place": (
        {"parcels": lambda t: t.replace("longitude", "lng")},
        {},
        [
            "parcels.csv, table parcels, column longitude: the file has no shapes and no column "
            "longitude. Give a file of shapes, or longitude and latitude in degrees; another "
            "name of theirs goes under [columns.parcels]."
        ],
    ),
    "swapped axes": (
        {"parcels": lambda t: t.replace("longitude,latitude", "latitude,longitude")},
        {},
        [
            "parcels.csv, table parcels, column geometry: longitude and latitude are swapped: "
            "the middle of the file is at 44.97, -93.26. Write longitude as x and latitude as y."
        ],
    ),
    "swapped axes of areas": (
        {"areas": moved(lambda x, y: [y, x])},
        {},
        [
            "areas.geojson, table areas, column geometry: longitude and latitude are swapped: "
            "the middle of the file is at 44.96, -93.26. Write longitude as x and latitude as y."
        ],
    ),
    "feet without a system": (
        {"parcels": lambda t: t.replace("-93.2", "2800000.2").replace("44.9", "1000000.9")},
        {},
        [
            "parcels.csv, table parcels, column longitude: longitude and latitude are not "
            "degrees: 2800000, 1000001. Give degrees, or their system under [city], e.g. crs = "
            '"EPSG:2263".'
        ],
    ),
    "unknown system": (
        {},
        {"city": {"crs": "EPSG:999999"}},
        [
            "settings, column city.crs [EPSG:999999]: this coordinate reference system is not "
            "known. Give its EPSG code, e.g. EPSG:2263."
        ],
    ),
    "feet that claim to be degrees": (
        {"areas": moved(lambda x, y: [x * 10000, y * 10000])},
        {},
        [
            "areas.geojson, table areas, column geometry: the coordinates are not degrees, "
            "although the system is WGS 84. State the right coordinate reference system in the "
            "file."
        ],
    ),
    "areas elsewhere": (
        {"areas": moved(lambda x, y: [x + 1, y])},
        {},
        [
            "parcels.csv, table parcels, column geometry: only 0 of 4 parcels lie in or near the "
            "areas. Check the coordinate reference systems of both files."
        ],
    ),
    "areas without outlines": (
        {"areas": ("areas.csv", "area_id,name\nx,y\n")},
        {},
        [
            "areas.csv, table areas, column geometry: areas need outlines, and this file has "
            "none. Give a file of shapes, e.g. GeoPackage or GeoJSON."
        ],
    ),
    "Shapefile without its parts": (
        {"areas": ("areas.shp", b"\x00\x00\x27\x0a" + b"\xff" * 100)},
        {},
        [
            "areas.shp, table areas: the part .shx and .dbf of the Shapefile is not beside it. "
            "Copy all its parts."
        ],
    ),
    "file that points elsewhere": (
        {
            "areas": (
                "areas.gpkg",
                '<OGRVRTDataSource><OGRVRTLayer name="x"><SrcDataSource>/etc/passwd'
                "</SrcDataSource></OGRVRTLayer></OGRVRTDataSource>",
            )
        },
        {},
        [
            "areas.gpkg, table areas: this file does not hold shapes itself. Export the layer "
            "as GeoPackage or GeoJSON."
        ],
    ),
}


@pytest.mark.parametrize("case", STOPS)
def test_what_stops_the_job(small_city, case):
    changes, settings, messages = STOPS[case]
    with pytest.raises(InputError) as caught:
        read_city(small_city(settings, **changes))
    assert [str(problem) for problem in caught.value.problems] == messages
    assert all(problem.effect == "stop" for problem in caught.value.problems)


@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("areas.geojson", lambda t: t[:200]),
        ("areas.geojson", "hello"),
        ("areas.gpkg", b"SQLite format 3\0" + b"\0" * 200),
        ("areas.fgb", b"\x00\x01\x02" * 100),
    ],
)
def test_damaged_shapes(small_city, name, content):
    with pytest.raises(InputError) as caught:
        read_city(small_city(areas=(name, content)))
    (problem,) = caught.value.problems
    assert (problem.file, problem.table) == (name, "areas")
    assert f"{problem.reason} {problem.remedy}" == NO_FORMAT
    assert os.sep + "tmp" not in str(problem), "a message names the file as the settings do"


def test_there_are_at_least_twenty_cases():
    assert len(STOPS) >= 20
