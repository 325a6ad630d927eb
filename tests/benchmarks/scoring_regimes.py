"""Ways to score homes, held against the truth of invented cities in several regimes.

    python tests/benchmarks/scoring_regimes.py --seeds 2 --parcels 10000 --log regimes.jsonl

Prints a Markdown table: means over the seeds, on homes whose line is unknown (no check, no lead
on the card, at least one side blank). Each finished city is a line of the log; a broken run goes
on where it stopped, and ``--table`` prints what the log holds.

Methods: age rule, decade rate and nearest checks learn from checks alone, or not at all; the
records as they are; boosted trees learned from checks, on building and place alone or with
record, answers and bottles as columns; linemap with each of its priors; and two oracles, which
know the rates that the city was made with and see the same evidence: one is told where main
contracts ended and how much lead each laid, the other must find that too.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import Any, Literal

import numpy as np
import pandas as pd
from sklearn.metrics import average_precision_score, log_loss

from linemap.evaluation.baselines import (
    age_score,
    boosting,
    decade_rate,
    feature_matrix,
    nearest_checks_rate,
    record_score,
)
from linemap.evaluation.calibration import perfect_ece
from linemap.evaluation.labels import check_labels, record_labels
from linemap.evaluation.measures import ece
from linemap.features import build_features, build_graph
from linemap.scoring import Evidence, LineModel
from linemap.water import check_kits
from synthetic_city import InventedCity, make_city, searched_oracle

NO_CHECKS = dict.fromkeys(
    ("checks_random", "checks_main_work", "checks_request", "checks_suspected"), 0.0
)
REGIMES: dict[str, dict[str, Any]] = {
    "good records": {},
    "poor records": {"preset": "poor_records"},
    "corrosion control": {"preset": "corrosion_control"},
    "few checks": {"checks_main_work": 0.003, "checks_random": 0.002},
    "no checks": NO_CHECKS,
    "checks on suspicion": NO_CHECKS | {"checks_suspected": 0.03, "checks_random": 0.002},
    "many kits": {"kits_asked": 0.3, "kits_mailed": 0.2},
    "half the parcels": {"share": 0.5},
}
"""Changes of the generator's knobs; ``share`` is of the parcels."""

RANK_ONLY = ("age rule", "records as they are")
PRIORS: tuple[Literal["spline", "trees", "both"], ...] = ("spline", "trees", "both")
MEASURES = ("AP", "share", "hits", "loss", "ECE", "band", "total")


def evidence_of(city: InventedCity) -> Evidence:
    """Return the evidence of a city as the model takes it."""
    answers = city.answers.merge(city.kits[["kit_id", "parcel_id"]], on="kit_id")
    lines = city.lines.rename_axis("parcel_id").reset_index()
    return Evidence(lines, city.checks, check_kits(city.kits, city.samples), answers)


def with_evidence(features: pd.DataFrame, told: Evidence) -> pd.DataFrame:
    """Return the features with what card, form and bottles say of each home beside them."""
    out = features.copy()
    lines = told.lines.set_index("parcel_id")
    for name in ("utility_material", "customer_material", "connector_material"):
        out[name] = lines[name].reindex(out.index)
    answers = told.answers.drop_duplicates("parcel_id", keep="last").set_index("parcel_id")
    for name in ("entry_pipe", "line_replaced"):
        out[name] = answers[name].reindex(out.index)
    usable = told.pairs[told.pairs["verdict"] != "not_usable"]
    for name in ("first_high", "flushed_high"):
        out[name] = usable.groupby("parcel_id")[name].max().reindex(out.index)
    return out


def score_all(city: InventedCity, seed: int) -> dict[str, np.ndarray]:
    """Return the scores of every method for every home; methods without labels are left out."""
    told = evidence_of(city)
    features, graph = build_features(city.parcels, city.areas), build_graph(city.parcels)
    label = check_labels(city.checks, features.index)["label"].to_numpy(dtype=float)
    seen, everyone = np.isfinite(label), np.ones(len(label), dtype=bool)
    year = features["year_built"].to_numpy(dtype=float, na_value=np.nan)
    xy = features[["x", "y"]].to_numpy(dtype=float)
    record = record_labels(told.lines, features.index).to_numpy(dtype=float)
    out = {"age rule": age_score(year), "records as they are": record_score(record)}
    if 0 < label[seen].sum() < seen.sum():
        out["decade rate"] = decade_rate(year, year[seen], label[seen])
        out["nearest checks"] = nearest_checks_rate(xy, xy[seen], label[seen])
        for name, table in (
            ("boosting on checks", features),
            ("boosting, evidence as columns", with_evidence(features, told)),
        ):
            out[name] = boosting(feature_matrix(table), seen, everyone, label, seed)
    for prior in PRIORS:
        model = LineModel(prior=prior, seed=seed).fit(features, graph, told)
        out[f"linemap, {prior}"] = model.score()["p_lead"].to_numpy(dtype=float)
    out["oracle, contracts to be found"] = searched_oracle(city).to_numpy(dtype=float)
    out["oracle"] = city.truth["p_oracle"].to_numpy(dtype=float)
    return out


def judge(city: InventedCity, scores: dict[str, np.ndarray]) -> dict[str, dict[str, float]]:
    """Return the measures of every method on the homes whose line is unknown."""
    asked = city.truth["unknown"].to_numpy(dtype=bool)
    lead = city.truth["is_lead"].to_numpy(dtype=float)[asked]
    best = average_precision_score(lead, scores["oracle"][asked])
    out = {}
    for name, score in scores.items():
        p = score[asked]
        ties = np.random.default_rng(0).random(len(p))
        top = np.lexsort((ties, -p))[: int(0.05 * len(p))]
        ap = average_precision_score(lead, p)
        row = {"AP": ap, "share": ap / best, "hits": lead[top].mean()}
        if name not in RANK_ONLY:
            row["loss"] = log_loss(lead, np.clip(p, 1e-6, 1 - 1e-6))
            row["ECE"] = float(np.ravel(ece(lead, p, np.ones((1, len(p)))))[0])
            row["band"] = perfect_ece(p, rng=np.random.default_rng(0), draws=300)[1]
            row["total"] = p.sum() / lead.sum()
        out[name] = {key: float(value) for key, value in row.items()}
    return out


def print_table(cities: list[dict[str, Any]]) -> None:
    """Print the means over the cities of each regime."""
    print("| regime | method | AP | share of the oracle's | hits at 5 % | log loss | ", end="")
    print("ECE (perfect: at most) | expected / true |")
    print("|---|---|---|---|---|---|---|---|")
    for regime in REGIMES:
        rows = [city["methods"] for city in cities if city["regime"] == regime]
        for method in rows[0] if rows else ():
            held = [row[method] for row in rows if method in row]
            mean = {key: np.mean([row.get(key, np.nan) for row in held]) for key in MEASURES}
            text = {key: "–" if np.isnan(v) else f"{v:.3f}" for key, v in mean.items()}
            error = "–" if np.isnan(mean["ECE"]) else f"{text['ECE']} ({text['band']})"
            cells = (text["AP"], text["share"], text["hits"], text["loss"], error, text["total"])
            print(f"| {regime} | {method} | {' | '.join(cells)} |")


def main() -> None:
    """Score the cities that the log does not hold yet, and print the table."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--log", type=Path, required=True, help="finished cities, one a line")
    parser.add_argument("--table", action="store_true", help="only print what the log holds")
    parser.add_argument("--parcels", type=int, default=10_000)
    parser.add_argument("--seeds", type=int, default=2)
    given = parser.parse_args()
    log: list[dict[str, Any]] = []
    if given.log.is_file():
        log = [json.loads(row) for row in given.log.read_text(encoding="utf-8").splitlines()]
    done = {(city["regime"], city["seed"], city["parcels"]) for city in log}
    wanted = [(regime, seed) for seed in range(1, given.seeds + 1) for regime in REGIMES]
    for regime, seed in [] if given.table else wanted:
        if (regime, seed, given.parcels) in done:
            continue
        knobs = dict(REGIMES[regime])
        parcels = int(given.parcels * knobs.pop("share", 1.0))
        city = make_city(parcels, seed=seed, **knobs)
        row = {"regime": regime, "seed": seed, "parcels": given.parcels}
        row["methods"] = judge(city, score_all(city, seed))
        log.append(row)
        with given.log.open("a", encoding="utf-8") as file:
            file.write(json.dumps(row) + "\n")
    print_table([city for city in log if city["parcels"] == given.parcels])


if __name__ == "__main__":
    main()
