"""The list as a problem to solve, and what each of its limits costs in lead lines found."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from linemap.outreach.audit import audit_chances, sure_kits
from linemap.outreach.choice import Solution, solve, solve_exactly
from linemap.outreach.eligibility import column_or
from linemap.outreach.limits import WIDE, Limit
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
        apart = self.audit_kits if audit else 0
        name = f"{counted(self.settings.kits, 'kit')} in all"
        if apart:
            name += f", {apart:,} of them for the random audit arm"
        problem = Problem(
            value=self.value,
            budget=self.settings.kits - apart,
            rules=[limit.rule for limit in limits if len(limit.rule.floor)],
            cost=column_or(self.homes, "cost", 1.0).to_numpy(dtype=float),
            load=self.returns if np.isfinite(self.capacity) else None,
            load_limit=self.capacity * kept,
            budget_name=name,
            load_name=f"the laboratory's {self.settings.lab_capacity} kits a week",
            order=np.argsort(np.argsort(self.homes.index.astype(str), kind="stable")),
        )
        return solve_exactly(problem) if exact else solve(problem)

    def choose_beside_audit(
        self, limits: Sequence[Limit], *, exact: bool = False
    ) -> tuple[Solution, list[Limit]]:
        """Choose with the floors less what the audit arm is sure to bring of each wide group.

        What it is sure to bring depends on the homes it is drawn from, hence on the choice:
        the floors are raised again until both agree.

        Returns
        -------
        Solution
        list of Limit
            The limits that the ranked and floor arms were held to.
        """
        brings = self.sure_of(limits, np.zeros(len(self.homes), dtype=bool))
        while True:
            lowered = [limit.less(n) for limit, n in zip(limits, brings, strict=True)]
            best = self.choose(lowered, exact=exact)
            now = self.sure_of(limits, best.taken)
            if all(n >= before for n, before in zip(now, brings, strict=True)):
                return best, lowered
            brings = [min(pair) for pair in zip(now, brings, strict=True)]

    def audit_chances(self, taken: Bools) -> Floats:
        """Return the chance of each home to be drawn for the audit arm; 0 for those taken.

        The arm shrinks where the laboratory cannot take all its returns.
        """
        chance = np.zeros(len(taken))
        p_lead = self.homes["p_lead"].to_numpy(dtype=float)[~taken]
        size = min(self.audit_kits, len(p_lead))
        if not size:
            return chance
        draw = self.settings.audit_draw
        chance[~taken] = audit_chances(p_lead, size, draw=draw)
        each = max(float(chance @ self.returns) / size, 1e-9)
        room = (self.capacity - self.returns[taken].sum()) / each
        if room < size:
            chance[~taken] = audit_chances(p_lead, max(int(room), 0), draw=draw)
        return chance

    def sure_of(self, limits: Sequence[Limit], taken: Bools) -> list[int]:
        """Return how many homes the audit arm is sure to bring for each limit's group."""
        sure = sure_kits(self.audit_chances(taken), wide_groups(limits))
        titles = [limit.title for limit in wide_limits(limits)]
        brings = dict(zip(titles, sure, strict=True))
        return [brings.get(limit.title, 0) for limit in limits]

    def expected_finds(self, taken: Bools, chance: Floats) -> float:
        """Return the lead lines expected from the homes taken and a random audit of the rest."""
        return float(self.finds[taken].sum() + chance @ self.finds)


def wide_limits(limits: Sequence[Limit]) -> list[Limit]:
    """Return the limits with a floor for one large group, the widest first."""
    return [limit for limit in reversed(limits) if limit.key in WIDE and len(limit.rule.floor)]


def wide_groups(limits: Sequence[Limit]) -> list[Bools]:
    """Return which homes belong to the group of each wide limit."""
    return [limit.rule.codes >= 0 for limit in wide_limits(limits)]


def limit_prices(
    ask: Ask, limits: Sequence[Limit], lowered: Sequence[Limit], taken: Bools
) -> pd.DataFrame:
    """Return what each limit costs in expected finds: the list is chosen again without it.

    Parameters
    ----------
    ask : Ask
    limits : sequence of Limit
        All limits of the list.
    lowered : sequence of Limit
        The same, less what the audit arm is sure to bring.
    taken : array of bool, shape (n_homes,)
        Ranked and floor arms under all limits.

    Returns
    -------
    DataFrame
        ``limit, expected_finds, price, sentence``: expected finds [lead lines] without the
        limit, how many of them it costs, and both in words.
    """
    chance = ask.audit_chances(taken)
    base = ask.expected_finds(taken, chance)
    without: list[tuple[str, str, float]] = []
    for limit in lowered:
        if limit.binds(taken):
            again = ask.choose([other for other in lowered if other is not limit]).taken
            finds = ask.expected_finds(again, ask.audit_chances(again))
            without.append((limit.key, limit.title, finds))
    if chance.any():
        again = ask.choose(limits, audit=False).taken
        title = f"the random audit arm of {counted(round(chance.sum()), 'kit')}"
        without.append(("audit_share", title, float(ask.finds[again].sum())))
    if len(without) > 1:
        again = ask.choose([], audit=False).taken
        title = "the floors, caps and audit together"
        without.append(("all", title, float(ask.finds[again].sum())))
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
