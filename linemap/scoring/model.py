"""The joint model: prior, place and witnesses fitted together."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any, Literal, Protocol

import numpy as np
import pandas as pd
from scipy import sparse
from scipy.special import expit
from threadpoolctl import threadpool_limits

from linemap.errors import ArgumentError, EvidenceError
from linemap.published import fact
from linemap.scoring.city_fit import fit_city
from linemap.scoring.doubts import doubts
from linemap.scoring.draws import Z90, group_counts, widened
from linemap.scoring.evidence import Evidence, describe_homes
from linemap.scoring.information import change_over_odds, joint_outcomes
from linemap.scoring.rate_draws import rate_draws
from linemap.scoring.reasons import all_sentences, top_reasons
from linemap.scoring.sides import Target
from linemap.scoring.sources import SOURCES, Sources
from linemap.scoring.support import beyond_data

PARTS = ("prior", "place", *SOURCES)

MANY_HOMES = 60_000
"""Homes beyond which error rates are drawn fewer times."""

SUREST = 34.0
"""Log-odds beyond which a probability would be rounded to 1."""


class Graph(Protocol):
    """What is needed of a place graph; see :class:`linemap.features.PlaceGraph`."""

    @property
    def unit(self) -> np.ndarray:
        """Place of each home."""

    @property
    def adjacency(self) -> sparse.csr_matrix:
        """Which places are neighbours."""

    @property
    def kind(self) -> str:
        """What a place is: stretches of street, or squares."""


@dataclass(frozen=True)
class Explanation:
    """Why one home got its probability.

    Attributes
    ----------
    parcel_id : str
    p_lead : float
    weights : dict of str to float
        Log-odds of each part; they add up to the log-odds of ``p_lead``.
    sentences : tuple of str
        Reasons, strongest first.
    counterfactual : str
        The one piece of evidence without which the probability would differ most.
    """

    parcel_id: str
    p_lead: float
    weights: dict[str, float]
    sentences: tuple[str, ...]
    counterfactual: str


class LineModel:
    """Probability that a home has a lead line, from every source at once.

    The hidden state of a home is its line. A smooth prior of building and place and a spatial
    effect say what to expect; record, answers, bottles and checks are witnesses, each with error
    rates that are learned together with the rest. Any subset of sources will do, as long as there
    are records or checks.

    Parameters
    ----------
    target : {"lead", "needs_replacement"}
        Lead on any side; or that, or galvanized pipe that may have been below lead.
    rounds : int
        Rounds of learning.
    folds : int
        Folds of spatial blocks over which priors are crossed.
    block_m : float
        Side of these blocks [m].
    draws : int
        Joint draws for intervals.
    seed : int

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
        target: Target = "lead",
        prior: Literal["spline", "trees", "both"] = "spline",
        rounds: int = 5,
        folds: int = 4,
        block_m: float = 600.0,
        draws: int = 200,
        seed: int = 1,
    ) -> None:
        self.target = target
        self.prior = prior
        self.rounds = rounds
        self.folds = folds
        self.block_m = block_m
        self.draws = draws
        self.seed = seed

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
            If features and graph do not describe the same parcels.
        """
        if len(features) != len(graph.unit):
            raise ArgumentError(
                f"features have {len(features)} parcels, the graph has {len(graph.unit)}."
            )
        if not features.index.is_unique:
            raise ArgumentError("features must have one row for each parcel_id.")
        evidence = evidence.in_order()
        self.features_, self.graph_, self.evidence_ = features, graph, evidence
        homes = describe_homes(features)
        self.sources_ = Sources(evidence, homes, self.target)
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
        for worked_out in ("_weights", "_rate_draws", "_variance"):
            vars(self).pop(worked_out, None)
        return self

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
        """
        weights = self._weights
        total = weights.to_numpy().sum(axis=1)
        variance = self._variance + float(fact("scoring.model_error").value["home"]) ** 2
        spread = Z90 * np.sqrt(variance)
        out = pd.DataFrame({"p_lead": expit(total)}, index=weights.index)
        out["p_low"] = expit(total - spread)
        out["p_high"] = np.maximum(out["p_lead"], expit(np.minimum(total + spread, SUREST)))
        out = out.join(weights)
        out = out.join(top_reasons(weights, all_sentences(self.features_, self.sources_, weights)))
        reach = max(self.city_.joint.problem.place.range_m, 500.0)
        out["beyond_data"] = beyond_data(self.features_, self.sources_.kind > 0, reach).any(axis=1)
        return out

    def expected_lead(self, groups: pd.Series) -> pd.DataFrame:
        """Return the expected number of lead lines of each group, with a 90 % interval.

        Parameters
        ----------
        groups : Series
            Group of each parcel_id; missing: in none.

        Returns
        -------
        DataFrame
            Index: groups in sorted order; columns ``expected``, ``low``, ``high`` [homes]. From
            joint draws, since homes of one place are wrong together.
        """
        aligned = groups.reindex(self.features_.index).astype("category")
        names = aligned.cat.categories
        code = aligned.cat.codes.to_numpy()
        total = self._weights.to_numpy().sum(axis=1)
        counts = group_counts(
            self.city_.x,
            self.graph_.unit,
            self.city_.draws,
            widened(total, self._variance) - (total - self.city_.before),
            self._rate_draws,
            code,
            len(names),
            np.random.default_rng([self.seed, 3]),
        )
        p = expit(total)
        inside = code >= 0
        expected = np.bincount(code[inside], weights=p[inside], minlength=len(names))
        low, high = np.quantile(counts, [0.05, 0.95], axis=1)
        return pd.DataFrame(
            {
                "expected": expected,
                "low": np.minimum(low, expected),
                "high": np.maximum(high, expected),
            },
            index=pd.Index(names, name=groups.name),
        )

    def kit_information(self) -> pd.Series:
        """Return what a kit would teach at each home: expected change of its probability.

        Returns
        -------
        Series
            In lead lines, 0 to 1/2: over every outcome of two bottles and a form, as likely as
            the model holds it, the mean absolute change of ``p_lead``.
        """
        log_odds = self._weights.to_numpy().sum(axis=1)
        bottles = self.sources_.water.cell_shares()
        form = self.sources_.answers.joint_shares()
        lead_form = np.einsum("s,wsa->wa", self.sources_.pattern.overall(), form[:, 1:])
        solder, word = self.sources_.water.solder_of_home, self.sources_.answers.record_word
        out = np.zeros(len(log_odds))
        for s in np.unique(solder):
            for w in np.unique(word):
                here = (solder == s) & (word == w)
                out[here] = change_over_odds(
                    log_odds[here],
                    joint_outcomes(bottles[s, 1], lead_form[w]),
                    joint_outcomes(bottles[s, 0], form[w, 0]),
                )
        return pd.Series(out, index=self.features_.index, name="kit_information")

    def explain(self, parcel_id: str) -> Explanation:
        """Return why one home got its probability.

        Raises
        ------
        ArgumentError
            If there is no such parcel.
        """
        if parcel_id not in self.features_.index:
            raise ArgumentError(f"there is no parcel {parcel_id!r}.")
        at = int(self.features_.index.get_indexer(pd.Index([parcel_id]))[0])
        weights = self._weights
        row = weights.iloc[at]
        sentences = {
            name: words[at]
            for name, words in all_sentences(self.features_, self.sources_, weights).items()
        }
        total = float(row.sum())
        size = {n: abs(float(row[f"weight_{n}"])) for n in PARTS if sentences[n]}
        order = sorted(size, key=lambda name: -size[name])
        without = {
            name: float(expit(total - row[f"weight_{name}"])) for name in SOURCES if name in size
        }
        if without:
            most = max(without, key=lambda name: abs(without[name] - expit(total)))
            text = (
                f"without the {most}, the probability would be {without[most]:.0%} "
                f"instead of {expit(total):.0%}"
            )
        else:
            text = "no record, answer, bottle or check speaks of this home itself"
        return Explanation(
            parcel_id,
            float(expit(total)),
            {name: float(row[f"weight_{name}"]) for name in PARTS},
            tuple(sentences[name] for name in order),
            text,
        )

    def describe(self) -> dict[str, Any]:
        """Return the sources used, what was learned of them, the place effect and warnings."""
        place = self.city_.joint.problem.place
        return {
            "target": self.target,
            "homes": len(self.features_),
            "sources": list(self.sources_.names()),
            "states": len(self.sources_.states),
            "place": {
                "kind": self.graph_.kind,
                "sd": place.sd,
                "range_m": place.range_m,
                "stretch": self.city_.anchor.stretch,
                "shift": self.city_.anchor.shift,
                "units": int(self.graph_.adjacency.shape[0]),
            },
            "witnesses": self.sources_.describe(),
            "warnings": doubts(self.sources_, self.city_),
        }
