"""The ``linemap round`` commands: freeze a list, hold its forecast against what came back."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

from linemap.choices import JsonFlag, LedgerOption, RunArgument, day_of
from linemap.printing import say, say_json

rounds = typer.Typer(
    no_args_is_help=True,
    rich_markup_mode=None,
    help="Freeze a list of kits with its forecast; later hold the forecast against what came back.",
)


_OUTCOMES = "usable, not_usable, refused, undeliverable or silent"
_RETURNS = (
    "Table (CSV, XLSX or Parquet) with columns parcel_id; outcome, one of "
    f"{_OUTCOMES}; and, where known, lead_found, one of yes, no or unknown. "
    "Homes of the list that it does not name count as silent."
)
_CORRECTIONS = (
    "Several homes at once: a table with columns parcel_id, outcome and lead_found, as for the "
    "returns; where lead_found is blank, what was entered last stands. All of its rows are "
    "entered, or none."
)
_OPENING = (
    "Day of opening, YYYY-MM-DD, not before the day of the run nor after today; by default the "
    "day of the run."
)


@rounds.command("open")
def round_open(
    folder: RunArgument,
    name: Annotated[str | None, typer.Option(help="Name of the round.")] = None,
    choice: Annotated[
        Path | None, typer.Option(help="Folder of a list made by prioritize.")
    ] = None,
    ledger: LedgerOption = None,
    on: Annotated[str | None, typer.Option(help=_OPENING)] = None,
    as_json: JsonFlag = False,
) -> None:
    """Freeze the list of a run with its forecast, before any result is known."""
    from linemap.rounds import open_round
    from linemap.run_folder import Run

    report = open_round(Run(folder), name=name, choice=choice, ledger=ledger, today=day_of(on))
    _say_round(report, as_json)


@rounds.command("close")
def round_close(
    folder: RunArgument,
    returns: Annotated[Path, typer.Argument(help=_RETURNS)],
    name: Annotated[str | None, typer.Option(help="Name of the round.")] = None,
    ledger: LedgerOption = None,
    on: Annotated[str | None, typer.Option(help="Day of closing, YYYY-MM-DD.")] = None,
    as_json: JsonFlag = False,
) -> None:
    """Count every kit of a round and hold the forecast against what came back."""
    from linemap.rounds import close_round
    from linemap.run_folder import Run

    report = close_round(Run(folder), returns, name=name, ledger=ledger, today=day_of(on))
    _say_round(report, as_json)


@rounds.command("correct")
def round_correct(
    folder: RunArgument,
    name: Annotated[str, typer.Option(help="Name of the round.")],
    reason: Annotated[
        str, typer.Option(help="Why the first entry was wrong, or what was learned since.")
    ],
    parcel: Annotated[
        str | None, typer.Argument(help="Home whose entry was wrong; or give a table.")
    ] = None,
    outcome: Annotated[
        str | None, typer.Option(help=f"What truly came of the kit: {_OUTCOMES}.")
    ] = None,
    lead_found: Annotated[str | None, typer.Option(help="yes, no or unknown.")] = None,
    table: Annotated[Path | None, typer.Option(help=_CORRECTIONS)] = None,
    ledger: LedgerOption = None,
    on: Annotated[str | None, typer.Option(help="Day of the entry, YYYY-MM-DD.")] = None,
    as_json: JsonFlag = False,
) -> None:
    """Enter corrections of a closed round; the first entries stay in the ledger."""
    import pandas as pd

    from linemap.rounds import correct_round
    from linemap.run_folder import Run

    one = {"parcel_id": parcel, "outcome": outcome, "lead_found": lead_found}
    given = [value is not None for value in one.values()]
    if any(given) if table else not all(given):
        raise typer.BadParameter(
            "give a home with --outcome and --lead-found, or --table for several homes."
        )
    report = correct_round(
        Run(folder),
        table or pd.DataFrame([one]),
        name=name,
        reason=reason,
        ledger=ledger,
        today=day_of(on),
    )
    _say_round(report, as_json)


@rounds.command("review")
def round_review(
    folder: RunArgument,
    ledger: LedgerOption = None,
    as_json: JsonFlag = False,
) -> None:
    """Say what all closed rounds together tell: alarms, and the lead lines that remain."""
    from linemap.rounds import look_back
    from linemap.run_folder import Run

    _say_round(look_back(Run(folder), ledger=ledger), as_json)


def _say_round(report: dict[str, Any], as_json: bool) -> None:
    if as_json:
        say_json(report)
        return
    for sentence in report["sentences"]:
        say(sentence)
    if "ledger" in report:
        say(f"Ledger: {report['ledger']}")
    if "review" in report:
        say()
        say("All rounds together:")
        for sentence in report["review"]["sentences"]:
            say(f"  {sentence}")
