"""Non-lead lines that a validation must draw from, and those that are exempt."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import pandas as pd

from linemap.inventory import evidence
from linemap.inventory.classes import lines_of
from linemap.published import fact
from linemap.tables import INVENTORY_CLASSES

EXEMPTIONS = ("lead replaced before", "seen at two points", "installed after the ban", "none")


def validation_exemptions(
    lines: pd.DataFrame,
    checks: pd.DataFrame | None,
    classes: pd.DataFrame,
    *,
    ban_on: str | pd.Timestamp | None = None,
    replaced: Iterable[str] = (),
) -> pd.DataFrame:
    """Return for every non-lead line whether it is exempt from validation, and why.

    Exempt are lines replaced because of lead before, lines seen at two points or more, and
    lines recorded as installed after the ban on lead pipe. A line seen at one point only, e.g.
    in the meter pit, is not exempt, and no prediction exempts a line. Nor does a year in a
    record that names lead, or no material, on a side: that it is wrong there puts the year in
    doubt as well.

    Parameters
    ----------
    lines, checks : DataFrame
        As given to :func:`classify_lines`.
    classes : DataFrame
        What it returned.
    ban_on : date, optional
        Day from which a state or local ban on lead pipe held, if earlier than the federal one.
        The record holds years, so a line counts as later from the year after.
    replaced : iterable of str
        Parcels whose lead or galvanized line was replaced along its whole length before.

    Returns
    -------
    DataFrame
        Indexed by ``parcel_id``, non-lead lines only: ``points_seen`` by the latest check of
        each side, ``exempt`` (category, ``none`` where it is not), ``basis``.

    References
    ----------
    40 CFR 141.84(b)(5), after the EPA fact sheet on validation, P101C5WZ.
    """
    pool = lines_of(classes, INVENTORY_CLASSES[2])
    index = pool.index
    seen = evidence.latest_checks(
        None if checks is None else evidence.keyed(checks, "checks"), index
    )
    points = seen["utility_points"] + seen["customer_points"]
    lines = evidence.keyed(lines, "lines")
    record = evidence.read_record(lines, index)
    named = [~np.isin(record[side], (evidence.LEAD, evidence.UNKNOWN)) for side in evidence.SIDES]
    trusted = (record["predicted"] == 0) & named[0] & named[1]
    installed = np.full(len(index), np.nan)
    if "installed_year" in lines.columns:
        years = pd.Series(
            lines["installed_year"].to_numpy(float), index=pd.Index(lines["parcel_id"])
        )
        installed = years.reindex(index).to_numpy()
    ban = pd.Timestamp(fact("inventory.ban").value if ban_on is None else ban_on)
    exempt = np.select(
        [
            index.isin(list(replaced)),
            points >= fact("inventory.points").value,
            trusted & (installed > ban.year),
        ],
        EXEMPTIONS[:3],
        EXEMPTIONS[3],
    )
    return pd.DataFrame(
        {
            "points_seen": points.astype(int),
            "exempt": pd.Categorical(exempt, categories=EXEMPTIONS),
            "basis": pool["basis"].to_numpy(),
        },
        index=index,
    )


def validation_pool(
    lines: pd.DataFrame,
    checks: pd.DataFrame | None,
    classes: pd.DataFrame,
    *,
    ban_on: str | pd.Timestamp | None = None,
    replaced: Iterable[str] = (),
) -> pd.DataFrame:
    """Return the non-lead lines from which the validation sample must be drawn.

    Parameters
    ----------
    lines, checks, classes, ban_on, replaced
        As in :func:`validation_exemptions`, with its references.

    Returns
    -------
    DataFrame
        Indexed by ``parcel_id``: ``points_seen``, ``basis``.

    Examples
    --------
    >>> from linemap.inventory import classify_lines
    >>> record = pd.DataFrame({"parcel_id": ["A", "B"], "utility_material": ["copper"] * 2,
    ...     "customer_material": ["copper"] * 2, "installed_year": [1988, 1989]})
    >>> validation_pool(record, None, classify_lines(record)).index.tolist()
    ['A']
    """
    table = validation_exemptions(lines, checks, classes, ban_on=ban_on, replaced=replaced)
    return table.loc[(table["exempt"] == "none").to_numpy(), ["points_seen", "basis"]]
