"""What is done with the rounds of a finished run: open, close, correct, look back."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import pandas as pd

from linemap.assembly import existing_ledger, ledger_mark, ledger_path
from linemap.errors import ArgumentError, InputError, Problem, RunFolderError
from linemap.followup import CHOICE_FILE, prioritize, recorded_ledger
from linemap.intake.codes import SECTION
from linemap.intake.reading import Dialect, load_table, warn_of
from linemap.intake.source import open_source
from linemap.outputs import defuse_formulas
from linemap.outreach import Ledger, review_rounds
from linemap.outreach.eligibility import require_columns
from linemap.printing import counted
from linemap.run_folder import Run
from linemap.tables import contract


def open_round(
    run: Run,
    *,
    name: str | None = None,
    choice: str | Path | None = None,
    ledger: str | Path | None = None,
    today: date | None = None,
) -> dict[str, Any]:
    """Freeze a list with its forecast, before any result is known.

    Parameters
    ----------
    run : Run
    name : str, optional
        Name of the round; not blank.
    choice : str or Path, optional
        Folder of a list made by ``linemap prioritize``; by default the run's own list.
    ledger : str or Path, optional
        Ledger file; by default ``rounds.sqlite`` beside the settings file.
    today : date, optional
        Day of opening, no earlier than the day of the run and no later than the clock's; by
        default the day of the run (``run.as_of``), not the clock's.

    Returns
    -------
    dict
        See :meth:`linemap.outreach.Ledger.open_round`; ``ledger`` is the file written to.

    Raises
    ------
    RunFolderError
        If the list is missing or damaged, was chosen beside another ledger, or the run now gives
        another one.
    ArgumentError
        If the day or the name cannot be, or the ledger refuses the list.
    """
    _refuse_day(run, today)
    made: dict[str, Any] = {"limits": {}, "ledger": recorded_ledger(run.info)}
    if choice is not None:
        made = _read_choice(Path(choice))
    place = ledger_path(run.settings, ledger)
    known, entries = place if place.exists() else None, made["ledger"]["entries"]
    if ledger_mark(Ledger(known, entries=entries) if known else None) != made["ledger"]:
        raise RunFolderError(
            f"this list was chosen beside another ledger than {place}. Name that one, or make the "
            "list anew with `linemap prioritize`."
        )
    plan = prioritize(run, ledger=known, entries=entries, **made["limits"])
    if plan.kits.empty:
        raise ArgumentError(f"there is no round to open. {' '.join(plan.notes)}")
    printed = _printed_homes(Path(choice) if choice is not None else run.folder / "lists")
    if defuse_formulas(plan.kits[["parcel_id"]])["parcel_id"].tolist() != printed:
        raise RunFolderError(
            "the run has changed since this list was made; run prioritize again and open the "
            "list that it prints."
        )
    asked_on = run.homes.get("asked_on")
    report = Ledger(place).open_round(
        plan, plan.forecast, today=today or run.as_of, name=name, asked_on=asked_on
    )
    return {**report, "ledger": str(place)}


def close_round(
    run: Run,
    returns: str | Path,
    *,
    name: str | None = None,
    ledger: str | Path | None = None,
    today: date | None = None,
) -> dict[str, Any]:
    """Count every kit of a round and hold the forecast against what came back.

    Homes that were not on the list take their chances from the run, if it stands on no later
    day than the round: a later run may know their results. The apostrophe that our lists put
    before an id such as ``-12`` is taken off again.

    Parameters
    ----------
    run : Run
    returns : str or Path
        CSV, XLSX or Parquet with ``parcel_id, outcome`` and, where known, ``lead_found``.
    name : str, optional
        Round to close; the only open one when left out.
    ledger : str or Path, optional
        As for :func:`open_round`.
    today : date, optional
        Day of closing; by default today.

    Returns
    -------
    dict
        See :meth:`linemap.outreach.Ledger.close_round`; ``ledger`` is the file written to, and
        ``review`` that of :func:`look_back`.

    Raises
    ------
    ArgumentError
        If a row or value of the returns cannot be read, an id is that of no parcel, most rows
        are homes of no list, or the ledger refuses; the round stays open.
    """
    place = existing_ledger(run.settings, ledger)
    book = Ledger(place)
    table = _read_returns(returns, "the round stays open")
    homes = {*book.log()["parcel_id"], *run.homes.index}
    table["parcel_id"] = [_as_known(home, homes) for home in table["parcel_id"]]
    _refuse_no_parcel(table["parcel_id"][~table["parcel_id"].isin(homes)].tolist())
    rounds = book.rounds().set_index("round_id")
    waiting = rounds.index[rounds["closed_on"].isna()]
    closing = name or (waiting[0] if len(waiting) == 1 else None)
    opened = rounds["opened_on"].get(closing)
    if opened is not None and run.as_of <= date.fromisoformat(opened):
        known = run.homes.reindex(pd.Index(table["parcel_id"]))
        for column in ("p_lead", "p_return"):
            table[column] = table[column].fillna(
                pd.Series(known[column].to_numpy(), index=table.index)
            )
    report = book.close_round(table, today=today or date.today(), name=name)
    return {**report, "ledger": str(place), "review": look_back(run, ledger=ledger)}


def correct_round(
    run: Run,
    changes: pd.DataFrame | str | Path,
    *,
    name: str,
    reason: str,
    ledger: str | Path | None = None,
    today: date | None = None,
) -> dict[str, Any]:
    """Enter corrections of outcomes of a closed round, all or none; the first entries stay.

    Parameters
    ----------
    run : Run
    changes : DataFrame, str or Path
        What truly came of the kits, as returns are: ``parcel_id, outcome, lead_found``; a table
        or a file (CSV, XLSX, Parquet). Where ``lead_found`` is blank or left out, what was
        entered last stands.
    name : str
        The round.
    reason : str
        Why the first entries were wrong, or what was learned since.
    ledger : str or Path, optional
        As for :func:`open_round`.
    today : date, optional
        Day of the entries; by default today.

    Returns
    -------
    dict
        The report of the round with the corrections in it; ``ledger`` is the file written to.

    Raises
    ------
    ArgumentError
        If a row or value cannot be read, or the ledger refuses; nothing is entered then.
    """
    place = existing_ledger(run.settings, ledger)
    book = Ledger(place)
    if isinstance(changes, pd.DataFrame):
        table = changes.copy()
    else:
        table = _read_returns(changes, "nothing is entered")
    require_columns(table, ("parcel_id", "outcome"), "what is to be corrected")
    known = set(book.log()["parcel_id"])
    table["parcel_id"] = [_as_known(str(home), known) for home in table["parcel_id"]]
    book.correct(name, table, reason=reason, today=today or date.today())
    return {**book.round_report(name), "ledger": str(place)}


def look_back(run: Run, *, ledger: str | Path | None = None) -> dict[str, Any]:
    """Return what all closed rounds together tell.

    Parameters
    ----------
    run : Run
    ledger : str or Path, optional
        As for :func:`open_round`.

    Returns
    -------
    dict
        See :func:`linemap.outreach.review_rounds`; ``sentences`` begins with any entry of the
        ledger that was changed after it was made.
    """
    book, settings = Ledger(existing_ledger(run.settings, ledger)), run.settings
    quiet = settings.outreach.quiet_days
    review = review_rounds(book.log(), seed=settings.scoring.seed, quiet_days=quiet)
    return {**review, "sentences": [*book.verify(), *review["sentences"]]}


def _read_returns(path: str | Path, otherwise: str) -> pd.DataFrame:
    """Read what came back, every row of it: a closed round cannot be closed again.

    ``otherwise`` says what stands if the file cannot be read.
    """
    try:
        loaded = load_table(open_source(path, "returns"), Dialect({}, {}))
    except InputError as error:
        said = InputError(_without_settings(error.problems))
        raise ArgumentError(f"{otherwise}: {said}") from error
    lost = [problem for problem in loaded.problems if problem.effect != "note"]
    if lost:
        raise ArgumentError(f"{otherwise}: {InputError(_without_settings(lost))}")
    warn_of(loaded.problems)
    return loaded.table.reset_index(drop=True)


def _without_settings(problems: list[Problem]) -> list[Problem]:
    """Say what to write in the file where settings cannot translate: it is read without any."""
    return [_in_file(problem) for problem in problems]


def _in_file(problem: Problem) -> Problem:
    if SECTION in problem.remedy:
        words = ", ".join(contract("returns")[problem.column].allowed)
        reason = problem.reason.replace(' = "..."', "")
        return replace(problem, reason=reason, remedy=f"Write one of {words} in the file.")
    if "[columns." in problem.remedy:
        return replace(problem, remedy=f"Name the column {problem.column} in the file.")
    return problem


def _as_known(home: str, known: set[str]) -> str:
    """Return an id without the apostrophe that our lists put before it, see defuse_formulas."""
    bare = home.removeprefix("'")
    return bare if home not in known and bare in known else home


def _refuse_no_parcel(ids: list[str]) -> None:
    """Refuse ids that no parcel has: the home that was meant would count as silent for good."""
    if ids:
        raise ArgumentError(
            f"the round stays open: {counted(len(ids), 'id')} of the returns, "
            f"{', '.join(ids[:5])} first, is that of no parcel of this run and of no list. Correct "
            "the ids, or take rows of homes out that are not in the city."
        )


def _refuse_day(run: Run, day: date | None) -> None:
    """Refuse a day of opening before the run or after today."""
    if day is not None and day < run.as_of:
        raise ArgumentError(
            f"{day} is before {run.as_of}, the day on which the run stands. Give the right day."
        )
    if day is not None and day > max(date.today(), run.as_of):
        raise ArgumentError(f"{day} is still to come. Open the round on the day, or give another.")


def _read_choice(folder: Path) -> dict[str, Any]:
    """Return what a list was asked to do."""
    path = folder / CHOICE_FILE
    if not path.is_file():
        raise RunFolderError(f"{folder} holds no list. Name the folder that was printed.")
    try:
        made = json.loads(path.read_text(encoding="utf-8"))
        whole = isinstance(made["limits"], dict) and type(made["ledger"]["entries"]) is int
    except (OSError, ValueError, RecursionError, KeyError, TypeError):
        whole = False
    if not whole:
        raise RunFolderError(f"{path} is damaged. Make the list anew with `linemap prioritize`.")
    return made


def _printed_homes(folder: Path) -> list[str]:
    """Return the homes of a list in the order in which they were printed."""
    path = folder / "kits.csv"
    try:
        return pd.read_csv(path, dtype=str, keep_default_na=False)["parcel_id"].tolist()
    except (OSError, ValueError, KeyError) as error:
        raise RunFolderError(
            f"{path} is missing or damaged. Make the list anew with `linemap prioritize`."
        ) from error
