"""Who may be sent a kit at all, and why the others are left out."""

from __future__ import annotations

from datetime import date
from typing import Any

import numpy as np
import pandas as pd

from linemap.errors import ArgumentError
from linemap.settings import OutreachSettings

UNKNOWN = "lead status unknown"

LEFT_OUT = {
    "lead": "known lead: needs replacement and a filter now, not a kit",
    "galvanized requiring replacement": "known to need replacement: a kit would decide nothing",
    "non-lead": "non-lead by the inventory",
    "no class": "no inventory class",
    "vacant": "vacant, or no dwelling: nobody to draw the water",
    "opted out": "asked not to be sent a kit",
    "refused": "refused the last kit and has asked for none since",
    "quiet": "was sent a kit within the quiet days",
    "likely by its kit": "a usable kit came back and lead is very likely: a look at the pipe and a "
    "filter now, not another kit",
    "no estimate": "no probability of lead or no chance of return",
}
"""Reasons for leaving a home out; a home counts under the first that applies."""


def reason_left_out(homes: pd.DataFrame, limits: OutreachSettings, *, today: date) -> pd.Series:
    """Return why each home is left out of the choice; missing where it may be sent a kit.

    Only homes whose lead status is unknown are sent kits. With ``limits.recheck_above`` a home
    that is non-lead by record only, and likely enough to have lead all the same, is sent one
    too; a home where a field check found no lead is not. Where a usable kit has come back and
    lead is at least as likely as ``limits.look_above``, another kit would tell next to nothing.

    Parameters
    ----------
    homes : DataFrame
        Indexed by parcel_id with ``inventory_class, p_lead, p_return`` and, where known,
        ``land_use, dwelling_units, opted_out, refused, last_kit_on, basis``.
    limits : OutreachSettings
    today : date
        Day on which the list is made.

    Returns
    -------
    Series of str
        Keys of ``LEFT_OUT``, index of ``homes``.

    Examples
    --------
    >>> homes = pd.DataFrame({"inventory_class": ["lead", UNKNOWN], "p_lead": 0.5,
    ...                       "p_return": 0.3}, index=["a", "b"])
    >>> reason_left_out(homes, OutreachSettings(), today=date(2026, 5, 1)).tolist()
    ['lead', None]
    """
    reason = pd.Series([None] * len(homes), index=homes.index, dtype=object)
    kind = homes["inventory_class"].astype(object)
    for name in ("lead", "galvanized requiring replacement"):
        reason[kind.eq(name).to_numpy()] = name
    settled = kind.eq("non-lead")
    if limits.recheck_above is not None and "basis" in homes:
        doubted = homes["basis"].ne("field check") & homes["p_lead"].ge(limits.recheck_above)
        settled &= ~doubted
    last = pd.to_datetime(column_or(homes, "last_kit_on", pd.NaT))
    quiet_since = pd.Timestamp(today) - pd.Timedelta(days=limits.quiet_days)
    for name, applies in (
        ("non-lead", settled),
        ("no class", kind.isna()),
        ("vacant", is_vacant(homes)),
        ("opted out", column_or(homes, "opted_out", False).eq(True)),
        ("refused", column_or(homes, "refused", False).eq(True)),
        ("quiet", last > quiet_since),
        ("likely by its kit", likely_by_kit(homes, limits)),
        ("no estimate", homes["p_lead"].isna() | homes["p_return"].isna()),
    ):
        reason[(applies & reason.isna()).to_numpy()] = name
    return reason


def likely_by_kit(homes: pd.DataFrame, limits: OutreachSettings) -> pd.Series:
    """Return which homes have sent a usable kit and are very likely to have lead."""
    if limits.look_above is None:
        return pd.Series(False, index=homes.index)
    return column_or(homes, "tested", False).eq(True) & homes["p_lead"].ge(limits.look_above)


def is_vacant(homes: pd.DataFrame) -> pd.Series:
    """Return which parcels hold nobody: named vacant by the assessor, or without a dwelling.

    A listed site (child care, school) counts as occupied, since water is drunk there.
    """
    use = column_or(homes, "land_use", "").fillna("").astype(str).str.lower()
    empty = use.str.contains("vacant", regex=False)
    empty |= column_or(homes, "dwelling_units", np.nan).eq(0)
    return empty & column_or(homes, "site_kind", None).isna()


def left_out_table(reason: pd.Series) -> pd.DataFrame:
    """Count the homes left out by reason.

    Returns
    -------
    DataFrame
        ``reason, homes, meaning``, one row for each reason that occurs.
    """
    counts = reason.value_counts()
    rows = [(name, int(counts[name]), text) for name, text in LEFT_OUT.items() if name in counts]
    return pd.DataFrame(rows, columns=["reason", "homes", "meaning"])


def column_or(frame: pd.DataFrame, name: str, default: Any) -> pd.Series:
    """Return a column, or a column of the default where the frame has none."""
    if name in frame.columns:
        return frame[name]
    kind = object if default is None else None
    return pd.Series(default, index=frame.index, dtype=kind)


def require_columns(frame: pd.DataFrame, names: tuple[str, ...], what: str) -> None:
    """Raise if a table lacks a column.

    Raises
    ------
    ArgumentError
        Naming every column that is missing.
    """
    missing = [name for name in names if name not in frame.columns]
    if missing:
        raise ArgumentError(f"{what} lacks the column(s) {', '.join(missing)}. Add them.")
