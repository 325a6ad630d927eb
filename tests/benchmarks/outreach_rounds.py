"""Six rounds of kits in invented cities: how many lead lines each way of choosing finds.

Each policy starts from the same city and plays its rounds alone: choose homes, mail kits, wait
for what comes back, look at the line of every home whose kit came back usable, learn, choose
again. A lead line is found when a usable kit came back from a home with lead.

    python tests/benchmarks/outreach_rounds.py --parcels 5000 --seeds 8 --rounds 6 --jobs 2

Policies: ``random``, ``oldest first`` (by year built), ``nearest`` (to a line known to be lead),
``top risk`` (probability of lead), ``no limits`` (probability of lead times chance of return,
without floors, caps or audit: the best unconstrained policy) and ``linemap`` (floors and a
10 % audit arm). ``all-knowing`` sends to true lead lines, likeliest to return first.
"""

from __future__ import annotations

import argparse
import json
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field, replace
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from scipy.spatial import cKDTree

from linemap.outreach import (
    choose_kits,
    estimate_from_log,
    forecast_round,
    income_third,
)
from linemap.outreach.eligibility import reason_left_out
from linemap.pipeline import homes_table, score_city
from linemap.settings import FileSettings, OutreachSettings, Settings
from linemap.tables import City
from synthetic_city import PRESETS, InventedCity, look, make_city, send_kits

POLICIES = ("random", "oldest first", "nearest", "top risk", "no limits", "linemap", "all-knowing")
NEEDS_SCORES = ("top risk", "no limits", "linemap")
START = date(2026, 5, 1)
BETWEEN = timedelta(days=90)


@dataclass
class Play:
    """What one policy found in one city."""

    preset: str
    seed: int
    policy: str
    found: list[int] = field(default_factory=list)
    poor_share_of_kits: list[float] = field(default_factory=list)
    poor_share_of_lead: list[float] = field(default_factory=list)
    calibration: list[tuple[float, float]] = field(default_factory=list)
    claimed: list[dict[str, Any]] = field(default_factory=list)


def play_city(preset: str, seed: int, parcels: int, rounds: int, kits: int) -> list[Play]:
    """Play the rounds of every policy in one city."""
    city = make_city(parcels, seed=seed, preset=preset)
    first = _homes(_as_city(city))
    return [
        play(Play(preset, seed, policy), city, first, rounds=rounds, kits=kits)
        for policy in POLICIES
    ]


def play(out: Play, city: InventedCity, homes: pd.DataFrame, *, rounds: int, kits: int) -> Play:
    """Play the rounds of one policy in one city."""
    policy, seed = out.policy, out.seed
    known: set[str] = set()
    table = _as_city(city)
    for number in range(rounds):
        today = START + number * BETWEEN
        if number and policy in NEEDS_SCORES:
            homes = _homes(table)
        else:
            homes = homes.assign(last_kit_on=_last_kit(table, homes.index))
        settings = OutreachSettings(kits=kits)
        eligible = reason_left_out(homes, settings, today=today).isna().to_numpy()
        eligible &= ~homes.index.isin(known)
        rng = np.random.default_rng([seed, number])
        plan_log = None
        if policy == "linemap":
            plan = choose_kits(homes[~homes.index.isin(known)], settings, seed=number, today=today)
            chosen = plan.kits["parcel_id"].tolist()
            plan_log = plan
        else:
            chosen = _choose(policy, homes[eligible], homes, table, city.truth, kits, rng)
        table, usable = _mail(city, table, chosen, number, today)
        truth = city.truth
        found = [home for home in usable if truth.loc[home, "is_lead"]]
        known |= set(usable)
        out.found.append(len(found))
        poor = (income_third(homes) == "lowest").to_numpy()
        lead = (truth["is_lead"].reindex(homes.index) & eligible).to_numpy()
        out.poor_share_of_kits.append(float(poor[homes.index.get_indexer(chosen)].mean()))
        out.poor_share_of_lead.append(float(poor[lead].mean()))
        if policy in NEEDS_SCORES:
            out.calibration.append(_calibration(homes["p_lead"][eligible], truth["is_lead"]))
        if plan_log is not None:
            out.claimed.append(_claimed(plan_log, truth, usable, homes.index[eligible], number))
    return out


def _calibration(p: pd.Series, is_lead: pd.Series) -> tuple[float, float]:
    """Return claimed less true share of lead, and the mean gap over ten bins of chance."""
    lead = is_lead.reindex(p.index).astype(float)
    bins = pd.qcut(p, 10, labels=False, duplicates="drop")
    gaps = (p.groupby(bins).mean() - lead.groupby(bins).mean()).abs()
    return float(p.mean() - lead.mean()), float((gaps * p.groupby(bins).size()).sum() / len(p))


def _claimed(
    plan: Any, truth: pd.DataFrame, usable: list[str], eligible: pd.Index, number: int
) -> dict[str, Any]:
    """Hold the forecast and the estimate from the log against the truth of one round."""
    forecast = forecast_round(plan.kits, seed=number).iloc[0]
    back = plan.kits["parcel_id"].isin(usable)
    lead = truth["is_lead"].reindex(plan.kits["parcel_id"]).to_numpy()
    log = plan.kits.assign(
        round_id="round",
        p_return_at_send=plan.kits["p_return"],
        outcome=np.where(back, "usable", "silent"),
        lead_found=np.where(back, np.where(lead, "yes", "no"), "unknown"),
    )
    row = estimate_from_log(log).set_index("quantity").loc["lead lines"]
    lines = int(truth.loc[eligible, "is_lead"].sum())
    found, returned = int((back & lead).sum()), int(back.sum())
    return {
        "found": found,
        "found_claimed": float(forecast["found"]),
        "found_inside": bool(forecast["found_low"] <= found <= forecast["found_high"]),
        "returned": returned,
        "returned_claimed": float(forecast["returned"]),
        "returned_inside": bool(forecast["returned_low"] <= returned <= forecast["returned_high"]),
        "lead_lines": lines,
        "lead_lines_inside": bool(row["low"] <= lines <= row["high"]),
        "gap": plan.gap,
    }


def _choose(
    policy: str,
    eligible: pd.DataFrame,
    homes: pd.DataFrame,
    table: City,
    truth: pd.DataFrame,
    kits: int,
    rng: np.random.Generator,
) -> list[str]:
    """Choose homes the way a policy does; ties fall at random."""
    if policy == "random":
        score = pd.Series(0.0, index=eligible.index)
    elif policy == "oldest first":
        year = table.parcels["year_built"].reindex(eligible.index).astype(float)
        score = -year.fillna(year.median())
    elif policy == "nearest":
        lead = homes[homes["inventory_class"] == "lead"]
        distance, _ = cKDTree(lead[["x", "y"]]).query(eligible[["x", "y"]])
        score = pd.Series(-distance, index=eligible.index)
    elif policy == "top risk":
        score = eligible["p_lead"]
    elif policy == "no limits":
        score = eligible["p_lead"] * eligible["p_return"]
    else:
        score = truth["is_lead"].reindex(eligible.index) * truth["p_return"].reindex(eligible.index)
    order = np.lexsort((rng.random(len(score)), -score.to_numpy(dtype=float)))
    return eligible.index[order[:kits]].tolist()


def _mail(
    city: InventedCity, table: City, chosen: list[str], number: int, today: date
) -> tuple[City, list[str]]:
    """Mail kits, wait, and look at the line of every home whose kit came back."""
    sent, samples, answers = send_kits(city, chosen, seed=100 + number, sent_on=today)
    back = sent.loc[sent["received_on"].notna(), "parcel_id"].tolist()
    checks = look(city, back, seed=100 + number, why="suspected", on=today + BETWEEN / 2)
    more = {
        name: pd.concat([getattr(table, name), extra], ignore_index=True)
        for name, extra in (
            ("kits", sent),
            ("samples", samples),
            ("answers", answers),
            ("checks", checks),
        )
    }
    return replace(table, **more), back


def _as_city(city: InventedCity) -> City:
    names = ("parcels", "checks", "kits", "samples", "answers", "areas", "sites")
    tables = {name: getattr(city, name) for name in names}
    lines = city.lines.rename_axis("parcel_id").reset_index()
    return City(name=city.name, lines=lines, **tables)


def _homes(table: City) -> pd.DataFrame:
    settings = Settings(files=FileSettings(parcels="parcels.gpkg"))
    return homes_table(table, score_city(table, settings), settings)


def _last_kit(table: City, index: pd.Index) -> pd.Series:
    day = table.kits["mailed_on"].fillna(table.kits["requested_on"])
    return day.groupby(table.kits["parcel_id"]).max().reindex(index)


def summarise(plays: list[Play]) -> dict[str, Any]:
    """Gather the figures that the goals are about."""
    found = pd.DataFrame(
        [(p.preset, p.seed, p.policy, sum(p.found)) for p in plays],
        columns=["preset", "seed", "policy", "found"],
    )
    total = found.pivot_table(index="preset", columns="policy", values="found", aggfunc="sum")
    total = total[[name for name in POLICIES if name in total]]
    every = total.sum()
    ours = [p for p in plays if p.policy == "linemap"]
    rounds = [claim for p in ours for claim in p.claimed]
    equity = {
        name: float(
            np.mean([np.mean(p.poor_share_of_kits) for p in plays if p.policy == name])
            / np.mean([np.mean(p.poor_share_of_lead) for p in plays if p.policy == name])
        )
        for name in total.columns
    }
    calibration = {
        name: np.mean([p.calibration for p in plays if p.policy == name], axis=0).round(3).tolist()
        for name in NEEDS_SCORES
    }
    return {
        "found": total.to_dict("index"),
        "linemap_to_random": float(every["linemap"] / every["random"]),
        "linemap_to_oldest_first": float(every["linemap"] / every["oldest first"]),
        "linemap_to_no_limits": float(every["linemap"] / every["no limits"]),
        "share_of_all_knowing": (every / every["all-knowing"]).round(3).to_dict(),
        "share_of_kits_to_lowest_third_over_its_share_of_lead": equity,
        "claimed_less_true_share_and_calibration_error_by_round": calibration,
        "found_inside_forecast": float(np.mean([c["found_inside"] for c in rounds])),
        "returned_inside_forecast": float(np.mean([c["returned_inside"] for c in rounds])),
        "lead_lines_inside_estimate": float(np.mean([c["lead_lines_inside"] for c in rounds])),
        "claimed_finds_over_found": float(
            sum(c["found_claimed"] for c in rounds) / sum(c["found"] for c in rounds)
        ),
        "worst_gap": max(c["gap"] for c in rounds),
        "rounds": len(rounds),
    }


def main() -> None:
    """Play every policy in every city and print the summary as JSON."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--parcels", type=int, default=5000)
    parser.add_argument("--seeds", type=int, default=8)
    parser.add_argument("--rounds", type=int, default=6)
    parser.add_argument("--kits", type=int, help="default: one for each 50 parcels")
    parser.add_argument("--presets", nargs="+", default=list(PRESETS))
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--out", type=Path, help="also write summary and plays here, as JSON")
    given = parser.parse_args()
    kits = given.kits or given.parcels // 50
    cities = [(preset, seed) for preset in given.presets for seed in range(1, given.seeds + 1)]
    start = time.perf_counter()
    with ProcessPoolExecutor(given.jobs) as pool:
        waiting = [
            pool.submit(play_city, preset, seed, given.parcels, given.rounds, kits)
            for preset, seed in cities
        ]
        plays = [one for done in waiting for one in done.result()]
    summary = summarise(plays)
    summary["seconds"] = round(time.perf_counter() - start, 1)
    print(json.dumps(summary, indent=2))
    if given.out:
        text = json.dumps({"summary": summary, "plays": [vars(p) for p in plays]})
        given.out.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
