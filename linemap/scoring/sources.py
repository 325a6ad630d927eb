"""All witnesses of a city together, and what they jointly say of every home."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd
from scipy.special import expit

from linemap.scoring.evidence import Evidence, Homes
from linemap.scoring.level import level_shift
from linemap.scoring.shared import SharedCounts
from linemap.scoring.sides import (
    FOUR,
    TWO,
    SidePattern,
    Target,
    lead_weight,
    sides_told_apart,
    state_posterior,
)
from linemap.scoring.witnesses import (
    NO_WORD,
    PIPE_WORDS,
    AnswersWitness,
    CheckWitness,
    RecordWitness,
    WaterWitness,
    Witness,
)

SOURCES = ("record", "answers", "water", "check")
"""Order in which the weights of the sources are told apart."""


@dataclass(frozen=True)
class Testimony:
    """What all sources say of every home, under one set of error rates.

    Attributes
    ----------
    by_source : dict of str to ndarray, shape (n_homes, n_states)
        Log-likelihood ratio of each state against none.
    log_share : ndarray, shape (n_homes, n_states - 1)
        Log share of each lead state, given lead.
    """

    by_source: dict[str, np.ndarray]
    log_share: np.ndarray

    @cached_property
    def total(self) -> np.ndarray:
        """Sum over the sources, (n_homes, n_states)."""
        return sum(self.by_source.values(), np.zeros((len(self.log_share), 1)))

    def weight(self) -> np.ndarray:
        """Return the log-likelihood ratio of lead anywhere against none, (n_homes,)."""
        return lead_weight(self.total, self.log_share)

    def parts(self) -> dict[str, np.ndarray]:
        """Return each source's share of the weight; they add up to :meth:`weight`.

        With four states the sources meet in the states, not in "lead anywhere", so a source's
        weight is what it adds to those before it, in the fixed order of ``SOURCES``.
        """
        running = np.zeros_like(self.total)
        before = np.zeros(len(running))
        out = {}
        for name in SOURCES:
            running = running + self.by_source[name]
            after = lead_weight(running, self.log_share)
            out[name] = after - before
            before = after
        return out

    def without_each(self, before: np.ndarray) -> dict[str, np.ndarray]:
        """Return every home's log-odds with one source silent, for each source, (n_homes,).

        Parameters
        ----------
        before : ndarray, shape (n_homes,)
            Log-odds before the home's own evidence.
        """
        total = self.total
        return {
            name: before + lead_weight(total - said, self.log_share)
            for name, said in self.by_source.items()
        }


INNER = 4
"""Times that error rates and soft labels are brought in line within a round."""


class Sources:
    """The witnesses called for one city.

    Attributes
    ----------
    states : ndarray of bool, shape (n_states, 2)
    witnesses : dict of str to Witness
    pattern : SidePattern
    kind : ndarray of int, shape (n_homes,)
        Which sources of a home may teach, as bits in the order of ``SOURCES``; 0: none.
    """

    def __init__(
        self,
        evidence: Evidence,
        homes: Homes,
        target: Target = "lead",
        states: np.ndarray | None = None,
        pooled: SharedCounts | None = None,
    ) -> None:
        self.homes, self.target, self.pooled = homes, target, pooled
        if states is None:
            states = FOUR if sides_told_apart(evidence.lines, evidence.checks) else TWO
        self.states = states
        history = None if target == "lead" else _history(evidence.lines, homes)
        self.check = CheckWitness(evidence.checks, history, homes, self.states, target)
        self.record = RecordWitness(evidence.lines, homes, self.states, target, self.check.teaches)
        self.answers = AnswersWitness(
            evidence.answers, homes, self.states, _record_words(evidence.lines, homes)
        )
        self.water = WaterWitness(evidence.pairs, homes, self.states)
        self.witnesses: dict[str, Witness] = {
            "record": self.record,
            "answers": self.answers,
            "water": self.water,
            "check": self.check,
        }
        if pooled is not None and target == "lead":
            for witness in (self.record, self.answers, self.water):
                witness.start_from(pooled.tables)
        self.pattern = SidePattern(self.states)
        self.kind = np.zeros(len(homes.index), dtype=np.int64)
        for bit, name in enumerate(SOURCES):
            heard = self.check.teaches if name == "check" else self.witnesses[name].heard
            self.kind += (1 << bit) * heard

    def testimony(
        self,
        *,
        teaching: bool,
        rng: np.random.Generator | None = None,
        record_slopes: np.ndarray | None = None,
    ) -> Testimony:
        """Return what the sources say.

        Parameters
        ----------
        teaching : bool
            Leave out checks made on suspicion: they may not teach.
        rng : Generator, optional
            Draw the error rates from their posterior.
        record_slopes : ndarray, optional
            Instead of what was learned of the record.
        """
        said = {
            name: witness.weights(rng)
            for name, witness in self.witnesses.items()
            if witness is not self.record
        }
        said["record"] = self.record.weights(rng, record_slopes)
        if teaching:
            said["check"] = said["check"] * self.check.teaches[:, None]
        return Testimony(said, self.pattern.log_share(self.homes.era, rng))

    def learn(self, before: np.ndarray, *, repeats: int = INNER) -> None:
        """Learn all error rates, given each home's log-odds before its own evidence."""
        for _ in range(repeats):
            testimony = self.testimony(teaching=True)
            weight = testimony.weight()
            level = level_shift(before, weight, self.kind > 0)
            p_lead = expit(before + level + weight)
            soft = state_posterior(p_lead, testimony.total, testimony.log_share)
            for witness in self.witnesses.values():
                witness.learn(soft)
            self.pattern.learn(soft * (self.kind > 0)[:, None], self.homes.era)

    def counts(self, before: np.ndarray) -> dict[str, np.ndarray]:
        """Return the tables that other cities may start from.

        Counted on homes where somebody looked: what the rest say of a source is largely what
        the city was told of it to begin with, and must not come back as news from elsewhere.

        Parameters
        ----------
        before : ndarray, shape (n_homes,)
            Log-odds before the home's own evidence, at their level.
        """
        said = self.testimony(teaching=True)
        soft = state_posterior(expit(before + said.weight()), said.total, said.log_share)
        soft = soft * self.check.teaches[:, None]
        tables: dict[str, np.ndarray] = {}
        for witness in (self.record, self.answers, self.water):
            tables |= witness.counts(soft)
        return tables

    def level(self, before: np.ndarray) -> float:
        """Return the shift of log-odds under which all evidence is likeliest."""
        return level_shift(before, self.testimony(teaching=True).weight(), self.kind > 0)

    def adopt(self, other: Sources) -> None:
        """Take over the error rates that were learned from other homes of the same city."""
        for name, witness in self.witnesses.items():
            for attribute in witness.learned:
                setattr(witness, attribute, getattr(other.witnesses[name], attribute))
        self.pattern = other.pattern

    def names(self) -> tuple[str, ...]:
        """Return the sources that say anything."""
        return tuple(name for name in SOURCES if self.witnesses[name].heard.any())

    def describe(
        self, rng: np.random.Generator | None = None, record_slopes: np.ndarray | None = None
    ) -> dict[str, Any]:
        """Return what each source was found to be worth; drawn as in :meth:`testimony`."""
        return {
            name: self.record.describe(rng, record_slopes)
            if name == "record"
            else self.witnesses[name].describe(rng)
            for name in self.names()
        }


def _record_words(lines: pd.DataFrame, homes: Homes) -> np.ndarray:
    """Return what a resident would say who only repeats the record: its word for the entry."""
    out = np.full(len(homes.index), NO_WORD)
    row = homes.rows(lines["parcel_id"])
    for side in ("utility_material", "customer_material"):
        word = pd.Categorical(lines[side].astype(object), categories=list(PIPE_WORDS)).codes
        use = (row >= 0) & (word >= 0)
        out[row[use]] = word[use]
    return out


def _history(lines: pd.DataFrame, homes: Homes) -> pd.Series | None:
    if not len(lines) or "ever_below_lead" not in lines.columns:
        return None
    table = lines.drop_duplicates("parcel_id").set_index("parcel_id")["ever_below_lead"]
    return table.astype(object).reindex(homes.index)
