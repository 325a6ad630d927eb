"""The joint model: prior, place and witnesses fitted together."""

from __future__ import annotations

from collections.abc import Iterator
from copy import copy
from functools import cached_property
from typing import Any, Literal

import numpy as np
import pandas as pd
from scipy.special import expit, logit
from threadpoolctl import threadpool_limits

from linemap.errors import ArgumentError, EvidenceError
from linemap.published import fact
from linemap.scoring.city_fit import fit_city
from linemap.scoring.doubts import doubts
from linemap.scoring.draws import drawn_chances, expected_counts, interval, widened
from linemap.scoring.evidence import Evidence, describe_homes
from linemap.scoring.explanation import Explanation, explanation, most_telling
from linemap.scoring.galvanized import (
    either,
    evidence_without_lead,
    speaks_of_galvanized,
    variance_of_either,
)
from linemap.scoring.information import kit_change
from linemap.scoring.options import refuse_other_homes, refuse_wrong_options
from linemap.scoring.place import Graph
from linemap.scoring.rate_draws import described, rate_draws
from linemap.scoring.reasons import all_sentences, top_reasons
from linemap.scoring.shared import SharedCounts
from linemap.scoring.sides import Target, state_posterior
from linemap.scoring.sources import SOURCES, Sources
from linemap.scoring.support import beyond_data

PARTS = ("prior", "place", *SOURCES)

MANY_HOMES = 60_000
"""Homes beyond which error rates are drawn fewer times."""


class LineModel:
    """Probability that a home has a lead line, from every source at once.

    The hidden state of a home is its line. A smooth prior of building and place and a spatial
    effect say what to expect; record, answers, bottles and checks are witnesses, each with error
    rates that are learned together with the rest. Any subset of sources will do, as long as there
    are records or checks.

    Parameters
    ----------
    target : {"lead", "needs_replacement", "galvanized"}
        Lead on any side. Or, beside that, what needs replacement: lead, or galvanized pipe that
        is or may have been below lead; scores then have three columns more. "galvanized" is the
        second half of that alone, fitted to what is known of lines without lead.
    rounds : int
        Rounds of learning.
    folds : int
        Folds of spatial blocks over which priors are crossed.
    block_m : float
        Side of these blocks [m].
    draws : int
        Joint draws for intervals.
    seed : int
    pooled : SharedCounts, optional
        What the witnesses of other cities said: error rates start from there.

    Attributes
    ----------
    sources_ : Sources
        The witnesses with what they learned.
    city_ : CityFit
        Curves, places and their draws.
    prior_, place_ : ndarray, shape (n_homes,)
        Log-odds of building, use and size, fitted without the home's own block; and what the
        evidence around the home adds. Neither has heard the home itself.

    Notes
    -----
    A probability is no finding: it never changes the class of a line in the inventory, and a low
    one cannot rule out lead.

    References
    ----------
    Dawid and Skene (1979), Journal of the Royal Statistical Society C 28: error rates of
    observers without a known truth.
    Rue, Martino and Chopin (2009), Journal of the Royal Statistical Society B 71: Laplace
    approximations for latent Gaussian fields.
    """

    def __init__(
        self,
        *,
        target: Target | Literal["needs_replacement"] = "lead",
        prior: Literal["spline", "trees", "both"] = "spline",
        rounds: int = 5,
        folds: int = 4,
        block_m: float = 600.0,
        draws: int = 200,
        seed: int = 1,
        pooled: SharedCounts | None = None,
    ) -> None:
        self.target = target
        self.prior = prior
        self.rounds = rounds
        self.folds = folds
        self.block_m = block_m
        self.draws = draws
        self.seed = seed
        self.pooled = pooled

    def fit(self, features: pd.DataFrame, graph: Graph, evidence: Evidence) -> LineModel:
        """Fit prior, place and witnesses together.

        Parameters
        ----------
        features : DataFrame
            Of :func:`linemap.features.build_features`, indexed by parcel_id.
        graph : PlaceGraph
            Of :func:`linemap.features.build_graph`, same parcels in the same order.
        evidence : Evidence

        Returns
        -------
        LineModel
            Itself.

        Raises
        ------
        EvidenceError
            If there is neither a record nor a check to learn from.
        ArgumentError
            If features and graph do not describe the same parcels, or an option means nothing.
        """
        refuse_wrong_options(vars(self))
        refuse_other_homes(features, len(graph.unit))
        evidence = evidence.in_order()
        self.features_, self.graph_, self.evidence_ = features, graph, evidence
        kind: Target = "galvanized" if self.target == "galvanized" else "lead"
        self.sources_ = Sources(evidence, describe_homes(features), kind, pooled=self.pooled)
        if not (self.sources_.record.heard.any() or self.sources_.check.teaches.any()):
            raise EvidenceError(
                "There is neither a city record with a known material nor a field check to learn "
                "from, so no probability would mean anything. Bring the table lines or the table "
                "checks; checks made because lead was suspected do not suffice."
            )
        with threadpool_limits(limits=1):
            self.city_ = fit_city(
                features,
                graph.unit,
                graph.adjacency,
                evidence,
                self.sources_,
                prior=self.prior,
                rounds=self.rounds,
                folds=self.folds,
                block_m=self.block_m,
                n_draws=self.draws,
                seed=self.seed,
            )
        self.prior_ = self.city_.prior
        self.place_ = self.city_.before - self.city_.prior
        for worked_out in ("_weights", "_log_odds", "_telling", "_rate_draws", "_variance"):
            vars(self).pop(worked_out, None)
        self.galvanized_ = self._fit_galvanized() if self.target == "needs_replacement" else None
        return self

    def _fit_galvanized(self) -> LineModel | None:
        """Fit the chance of galvanized pipe to be replaced on lines without lead."""
        p_lead = pd.Series(self._p_lead, self.features_.index)
        told = evidence_without_lead(self.evidence_, p_lead)
        if not speaks_of_galvanized(told):
            return None
        beside = copy(self)
        beside.target = "galvanized"
        try:
            return beside.fit(self.features_, self.graph_, told)
        except EvidenceError:  # it was seen on suspicion alone, so nothing can be learned of it
            return None

    @cached_property
    def _log_odds(self) -> np.ndarray:
        """Sum of the weights of each home."""
        return np.asarray(self._weights.to_numpy().sum(axis=1))

    @property
    def _p_lead(self) -> np.ndarray:
        """Chance of the line being of the kind that was fitted, lead as a rule."""
        return np.asarray(expit(self._log_odds))

    @property
    def _p_replace(self) -> np.ndarray:
        """Chance of lead or, on a line without it, of galvanized pipe to be replaced."""
        beside = self.galvanized_
        return self._p_lead if beside is None else either(self._p_lead, beside._p_lead)

    def weights(self) -> pd.DataFrame:
        """Return the weights of all parts [log-odds], one column ``weight_<part>`` each."""
        return self._weights.copy()

    @cached_property
    def _weights(self) -> pd.DataFrame:
        """Weights of all parts, worked out once for each fit."""
        parts = {"prior": self.prior_, "place": self.place_}
        parts |= self.sources_.testimony(teaching=False).parts()
        return pd.DataFrame(
            {f"weight_{name}": parts[name] for name in PARTS}, index=self.features_.index
        )

    @cached_property
    def _telling(self) -> pd.DataFrame:
        """The source without which each home's probability would differ most."""
        testimony = self.sources_.testimony(teaching=False)
        without = testimony.without_each(self.city_.before)
        return most_telling(self._log_odds, without).set_axis(self.features_.index)

    @cached_property
    def _rate_draws(self) -> list[np.ndarray]:
        """What the sources say under draws of their error rates; only intervals need them."""
        return rate_draws(
            self.sources_,
            self.city_.before,
            n_draws=40 if len(self.features_) <= MANY_HOMES else 12,
            rng=np.random.default_rng([self.seed, 2]),
        )

    @cached_property
    def _variance(self) -> np.ndarray:
        """Posterior variance of each home's log-odds, for curves, places and error rates."""
        return np.asarray(self.city_.variance + np.var(self._rate_draws, axis=0))

    def score(self) -> pd.DataFrame:
        """Return probability, interval, weights and reasons of every home.

        Returns
        -------
        DataFrame
            Contract ``scores`` without ``area_id``, ``inventory_class`` and ``basis``. The
            weights add up to the log-odds of ``p_lead``; ``p_low`` to ``p_high`` is a 90 %
            interval of the probability, for what is not known of curves, places and error rates.
            With the target "needs_replacement" also ``p_replace`` with its ``p_replace_low`` and
            ``p_replace_high``: lead, or galvanized pipe to be replaced. It is never below
            ``p_lead``.
        """
        weights = self._weights
        out = interval(self._log_odds, self._home_variance())
        out.index, out.columns = weights.index, ["p_lead", "p_low", "p_high"]
        out = out.join(weights)
        out = out.join(top_reasons(weights, all_sentences(self.features_, self.sources_, weights)))
        reach = max(self.city_.joint.problem.place.range_m, 500.0)
        out = out.join(self._telling)
        out["beyond_data"] = beyond_data(self.features_, self.sources_.kind > 0, reach).any(axis=1)
        if self.target == "needs_replacement":
            out = out.join(self._replacement())
        return out

    def _home_variance(self) -> np.ndarray:
        """Variance of single homes' log-odds: what is not known, and what no model of them has."""
        return self._variance + float(fact("scoring.model_error").value["home"]) ** 2

    def _replacement(self) -> pd.DataFrame:
        """Chance that a line needs replacement, with its interval."""
        whole, variance, beside = self._p_replace, self._home_variance(), self.galvanized_
        if beside is not None:
            variance = variance_of_either(
                self._p_lead, beside._p_lead, variance, beside._home_variance()
            )
        out = interval(logit(whole), variance).assign(p=whole).set_index(self.features_.index)
        return out.set_axis(["p_replace", "p_replace_low", "p_replace_high"], axis=1)

    def expected_lead(self, groups: pd.Series, *, level: float = 0.9) -> pd.DataFrame:
        """Return the expected number of lead lines of each group, with an interval.

        Parameters
        ----------
        groups : Series
            Group of each parcel_id; missing: in none.
        level : float
            Chance that the interval holds the true number.

        Returns
        -------
        DataFrame
            Index: groups in sorted order; columns ``expected``, ``low``, ``high`` [homes]. From
            joint draws, since homes of one place are wrong together.
        """
        return self._group_counts(groups, self._p_lead, self._chances(), level)

    def expected_replacements(self, groups: pd.Series) -> pd.DataFrame:
        """Return the expected number of lines of each group that need replacement.

        Parameters
        ----------
        groups : Series
            Group of each parcel_id; missing: in none.

        Returns
        -------
        DataFrame
            As of :meth:`expected_lead`: lead, or galvanized pipe to be replaced.

        Raises
        ------
        ArgumentError
            If the target is not "needs_replacement".
        """
        if self.target != "needs_replacement":
            raise ArgumentError(
                "this model was fitted for lead alone. Fit it with target='needs_replacement'."
            )
        if self.galvanized_ is None:
            return self.expected_lead(groups)
        chances = (
            (rows, either(lead, other))
            for (rows, lead), (_, other) in zip(
                self._chances(), self.galvanized_._chances(), strict=True
            )
        )
        return self._group_counts(groups, self._p_replace, chances)

    def _chances(self) -> Iterator[tuple[slice, np.ndarray]]:
        """Chance of every home in joint draws of all that is not known, by chunks of homes."""
        own_evidence = self._log_odds - self.city_.before
        centre = widened(self._log_odds, self._variance) - own_evidence
        return drawn_chances(
            self.city_.x, self.graph_.unit, self.city_.draws, centre, self._rate_draws
        )

    def _group_counts(
        self,
        groups: pd.Series,
        p: np.ndarray,
        chances: Iterator[tuple[slice, np.ndarray]],
        level: float = 0.9,
    ) -> pd.DataFrame:
        """Sum chances by group, with an interval from joint draws."""
        rng = np.random.default_rng([self.seed, 3])
        return expected_counts(groups.reindex(self.features_.index), p, chances, rng, level)

    def kit_information(self) -> pd.Series:
        """Return what a kit would teach at each home: expected change of its probability.

        Returns
        -------
        Series
            In lead lines, 0 to 1/2: over every outcome of two bottles and a form, as likely as
            the model holds it, the mean absolute change of ``p_lead``.
        """
        change = kit_change(self._log_odds, self.sources_)
        return pd.Series(change, index=self.features_.index, name="kit_information")

    def explain(self, parcel_id: str) -> Explanation:
        """Return why one home got its probability.

        Raises
        ------
        ArgumentError
            If there is no such parcel.
        """
        if parcel_id not in self.features_.index:
            raise ArgumentError(f"there is no parcel {parcel_id!r}.")
        sentences = all_sentences(self.features_, self.sources_, self._weights)
        at = int(self.features_.index.get_indexer(pd.Index([parcel_id]))[0])
        said = {name: words[at] for name, words in sentences.items()}
        return explanation(parcel_id, self._weights.iloc[at], said, self._telling.iloc[at])

    def sides(self) -> pd.DataFrame:
        """Return the chance of lead on each side: ``p_utility``, ``p_customer``.

        Where nothing tells the sides apart both are the chance of lead anywhere.
        """
        testimony = self.sources_.testimony(teaching=False)
        states = state_posterior(self._p_lead, testimony.total, testimony.log_share)
        chance = np.minimum(states @ self.sources_.states, 1.0)
        return pd.DataFrame(chance, self.features_.index, ["p_utility", "p_customer"])

    def describe(self) -> dict[str, Any]:
        """Return the sources used, what was learned of them, the place effect and warnings."""
        wider, rng = {}, np.random.default_rng([self.seed, 4])
        if self.target == "needs_replacement":
            everywhere = pd.Series("(city)", self.features_.index)
            city = self.expected_replacements(everywhere).iloc[0].round(1)
            wider["needs_replacement"] = city.to_dict()
        return {
            "target": self.target,
            "homes": len(self.features_),
            "sources": list(self.sources_.names()),
            "states": len(self.sources_.states),
            "place": {
                "kind": self.graph_.kind,
                **self.city_.describe_place(),
                "units": int(self.graph_.adjacency.shape[0]),
            },
            "witnesses": described(self.sources_, self.city_.before, n_draws=self.draws, rng=rng),
            "warnings": doubts(self.sources_, self.city_),
            **wider,
        }
