"""One small invented city with everything in it, scored once for all tests of the stage."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import pandas as pd
import pytest

from linemap.features import PlaceGraph, build_features, build_graph
from linemap.scoring import Evidence, LineModel
from linemap.water import check_kits
from synthetic_city import make_city

QUICK = {"rounds": 3, "folds": 3, "draws": 60}
"""Enough for properties that hold however long the model learns."""


@dataclass(frozen=True)
class Town:
    """What a model is given, and the truth apart."""

    features: pd.DataFrame
    graph: PlaceGraph
    evidence: Evidence
    truth: pd.DataFrame


@pytest.fixture(scope="session")
def town() -> Town:
    city = make_city(parcels=1200, seed=5)
    kits = city.kits[["kit_id", "parcel_id"]]
    return Town(
        features=build_features(city.parcels, city.areas),
        graph=build_graph(city.parcels),
        evidence=Evidence(
            lines=city.lines.reset_index(),
            checks=city.checks,
            pairs=check_kits(city.kits, city.samples),
            answers=city.answers.merge(kits, on="kit_id", how="left"),
        ),
        truth=city.truth,
    )


@pytest.fixture(scope="session")
def model(town: Town) -> LineModel:
    """The model as it is by default. Read only."""
    return LineModel(seed=1).fit(town.features, town.graph, town.evidence)


@pytest.fixture(scope="session")
def scores(model: LineModel) -> pd.DataFrame:
    return model.score()


@pytest.fixture(scope="session")
def quick_fit(town: Town) -> Callable[..., LineModel]:
    """Fit the town, or other features and places, to some evidence in about a second."""

    def fit(
        evidence: Evidence,
        features: pd.DataFrame | None = None,
        graph: PlaceGraph | None = None,
        seed: int = 1,
        **options: str,
    ) -> LineModel:
        return LineModel(**QUICK, seed=seed, **options).fit(
            town.features if features is None else features,
            town.graph if graph is None else graph,
            evidence,
        )

    return fit
