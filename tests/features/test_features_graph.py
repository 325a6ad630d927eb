"""The graph of places: which homes share a place, and which places are neighbours."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from scipy import sparse
from scipy.sparse.csgraph import connected_components
from shapely import Point

from linemap.errors import ArgumentError
from linemap.features import PlaceGraph, build_graph


def make_grid(side: int = 12, step_m: float = 50.0) -> gpd.GeoDataFrame:
    """Homes on a square grid; a segment is four homes in a row along x."""
    at = np.arange(side)
    x, y = (axis.ravel() * step_m for axis in np.meshgrid(at, at))
    return gpd.GeoDataFrame(
        {
            "street_segment": [
                f"S{int(b // step_m)}-{int(a // (4 * step_m))}" for a, b in zip(x, y, strict=True)
            ]
        },
        index=pd.Index([f"P{i:04d}" for i in range(len(x))], name="parcel_id"),
        geometry=gpd.points_from_xy(x, y),
        crs=32616,
    )


def is_plain(graph: PlaceGraph) -> bool:
    """Symmetric, no self loops, only positive finite links."""
    link = graph.adjacency
    symmetric = abs(link - link.T).max() == 0
    return bool(
        symmetric
        and not link.diagonal().any()
        and (link.data > 0).all()
        and np.isfinite(link.data).all()
    )


def test_segments_are_the_places_where_given() -> None:
    parcels = make_grid()
    graph = build_graph(parcels)
    assert graph.kind == "street segments"
    assert graph.n_units == parcels["street_segment"].nunique() == 36
    together = pd.Series(graph.unit).groupby(parcels["street_segment"].to_numpy()).nunique()
    assert (together == 1).all()


def test_cells_are_the_places_elsewhere() -> None:
    """By hand: homes at 0, 50, ... 550 m fill six squares of 100 m along each side."""
    graph = build_graph(make_grid().drop(columns="street_segment"))
    assert graph.kind == "cells"
    assert graph.n_units == 36
    assert (np.bincount(graph.unit) == 4).all()
    assert build_graph(make_grid().assign(street_segment=None), cell_m=600.0).n_units == 1


def test_segments_need_most_homes() -> None:
    parcels = make_grid()
    parcels.loc[parcels.index[:50], "street_segment"] = None
    assert build_graph(parcels).kind == "cells"


def test_home_without_segment_joins_the_nearest() -> None:
    parcels = make_grid()
    lost = parcels.index[4]
    parcels.loc[lost, "street_segment"] = None
    parcels.loc[lost, "geometry"] = Point(190.0, 0.0)
    graph = build_graph(parcels)
    assert graph.kind == "street segments"
    assert graph.unit[4] == graph.unit[3]
    assert graph.unit[4] != graph.unit[5]
    assert graph.n_units == 36


@pytest.mark.parametrize("named", [True, False])
def test_links_are_symmetric_and_join_all_of_a_compact_town(named: bool) -> None:
    parcels = make_grid()
    graph = build_graph(parcels if named else parcels.drop(columns="street_segment"))
    assert sparse.issparse(graph.adjacency)
    assert graph.adjacency.shape == (graph.n_units, graph.n_units)
    assert is_plain(graph)
    assert connected_components(graph.adjacency, directed=False)[0] == 1


def test_neighbouring_cells_are_linked_at_their_distance_and_far_ones_are_not() -> None:
    graph = build_graph(make_grid().drop(columns="street_segment"))
    gap = np.hypot(
        graph.unit_x[:, None] - graph.unit_x, graph.unit_y[:, None] - graph.unit_y
    ).round(6)
    link = graph.adjacency.toarray()
    beside = gap == 100.0
    assert link[beside] == pytest.approx(100.0)
    assert (link[gap > 142.0] == 0).all()


def test_no_place_stands_alone() -> None:
    far = make_grid(side=6)
    lonely = gpd.GeoDataFrame(
        {"street_segment": ["far away"]},
        index=pd.Index(["far"], name="parcel_id"),
        geometry=[Point(50_000.0, 0.0)],
        crs=32616,
    )
    graph = build_graph(pd.concat([far, lonely]))
    assert (graph.adjacency.getnnz(axis=1) > 0).all()
    assert is_plain(graph)


def test_position_of_a_place_is_the_mean_of_its_homes() -> None:
    parcels = make_grid()
    graph = build_graph(parcels)
    for k in (0, 7, 35):
        here = parcels[graph.unit == k]
        assert graph.unit_x[k] == pytest.approx(here.geometry.x.mean())
        assert graph.unit_y[k] == pytest.approx(here.geometry.y.mean())


def test_unit_follows_the_order_of_the_parcels() -> None:
    parcels = make_grid()
    shuffled = parcels.sample(frac=1.0, random_state=2)
    graph = build_graph(shuffled)
    x = shuffled.geometry.x.to_numpy()
    assert (np.abs(x - graph.unit_x[graph.unit]) <= 75.0).all()
    together = pd.Series(graph.unit).groupby(shuffled["street_segment"].to_numpy()).nunique()
    assert (together == 1).all()


def test_parcels_are_left_as_they_were() -> None:
    parcels = make_grid()
    before = parcels.copy(deep=True)
    build_graph(parcels)
    pd.testing.assert_frame_equal(pd.DataFrame(parcels), pd.DataFrame(before))


def test_homes_all_at_one_spot_make_one_place() -> None:
    parcels = make_grid(side=4).drop(columns="street_segment")
    graph = build_graph(parcels.set_geometry([Point(5.0, 5.0)] * len(parcels), crs=32616))
    assert graph.n_units == 1
    assert graph.adjacency.nnz == 0


def test_places_in_one_straight_line_hang_together() -> None:
    parcels = make_grid().iloc[:12].drop(columns="street_segment")
    graph = build_graph(parcels)
    assert graph.n_units == 6
    assert is_plain(graph)
    assert (graph.adjacency.getnnz(axis=1) > 0).all()


def test_home_without_a_place_is_named() -> None:
    parcels = make_grid(side=3)
    parcels.loc["P0004", "geometry"] = None
    with pytest.raises(ArgumentError, match="P0004"):
        build_graph(parcels)


@pytest.mark.parametrize("cell_m", [0.0, -1.0, float("nan")])
def test_side_of_a_cell_must_be_positive(cell_m: float) -> None:
    with pytest.raises(ArgumentError, match="cell_m"):
        build_graph(make_grid(side=3), cell_m=cell_m)


def test_part_of_a_graph_is_its_places_and_the_links_between_them() -> None:
    whole = build_graph(make_grid())
    rows = np.array([30, 3, 4, 31])
    part = whole.part(rows)
    assert part.kind == whole.kind
    places = np.unique(whole.unit[rows])
    assert (places[part.unit] == whole.unit[rows]).all()
    assert part.unit_x.tolist() == whole.unit_x[places].tolist()
    expected = whole.adjacency.toarray()[np.ix_(places, places)]
    assert (part.adjacency.toarray() == expected).all()
