"""The list as a problem to solve, and what each of its limits costs in lead lines found."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from linemap.outreach.choice import Solution, solve, solve_exactly
from linemap.outreach.eligibility import column_or
from linemap.outreach.limits import Limit
from linemap.outreach.problem import Bools, Floats, Problem
from linemap.printing import counted, rounded
from linemap.settings import OutreachSettings


@dataclass(frozen=True)
class Ask:
    """What the list is asked to do, before any home is chosen.

    Attributes
    ----------
    homes : DataFrame
        Homes that may be sent a kit.
    value : array of float, shape (n_homes,)
        Worth of a kit at each [lead lines].
    settings : OutreachSettings
    """

    homes: pd.DataFrame
    value: Floats
    settings: OutreachSettings

    @property
    def audit_kits(self) -> int:
        """Kits set apart for the audit arm."""
        return round(self.settings.audit_share * self.settings.kits)

    @property
    def capacity(self) -> float:
        """Returned kits that the laboratory can take in all."""
        each = self.settings.lab_capacity
        return np.inf if each is None else float(each * self.settings.weeks)

    @property
    def returns(self) -> Floats:
        """Chance of a usable return of each home."""
        return self.homes["p_return"].to_numpy(dtype=float)

    @property
    def finds(self) -> Floats:
        """Expected lead lines found by a kit at each home."""
        return self.homes["p_lead"].to_numpy(dtype=float) * self.returns

    def choose(
        self, limits: Sequence[Limit], *, audit: bool = True, exact: bool = False
    ) -> Solution:
        """Solve for the ranked and floor arms, under some of the limits, with an audit or not."""
        kept = 1 - self.settings.audit_share if audit else 1.0
        problem = Problem(
            value=self.value,
            budget=self.settings.kits - (self.audit_kits if audit else 0),
            rules=[limit.rule for limit in limits if len(limit.rule.floor)],
            cost=column_or(self.homes, "cost", 1.0).to_numpy(dtype=float),
            load=self.returns if np.isfinite(self.capacity) else None,
            load_limit=self.capacity * kept,
            load_name=f"the laboratory's {self.settings.lab_capacity} kits a week",
            order=np.argsort(np.argsort(self.homes.index.astype(str), kind="stable")),
        )
        return solve_exactly(problem) if exact else solve(problem)

    def audit_size(self, taken: Bools) -> int:
        """Return how many kits the audit arm may draw from the homes not taken."""
        rest = self.returns[~taken]
        if not len(rest):
            return 0
        room = (self.capacity - self.returns[taken].sum()) / max(rest.mean(), 1e-9)
        return int(min(self.audit_kits, len(rest), max(room, 0)))

    def expected_finds(self, taken: Bools, audit_size: int) -> float:
        """Return the lead lines expected from the homes taken and a random audit of the rest."""
        rest = self.finds[~taken]
        audit = audit_size * rest.mean() if len(rest) else 0.0
        return float(self.finds[taken].sum() + audit)


def limit_prices(ask: Ask, limits: Sequence[Limit], taken: Bools) -> pd.DataFrame:
    """Return what each limit costs in expected finds: the list is chosen again without it.

    Parameters
    ----------
    ask : Ask
    limits : sequence of Limit
        All limits of the list.
    taken : array of bool, shape (n_homes,)
        Ranked and floor arms under all limits.

    Returns
    -------
    DataFrame
        ``limit, expected_finds, price, sentence``: expected finds [lead lines] without the
        limit, how many of them it costs, and both in words.
    """
    audit_size = ask.audit_size(taken)
    base = ask.expected_finds(taken, audit_size)
    without: list[tuple[str, str, float]] = []
    for limit in limits:
        if limit.binds(taken):
            again = ask.choose([other for other in limits if other is not limit]).taken
            finds = ask.expected_finds(again, ask.audit_size(again))
            without.append((limit.key, limit.title, finds))
    if audit_size:
        again = ask.choose(limits, audit=False).taken
        title = f"the random audit arm of {counted(audit_size, 'kit')}"
        without.append(("audit_share", title, ask.expected_finds(again, 0)))
    if len(without) > 1:
        again = ask.choose([], audit=False).taken
        without.append(("all", "the floors, caps and audit together", ask.expected_finds(again, 0)))
    rows = [
        (key, finds, finds - base, _sentence(title, finds, finds - base))
        for key, title, finds in without
    ]
    return pd.DataFrame(rows, columns=["limit", "expected_finds", "price", "sentence"])


def _sentence(title: str, finds: float, price: float) -> str:
    start = title[0].upper() + title[1:]
    verb, it = ("cost", "them") if " together" in title else ("costs", "it")
    least = "less than 0.1" if price < 0.05 else f"{price:.1f}"
    found = f"the {rounded(finds)} lead lines expected to be found without {it}"
    return f"{start} {verb} {least} of {found}."
