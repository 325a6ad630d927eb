"""A small invented town with known truth, and an honest model to judge."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd
import pytest
from sklearn.linear_model import LogisticRegression

from linemap.evaluation import Evaluation, evaluate


def make_town(n: int = 2400, seed: int = 5, checked_share: float = 0.2) -> pd.DataFrame:
    """Homes in development waves; lead follows age, a smooth place effect and luck."""
    rng = np.random.default_rng(seed)
    x, y = rng.uniform(0, 6000, n), rng.uniform(0, 6000, n)
    year = np.clip(1900 + x / 60 + rng.normal(0, 12, n), 1880, 2015).round()
    centres = rng.uniform(0, 6000, (60, 2))
    height = rng.normal(0, 1.6, 60)
    squared = (x[:, None] - centres[:, 0]) ** 2 + (y[:, None] - centres[:, 1]) ** 2
    place = (np.exp(-squared / (2 * 350**2)) * height).sum(axis=1)
    p = 1 / (1 + np.exp(-(-0.09 * (year - 1935) + place)))
    truth = (rng.random(n) < p).astype(float)
    record = np.where(rng.random(n) < 0.5, np.nan, np.where(rng.random(n) < 0.15, 1 - truth, truth))
    along = np.exp(-((y % 1500 - 750) ** 2) / (2 * 120**2))
    why = np.full(n, "unknown", dtype=object)
    drawn = rng.permutation(n)
    budget = int(checked_share * n)
    chance = along[drawn] + 0.02
    main = drawn[np.argsort(-np.log(rng.random(n)) / chance)][: int(0.6 * budget)]
    why[main] = "main_work"
    rest = np.setdiff1d(drawn, main, assume_unique=True)
    rng.shuffle(rest)
    why[rest[: int(0.25 * budget)]] = "random"
    left = rest[int(0.25 * budget) :]
    suspected = left[truth[left] == 1][: int(0.1 * budget)]
    why[suspected] = "suspected"
    checked = np.isin(why, ["main_work", "random", "suspected"])
    days = pd.Timestamp("2020-01-01") + pd.to_timedelta(rng.integers(0, 1400, n), unit="D")
    area = (x // 2000).astype(int) * 3 + (y // 2000).astype(int)
    return pd.DataFrame(
        {
            "x": x,
            "y": y,
            "year_built": np.where(rng.random(n) < 0.05, np.nan, year),
            "land_use": rng.choice(["single", "multi", "shop"], n, p=[0.8, 0.15, 0.05]),
            "area_id": [f"area {a}" for a in area],
            "median_income": 40_000 + 3_000.0 * area,
            "checked": checked,
            "label": np.where(checked, truth, np.nan),
            "why": why,
            "checked_on": np.where(checked, days, np.datetime64("NaT")),
            "record_lead": record,
            "truth": truth,
            "p_true": p,
        },
        index=pd.Index([f"P{i:05d}" for i in range(n)], name="parcel_id"),
    )


class HonestModel:
    """Logistic regression on age, record and nearby visible checks; refitted on demand."""

    def __init__(self, town: pd.DataFrame) -> None:
        self.town, self.calls = town, []
        year = town["year_built"].fillna(town["year_built"].median()).to_numpy()
        record = town["record_lead"].to_numpy()
        self.x = np.column_stack(
            [(year - 1940) / 20, np.nan_to_num(record), np.isnan(record).astype(float)]
        )

    def __call__(self, hidden: pd.Index) -> pd.Series:
        self.calls.append(hidden)
        town = self.town
        visible = (
            town["checked"] & ~town.index.isin(hidden) & (town["why"] != "suspected")
        ).to_numpy()
        model = LogisticRegression(C=10).fit(self.x[visible], town["label"].to_numpy()[visible])
        p = model.predict_proba(self.x)[:, 1]
        seen = town["checked"].to_numpy() & ~town.index.isin(hidden)
        p[seen] = 0.99 * town["label"].to_numpy()[seen] + 0.005
        return pd.Series(p, index=town.index)


@pytest.fixture(scope="session")
def town() -> pd.DataFrame:
    return make_town()


@pytest.fixture(scope="session")
def frame(town: pd.DataFrame) -> pd.DataFrame:
    return town.drop(columns=["truth", "p_true"])


@pytest.fixture(scope="session")
def new_town() -> Callable[..., pd.DataFrame]:
    return make_town


@pytest.fixture(scope="session")
def honest_model() -> type[HonestModel]:
    return HonestModel


@pytest.fixture(scope="session")
def judged(town: pd.DataFrame, frame: pd.DataFrame) -> tuple[Evaluation, HonestModel]:
    """Everything judged once, and the model with its calls."""
    model = HonestModel(town)
    return evaluate(frame, model, seed=1, bootstrap=60), model
