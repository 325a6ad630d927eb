"""The plan of streets: rows of blocks in flat coordinates, bent into the ground.

Streets run along rows of blocks. A few rows share their cross streets and then the next few
shift theirs, so there are both crossings and T-junctions; one row is a river. The flat plan
(u, v) is bent into map coordinates by gentle waves and swirls, which keep neighbours
neighbours, so nothing overlaps.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.spatial import cKDTree

from synthetic_city.draws import Floats, Ints, smooth_field, stream
from synthetic_city.knobs import Knobs

JITTER = 0.45  # centres lie within this part of the spacing about their grid point
_FAR = 1e7  # wider than any city [m]


@dataclass(frozen=True)
class Bend:
    """The map from the flat plan (u, v) [m] to the ground (x, y) [m]."""

    waves: Floats
    swirls: Floats
    centre: tuple[float, float]

    def __call__(self, u: Floats, v: Floats) -> tuple[Floats, Floats]:
        """Return ground coordinates of plan coordinates, rounded to a centimetre."""
        x, y = u.copy(), v.copy()
        for ku, kv, phase, along, across in self.waves:
            s = np.sin(ku * u + kv * v + phase)
            x += along * s
            y += across * s
        for at_x, at_y, reach, turn in self.swirls:
            dx, dy = x - at_x, y - at_y
            angle = turn * np.exp(-(dx * dx + dy * dy) / (2 * reach * reach))
            c, s = np.cos(angle), np.sin(angle)
            x, y = at_x + c * dx - s * dy, at_y + s * dx + c * dy
        return np.round(x + self.centre[0], 2), np.round(y + self.centre[1], 2)


@dataclass(frozen=True)
class Plan:
    """Blocks with homes on them, the cross streets of every row, and the bend.

    Attributes
    ----------
    blocks : DataFrame
        u0, u1, v0, v1 [m], cell_* [m] out to the street centres, row, place in the row, lots
        on each side, wave_year [year].
    breaks : array, shape (rows, places + 1)
        Plan coordinates u of the cross streets of each row.
    bend : Bend
    radius : float
        Radius of the city [m].
    """

    blocks: pd.DataFrame
    breaks: Floats
    bend: Bend
    radius: float


def lay_streets(parcels: int, *, knobs: Knobs, seed: int) -> Plan:
    """Lay out streets and blocks for a number of homes."""
    rng = stream(seed, "ground")
    radius = np.sqrt(parcels * 760 / np.pi) * 1.15 + 250
    blocks, breaks = _rows(radius, knobs, rng)
    r = np.hypot(blocks["u"].to_numpy(), blocks["v"].to_numpy())
    theta = np.arctan2(blocks["v"].to_numpy(), blocks["u"].to_numpy())
    outline = 1 + 0.10 * np.sin(3 * theta + rng.uniform(0, 6)) + 0.05 * np.sin(7 * theta + 1)
    out = r * outline
    length = (blocks["u1"] - blocks["u0"]).to_numpy()
    front = knobs.frontage_core + (knobs.frontage_edge - knobs.frontage_core) * np.minimum(
        out / radius * 1.1, 1.0
    )
    front *= rng.uniform(0.85, 1.15, len(blocks))
    blocks["lots"] = np.maximum(np.round(length / front), 3).astype(int)
    keep = (rng.random(len(blocks)) >= knobs.park_share) & ~blocks["river"].to_numpy()
    order = np.argsort(np.where(keep, out, np.inf), kind="stable")
    total = np.cumsum(2 * blocks["lots"].to_numpy()[order])
    last = int(np.searchsorted(total, parcels))
    if last >= keep.sum():
        raise RuntimeError("the street plan is too small for the homes")
    blocks = blocks.iloc[np.sort(order[: last + 1])].drop(columns="river").reset_index(drop=True)
    radius = float(np.hypot(blocks["u"], blocks["v"]).max())
    blocks["wave_year"] = _waves(blocks, radius, knobs, stream(seed, "waves"))
    return Plan(blocks, breaks, _bend(radius, knobs, stream(seed, "bend")), radius)


def _rows(radius: float, knobs: Knobs, rng: np.random.Generator) -> tuple[pd.DataFrame, Floats]:
    """Return all blocks of a square that holds the city, and the cross streets by row."""
    rows = int(2 * radius / (2 * knobs.lot_depth[0])) + 4
    depth = rng.uniform(*knobs.lot_depth, rows) * 2
    street = np.where(rng.random(rows) < 0.15, 1.6, 1.0) * knobs.street_width
    river = rows // 2 + max(1, rows // 9)
    height = depth + street
    v0 = np.cumsum(height) - height - height.sum() / 2
    places = int(2 * radius / knobs.block_length[0]) + 4
    group = np.cumsum(rng.random(rows) < knobs.grid_shift)
    lengths = rng.uniform(*knobs.block_length, (group[-1] + 1, places))[group]
    breaks = np.concatenate([np.zeros((rows, 1)), np.cumsum(lengths, axis=1)], axis=1)
    breaks += (rng.uniform(-60, 0, group[-1] + 1)[group] - breaks[:, places // 2])[:, None]
    row = np.repeat(np.arange(rows), places)
    place = np.tile(np.arange(places), rows)
    left, right = breaks[row, place], breaks[row, place + 1]
    half = knobs.street_width / 2
    blocks = pd.DataFrame(
        {
            "row": row,
            "place": place,
            "u0": left + half,
            "u1": right - half,
            "v0": (v0 + street / 2)[row],
            "v1": (v0 + street / 2 + depth)[row],
            "cell_u0": left,
            "cell_u1": right,
            "cell_v0": v0[row],
            "cell_v1": (v0 + height)[row],
            "river": row == river,
        }
    )
    blocks["u"] = (blocks["u0"] + blocks["u1"]) / 2
    blocks["v"] = (blocks["v0"] + blocks["v1"]) / 2
    inside = (blocks["u"].abs() < radius * 1.25) & (blocks["v"].abs() < radius * 1.25)
    return blocks[inside].reset_index(drop=True), breaks


def _waves(blocks: pd.DataFrame, radius: float, knobs: Knobs, rng: np.random.Generator) -> Floats:
    """Return the year in which each block was developed, tract by tract outward."""
    u, v = blocks["u"].to_numpy(), blocks["v"].to_numpy()
    tract, at_u, at_v = nearest_centre(u, v, knobs.tract, rng)
    score = np.hypot(at_u, at_v) / radius
    score += 0.13 * smooth_field(rng, at_u, at_v, radius * 1.1)
    score += 0.16 * rng.standard_normal(len(at_u))
    by_block = score[tract] + 0.015 * rng.standard_normal(len(u))
    order = np.argsort(by_block, kind="stable")
    lots = blocks["lots"].to_numpy()[order].astype(float)
    share = np.empty(len(u))
    share[order] = (np.cumsum(lots) - lots / 2) / lots.sum()
    at, year = np.array(knobs.growth).T
    return np.interp(share, at, year)


def stretches(homes: pd.DataFrame) -> tuple[Ints, Floats, Floats]:
    """Return the stretch of street of each home, and the middle of each stretch [m]."""
    stretch = homes["street_segment"].to_numpy()
    size = np.bincount(stretch)
    x, y = (np.bincount(stretch, homes[axis]) / size for axis in ("x", "y"))
    return stretch, x, y


def nearest_centre(
    x: Floats, y: Floats, spacing: float, rng: np.random.Generator
) -> tuple[Ints, Floats, Floats]:
    """Share out points among the centres of a loose grid; return index and centres [m]."""
    gx, gy = grid_of(x, y, spacing)
    cx = gx + rng.uniform(-JITTER, JITTER, gx.size) * spacing
    cy = gy + rng.uniform(-JITTER, JITTER, gx.size) * spacing
    index: Ints = cKDTree(np.column_stack([cx, cy])).query(np.column_stack([x, y]))[1]
    return index, cx, cy


def grid_of(x: Floats, y: Floats, spacing: float) -> tuple[Floats, Floats]:
    """Return the grid [m] about whose points the centres lie by chance."""
    gx, gy = np.meshgrid(
        np.arange(x.min() - spacing, x.max() + 2 * spacing, spacing),
        np.arange(y.min() - spacing, y.max() + 2 * spacing, spacing),
    )
    return gx.ravel(), gy.ravel()


def segment_of(plan: Plan, row: Ints, place: Ints, north: Floats, u: Floats) -> tuple[Ints, Ints]:
    """Return street and stretch of homes: both sides of a street share one stretch.

    A home on the south side of its row fronts the street below it, cut at the cross streets of
    its own row. A home on the north side fronts the next street, cut at those of the next row.
    """
    north_side = north > 0
    street = row + north_side
    flat = (plan.breaks + np.arange(len(plan.breaks))[:, None] * _FAR).ravel()
    found = np.searchsorted(flat, street * _FAR + u) - 1 - street * plan.breaks.shape[1]
    return street, np.where(north_side, found, place)


def _bend(radius: float, knobs: Knobs, rng: np.random.Generator) -> Bend:
    waves = []
    for length in (900.0, 1400.0, 2200.0, 3500.0):
        angle = rng.uniform(0, 2 * np.pi)
        k = 2 * np.pi / length
        size = rng.uniform(0.03, 0.06) / k
        turn = rng.uniform(0, 2 * np.pi)
        waves.append(
            (
                k * np.cos(angle),
                k * np.sin(angle),
                rng.uniform(0, 2 * np.pi),
                size * np.cos(turn),
                size * np.sin(turn),
            )
        )
    swirls = [
        (
            *(rng.uniform(-0.7, 0.7, 2) * radius),
            max(rng.uniform(0.18, 0.4) * radius, 350.0),
            rng.choice([-1.0, 1.0]) * rng.uniform(0.12, 0.35),
        )
        for _ in range(6)
    ]
    return Bend(np.array(waves), np.array(swirls), (knobs.centre_x, knobs.centre_y))
