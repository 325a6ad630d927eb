"""What a report says of the water results, as plain values ready to print."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Collection
from dataclasses import asdict
from typing import Any

import numpy as np
import pandas as pd

from linemap.errors import ArgumentError, EvidenceError
from linemap.published import all_facts, fact
from linemap.water.censored import summarize_censored
from linemap.water.control import control_threshold
from linemap.water.counts import kit_counts
from linemap.water.grounds import KitRules
from linemap.water.kits import DRAWS, check_kits, intervals
from linemap.water.levels import Edition
from linemap.water.percentiles import NOT_COMPLIANCE, RankMethod, percentile_90
from linemap.water.reading import read_pairs
from linemap.water.repeats import one_per_home, repeat_tests, within_home_spread
from linemap.water.results import censored
from linemap.water.sentences import say_results
from linemap.water.shares import share_above
from linemap.water.volumes import flush_reach, line_volume

CAUTIONS = (
    "No level of lead is known to be safe.",
    "A result is one moment at one tap.",
    "A low result does not clear a home: a lead service line cannot be ruled out.",
    f"Every percentile here is a {NOT_COMPLIANCE}.",
    "Homes that ask for kits are not a random sample of the city.",
)
"""Printed beside every summary."""


def summarize_results(
    values: np.ndarray,
    below_limit: np.ndarray,
    *,
    analyte: str = "lead",
    edition: Edition = "LCRR",
    as_of: dt.date | None = None,
    state: str | None = None,
    method: RankMethod = "interpolate",
    seed: int = 1,
) -> dict[str, Any]:
    """Summarise one set of results: percentile, censored statistics, shares above levels.

    Parameters
    ----------
    values : ndarray of float, shape (n,)
        Results [ug/L]; for a non-detect its limit.
    below_limit : ndarray of bool, shape (n,)
        Which are non-detects.
    analyte : {"lead", "copper"}
        Sets the level and, for lead, the shares.
    edition, as_of, state
        See :func:`linemap.water.action_level`.
    method : {"interpolate", "half_up", "half_even", "next_rank"}
        See :func:`linemap.water.rank_90`.
    seed : int
        Seed of the resampling.

    Returns
    -------
    dict
        ``n``, ``non_detects``, ``limits``, ``percentile_90``, ``methods``, ``advised``,
        ``why``, ``above``. What cannot be told is a sentence in place of the figure.
    """
    if len(values) == 0:
        return {"n": 0, "why": "There are no readable results."}
    level = None if analyte == "lead" else float(fact("copper.action_level").value)
    percentile: Any
    try:
        found = percentile_90(
            values,
            below_limit=below_limit,
            method=method,
            edition=edition,
            on=as_of,
            state=state,
            level=level,
            seed=seed,
        )
        percentile = {**asdict(found), "sentence": str(found)}
    except EvidenceError as error:
        percentile = str(error)
    summary = summarize_censored(values, below_limit, seed=seed)
    levels = fact("water.notice_levels").value if level is None else [level]
    above: list[Any] = []
    for step in levels:
        try:
            above.append(asdict(share_above(values, below_limit, float(step))))
        except EvidenceError as error:
            above.append(str(error))
    return {
        "n": summary.n,
        "non_detects": summary.non_detects,
        "censored_share": summary.censored_share,
        "limits": list(summary.limits),
        "percentile_90": percentile,
        "methods": _rows(summary.table),
        "advised": summary.advised,
        "why": summary.why,
        "above": above,
    }


def water_summary(
    pairs: pd.DataFrame,
    kits: pd.DataFrame | None = None,
    parcels_area: pd.Series | None = None,
    *,
    edition: Edition = "LCRR",
    as_of: dt.date | None = None,
    state: str | None = None,
    method: RankMethod = "interpolate",
    control_homes: Collection[str] = (),
    line_diameter_in: pd.Series | None = None,
    seed: int = 1,
) -> dict[str, Any]:
    """Summarise the returned kits of a programme.

    Each home counts once, by its earliest usable kit, for a bottle by the earliest that has it;
    repeats have a part of their own.

    Parameters
    ----------
    pairs : DataFrame
        Table of the ``pairs`` contract.
    kits : DataFrame, optional
        Table of the ``kits`` contract, for the counts through the programme.
    parcels_area : Series, optional
        ``area_id`` indexed by ``parcel_id``, for return rates by area.
    edition, as_of, state
        See :func:`linemap.water.action_level`.
    method : {"interpolate", "half_up", "half_even", "next_rank"}
        See :func:`linemap.water.rank_90`.
    control_homes : collection of str
        ``parcel_id`` of homes known by a look at the pipe to have no lead line.
    line_diameter_in : Series, optional
        Diameter of the service line [in] indexed by ``parcel_id``, to ask whether the flush
        sampled the line at its usual length.
    seed : int
        Seed of the resampling.

    Returns
    -------
    dict
        Plain values: ``kits`` (counts), ``homes``, ``first``, ``flushed`` (see
        :func:`summarize_results`), ``causes`` (homes by what their pair suggests),
        ``control`` (local threshold, or why there is none), ``reach`` (homes by where the
        flushed water stood, if diameters are given), ``repeats``, ``sources``, ``label``
        and ``cautions``. Figures that do not exist are None.

    References
    ----------
    Goovaerts 2017 for counting a home once.
    """
    homes = one_per_home(pairs)
    out: dict[str, Any] = {"label": NOT_COMPLIANCE, "cautions": list(CAUTIONS), "homes": len(homes)}
    if kits is not None:
        counts = kit_counts(kits, pairs, parcels_area)
        out["kits"] = {
            "stages": counts.stages.to_dict(),
            "verdicts": counts.verdicts.to_dict(),
            "reasons": counts.reasons.to_dict(),
            "turnaround_days": _rows(counts.turnaround),
            "by_area": _rows(counts.by_area),
            "return_rate": [counts.return_rate, counts.rate_low, counts.rate_high],
        }
    for draw in DRAWS:
        values, below = _per_home(pairs, pairs[f"{draw}_low"], pairs[f"{draw}_high"])
        out[draw] = summarize_results(
            values, below, edition=edition, as_of=as_of, state=state, method=method, seed=seed
        )
    threshold: float | None = None
    try:
        control = control_threshold(pairs, control_homes)
        threshold, out["control"] = control.value, {**asdict(control), "sentence": str(control)}
    except EvidenceError as error:
        out["control"] = str(error)
    reach: pd.Series | None = None
    if line_diameter_in is not None:
        bore = homes["parcel_id"].map(line_diameter_in).astype(float)
        length = float(np.mean(fact("water.line_length").value))
        reach = flush_reach(homes["flush_min"], line_volume(bore, length_ft=length))["reach"]
        out["reach"] = reach.value_counts(sort=False).to_dict()
    reading = read_pairs(homes, threshold=threshold, reach=reach)
    out["causes"] = reading["suggests"].value_counts(sort=False).to_dict()
    out["above_control"] = reading["above_control"].value_counts(sort=False).to_dict()
    out["repeats"] = _repeats(pairs)
    out["sources"] = sources()
    return _plain(out)


def results_summary(
    samples: pd.DataFrame,
    kits: pd.DataFrame | None = None,
    *,
    rules: KitRules | None = None,
    edition: Edition = "LCRR",
    as_of: dt.date | None = None,
    state: str | None = None,
    method: RankMethod = "interpolate",
    seed: int = 1,
) -> dict[str, Any]:
    """Summarise a laboratory's file, without any map.

    Parameters
    ----------
    samples : DataFrame
        Table of the ``samples`` contract with ``value_ug_l``, ``limit_ug_l``, ``below_limit``.
    kits : DataFrame, optional
        Table of the ``kits`` contract. Without it nothing is known of the standing time, so
        that every kit is in doubt, and each counts as a home of its own.
    rules : KitRules, optional
        What the programme asks of a kit.
    edition, as_of, state, method, seed
        See :func:`summarize_results`.

    Returns
    -------
    dict
        Plain values: ``sets`` (a summary for each analyte and draw), ``verdicts`` and
        ``reasons`` (kits), ``copper_alone`` (kits that may be used for copper and not for lead),
        ``sources``, ``label``, ``cautions``, and ``sentences`` that say it all. Results of kits
        that may not be used are left out of ``sets``; that there is no lead result keeps nobody
        from reading the copper.
    """
    if kits is None:
        ids = pd.unique(samples["kit_id"])
        kits = pd.DataFrame({"kit_id": ids, "parcel_id": ids})
    elif missing := sorted(set(samples["kit_id"]) - set(kits["kit_id"])):
        shown = ", ".join(map(str, missing[:5]))
        raise ArgumentError(f"{len(missing)} kit(s) have results but no row in kits: {shown}")
    pairs = check_kits(kits, samples, today=as_of, rules=rules)
    spared = check_kits(kits, samples, today=as_of, rules=rules, spare=("no_lead",))
    for_lead, for_copper = (
        (judged["verdict"] != "not_usable").to_numpy(bool) for judged in (pairs, spared)
    )
    alone = pairs.loc[for_copper & ~for_lead, "kit_id"]
    alone = alone.isin(samples.loc[samples["analyte"] == "copper", "kit_id"])
    sets: dict[str, Any] = {}
    for analyte in ("lead", "copper"):
        for draw in DRAWS:
            mask = (samples["analyte"] == analyte) & (samples["draw"] == draw)
            usable = pairs[for_lead if analyte == "lead" else for_copper]
            rows = samples.loc[mask & samples["kit_id"].isin(usable["kit_id"])]
            if len(rows) == 0:
                continue
            place = pd.Index(usable["kit_id"]).get_indexer(pd.Index(rows["kit_id"]))
            low, high, _ = intervals(len(usable), place, rows, analyte)
            values, below = _per_home(usable.assign(verdict="usable"), low, high)
            sets[f"{analyte}, {draw}"] = summarize_results(
                values,
                below,
                analyte=analyte,
                edition=edition,
                as_of=as_of,
                state=state,
                method=method,
                seed=seed,
            )
    counts = kit_counts(kits, pairs)
    found = _plain(
        {
            "label": NOT_COMPLIANCE,
            "cautions": list(CAUTIONS),
            "results": len(samples),
            "verdicts": counts.verdicts.to_dict(),
            "reasons": counts.reasons.to_dict(),
            "copper_alone": int(alone.sum()),
            "sets": sets,
            "sources": sources(),
        }
    )
    return {**found, "sentences": say_results(found)}


def _per_home(
    pairs: pd.DataFrame, low: pd.Series | np.ndarray, high: pd.Series | np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Return the results of one bottle, a home counted once by its earliest kit that has it."""
    table = pairs.assign(bottle_low=low, bottle_high=high)
    homes = one_per_home(table[table["bottle_high"].notna()])
    return censored(homes["bottle_low"], homes["bottle_high"])


def sources() -> list[str]:
    """Return every published number of this stage in words, unverified ones marked as such.

    Examples
    --------
    >>> [text for text in sources() if "stagnation_most" in text][0][:60]
    'water.stagnation_most = 18 h (unverified: common practice), '
    """
    prefixes = ("water.", "lead.action_level", "copper.action_level")
    return [str(item) for name, item in all_facts().items() if name.startswith(prefixes)]


def _repeats(pairs: pd.DataFrame) -> dict[str, Any]:
    """Return how many homes tested again and how far their results lie apart."""
    table = repeat_tests(pairs)
    found: dict[str, Any] = {"homes": len(table), "tests": int(table["tests"].sum())}
    try:
        found["within_home"] = asdict(within_home_spread(pairs))
    except EvidenceError as error:
        found["within_home"] = str(error)
    return found


def _rows(table: pd.DataFrame) -> list[Any]:
    return table.reset_index().to_dict(orient="records")


def _plain(node: Any) -> Any:
    """Return nested values as Python's own, figures that do not exist as None."""
    if isinstance(node, dict):
        return {str(key): _plain(value) for key, value in node.items()}
    if isinstance(node, (list, tuple)):
        return [_plain(value) for value in node]
    if isinstance(node, np.generic):
        node = node.item()
    return None if isinstance(node, float) and not math.isfinite(node) else node
