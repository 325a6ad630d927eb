"""A check: somebody looked at the pipe. Nearly certain, for the side that was seen."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from linemap.published import fact
from linemap.scoring.evidence import Homes
from linemap.scoring.sides import UNKNOWN, Target, counts_as_target, side_codes


class CheckWitness:
    """Field checks, the latest of each side; their error rate is stated, not learned.

    Of two looks at one side on one day the one nearer to lead holds, as in the inventory.

    Checks made because lead was suspected are evidence for their own home only: ``teaches`` is
    False there, and the model leaves them out of everything that is learned. Those of homes that
    a list of kits named do teach: the list was made from what the model hears as well, so the
    choice itself is no news.

    References
    ----------
    .. [1] D. B. Rubin, "Inference and missing data", Biometrika 63 (1976), on choices that may be
       ignored since they rest on what was seen. From memory.
    """

    name = "check"
    learned: tuple[str, ...] = ()

    def __init__(
        self,
        checks: pd.DataFrame,
        ever_below_lead: pd.Series | None,
        homes: Homes,
        states: np.ndarray,
        target: Target = "lead",
    ) -> None:
        self.error_ = float(fact("scoring.check.error").value)
        n = len(homes.index)
        code = side_codes(checks["material"])
        row = homes.rows(checks["parcel_id"])
        usable = (row >= 0) & (code != UNKNOWN)
        table = pd.DataFrame(
            {
                "row": row,
                "side": np.where((checks["side"].astype(object) == "utility").to_numpy(), 0, 1),
                "on": checks["checked_on"].to_numpy(),
                "code": code,
                "why": checks["why"].astype(object).where(checks["why"].notna(), "unknown"),
            }
        )[usable]
        self.reasons = table.groupby("why")["row"].nunique().to_dict()
        table["nearness"] = -table["code"]
        table = table.sort_values(["on", "nearness"], kind="stable", na_position="first")
        latest = table.drop_duplicates(["row", "side"], keep="last")
        beside = table.merge(latest, on=["row", "side", "on"])
        self.differing = int(beside.loc[beside["code_x"] != beside["code_y"], "row"].nunique())
        history = None
        if ever_below_lead is not None:
            history = ever_below_lead.iloc[latest["row"].to_numpy()]
        positive = counts_as_target(latest["code"].to_numpy(), history, target)
        self.seen = np.zeros((n, 2), dtype=np.int8)
        self.seen[latest["row"], latest["side"]] = np.where(positive, 1, -1)
        self.heard = (self.seen != 0).any(axis=1)
        sure = np.log((1 - self.error_) / self.error_)
        self.ratio = np.zeros((n, len(states)))
        self.ratio[self.heard] = sure * (self.seen[self.heard].astype(float) @ states.T)
        self.teaches = self.heard.copy()
        self.teaches[table.loc[table["why"] == "suspected", "row"].to_numpy()] = False

    def learn(self, soft: np.ndarray) -> None:
        """Learn nothing: the error rate of a look is stated."""

    def weights(self, rng: np.random.Generator | None = None) -> np.ndarray:
        """Return log-likelihood ratios of each state against none, (n_homes, n_states)."""
        return self.ratio

    def called_lead(self) -> np.ndarray:
        """Return 1 where a side was seen to be lead, 0 where only other pipe was seen, else NaN."""
        out = np.where((self.seen == 1).any(axis=1), 1.0, 0.0)
        return np.where(self.heard, out, np.nan)

    def describe(self, rng: np.random.Generator | None = None) -> dict[str, Any]:
        """Return how many homes were checked, why, how many looks differ, and the stated error."""
        return {
            "homes": int(self.heard.sum()),
            "used_to_learn": int((self.heard & self.teaches).sum()),
            "why": {str(key): int(value) for key, value in sorted(self.reasons.items())},
            "differing": self.differing,
            "error": self.error_,
        }
