"""Field checks: somebody looked at the pipe."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from scipy.spatial import cKDTree

from synthetic_city.codes import CODES
from synthetic_city.draws import Bools, Floats, Ints, stream
from synthetic_city.knobs import Knobs
from synthetic_city.pipes import LEAD, MATERIALS

SIDES = ("utility", "customer")
WHY = CODES["why"]


def first_checks(homes: pd.DataFrame, recorded: Ints, *, knobs: Knobs, seed: int) -> pd.DataFrame:
    """Return the checks of past years.

    Parameters
    ----------
    homes : DataFrame
        Truth of each home: utility_code, customer_code, x, y [m], street_segment (int), year,
        main_renewed, income_z, owner.
    recorded : array of int
        Utility side material in the record.

    Returns
    -------
    DataFrame
        Contract columns of ``checks`` with ``home`` (row number) for the key.
    """
    rng = stream(seed, "checks")
    n = len(homes)
    free = np.ones(n, dtype=bool)
    old = homes["year"].to_numpy() < 1950
    found = []
    crews = _along_main_work(homes, round(knobs.checks_main_work * n), knobs, rng)
    wishes = np.exp(0.6 * homes["income_z"].to_numpy() + 0.8 * old) * homes["owner"].to_numpy()
    suspicion = np.where(old, 1.0, 0.05) * np.where(recorded == LEAD, knobs.suspected_card, 1.0)
    # who suspects lead has often seen it
    seen = homes["customer_code"].to_numpy() == LEAD
    suspicion *= np.where(seen, knobs.suspected_seen, 1.0)
    for why, chosen in (
        ("random", rng.choice(n, round(knobs.checks_random * n), replace=False)),
        ("main_work", crews),
        ("request", _weighted(wishes, round(knobs.checks_request * n), rng)),
        ("suspected", _weighted(suspicion, round(knobs.checks_suspected * n), rng)),
    ):
        picked = chosen[free[chosen]]
        free[picked] = False
        found.append(_look(homes, picked, why, knobs, rng, knobs.first_day, knobs.last_day))
    table = pd.concat(found, ignore_index=True)
    return table.sort_values(["checked_on", "home", "side"], ignore_index=True, kind="stable")


def look_at(
    homes: pd.DataFrame, chosen: Ints, why: str, on: Any, *, knobs: Knobs, seed: int
) -> pd.DataFrame:
    """Return checks of both sides of chosen homes on one day; columns as :func:`first_checks`."""
    if why not in WHY:
        raise ValueError(f"why = {why!r} is not one of {', '.join(WHY)}")
    day = pd.Timestamp(on)
    rng = stream(seed, f"look {why} {day.date()}")
    return _look(homes, chosen, why, knobs, rng, day, day, both=True)


def check_likelihood(material: Ints, seen: Ints, error: float) -> Floats:
    """Return the likelihood of what was seen, given the true material of that side."""
    return np.where(material == seen, 1 - error, error / (len(MATERIALS) - 1))


def _look(
    homes: pd.DataFrame,
    chosen: Ints,
    why: str,
    knobs: Knobs,
    rng: np.random.Generator,
    first: Any,
    last: Any,
    both: bool = False,
) -> pd.DataFrame:
    n = len(chosen)
    span = (pd.Timestamp(last) - pd.Timestamp(first)).days
    if why == "main_work":  # a crew does one street in a few days
        street = homes["street_segment"].to_numpy()[chosen]
        _, street = np.unique(street, return_inverse=True)
        day = rng.integers(0, max(span - 6, 1), street.max() + 1 if n else 0)[street]
        day = day + rng.integers(0, 5, n)
    else:
        day = rng.integers(0, span + 1, n)
    date = (
        (pd.Timestamp(first) + pd.to_timedelta(day, unit="D")).to_numpy().astype("datetime64[ns]")
    )
    one = np.zeros(n, dtype=bool) if both else rng.random(n) < knobs.check_one_side
    only = np.where(one, np.where(rng.random(n) < 0.6, 0, 1), -1)
    parts = []
    for side, name in enumerate(SIDES):
        at = (only < 0) | (only == side)
        true = homes[f"{name}_code"].to_numpy()[chosen][at]
        off = rng.random(len(true)) < knobs.check_error
        seen = np.where(off, (true + rng.integers(1, len(MATERIALS), len(true))) % 5, true)
        dug = rng.random(len(true)) < (0.8 if side == 0 else 0.25)
        method = np.where(dug, "dig", "meter pit" if side == 0 else "inside at entry")
        parts.append(
            pd.DataFrame(
                {
                    "home": chosen[at],
                    "side": name,
                    "checked_on": date[at],
                    "material": np.array(MATERIALS)[seen],
                    "method": method,
                    "points": np.where(dug, 2, 1).astype(float),
                    "why": why,
                }
            )
        )
    table = pd.concat(parts, ignore_index=True)
    return table.sort_values(["home", "side"], ignore_index=True, kind="stable")


def _along_main_work(
    homes: pd.DataFrame, wanted: int, knobs: Knobs, rng: np.random.Generator
) -> Ints:
    """Return homes along a few stretches of street that were dug up, old mains first."""
    if wanted <= 0:
        return np.empty(0, dtype=np.int64)
    segment = homes["street_segment"].to_numpy()
    n = segment.max() + 1
    size = np.bincount(segment, minlength=n)
    there = np.flatnonzero(size)
    x = np.bincount(segment, homes["x"], n)[there] / size[there]
    y = np.bincount(segment, homes["y"], n)[there] / size[there]
    year = np.bincount(segment, homes["year"], n)[there] / size[there]
    weight = np.exp(-(year - 1920) / knobs.main_work_old) * np.exp(
        0.5 * rng.standard_normal(len(there))
    )
    order = _weighted(weight, len(there), rng)
    tree = cKDTree(np.column_stack([x, y]))
    taken: Bools = np.zeros(len(there), dtype=bool)
    rank = np.full(n, -1, dtype=np.int64)
    reached = 0
    turn = 0
    for seed_at in order:
        for k in tree.query(np.array([x[seed_at], y[seed_at]]), k=min(5, len(there)))[1].ravel():
            if not taken[k]:
                taken[k] = True
                rank[there[k]] = turn
                reached += size[there[k]]
                turn += 1
        if reached * knobs.main_work_seen > wanted:
            break
    dug = np.flatnonzero((rank[segment] >= 0) & (rng.random(len(homes)) < knobs.main_work_seen))
    return dug[np.argsort(rank[segment[dug]], kind="stable")][:wanted]


def _weighted(weight: Floats, wanted: int, rng: np.random.Generator) -> Ints:
    """Return a random order of ``wanted`` homes, heavier ones sooner (exponential race)."""
    with np.errstate(divide="ignore"):
        race = rng.exponential(size=len(weight)) / weight
    return np.argsort(race, kind="stable")[:wanted]
