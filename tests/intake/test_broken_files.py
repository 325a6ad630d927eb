"""Files broken in one way each, and the exact message that a planner gets."""

import json
import os

import pytest

from linemap.errors import InputError
from linemap.intake import read_city

MAP_IT = 'Add it, or name the column that holds it under [columns.{}], e.g. {} = "YOUR NAME".'
NO_FORMAT = "the file is damaged or not in the format of its ending. Copy or export it again."


def areas_with(geometry):
    """Give the second area another shape."""

    def change(text):
        areas = json.loads(text)
        areas["features"][1]["geometry"] = geometry
        return json.dumps(areas)

    return change


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

SET_ASIDE = {
    "Windows-1252": (
        {"sites": "site_id,parcel_id,kind\nS1,0002,caf\u00e9\n".encode("cp1252")},
        {},
        [
            "note: sites.csv, table sites: the text is not UTF-8; it was read as Windows-1252. "
            "Look at names with accents, and save the file as CSV UTF-8."
        ],
    ),
    "no rows yet": (
        {"checks": lambda t: t.split("\n")[0]},
        {},
        ["note: checks.csv, table checks: the table has a header but no rows. Export it again."],
    ),
    "too few cells": (
        {"lines": lambda t: t + "0001,lead\n"},
        {},
        [
            "row: lines.csv, table lines, row 5 [0001,lead]: the row does not have the 4 cells "
            "of the header. Put quotation marks around text that holds the separator."
        ],
    ),
    "same parcel twice": (
        {"parcels": lambda t: t + "0001,-93.26,44.97,1924,yes,1\n"},
        {},
        [
            "row: parcels.csv, table parcels, column parcel_id, row 5 [0001]: another row above "
            "has the same parcel_id. Keep one of them."
        ],
    ),
    "same check twice": (
        {"checks": lambda t: t + "0001,utility,5/31/2024,copper,random\n"},
        {},
        [
            "row: checks.csv, table checks, column parcel_id, row 3 [0001]: another row above "
            "has the same parcel_id + side + checked_on. Keep one of them."
        ],
    ),
    "no id": (
        {"parcels": lambda t: t + ",-93.26,44.97,1924,yes,1\n"},
        {},
        [
            "row: parcels.csv, table parcels, column parcel_id, row 5: a required value is "
            "missing. Fill it in."
        ],
    ),
    "rounded id": (
        {"lines": lambda t: t.replace("0003", "1.23457E+15")},
        {},
        [
            "row: lines.csv, table lines, column parcel_id, row 3 [1.23457E+15]: a spreadsheet "
            "has rounded this id, so its last digits are lost. Export the column as text."
        ],
    ),
    "failed formula": (
        {"kits": lambda t: t + "#REF!,0003,,,,,\n"},
        {},
        [
            "row: kits.csv, table kits, column kit_id, row 3 [#REF!]: the formula in this cell "
            "failed. Mend the formula or type the value."
        ],
    ),
    "years": (
        {"parcels": lambda t: t.replace("1924", "18th c.").replace("1951", "3019")},
        {},
        [
            f"cell: parcels.csv, table parcels, column year_built, row {row} [{value}]: this is "
            "not a whole number from 1600 to 2100. Correct or empty the cell."
            for row, value in ((1, "18th c."), (2, "3019"))
        ],
    ),
    "half a year": (
        {"parcels": lambda t: t.replace("1951", "1950.5")},
        {},
        [
            "cell: parcels.csv, table parcels, column year_built, row 2 [1950.5]: this is not a "
            "whole number from 1600 to 2100. Correct or empty the cell."
        ],
    ),
    "huge number": (
        {"parcels": lambda t: t.replace("175000", "9" * 400)},
        {},
        [
            "cell: parcels.csv, table parcels, column assessed_value, row 2 "
            f"[{'9' * 57}...]: this is not a number of at least 0. Correct or empty the cell."
        ],
    ),
    "hours": (
        {"kits": lambda t: t.replace(",8,", ",-8,").replace(",6.5,", ",overnight,")},
        {},
        [
            f"cell: kits.csv, table kits, column stagnation_h, row {row} [{value}]: this is not "
            "a number from 0 to 720 h. Correct or empty the cell."
            for row, value in ((1, "-8"), (2, "overnight"))
        ],
    ),
    "unknown code": (
        {"answers": lambda t: t.replace("K1,lead", "K1,grey")},
        {},
        [
            "cell: answers.csv, table answers, column entry_pipe, row 1 [grey]: this is not one "
            "of lead, galvanized, copper, plastic, dont_know. Correct it, or translate your code "
            "under [values.entry_pipe]."
        ],
    ),
    "unknown material": (
        {"lines": lambda t: t.replace("galvanized", "GALV")},
        {},
        [
            "row: lines.csv, table lines, column customer_material, row 2 [GALV]: this is not "
            "one of lead, galvanized, copper, plastic, iron, brass, other, unknown. Correct it, "
            "or translate your code under [values.material]."
        ],
    ),
    "no such day": (
        {"checks": lambda t: t.replace("2024-05-31", "2024-02-30")},
        {},
        [
            "row: checks.csv, table checks, column checked_on, row 1 [2024-02-30]: this is not a "
            "date such as 2024-05-31 or 5/31/2024. Write it as year-month-day."
        ],
    ),
    "year of two digits": (
        {"kits": lambda t: t.replace("2024-03-01", "3/1/24")},
        {},
        [
            "cell: kits.csv, table kits, column collected_on, row 1 [3/1/24]: this is not a date "
            "such as 2024-05-31 or 5/31/2024. Write it as year-month-day."
        ],
    ),
    "order of day and month not shown": (
        {"checks": lambda t: t.replace("2024-05-31", "5/3/2024")},
        {},
        [
            "note: checks.csv, table checks, column checked_on: dates such as 5/3/2024 were read "
            "as month/day/year; nothing in the column shows whether that is right. If the day "
            "comes first, set day_first = true under [city]."
        ],
    ),
    "longitude in words": (
        {"parcels": lambda t: t + "0005,W93,44.97,,,\n"},
        {},
        [
            "row: parcels.csv, table parcels, column longitude, row 5 [W93]: this is not a "
            "number of degrees. Write it as 44.9778 or -93.2650."
        ],
    ),
    "no place": (
        {"parcels": lambda t: t + "0005,,,,,\n"},
        {},
        [
            "row: parcels.csv, table parcels, column geometry, row 5: the shape is missing. Draw "
            "it, or give a point."
        ],
    ),
    "place 0, 0": (
        {"parcels": lambda t: t + "0005,0,0,,,\n"},
        {},
        [
            "row: parcels.csv, table parcels, column geometry, row 5: the place is 0, 0: no place "
            "was found for it. Give the right place."
        ],
    ),
    "far place": (
        {"parcels": lambda t: t + "0005,-73,44.97,,,\n"},
        {},
        [
            "row: parcels.csv, table parcels, column geometry, row 5: the place is more than 100 "
            "km from the others. Give the right place."
        ],
    ),
    "parcel in no area": (
        {"parcels": lambda t: t + "0005,-93.2700,44.9700,,,\n"},
        {},
        [
            "note: parcels.csv, table parcels, column area_id, row 5: the parcel lies in no area. "
            "Look whether an area is missing."
        ],
    ),
    "unknown area": (
        {"parcels": lambda t: t.replace("assessed_value", "area_id")},
        {},
        [
            f"cell: parcels.csv, table parcels, column area_id, row {row} [{value}]: no area has "
            "this id; the place of the parcel decides. Correct the id or add the area."
            for row, value in ((1, "150000"), (2, "175000"), (4, "310000"))
        ],
    ),
    "area without outline": (
        {"areas": areas_with(None)},
        {},
        [
            f"note: parcels.csv, table parcels, column area_id, row {row}: the parcel lies in no "
            "area. Look whether an area is missing."
            for row in (3, 4)
        ]
        + [
            "row: areas.geojson, table areas, column geometry, row 2: the shape is missing. Draw "
            "it, or give a point."
        ],
    ),
    "area as a line": (
        {"areas": areas_with({"type": "LineString", "coordinates": [[-93.26, 44.9], [-93, 45]]})},
        {},
        [
            f"note: parcels.csv, table parcels, column area_id, row {row}: the parcel lies in no "
            "area. Look whether an area is missing."
            for row in (3, 4)
        ]
        + [
            "row: areas.geojson, table areas, column geometry, row 2 [LineString]: the shape is "
            "not an outline. Draw it again."
        ],
    ),
    "area that crosses itself": (
        {
            "areas": areas_with(
                {
                    "type": "Polygon",
                    "coordinates": [
                        [
                            [-93.2585, 44.96],
                            [-93.2565, 44.98],
                            [-93.2565, 44.96],
                            [-93.2585, 44.98],
                            [-93.2585, 44.96],
                        ]
                    ],
                }
            )
        },
        {},
        [
            "note: areas.geojson, table areas, column geometry, row 2 [Polygon]: the outline "
            "crosses or touches itself; it was mended. Look whether the mended outline is right."
        ],
    ),
    "unknown parcel": (
        {"lines": lambda t: t + "9999,lead,lead,\n"},
        {},
        [
            "row: lines.csv, table lines, column parcel_id, row 5 [9999]: no parcel has this id. "
            "Correct the id or add the parcel."
        ],
    ),
    "lost zeros": (
        {"lines": lambda t: t.replace("0002", "2")},
        {},
        [
            "row: lines.csv, table lines, column parcel_id, row 2 [2]: no parcel has this id, but "
            "one has it with zeros before it. A spreadsheet has dropped the zeros; export the "
            "column as text."
        ],
    ),
    "site without place": (
        {"sites": lambda t: t + "S2,,school\nS3,7777,school\n"},
        {},
        [
            "row: sites.csv, table sites, column parcel_id, row 2: the site has neither a parcel "
            "nor a place. Give one of them.",
            "row: sites.csv, table sites, column parcel_id, row 3 [7777]: no parcel has this id. "
            "Correct the id or add the parcel.",
        ],
    ),
    "unknown kit": (
        {"samples": lambda t: t + "K9,first,lead,1,ppb,1\n"},
        {},
        [
            "row: samples.csv, table samples, column kit_id, row 5 [K9]: no kit has this id. "
            "Correct the id or add the kit."
        ],
    ),
    "kit set aside": (
        {"kits": lambda t: t.replace("0002", "9999"), "answers": lambda t: t.split("K2")[0]},
        {},
        [
            "row: kits.csv, table kits, column parcel_id, row 2 [9999]: no parcel has this id. "
            "Correct the id or add the parcel."
        ]
        + [
            f"row: samples.csv, table samples, column kit_id, row {row} [K2]: the row of its kit "
            "was set aside. Mend the row of the kit."
            for row in (3, 4)
        ],
    ),
    "unreadable results": (
        {"samples": lambda t: t.replace("12.1", "1..03").replace("<1,", "7.74^,")},
        {},
        [
            f"row: samples.csv, table samples, column result, row {row} [{value}]: the result is "
            "not a number, '<' and a number, or ND. Ask the laboratory and correct the cell."
            for row, value in ((1, "1..03"), (3, "7.74^"))
        ],
    ),
    "negative result": (
        {"samples": lambda t: t.replace("12.1", "-12.1")},
        {},
        [
            "row: samples.csv, table samples, column result, row 1 [-12.1]: a result cannot be "
            "negative. Ask the laboratory and correct the cell."
        ],
    ),
    "decimal comma": (
        {"samples": lambda t: t.replace("12.1", '"1,2"')},
        {},
        [
            "row: samples.csv, table samples, column result, row 1 [1,2]: the comma in the result "
            "may stand for a point or for thousands. Ask the laboratory and correct the cell."
        ],
    ),
    "more than the laboratory can say": (
        {"samples": lambda t: t.replace("12.1", ">100")},
        {},
        [
            "row: samples.csv, table samples, column result, row 1 [>100]: the laboratory gives "
            "only a lower end of the result. Ask the laboratory and correct the cell."
        ],
    ),
    "not detected, but below what": (
        {"samples": lambda t: t.replace("ND,ug/L,1", "ND,ug/L,")},
        {},
        [
            "row: samples.csv, table samples, column result, row 4 [ND]: the result is below a "
            "detection limit that is not given. Give the limit in the column detection_limit."
        ],
    ),
    "no result": (
        {"samples": lambda t: t.replace("12.1", " ")},
        {},
        [
            "row: samples.csv, table samples, column result, row 1: a required value is missing. "
            "Fill it in."
        ],
    ),
    "unknown unit": (
        {"samples": lambda t: t.replace("ppb", "grains")},
        {},
        [
            "row: samples.csv, table samples, column unit, row 3 [grains]: this is not one of "
            "ug/L, mg/L, ppb, ppm. Correct it, or translate your code under [values.unit]."
        ],
    ),
    "mg/L filed as ug/L": (
        {"samples": lambda t: t.replace("12.1,ug/L,1", "0.0121,ug/L,0.001")},
        {},
        [
            "row: samples.csv, table samples, column unit, row 1 [0.0121 ug/L]: the result is "
            "about a thousand times too low for its unit; it may be in mg/L. Ask the laboratory; "
            "correct the unit, or set units_confirmed = true under [city]."
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


@pytest.mark.parametrize("case", SET_ASIDE)
def test_what_is_set_aside(small_city, case):
    changes, settings, messages = SET_ASIDE[case]
    intake = read_city(small_city(settings, **changes))
    assert [f"{p.effect}: {p}" for p in intake.problems] == messages
    for name, count in intake.counts.items():
        assert count["rows_in"] == count["used"] + count["quarantined"], name
        assert count["used"] == len(getattr(intake.city, name)), name


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


def test_the_whole_small_city_is_used(small_city):
    intake = read_city(small_city())
    assert intake.problems == []
    assert {name: count["used"] for name, count in intake.counts.items()} == {
        "parcels": 4,
        "lines": 4,
        "checks": 2,
        "kits": 2,
        "samples": 4,
        "answers": 2,
        "areas": 2,
        "sites": 1,
    }


def test_there_are_at_least_forty_cases():
    assert len(STOPS) + len(SET_ASIDE) >= 40
