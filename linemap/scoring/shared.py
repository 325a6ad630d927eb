"""What cities tell each other of their witnesses: sums over homes, never a home.

A city with few checks knows little of how often its records are wrong. Other cities of the same
run may tell it: each gives a few small tables of counts, these are added up, and the error rates
of the city start from what the others' counts say instead of from the published rates. How far
its own homes then move them stays as it was, but for the level of the record's errors: it is held
the tighter, the more the others know. A city never hears its own counts again.

References
----------
Dawid and Skene (1979), Journal of the Royal Statistical Society C 28: error rates from soft counts.
Gelman and Hill (2007), Data Analysis Using Regression and Multilevel/Hierarchical Models, ch. 12:
partial pooling of groups.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from linemap.errors import ArgumentError
from linemap.scoring.witnesses import COUNT_SHAPES

if TYPE_CHECKING:
    from linemap.scoring.model import LineModel

DIGITS = 3
"""Decimals of a count: enough for a rate, and the same on every machine."""


@dataclass(frozen=True)
class SharedCounts:
    """Counts of what the witnesses of some cities said, split over what the lines may be.

    Attributes
    ----------
    cities : int
        Number of cities that were added up.
    tables : dict of str to ndarray
        Soft counts [homes] by table, of the shapes in
        :data:`linemap.scoring.witnesses.COUNT_SHAPES`.
    """

    cities: int
    tables: Mapping[str, np.ndarray]

    @classmethod
    def of(cls, model: LineModel) -> SharedCounts:
        """Return what a fitted city may tell others of its witnesses."""
        tables = model.sources_.counts(model.city_.before)
        return cls(1, {name: table.round(DIGITS) for name, table in tables.items()})

    @classmethod
    def total(cls, parts: Iterable[SharedCounts]) -> SharedCounts | None:
        """Return the sum of several; None of nothing."""
        told = list(parts)
        if not told:
            return None
        tables = {
            name: sum((one.tables[name] for one in told), np.zeros(shape)).round(DIGITS)
            for name, shape in COUNT_SHAPES.items()
        }
        return cls(sum(one.cities for one in told), tables)

    def to_dict(self) -> dict[str, Any]:
        """Return plain numbers, as kept in ``run.json``, with their hash."""
        tables = {name: np.asarray(self.tables[name]).tolist() for name in COUNT_SHAPES}
        plain = {"cities": self.cities, "tables": tables}
        return {**plain, "sha256": _hash(plain)}

    @classmethod
    def from_dict(cls, plain: Any) -> SharedCounts:
        """Return what :meth:`to_dict` wrote.

        Raises
        ------
        ArgumentError
            If it was changed since, or is something else.
        """
        remedy = "Run all cities again, or leave the record as it was written."
        try:
            cities, given = int(plain["cities"]), plain["tables"]
            tables = {name: np.array(given[name], dtype=float) for name in COUNT_SHAPES}
        except (KeyError, TypeError, ValueError):
            raise ArgumentError(f"the counts of other cities cannot be read. {remedy}") from None
        fits = all(tables[name].shape == shape for name, shape in COUNT_SHAPES.items())
        if not fits or not all((np.isfinite(t) & (t >= 0)).all() for t in tables.values()):
            raise ArgumentError(f"the counts of other cities are no counts. {remedy}")
        out = cls(cities, tables)
        if out.to_dict()["sha256"] != plain.get("sha256"):
            raise ArgumentError(f"the counts of other cities do not have their hash. {remedy}")
        return out


def _hash(plain: dict[str, Any]) -> str:
    return hashlib.sha256(json.dumps(plain, sort_keys=True).encode()).hexdigest()
