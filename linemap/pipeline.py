"""The spine: every stage once, in order. A reader starts here.

    files ─ intake ─ inventory ─ water ─ features ─ scoring ─ evaluation ─ outreach ─ outputs

Stages never import each other; this file hands each one the tables that it needs.
"""

from __future__ import annotations

import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from datetime import date
from functools import partial
from pathlib import Path
from typing import Literal

import pandas as pd
from threadpoolctl import threadpool_limits

from linemap.assembly import (
    Scored,
    answers_by_date,
    audit_table,
    evaluation_frame,
    group_columns,
    homes_table,
    judged_by,
    judged_kits,
    last_day,
    lead_by_age,
    ledger_as_read,
    ledger_mark,
    look_table,
    part_of,
    review_so_far,
    rounds_log,
    rounds_so_far,
    water_figures,
    without,
)
from linemap.evaluation import Evaluation, evaluate, judging_sample
from linemap.features import Spread, build_features, build_graph, said_of_people
from linemap.intake import Intake, quarantine_table, read_city
from linemap.inventory import classify_lines, inventory_summary
from linemap.outputs import Findings, write_outputs
from linemap.outreach import (
    KitPlan,
    Ledger,
    choose_kits,
    fairness,
    rank_areas,
)
from linemap.printing import Tell, silent, watched
from linemap.run_folder import Run, write_json
from linemap.run_record import run_record
from linemap.scoring import Evidence, LineModel, SharedCounts, probability
from linemap.settings import Settings
from linemap.tables import City, contract
from linemap.water import high_results
from linemap.whole_folder import new_run_folder

STAGES = (
    "read, check and join the files",
    "classify the lines by the rule",
    "judge the kits and read the bottles",
    "build the parcel grid",
    "weigh the evidence",
    "hold the scores against checks",
    "choose areas and homes",
    "write the outputs",
)
"""What a run does, in order; a progress bar takes one step for each."""

SCORING_STAGES = STAGES[1:5]
"""Those that take the tables to a probability."""


class Stopwatch:
    """Seconds spent in each stage of a run."""

    def __init__(self, tell: Tell) -> None:
        self.tell = tell
        self.seconds: dict[str, float] = {}

    @contextmanager
    def stage(self, name: str) -> Iterator[None]:
        """Announce a stage and note how long it took."""
        self.tell(name)
        start = time.perf_counter()
        yield
        self.seconds[name] = round(time.perf_counter() - start, 3)


def check(settings: Settings, *, tell: Tell = silent) -> Intake:
    """Read and check all input files; score nothing.

    Parameters
    ----------
    settings : Settings
    tell : callable, optional
        Called with a line of progress.

    Returns
    -------
    Intake

    Raises
    ------
    InputError
        With every problem of every file.
    """
    tell(STAGES[0])
    return read_city(settings)


def score_city(
    city: City,
    settings: Settings,
    *,
    watch: Stopwatch | None = None,
    pooled: SharedCounts | None = None,
    spread: Spread | None = None,
) -> Scored:
    """Take a city's tables to a probability for each parcel.

    Parameters
    ----------
    city : City
        Tables after intake.
    settings : Settings
    watch : Stopwatch, optional
        Without it a notebook or a terminal shows a progress bar.
    pooled : SharedCounts, optional
        What the witnesses of other cities said, to start from.
    spread : callable, optional
        Works out features tile by tile, elsewhere.

    Returns
    -------
    Scored

    Raises
    ------
    EvidenceError
        If there are neither checks nor records to learn from.
    """
    if watch is None:
        with watched(None, len(SCORING_STAGES)) as told:
            watch = Stopwatch(told)
            return score_city(city, settings, watch=watch, pooled=pooled, spread=spread)
    with watch.stage(STAGES[1]):
        classes = classify_lines(
            city.lines,
            city.checks,
            city.parcels.index,
            lead_connector_counts=settings.rules.lead_connector_counts,
        )
    with watch.stage(STAGES[2]):
        pairs = judged_kits(city, settings)
    with watch.stage(STAGES[3]):
        features = build_features(
            city.parcels,
            city.areas,
            extra=settings.scoring.extra,
            use_income=settings.scoring.use_income,
            spread=spread,
        )
        graph = build_graph(city.parcels)
    with watch.stage(STAGES[4]):
        answers = answers_by_date(city)
        evidence = Evidence(city.lines, city.checks, pairs, answers)
        model = new_model(settings, target=settings.scoring.target, pooled=pooled)
        scores = model.fit(features, graph, evidence).score()
    scores = scores.assign(
        parcel_id=scores.index,
        area_id=city.parcels["area_id"].reindex(scores.index),
        inventory_class=classes["inventory_class"].reindex(scores.index),
        basis=classes["basis"].reindex(scores.index),
    )
    scores = scores[[name for name in contract("scores") if name in scores]]
    return Scored(classes, pairs, features, graph, evidence, model, scores)


def new_model(
    settings: Settings,
    *,
    target: Literal["lead", "needs_replacement"] = "lead",
    pooled: SharedCounts | None = None,
) -> LineModel:
    """Return an unfitted model by the settings; refits that judge the scores ask for lead alone."""
    scoring = settings.scoring
    return LineModel(target=target, prior=scoring.prior, seed=scoring.seed, pooled=pooled)


def evaluate_scores(
    city: City,
    scored: Scored,
    settings: Settings,
    *,
    protocols: Sequence[str] | None = None,
    tell: Tell | None = None,
) -> Evaluation:
    """Refit with checks hidden and hold the answers against them.

    Where there is no check at all, entries of the record are hidden instead; every figure then
    states agreement with the record. A very large city is judged on a sample of whole blocks,
    which the evaluation then says.

    Parameters
    ----------
    city : City
    scored : Scored
    settings : Settings
    protocols : sequence of str, optional
        Ways of hiding checks; by default those of the settings.
    tell : callable, optional
        Told before each refit. Without it a notebook or a terminal shows a progress bar.

    Returns
    -------
    Evaluation
    """
    protocols = protocols or settings.evaluation.protocols
    labels = judged_by(city)
    frame = evaluation_frame(city, scored, labels)
    sample = judging_sample(frame, seed=settings.scoring.seed)
    features, graph, told = part_of(scored, sample)

    def fit_score(hidden: pd.Index) -> pd.Series:
        model = new_model(settings, pooled=scored.model.pooled).fit(
            features, graph, without(told, hidden, labels)
        )
        return pd.Series(probability(model.weights().sum(axis=1)), features.index)

    with watched(tell, len(protocols)) as step:
        return evaluate(
            frame,
            fit_score,
            block_m=settings.evaluation.block_m,
            folds=settings.evaluation.folds,
            bootstrap=settings.evaluation.bootstrap,
            seed=settings.scoring.seed,
            protocols=protocols,
            labels=labels,
            sample=sample,
            expected_lead=partial(scored.model.expected_lead, level=0.95),
            tell=step,
        )


def run(
    settings: Settings,
    out: str | Path,
    *,
    tell: Tell | None = None,
    pooled: SharedCounts | None = None,
    spread: Spread | None = None,
    entries: int | None = None,
) -> Run:
    """Do the whole job and leave it in a folder, whole or not at all.

    Parameters
    ----------
    settings : Settings
    out : str or Path
        Folder to leave the run in; an earlier run there is replaced only at the very end.
    tell : callable, optional
        Called with the name of each stage as it begins. Without it a notebook or a terminal
        shows a progress bar.
    pooled : SharedCounts, optional
        What the witnesses of other cities said, to start from.
    spread : callable, optional
        Works out features tile by tile, elsewhere, see :mod:`linemap.features`.
    entries : int, optional
        Read only the first so many entries of the ledger of rounds, as an earlier run did.

    Returns
    -------
    Run

    Raises
    ------
    InputError, EvidenceError, LimitsError, RunFolderError
        With a message for a planner.
    """
    settings.of_one_city()
    with watched(tell, len(STAGES)) as told, threadpool_limits(1), new_run_folder(out) as folder:
        watch = Stopwatch(told)
        with watch.stage(STAGES[0]):
            intake = read_city(settings)
            ledger = ledger_as_read(settings, entries=entries)
        city = replace(intake.city, rounds=rounds_log(ledger))
        scored = score_city(city, settings, watch=watch, pooled=pooled, spread=spread)
        with watch.stage(STAGES[5]):
            evaluation = evaluate_scores(city, scored, settings, tell=silent)
        with watch.stage(STAGES[6]):
            as_of = last_day(city, settings)
            homes = homes_table(city, scored, settings, intake.opted_out)
            by_area = scored.model.expected_lead(homes["area_id"])
            plan, area_list = choose(homes, by_area, settings, as_of)
            findings = gather(
                intake, ledger, scored, evaluation, homes, plan, area_list, by_area, settings, as_of
            )
        with watch.stage(STAGES[7]):
            write_outputs(findings, folder)
            _keep_tables(folder, city, scored, homes, findings)
        record = run_record(findings, intake.inputs, watch.seconds, folder)
        record["ledger"] = ledger_mark(ledger)
        if pooled is not None:
            record["shared_witnesses"] = pooled.to_dict()
        write_json(folder / "run.json", record)
    return Run(out)


def choose(
    homes: pd.DataFrame, by_area: pd.DataFrame, settings: Settings, as_of: date
) -> tuple[KitPlan, pd.DataFrame]:
    """Choose homes for the next kits and rank the areas by their expected lead lines."""
    seed = settings.scoring.seed
    plan = choose_kits(homes, settings.outreach, seed=seed, today=as_of)
    return plan, rank_areas(homes, by_area, plan, settings.outreach.aim, seed=seed)


def gather(
    intake: Intake,
    ledger: Ledger | None,
    scored: Scored,
    evaluation: Evaluation,
    homes: pd.DataFrame,
    plan: KitPlan,
    area_list: pd.DataFrame,
    by_area: pd.DataFrame,
    settings: Settings,
    as_of: date,
) -> Findings:
    """Bring together everything that the pages and lists are written from."""
    city = intake.city
    everywhere = pd.Series("(city)", index=homes.index)
    expected = pd.concat([scored.model.expected_lead(everywhere), by_area.rename(index=str)])
    said = scored.model.describe()
    high = high_results(scored.pairs, city.kits, city.parcels, city.samples, city.lost_lead)
    return Findings(
        settings=settings,
        as_of=as_of,
        parcels=city.parcels,
        areas=city.areas,
        counts=intake.counts_table(),
        quarantine=quarantine_table(intake.problems),
        scores=scored.scores,
        classes=scored.classes,
        inventory=inventory_summary(scored.classes),
        pairs=scored.pairs.assign(high_result=scored.pairs["kit_id"].isin(high["kit_id"].dropna())),
        water=water_figures(city, scored.pairs, settings, as_of),
        model=said,
        expected=expected,
        ages=lead_by_age(scored.model, city.parcels["year_built"]),
        evaluation=evaluation.to_dict(),
        evaluation_tables=evaluation.tables(),
        area_list=area_list,
        kit_list=plan.kits,
        audit=audit_table(city, scored, settings),
        looks=look_table(homes, scored, settings),
        high=high,
        plan=plan.describe(),
        fairness=fairness(homes, plan, group_columns(settings.outreach)),
        learn=homes["learn"],
        rounds=rounds_so_far(ledger),
        review=review_so_far(ledger, settings),
        cannot_tell=[
            *said_of_people(scored.features.columns),
            *said["warnings"],
            *evaluation.warnings,
        ],
    )


def _keep_tables(
    folder: Path, city: City, scored: Scored, homes: pd.DataFrame, findings: Findings
) -> None:
    """Keep what later commands need, so that none of them has to refit."""
    tables = folder / "tables"
    tables.mkdir()
    city.parcels.to_parquet(tables / "parcels.parquet")
    city.areas.to_parquet(tables / "areas.parquet")
    homes.to_parquet(tables / "homes.parquet")
    findings.pairs.to_parquet(tables / "pairs.parquet")
    scored.classes.to_parquet(tables / "classes.parquet")
    findings.ages.to_parquet(tables / "ages.parquet")
    findings.area_list.to_parquet(tables / "area_list.parquet")
    findings.kit_list.to_parquet(tables / "kit_list.parquet")
