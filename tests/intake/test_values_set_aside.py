"""Values that cannot be right, the exact message that a planner gets, and rows that add up."""

import json

import pytest

from linemap.intake import read_city


def areas_with(geometry):
    """Give the second area another shape."""

    def change(text):
        areas = json.loads(text)
        areas["features"][1]["geometry"] = geometry
        return json.dumps(areas)

    return change


# id: (changes of the small city, settings, messages)
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
        {"checks": lambda t: t + "0001,utility,5/31/2024,lead,random\n"},
        {},
        [
            "row: checks.csv, table checks, column parcel_id, row 3 [0001]: another row above "
            "has the same parcel_id + side + checked_on + material. Keep one of them."
        ],
    ),
    "two checks of one day that differ": (
        {"checks": lambda t: t + "0001,utility,5/31/2024,copper,random\n"},
        {},
        [],
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
            "negative. It may hold more than 10 ug/L of lead: settle it before the others. Ask "
            "the laboratory and correct the cell."
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
            "only a lower end of the result. It may hold more than 10 ug/L of lead: settle it "
            "before the others. Ask the laboratory and correct the cell."
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
            "about a thousand times too low for its unit; it may be in mg/L. It may hold more "
            "than 10 ug/L of lead: settle it before the others. Ask the laboratory; correct the "
            "unit, or set units_confirmed = true under [city]."
        ],
    ),
    "same result twice": (
        {"samples": lambda t: t + "K1,first,lead,12.1,ug/L,1\n"},
        {},
        [
            "row: samples.csv, table samples, column kit_id, row 5 [K1]: another row above has "
            "the same kit_id + draw + analyte + result + unit. Keep one of them."
        ],
    ),
    "two results for one bottle": ({"samples": lambda t: t + "K2,first,lead,80,ug/L,1\n"}, {}, []),
    "a high result of an unknown kit": (
        {"samples": lambda t: t + "K9,first,lead,75,ug/L,1\nK8,first,copper,75,ug/L,1\n"},
        {},
        [
            "row: samples.csv, table samples, column kit_id, row 5 [K9]: no kit has this id. It "
            "may hold more than 10 ug/L of lead: settle it before the others. Correct the id or "
            "add the kit.",
            "row: samples.csv, table samples, column kit_id, row 6 [K8]: no kit has this id. "
            "Correct the id or add the kit.",
        ],
    ),
}


@pytest.mark.parametrize("case", SET_ASIDE)
def test_what_is_set_aside(small_city, case):
    changes, settings, messages = SET_ASIDE[case]
    intake = read_city(small_city(settings, **changes))
    assert [f"{p.effect}: {p}" for p in intake.problems] == messages
    for name, count in intake.counts.items():
        assert count["rows_in"] == count["used"] + count["quarantined"], name
        assert count["used"] == len(getattr(intake.city, name)), name


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


def test_there_are_at_least_twenty_cases():
    assert len(SET_ASIDE) >= 20
