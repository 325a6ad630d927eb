"""Codes of the utility that nobody has translated, told column by column."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import replace

import pandas as pd

from linemap.errors import Problem
from linemap.tables import Column, contract

MOST_CODES = 20
"""Unknown codes of a column that are listed one by one; our choice."""

SECTION = "[values."
"""What the remedy of an unknown code names."""


def section_of(column: Column) -> str:
    """Return the section of the settings that translates the codes of a column."""
    return f"{SECTION}{'material' if column.kind == 'material' else column.name}]"


def unknown_codes(codes: pd.Series, column: Column, table: str, file: str) -> Problem:
    """Return a note with all unknown codes of a column, commonest first.

    Parameters
    ----------
    codes : Series
        One entry for each row with an unknown code.
    column : Column
        Its contract.
    table, file : str

    Returns
    -------
    Problem
        Each code stands in quotes, as a key of the settings.

    Examples
    --------
    >>> material = contract("lines")["utility_material"]
    >>> unknown_codes(pd.Series(["CU", "PB", "CU"]), material, "lines", "l.csv").reason
    '2 codes are unknown: "CU" = "..." (2 rows), "PB" = "..." (1 row).'
    """
    counts = sorted(Counter(map(str, codes)).items(), key=lambda one: (-one[1], one[0]))
    named = [
        f'{_quoted(code)} = "..." ({rows:,} row{"s" if rows > 1 else ""})'
        for code, rows in counts[:MOST_CODES]
    ]
    more = len(counts) - len(named)
    return Problem(
        file,
        table,
        column.name,
        "",
        "",
        f"{len(counts):,} code{'s are' if len(counts) > 1 else ' is'} unknown: {', '.join(named)}"
        f"{f', and {more:,} more' if more else ''}.",
        f"Put them under {section_of(column)}, each with one of {', '.join(column.allowed)}.",
        "note",
    )


def code_faults(problems: Iterable[Problem]) -> list[Problem]:
    """Return one stop for each column with unknown codes, the note with all of them if any."""
    found: dict[tuple[str, str], Problem] = {}
    for problem in problems:
        key = (problem.table, problem.column)
        if SECTION in problem.remedy and (key not in found or problem.effect == "note"):
            found[key] = problem
    return [_as_stop(problem) for problem in found.values()]


def with_code_faults(stops: Sequence[Problem], problems: Iterable[Problem]) -> list[Problem]:
    """Return stops and, once each, the unknown codes that they do not name yet."""
    named = {(p.table, p.column) for p in stops if SECTION in p.remedy}
    more = [p for p in code_faults(problems) if not p.row or (p.table, p.column) not in named]
    return list(dict.fromkeys([*stops, *more]))


def _as_stop(problem: Problem) -> Problem:
    reason = problem.reason
    if not contract(problem.table)[problem.column].required:
        reason += " The column is optional: what is not translated is set aside."
    return replace(problem, reason=reason, effect="stop")


def _quoted(code: str) -> str:
    """Return a code as a quoted key of TOML."""
    return '"' + code.replace("\\", "\\\\").replace('"', '\\"') + '"'
