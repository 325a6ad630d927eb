"""Dates by which people must be told and the inventory must be kept."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import numpy as np
import pandas as pd

from linemap.errors import ArgumentError
from linemap.inventory.classes import lines_of
from linemap.published import all_facts, fact
from linemap.tables import INVENTORY_CLASSES

Edition = Literal["LCR", "LCRR", "LCRI"]
LEAD, REQUIRING_REPLACEMENT, NON_LEAD, UNKNOWN = INVENTORY_CLASSES


def notices_due(
    classes: pd.DataFrame,
    inventory_completed_on: str | pd.Timestamp,
    *,
    edition: Edition = "LCRR",
    served_since: pd.Series | None = None,
) -> pd.DataFrame:
    """Return who must be told about the line, by when, and by when again.

    Everyone served by a line that is lead, galvanized requiring replacement or not known gets
    a notice within 30 days of the inventory's completion, then yearly. Whoever becomes a
    customer later gets it at the start of service.

    Parameters
    ----------
    classes : DataFrame
        As from :func:`classify_lines`.
    inventory_completed_on : date
        Day on which the inventory was finished.
    edition : {"LCR", "LCRR", "LCRI"}
        Edition of the rule. Until 1 November 2027 the notices of LCRR hold under LCR too.
    served_since : Series of dates, optional
        Start of service by parcel, where it is known.

    Returns
    -------
    DataFrame
        Indexed by ``parcel_id``, lines that need a notice only: ``inventory_class``,
        ``notice_by``, ``then_by`` (next yearly notice), ``why``.

    References
    ----------
    40 CFR 141.85(e). LCRI: yearly by 31 December (unverified, from memory).

    Examples
    --------
    >>> from linemap.inventory import classify_lines
    >>> record = pd.DataFrame({"parcel_id": ["A"], "utility_material": ["unknown"],
    ...                        "customer_material": ["copper"]})
    >>> notices_due(classify_lines(record), "2024-10-16").loc["A", "notice_by"]
    Timestamp('2024-11-15 00:00:00')
    """
    _check_edition(edition)
    told = lines_of(classes, LEAD, REQUIRING_REPLACEMENT, UNKNOWN)[["inventory_class"]].copy()
    days = fact("inventory.notice_days").value
    completed = pd.Timestamp(inventory_completed_on)
    due = pd.Series(completed + pd.Timedelta(days=days), index=told.index, name="notice_by")
    new = pd.Series(False, index=told.index)
    if served_since is not None:
        since = pd.to_datetime(served_since).reindex(told.index)
        new = since > completed
        due = due.mask(new, since)
    told["notice_by"] = due
    if edition == "LCRI":
        month, day = map(int, fact("inventory.notice_yearly_by.LCRI").value.split("-"))
        parts = {"year": due.dt.year + 1, "month": month, "day": day}
        told["then_by"] = pd.to_datetime(pd.DataFrame(parts, index=told.index))
    else:
        told["then_by"] = due + pd.DateOffset(years=1)
    told["why"] = np.where(
        new,
        "New customer: notice at the start of service, then yearly.",
        f"Notice within {days} days of finishing the inventory, then yearly.",
    )
    return told


def results_notice_due(
    known_on: pd.Series,
    *,
    edition: Edition,
    lead_ug_l: pd.Series | None = None,
    holidays: Sequence[str] = (),
) -> pd.Series:
    """Return the day by which a home must be told its own result.

    Parameters
    ----------
    known_on : Series of dates
        Day on which the utility learned the result.
    edition : {"LCR", "LCRR", "LCRI"}
        Edition of the rule.
    lead_ug_l : Series of float, optional
        Lead [ug/L], same index. Needed for LCRR; where missing the earlier day is given.
    holidays : sequence of dates
        Days besides Saturday and Sunday that are no business days. Without them the day given
        is never too late.

    Returns
    -------
    Series of dates
        Missing where ``known_on`` is.

    References
    ----------
    40 CFR 141.85(d). LCR 30 days. LCRR 3 days above 15 ug/L, else 30; LCRI 3 business days
    (both unverified, from memory).

    Examples
    --------
    >>> friday = pd.Series(pd.to_datetime(["2029-01-05"]))
    >>> results_notice_due(friday, edition="LCRI").iloc[0]
    Timestamp('2029-01-10 00:00:00')
    """
    _check_edition(edition)
    rule = fact(f"inventory.results_notice.{edition}").value
    known = pd.to_datetime(known_on)
    if rule["counts"] == "business days":
        day = known.to_numpy("datetime64[D]")
        due = np.busday_offset(
            day, rule["days"], roll="backward", holidays=np.array(holidays, dtype="datetime64[D]")
        )
        return pd.Series(due, index=known_on.index, name="notice_by").astype(known.dtype)
    days: pd.Series | int = rule["days"]
    if "above_ug_l" in rule:
        if lead_ug_l is None:
            raise ArgumentError(f"{edition} sets the day by the result: give lead_ug_l [ug/L].")
        low = lead_ug_l.reindex(known_on.index) <= rule["above_ug_l"]
        days = low.map({True: rule["days"], False: rule["days_above"]})
    return (known + pd.to_timedelta(days, unit="D")).rename("notice_by")


def inventory_dates() -> pd.DataFrame:
    """Return the fixed dates of the inventory with source and status.

    Returns
    -------
    DataFrame
        ``what``, ``date``, ``source``, ``verified`` (false: from memory), earliest first.

    Examples
    --------
    >>> inventory_dates().loc[0, ["what", "date"]].tolist()
    ['initial inventory', Timestamp('2024-10-16 00:00:00')]
    """
    prefix = "inventory.dates."
    rows = [
        {
            "what": name.removeprefix(prefix).replace("_", " "),
            "date": pd.Timestamp(entry.value),
            "source": entry.source,
            "verified": entry.verified,
        }
        for name, entry in all_facts().items()
        if name.startswith(prefix)
    ]
    return pd.DataFrame(rows).sort_values("date", ignore_index=True)


def _check_edition(edition: str) -> None:
    if edition not in ("LCR", "LCRR", "LCRI"):
        raise ArgumentError(f"edition = {edition!r} is not one of LCR, LCRR, LCRI.")
