"""What the public can work out from the printed figures, and what it cannot."""

import base64
import json
import re
import zlib

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from linemap.errors import ArgumentError
from linemap.outputs.map import public_map_html
from linemap.outputs.map.public_map import figure_map
from linemap.outputs.public import (
    CITY_COUNTS,
    outside_areas,
    public_areas,
    public_city,
    suppress_small_counts,
)
from linemap.tables import contract

SMALLEST = 10


@st.composite
def households(draw):
    """A city of homes, each in one of a few areas, with or without a property."""
    sizes = draw(st.lists(st.integers(0, 60), min_size=1, max_size=8))
    area = np.repeat(np.arange(len(sizes)), sizes)
    share = draw(st.sampled_from([0.02, 0.15, 0.5, 0.9]))
    seed = draw(st.integers(0, 2**32 - 1))
    has = np.random.default_rng(seed).random(len(area)) < share
    return area, has, len(sizes)


def printed(area: np.ndarray, has: np.ndarray, areas: int) -> pd.DataFrame:
    table = pd.DataFrame(
        {
            "homes": np.bincount(area, minlength=areas),
            "unknown": np.bincount(area[has], minlength=areas),
        }
    )
    return suppress_small_counts(table, counts=["unknown"], smallest=SMALLEST)


@settings(deadline=None, max_examples=60)
@given(households())
def test_no_choice_of_areas_prints_a_small_count(city):
    area, has, areas = city
    shown = printed(area, has, areas)
    for k in range(areas):
        count, homes = int(has[area == k].sum()), int((area == k).sum())
        if not np.isnan(shown.loc[k, "unknown"]):
            assert count >= SMALLEST
            assert homes - count >= SMALLEST
            assert abs(shown.loc[k, "unknown"] - count) <= SMALLEST / 2
        if not np.isnan(shown.loc[k, "homes"]):
            assert homes >= SMALLEST


@settings(deadline=None, max_examples=60)
@given(households())
def test_no_cell_hides_alone(city):
    shown = printed(*city)
    hidden = shown.isna().sum()
    assert ((hidden != 1) | (len(shown) == 1)).all()


@settings(deadline=None, max_examples=100)
@given(households(), st.integers(0, 10**6))
def test_a_difference_between_two_runs_leaves_at_least_ten_homes_in_question(city, pick):
    """Change one home; whatever then prints differently fits ten homes or more alike.

    For each home of the changed home's area that was in the same state, changing it instead
    must print the same. If fewer than ten such homes exist, nothing may print differently.
    """
    area, has, areas = city
    assume(len(area) > 0)
    changed = pick % len(area)
    after = has.copy()
    after[changed] = ~after[changed]
    first, second = printed(area, has, areas), printed(area, after, areas)
    alike = np.flatnonzero((area == area[changed]) & (has == has[changed]))
    if len(alike) < SMALLEST:
        pd.testing.assert_frame_equal(first, second)
    for other in alike[:3]:
        instead = has.copy()
        instead[other] = ~instead[other]
        pd.testing.assert_frame_equal(printed(area, instead, areas), second)


@settings(deadline=None, max_examples=60)
@given(households())
def test_a_hidden_cell_fits_more_than_one_count(city):
    """With every printed figure and the printed city total in hand, a hidden count stays open.

    The reader knows each printed cell to half a step either way and the total to half a step.
    """
    area, has, areas = city
    shown = printed(area, has, areas)["unknown"]
    assume(shown.isna().any())
    total = has.sum()
    whole = suppress_small_counts(
        pd.DataFrame({"homes": [len(area)], "unknown": [total]}),
        counts=["unknown"],
        smallest=SMALLEST,
    )["unknown"].iloc[0]
    assume(not np.isnan(whole))
    half = SMALLEST / 2
    slack = half * (1 + shown.notna().sum())
    low, high = whole - shown.sum() - slack, whole - shown.sum() + slack
    hidden = shown.index[shown.isna()]
    size = np.bincount(area, minlength=areas)
    for k in hidden:
        others = size[[j for j in hidden if j != k]].sum()
        least, most = max(0, low - others), min(size[k], high)
        assert most - least >= min(size[k], half)


def test_hidden_and_printed_by_hand():
    table = pd.DataFrame(
        {"homes": [100, 100, 100, 30, 9], "unknown": [9, 91, 55, 15, 4]}, index=list("abcde")
    )
    shown = suppress_small_counts(table, counts=["unknown"], smallest=10)
    assert shown["unknown"].isna().tolist() == [True, True, False, False, True]
    assert shown.loc[["c", "d"], "unknown"].tolist() == [60, 20]
    # e has too few homes; d, the next smallest, is hidden beside it.
    assert shown["homes"].isna().tolist() == [False, False, False, True, True]


@pytest.mark.parametrize(
    "table",
    [
        pd.DataFrame({"homes": [10], "unknown": [11]}),
        pd.DataFrame({"homes": [10], "unknown": [-1]}),
        pd.DataFrame({"homes": [10], "unknown": [np.nan]}),
    ],
)
def test_impossible_counts_are_refused(table):
    with pytest.raises(ArgumentError, match="the first is 0"):
        suppress_small_counts(table, counts=["unknown"])


def test_inputs_are_left_alone_and_smallest_is_checked():
    table = pd.DataFrame({"homes": [50, 60], "unknown": [20, 30]})
    before = table.copy()
    suppress_small_counts(table, counts=["unknown"])
    pd.testing.assert_frame_equal(table, before)
    with pytest.raises(ArgumentError, match="2 or more"):
        suppress_small_counts(table, counts=["unknown"], smallest=1)


def area_list() -> pd.DataFrame:
    return pd.DataFrame(
        {
            "area_id": ["N", "S", "E", "W"],
            "name": ["Northside", "Southgate", "Eastfield", "Westbank"],
            "rank": [2, 1, 3, 4],
            "homes": [412, 633, 158, 12],
            "unknown_lines": [203, 377, 61, 11],
            "expected_lead_lines": [121.4, 260.9, 33.3, 3.2],
            "low": [101.2, 228.1, 21.7, 1.0],
            "high": [143.9, 290.3, 46.1, 6.0],
            "tested_share": [41 / 412, 71 / 633, 7 / 158, 1 / 12],
            "kits_suggested": [137, 139, 131, 127],
            "why": ["secret reason"] * 4,
        }
    )


def area_shapes() -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame(
        {"area_id": list("NSEW"), "name": ["Northside", "Southgate", "Eastfield", "Westbank"]},
        geometry=[
            shapely.box(450_000 + 900 * k, 4_550_000, 450_900 + 900 * k, 4_551_000)
            for k in range(4)
        ],
        crs=32617,
    ).assign(children_under_6=31337.0, median_income=41414.0)


def test_public_areas_round_the_interval_outward_and_share_from_rounded_counts():
    shown = public_areas(area_list(), smallest=10)
    assert shown.index.tolist() == ["E", "N", "S", "W"]
    assert shown.loc["N", ["low", "expected_lead_lines", "high"]].tolist() == [100, 120, 150]
    assert shown.loc["N", "tested_share"] == pytest.approx(0.10)
    assert shown.loc[["E", "W"], "tested_share"].isna().all()


def scores_of(homes: dict[str | None, tuple[int, int]]) -> pd.DataFrame:
    """Scores of a number of homes in each area, the second number of unknown material."""
    parts = [
        pd.DataFrame(
            {
                "area_id": [area] * count,
                "inventory_class": ["lead status unknown"] * unknown
                + ["non-lead"] * (count - unknown),
                "p_lead": 0.5,
            }
        )
        for area, (count, unknown) in homes.items()
    ]
    return pd.concat(parts, ignore_index=True)


def areas_of(scores: pd.DataFrame) -> pd.DataFrame:
    placed = scores.dropna(subset="area_id").groupby("area_id")
    counts = pd.DataFrame(
        {
            "homes": placed.size(),
            "unknown_lines": placed["inventory_class"].agg(
                lambda own: int((own == "lead status unknown").sum())
            ),
            "expected_lead_lines": placed["p_lead"].sum(),
        }
    ).reset_index()
    return counts.assign(name=counts["area_id"], low=0.0, high=counts["homes"], tested_share=0.5)


def test_figures_of_the_city_count_homes_in_no_area():
    scores = scores_of({"A": (100, 50), "B": (300, 100), None: (77, 40)})
    city = public_city(scores, areas_of(scores), smallest=10)
    assert (city["homes"], city["unknown_lines"], city["expected_lead_lines"]) == (480, 190, 240)
    assert (city["any_outside"], city["outside"]) == (True, 80)


def test_few_homes_in_no_area_are_not_counted_for_the_public_nor_by_difference():
    scores = scores_of({"A": (100, 50), "B": (300, 100), None: (4, 2)})
    areas = areas_of(scores)
    city = public_city(scores, areas, smallest=10)
    assert city["any_outside"]
    assert np.isnan(city["outside"])
    # The city less both areas would give the four homes away, so the smaller area is hidden.
    shown = public_areas(areas, outside=outside_areas(scores, areas), smallest=10)
    assert shown.loc["A", ["homes", *CITY_COUNTS, "low", "high"]].isna().all()
    assert shown.loc["B", ["homes", *CITY_COUNTS]].tolist() == [300, 100, 150]


def test_homes_all_in_areas_change_nothing():
    scores = scores_of({"A": (100, 50), "B": (300, 100)})
    areas = areas_of(scores)
    outside = outside_areas(scores, areas)
    assert not public_city(scores, areas)["any_outside"]
    pd.testing.assert_frame_equal(public_areas(areas, outside=outside), public_areas(areas))


@settings(deadline=None, max_examples=60)
@given(households())
def test_no_part_of_the_city_hides_alone_where_homes_lie_in_no_area(city):
    area, has, parts = city
    assume(parts > 1)
    names = pd.Series(area).map(lambda k: f"N{k}" if k else None).astype("string")
    classes = np.where(has, "lead status unknown", "non-lead")
    scores = pd.DataFrame({"area_id": names, "inventory_class": classes, "p_lead": 0.5})
    areas = areas_of(scores)
    assume(len(areas) > 0)
    outside = outside_areas(scores, areas)
    assume(outside["homes"] > 0)
    shown = public_areas(areas, outside=outside, smallest=SMALLEST)
    printed_outside = public_city(scores, areas, smallest=SMALLEST)["outside"]
    assert np.isnan(printed_outside) or outside["homes"] >= SMALLEST
    assert shown["homes"].isna().sum() + np.isnan(printed_outside) != 1
    for name in CITY_COUNTS:
        if min(outside[name], outside["homes"] - outside[name]) < SMALLEST:
            assert shown[name].isna().any()


def test_the_public_page_holds_nothing_of_homes():
    """No staff column, no result, no exact figure; packed data are opened for the search."""
    html = public_map_html(area_list(), area_shapes(), city="Alder Falls", smallest=10)
    packed = re.findall(r'<script type="text/plain" data-name="[^"]+">([^<]+)</script>', html)
    opened = "\n".join(zlib.decompress(base64.b64decode(text)).decode() for text in packed)
    everything = html + opened
    household = {
        column
        for table in ("parcels", "lines", "checks", "kits", "samples", "answers", "pairs", "scores")
        for column in contract(table)
    } - {"geometry", "filter", "tap", "result", "unit", "draw", "side", "method", "material"}
    household -= {"points", "why", "area_id", "reasons", "basis", "verdict"}
    found = {name for name in household if re.search(rf"\b{name}\b", everything)}
    assert found == set()
    for private in (
        "secret reason",
        "31337",
        "41414",
        "kits_suggested",
        "121.4",
        "260.9",
        "203",
        "377",
    ):
        assert private not in opened
    assert '"unknown":380' in opened
    westbank = next(area for area in json.loads(opened) if area["name"] == "Westbank")
    assert (westbank["unknown"], westbank["expected"], westbank["tested"]) == (None, None, None)


def test_only_the_public_legend_speaks_of_figures_that_are_hidden():
    """Staff pages hide nothing: an area without a figure has no homes there."""
    protects = "to protect single homes"
    public = public_map_html(area_list(), area_shapes(), city="Alder Falls", smallest=10)
    figures = area_list().set_index("area_id")
    staff = figure_map(figures, area_shapes(), title="Overview", about=[]).get_root().render()
    assert f'"noFigure":"no figure shown, {protects}' in public
    assert '"noFigure":"no homes"' in staff
    assert protects not in staff


def test_public_page_says_what_it_is_and_where_to_ask():
    html = public_map_html(
        area_list(), area_shapes(), city="Alder Falls", kit_contact="Call 555-0100 & ask."
    )
    assert "Public edition: areas, never single homes." in html
    assert "Call 555-0100 &amp; ask." in html
    assert "not a compliance notice" in html
