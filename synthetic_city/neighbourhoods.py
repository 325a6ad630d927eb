"""Neighbourhoods: planning areas with invented names, income, renters and children."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from scipy.spatial import cKDTree

from synthetic_city.draws import Floats, Ints, smooth_field, stream
from synthetic_city.ground import Plan
from synthetic_city.knobs import Knobs

_FIRST = (
    *("Alder", "Heron", "Kiln", "Lantern", "Mill", "Orchard", "Tannery", "Quarry", "Sorrel"),
    *("Ferry", "Bobbin", "Larch", "Cinder", "Meadow", "Granary", "Plover", "Ropewalk", "Juniper"),
    *("Copperas", "Thistle", "Weir", "Saddler", "Hazel", "Foundry", "Linden", "Marten", "Salt"),
    *("Willow", "Cannery", "Rowan"),
)
_LAST = (
    *("Hill", "Flats", "Landing", "Row", "Commons", "Point", "Bend", "Heights", "Green"),
    *("Crossing", "Side", "Park", "Works", "Dale", "Ridge"),
)


def draw_areas(
    plan: Plan, homes: gpd.GeoDataFrame, *, knobs: Knobs, seed: int
) -> tuple[gpd.GeoDataFrame, Ints]:
    """Join blocks into planning areas.

    Parameters
    ----------
    plan : Plan
    homes : GeoDataFrame
        Lots with column ``block`` and ``wave_year``.

    Returns
    -------
    GeoDataFrame
        Contract columns of ``areas``, and latent columns: income_z [sd], renter_share,
        record_gap, record_false, record_missed, return_effect (log scales, see knobs).
    array of int
        Area of each lot, as a row of the first.
    """
    rng = stream(seed, "areas")
    blocks = plan.blocks
    count = int(np.clip(round(len(homes) / knobs.parcels_per_area), 5, 400))
    label = _share_out(blocks["u"].to_numpy(), blocks["v"].to_numpy(), count, rng)
    area_of = label[homes["block"].to_numpy()]
    used = np.unique(area_of)
    place = np.full(label.max() + 1, -1)
    place[used] = np.arange(len(used))
    area_of = place[area_of]

    n = len(used)
    size = np.bincount(area_of, minlength=n)
    age = np.bincount(area_of, homes["wave_year"].to_numpy(), n) / size
    centre = (
        np.bincount(label, blocks["u"], label.max() + 1)[used] / np.bincount(label)[used],
        np.bincount(label, blocks["v"], label.max() + 1)[used] / np.bincount(label)[used],
    )
    # richer at the edge, but old rich quarters and poor new ones exist
    z = _scaled(
        knobs.income_age * _scaled(age)
        + knobs.income_place * smooth_field(rng, *centre, plan.radius)
        + knobs.income_own * rng.normal(size=n)
    )
    income = np.round(knobs.income_middle * np.exp(knobs.income_spread * z), -2)
    renters = knobs.renters[0] + knobs.renters[1] * z + 0.05 * rng.normal(size=n)
    renters = np.clip(renters, 0.08, 0.85)
    population = np.round(size * rng.uniform(*knobs.household, n))
    young = knobs.children[0] + knobs.children[1] * z + 0.012 * rng.normal(size=n)
    children = np.round(population * np.clip(young, 0.03, 0.14))
    need = _share_below(-z + 0.5 * _scaled(children / population) + 0.3 * rng.normal(size=n))
    frame = pd.DataFrame(
        {
            "area_id": [f"N{i + 1:03d}" for i in range(n)],
            "name": _names(n, rng),
            "children_under_6": children,
            "median_income": income,
            "need": np.round(need, 3),
            "population": population,
            "income_z": z,
            "renter_share": renters,
            "record_gap": knobs.record_blank_spread * (0.8 * rng.normal(size=n) - 0.6 * z),
            "record_false": _about_one(
                knobs.record_spread * (0.9 * rng.normal(size=n) + knobs.record_income * z), size
            ),
            "record_missed": _about_one(
                knobs.record_spread * (0.9 * rng.normal(size=n) + knobs.record_income * z), size
            ),
            "return_effect": knobs.return_area_sd * rng.normal(size=n),
        }
    )
    outlines = _outlines(plan, label, used)
    return gpd.GeoDataFrame(frame, geometry=outlines, crs=knobs.crs), area_of


def _share_out(u: Floats, v: Floats, count: int, rng: np.random.Generator) -> Ints:
    """Share out blocks among ``count`` compact groups (a few rounds of nearest mean)."""
    points = np.column_stack([u, v])
    centres = points[rng.choice(len(points), min(count, len(points)), replace=False)]
    label: Ints = np.zeros(len(points), dtype=np.int64)
    for _ in range(8):
        label = cKDTree(centres).query(points)[1]
        size = np.bincount(label, minlength=len(centres))
        filled = size > 0
        for axis, values in enumerate((u, v)):
            mean = np.bincount(label, values, len(centres))
            centres[filled, axis] = mean[filled] / size[filled]
    return label


def _outlines(plan: Plan, label: Ints, used: Ints) -> np.ndarray:
    """Return the bent outline of each area: its blocks out to the street centres."""
    u0, v0, u1, v1 = (plan.blocks[f"cell_{name}"].to_numpy() for name in ("u0", "v0", "u1", "v1"))
    boxes = np.asarray(shapely.box(u0, v0, u1, v1), dtype=object)
    merged = np.array([shapely.union_all(boxes[label == i]) for i in used], dtype=object)
    fine = shapely.segmentize(merged, 20.0)

    def bend(points: Floats) -> Floats:
        return np.column_stack(plan.bend(points[:, 0].copy(), points[:, 1].copy()))

    # a vertex on one side of a shared line only can make the bent ring cross itself by millimetres
    return np.asarray(shapely.buffer(shapely.transform(fine, bend), 0), dtype=object)


def _names(n: int, rng: np.random.Generator) -> list[str]:
    """Return ``n`` different invented names."""
    first = rng.permutation(len(_FIRST))
    last = rng.permutation(len(_LAST))
    out = []
    for i in range(n):
        turn, at = divmod(i, len(_FIRST))
        out.append(f"{_FIRST[first[at]]} {_LAST[last[(at + turn) % len(_LAST)]]}")
    return out


def _scaled(x: Floats) -> Floats:
    return (x - x.mean()) / (x.std() + 1e-9)


def _about_one(log: Floats, size: Ints) -> Floats:
    """Shift logs so that the factors have mean 1 over homes."""
    return log - np.log(np.average(np.exp(log), weights=size))


def _share_below(x: Floats) -> Floats:
    rank = np.argsort(np.argsort(x))
    return rank / max(len(x) - 1, 1)
