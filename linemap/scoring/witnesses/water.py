"""The two bottles: how often each pair of results comes from a lead line and from another."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from linemap.published import fact
from linemap.scoring.evidence import Homes
from linemap.scoring.witnesses.code_table import as_sure, shares
from linemap.scoring.witnesses.water_bands import N_BANDS, band_cover, local_table

SOLDER = ("before 1950", "1950 to 1988", "1989 or later", "year not known")
SOLDER_OF_ERA = np.array([0, 0, 1, 1, 2, 3])
CELLS = N_BANDS * N_BANDS
WATER_COUNTS = {"water": (2, N_BANDS, N_BANDS)}
"""Table to share: pairs of bands (first, flushed), no lead and lead."""


class WaterWitness:
    """Shares of each pair of bands (first, flushed), by lead or not and by solder era.

    Kits set aside teach and tell nothing. A kit with a doubt, or flushed for a time at which the
    second bottle need not come from the line, may have missed the line's water; then it reads as
    from a home without lead. How many do is learned. So its low results say less, its high ones
    nearly as much. Several kits of one home share one home effect and count as fewer than their
    number. Shares start from published levels moved to the local level of corrosion control, and
    are learned in the city from there. The weight of a home is capped by what the number of homes
    behind the shares can support, and a pair of results below the limit never weighs more than
    the published sensitivity allows.
    """

    name = "water"
    learned: tuple[str, ...] = (
        "parameters",
        "behind",
        "level_",
        "told",
        "missed_",
        "missed_sure",
    )

    def __init__(self, pairs: pd.DataFrame, homes: Homes, states: np.ndarray) -> None:
        self.lead_state = states.any(axis=1).astype(int)
        self.n_homes = len(homes.index)
        row = homes.rows(pairs["parcel_id"])
        verdict = pairs["verdict"].astype(object).to_numpy()
        use = (row >= 0) & np.isin(verdict, ["usable", "usable_with_doubt"])
        kits = self.kits = pairs.loc[use]
        self.row = row[use]
        self.first = band_cover(
            kits["first_low"].to_numpy(dtype=float), kits["first_high"].to_numpy(dtype=float)
        )
        self.flushed = band_cover(
            kits["flushed_low"].to_numpy(dtype=float), kits["flushed_high"].to_numpy(dtype=float)
        )
        self.none_seen = (
            (kits["first_low"].fillna(0) == 0) & (kits["flushed_low"].fillna(0) == 0)
        ).to_numpy()
        self.solder_of_home = SOLDER_OF_ERA[homes.era]
        self.solder = self.solder_of_home[self.row]
        self.doubted = self._doubted(kits, verdict[use])
        self.heard = np.zeros(self.n_homes, dtype=bool)
        self.heard[self.row] = True
        self.alike = self._likeness_of_repeats()
        kits_of_home = np.bincount(self.row, minlength=self.n_homes)[self.row]
        self.trust = 1.0 / (1.0 + (kits_of_home - 1.0) * self.alike)
        """How far each kit teaches: k kits of one home are worth k / (1 + (k - 1) alike)."""
        self.stated_missed = np.array(fact("scoring.water.doubt").value, dtype=float)
        self.missed_ = self.stated_missed
        """Doubted kits of lead lines that missed the line's water, and that did not."""
        self.missed_sure = 1.0
        self.strength = dict(fact("scoring.water.strength").value)
        self.limits = dict(fact("scoring.water.weight_limits").value)
        self.studied = dict(fact("scoring.water.studied").value)
        self.behind = {
            0: float(self.studied["not_lead_homes"]),
            1: float(self.studied["lead_homes"]),
        }
        self.level_: dict[str, tuple[float, float]] = {}
        self.told = np.ones(2)
        self.start = ((0.0, 0.0), (0.0, 0.0))
        self._start_tables()

    def _start_tables(self) -> None:
        """Set the shares to what is expected before a kit of the city has spoken."""
        nothing = np.zeros((N_BANDS, N_BANDS))
        tables = [local_table(nothing, bool(s), self.start[s])[0].reshape(1, -1) for s in (0, 1)]
        overall = float(self.strength["overall"])
        self.parameters = np.stack([np.repeat(one, 4, 0) * overall for one in tables], axis=1)

    @staticmethod
    def _doubted(kits: pd.DataFrame, verdict: np.ndarray) -> np.ndarray:
        """Return which kits may have missed the line's water, by verdict and flushing time."""
        window = fact("scoring.water.flush_window").value
        flush = kits["flush_min"].to_numpy(dtype=float)
        outside = (flush < window["from"]) | (flush > window["to"])
        return np.asarray(outside | (verdict == "usable_with_doubt"))

    @staticmethod
    def _likeness_of_repeats() -> float:
        """Return the part of the spread between kits that kits of one home share."""
        within = np.log(float(fact("scoring.water.within_home_gsd").value))
        between = np.log(float(fact("scoring.water.between_home_gsd").value))
        return float(1.0 - min(within**2 / between**2, 1.0))

    def _missing(self, rng: np.random.Generator | None = None) -> np.ndarray:
        """Return the chance that each kit misses the water of a lead line, (n_kits,)."""
        return self.doubted * shares(self.missed_, rng)[0]

    def _likelihood(self, table: np.ndarray) -> np.ndarray:
        """Return the likelihood of each kit under each solder era's table, (n_kits, 2)."""
        cells = table.reshape(-1, 2, N_BANDS, N_BANDS)[self.solder]
        return np.einsum("na,nsab,nb->ns", self.first, cells, self.flushed)

    def learn(self, soft: np.ndarray) -> None:
        """Learn the shares, splitting each kit over its possible bands and states."""
        if not len(self.row):
            return
        split = self._split(soft)
        counts = self._cells(split)
        self._learn_missed(split)
        self.told = np.maximum(_by_table(split) ** 2 @ self.trust, 1.0)
        for s, name in enumerate(("not_lead", "lead")):
            total = counts[:, s].sum(axis=0)
            centre, self.level_[name] = local_table(
                total.reshape(N_BANDS, N_BANDS), bool(s), self.start[s]
            )
            overall = total + float(self.strength["overall"]) * centre.ravel()
            self.behind[s] = float(self.studied[f"{name}_homes"]) + float(total.sum())
            self.parameters[:, s] = counts[:, s] + float(self.strength["solder"]) * (
                overall / overall.sum()
            )

    def _learn_missed(self, split: np.ndarray) -> None:
        """Learn how many doubted kits miss the water of a lead line, and how sure that is."""
        counts = self.trust * self.doubted
        self.missed_ = self.stated_missed + counts @ split[:, 1:]
        share, lead = shares(self.missed_)[0], split[:, 1] + split[:, 2]
        told = counts @ lead * share * (1.0 - share)
        about = counts @ (split[:, 1] - lead * share) ** 2
        self.missed_sure = float(min(about / max(told, 1e-9), 1.0))

    def _cells(self, split: np.ndarray) -> np.ndarray:
        """Count kits by solder era, lead or not, and pair of bands, (n_solder, 2, cells)."""
        split = _by_table(split) * self.trust
        cover = self.first[:, :, None] * self.flushed[:, None, :]
        table = shares(self.parameters).reshape(-1, 2, N_BANDS, N_BANDS)
        counts = np.zeros((len(SOLDER), 2, CELLS))
        for s in (0, 1):
            cells = cover * table[self.solder, s]
            cells /= cells.sum(axis=(1, 2), keepdims=True)
            weighted = cells.reshape(-1, CELLS) * split[s][:, None]
            for group in range(len(SOLDER)):
                counts[group, s] = weighted[self.solder == group].sum(axis=0)
        return counts

    def _split(self, soft: np.ndarray) -> np.ndarray:
        """Return the chances of no lead, lead missed and lead seen behind each kit, (n_kits, 3)."""
        none, lead = (soft[:, self.lead_state == s].sum(axis=1)[self.row] for s in (0, 1))
        other, caught = self._likelihood(shares(self.parameters)).T
        missing = self._missing()
        missed = missing * other / (missing * other + (1.0 - missing) * caught)
        return np.stack([none, lead * missed, lead * (1.0 - missed)], axis=1)

    def counts(self, soft: np.ndarray) -> dict[str, np.ndarray]:
        """Return the table ``WATER_COUNTS``."""
        return {"water": self._cells(self._split(soft)).sum(axis=0).reshape(WATER_COUNTS["water"])}

    def start_from(self, counts: Mapping[str, np.ndarray]) -> None:
        """Start from the local level of other cities; shares and their strength stay as stated."""
        table = counts["water"]
        self.start = (local_table(table[0], False)[1], local_table(table[1], True)[1])
        self._start_tables()

    def cell_shares(self) -> np.ndarray:
        """Return the share of each pair of bands, (n_solder, 2, cells): not lead, lead."""
        return shares(self.parameters)

    def caps(self) -> tuple[float, float]:
        """Return the lowest and highest weight of a home [log-odds].

        With n homes behind a share, none of which gave a false result, its upper 95 % limit is
        3/n; no home may weigh more than that allows, nor beyond the stated limits.
        """
        high = min(np.log(self.behind[0] / 3.0), float(self.limits["high"]))
        low = max(-np.log(self.behind[1] / 3.0), float(self.limits["low"]))
        return float(low), float(high)

    def weights(self, rng: np.random.Generator | None = None) -> np.ndarray:
        """Return log-likelihood ratios of each state against none, (n_homes, n_states)."""
        out = np.zeros((self.n_homes, len(self.lead_state)))
        if len(self.row):
            likelihood = self._likelihood(shares(self.parameters, rng))
            ratio = np.log(likelihood[:, 1] / likelihood[:, 0])
            floor = float(self.limits["none_seen"])
            ratio = np.where(self.none_seen, np.maximum(ratio, floor), ratio)
            missing = self._missing(rng)
            home = self._by_home(np.log(missing + (1.0 - missing) * np.exp(ratio)))
            seen = np.bincount(self.row, weights=~self.none_seen, minlength=self.n_homes)
            home = np.where(seen == 0, np.maximum(home, floor), home)  # however many kits
            home = np.clip(home, *self.caps())
            out[:, self.lead_state == 1] = home[:, None]
        return out

    def _by_home(self, ratio: np.ndarray) -> np.ndarray:
        """Add up the kits of each home, which share its effect, (n_homes,).

        They count as kits as far as they tell anything: one that tells nothing beside a good one
        takes nothing from it.
        """
        size, most = np.abs(ratio), np.zeros(self.n_homes)
        np.maximum.at(most, self.row, size)
        total, sizes = (np.bincount(self.row, part, self.n_homes) for part in (ratio, size))
        kits = sizes / np.maximum(most, 1e-12)
        return np.asarray(total / (1.0 + np.maximum(kits - 1.0, 0.0) * self.alike))

    def describe(self, rng: np.random.Generator | None = None) -> dict[str, Any]:
        """Return counts, local levels, caps, and the sensitivity and specificity of the flush.

        Drawn as sure as the city's own kits make them: published levels are of other cities.
        """
        flushed = shares(self.parameters.sum(axis=0)).reshape(2, N_BANDS, N_BANDS).sum(axis=1)
        table = shares(flushed * self.told[:, None], rng)
        above = table[:, ::-1].cumsum(axis=1)[:, ::-1]
        missed = as_sure(self.missed_, self.missed_sure, self.stated_missed.sum())
        kits_of = np.bincount(self.row, minlength=self.n_homes)
        return {
            "homes": int(self.heard.sum()),
            "kits": len(self.row),
            "homes_with_repeat_kits": int((kits_of > 1).sum()),
            "doubted_kits": int(self.doubted.sum()),
            "doubted_that_miss_lead": round(float(shares(missed, rng)[0]), 3),
            "log_level_shift": {k: [round(x, 3) for x in v] for k, v in self.level_.items()},
            "flushed_at_least_band": {
                "not_lead": above[0].round(4).tolist(),
                "lead": above[1].round(4).tolist(),
            },
            "weight_limits": [round(x, 3) for x in self.caps()],
        }


def _by_table(split: np.ndarray) -> np.ndarray:
    """Return how far each kit reads as no lead, missed lead too, and as lead, (2, n_kits)."""
    return np.stack([split[:, 0] + split[:, 1], split[:, 2]])
