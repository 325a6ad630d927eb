"""Invented homes with irregular outlines, for the map's benchmark and browser tests."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

CORNERS = 9
WEIGHTS = ["prior", "place", "record", "answers", "water", "check"]


def make_parcels(n: int, seed: int = 1) -> gpd.GeoDataFrame:
    """Return n lots of nine uneven corners along streets, in UTM zone 17N [m]."""
    rng = np.random.default_rng(seed)
    across = int(np.ceil(np.sqrt(n * 2.5)))
    number = np.arange(n)
    column, row = number % across, number // across
    left = 450_000 + column * 13.0 + (column // 20) * 16.0
    top = 4_550_000 + row * 34.0 + (row // 2) * 18.0
    t = np.array([0, 0.33, 0.66, 1, 1, 1, 0.5, 0, 0])
    u = np.array([0, 0, 0, 0, 0.5, 1, 1, 1, 0.5])
    x = left[:, None] + t * 12.0 + rng.uniform(-0.45, 0.45, (n, CORNERS))
    y = top[:, None] + u * 32.0 + rng.uniform(-0.7, 0.7, (n, CORNERS))
    ring = np.stack([x, y], axis=2)
    ring = np.concatenate([ring, ring[:, :1]], axis=1)
    ids = pd.Index([f"AF-{k:07d}" for k in rng.permutation(n)], name="parcel_id")
    area = (column * 8 // across) + 8 * (row * 6 // (row.max() + 1))
    return gpd.GeoDataFrame(
        {"area_id": [f"A{k:02d}" for k in area]},
        geometry=shapely.polygons(ring),
        index=ids,
        crs=32617,
    )


def make_areas(parcels: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Return the box of each area, in the parcels' CRS."""
    bounds = parcels.bounds.groupby(parcels["area_id"].to_numpy()).agg(
        {"minx": "min", "miny": "min", "maxx": "max", "maxy": "max"}
    )
    return gpd.GeoDataFrame(
        {"area_id": bounds.index, "name": [f"Quarter {k[1:]}" for k in bounds.index]},
        geometry=shapely.box(*bounds.to_numpy().T),
        crs=parcels.crs,
    )


def make_scores(parcels: gpd.GeoDataFrame, seed: int = 1) -> pd.DataFrame:
    """Return scores by the contract, with made-up weights that add up."""
    rng = np.random.default_rng(seed)
    n = len(parcels)
    where = parcels.bounds[["minx", "miny"]].to_numpy() / 900
    place = 1.5 * np.sin(where[:, 0]) * np.cos(where[:, 1])
    checked = rng.random(n) < 0.05
    known = checked | (rng.random(n) < 0.4)
    weights = np.column_stack(
        [
            rng.normal(-0.6, 0.9, n),
            place,
            np.where(known, rng.choice([1.4, -1.1], n), 0),
            np.where(rng.random(n) < 0.08, rng.normal(0, 0.8, n), 0),
            np.where(rng.random(n) < 0.1, rng.normal(0, 1, n), 0),
            np.where(checked, rng.choice([5.0, -5.0], n), 0),
        ]
    )
    total = weights.sum(axis=1)
    p = 1 / (1 + np.exp(-total))
    year = rng.integers(1890, 1990, n)
    kind = np.where(known, np.where(total > 0, "lead", "non-lead"), "lead status unknown")
    frame = pd.DataFrame(
        {
            "area_id": parcels["area_id"],
            "inventory_class": kind,
            "basis": np.where(
                checked, "field check", np.where(known, "city record", "no evidence")
            ),
            "p_lead": p,
            "p_low": 1 / (1 + np.exp(-(total - 0.8))),
            "p_high": 1 / (1 + np.exp(-(total + 0.8))),
            "reason_1": [f"Built in {k}: homes of that time often have lead." for k in year],
            "reason_2": [
                f"Of {k} homes nearby that were looked at, some had lead." for k in year % 9
            ],
            "reason_3": None,
            "beyond_data": rng.random(n) < 0.07,
        },
        index=parcels.index,
    )
    return frame.assign(**{f"weight_{name}": weights[:, k] for k, name in enumerate(WEIGHTS)})


def make_kits(scores: pd.DataFrame, count: int) -> pd.DataFrame:
    """Return a list of next kits by the contract: the likeliest homes of unknown line."""
    unknown = scores[scores["inventory_class"] == "lead status unknown"]
    first = unknown.nlargest(count, "p_lead")
    return pd.DataFrame(
        {
            "parcel_id": first.index,
            "rank": np.arange(1, len(first) + 1),
            "arm": "ranked",
            "why": "Likely lead and likely to answer.",
        }
    )


def make_pairs(scores: pd.DataFrame, share: float = 0.05, seed: int = 2) -> pd.DataFrame:
    """Return returned kits by the contract."""
    rng = np.random.default_rng(seed)
    homes = scores.index[rng.random(len(scores)) < share]
    low = rng.lognormal(0.5, 1, len(homes)).round(1)
    return pd.DataFrame(
        {
            "kit_id": [f"K{k:06d}" for k in range(len(homes))],
            "parcel_id": homes,
            "verdict": "usable",
            "reasons": None,
            "collected_on": pd.Timestamp("2025-06-03"),
            "stagnation_h": 8.0,
            "flush_min": 5.0,
            "first_low": low,
            "first_high": low,
            "flushed_low": 0.0,
            "flushed_high": 1.0,
            "high_result": low > 10,
        }
    )
