"""Evaluate scores against findings: the stage's one door."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import partial
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from linemap.errors import ArgumentError, EvidenceError
from linemap.evaluation import cautions as warn
from linemap.evaluation.baselines import decade_rate, feature_matrix
from linemap.evaluation.calibration import choose_calibration
from linemap.evaluation.folds import (
    Protocol,
    block_folds,
    fitting_block_m,
    matched_folds,
    random_folds,
    time_splits,
)
from linemap.evaluation.frame import (
    FEWEST_JUDGED,
    FEWEST_JUDGED_OF_A_KIND,
    count_homes,
    enough,
    group_homes,
    prepare,
)
from linemap.evaluation.headline import FAIR_REASONS, make_headline
from linemap.evaluation.judging import (
    bin_table,
    gain_table,
    group_table,
    measure_rows,
    measure_table,
)
from linemap.evaluation.learning import learning_curve
from linemap.evaluation.overlap import compare_checked
from linemap.evaluation.prevalence import prevalence_table
from linemap.evaluation.result import Evaluation
from linemap.evaluation.runs import FitScore, Run, Runner, Tell
from linemap.evaluation.sample import sample_caution
from linemap.evaluation.space import block_numbers, spatial_range
from linemap.evaluation.words import WORDS, Words

Stream = Callable[[int], np.random.Generator]
ExpectedLead = Callable[[pd.Series], pd.DataFrame]

PROTOCOLS = ("random", "blocks", "matched", "time", "audit", "learning")
"""All protocols; with five folds they take 20 fits."""

QUICK = ("blocks", "audit")
"""The least that can carry a headline; with five folds 5 fits."""


def evaluate(
    frame: pd.DataFrame,
    fit_score: FitScore,
    *,
    block_m: float = 600.0,
    folds: int = 5,
    bootstrap: int = 200,
    seed: int,
    protocols: Sequence[str] = PROTOCOLS,
    labels: Literal["checks", "records"] = "checks",
    sample: pd.Index | None = None,
    expected_lead: ExpectedLead | None = None,
    tell: Tell | None = None,
) -> Evaluation:
    """Judge scores under several ways of hiding checks, beside simpler ways.

    Parameters
    ----------
    frame : DataFrame
        One row per parcel, indexed by ``parcel_id``: ``x``, ``y`` [m], ``year_built``,
        ``land_use``, ``area_id``, ``median_income``, ``checked`` (bool), ``label`` (1 lead on
        any side, 0 none, NaN not told), ``why``, ``checked_on`` and ``record_lead`` (1, 0,
        NaN). Optional ``sides_seen`` (1 or 2): homes seen on one side only are judged only
        if there are too few others, since lead on the other side would not show.
        All other columns are features for the baselines.
    fit_score : callable
        Takes the parcels whose checks are to be hidden, refits, and returns ``p_lead`` for
        all parcels. Records, kits and answers of hidden parcels stay usable.
    block_m : float
        Smallest block edge [m]; raised to the estimated spatial range.
    folds : int
        Folds of each protocol, two or more; never more than homes.
    bootstrap : int
        Resamples of blocks for the intervals.
    seed : int
        Same inputs and seed, same result.
    protocols : sequence of str
        Out of :data:`PROTOCOLS`. ``audit`` and ``learning`` reuse the fits of ``blocks``.
    labels : {"checks", "records"}
        ``records``: the caller put record entries in ``label`` and ``fit_score`` hides the
        records of hidden parcels; all is then called agreement with the record, and the
        record is no evidence.
    sample : Index, optional
        Homes to judge on, of :func:`linemap.evaluation.judging_sample`; all when left out.
        ``fit_score`` then needs to score these alone.
    expected_lead : callable, optional
        Takes the group of each parcel and returns ``expected``, ``low`` and ``high`` [homes] of
        each by the scores that are judged; without it the held-out scores are summed up, and
        their sum has no interval. Needed with a ``sample`` of checked homes.
    tell : callable, optional
        Told in a sentence before each fit.

    Returns
    -------
    Evaluation
        With empty tables and a caution where there are too few checks to judge by.

    Raises
    ------
    ArgumentError
        If the frame, the protocols, the folds or a returned score break their contract.

    Notes
    -----
    Checks made on suspicion are hidden like the others but neither judged nor calibrated on;
    they are reported apart by ``groups``.
    """
    unknown = [name for name in protocols if name not in PROTOCOLS]
    if unknown:
        raise ArgumentError(
            f"no protocol is named {unknown[0]!r}; there are {', '.join(PROTOCOLS)}"
        )
    if folds < 2:
        raise ArgumentError(f"{folds} folds hide nothing from the rest; set folds to 2 or more")
    data, words = prepare(frame, labels), WORDS[labels]
    inside = np.ones(len(data), dtype=bool) if sample is None else data.index.isin(sample)
    if not inside.all() and expected_lead is None and labels == "checks":
        raise ArgumentError("lead of a whole city cannot be summed up from the scores of a sample; "
                            "give expected_lead, or no sample")  # fmt: skip
    judged = data[data["judged"] & inside]
    lead = int(judged["label"].sum())
    counts = count_homes(data, inside)
    notes = warn.label_cautions(data, labels)
    if not inside.all():
        notes.append(sample_caution(int(inside.sum()), len(data)))
    if not enough(judged["label"]):
        reason = (
            f"Nothing was judged: {len(judged)} usable {words.many} ({lead} with lead) are too "
            f"few; at least {FEWEST_JUDGED} with {FEWEST_JUDGED_OF_A_KIND} of each kind are needed."
        )
        notes.insert(0, warn.Caution("too_few_to_judge", reason, severe=True))
        return Evaluation(None, reason, labels, counts, cautions=tuple(notes))

    def stream(number: int) -> np.random.Generator:
        return np.random.default_rng([seed, number])

    ranges = _ranges(data, stream)
    ranges["wanted_block_m"] = float(np.nanmax([block_m, ranges["used_m"]]))
    checked = data[data["checked"] & inside]
    size = fitting_block_m(checked, wanted_m=ranges["wanted_block_m"], folds=folds)
    ranges["block_m"] = size
    shift = stream(1).random(2)
    data["block"] = block_numbers(
        data["x"].to_numpy(float), data["y"].to_numpy(float), size, (shift[0], shift[1])
    )
    features = feature_matrix(data)
    overlap = compare_checked(data, features, range_m=ranges["used_m"], rng=stream(2))

    part = data[inside]
    checked = part[part["checked"]]
    runner = Runner(part, features[inside], fit_score, seed, tell)
    runs: dict[str, Run] = {}
    for name, plan in _plans(checked, part, protocols, folds, ranges, stream, words).items():
        if plan is None:
            notes.append(warn.no_plan_caution(name, checked, words))
            continue
        try:
            runs[name] = runner.run(plan)
        except EvidenceError as error:
            notes.append(
                warn.Caution(f"refused_{name}", f"The scores refused the protocol {name}: {error}")
            )

    views, texts = _views(runs, protocols)
    if labels == "checks" and "audit" in protocols and "blocks" in runs and "audit" not in views:
        notes.append(warn.no_audit_caution(runs["blocks"].held))
    rows: list[dict[str, object]] = []
    for number, (name, held) in enumerate(views.items()):
        ways = {"as checked": np.ones(len(held))}
        if name != "audit" and set(judged["why"]) != {"random"} and labels == "checks":
            weight = overlap.weights.reindex(held.index).to_numpy(dtype=float)
            ways["inverse propensity"] = weight / weight.mean()
        for way, weight in ways.items():
            rows += measure_rows(held, protocol=name, weighting=way, weights=weight,
                                 bootstrap=bootstrap, rng=stream(10 + number))  # fmt: skip
    table = measure_table(rows)
    plain = table[table["weighting"] == "as checked"]
    facts = {name: run.protocol.facts for name, run in runs.items()}
    notes += warn.overlap_cautions(overlap, words)
    notes += warn.protocol_cautions(plain, facts, ranges["used_m"], words)
    notes += warn.too_good_cautions(plain, words)
    notes += warn.leak_cautions({name: run.held for name, run in runs.items()}, words)

    result = Evaluation(
        headline=None,
        headline_reason=f"No headline precision: no {words.many} were hidden by place.",
        labels=labels,
        counts=counts,
        ranges=ranges,
        protocols=_protocol_table(views, texts, runs),
        measures=table[table["method"] == "linemap"].reset_index(drop=True),
        baselines=table[table["method"] != "linemap"].reset_index(drop=True),
        calibration=_stack([bin_table(h, protocol=n) for n, h in views.items()]),
        gain=_stack([gain_table(h, protocol=n) for n, h in views.items()]),
        overlap=overlap,
        cautions=tuple(notes),
    )
    if "blocks" not in runs:
        return result
    result = _spatial_parts(result, data, runs["blocks"], expected_lead, bootstrap, stream)
    if "learning" in protocols:
        curve = learning_curve(runner, runs["blocks"], bootstrap=bootstrap, rng=stream(30))
        result = replace(result, learning=curve)
    return result


def _plans(
    checked: pd.DataFrame,
    data: pd.DataFrame,
    protocols: Sequence[str],
    folds: int,
    ranges: dict[str, float],
    stream: Stream,
    words: Words,
) -> dict[str, Protocol | None]:
    """Return the protocols to carry out; None where there are too few homes for one."""
    plans: dict[str, Protocol | None] = {}
    if "random" in protocols:
        plans["random"] = random_folds(checked, folds=folds, rng=stream(3), words=words)
    if {"blocks", "audit", "learning"} & set(protocols):
        size, alike = ranges["block_m"], ranges["used_m"]
        plan = block_folds(
            checked, size_m=size, folds=folds, rng=stream(4), range_m=alike, words=words
        )
        plans["blocks"] = plan if len(plan.splits) > 1 else None
    if "matched" in protocols:
        asked = data[~data["checked"] & data["record_lead"].isna()]
        asked = asked if len(asked) else data[~data["checked"]]
        plans["matched"] = (
            matched_folds(checked, asked, folds=folds, rng=stream(5), words=words)
            if len(asked)
            else None
        )
    if "time" in protocols:
        plans["time"] = time_splits(checked, words=words)
    return plans


def _views(
    runs: dict[str, Run], protocols: Sequence[str]
) -> tuple[dict[str, pd.DataFrame], dict[str, str]]:
    """Return what is judged under each protocol asked for, and its text."""
    views = {name: run.held for name, run in runs.items() if name in protocols}
    texts = {name: run.protocol.text for name, run in runs.items() if name in protocols}
    if "audit" in protocols and "blocks" in runs:
        drawn = runs["blocks"].held
        drawn = drawn[drawn["why"] == "random"]
        if len(drawn) >= warn.FEWEST_RANDOM and 0 < drawn["label"].mean() < 1:
            views["audit"] = drawn
            texts["audit"] = (
                "Only homes checked because they were drawn at random, with the scores of the "
                "blocks: the one view that speaks for all homes."
            )
    return views, texts


def _spatial_parts(
    result: Evaluation,
    data: pd.DataFrame,
    run: Run,
    expected_lead: ExpectedLead | None,
    bootstrap: int,
    stream: Stream,
) -> Evaluation:
    """Add what rests on the spatially held-out scores."""
    held = run.held
    open_homes = (~data["checked"] & data["record_lead"].isna()).reindex(run.p_lead.index)
    severe = [note.code for note in result.cautions if note.severe]
    headline, reason = make_headline(
        held, run.p_lead[open_homes], bootstrap=bootstrap, rng=stream(20)
    )
    if severe:
        headline, reason = None, f"No headline precision, see the warnings: {', '.join(severe)}."
    if result.labels == "records":
        headline, reason = None, "No headline precision: records are not findings."
    cautions = result.cautions
    if headline and headline.blocks < min(warn.FEWEST_BLOCKS, result.measures["blocks"].min()):
        fewest = warn.few_blocks_caution("The headline", headline.blocks, WORDS["checks"])
        cautions = (*(note for note in cautions if note.code != "few_blocks"), fewest)
    fair = held[held["why"].isin((*FAIR_REASONS, "request"))]
    unknown = fair[fair["record_lead"].isna()]
    choice = choose_calibration(
        unknown["label"].to_numpy(), unknown["linemap"].to_numpy(), unknown["fold"].to_numpy()
    )
    groups = group_table(
        held, group_homes(data, held.index), protocol="blocks", bootstrap=bootstrap, rng=stream(21)
    )
    if len(run.apart):
        apart = group_table(run.apart, run.apart[["why"]], protocol="blocks",
                            bootstrap=bootstrap, rng=stream(22))  # fmt: skip
        groups = _stack([groups, apart])
    prevalence = result.prevalence
    if result.labels == "checks" and result.overlap is not None:
        prevalence = prevalence_table(
            data,
            result.overlap.weights,
            partial(_total, data, run.p_lead, expected_lead),
            bootstrap=bootstrap,
            rng=stream(23),
        )
    return replace(result, headline=headline, headline_reason=reason, choice=choice,
                   groups=groups, prevalence=prevalence, cautions=cautions)  # fmt: skip


def _total(
    data: pd.DataFrame,
    held: pd.Series,
    expected_lead: ExpectedLead | None,
    homes: NDArray[np.bool_],
) -> tuple[float, float, float]:
    """Return the lead lines that the scores expect among some homes, with their interval."""
    if expected_lead is None:
        return float(held.reindex(data.index[homes]).sum()), np.nan, np.nan
    if not homes.any():
        return 0.0, 0.0, 0.0
    row = expected_lead(pd.Series("these", data.index[homes])).iloc[0].to_numpy(dtype=float)
    return float(row[0]), float(row[1]), float(row[2])


def _ranges(data: pd.DataFrame, stream: Stream) -> dict[str, float]:
    """Estimate the ranges [m] over which neighbours are alike, and which one is used.

    Labels and record entries are taken less the rate of their building decade, since age is
    known of a hidden home too. Where too few labels show no range, the records' serves: only
    the size of the blocks hangs on it.
    """

    def of(homes: pd.DataFrame, column: str, number: int, less_age: bool = True) -> float:
        known = homes[homes[column].notna()]
        value = known[column].to_numpy(dtype=float)
        if less_age and len(known):
            year = known["year_built"].to_numpy(dtype=float)
            value = value - decade_rate(year, year, value)
        x, y = known["x"].to_numpy(dtype=float), known["y"].to_numpy(dtype=float)
        return spatial_range(x, y, value, rng=stream(number)).range_m

    judged = data[data["judged"]]
    ranges = {
        "label_m": of(judged, "label", 40, less_age=False),
        "label_after_age_m": of(judged, "label", 41),
        "record_after_age_m": of(data, "record_lead", 42),
        "year_built_m": of(data, "year_built", 43, less_age=False),
    }
    used = ranges["label_after_age_m"]
    return {**ranges, "used_m": used if np.isfinite(used) else ranges["record_after_age_m"]}


def _protocol_table(
    views: dict[str, pd.DataFrame], texts: dict[str, str], runs: dict[str, Run]
) -> pd.DataFrame:
    rows = []
    for name, held in views.items():
        run = runs.get(name)
        rows.append(
            {
                "protocol": name,
                "text": texts[name],
                "fits": 0 if run is None else len(run.protocol.splits),
                "rows": len(held),
                "lead": int(held["label"].sum()),
                **({} if run is None else run.protocol.facts),
            }
        )
    return pd.DataFrame(rows)


def _stack(parts: list[pd.DataFrame]) -> pd.DataFrame:
    filled = [part for part in parts if len(part)] or parts[:1]
    return pd.concat(filled, ignore_index=True) if filled else pd.DataFrame()
