"""Random samples of lines to dig up or look at.

Lines that were checked for another reason (main work, a complaint, a suspicion) must not be
mixed with a random sample: they say nothing exact about the rest.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd

from linemap.errors import ArgumentError
from linemap.inventory import limits
from linemap.inventory.classes import lines_of
from linemap.published import Fact, fact
from linemap.tables import INVENTORY_CLASSES

VALIDATION = "validation of non-lead lines"
AUDIT = "check of unknown lines"


@dataclass(frozen=True)
class SampleSize:
    """How many lines of a pool must be checked, and by which rule.

    Attributes
    ----------
    pool : int
        Lines in the pool.
    required : int
        Lines to check.
    by_formula : int
        What 95% confidence and a 5% margin would ask for, rounded up; for comparison.
    rule : str
        The rule in words.
    source : str
        Where the rule was published.
    verified : bool
        False where the number is from memory.
    """

    pool: int
    required: int
    by_formula: int
    rule: str
    source: str
    verified: bool

    def __str__(self) -> str:
        mark = "" if self.verified else " (unverified)"
        return (
            f"{self.required:,} of {self.pool:,} lines: {self.rule}{mark}, {self.source}. "
            f"The formula for 95% confidence and a 5% margin asks for {self.by_formula:,}."
        )


def validation_size(pool: int | pd.DataFrame) -> SampleSize:
    """Return how many lines of the validation pool must be checked, by the rule's table.

    Parameters
    ----------
    pool : int or DataFrame
        Lines in the pool, or the pool from :func:`validation_pool`.

    Returns
    -------
    SampleSize

    References
    ----------
    Table of 40 CFR 141.84(b)(5), kept in ``published.toml``; unverified (from memory). Two of
    its cells are recalled as either of two numbers: the one that the formula gives is used.

    Examples
    --------
    >>> validation_size(1499).required, validation_size(1500).required
    (300, 322)
    """
    lines = count_lines(pool)
    small = fact("inventory.validation_small")
    if lines < small.value["below"]:
        return _small_size(lines, small)
    table = fact("inventory.validation_table")
    row = next(row for row in reversed(table.value) if lines >= row["from"])
    to = f"{row['from']:,} to {row['to']:,}" if "to" in row else f"{row['from']:,} or more"
    doubt = f" (also recalled as {row['recalled']})" if "recalled" in row else ""
    rule = f"row {to} of the table{doubt}"
    return SampleSize(
        lines, row["required"], _by_formula(lines), rule, table.source, table.verified
    )


def audit_size(pool: int | pd.DataFrame) -> SampleSize:
    """Return how many lines of unknown status to check at random.

    Parameters
    ----------
    pool : int or DataFrame
        Lines of unknown status, or a table of them.

    Returns
    -------
    SampleSize

    References
    ----------
    Michigan EGLE 2021, minimum physical verification of unknown lines: 20% below 1,500, else
    the size for 95% confidence and a 5% margin (unverified, from memory).

    Examples
    --------
    >>> audit_size(12_000).required
    373
    """
    lines = count_lines(pool)
    known = fact("inventory.unknown_check")
    if lines < known.value["below"]:
        return _small_size(lines, known)
    size = _by_formula(lines, margin=known.value["margin"])
    rule = "95% confidence and a 5% margin"
    return SampleSize(lines, size, _by_formula(lines), rule, known.source, known.verified)


def validation_sample(
    pool: pd.DataFrame, *, seed: int, size: int | None = None, reserves: int | None = None
) -> pd.DataFrame:
    """Draw the validation sample at random, with replacements for refusals in order.

    Parameters
    ----------
    pool : DataFrame
        From :func:`validation_pool`.
    seed : int
        Seed of the draw. A larger sample of the same seed begins with the smaller one, and the
        order of the pool's rows does not matter.
    size : int, optional
        Lines to check; default by :func:`validation_size`.
    reserves : int, optional
        Replacements to list; default as many as the sample has lines. Where a home refuses,
        the first unused replacement takes its place; keep a record of both.

    Returns
    -------
    DataFrame
        Indexed by ``parcel_id`` in order of the draw: ``purpose``, ``draw_order``, ``role``
        (sample, replacement), ``pool_size``, ``sample_size``, ``inclusion_probability`` (chance
        to be drawn into the sample; missing for replacements), ``points_needed``, ``design``.

    References
    ----------
    40 CFR 141.84(b)(5): random selection, seen at two points or more. Taking the next of the
    random list for a refusal: common practice, no source.
    """
    return _draw(pool.index, validation_size(pool).required, VALIDATION, seed, size, reserves)


def audit_sample(
    classes: pd.DataFrame, *, seed: int, size: int | None = None, reserves: int | None = None
) -> pd.DataFrame:
    """Draw lines of unknown status at random, with replacements for refusals in order.

    Parameters
    ----------
    classes : DataFrame
        From :func:`classify_lines`.
    seed, size, reserves
        As in :func:`validation_sample`; ``size`` by default from :func:`audit_size`.

    Returns
    -------
    DataFrame
        As from :func:`validation_sample`.

    Examples
    --------
    >>> from linemap.inventory import classify_lines
    >>> none = pd.DataFrame({"parcel_id": [], "utility_material": [], "customer_material": []})
    >>> classes = classify_lines(none, parcel_ids=["A", "B", "C", "D", "E", "F"])
    >>> audit_sample(classes, seed=7)["role"].value_counts().to_dict()
    {'sample': 2, 'replacement': 2}
    """
    unknown = lines_of(classes, INVENTORY_CLASSES[3])
    return _draw(unknown.index, audit_size(unknown).required, AUDIT, seed, size, reserves)


def audit_list(
    classes: pd.DataFrame,
    pool: pd.DataFrame,
    *,
    seed: int,
    unknown_size: int | None = None,
    non_lead_size: int | None = None,
) -> pd.DataFrame:
    """Return the random verification sample of a run: unknown lines, then non-lead lines.

    Parameters
    ----------
    classes, pool : DataFrame
        From :func:`classify_lines` and :func:`validation_pool`.
    seed : int
        Seed of both draws.
    unknown_size, non_lead_size : int, optional
        Lines to check in each; default by the rules.

    Returns
    -------
    DataFrame
        As from :func:`validation_sample`, with ``inventory_class``, ``basis`` and ``why`` first.
    """
    drawn = pd.concat(
        [
            audit_sample(classes, seed=seed, size=unknown_size),
            validation_sample(pool, seed=seed, size=non_lead_size),
        ]
    )
    known = classes[["inventory_class", "basis", "why"]].reindex(drawn.index)
    return pd.concat([known, drawn], axis=1)


def count_lines(pool: int | pd.DataFrame) -> int:
    """Return the number of lines of a pool given as a number or a table."""
    lines = len(pool) if isinstance(pool, pd.DataFrame) else pool
    if lines < 0:
        raise ArgumentError("a pool cannot hold fewer than 0 lines.")
    return int(lines)


def _by_formula(pool: int, margin: float = 0.05) -> int:
    return math.ceil(limits.finite_population_size(pool, margin=margin)) if pool else 0


def _small_size(pool: int, known: Fact) -> SampleSize:
    percent = known.value["percent"]
    rule = f"{percent}% of a pool below {known.value['below']:,}"
    required = -(-pool * percent // 100)
    return SampleSize(pool, required, _by_formula(pool), rule, known.source, known.verified)


def _draw(
    ids: pd.Index, required: int, purpose: str, seed: int, size: int | None, reserves: int | None
) -> pd.DataFrame:
    """Return the first lines of a random order of the sorted ids."""
    size = min(required, len(ids)) if size is None else size
    if not 0 <= size <= len(ids):
        raise ArgumentError(f"a sample of {size} cannot be drawn from {len(ids)} lines.")
    reserves = min(size if reserves is None else reserves, len(ids) - size)
    if reserves < 0:
        raise ArgumentError("reserves cannot be negative.")
    order = np.random.default_rng(seed).permutation(len(ids))[: size + reserves]
    drawn = ids.sort_values()[order].rename("parcel_id")
    in_sample = np.arange(len(drawn)) < size
    design = (
        f"Simple random sample without replacement of {size:,} of {len(ids):,} lines, seed {seed}. "
        "For a refusal take the first unused replacement and record both."
    )
    return pd.DataFrame(
        {
            "purpose": purpose,
            "draw_order": np.arange(1, len(drawn) + 1),
            "role": np.where(in_sample, "sample", "replacement"),
            "pool_size": len(ids),
            "sample_size": size,
            "inclusion_probability": np.where(in_sample, size / max(len(ids), 1), np.nan),
            "points_needed": fact("inventory.points").value,
            "design": design,
        },
        index=drawn,
    )
