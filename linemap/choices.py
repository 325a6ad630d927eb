"""Arguments and options that several commands take, and the values of options."""

from __future__ import annotations

from datetime import date
from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer


class Edition(StrEnum):
    """Editions of the lead and copper rule."""

    LCR = "LCR"
    LCRR = "LCRR"
    LCRI = "LCRI"


class Kind(StrEnum):
    """Kinds of invented city."""

    good_records = "good_records"
    poor_records = "poor_records"
    corrosion_control = "corrosion_control"


class Aim(StrEnum):
    """What a ranking of areas is for."""

    most_lead = "most_lead"
    most_need = "most_need"
    least_tested = "least_tested"


class Engine(StrEnum):
    """Where several cities are worked on."""

    here = "here"
    dask = "dask"


JsonFlag = Annotated[bool, typer.Option("--json", help="Print JSON for other programs.")]
RunArgument = Annotated[Path, typer.Argument(help="Folder of a finished run.")]
LedgerOption = Annotated[Path | None, typer.Option(help="Ledger of rounds.")]


def day_of(text: str | None) -> date | None:
    """Read a day, or say how to write one."""
    if text is None:
        return None
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise typer.BadParameter(f"{text!r} is not a day. Write it as 2026-11-25.") from None
