"""Pages as text: same inputs, same bytes; no address of a network; nothing unescaped."""

import base64
import importlib.util
import re
import zlib
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from linemap.errors import ArgumentError
from linemap.outputs.map import draw_map, map_html, map_sheets
from linemap.outputs.map.page import leaflet_script
from linemap.outputs.maps import write_maps
from linemap.settings import parse_settings

HOMES = Path(__file__).parents[1] / "benchmarks" / "map_homes.py"
spec = importlib.util.spec_from_file_location("map_homes", HOMES)
map_homes = importlib.util.module_from_spec(spec)
spec.loader.exec_module(map_homes)


@pytest.fixture(scope="module")
def city():
    parcels = map_homes.make_parcels(600)
    scores = map_homes.make_scores(parcels)
    return parcels, scores, map_homes.make_areas(parcels)


def area_list(scores):
    by_area = scores.groupby("area_id")
    table = by_area.size().to_frame("homes")
    table["name"] = table.index
    table["unknown_lines"] = by_area["inventory_class"].agg(
        lambda s: (s == "lead status unknown").sum()
    )
    table["expected_lead_lines"] = by_area["p_lead"].sum()
    table["low"], table["high"] = (
        table["expected_lead_lines"] * 0.8,
        table["expected_lead_lines"] * 1.2,
    )
    table["tested_share"], table["rank"], table["kits_suggested"] = 0.1, 1, 3
    table["why"] = "Many lead lines expected."
    return table.reset_index()


def test_two_pages_of_the_same_city_are_the_same_bytes(city):
    assert map_html(*city) == map_html(*city)


def test_row_order_of_scores_does_not_matter(city):
    parcels, scores, areas = city
    assert map_html(parcels, scores.iloc[::-1], areas) == map_html(parcels, scores, areas)


def test_inputs_are_left_alone(city):
    parcels, scores, areas = city
    before = parcels.copy(), scores.copy(), areas.copy()
    map_html(parcels, scores, areas, kits=map_homes.make_kits(scores, 5))
    assert parcels.equals(before[0])
    assert scores.equals(before[1])
    assert areas.equals(before[2])


def test_the_page_names_no_address_of_a_network(city):
    """Leaflet's own script is left out of the search: it holds a link to its home page."""
    html = map_html(*city).replace(leaflet_script(), "")
    loaded = re.findall(
        r"""(?:src|href)\s*=\s*["']([^"'#]+)|url\((?!data:|#)([^)]+)\)|@import""", html
    )
    assert [hit for hit in loaded if any(hit)] == []
    assert "sourceMappingURL" not in html
    assert "default-src 'none'" in html


def test_names_from_the_files_are_written_as_text(city):
    parcels, scores, areas = city
    bad = "</script><script>document.title='broken'</script>"
    areas = areas.assign(name=[bad, *areas["name"][1:]])
    html = map_html(parcels, scores, areas, city=bad)
    assert bad not in html
    assert "&lt;/script&gt;" in html


def test_names_are_never_read_as_a_template(city):
    """The page passes through two templates; neither may work out what a file says."""
    parcels, scores, areas = city
    name = "{{ 7*7 }} {% endraw %}{{ 6*6 }} {# gone #}"
    html = map_html(parcels, scores, areas, city=name)
    assert "{{ 7*7 }} &#123;% endraw %}{{ 6*6 }} {# gone #}" in html


def test_the_map_shows_inline_in_a_notebook(city):
    shown = draw_map(*city)._repr_html_()
    assert shown.startswith("<iframe srcdoc=")
    assert "linemap.startStaff" in shown


def test_other_folium_layers_can_be_added(city):
    folium = pytest.importorskip("folium")
    drawn = draw_map(*city)
    folium.CircleMarker([41.1, -81.6], radius=4).add_to(drawn)
    assert "L.circleMarker" in drawn.get_root().render()


@pytest.mark.parametrize("column", ["p_lead", "inventory_class"])
def test_missing_scores_are_refused(city, column):
    parcels, scores, areas = city
    broken = scores.copy()
    broken.loc[broken.index[3], column] = np.nan if column == "p_lead" else None
    with pytest.raises(ArgumentError):
        draw_map(parcels, broken, areas)


def test_other_homes_than_the_parcels_are_refused(city):
    parcels, scores, areas = city
    with pytest.raises(ArgumentError, match="same homes"):
        draw_map(parcels, scores.iloc[1:], areas)


def test_a_run_leaves_nothing_of_any_home_in_the_public_folder(city, tmp_path):
    """No parcel id, kit id, result, reason or corner of a parcel in any public file."""
    parcels, scores, areas = city
    pairs = map_homes.make_pairs(scores, share=0.3)
    pairs["first_low"] = pairs["first_high"] = 777.125
    (tmp_path / "parcels.gpkg").touch()
    findings = SimpleNamespace(
        settings=parse_settings({"files": {"parcels": "parcels.gpkg"}}, folder=tmp_path),
        parcels=parcels,
        scores=scores,
        areas=areas,
        kit_list=map_homes.make_kits(scores, 20),
        pairs=pairs,
        classes=pd.DataFrame({"utility_material": "lead"}, index=parcels.index),
        learn=pd.Series(0.1, index=parcels.index),
        area_list=area_list(scores),
        expected=pd.DataFrame(
            {"expected": [1234.0], "low": [1011.0], "high": [1456.0]}, index=["(city)"]
        ),
    )
    write_maps(findings, tmp_path)
    page = (tmp_path / "staff" / "map.html").read_text(encoding="utf-8")
    said = f"About 1,234 of {len(parcels):,} lines are expected to be lead "
    assert f"{said}(90% interval 1,011 to 1,456)." in page
    corners = latitudes_and_longitudes(parcels)
    middles = areas.set_geometry(areas.representative_point())
    private = {
        *parcels.index,
        *pairs["kit_id"],
        "777.125",
        *scores["reason_1"],
        # A lot may share a corner with its area, or lie under the place of the area's name.
        *corners - latitudes_and_longitudes(areas) - latitudes_and_longitudes(middles),
    }
    files = [path for path in (tmp_path / "public").rglob("*") if path.is_file()]
    assert [path.name for path in files] == ["map.html"]
    text = "".join(opened(path.read_text("utf-8")) for path in files)
    assert [word for word in private if word in text] == []


def latitudes_and_longitudes(frame):
    """Return every corner as the pages would write it."""
    places = frame.geometry.to_crs(4326).get_coordinates().round(5)
    return {f"[{y},{x}]" for x, y in zip(places["x"], places["y"], strict=True)}


def opened(html):
    """Return a page with its packed data inflated beside it."""
    packed = re.findall(r'<script type="text/plain" data-name="[^"]+">([^<]+)</script>', html)
    return html + "".join(zlib.decompress(base64.b64decode(text)).decode() for text in packed)


def test_every_home_of_a_large_city_lies_on_one_sheet(city):
    parcels, scores, areas = city
    scores = scores.copy()
    scores["area_id"] = scores["area_id"].str[:2]
    scores.loc[scores.index[:5], "area_id"] = None
    areas = areas.assign(area_id=areas["area_id"].str[:2]).dissolve("area_id").reset_index()
    pages = dict(map_sheets(parcels, scores, areas, area_list=area_list(scores)))
    overview = pages.pop("map.html")
    held = [int(n) for page in pages.values() for n in re.findall(r'"homes":(\d+),"packing', page)]
    assert sum(held) == len(parcels)
    assert len(pages) == areas["area_id"].isin(scores["area_id"]).sum() + 1
    assert "5 homes lie in no area" in overview
    assert all('href="map.html"' in page for page in pages.values())
