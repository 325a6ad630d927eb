"""What the baselines are given: all that the scores may use as well."""

from __future__ import annotations

from types import SimpleNamespace

import geopandas as gpd
import pandas as pd

from linemap.assembly import evaluation_frame
from linemap.evaluation.baselines import feature_matrix
from linemap.scoring import Evidence
from linemap.tables import City


def test_the_frame_holds_the_latest_answer_of_each_home():
    homes = pd.Index(["A", "B", "C"], name="parcel_id")
    parcels = gpd.GeoDataFrame(
        {"area_id": ["east"] * 3}, geometry=gpd.points_from_xy([0, 1, 2], [0, 0, 0]), index=homes
    )
    areas = gpd.GeoDataFrame({"area_id": ["east"], "median_income": [50_000.0]})
    answers = pd.DataFrame(
        {
            "parcel_id": ["A", "A", "B"],
            "entry_pipe": ["lead", "copper", "plastic"],
            "line_replaced": ["no", "yes", None],
        }
    )
    scored = SimpleNamespace(
        features=pd.DataFrame({"x": [0.0, 1, 2], "y": 0.0}, index=homes),
        pairs=pd.DataFrame(columns=["parcel_id", "verdict", "first_high", "flushed_high"]),
        evidence=Evidence(answers=answers),
    )
    frame = evaluation_frame(City("town", parcels, areas=areas), scored)
    assert frame["answer_entry_pipe"].fillna("").tolist() == ["copper", "plastic", ""]
    assert frame["answer_line_replaced"].fillna("").tolist() == ["yes", "", ""]
    given = {"kit_first_high", "kit_flushed_high", "record_lead"}
    given |= {"answer_entry_pipe", "answer_line_replaced"}
    assert given <= set(feature_matrix(frame))
