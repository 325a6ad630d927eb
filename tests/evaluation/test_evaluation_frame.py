"""What is judged: the frame, what the baselines are given, what is hidden."""

from __future__ import annotations

import shutil
from pathlib import Path
from types import SimpleNamespace

import geopandas as gpd
import numpy as np
import pandas as pd

from linemap.assembly import evaluation_frame, without
from linemap.evaluation.baselines import feature_matrix
from linemap.evaluation.frame import group_homes
from linemap.pipeline import run
from linemap.scoring import Evidence
from linemap.settings import load_settings
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
    frame = evaluation_frame(City("town", parcels, areas=areas), scored, "checks")
    assert frame["answer_entry_pipe"].fillna("").tolist() == ["copper", "plastic", ""]
    assert frame["answer_line_replaced"].fillna("").tolist() == ["yes", "", ""]
    given = {"kit_first_high", "kit_flushed_high", "record_lead"}
    given |= {"answer_entry_pipe", "answer_line_replaced"}
    assert given <= set(feature_matrix(frame))


def homes_of(income: list[float]) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "year_built": 1950.0,
            "area_id": "one",
            "median_income": income,
            "record_lead": np.nan,
            "why": "random",
        }
    )


def test_thirds_are_named_from_the_lowest_income():
    homes = homes_of([10.0, 20, 30, 40, 50, 60, np.nan])
    assert group_homes(homes, homes.index)["income"].tolist() == [
        *["lowest third"] * 2,
        *["middle third"] * 2,
        *["highest third"] * 2,
        "income unknown",
    ]


def test_one_income_everywhere_makes_no_thirds():
    homes = homes_of([50_000.0] * 5 + [np.nan])
    assert group_homes(homes, homes.index)["income"].dropna().tolist() == ["income unknown"]


def test_without_any_check_the_record_is_hidden_and_judged_by(tiny_city: Path, tmp_path: Path):
    """The report says so and judges no probability; nothing ranks as if it knew the record."""
    shutil.copytree(tiny_city, tmp_path / "city")
    settings = tmp_path / "city" / "settings.toml"
    settings.write_text(settings.read_text().replace('checks = "checks.csv"\n', ""))
    finished = run(load_settings(settings), tmp_path / "run")
    said = finished.evaluation
    assert said["labels"] == "records"
    assert said["headline"] is None
    assert said["counts"]["judged"] > 100
    told = {caution["code"] for caution in said["warnings"]}
    assert "labels_are_records" in told
    assert not {"too_good", "probabilities_off"} & told
    report = (finished.folder / "staff" / "report.html").read_text(encoding="utf-8")
    assert "every figure states agreement with the record" in report
    assert "Promised against found" not in report
    assert "similar probability. On the diagonal" not in report


def test_what_a_label_was_taken_from_is_taken_out_of_the_evidence():
    homes = pd.DataFrame({"parcel_id": ["A", "B"]})
    evidence = Evidence(lines=homes, checks=homes, answers=homes)
    for labels, table in (("checks", "checks"), ("records", "lines")):
        left = without(evidence, pd.Index(["B"]), labels)
        for name in ("lines", "checks", "answers"):
            expected = ["A"] if name == table else ["A", "B"]
            assert getattr(left, name)["parcel_id"].tolist() == expected
