"""What is done with a finished run: a new list, one output again, a laboratory file.

None of this fits anything again, except :func:`evaluate_again`, which says so.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from pathlib import Path
from typing import Any

import pandas as pd

from linemap.assembly import group_columns, ledger_as_read, ledger_mark, rounds_log
from linemap.errors import RunFolderError
from linemap.evaluation import PROTOCOLS, Evaluation
from linemap.intake import read_city, read_opt_outs, read_samples, read_table
from linemap.outputs import draw_map as draw_city
from linemap.outputs import (
    map_files,
    write_csv,
    write_database,
    write_evaluation,
    write_kit_files,
    write_pages,
)
from linemap.outreach import (
    KitPlan,
    Ledger,
    choose_kits,
    fairness,
    rank_areas,
    since_rounds,
)
from linemap.pipeline import Stopwatch, evaluate_scores, run, score_city
from linemap.printing import Tell, silent
from linemap.run_folder import Run, free_name, read_record, recorded_settings, write_json
from linemap.run_record import differences
from linemap.scoring import SharedCounts
from linemap.settings import Edition, outreach_with
from linemap.water import results_summary
from linemap.whole_folder import replaced_files

CHOICE_FILE = "choice.json"
"""What a list was asked to do, beside its files."""


def prioritize(
    run: Run, *, ledger: str | Path | None = None, entries: int | None = None, **changes: Any
) -> KitPlan:
    """Choose a new list from a finished run and the ledger of rounds; nothing is fitted again.

    Parameters
    ----------
    run : Run
    ledger : str or Path, optional
        Ledger of the rounds whose homes had their kit already; by default ``rounds.sqlite``
        beside the settings file.
    entries : int, optional
        Read only the first so many entries of the ledger, as an earlier list did.
    **changes
        Keys of ``[outreach]`` to change, e.g. ``kits=200``, ``floor_per_area=5``.

    Returns
    -------
    KitPlan

    Raises
    ------
    SettingsError
        If a key or value is not valid.
    LimitsError
        If the limits contradict each other.
    RunFolderError
        If a ledger is named and is not there, or is damaged, or the run does not say how far
        returns may stray, as runs of earlier versions do not.
    """
    limits = outreach_with(run.settings.outreach, changes)
    if "return_level" not in run.homes.attrs:
        raise RunFolderError(
            f"{run.folder} was made by an earlier version, whose forecast of returns was another "
            "one. Make the run anew."
        )
    book = ledger_as_read(run.settings, ledger, entries=entries)
    homes = homes_now(run, book)
    return choose_kits(homes, limits, seed=run.settings.scoring.seed, today=run.as_of)


def homes_now(run: Run, ledger: Ledger | None) -> pd.DataFrame:
    """Return the homes of a run as they stand now: with later rounds and later opt-outs.

    Parameters
    ----------
    run : Run
    ledger : Ledger or None

    Returns
    -------
    DataFrame
        Indexed by parcel_id.

    Raises
    ------
    InputError
        If the file of those who want no kits cannot be read: nobody must get one for that.
    """
    homes = since_rounds(run.homes, rounds_log(ledger))
    away = homes.index.isin(read_opt_outs(run.settings))
    return homes.assign(opted_out=homes["opted_out"] | away)


def list_areas(run: Run, plan: KitPlan, *, ledger: str | Path | None = None) -> pd.DataFrame:
    """Rank the areas under a list's aim; their expected lead lines are those of the run.

    Parameters
    ----------
    run : Run
    plan : KitPlan
    ledger : str or Path, optional
        As for :func:`prioritize`.

    Returns
    -------
    DataFrame
        See :func:`linemap.outreach.rank_areas`.
    """
    names = {"expected_lead_lines": "expected"}
    expected = run.areas.set_index("area_id").rename(columns=names)[["expected", "low", "high"]]
    homes = homes_now(run, ledger_as_read(run.settings, ledger))
    return rank_areas(homes, expected, plan, plan.limits.aim, seed=run.settings.scoring.seed)


def write_list(
    run: Run,
    plan: KitPlan,
    out: str | Path | None = None,
    *,
    ledger: str | Path | None = None,
) -> Path:
    """Write a list of kits in every form that people use, its areas and its fairness.

    Parameters
    ----------
    run : Run
        Run that the list was chosen from.
    plan : KitPlan
    out : str or Path, optional
        Folder; by default a new one under the run's ``lists``.
    ledger : str or Path, optional
        As for :func:`prioritize`.

    Returns
    -------
    Path
        The folder.
    """
    place = Path(out) if out is not None else free_name(run.folder / "lists", "choice", "")
    with replaced_files(place) as work:
        write_kit_files(plan.kits, run.parcels, work, city=run.settings.city.name, as_of=run.as_of)
        write_csv(list_areas(run, plan, ledger=ledger), work / "areas.csv")
        write_csv(fairness(run.homes, plan, group_columns(plan.limits)), work / "fairness.csv")
        made = {
            "limits": plan.limits.model_dump(mode="json"),
            "ledger": ledger_mark(ledger_as_read(run.settings, ledger)),
        }
        write_json(work / CHOICE_FILE, made)
    return place


def store_run(run: Run, address: str) -> list[str]:
    """Write scores, kit list and area list of a finished run into PostgreSQL, all or none.

    Parameters
    ----------
    run : Run
    address : str
        ``postgresql://HOST/DATABASE?schema=NAME``. User and password come from the environment.

    Returns
    -------
    list of str
        Names of the tables, each with a column ``geometry`` (WGS 84).

    Raises
    ------
    DatabaseError
        If the database cannot be reached or refuses; nothing is changed in it then.
    """
    outlines = run.parcels.geometry
    areas = run.city_areas.set_index("area_id").geometry
    return write_database(
        {"scores": run.scores, "kit_list": run.kits, "area_list": run.areas},
        {
            "scores": outlines.reindex(run.scores["parcel_id"]),
            "kit_list": outlines.reindex(run.kits["parcel_id"]),
            "area_list": areas.reindex(run.areas["area_id"]),
        },
        address,
        city=run.settings.city.name,
        as_of=run.as_of,
    )


def draw_map(run: Run) -> Any:
    """Return the staff map of a finished run, to show in a notebook.

    Parameters
    ----------
    run : Run

    Returns
    -------
    folium.Map
    """
    return draw_city(
        run.parcels, run.scores, run.city_areas, **_beside(run), city=run.settings.city.name
    )


def redraw_maps(run: Run, out: str | Path | None = None) -> list[Path]:
    """Draw the staff map and the public map of a finished run again.

    Parameters
    ----------
    run : Run
    out : str or Path, optional
        Folder; by default the run itself, whose maps are replaced.

    Returns
    -------
    list of Path
        Pages written.
    """
    place = Path(out) if out is not None else run.folder
    pages = map_files(
        run.parcels, run.scores, run.city_areas, **_beside(run), settings=run.settings
    )
    with replaced_files(place) as work:
        names = write_pages(pages, work)
    return [place / name for name in names]


def _beside(run: Run) -> dict[str, Any]:
    """Return the tables of a run that a map draws beside its homes and areas."""
    return {
        "kits": run.kits,
        "pairs": run.pairs,
        "lines": run.classes,
        "area_list": run.areas,
        "learn": run.homes["learn"],
        "expected": run.expected_lead,
    }


def evaluate_again(run: Run, *, tell: Tell | None = None) -> tuple[Evaluation, list[str]]:
    """Read the run's inputs, score, and hold the scores against the checks in every way.

    Parameters
    ----------
    run : Run
    tell : callable, optional
        Told before each way of hiding checks. Without it a notebook or a terminal shows a
        progress bar.

    Returns
    -------
    Evaluation
        Also written over ``evaluation.json`` and ``evaluation/`` of the run.
    list of str
        What differs from the run, e.g. an input that was changed since.
    """
    settings = run.settings
    intake = read_city(settings)
    now = {**run.info, "inputs": intake.inputs}
    pooled = recorded_counts(run.info)
    scored = score_city(intake.city, settings, watch=Stopwatch(silent), pooled=pooled)
    evaluation = evaluate_scores(intake.city, scored, settings, protocols=PROTOCOLS, tell=tell)
    with replaced_files(run.folder) as work:
        write_evaluation(evaluation.to_dict(), evaluation.tables(), work)
    return evaluation, differences(run.info, now)


def recorded_counts(record: Mapping[str, Any]) -> SharedCounts | None:
    """Return what other cities told a run, by its record; None if they told nothing.

    Raises
    ------
    ArgumentError
        If it was changed since it was written.
    """
    plain = record.get("shared_witnesses")
    return None if plain is None else SharedCounts.from_dict(plain)


def recorded_ledger(record: Mapping[str, Any]) -> dict[str, Any]:
    """Return which entries of the ledger a run read, by its record; none if it read no ledger."""
    return {**ledger_mark(None), **record.get("ledger", {})}


def repeat_run(
    record: str | Path, out: str | Path, *, tell: Tell | None = None
) -> tuple[Run, list[str]]:
    """Repeat a run by its record and say what differs.

    Parameters
    ----------
    record : str or Path
        ``run.json`` of the earlier run.
    out : str or Path
        Folder for the new run.
    tell : callable, optional
        As for :func:`linemap.pipeline.run`.

    Returns
    -------
    Run
        The new run.
    list of str
        Empty if the lists are byte for byte the same; else each input, version or output
        that differs.
    """
    then = read_record(record)
    again = run(
        recorded_settings(then),
        out,
        tell=tell,
        pooled=recorded_counts(then),
        entries=recorded_ledger(then)["entries"],
    )
    return again, differences(then, again.info)


def read_results(
    file: str | Path,
    *,
    kits: str | Path | None = None,
    edition: Edition = "LCRR",
    as_of: date | None = None,
    state: str | None = None,
) -> dict[str, Any]:
    """Summarise a laboratory's file without any map.

    Parameters
    ----------
    file : str or Path
        Table by the ``samples`` contract.
    kits : str or Path, optional
        Table by the ``kits`` contract, to judge validity as well.
    edition, as_of, state
        See :func:`linemap.water.action_level`.

    Returns
    -------
    dict
        See :func:`linemap.water.results_summary`.
    """
    samples = read_samples(file)
    table = None if kits is None else read_table(kits, "kits")
    return results_summary(samples, table, edition=edition, as_of=as_of, state=state)
