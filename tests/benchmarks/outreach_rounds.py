"""Six rounds of kits in invented cities: how many lead lines each way of choosing finds.

Each policy starts from the same city and plays its rounds alone: choose homes, mail kits, wait
for what comes back, look at the line of every home whose kit came back usable, learn, choose
again. A lead line is found when a usable kit came back from a home with lead. The chances of
return of each round stray together a little, as the forecast expects.

    python tests/benchmarks/outreach_rounds.py --log rounds.jsonl

Each finished city is a line of the log; a broken run goes on where it stopped, and ``--table``
prints what the log holds without playing. Policies:

- ``random``; ``oldest first`` by year built; ``nearest`` to a line known to be lead;
- ``top risk``, by probability of lead; ``no limits``, by probability of lead times chance of
  return, without floors, caps or audit: the best unconstrained policy;
- ``linemap``: the defaults, with floors and a 10 % audit arm;
- ``best from evidence``: probability of lead by the generator's own rates from the same
  evidence, times the true chance of return. No model can do better but by luck;
- ``all-knowing``: the true lead lines, likeliest to return first.

``mean found`` averages over the luck of the returns: the true lead lines on the list, each
times its true chance of return, so it also counts returned kits that turn out not usable.
What each limit costs alone is played with the first scores held fixed.
"""

from __future__ import annotations

import argparse
import json
import time
from collections import defaultdict
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from rounds_table import print_table
from scipy.spatial import cKDTree

from linemap.outreach import KitPlan, choose_kits, estimate_from_log, income_third
from linemap.outreach.eligibility import reason_left_out
from linemap.pipeline import homes_table, score_city
from linemap.settings import FileSettings, OutreachSettings, Settings, outreach_with
from linemap.tables import City
from linemap.water import check_kits
from synthetic_city import PRESETS, InventedCity, look, make_city, oracle, send_kits

POLICIES = (
    "random",
    "oldest first",
    "nearest",
    "top risk",
    "no limits",
    "linemap",
    "best from evidence",
    "all-knowing",
)
SCORED = ("top risk", "no limits", "linemap")
BARE = {
    "audit_share": 0.0,
    "floor_per_area": 0,
    "floor_low_income": 0.0,
    "low_income_kits_to_lead": 0.0,
    "renter_kits_to_lead": 0.0,
    "site_share": 0.0,
    "value": {"find": 1.0, "learn": 0.0, "harm": 0.0},
}
ALONE = {
    "nothing": (),
    "audit arm": ("audit_share",),
    "audit arm, equal chances": ("audit_share", "audit_draw"),
    "lowest third": ("floor_low_income", "low_income_kits_to_lead"),
    "lowest third, pace alone": ("low_income_kits_to_lead",),
    "renters": ("renter_kits_to_lead",),
    "sites first": ("site_share",),
    "two kits in each area": ("floor_per_area",),
    "learning and harm": ("value",),
    "all": tuple(BARE),
}
"""Limits that are played alone, by their settings."""
START = date(2026, 11, 1)
BETWEEN = timedelta(days=90)
STRAY = 0.15
"""Spread by which the chances of return of whole rounds stray [log-odds]: about three kits in a
hundred, our choice. The kits before the first round do not stray, so that scores cannot know."""
SETTINGS = Settings(files=FileSettings(parcels="parcels.gpkg"))
Round = dict[str, Any]


def play_city(
    preset: str,
    seed: int,
    parcels: int,
    rounds: int,
    limits: OutreachSettings,
    *,
    policies: tuple[str, ...] = POLICIES,
    audits: int = 10,
    alone: bool = True,
) -> dict[str, Any]:
    """Play the rounds of every policy in one city, and the first audit arm many times over."""
    city = make_city(parcels, seed=seed, preset=preset)
    first = fit_homes(as_city(city))
    luck = 10_000 * seed + 1_000 * list(PRESETS).index(preset)
    return {
        "preset": preset,
        "seed": seed,
        "plays": {
            policy: play(policy, city, first, rounds=rounds, limits=limits, luck=luck)
            for policy in policies
        },
        "audits": audits_again(city, first, limits, draws=audits, luck=luck + 500),
        "alone": {
            name: played_alone(keys, city, first, limits, rounds=rounds, luck=luck)
            for name, keys in (ALONE if alone else {}).items()
        },
    }


def played_alone(
    keys: tuple[str, ...],
    city: InventedCity,
    first: pd.DataFrame,
    limits: OutreachSettings,
    *,
    rounds: int,
    luck: int,
) -> dict[str, float]:
    """Play the rounds under some of the limits only, without learning from what comes back."""
    whole = limits.model_dump() | {"audit_draw": "equal"}
    some = outreach_with(limits, BARE | {key: whole[key] for key in keys})
    done = play("linemap", city, first, rounds=rounds, limits=some, luck=luck, learning=False)
    return {
        name: float(np.sum([r[name] for r in done if name in r]))
        for name in ("mean_found", "poor_kits", "poor_lead")
    }


def play(
    policy: str,
    city: InventedCity,
    homes: pd.DataFrame,
    *,
    rounds: int,
    limits: OutreachSettings,
    luck: int,
    learning: bool = True,
) -> list[Round]:
    """Play the rounds of one policy in one city, with scores fitted anew before each or not.

    ``luck`` is the seed of what comes back in the first round; it is the same for every policy
    and another one for each city.
    """
    known: set[str] = set()
    table, truth, out = as_city(city), city.truth, []
    for number in range(rounds):
        today, seed = START + number * BETWEEN, luck + number
        rng = np.random.default_rng(seed)
        start = time.perf_counter()
        if number and learning and policy in SCORED:
            homes = fit_homes(table)
        else:
            homes = homes.assign(last_kit_on=last_kit(table, homes.index))
        fitted = time.perf_counter() - start
        left = homes[~homes.index.isin(known)]
        eligible = left[reason_left_out(left, limits, today=today).isna().to_numpy()]
        start = time.perf_counter()
        arm = pd.Series("ranked", index=eligible.index)
        plan = None
        if policy == "linemap":
            plan = choose_kits(left, limits, seed=seed, today=today)
            arm = plan.kits.set_index("parcel_id")["arm"]
            chosen = arm.index.tolist()
        else:
            score = _score(policy, eligible, table, city, known)
            order = np.lexsort((rng.random(len(score)), -score.to_numpy(dtype=float)))
            chosen = eligible.index[order[: limits.kits]].tolist()
        chose = time.perf_counter() - start
        table, usable = mail(city, table, chosen, arm, seed, today, policy)
        known |= set(usable)
        out.append(
            {
                "found": int(truth.loc[usable, "is_lead"].sum()),
                "mean_found": _mean_found(truth, chosen),
                **_shares(homes, eligible.index, chosen, truth),
                **(_calibration(eligible["p_lead"], truth) if policy in SCORED else {}),
                **({} if plan is None else claimed(plan, truth, usable)),
                **({} if plan is None else estimated(plan, truth, eligible.index, usable)),
                "fit_s": fitted,
                "choose_s": chose,
            }
        )
    if policy == "linemap" and learning:
        homes = fit_homes(table)
        left = homes[~homes.index.isin(known)]
        eligible = left[reason_left_out(left, limits, today=today + BETWEEN).isna().to_numpy()]
        out.append(_calibration(eligible["p_lead"], truth))
    return out


def audits_again(
    city: InventedCity, homes: pd.DataFrame, limits: OutreachSettings, *, draws: int, luck: int
) -> list[Round]:
    """Draw the random arm of the first list anew, mail it, and hold its estimate to the truth."""
    eligible = homes.index[reason_left_out(homes, limits, today=START).isna().to_numpy()]
    out = []
    for draw in range(draws):
        plan = choose_kits(homes, limits, seed=luck + draw, today=START)
        sent, samples, _ = send_kits(city, plan.kits["parcel_id"], seed=luck + draw, sent_on=START)
        out.append(estimated(plan, city.truth, eligible, _usable(sent, samples)))
    return out


def claimed(plan: KitPlan, truth: pd.DataFrame, usable: list[str]) -> Round:
    """Hold the forecast against what came back."""
    forecast = plan.forecast.iloc[0]
    back = plan.kits["parcel_id"].isin(usable).to_numpy()
    lead = truth["is_lead"].reindex(plan.kits["parcel_id"]).to_numpy()
    out: Round = {"gap": plan.gap}
    for name, count in (("returned", int(back.sum())), ("found", int((back & lead).sum()))):
        low, high = forecast[f"{name}_low"], forecast[f"{name}_high"]
        out[f"{name}_claimed"], out[f"{name}_seen"] = float(forecast[name]), count
        out[f"{name}_inside"], out[f"{name}_width"] = bool(low <= count <= high), float(high - low)
    return out


def estimated(plan: KitPlan, truth: pd.DataFrame, eligible: pd.Index, usable: list[str]) -> Round:
    """Hold the lead lines estimated from the log against the truth."""
    kits, audit = plan.kits, plan.kits["arm"].eq("audit")
    back = kits["parcel_id"].isin(usable).to_numpy()
    lead = truth["is_lead"].reindex(kits["parcel_id"]).to_numpy()
    log = kits.assign(
        round_id="round",
        p_lead_at_send=kits["p_lead"],
        p_return_at_send=kits["p_return"],
        frame_homes=np.where(audit, plan.design.frame, np.nan),
        frame_lead=np.where(audit, plan.design.frame_lead, np.nan),
        outcome=np.where(back, "usable", "silent"),
        lead_found=np.where(back, np.where(lead, "yes", "no"), "unknown"),
    )
    row = estimate_from_log(log).set_index("quantity").loc["lead lines"]
    lines = int(truth.loc[eligible, "is_lead"].sum())
    return {
        "lead_lines": lines,
        "estimate": row["estimate"],
        "estimate_width": row["high"] - row["low"],
        "estimate_inside": bool(row["low"] <= lines <= row["high"]),
    }


def _score(
    policy: str, eligible: pd.DataFrame, table: City, city: InventedCity, known: set[str]
) -> pd.Series:
    """Return what a policy ranks by; ties fall at random."""
    truth = city.truth.reindex(eligible.index)
    if policy == "oldest first":
        year = table.parcels["year_built"].reindex(eligible.index).astype(float)
        return -year.fillna(year.median())
    if policy == "nearest":
        lead = set(table.lines.loc[_is_lead(table.lines), "parcel_id"])
        lead |= set(table.checks.loc[table.checks["material"].eq("lead"), "parcel_id"])
        lead |= {home for home in known if city.truth.loc[home, "is_lead"]}
        place = city.truth[["x", "y"]]
        distance, _ = cKDTree(place.loc[sorted(lead)]).query(place.loc[eligible.index])
        return pd.Series(-distance, index=eligible.index)
    if policy == "top risk":
        return eligible["p_lead"]
    if policy == "no limits":
        return eligible["p_lead"] * eligible["p_return"]
    if policy == "best from evidence":
        now = {name: getattr(table, name) for name in ("checks", "kits", "samples", "answers")}
        return oracle(replace(city, **now)).reindex(eligible.index) * truth["p_return"]
    if policy == "all-knowing":
        return truth["is_lead"] * truth["p_return"]
    return pd.Series(0.0, index=eligible.index)


def _is_lead(lines: pd.DataFrame) -> pd.Series:
    return lines[["utility_material", "customer_material"]].eq("lead").any(axis=1)


def _shares(homes: pd.DataFrame, eligible: pd.Index, chosen: list[str], truth: Any) -> Round:
    """Return each group's share of the kits and of the true lead lines still to be found."""
    groups = {
        "poor": income_third(homes).eq("lowest"),
        "renters": homes["owner_occupied"].eq("no"),
    }
    lead = truth.loc[eligible, "is_lead"]
    out = {}
    for name, inside in groups.items():
        out[f"{name}_kits"] = float(inside.loc[chosen].mean())
        out[f"{name}_lead"] = float(inside.loc[eligible][lead.to_numpy()].mean())
    return out


def _calibration(p: pd.Series, truth: pd.DataFrame) -> Round:
    """Return claimed less true share of lead, and the gap over ten bins beside a perfect one's."""
    lead = truth["is_lead"].reindex(p.index).to_numpy(dtype=float)
    bins = pd.qcut(p.rank(method="first"), 10, labels=False).to_numpy()
    draws = np.random.default_rng(0).random((200, len(p))) < p.to_numpy()
    perfect = [_gap(p.to_numpy(), draw, bins) for draw in draws.astype(float)]
    return {
        "bias": float(p.mean() - lead.mean()),
        "error": _gap(p.to_numpy(), lead, bins),
        "perfect_error": float(np.quantile(perfect, 0.95)),
    }


def _gap(p: np.ndarray, lead: np.ndarray, bins: np.ndarray) -> float:
    return float(np.abs(np.bincount(bins, p - lead)).sum() / len(p))


def _mean_found(truth: pd.DataFrame, chosen: list[str]) -> float:
    rows = truth.loc[chosen]
    return float((rows["is_lead"] * rows["p_return"]).sum())


def mail(
    city: InventedCity,
    table: City,
    chosen: list[str],
    arm: pd.Series,
    seed: int,
    today: date,
    policy: str,
) -> tuple[City, list[str]]:
    """Mail kits, wait, and look at the line of every home whose kit came back usable."""
    stray = np.random.default_rng([seed, 1]).normal(scale=STRAY)
    sent, samples, answers = send_kits(city, chosen, seed=seed, sent_on=today, stray=stray)
    usable = _usable(sent, samples)
    new = {"kits": [sent], "samples": [samples], "answers": [answers], "checks": []}
    others = "random" if policy == "random" else "listed"
    reason = arm.astype(object).map({"audit": "audit_arm"}).fillna(others)
    for why in ("random", "audit_arm", "listed"):
        homes = [home for home in usable if reason[home] == why]
        if homes:
            on = today + BETWEEN / 2
            new["checks"].append(look(city, homes, seed=seed, why=why, on=on))
    more = {
        name: pd.concat([getattr(table, name), *extra], ignore_index=True)
        for name, extra in new.items()
    }
    return replace(table, **more), usable


def _usable(kits: pd.DataFrame, samples: pd.DataFrame) -> list[str]:
    pairs = check_kits(kits, samples)
    return pairs.loc[pairs["verdict"] != "not_usable", "parcel_id"].tolist()


def as_city(city: InventedCity) -> City:
    """Return an invented city's tables as they are after intake."""
    names = ("parcels", "checks", "kits", "samples", "answers", "areas", "sites")
    tables = {name: getattr(city, name) for name in names}
    lines = city.lines.rename_axis("parcel_id").reset_index()
    return City(name=city.name, lines=lines, **tables)


def fit_homes(table: City) -> pd.DataFrame:
    """Fit the scores and return what the choice of kits works on."""
    return homes_table(table, score_city(table, SETTINGS), SETTINGS)


def last_kit(table: City, index: pd.Index) -> pd.Series:
    """Return the day of the last kit to each home."""
    day = table.kits["mailed_on"].fillna(table.kits["requested_on"])
    return day.groupby(table.kits["parcel_id"]).max().reindex(index)


def read_log(path: Path) -> list[dict[str, Any]]:
    """Return the finished cities of a log."""
    if not path.is_file():
        return []
    return [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines()]


def main() -> None:
    """Play every policy in every city that the log does not hold yet, and print the table."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--log", type=Path, required=True, help="finished cities, one a line")
    parser.add_argument("--table", action="store_true", help="only print what the log holds")
    parser.add_argument("--parcels", type=int, default=5000)
    parser.add_argument("--seeds", type=int, default=8)
    parser.add_argument("--rounds", type=int, default=6)
    parser.add_argument("--kits", type=int, help="default: one for each 50 parcels")
    parser.add_argument("--alone", type=int, default=4, help="seeds for limits alone")
    parser.add_argument("--presets", nargs="+", default=list(PRESETS))
    given = parser.parse_args()
    limits = OutreachSettings(kits=given.kits or given.parcels // 50)
    done = {(city["preset"], city["seed"]) for city in read_log(given.log)}
    wanted = [(p, seed) for seed in range(1, given.seeds + 1) for p in given.presets]
    for preset, seed in [] if given.table else wanted:
        if (preset, seed) in done:
            continue
        start = time.perf_counter()
        city = play_city(
            preset, seed, given.parcels, given.rounds, limits, alone=seed <= given.alone
        )
        city["seconds"] = time.perf_counter() - start
        with given.log.open("a", encoding="utf-8") as log:
            log.write(json.dumps(city) + "\n")
    cities: dict[str, list[dict[str, Any]]] = defaultdict(list)
    for city in read_log(given.log):
        cities[city["preset"]].append(city)
    print_table(dict(cities))


if __name__ == "__main__":
    main()
