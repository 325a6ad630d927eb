"""A city of four parcels, written to files that a test may then break."""

import json

import pytest

from linemap.settings import parse_settings

PARCELS = """parcel_id,longitude,latitude,year_built,owner_occupied,assessed_value
0001,-93.2600,44.9700,1924,yes,150000
0002,-93.2590,44.9700,1951,no,175000
0003,-93.2580,44.9700,,unknown,
0004,-93.2570,44.9700,1987,yes,310000
"""
LINES = """parcel_id,utility_material,customer_material,installed_year
0001,lead,lead,1924
0002,copper,galvanized,1951
0003,unknown,,
0004,copper,copper,1987
"""
CHECKS = """parcel_id,side,checked_on,material,why
0001,utility,2024-05-31,lead,random
0004,customer,2024-06-01,copper,main_work
"""
KITS = """kit_id,parcel_id,collected_on,received_on,stagnation_h,filter_used,signed
K1,0001,2024-03-01,2024-03-03,8,no,yes
K2,0002,2024-03-02,2024-03-04,6.5,dont_know,yes
"""
SAMPLES = """kit_id,draw,analyte,result,unit,detection_limit
K1,first,lead,12.1,ug/L,1
K1,flushed,lead,0.0154,mg/L,0.001
K2,first,lead,<1,ppb,1
K2,flushed,lead,ND,ug/L,1
"""
ANSWERS = """kit_id,entry_pipe,line_replaced
K1,lead,no
K2,dont_know,dont_know
"""
SITES = """site_id,parcel_id,kind
S1,0002,child_care
"""


def box(west, south, east, north):
    """Return the GeoJSON coordinates of a rectangle."""
    return [[[west, south], [east, south], [east, north], [west, north], [west, south]]]


AREAS = {
    "type": "FeatureCollection",
    "features": [
        {
            "type": "Feature",
            "properties": {"area_id": name, "name": name.title(), "median_income": income},
            "geometry": {"type": "Polygon", "coordinates": box(west, 44.96, west + 0.002, 44.98)},
        }
        for name, west, income in (("mill", -93.2605, 41000), ("hill", -93.2585, 98000))
    ],
}

FILES = {
    "parcels": ("parcels.csv", PARCELS),
    "lines": ("lines.csv", LINES),
    "checks": ("checks.csv", CHECKS),
    "kits": ("kits.csv", KITS),
    "samples": ("samples.csv", SAMPLES),
    "answers": ("answers.csv", ANSWERS),
    "areas": ("areas.geojson", json.dumps(AREAS)),
    "sites": ("sites.csv", SITES),
}


@pytest.fixture
def small_city(tmp_path):
    """Write the small city with some files replaced; return its settings.

    ``small_city(lines="...")`` replaces the content of a file: text, bytes, or a
    function that changes the text. A pair
    ``(name, content)`` replaces its name, too; content None leaves the file to the test.
    """

    def write(settings=None, leave_out=(), **changes):
        listed = {}
        for table, (name, content) in FILES.items():
            if table in leave_out:
                continue
            change = changes.get(table, content)
            if isinstance(change, tuple):
                name, change = change
            if callable(change):
                change = change(content)
            if change is not None:
                data = change if isinstance(change, bytes) else change.encode()
                (tmp_path / name).write_bytes(data)
            listed[table] = name
        return parse_settings({"files": listed, **(settings or {})}, folder=tmp_path)

    return write
