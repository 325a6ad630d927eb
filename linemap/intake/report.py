"""What was set aside and why, as a table and in sentences."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import pandas as pd

from linemap.errors import Problem
from linemap.tables import contract


def quarantine_table(problems: Iterable[Problem]) -> pd.DataFrame:
    """Return every row and value that was set aside, and every note, one by one.

    Parameters
    ----------
    problems : iterable of Problem

    Returns
    -------
    DataFrame
        By the ``quarantine`` contract, all text; row is empty for a whole column or file.

    Examples
    --------
    >>> quarantine_table([Problem("k.csv", "kits", "kit_id", "3", "", "a", "b", "row")])["row"][0]
    '3'
    """
    names = list(contract("quarantine"))
    listed = [p for p in problems if p.effect != "stop"]
    return pd.DataFrame({name: [getattr(p, name) for p in listed] for name in names}, dtype=object)


def summarize_problems(problems: Iterable[Problem], *, rows: int = 5) -> list[str]:
    """Say what was found, one sentence for each kind of problem.

    Parameters
    ----------
    problems : iterable of Problem
    rows : int, default 5
        Row numbers that are named for each kind.

    Returns
    -------
    list of str
        In the order in which the kinds were first met.

    Examples
    --------
    >>> twice = [Problem("k.csv", "kits", "kit_id", str(n), "A", "taken.", "Fix.") for n in (2, 5)]
    >>> summarize_problems(twice)
    ['k.csv, table kits, column kit_id, rows 2, 5 [A]: taken. Fix.']
    """
    kinds: dict[Any, list[Problem]] = {}
    counts: dict[Any, int] = {}
    for problem in problems:
        kind = (problem.file, problem.table, problem.column, problem.reason, problem.effect)
        counts[kind] = counts.get(kind, 0) + 1
        if counts[kind] <= rows:
            kinds.setdefault(kind, []).append(problem)
    lines = []
    for kind, some in kinds.items():
        if counts[kind] == 1:
            lines.append(str(some[0]))
            continue
        named = ", ".join(p.row for p in some)
        more = counts[kind] - len(some)
        named += f" and {more:,} more" if more else ""
        first = str(some[0])
        lines.append(first.replace(f"row {some[0].row}", f"rows {named}", 1))
    return lines
