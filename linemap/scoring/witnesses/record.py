"""The city record: often right, often missing, wrong at rates that differ by era and place."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from linemap.published import fact
from linemap.scoring.evidence import ERAS, Homes
from linemap.scoring.sides import UNKNOWN, Target, counts_as_target, side_codes
from linemap.scoring.witnesses.card_words import PAIRS, CardWords, word_codes, year_bins
from linemap.scoring.witnesses.code_table import shares, shrunk_counts, soft_counts
from linemap.scoring.witnesses.error_rate import ErrorRate

SIDES_KNOWN = ("neither", "utility only", "customer only", "both")
YEAR_KNOTS = np.array([1900.0, 1920.0, 1940.0, 1960.0, 1980.0, 2000.0])
"""Years between which error rates run smoothly."""

DECADES = np.arange(YEAR_KNOTS[0], YEAR_KNOTS[-1] + 1.0, 10.0)
RATES = ("false_lead", "missed_lead")
RECORD_COUNTS = {rate: (2, len(DECADES) + 1, 2) for rate in RATES}
"""Tables to share, for each rate: main renewed or not, decade (last: not known), right or wrong."""

MIDDLE_YEAR, GENERATION = 1940.0, 25.0


def year_columns(year: np.ndarray) -> np.ndarray:
    """Return what error rates know of the building year: a slope, a bend at each knot, or none.

    Parameters
    ----------
    year : ndarray, shape (n,)
        NaN where it is not known.

    Returns
    -------
    ndarray, shape (n, 2 + number of knots)
        Slope [per 25 years from 1940], nearness to each knot (shares that add up to 1), and 1
        where the year is not known.

    Examples
    --------
    >>> year_columns(np.array([1930.0, np.nan])).round(2).tolist()[0]
    [-0.4, 0.0, 0.5, 0.5, 0.0, 0.0, 0.0, 0.0]
    """
    known = np.isfinite(year)
    at = np.where(known, np.clip(year, YEAR_KNOTS[0], YEAR_KNOTS[-1]), YEAR_KNOTS[0])
    hats = np.stack([np.interp(at, YEAR_KNOTS, row) for row in np.eye(len(YEAR_KNOTS))], axis=1)
    out = np.column_stack([(at - MIDDLE_YEAR) / GENERATION, hats, ~known])
    out[~known, :-1] = 0.0
    return out


class RecordWitness:
    """What the record says of both sides, given what the line is.

    Two questions are asked in turn. Does the record say lead on a side of which it says
    anything, where that is so and where it is not: two error rates that run smoothly over the
    building year and differ by neighbourhood and where the main was renewed. And if so, which of
    the two sides does it name, in each state; if not, which other material, see
    :mod:`linemap.scoring.witnesses.card_words`. Blank entries carry no weight: shares are taken
    among records with the same sides filled in.

    Parameters
    ----------
    lines : DataFrame
    homes : Homes
    states : ndarray of bool, shape (n_states, 2)
    target : {"lead", "galvanized"}
    looked : ndarray of bool, shape (n_homes,), optional
        Homes where somebody looked at the line, and not because lead was suspected.
    """

    name = "record"
    learned: tuple[str, ...] = ("false_lead", "missed_lead", "names", "words")

    def __init__(
        self,
        lines: pd.DataFrame,
        homes: Homes,
        states: np.ndarray,
        target: Target = "lead",
        looked: np.ndarray | None = None,
    ) -> None:
        self.homes, self.states = homes, states
        n = len(homes.index)
        side = np.full((n, 2), UNKNOWN)
        self.word = np.full(n, len(PAIRS) - 1)
        yes = np.zeros((n, 2), dtype=bool)
        row = homes.rows(lines["parcel_id"])
        ours = row >= 0
        for s, column in enumerate(("utility_material", "customer_material")):
            code = side_codes(lines[column])
            side[row[ours], s] = code[ours]
            yes[row[ours], s] = counts_as_target(code, lines.get("ever_below_lead"), target)[ours]
        words = word_codes(lines["utility_material"], lines["customer_material"])
        self.word[row[ours]] = words[ours]
        known = side != UNKNOWN
        self.known: np.ndarray = np.asarray(known[:, 0] + 2 * known[:, 1])
        self.heard: np.ndarray = np.asarray(self.known > 0)
        self.says_lead: np.ndarray = np.asarray(yes.any(axis=1))
        self.named = yes[:, 0] + 2 * yes[:, 1]
        visible = np.array(
            [[bool(u and k & 1) or bool(c and k & 2) for u, c in states] for k in range(4)]
        )
        self.visible = visible[self.known[self.heard]]
        self.false_lead, self.missed_lead = (
            self._rate(
                fact(f"scoring.record.{name}").value, fact(f"scoring.record.{name}_spread").value
            )
            for name in (f"false_{target}", "missed_lead")
        )
        self.names_strength = float(fact("scoring.record.names_strength").value)
        self.names_default = self._names_default()
        self.names = self.names_strength * self.names_default
        self.words = CardWords.none()
        self.quiet = self.heard & ~self.says_lead & (target == "lead")
        self.quiet_words = self.word[self.quiet], year_bins(homes.year[self.quiet])
        self.quiet_visible = self.visible[self.quiet[self.heard]]
        self.looked = np.zeros(n, dtype=bool) if looked is None else looked
        self._sort_into_kinds()

    def _sort_into_kinds(self) -> None:
        """Find homes with a record that are alike in area, year and main: they err alike."""
        heard = self.heard
        area, renewed = self.homes.area[heard], self.homes.renewed_main[heard]
        years, year = np.unique(self.homes.year[heard], return_inverse=True)
        alike = (area.astype(np.int64) * 2 + renewed) * max(len(years), 1) + year
        _, first, self.kind = np.unique(alike, return_index=True, return_inverse=True)
        self.area, self.era = area[first], self.homes.era[heard][first]
        columns = [np.ones(len(first)), renewed[first], year_columns(years)[year[first]]]
        self.columns = np.column_stack(columns)

    def _rate(self, stated: dict[str, float], spread: dict[str, float]) -> ErrorRate:
        """Return an error rate as it is stated, before anything was learned."""
        knots = len(YEAR_KNOTS)
        return ErrorRate(
            [stated["level"], stated["renewed_main"], *[0.0] * (knots + 2)],
            [spread["level"], spread["renewed_main"], spread["year_slope"]]
            + [spread["year_bend"]] * knots
            + [spread["no_year"]],
            self.homes.n_areas,
            spread["area"],
        )

    def _names_default(self) -> np.ndarray:
        """Return the stated shares of the sides named, by state, (n_states, 4); 0 not used."""
        right = float(fact("scoring.record.names_right_side").value)
        out = np.zeros((len(self.states), 4))
        for k, (utility, customer) in enumerate(self.states):
            truth = int(utility) + 2 * int(customer)
            out[k, 1:] = (1 - right) / 2
            out[k, truth if truth else 3] = right
        return out

    def learn(self, soft: np.ndarray) -> None:
        """Learn how often the record says lead where it is not so, and misses it where it is."""
        heard = self.heard
        if not heard.any():
            return
        lead, other = self._split(self._without_words(soft))
        says = self.says_lead[heard]
        self.false_lead.learn(self.columns, self.area, *self._by_kind(other * says, other))
        self.missed_lead.learn(self.columns, self.area, *self._by_kind(lead * ~says, lead))
        both = heard & (self.known == 3) & self.says_lead
        self.names = shrunk_counts(
            soft_counts(self.named[both], soft[both], 4)[0],
            self.names_default,
            self.names_strength,
        )

        quiet = self.quiet[heard]
        missed, other = (part[quiet] for part in self._split(soft))
        self.words = CardWords.of(*self.quiet_words, other, missed * self.looked[self.quiet])

    def _by_kind(self, *counts: np.ndarray) -> list[np.ndarray]:
        """Sum counts of homes with a record by their kind, each (n_kinds,)."""
        return [np.bincount(self.kind, count, len(self.area)) for count in counts]

    def rates(
        self, rng: np.random.Generator | None = None, slopes: np.ndarray | None = None
    ) -> tuple[np.ndarray, np.ndarray]:
        """Return how often records of each home with one err: false lead, missed lead.

        Parameters
        ----------
        rng, slopes
            As of :meth:`weights`.

        Returns
        -------
        false_lead, missed_lead : ndarray, shape (n_heard,)
        """
        false_lead, missed = self._rates_of_kinds(rng, slopes)
        return false_lead[self.kind], missed[self.kind]

    def _rates_of_kinds(
        self, rng: np.random.Generator | None = None, slopes: np.ndarray | None = None
    ) -> list[np.ndarray]:
        parts = [None, None] if slopes is None else np.split(slopes, 2)
        both = (self.false_lead, self.missed_lead)
        return [
            rate.rate(self.columns, self.area, rng, part)
            for rate, part in zip(both, parts, strict=True)
        ]

    def _said_by_words(self, rng: np.random.Generator | None = None) -> np.ndarray:
        """Return what other materials than lead add to each state, (n_quiet, n_states)."""
        return self.quiet_visible * self.words.weight(*self.quiet_words, rng)[:, None]

    def _without_words(self, soft: np.ndarray) -> np.ndarray:
        """Return the posterior of each state as if cards without lead named no material.

        An error rate that heard them would take up what they say and drift.
        """
        out, told = soft.copy(), soft[self.quiet]
        unheard = told * np.exp(-self._said_by_words())
        out[self.quiet] = unheard * (told.sum(axis=1) / unheard.sum(axis=1))[:, None]
        return out

    def counts(self, soft: np.ndarray) -> dict[str, np.ndarray]:
        """Return the tables ``RECORD_COUNTS``."""
        heard = self.heard
        lead, other = self._split(soft)
        year, says = self.homes.year[heard], self.says_lead[heard]
        decade = np.rint((np.clip(year, DECADES[0], DECADES[-1]) - DECADES[0]) / 10.0)
        decade = np.where(np.isfinite(year), decade, len(DECADES)).astype(int)
        out = {}
        for rate, weight, wrong in zip(RATES, (other, lead), (says, ~says), strict=True):
            out[rate] = np.zeros(RECORD_COUNTS[rate])
            place = (self.homes.renewed_main[heard], decade, wrong.astype(int))
            np.add.at(out[rate], place, weight)
        return out

    def start_from(self, counts: Mapping[str, np.ndarray]) -> None:
        """Start from the error rates that fit the counts of other cities best."""
        between = float(fact("scoring.record.between_cities").value)
        cells = np.indices(RECORD_COUNTS["false_lead"]).reshape(3, -1)
        year = np.append(DECADES, np.nan)[cells[1]]
        columns = np.column_stack([np.ones(len(year)), cells[0], year_columns(year)])
        for name, rate in zip(RATES, (self.false_lead, self.missed_lead), strict=True):
            told = counts[name].ravel()
            rate.start_from(columns, told * (cells[2] == 1), told, between)

    def _split(self, soft: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return how far each home with a record has lead on a side of which it speaks, or not."""
        lead = np.where(self.visible, soft[self.heard], 0.0).sum(axis=1)
        return lead, soft[self.heard].sum(axis=1) - lead

    @property
    def slopes(self) -> np.ndarray:
        """Coefficients of both error rates, false lead first."""
        return np.concatenate([self.false_lead.slope_, self.missed_lead.slope_])

    @property
    def precision(self) -> np.ndarray:
        """Stated precision of each of the :attr:`slopes`."""
        return np.concatenate([self.false_lead.precision, self.missed_lead.precision])

    def pulls(self, soft: np.ndarray) -> np.ndarray:
        """Return how each home's record pulls at the :attr:`slopes`, (n_homes, n_slopes).

        The derivative of its log-likelihood, the state summed out.
        """
        lead, other = self._split(soft)
        says, (false_rate, missed_rate) = self.says_lead[self.heard], self.rates()
        wrong, missed = other * (says - false_rate), lead * (~says - missed_rate)
        columns = self.columns[self.kind]
        width = columns.shape[1]
        out = np.zeros((len(self.heard), 2 * width))
        out[self.heard, :width] = columns * wrong[:, None]
        out[self.heard, width:] = columns * missed[:, None]
        return out

    def weights(
        self, rng: np.random.Generator | None = None, slopes: np.ndarray | None = None
    ) -> np.ndarray:
        """Return log-likelihood ratios of each state against none, (n_homes, n_states).

        Parameters
        ----------
        rng : Generator, optional
            Draw the neighbourhoods' part of the error rates, and the sides and materials named.
        slopes : ndarray, optional
            Instead of the learned :attr:`slopes`: they are drawn with the level of the odds.
        """
        out = np.zeros((len(self.heard), len(self.states)))
        heard = self.heard
        false_lead, missed = self._rates_of_kinds(rng, slopes)
        ratio = np.log(np.stack([missed / (1 - false_lead), (1 - missed) / false_lead]))
        says = self.says_lead[heard].astype(int)
        out[heard] = self.visible * ratio[says, self.kind][:, None]
        both = heard & (self.known == 3) & self.says_lead
        if both.any():
            names = np.log(shares(self.names[:, 1:], rng))
            out[both] += (names - names[0]).T[self.named[both] - 1]
        out[self.quiet] += self._said_by_words(rng)
        return out

    def words_ratio(self) -> np.ndarray:
        """Return how often cards that miss a lead line say what each home's says, (n_homes,).

        Times as often as those of lines without lead; 1 where the card names lead or nothing.
        """
        out = np.ones(len(self.quiet))
        out[self.quiet] = np.exp(self.words.weight(*self.quiet_words))
        return out

    def wrong_rates(self) -> np.ndarray:
        """Return, for each home, how often a record that says the same is wrong here.

        Where it says lead: the share of homes without lead here whose record says lead. Where it
        says none: the share of lead lines here whose record says none. 0 where it is blank.
        """
        out = np.zeros(len(self.heard))
        out[self.heard] = np.where(self.says_lead[self.heard], *self.rates())
        return out

    def describe(
        self, rng: np.random.Generator | None = None, slopes: np.ndarray | None = None
    ) -> dict[str, Any]:
        """Return counts, the two error rates, overall and by era, and what other materials say.

        Rates are means over homes with a record, each taken as if it were of the kind that can
        err so. ``rng`` and ``slopes`` are as of :meth:`weights`.
        """
        homes = np.bincount(self.kind, minlength=len(self.era))
        rates = dict(zip(RATES, self._rates_of_kinds(rng, slopes), strict=True))
        return {
            "homes": int(self.heard.sum()),
            "sides_known": dict(
                zip(SIDES_KNOWN, np.bincount(self.known, minlength=4).tolist(), strict=True)
            ),
            **{name: _mean(rate, homes) for name, rate in rates.items()},
            "words": self.words.describe(*self.quiet_words, rng),
            "by_era": {
                ERAS[e]: {
                    name: _mean(rate[self.era == e], homes[self.era == e])
                    for name, rate in rates.items()
                }
                for e in np.unique(self.era)
            },
        }


def _mean(rate: np.ndarray, homes: np.ndarray) -> float:
    """Return the mean of a rate over homes, 0 where there is none."""
    return round(float((rate * homes).sum() / max(homes.sum(), 1)), 4)
