"""Rows find each other: parcels and areas, kits and parcels, sites and parcels."""

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from linemap.errors import InputError
from linemap.intake import read_city
from linemap.intake.joins import find_areas, match_ids


def squares(*west, name="abcdefgh"):
    """Return areas that are unit squares with their west sides at the given places."""
    outlines = [shapely.box(w, 0, w + 1, 1) for w in west]
    return gpd.GeoDataFrame({"area_id": list(name[: len(west)])}, geometry=outlines)


@pytest.mark.parametrize(
    ("shape", "area"),
    [
        (shapely.Point(0.5, 0.5), "a"),
        (shapely.Point(1.5, 0.5), "b"),
        (shapely.Point(1, 0.5), "a"),  # on the border: the smaller id
        (shapely.Point(9, 9), None),
        (shapely.box(0.2, 0, 0.4, 1), "a"),
        (shapely.box(0.9, 0, 1.2, 1), "b"),  # 0.1 in a, 0.2 in b
        (shapely.box(0.8, 0, 1.1, 1), "a"),
        (shapely.box(1.5, 0, 5, 1), "b"),  # most of it lies outside
        (shapely.box(2, 0, 3, 1), "b"),  # touches b only
    ],
)
def test_largest_overlap(shape, area):
    assert find_areas(np.array([shape]), squares(0, 1))[0] == area
    assert find_areas(np.array([shape]), squares(1, 0, name="ba"))[0] == area


@settings(max_examples=30, deadline=None)
@given(
    st.lists(
        st.tuples(*[st.integers(0, 40)] * 2, st.integers(1, 12), st.integers(1, 12)), min_size=1
    ),
    st.lists(
        st.tuples(*[st.integers(0, 40)] * 2, *[st.integers(5, 20)] * 2), min_size=1, max_size=6
    ),
)
def test_overlap_agrees_with_geopandas_overlay(homes, places):
    """geopandas.overlay, another road to the same answer."""
    shapes = [shapely.box(x, y, x + w, y + h) for x, y, w, h in homes]
    outlines = [shapely.box(x, y, x + w, y + h) for x, y, w, h in places]
    areas = gpd.GeoDataFrame({"area_id": [f"A{n}" for n in range(len(places))]}, geometry=outlines)
    found = find_areas(np.array(shapes), areas)
    frame = gpd.GeoDataFrame({"home": range(len(homes))}, geometry=shapes)
    pieces = gpd.overlay(frame, areas, how="intersection", keep_geom_type=True)
    for home in range(len(homes)):
        mine = pieces[pieces["home"] == home]
        if len(mine):
            best = mine.assign(size=mine.area.round(6)).sort_values(
                ["size", "area_id"], ascending=[False, True]
            )
            assert found[home] == best["area_id"].iloc[0]
        else:
            touched = [
                a
                for a, o in zip(areas["area_id"], outlines, strict=True)
                if o.intersects(shapes[home])
            ]
            assert found[home] == (min(touched) if touched else None)


def test_area_of_the_file_wins_over_the_place(small_city):
    def with_area(text):
        return (
            text.replace("assessed_value", "area_id")
            .replace("150000", "hill")
            .replace("175000", "")
            .replace("310000", "")
        )

    parcels = read_city(small_city(parcels=with_area)).city.parcels
    assert parcels["area_id"].tolist() == ["hill", "mill", "hill", "hill"]


def test_area_of_the_file_is_kept_without_areas(small_city):
    intake = read_city(
        small_city(parcels=lambda t: t.replace("assessed_value", "area_id"), leave_out=("areas",))
    )
    assert intake.city.parcels["area_id"].tolist()[:2] == ["150000", "175000"]
    assert intake.problems == []


def test_match_ids_keeps_what_is_known():
    frame = pd.DataFrame({"parcel_id": ["01", "1", "2", "3"]}, index=[4, 5, 6, 7])
    kept, problems = match_ids(
        frame,
        pd.Index(["01", "2"]),
        column="parcel_id",
        table="lines",
        file="l.csv",
        noun="parcel",
        set_aside=pd.Index(["3"]),
    )
    assert kept.index.tolist() == [4, 6]
    assert [(p.row, p.reason) for p in problems] == [
        ("7", "the row of its parcel was set aside."),
        ("5", "no parcel has this id, but one has it with zeros before it."),
    ]


def test_sites_by_place_and_by_parcel(small_city):
    sites = (
        "site_id,parcel_id,kind,longitude,latitude\n"
        "S1,0002,school,,\nS2,,child_care,-93.2580,44.9700\nS3,,school,-93.25,44.97\n"
    )
    city = read_city(small_city(sites=sites)).city
    found = city.sites.set_index("site_id")
    assert found.loc["S1", "geometry"].equals(city.parcels.loc["0002", "geometry"])
    assert found["parcel_id"].isna().tolist() == [False, False, True]
    assert found.loc["S2", "parcel_id"] == "0003"
    assert found.crs == city.parcels.crs


def test_lines_without_material_are_unknown_and_checks_without_are_set_aside(small_city):
    intake = read_city(
        small_city(
            lines=lambda t: t.replace("lead,lead", ",N/A"),
            checks=lambda t: t.replace("lead,random", ",random"),
        )
    )
    assert intake.city.lines.loc[0, ["utility_material", "customer_material"]].tolist() == [
        "unknown",
        "unknown",
    ]
    assert [(p.table, p.column, p.reason) for p in intake.problems] == [
        ("checks", "material", "a required value is missing.")
    ]


def test_tables_have_the_types_of_the_contract(small_city):
    from linemap.tables import INPUT_TABLES, contract

    city = read_city(small_city()).city
    for name in INPUT_TABLES:
        frame = getattr(city, name)
        if name == "parcels":
            assert frame.index.name == "parcel_id"
            frame = frame.reset_index()
        for column in contract(name).values():
            values = frame[column.name]
            if column.kind in ("enum", "material"):
                assert tuple(values.cat.categories) == column.allowed
            elif column.kind in ("number", "integer"):
                assert values.dtype == float
            elif column.kind == "date":
                assert values.dtype == "datetime64[ns]"
            elif column.kind != "geometry":
                assert values.dropna().map(type).eq(str).all()
    assert city.samples["below_limit"].dtype == bool


def test_city_without_optional_files(small_city):
    from linemap.tables import INPUT_TABLES

    intake = read_city(small_city(leave_out=tuple(n for n in INPUT_TABLES if n != "parcels")))
    assert intake.city.sources() == ("parcels",)
    assert list(intake.counts) == ["parcels"]
    assert intake.city.areas.crs == intake.city.parcels.crs
    assert {"value_ug_l", "limit_ug_l", "below_limit"} <= set(intake.city.samples)
    assert intake.city.parcels["area_id"].isna().all()


def test_one_parcel_is_enough(small_city):
    intake = read_city(
        small_city(
            parcels=lambda t: "".join(t.splitlines(keepends=True)[:2]),
            leave_out=("lines", "checks", "kits", "samples", "answers", "sites"),
        )
    )
    assert intake.city.parcels["area_id"].tolist() == ["mill"]


def test_extra_columns_are_numbers_or_text(small_city):
    def more(text):
        lines = text.strip().split("\n")
        extra = ["roof,storeys", "slate,2", "tar,1.5", ",", "slate,3"]
        return "\n".join(f"{a},{b}" for a, b in zip(lines, extra, strict=True))

    city = read_city(small_city({"scoring": {"extra": ["roof", "storeys"]}}, parcels=more)).city
    assert city.parcels["storeys"].tolist()[:2] == [2.0, 1.5]
    assert city.parcels["storeys"].isna().tolist() == [False, False, True, False]
    assert city.parcels["roof"].tolist()[:2] == ["slate", "tar"]


def test_opt_outs(small_city, tmp_path):
    from linemap.intake import read_opt_outs

    (tmp_path / "never.csv").write_text("PIN\n0004\n0002.0\n\n0004\n", encoding="utf-8")
    settings_ = small_city(
        {"outreach": {"opt_out": "never.csv"}, "columns": {"opt_out": {"parcel_id": "PIN"}}}
    )
    assert read_opt_outs(settings_) == ("0002", "0004")
    assert read_opt_outs(small_city()) == ()
    intake = read_city(settings_)
    assert intake.opted_out == ("0002", "0004")
    assert intake.counts["opt_out"] == {"rows_in": 3, "used": 3, "quarantined": 0, "cells": 0}


def test_opt_outs_that_name_no_parcel_are_not_passed_over(small_city, tmp_path):
    """Nobody must get a kit because the id of who wants none was written in another way."""
    asked = {"outreach": {"opt_out": "never.csv"}}
    (tmp_path / "never.csv").write_text("parcel_id\n0004\nx2\n2\n", encoding="utf-8")
    intake = read_city(small_city(asked))
    assert intake.opted_out == ("0004",)
    assert intake.counts["opt_out"]["quarantined"] == 2
    said = {p.value: p.reason for p in intake.problems if p.table == "opt_out"}
    assert said == {
        "x2": "no parcel has this id.",
        "2": "no parcel has this id, but one has it with zeros before it.",
    }
    (tmp_path / "never.csv").write_text("parcel_id\nx2\n", encoding="utf-8")
    with pytest.raises(InputError, match="no parcel has this id"):
        read_city(small_city(asked))


def test_inputs_name_every_file_with_its_hash(small_city, tmp_path):
    import hashlib

    intake = read_city(small_city())
    assert [item["file"] for item in intake.inputs] == [
        "parcels.csv",
        "lines.csv",
        "checks.csv",
        "kits.csv",
        "samples.csv",
        "answers.csv",
        "areas.geojson",
        "sites.csv",
    ]
    for item in intake.inputs:
        data = (tmp_path / item["file"]).read_bytes()
        assert (item["bytes"], item["sha256"]) == (len(data), hashlib.sha256(data).hexdigest())


def test_progress_is_told(small_city):
    said = []
    read_city(small_city(), tell=said.append)
    assert said[0] == "reading parcels from parcels.csv"
    assert len(said) == 8
