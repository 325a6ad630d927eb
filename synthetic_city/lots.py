"""Parcels: lots cut from blocks, with slanted and jogged side lines and cut corners."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from synthetic_city.draws import Bools, Floats, Ints, stream
from synthetic_city.ground import Plan, segment_of
from synthetic_city.knobs import Knobs

_AT_ONCE = 100_000


def cut_lots(plan: Plan, parcels: int, *, knobs: Knobs, seed: int) -> gpd.GeoDataFrame:
    """Cut the blocks into lots.

    Parameters
    ----------
    plan : Plan
    parcels : int
        Number of lots to return.

    Returns
    -------
    GeoDataFrame
        One row a lot: geometry, block (row of ``plan.blocks``), street_segment, wave_year
        [year], x, y [m] (middle of the lot), lot_m2, out (0 centre to 1 edge of the city).
    """
    rng = stream(seed, "lots")
    blocks = plan.blocks
    n_side = np.repeat(blocks["lots"].to_numpy(), 2)
    side_of_block = np.repeat(np.arange(len(blocks)), 2)
    north_side = np.tile([0, 1], len(blocks))
    side = np.repeat(np.arange(len(n_side)), n_side)  # side of a block of each lot
    first = np.cumsum(n_side) - n_side
    width = np.exp(0.17 * rng.standard_normal(len(side)))
    width *= np.where(rng.random(len(side)) < 0.05, 1.7, 1.0)
    upto = np.cumsum(width)
    before = (upto - width)[first]
    total = np.add.reduceat(width, first)
    left_share = (upto - width - before[side]) / total[side]
    right_share = (upto - before[side]) / total[side]

    block = side_of_block[side]
    corners = {name: blocks[name].to_numpy()[block] for name in ("u0", "u1", "v0", "v1")}
    length = corners["u1"] - corners["u0"]
    left = corners["u0"] + left_share * length
    right = corners["u0"] + right_share * length
    north = north_side[side] == 1
    middle_share = rng.uniform(0.46, 0.54, len(blocks))[block]
    back = corners["v0"] + middle_share * (corners["v1"] - corners["v0"])
    front = np.where(north, corners["v1"], corners["v0"])
    at_left = np.zeros(len(side), dtype=bool)
    at_left[first] = True
    at_right = np.zeros(len(side), dtype=bool)
    at_right[first + n_side - 1] = True

    # side lines are shared: what the left line of a lot does, the right line of its neighbour does
    slant = rng.uniform(-2.0, 2.0, len(n_side))[side] + rng.uniform(-0.3, 0.3, len(side))
    jog = np.where(rng.random(len(side)) < knobs.jog_share, rng.uniform(1.2, 3.0, len(side)), 0.0)
    jog *= rng.choice([-1.0, 1.0], len(side))
    slant[at_left] = 0.0
    jog[at_left] = 0.0
    slant_right = np.where(at_right, 0.0, np.roll(slant, -1))
    jog_right = np.where(at_right, 0.0, np.roll(jog, -1))
    pieces = []
    for start in range(0, parcels, _AT_ONCE):
        some = slice(start, min(start + _AT_ONCE, parcels))
        pieces.append(
            _outlines(
                plan,
                left[some],
                right[some],
                front[some],
                back[some],
                (slant[some], slant_right[some]),
                (jog[some], jog_right[some]),
                (at_left[some], at_right[some]),
            )
        )
    geometry = np.concatenate(pieces)
    lots = slice(0, parcels)
    u = (left + right)[lots] / 2
    v = (front + back)[lots] / 2
    x, y = plan.bend(u, v)
    street, stretch = segment_of(
        plan,
        blocks["row"].to_numpy()[block][lots],
        blocks["place"].to_numpy()[block][lots],
        north[lots].astype(float),
        u,
    )
    frame = pd.DataFrame(
        {
            "block": block[lots],
            "street": street,
            "stretch": stretch,
            "wave_year": blocks["wave_year"].to_numpy()[block][lots],
            "x": x,
            "y": y,
            "lot_m2": shapely.area(geometry),
            "out": np.hypot(u, v) / plan.radius,
        }
    )
    return gpd.GeoDataFrame(frame, geometry=geometry, crs=knobs.crs)


def _outlines(
    plan: Plan,
    left: Floats,
    right: Floats,
    front: Floats,
    back: Floats,
    slant: tuple[Floats, Floats],
    jog: tuple[Floats, Floats],
    corner: tuple[Bools, Bools],
) -> np.ndarray:
    """Return the outlines of lots.

    The ring has up to twelve places: the front with its middle, each side with its jog, the
    back with its middle, and cut corners at street crossings. Places not used are left out.
    """
    depth = back - front
    turn = front + 0.55 * depth
    cut = np.minimum(3.0, 0.25 * (right - left))
    cut_v = np.sign(depth) * cut
    mid = (left + right) / 2
    n = len(left)
    everywhere = np.ones(n, dtype=bool)
    jogged = (jog[0] != 0, jog[1] != 0)
    back_left = left + slant[0] + jog[0]
    back_right = right + slant[1] + jog[1]
    ring: list[tuple[Floats, Floats, Bools]] = [
        (np.where(corner[0], left + cut, left), front, everywhere),
        (mid, front, everywhere),
        (np.where(corner[1], right - cut, right), front, everywhere),
        (right, front + cut_v, corner[1]),
        (right + 0.55 * slant[1], turn, everywhere),
        (right + 0.55 * slant[1] + jog[1], turn, jogged[1]),
        (back_right, back, everywhere),
        ((back_left + back_right) / 2, back, everywhere),
        (back_left, back, everywhere),
        (left + 0.55 * slant[0] + jog[0], turn, jogged[0]),
        (left + 0.55 * slant[0], turn, everywhere),
        (left, front + cut_v, corner[0]),
    ]
    u = np.column_stack([point[0] for point in ring])
    v = np.column_stack([point[1] for point in ring])
    used = np.column_stack([point[2] for point in ring])
    x, y = plan.bend(u[used], v[used])
    owner: Ints = np.broadcast_to(np.arange(n)[:, None], used.shape)[used]
    rings = shapely.linearrings(np.column_stack([x, y]), indices=owner)
    outlines = np.asarray(shapely.polygons(rings), dtype=object)
    clockwise = ~shapely.is_ccw(rings)
    outlines[clockwise] = shapely.reverse(outlines[clockwise])
    return outlines
