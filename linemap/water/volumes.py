"""Water that stands in a service line, and whether a flush reached it."""

from __future__ import annotations

from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from linemap.errors import ArgumentError
from linemap.published import fact

FOOT_M = 0.3048
INCH_M = 0.0254
GALLON_L = 3.785411784

REACHES = ("short of the line", "in the line", "past the line", "not known")
"""Where the water of the flushed bottle stood."""


def inside_diameter(pipe: Literal["lead", "copper L", "copper K"], nominal_in: float) -> float:
    """Return the inside diameter of a pipe by kind and nominal size.

    Parameters
    ----------
    pipe : {"lead", "copper L", "copper K"}
        Kind of pipe; for copper with its type of tube.
    nominal_in : float
        Nominal size [in].

    Returns
    -------
    float
        Inside diameter [in].

    Raises
    ------
    ArgumentError
        If the size is not on file.

    References
    ----------
    Standard sizes of copper tube; lead by its bore (fact ``water.inside_diameter``).

    Examples
    --------
    >>> inside_diameter("copper K", 0.75)
    0.745
    """
    table = {(kind, size): bore for kind, size, bore in fact("water.inside_diameter").value}
    if (pipe, float(nominal_in)) not in table:
        known = ", ".join(f"{kind} {size:g} in" for kind, size in table)
        raise ArgumentError(f"no inside diameter is on file for {pipe} {nominal_in:g} in: {known}")
    return float(table[pipe, float(nominal_in)])


def line_volume(
    bore_in: ArrayLike, *, length_ft: ArrayLike | None = None, length_m: ArrayLike | None = None
) -> np.ndarray:
    """Return the water that a round pipe holds.

    Parameters
    ----------
    bore_in : array_like
        Inside diameter [in], see :func:`inside_diameter`.
    length_ft, length_m : array_like
        Length [ft] or [m]; give one of them.

    Returns
    -------
    ndarray of float
        Volume [L], shape as broadcast.

    Raises
    ------
    ArgumentError
        If neither or both lengths are given, or a size is negative.

    Examples
    --------
    A 50 ft line of lead with a bore of 3/4 in:

    >>> float(line_volume(0.75, length_ft=50).round(2))
    4.34
    """
    if (length_ft is None) == (length_m is None):
        raise ArgumentError("give the length either in feet or in metres")
    length = (
        np.asarray(length_ft, dtype=float) * FOOT_M
        if length_m is None
        else np.asarray(length_m, dtype=float)
    )
    bore = np.asarray(bore_in, dtype=float)
    if (length < 0).any() or (bore < 0).any():
        raise ArgumentError("length and bore must not be negative")
    return np.asarray(np.pi / 4 * (bore * INCH_M) ** 2 * length * 1000.0)


def flush_reach(
    flush_min: pd.Series,
    line_l: ArrayLike,
    *,
    flow_l_min: tuple[float, float] | float | None = None,
    premise_l: float | None = None,
    first_l: float = 1.0,
    bottle_l: float = 1.0,
) -> pd.DataFrame:
    """Say whether the flushed bottle holds water that stood in the service line.

    Water is taken to move as a plug: after the first bottle and the flush, the second bottle
    is filled. Past the line it holds water from the main that only ran through the line.

    Parameters
    ----------
    flush_min : Series
        Minutes of running [min].
    line_l : array_like
        Water in the service line [L], see :func:`line_volume`.
    flow_l_min : (float, float) or float, optional
        Flow of the tap [L/min], or its least and most. Default half to one and a half times
        1.5 gal/min, since nobody measured it.
    premise_l : float, optional
        Water between tap and line [L].
    first_l, bottle_l : float
        Size of the first and the flushed bottle [L].

    Returns
    -------
    DataFrame
        Index of ``flush_min``: ``flushed_low_l``, ``flushed_high_l`` [L] (what ran before the
        second bottle, without the first); ``share_low``, ``share_high``, the share of the
        second bottle that stood in the line over the range of flows; ``reach``, one of
        :data:`REACHES`; ``not known`` where the range of flows does not settle it.

    Raises
    ------
    ArgumentError
        If flow, volumes or sizes are not positive.

    References
    ----------
    Facts ``water.tap_flow`` and ``water.premise_volume`` (common practice, our choice).

    Examples
    --------
    >>> minutes = pd.Series([0.3, 0.6, 2.0])
    >>> list(flush_reach(minutes, 4.34, flow_l_min=5.68)["reach"])
    ['in the line', 'in the line', 'past the line']
    """
    usual = float(fact("water.tap_flow").value) * GALLON_L
    flows = (0.5 * usual, 1.5 * usual) if flow_l_min is None else flow_l_min
    slow, fast = (flows, flows) if isinstance(flows, (int, float)) else flows
    premise = float(fact("water.premise_volume").value) if premise_l is None else premise_l
    line = np.broadcast_to(np.asarray(line_l, dtype=float), len(flush_min))
    if not 0 < slow <= fast or premise < 0 or bottle_l <= 0 or first_l < 0 or (line < 0).any():
        raise ArgumentError("flow and bottle must be above zero, volumes must not be negative")
    minutes = flush_min.to_numpy(float)
    starts = [first_l + minutes * flow for flow in (slow, fast)]
    middle = premise + line / 2
    # The share is highest where the bottle sits nearest to the middle of the line.
    nearest = np.clip(middle - bottle_l / 2, starts[0], starts[1])
    shares = [_overlap(start, bottle_l, premise, line) for start in (*starts, nearest)]
    unknown = np.isnan(minutes) | np.isnan(line)
    where = [_reach(start, bottle_l, premise, line) for start in starts]
    reach = np.where(unknown | (where[0] != where[1]), 3, where[0])
    return pd.DataFrame(
        {
            "flushed_low_l": minutes * slow,
            "flushed_high_l": minutes * fast,
            "share_low": np.where(unknown, np.nan, np.minimum(shares[0], shares[1])),
            "share_high": np.where(unknown, np.nan, shares[2]),
            "reach": pd.Categorical(np.array(REACHES, dtype=object)[reach], categories=REACHES),
        },
        index=flush_min.index,
    )


def _overlap(start: np.ndarray, bottle: float, premise: float, line: np.ndarray) -> np.ndarray:
    """Return the share of the bottle that stood between premise and main."""
    top, bottom = np.minimum(start + bottle, premise + line), np.maximum(start, premise)
    return np.clip(top - bottom, 0.0, None) / bottle


def _reach(start: np.ndarray, bottle: float, premise: float, line: np.ndarray) -> np.ndarray:
    """Return 0 short of the line, 1 in it, 2 past it."""
    return np.where(start + bottle <= premise, 0, np.where(start >= premise + line, 2, 1))
