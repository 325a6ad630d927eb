"""The shipped sample city gives the same tables from files of every format."""

from dataclasses import fields
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyproj
import pytest
import shapely
from pandas.testing import assert_frame_equal

from linemap.intake import read_city, read_parcels, read_table
from linemap.settings import load_settings, parse_settings

SAMPLE = Path(__file__).parents[2] / "synthetic_city" / "sample"
PLAIN = ("lines", "checks", "kits", "samples", "answers", "sites")
FEET = "EPSG:2287"  # NAD83 / Wisconsin North (ftUS), a state-plane system


def assert_same_city(one, other):
    """Compare every table of two cities exactly, shapes to the last digit."""
    for part in fields(one):
        left, right = getattr(one, part.name), getattr(other, part.name)
        if part.name == "name":
            continue
        if isinstance(left, gpd.GeoDataFrame):
            assert left.crs == right.crs
            assert shapely.equals_identical(
                left.geometry.to_numpy(), right.geometry.to_numpy()
            ).all(), part.name
            left, right = (pd.DataFrame(t.drop(columns="geometry")) for t in (left, right))
        assert_frame_equal(left, right)


@pytest.fixture(scope="module")
def city():
    return read_city(load_settings(SAMPLE / "settings.toml")).city


@pytest.fixture(scope="module")
def shapes():
    return gpd.read_file(SAMPLE / "parcels.gpkg"), gpd.read_file(SAMPLE / "areas.gpkg")


def table(name):
    """Return a plain table of the sample with typed dates, in another order of rows."""
    frame = pd.read_csv(
        SAMPLE / f"{name}.csv", dtype={"result": str, "parcel_id": str, "kit_id": str}
    )
    for column in frame.columns[frame.columns.str.endswith("_on")]:
        frame[column] = pd.to_datetime(frame[column])
    return frame.sample(frac=1, random_state=5)


def write_parquet(folder):
    files = {name: f"{name}.parquet" for name in PLAIN}
    for name, file in files.items():
        table(name).to_parquet(folder / file, index=False)
    return files


def write_text(folder, separator, encoding):
    files = {name: f"{name}.txt" for name in PLAIN}
    for name, file in files.items():
        table(name).to_csv(
            folder / file, index=False, sep=separator, encoding=encoding, lineterminator="\r\n"
        )
    return files


def write_workbook(folder):
    with pd.ExcelWriter(folder / "tables.xlsx") as book:
        for name in PLAIN:
            table(name).to_excel(book, sheet_name=f"{name} 2024", index=False)
    return {name: f"tables.xlsx#{name} 2024" for name in PLAIN}


def read(folder, files, **settings):
    return read_city(parse_settings({"files": files, **settings}, folder=folder)).city


def test_feet_other_names_and_a_workbook(city, shapes, tmp_path):
    assert pyproj.CRS(FEET).axis_info[0].unit_name == "US survey foot"
    parcels, areas = shapes
    parcels = parcels.sample(frac=1, random_state=3).to_crs(FEET)
    parcels = parcels.rename(columns={"parcel_id": "PIN", "year_built": "YR BLT"})
    parcels.to_file(tmp_path / "city.gpkg", layer="parcels", driver="GPKG")
    areas.to_crs(FEET).to_file(tmp_path / "city.gpkg", layer="areas", driver="GPKG")
    files = write_workbook(tmp_path)
    lines = table("lines").replace({"lead": "PB", "copper": "Cu ", "unknown": None})
    lines.rename(columns={"parcel_id": "PIN"}).to_excel(tmp_path / "lines.xlsx", index=False)
    files |= {
        "parcels": "city.gpkg#parcels",
        "areas": "city.gpkg#areas",
        "lines": "lines.xlsx",
    }
    other = read(
        tmp_path,
        files,
        columns={
            "parcels": {"parcel_id": "PIN", "year_built": "YR BLT"},
            "lines": {"parcel_id": "PIN"},
        },
        values={"material": {"pb": "lead", "CU": "copper"}},
    )
    lines = city.lines.assign(
        ever_below_lead=city.lines["ever_below_lead"].where(
            city.lines["ever_below_lead"] != "unknown"
        )
    )
    assert_same_city(city.__class__(**{**vars(city), "lines": lines}), other)


@pytest.mark.parametrize(
    ("separator", "encoding"),
    [(";", "utf-8"), ("\t", "utf-8-sig"), ("|", "utf-8"), (",", "cp1252")],
)
def test_text_and_geojson(city, shapes, tmp_path, separator, encoding):
    files = write_text(tmp_path, separator, encoding)
    for name, frame in zip(("parcels", "areas"), shapes, strict=True):
        files[name] = f"{name}.geojson"
        frame.to_crs(4326).to_file(
            tmp_path / files[name], driver="GeoJSON", COORDINATE_PRECISION=15
        )
    assert_same_city(city, read(tmp_path, files))


@pytest.mark.parametrize("kind", ["shp", "parquet", "fgb", "shp.zip"])
def test_other_shapes_and_parquet(city, shapes, tmp_path, kind):
    files = write_parquet(tmp_path)
    for name, frame in zip(("parcels", "areas"), shapes, strict=True):
        files[name] = f"{name}.{kind}"
        if kind == "parquet":
            frame.to_crs(FEET).to_parquet(tmp_path / files[name])
        else:
            frame.to_file(tmp_path / files[name])
    assert_same_city(city, read(tmp_path, files))


@pytest.mark.parametrize("ending", ["csv", "xlsx", "parquet"])
def test_points_from_plain_tables(city, shapes, tmp_path, ending):
    frame = shapes[0].copy()
    points = frame.geometry.representative_point()
    lonlat = points.to_crs(4326)
    frame = pd.DataFrame(frame.drop(columns="geometry")).assign(lon=lonlat.x, lat=lonlat.y)
    path = tmp_path / f"parcels.{ending}"
    writer = {"csv": frame.to_csv, "xlsx": frame.to_excel, "parquet": frame.to_parquet}[ending]
    writer(path, index=False)
    read_back = read_parcels(path, columns={"longitude": "lon", "latitude": "lat"})
    plain = pd.DataFrame(read_back.drop(columns="geometry"))
    assert_frame_equal(plain, pd.DataFrame(city.parcels.drop(columns="geometry")))
    moved = read_back.geometry.distance(
        points.set_axis(frame["parcel_id"]).reindex(read_back.index).set_crs(read_back.crs)
    )
    assert moved.max() < 0.001


def test_projected_coordinates_in_a_plain_table(city, shapes, tmp_path):
    frame = shapes[0].to_crs(FEET)
    points = frame.geometry.representative_point()
    frame = pd.DataFrame(frame[["parcel_id"]]).assign(longitude=points.x, latitude=points.y)
    frame.to_csv(tmp_path / "p.csv", index=False)
    table_ = read_parcels(tmp_path / "p.csv", crs=FEET)
    assert table_.crs == city.parcels.crs
    assert table_.within(city.parcels.geometry.buffer(0.01)).all()


def test_file_without_a_system_takes_that_of_the_settings(city, shapes, tmp_path):
    for name, frame in zip(("parcels", "areas"), shapes, strict=True):
        frame.to_crs(FEET).to_file(tmp_path / f"{name}.shp")
        (tmp_path / f"{name}.prj").unlink()
    files = {"parcels": "parcels.shp", "areas": "areas.shp"}
    other = read(tmp_path, files, city={"crs": FEET})
    assert shapely.equals_identical(
        city.parcels.geometry.to_numpy(), other.parcels.geometry.to_numpy()
    ).all()


def test_order_of_rows_does_not_matter(city, shapes, tmp_path):
    files = write_parquet(tmp_path)
    for name, frame in zip(("parcels", "areas"), shapes, strict=True):
        files[name] = f"{name}.gpkg"
        frame[::-1].to_file(tmp_path / files[name])
    assert_same_city(city, read(tmp_path, files))


def test_working_system_is_the_utm_zone_of_the_city(city):
    centre = city.parcels.to_crs(4326).geometry.union_all().centroid
    zone = int((centre.x + 180) // 6) + 1  # the definition of the zones, six degrees each
    assert city.parcels.crs.to_epsg() == 32600 + zone
    assert city.parcels.crs.axis_info[0].unit_name == "metre"
    coordinates = shapely.get_coordinates(city.parcels.geometry.to_numpy())
    np.testing.assert_array_equal(coordinates, np.round(coordinates, 3))


def test_sheet_or_layer_that_is_not_there(shapes, tmp_path):
    from linemap.errors import InputError

    write_workbook(tmp_path)
    with pytest.raises(InputError, match=r"there is no sheet kits\. Name one of its sheets: lines"):
        read_table(tmp_path / "tables.xlsx#kits", "kits")
    shapes[0].head(3).to_file(tmp_path / "c.gpkg", layer="one", driver="GPKG")
    shapes[0].head(3).to_file(tmp_path / "c.gpkg", layer="two", driver="GPKG")
    with pytest.raises(
        InputError, match=r"has 2 layers\. Name one after a #: .*c\.gpkg#one or two"
    ):
        read_table(tmp_path / "c.gpkg", "parcels")
    with pytest.raises(InputError, match=r"there is no layer three\. Name one of its layers: one"):
        read_table(tmp_path / "c.gpkg#three", "parcels")


def test_first_sheet_is_the_default(tmp_path):
    write_workbook(tmp_path)
    assert len(read_table(tmp_path / "tables.xlsx", "lines")) == len(table("lines"))
