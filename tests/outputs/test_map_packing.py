"""Outlines and cards survive packing; the checks decode the bytes in their own way."""

import json
import math

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import Transformer

from linemap.errors import ArgumentError
from linemap.outputs.map.areas import area_records
from linemap.outputs.map.cards import BLOCK, WEIGHTS, card_blocks, rounded_weights
from linemap.outputs.map.shapes import UNIT_M, curve_order, pack_shapes, varints, zigzag

UTM = "EPSG:32617"


def read_leb128(data: bytes) -> list[int]:
    """Decode unsigned LEB128 (DWARF 5, section 7.6 and appendix C), a byte at a time."""
    values, result, shift = [], 0, 0
    for byte in data:
        result |= (byte & 0x7F) << shift
        shift += 7
        if byte < 0x80:
            values.append(result)
            result, shift = 0, 0
    return values


def unpack(packed):
    """Return for each home its rings as arrays of Web Mercator corners."""
    rings, vertices = read_leb128(packed.rings), read_leb128(packed.vertices)
    signed = [v // 2 if v % 2 == 0 else -(v + 1) // 2 for v in read_leb128(packed.steps)]
    corners = np.cumsum(np.array(signed).reshape(-1, 2), axis=0) * packed.unit
    corners = corners * [1, -1] + packed.origin
    parts = np.split(corners, np.cumsum(vertices)[:-1]) if vertices else []
    parts = iter(parts)
    return [[next(parts) for _ in range(k)] for k in rings]


# The first three are the examples of the DWARF 5 standard, figure 22 (from memory).
@pytest.mark.parametrize(
    ("number", "expected"),
    [(2, [2]), (127, [127]), (128, [0x80, 1]), (624485, [0xE5, 0x8E, 0x26]), (0, [0])],
)
def test_varints_are_leb128(number, expected):
    assert list(varints([number])) == expected


@settings(deadline=None)
@given(st.lists(st.integers(0, 2**35 - 1)))
def test_varints_come_back(numbers):
    assert read_leb128(varints(numbers)) == numbers


@settings(deadline=None)
@given(st.integers(-(2**33), 2**33))
def test_zigzag_comes_back(number):
    coded = int(zigzag(np.array([number]))[0])
    assert coded >= 0
    assert (coded // 2 if coded % 2 == 0 else -(coded + 1) // 2) == number


lot = st.builds(
    lambda x, y, radius, corners: shapely.Polygon(
        [
            (
                x + r * math.cos(2 * math.pi * k / corners),
                y + r * math.sin(2 * math.pi * k / corners),
            )
            for k, r in enumerate(radius[:corners])
        ]
    ),
    st.floats(400_000, 420_000),
    st.floats(4_500_000, 4_520_000),
    st.lists(st.floats(2, 60), min_size=12, max_size=12),
    st.integers(3, 12),
)


@settings(max_examples=40, deadline=None)
@given(st.lists(lot, min_size=1, max_size=12))
def test_every_corner_comes_back_to_within_the_rounding(lots):
    shapes = gpd.GeoSeries(lots, crs=UTM)
    to_mercator = Transformer.from_crs(UTM, "EPSG:3857", always_xy=True)
    for shape, rings in zip(lots, unpack(pack_shapes(shapes)), strict=True):
        x, y = to_mercator.transform(*np.array(shape.exterior.coords)[:-1].T)
        assert len(rings) == 1
        assert np.abs(rings[0] - np.column_stack([x, y])).max() <= UNIT_M / 2 + 1e-6


def test_holes_parts_points_and_homes_without_a_place_keep_their_row():
    hole = shapely.Polygon(
        shapely.box(0, 0, 40, 40).exterior.coords, [shapely.box(10, 10, 20, 20).exterior.coords]
    )
    parts = shapely.MultiPolygon([shapely.box(50, 0, 60, 10), shapely.box(70, 0, 80, 10)])
    shapes = gpd.GeoSeries(
        [shapely.Point(5, 5), hole, None, parts, shapely.Point(), shapely.box(0, 50, 9, 59)],
        crs=3857,
    )
    homes = unpack(pack_shapes(shapes))
    assert [[len(ring) for ring in home] for home in homes] == [[1], [4, 4], [], [4, 4], [], [4]]
    np.testing.assert_allclose(homes[0][0], [[5, 5]], atol=UNIT_M / 2)
    areas = [
        shapely.Polygon(home[0], home[1:] if home is homes[1] else None).area
        for home in (homes[1], homes[5])
    ]
    np.testing.assert_allclose(areas, [1600 - 100, 81], rtol=0.05)


def test_a_city_without_any_place_is_packed_as_such():
    shapes = gpd.GeoSeries([None, shapely.Point()], crs=UTM)
    assert unpack(pack_shapes(shapes)) == [[], []]
    assert curve_order(shapes).tolist() == [0, 1]


def test_curve_order_is_a_permutation_with_lost_homes_last():
    shapes = gpd.GeoSeries([None, *(shapely.Point(k * 37 % 11, k) for k in range(20))], crs=UTM)
    order = curve_order(shapes)
    assert sorted(order) == list(range(21))
    assert order[-1] == 0


def scores_of(weights: np.ndarray) -> pd.DataFrame:
    n = len(weights)
    p = 1 / (1 + np.exp(-weights.sum(axis=1)))
    frame = pd.DataFrame(weights, columns=list(WEIGHTS), index=[f"H{k}" for k in range(n)])
    return frame.assign(
        p_lead=p,
        p_low=p / 2,
        p_high=(1 + p) / 2,
        basis="no evidence",
        reason_1="Built in 1912.",
        reason_2=None,
        reason_3=np.nan,
    )


@settings(deadline=None, max_examples=60)
@given(st.lists(st.lists(st.floats(-6, 6), min_size=6, max_size=6), min_size=1, max_size=20))
def test_rounded_weights_add_up_and_stay_within_a_hundredth(rows):
    exact = np.array(rows)
    whole = rounded_weights(scores_of(exact))
    np.testing.assert_array_equal(whole.sum(axis=1), np.rint((exact * 100).sum(axis=1)))
    assert np.abs(whole - exact * 100).max() <= 1 + 1e-9


def test_weights_that_do_not_add_up_are_refused_by_name():
    scores = scores_of(np.zeros((3, 6)))
    scores.loc["H1", "p_lead"] = 0.7
    with pytest.raises(ArgumentError, match=r"1 home.*'H1'"):
        rounded_weights(scores)


def test_cards_hold_each_home_once_with_its_kits_and_words():
    n = BLOCK + 3
    scores = scores_of(np.random.default_rng(4).normal(0, 1, (n, 6)))
    pairs = pd.DataFrame(
        {
            "kit_id": ["K2", "K1"],
            "parcel_id": ["H2001", "H2001"],
            "verdict": ["usable", "not_usable"],
            "reasons": [None, "stood too short"],
            "collected_on": pd.to_datetime(["2025-03-02", None]),
            "stagnation_h": [7.5, np.nan],
            "flush_min": [5.0, np.nan],
            "first_low": [4.2, np.nan],
            "first_high": [4.2, np.nan],
            "flushed_low": [0.0, np.nan],
            "flushed_high": [1.0, np.nan],
        }
    )
    kits = pd.DataFrame({"parcel_id": ["H3"], "rank": [1], "arm": ["audit"], "why": ["Drawn."]})
    lines = pd.DataFrame({"utility_material": ["lead"], "why": ["Tap card."]}, index=["H0"])
    learn = pd.Series(0.125, index=scores.index)
    scores["telling_source"] = pd.Categorical(["record"] + [None] * (len(scores) - 1))
    scores["p_without"] = [0.042] + [np.nan] * (len(scores) - 1)
    first, second = (
        json.loads(b) for b in card_blocks(scores, kits=kits, pairs=pairs, lines=lines, learn=learn)
    )
    assert len(first["low"]) == BLOCK
    assert len(second["low"]) == 3
    assert first["words"][first["reasons"][0][7]] == "Built in 1912."
    assert set(first["reasons"][1] + first["reasons"][2]) == {-1}
    assert first["listed"] == {"3": [1, "audit", "Drawn."]}
    assert first["words"][first["record"][0][0]] == "lead"
    assert first["words"][first["ground"][0]] == "Tap card."
    assert set(second["learn"]) == {125}
    assert (first["words"][first["telling"][0]], first["without"][0]) == ("record", 42)
    assert set(first["telling"][1:] + second["telling"]) == {-1}
    undated, dated = second["kits"]["1"]
    assert undated == {
        "id": "K1",
        "on": None,
        "verdict": "not_usable",
        "why": "stood too short",
        "first": None,
        "flushed": None,
        "stood": None,
        "ran": None,
        "above": False,
    }
    assert (dated["on"], dated["first"], dated["flushed"]) == ("2025-03-02", [4.2, 4.2], [0.0, 1.0])


def test_a_card_marks_the_kits_of_the_list_of_high_results():
    """The list decides, not the reading: of two results that differ there is no reading."""
    nothing = dict.fromkeys(("first_low", "first_high", "flushed_low", "flushed_high"), np.nan)
    kit = {"parcel_id": "H0", "verdict": "not_usable", "reasons": None, **nothing}
    kit |= {"collected_on": pd.Timestamp("2025-03-02"), "stagnation_h": 7.0, "flush_min": 2.0}
    pairs = pd.DataFrame([kit | {"kit_id": "K1"}, kit | {"kit_id": "K2"}])
    marked = pairs.assign(high_result=[True, False])
    for table, above in ((marked, [True, False]), (pairs, [False, False])):
        (block,) = card_blocks(scores_of(np.zeros((1, 6))), pairs=table)
        assert [kit["above"] for kit in json.loads(block)["kits"]["0"]] == above


def test_gaps_between_parcels_are_not_drawn_as_holes():
    """A park of 100 m stays; a gap of 3 m, left where parcels were joined, goes."""
    area = shapely.box(0, 0, 1000, 1000) - shapely.box(100, 100, 200, 200)
    area -= shapely.box(500, 500, 503, 503)
    areas = gpd.GeoDataFrame({"area_id": ["A"], "name": ["A"]}, geometry=[area], crs=UTM)
    (polygon,) = area_records(areas)[0]["rings"]
    assert len(polygon) == 2
