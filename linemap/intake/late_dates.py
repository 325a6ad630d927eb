"""Dates that lie so far behind all others that the day of a run must not follow them.

The day of a run is the latest date of the files unless the settings name it, and with it go the
action level and the quiet days. One year typed wrongly would move all of that.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from linemap.errors import Problem
from linemap.intake.checker import row_problems
from linemap.tables import contract

SHARE = 0.99
"""Share of all rows, by their last date, that a believable day is measured from; our choice."""

BEYOND = pd.Timedelta(days=365)
"""How far behind them a date may lie; our choice."""

FEWEST = 10
"""With fewer rows none can be told to be late; our choice."""

ALIKE = 3
"""Rows with dates as late that are believed together; our choice."""

TABLES = ("checks", "kits")
"""Tables by whose dates the day of a run goes."""


def late_dates(tables: Mapping[str, pd.DataFrame]) -> dict[str, pd.DataFrame]:
    """Return which dates are too late to be believed.

    Too late is a date more than a year after the last of 99% of all rows, unless three rows or
    more have a date within a year of it: a wrong year stands alone, a programme that starts again
    does not.

    Parameters
    ----------
    tables : mapping of str to DataFrame
        Checks and kits by the contract.

    Returns
    -------
    dict of str to DataFrame of bool
        Dates of each table, index kept.
    """
    dates = {name: _dates(table, name) for name, table in tables.items()}
    of_rows = [part.max(axis=1).to_numpy("datetime64[ns]") for part in dates.values()]
    known = np.concatenate(of_rows) if of_rows else np.array([], dtype="datetime64[ns]")
    latest = np.sort(known[~np.isnat(known)])
    if len(latest) < FEWEST:
        return {name: part.notna() & False for name, part in dates.items()}
    year = BEYOND.to_timedelta64()
    last = latest[int(SHARE * (len(latest) - 1))] + year

    def alone(part: pd.DataFrame) -> np.ndarray:
        day = part.to_numpy("datetime64[ns]")
        until = np.searchsorted(latest, day + year, side="right")
        return (until - np.searchsorted(latest, day - year)) < ALIKE

    return {name: (part > last) & alone(part) for name, part in dates.items()}


def latest_date(tables: Mapping[str, pd.DataFrame]) -> pd.Timestamp | None:
    """Return the latest date that can be believed, None where there is no date.

    Examples
    --------
    >>> days = pd.to_datetime(["2026-05-01"] * 11 + ["2062-05-01"])
    >>> latest_date({"checks": pd.DataFrame({"checked_on": days})})
    Timestamp('2026-05-01 00:00:00')
    """
    late = late_dates(tables)
    days = [_dates(table, name).mask(late[name]).max().max() for name, table in tables.items()]
    known = [day for day in days if not pd.isna(day)]
    return max(known) if known else None


def note_late(tables: Mapping[str, pd.DataFrame], files: Mapping[str, str]) -> list[Problem]:
    """Return a note for each date that the day of a run passes over.

    Parameters
    ----------
    tables : mapping of str to DataFrame
        Indexed by row number.
    files : mapping of str to str
        Names of their files.
    """
    problems: list[Problem] = []
    for name, late in late_dates(tables).items():
        for column in late.columns[late.any().to_numpy()]:
            rows = tables[name][late[column].to_numpy()]
            problems += row_problems(
                files[name],
                name,
                column,
                rows.index,
                rows[column].dt.strftime("%Y-%m-%d"),
                "the date lies more than a year after nearly all others, so the day of the run "
                "passes it over.",
                "Correct it; if it is right, set as_of under [city].",
                "note",
            )
    return problems


def _dates(table: pd.DataFrame, name: str) -> pd.DataFrame:
    columns = [c.name for c in contract(name).values() if c.kind == "date" and c.name in table]
    return table[columns].apply(pd.to_datetime)
