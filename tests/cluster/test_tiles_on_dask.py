"""Features of one city by two processes: tiles sent from within the task of the city."""

from __future__ import annotations

import logging
from dataclasses import replace
from functools import partial

import pandas as pd
import pytest
from distributed import Client, LocalCluster

from linemap.cluster import ONE_CITY, CityRun, _on_all_workers, _on_dask, count_city
from linemap.features import build_features
from synthetic_city import make_city


def test_tiles_on_two_processes_give_the_features_of_the_whole_city():
    parcels = make_city(1_200, seed=4).parcels
    work = partial(build_features, parcels, spread=_on_all_workers, tile_homes=100)
    with (
        LocalCluster(
            n_workers=2,
            threads_per_worker=1,
            host="127.0.0.1",
            dashboard_address=None,
            resources=ONE_CITY,
            silence_logs=logging.ERROR,
        ) as cluster,
        Client(cluster) as client,
    ):
        # more cities than workers: each keeps its worker to itself while its tiles are out
        cities = [client.submit(work, pure=False, resources=ONE_CITY) for _ in range(3)]
        tables = client.gather(cities)
    for table in tables:
        pd.testing.assert_frame_equal(table, build_features(parcels), check_exact=True)


@pytest.mark.parametrize(("resources", "tiled"), [(ONE_CITY, True), (None, False)])
def test_workers_that_know_no_cities_do_without_tiles(resources, tiled, tmp_path):
    """Those of a cluster that was there already and started without ``--resources city=1``.

    A city whose settings cannot be read comes back from the count as it went out.
    """
    city = CityRun("Alder Falls", str(tmp_path / "nowhere.toml"), "alder-falls")
    with (
        LocalCluster(
            n_workers=1, processes=False, dashboard_address=None, resources=resources
        ) as cluster,
        Client(cluster) as client,
    ):
        back = list(_on_dask(client, count_city, [city], tmp_path))
    assert back == [replace(city, tiled=tiled)]
