"""Pace of replacing lead and galvanized lines, held against the rule."""

from __future__ import annotations

import math
from collections.abc import Sequence
from fractions import Fraction

import pandas as pd

from linemap.errors import ArgumentError
from linemap.published import fact


def replacement_pace(
    pool: int,
    done_by_year: Sequence[int],
    *,
    found_non_lead_by_year: Sequence[int] | None = None,
) -> pd.DataFrame:
    """Hold the lines replaced so far against 10 % a year on average.

    A line counts only when its whole length is neither lead nor galvanized requiring
    replacement; a part replaced counts nothing. An unknown line found to be non-lead leaves
    the pool and is no replacement.

    Parameters
    ----------
    pool : int
        Lines at the start that are lead, galvanized requiring replacement or not known.
    done_by_year : sequence of int
        Lines replaced in program year 1, 2, ...
    found_non_lead_by_year : sequence of int, optional
        Unknown lines found to be non-lead in the same years.

    Returns
    -------
    DataFrame
        Indexed by ``program_year``: ``ends_on``, ``pool``, ``replaced``, ``percent`` [% of
        that year's pool], ``average_percent`` [% a year so far], ``needed`` [lines in that
        year to be on pace], ``judged`` and ``verdict`` (on pace, behind, not judged yet).

    Raises
    ------
    ArgumentError
        If counts are negative, or more lines are done than there are.

    References
    ----------
    EPA fact sheet on replacement, P101C1E8: 10 % a year on average over the cumulative period,
    first judged at the end of program year 3. Program years, the pool and the average of yearly
    shares are unverified (from memory of 40 CFR 141.84(d)).

    Examples
    --------
    >>> replacement_pace(1000, [60, 90, 150])["verdict"].tolist()
    ['not judged yet', 'not judged yet', 'on pace']
    """
    gone = [0] * len(done_by_year) if found_non_lead_by_year is None else found_non_lead_by_year
    if len(gone) != len(done_by_year):
        raise ArgumentError("found_non_lead_by_year must have as many years as done_by_year.")
    if pool < 0 or min([*done_by_year, *gone], default=0) < 0:
        raise ArgumentError("counts of lines cannot be negative.")
    if sum(done_by_year) + sum(gone) > pool:
        raise ArgumentError(
            f"{sum(done_by_year)} lines replaced and {sum(gone)} found non-lead are more than "
            f"the {pool} of the pool. Correct the counts."
        )
    goal = Fraction(int(fact("inventory.replacement.share_per_year").value), 100)
    first = fact("inventory.replacement.first_judged").value
    ends = pd.Timestamp(fact("inventory.replacement.first_year_ends").value)
    rows = []
    total = Fraction(0)
    left = pool
    for year, (done, found) in enumerate(zip(done_by_year, gone, strict=True), start=1):
        left -= int(found)
        behind_by = goal * year - total
        share = Fraction(int(done), left) if left else Fraction(1)
        total += share
        kept = total >= goal * year
        judged = year >= first
        rows.append(
            {
                "program_year": year,
                "ends_on": ends + pd.DateOffset(years=year - 1),
                "pool": left,
                "replaced": int(done),
                "percent": float(100 * share),
                "average_percent": float(100 * total / year),
                "needed": max(math.ceil(behind_by * left), 0),
                "judged": judged,
                "verdict": ("on pace" if kept else "behind") if judged else "not judged yet",
            }
        )
    return pd.DataFrame(rows, columns=list(_COLUMNS)).set_index("program_year")


_COLUMNS = (
    "program_year",
    "ends_on",
    "pool",
    "replaced",
    "percent",
    "average_percent",
    "needed",
    "judged",
    "verdict",
)
