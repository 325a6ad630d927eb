"""Dates as people and spreadsheets write them."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, timedelta

EARLIEST, LATEST = 1900, 2100
"""Years within which a date is believed."""

SERIAL_ZERO = date(1899, 12, 30)
"""Day 0 of the day count of spreadsheets from 1 March 1900 on."""

SERIALS = (20_000, 73_050)
"""Day counts that are taken for dates: 1954-10-03 to 2099-12-31."""

MONTHS = [
    "january",
    "february",
    "march",
    "april",
    "may",
    "june",
    "july",
    "august",
    "september",
    "october",
    "november",
    "december",
]

REWRITE = "Write all dates of this column as YYYY-MM-DD."
"""What helps where no setting can."""

_CLOCK = (
    r"(?:[T ]\s*[0-9]{1,2}:[0-9]{2}(?::[0-9]{2}(?:\.[0-9]+)?)?\s*(?:[AaPp]\.?[Mm]\.?)?"
    r"\s*(?:Z|UTC|[+-][0-9]{2}:?[0-9]{2})?)?"
)
_YEAR_FIRST = re.compile(r"([0-9]{4})([-/.])([0-9]{1,2})\2([0-9]{1,2})" + _CLOCK)
_YEAR_LAST = re.compile(r"([0-9]{1,2})([-/.])([0-9]{1,2})\2([0-9]{4})" + _CLOCK)
_COMPACT = re.compile(r"([0-9]{4})([0-9]{2})([0-9]{2})")
_SERIAL = re.compile(r"([0-9]{5})(?:\.[0-9]+)?")
_DAY_MONTH = re.compile(r"([0-9]{1,2})[ -]([A-Za-z]{3,9})\.?,?[ -]([0-9]{4})" + _CLOCK)
_MONTH_DAY = re.compile(r"([A-Za-z]{3,9})\.? ([0-9]{1,2}),? ([0-9]{4})" + _CLOCK)


def _day(year: str | int, month: str | int, day: str | int) -> date | None:
    """Return a date, or None if there is no such day."""
    try:
        found = date(int(year), int(month), int(day))
    except ValueError:
        return None
    return found if EARLIEST <= found.year <= LATEST else None


def parse_date(text: str, *, day_first: bool = False) -> date | None:
    """Read one date.

    Parameters
    ----------
    text : str
        ``2024-05-31``, ``5/31/2024``, ``31 May 2024``, ``20240531``, or the day count of a
        spreadsheet (``45443``); a time of day behind it is dropped. Years have four digits.
    day_first : bool, default False
        Whether ``5/4/2024`` is the fifth of April.

    Returns
    -------
    date or None
        None if it cannot be read.

    References
    ----------
    ISO 8601-1:2019 for year-month-day. Day counts: ECMA-376 Part 1, 18.17.4.1 (1900 date base).

    Examples
    --------
    >>> parse_date("5/31/2024"), parse_date("45443") == date(2024, 5, 31)
    (datetime.date(2024, 5, 31), True)
    >>> parse_date("5/31/24") is None
    True
    """
    text = text.strip()
    if match := _YEAR_FIRST.fullmatch(text):
        return _day(match[1], match[3], match[4])
    if match := _YEAR_LAST.fullmatch(text):
        first, second = match[1], match[3]
        return _day(match[4], second, first) if day_first else _day(match[4], first, second)
    if match := _COMPACT.fullmatch(text):
        return _day(match[1], match[2], match[3])
    if match := _SERIAL.fullmatch(text):
        count = int(match[1])
        return SERIAL_ZERO + timedelta(count) if SERIALS[0] <= count <= SERIALS[1] else None
    if match := _DAY_MONTH.fullmatch(text):
        return _day(match[3], _month(match[2]), match[1])
    if match := _MONTH_DAY.fullmatch(text):
        return _day(match[3], _month(match[1]), match[2])
    return None


def _month(name: str) -> int:
    """Return the number of an English month name or its first three letters, 0 if it is none."""
    stem = name.lower().replace("sept", "sep") if len(name) == 4 else name.lower()
    return next((n for n, full in enumerate(MONTHS, 1) if stem in (full, full[:3])), 0)


@dataclass(frozen=True)
class DateOrder:
    """Whether the day or the month comes first in a column, and what has to be asked.

    Attributes
    ----------
    day_first : bool
        How ``5/4/2024`` is read.
    reason, remedy : str
        The question, empty if there is none.
    certain : bool
        False if nothing may be read before the question is answered.
    against : tuple of str
        Cells that make the question one.
    """

    day_first: bool = False
    reason: str = ""
    remedy: str = ""
    certain: bool = True
    against: tuple[str, ...] = ()


def date_order(texts: Iterable[str], *, day_first: bool | None = None) -> DateOrder:
    """Tell from a whole column how its dates are to be read.

    Parameters
    ----------
    texts : iterable of str
        The different cells of one column.
    day_first : bool, optional
        The answer, if it is known. A cell that can only be read the other way round speaks
        against it: then no cell of the column that could be read either way can be trusted.

    Returns
    -------
    DateOrder

    Examples
    --------
    >>> date_order(["12/31/2024", "3/4/2024"], day_first=True).certain
    False
    >>> date_order(["5/31/2024", "5/4/2024"]).reason
    ''
    >>> date_order(["31/5/2024", "5/4/2024"]).certain
    False
    """
    only_day_first: list[str] = []
    only_month_first: list[str] = []
    either: list[str] = []
    for text in texts:
        match = _YEAR_LAST.fullmatch(text.strip())
        if not match or match[1] == match[3]:
            continue
        as_day = _day(match[4], match[3], match[1]) is not None
        as_month = _day(match[4], match[1], match[3]) is not None
        if as_day and as_month:
            either.append(text)
        elif as_day:
            only_day_first.append(text)
        elif as_month:
            only_month_first.append(text)
    if day_first is not None:
        against = only_month_first if day_first else only_day_first
        return _contradicted(day_first, against) if against else DateOrder(day_first)
    if only_day_first and only_month_first:
        return DateOrder(
            reason=f"some dates have the day first ({min(only_day_first)}); "
            f"{min(only_month_first)} has the month first.",
            remedy=REWRITE,
            certain=False,
            against=tuple(only_day_first),
        )
    if only_day_first and either:
        return DateOrder(
            reason=f"some dates have the day first ({min(only_day_first)}); {min(either)} could "
            "be read either way.",
            remedy="Set day_first = true under [city] if the day comes first in every file, or "
            "write the dates of this column as YYYY-MM-DD.",
            certain=False,
            against=tuple(only_day_first),
        )
    if either and not only_month_first:
        return DateOrder(
            reason=f"dates such as {min(either)} were read as month/day/year; nothing in the "
            "column shows whether that is right.",
            remedy="If the day comes first, set day_first = true under [city].",
        )
    return DateOrder(day_first=bool(only_day_first))


def _contradicted(day_first: bool, against: list[str]) -> DateOrder:
    """Return that the answer in the settings cannot be right for a column."""
    other = "month" if day_first else "day"
    return DateOrder(
        day_first,
        reason=f"{min(against)} can only have the {other} first, but [city] says "
        f"day_first = {str(day_first).lower()}.",
        remedy=f"If the {other} comes first in every file, set day_first = "
        f"{str(not day_first).lower()}; if only in this column, write its dates as YYYY-MM-DD, "
        "which are read alike under either setting; if only in these rows, mend them.",
        certain=False,
        against=tuple(against),
    )
