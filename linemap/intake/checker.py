"""The one checker that holds a table to its contract."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from linemap.errors import Effect, InputError, Problem
from linemap.intake.codes import section_of, unknown_codes
from linemap.tables import Column, complete_table, contract, repeat_columns

SPREADSHEET_ERRORS = ("#REF!", "#DIV/0!", "#VALUE!", "#NAME?", "#NUM!", "#NULL!", "#SPILL!")
"""What a spreadsheet writes into a cell whose formula failed."""

MOST_LISTED = 2_000_000
"""Rows of one fault that are listed one by one; our choice."""

SAME_KEY = "another row above has the same"
"""How the reason begins for which a row that repeats a key is set aside."""


def check_table(
    frame: pd.DataFrame, table: str, file: str = "", rows: pd.Series | None = None
) -> tuple[pd.DataFrame, list[Problem]]:
    """Hold a table to its contract.

    A missing required column is a ``stop``. A row without a readable required value, or whose
    key is taken by an earlier row, is set aside; rows that contradict each other in a column of
    ``tables.CONTESTED`` are all kept. An optional value outside the contract is
    blanked and its row kept.

    Parameters
    ----------
    frame : DataFrame
        Table with contract names and parsed values (numbers as numbers, dates as dates). What
        could not be parsed may stand as text: it is found and reported here.
    table : str
        Name of the contract.
    file : str
        File to name in the problems.
    rows : Series of int, optional
        Row numbers below the header, same length as ``frame``; default 1, 2, 3 ...

    Returns
    -------
    DataFrame
        Rows that may be used, complete with all contract columns, index kept.
    list of Problem
        At most one of effect ``row`` for each row.

    Raises
    ------
    InputError
        If one fault is in more rows than can be listed.

    Examples
    --------
    >>> frame = pd.DataFrame({"parcel_id": ["1", "2"], "utility_material": ["lead", "tin"],
    ...                       "customer_material": ["copper", "copper"]})
    >>> used, problems = check_table(frame, "lines")
    >>> len(used), problems[0].row, problems[0].value, problems[0].effect
    (1, '2', 'tin', 'row')
    """
    columns = contract(table)
    absent = [c for c in columns.values() if c.required and c.name not in frame.columns]
    if absent:
        return frame.iloc[:0], [missing_column(c.name, table, file) for c in absent]

    numbers = np.arange(1, len(frame) + 1) if rows is None else rows.to_numpy()
    bad_rows = np.zeros(len(frame), dtype=bool)
    problems: list[Problem] = []
    blanked: dict[str, np.ndarray] = {}

    def note(mask: np.ndarray, name: str, reason: str, remedy: str, effect: Effect) -> None:
        at = np.flatnonzero(mask)
        values = frame[name].iloc[at]
        if len(at) > MOST_LISTED:
            first = shown(values.iloc[0])
            reason = f"{len(at):,} rows are wrong here, more than can be listed: {reason}"
            raise InputError([Problem(file, table, name, "", first, reason, remedy)])
        problems.extend(
            row_problems(file, table, name, numbers[at], values, reason, remedy, effect)
        )

    for column in columns.values():
        if column.name not in frame.columns or column.kind in ("geometry", "flag"):
            continue
        values = frame[column.name]
        missing = values.isna().to_numpy()
        wrong, reason, remedy = _outside(values, missing, column)
        if column.kind in ("enum", "material") and wrong.any():
            codes = values[wrong]
            if len(codes.unique()) > 1 or (wrong & bad_rows).any():
                problems.append(unknown_codes(codes, column, table, file))
        if column.required:
            note(
                missing & ~bad_rows,
                column.name,
                "a required value is missing.",
                "Fill it in.",
                "row",
            )
            bad_rows |= missing
            note(wrong & ~bad_rows, column.name, reason, remedy, "row")
            bad_rows |= wrong
        elif wrong.any():
            note(wrong & ~bad_rows, column.name, reason, remedy, "cell")
            blanked[column.name] = wrong

    keys = [key for key in repeat_columns(table) if key in frame.columns]
    if keys:
        free = np.flatnonzero(~bad_rows)
        twice = np.zeros(len(frame), dtype=bool)
        twice[free] = frame[keys].iloc[free].duplicated(keep="first").to_numpy()
        note(
            twice,
            keys[0],
            f"{SAME_KEY} {' + '.join(keys)}.",
            "Keep one of them.",
            "row",
        )
        bad_rows |= twice
    out = frame.loc[~bad_rows].copy()
    for name, wrong in blanked.items():
        out[name] = out[name].mask(wrong[~bad_rows])
    return complete_table(out, table), problems


def missing_column(name: str, table: str, file: str) -> Problem:
    """Return the problem that a required column is not in a file."""
    return Problem(
        file,
        table,
        name,
        "",
        "",
        "this required column is missing.",
        f"Add it, or name the column that holds it under [columns.{table}], e.g. "
        f'{name} = "YOUR NAME".',
    )


def row_problems(
    file: str,
    table: str,
    column: str,
    numbers: Iterable[int],
    values: Iterable[Any],
    reason: str,
    remedy: str,
    effect: Effect,
) -> list[Problem]:
    """Return one problem for each of many rows that fail in the same way."""
    return [
        Problem(file, table, column, str(number), shown(value), reason, remedy, effect)
        for number, value in zip(numbers, values, strict=True)
    ]


def _outside(values: pd.Series, missing: np.ndarray, column: Column) -> tuple[np.ndarray, str, str]:
    """Return which values lie outside the contract, the reason and the remedy."""
    if column.kind in ("enum", "material"):
        wrong = ~values.isin(column.allowed).to_numpy() & ~missing
        return (
            wrong,
            f"this is not one of {', '.join(column.allowed)}.",
            f"Correct it, or translate your code under {section_of(column)}.",
        )
    if column.kind in ("number", "integer"):
        numbers = pd.to_numeric(values, errors="coerce").to_numpy(float)
        wrong = ~((numbers >= column.low) & (numbers <= column.high) & np.isfinite(numbers))
        if column.kind == "integer":
            wrong |= numbers != np.round(numbers)
        return (
            wrong & ~missing,
            f"this is not {_number_in_words(column)}.",
            "Correct or empty the cell.",
        )
    if column.kind == "date":
        return (
            ~missing & ~_is_date(values),
            "this is not a date such as 2024-05-31 or 5/31/2024.",
            "Write it as year-month-day.",
        )
    text = _as_text(values)
    failed = pc.is_in(text, value_set=pa.array(SPREADSHEET_ERRORS)).to_numpy(False)
    reason, remedy = "the formula in this cell failed.", "Mend the formula or type the value."
    if column.kind == "id":
        rounded = pc.match_substring_regex(text, r"^[0-9](\.[0-9]+)?[eE]\+[0-9]+$")
        lost = pc.fill_null(rounded, False).to_numpy(False)
        if lost.any() and not failed.any():
            reason = "a spreadsheet has rounded this id, so its last digits are lost."
            remedy = "Export the column as text."
        failed |= lost
    return failed & ~missing, reason, remedy


def _as_text(values: pd.Series) -> pa.Array:
    """Return ids or text as an Arrow array, null where missing."""
    try:
        return pa.array(values.to_numpy(object), pa.string(), from_pandas=True)
    except (pa.ArrowInvalid, pa.ArrowTypeError):  # numbers where the contract has text
        return pa.array([None if pd.isna(v) else str(v) for v in values], pa.string())


def _is_date(values: pd.Series) -> np.ndarray:
    """Return which values are dates, in a column that may hold unread text as well."""
    if pd.api.types.is_datetime64_any_dtype(values):
        return np.ones(len(values), dtype=bool)
    return np.array([isinstance(v, (date, np.datetime64)) for v in values], dtype=bool)


def _number_in_words(column: Column) -> str:
    """Describe what a number may be, e.g. ``a whole number from 1600 to 2100 year``."""
    words = "a whole number" if column.kind == "integer" else "a number"
    unit = "" if column.unit in ("", "year", "currency", "share") else f" {column.unit}"
    if np.isfinite(column.low) and np.isfinite(column.high):
        return f"{words} from {column.low:g} to {column.high:g}{unit}"
    if np.isfinite(column.low):
        return f"{words} of at least {column.low:g}{unit}"
    return words


def shown(value: Any, width: int = 60) -> str:
    """Return a value as a short text for a message; empty if missing."""
    if isinstance(value, str):
        return value if len(value) <= width else value[: width - 3] + "..."
    if value is None or value is pd.NaT or value is pd.NA or value != value:
        return ""
    return shown(f"{value:.15g}" if isinstance(value, float) else str(value), width)
