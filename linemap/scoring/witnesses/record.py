"""The city record: often right, often missing, wrong at rates that differ by era and place."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from linemap.published import fact
from linemap.scoring.evidence import ERAS, Homes
from linemap.scoring.sides import LEAD, UNKNOWN, Target, side_codes
from linemap.scoring.witnesses.code_table import shares, shrunk_counts, soft_counts

SIDES_KNOWN = ("neither", "utility only", "customer only", "both")


class RecordWitness:
    """What the record says of both sides, given what the line is.

    The record is read as one code for both sides, since its two entries often err together.
    Missing entries carry no weight: shares are taken among homes with the same sides known.
    Shares are learned overall, then by era, then by neighbourhood within the era, each shrunk
    to the one before.
    """

    name = "record"

    def __init__(
        self, lines: pd.DataFrame, homes: Homes, states: np.ndarray, target: Target = "lead"
    ) -> None:
        self.homes, self.states = homes, states
        side = np.full((len(homes.index), 2), UNKNOWN)
        row = homes.rows(lines["parcel_id"])
        ours = row >= 0
        side[row[ours], 0] = side_codes(lines["utility_material"])[ours]
        side[row[ours], 1] = side_codes(lines["customer_material"])[ours]
        self.side = side
        self.code = side[:, 0] * 4 + side[:, 1]
        self.known = (side[:, 0] != UNKNOWN) + 2 * (side[:, 1] != UNKNOWN)
        self.heard = self.known > 0
        self.group = homes.era * homes.n_areas + homes.area
        self.strength = dict(fact("scoring.record.strength").value)
        self.default = self._default(target)
        self.overall = self.default * float(self.strength["overall"])
        self.by_era = np.repeat(self._unit(self.overall)[None], len(ERAS), axis=0)
        self.by_group: np.ndarray | None = None

    def _default(self, target: Target) -> np.ndarray:
        """Return the stated shares of each code by state, (n_states, 16), per known pattern."""
        says = fact("scoring.record.says").value
        one = {True: np.array(says["lead"]), False: np.array(says["not_lead"])}
        if target == "needs_replacement":
            one = {key: np.array(says[name]) for key, name in
                   ((True, "needs_replacement"), (False, "needs_none"))}
        table = np.zeros((len(self.states), 4, 4))
        for k, (utility, customer) in enumerate(self.states):
            table[k, :3, :3] = np.outer(one[bool(utility)], one[bool(customer)])
            table[k, :3, 3] = one[bool(utility)]
            table[k, 3, :3] = one[bool(customer)]
        return table.reshape(len(self.states), 16)

    @staticmethod
    def _unit(parameters: np.ndarray, rng: np.random.Generator | None = None) -> np.ndarray:
        """Normalize within each pattern of known sides."""
        out = np.ones_like(parameters)
        code = np.arange(16)
        utility, customer = code // 4 != UNKNOWN, code % 4 != UNKNOWN
        for want in ((True, True), (True, False), (False, True)):
            pick = (utility == want[0]) & (customer == want[1])
            out[..., pick] = shares(parameters[..., pick], rng)
        return out

    def learn(self, soft: np.ndarray) -> None:
        """Learn how often the record says each thing in each state."""
        heard = self.heard
        code, soft = self.code[heard], soft[heard]
        areas = self.homes.n_areas
        counts = soft_counts(code, soft, 16, self.group[heard], len(ERAS) * areas)
        counts = counts.reshape(len(ERAS), areas, len(self.states), 16)
        strength = {key: float(value) for key, value in self.strength.items()}
        self.overall = shrunk_counts(counts.sum(axis=(0, 1)), self.default, strength["overall"])
        self.by_era = shrunk_counts(
            counts.sum(axis=1), self._unit(self.overall), strength["era"]
        )
        self.by_group = shrunk_counts(counts, self._unit(self.by_era)[:, None], strength["area"])

    def weights(self, rng: np.random.Generator | None = None) -> np.ndarray:
        """Return log-likelihood ratios of each state against none, (n_homes, n_states)."""
        if self.by_group is None:
            table = np.log(self._unit(self.by_era, rng))
            log_share = table[self.homes.era, :, self.code]
        else:
            table = np.log(self._unit(self.by_group, rng))
            log_share = table[self.homes.era, self.homes.area, :, self.code]
        out = log_share - log_share[:, :1]
        out[~self.heard] = 0.0
        return np.asarray(out)

    def wrong_rates(self) -> np.ndarray:
        """Return, for each home, how often a record of its kind here is wrong.

        Where the record says lead: the share of lines without lead here whose record says lead.
        Where it does not: the share of lead lines here whose record says no lead. Shares are
        among records with the same sides known; 0 where the record is blank.
        """
        parameters = self.by_era[:, None] if self.by_group is None else self.by_group
        table = self._unit(parameters)
        code = np.arange(16)
        says_lead = (code // 4 == LEAD) | (code % 4 == LEAD)
        pattern = (code // 4 != UNKNOWN) + 2 * (code % 4 != UNKNOWN)
        table = np.concatenate([table[..., :1, :], table[..., 1:, :].mean(axis=-2)[..., None, :]], -2)
        share = np.stack(
            [table[..., says_lead & (pattern == known)].sum(axis=-1) for known in range(4)], axis=-1
        )
        area = np.zeros_like(self.homes.area) if self.by_group is None else self.homes.area
        lead_given_none = share[self.homes.era, area, 0, self.known]
        lead_given_lead = share[self.homes.era, area, 1, self.known]
        wrong = np.where(says_lead[self.code], lead_given_none, 1.0 - lead_given_lead)
        return np.where(self.heard, wrong, 0.0)

    def error_rates(self) -> np.ndarray:
        """Return, overall, P(side recorded as lead | lead) and P(... | not lead) per side."""
        table = self._unit(self.overall)
        known = table.reshape(len(self.states), 4, 4)
        both = known[:, :3, :3] / known[:, :3, :3].sum(axis=(1, 2), keepdims=True)
        says_lead = both[:, 0, :].sum(axis=1) + both[:, :, 0].sum(axis=1) - both[:, 0, 0]
        return np.asarray(says_lead)

    def describe(self) -> dict[str, Any]:
        """Return counts and the learned shares of records that say lead, by state and era."""
        patterns = np.bincount(self.known, minlength=4)
        return {
            "homes": int(self.heard.sum()),
            "sides_known": dict(zip(SIDES_KNOWN, patterns.tolist(), strict=True)),
            "says_lead_by_state": self.error_rates().round(4).tolist(),
        }
