"""Tables as people read them: units in the headers, intervals in the cells, a caution below."""

from __future__ import annotations

import html
from collections.abc import Sequence
from dataclasses import dataclass

import pandas as pd

from linemap.errors import ArgumentError
from linemap.outputs.wording import PROBABILITY_CAUTION
from linemap.tables import Column, contract

INTERVALS = {
    "p_lead": ("p_low", "p_high"),
    "p_replace": ("p_replace_low", "p_replace_high"),
    "expected_lead_lines": ("low", "high"),
}
"""Estimates and the ends of their 90% interval."""

_MISSING = "–"
_FACTOR = "log-odds"


@dataclass(frozen=True)
class ShownTable:
    """A table made for reading; it shows itself in a notebook and when printed.

    Attributes
    ----------
    table : DataFrame
        Text, with names and units in the headers.
    note : str
        Caution that stands below it.
    """

    table: pd.DataFrame
    note: str

    def __repr__(self) -> str:
        return f"{self.table.to_string(index=False)}\n{self.note}"

    def _repr_html_(self) -> str:
        return (
            self.table.to_html(index=False, border=0, justify="left")
            + f"<p>{html.escape(self.note)}</p>"
        )


def show_table(
    table: pd.DataFrame, name: str, columns: Sequence[str] | None = None, *, rows: int = 10
) -> ShownTable:
    """Show rows of a contract table with units, intervals and a caution.

    An estimate is never shown without its interval: ``p_lead`` takes ``p_low`` and ``p_high``
    with it, ``expected_lead_lines`` takes ``low`` and ``high``.

    Parameters
    ----------
    table : DataFrame
        Rows in the order in which they are to be shown.
    name : str
        Contract that names and units come from, e.g. ``scores``, ``kit_list``, ``area_list``.
    columns : sequence of str, optional
        Columns to show; by default all of the contract but the ends of intervals.
    rows : int
        Most rows to show.

    Returns
    -------
    ShownTable

    Raises
    ------
    ArgumentError
        If a column is not in the table, or an estimate comes without its interval.

    Examples
    --------
    >>> row = {"parcel_id": "A1", "p_lead": 0.342, "p_low": 0.2, "p_high": 0.51}
    >>> shown = show_table(pd.DataFrame([row]), "scores", ["parcel_id", "p_lead"])
    >>> shown.table.to_dict("records")
    [{'parcel_id': 'A1', 'p_lead, 90% interval': '34% (20% to 51%)'}]
    """
    known = contract(name)
    ends = {end for pair in INTERVALS.values() for end in pair}
    wanted = list(columns or (c for c in known if c in table.columns and c not in ends))
    needed = [*wanted, *(end for c in wanted for end in INTERVALS.get(c, ()))]
    if missing := sorted(set(needed) - set(table.columns)):
        raise ArgumentError(f"the table has no column {', '.join(missing)}.")
    head = table.head(rows)
    shown = {}
    for column in wanted:
        contracted = known.get(column) or contract("scores").get(column)
        cells = [_cell(value, contracted) for value in head[column]]
        label = column
        if column in INTERVALS:
            low, high = ([_cell(v, contracted) for v in head[end]] for end in INTERVALS[column])
            cells = [f"{c} ({a} to {b})" for c, a, b in zip(cells, low, high, strict=True)]
            label += ", 90% interval"
        if contracted and contracted.unit not in ("", "share", "date", "year", column):
            label += f" [{contracted.unit}]"
        shown[label] = cells
    note = PROBABILITY_CAUTION
    if len(table) > len(head):
        note = f"First {len(head):,} of {len(table):,} rows. {note}"
    return ShownTable(pd.DataFrame(shown), note)


def _cell(value: object, column: Column | None) -> str:
    """Return a value as text, by the unit of its column."""
    if value is None or value is pd.NaT or value != value:
        return _MISSING
    if isinstance(value, pd.Timestamp):
        return value.date().isoformat()
    if isinstance(value, float) and column is not None:
        if column.unit == "share":
            return _percent(value)
        if column.unit == _FACTOR:
            return f"{value:+.2f}"
        if column.kind == "integer" or column.unit == "homes":
            return f"{value:,.0f}"
    return f"{value:,.2f}" if isinstance(value, float) else str(value)


def _percent(share: float) -> str:
    """Return a share in percent; only an exact 0 or 1 is shown as such.

    Examples
    --------
    >>> _percent(0.9991), _percent(1.0), _percent(0.342), _percent(0.0004)
    ('>99%', '100%', '34%', '<1%')
    """
    if 0 < share < 0.005:
        return "<1%"
    return ">99%" if 0.995 <= share < 1 else f"{share * 100:.0f}%"
