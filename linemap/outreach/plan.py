"""The next list of kits: ranked, floor and audit arms, with bound, prices and reasons."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd

from linemap.outreach.audit import AuditDesign, draw_audit
from linemap.outreach.eligibility import (
    column_or,
    left_out_table,
    reason_left_out,
    require_columns,
)
from linemap.outreach.forecast import forecast_round
from linemap.outreach.limits import Limit, limits_on
from linemap.outreach.prices import Ask, limit_prices, wide_groups
from linemap.outreach.problem import Bools, Floats
from linemap.outreach.return_shift import SHIFT
from linemap.outreach.sending import in_sending_order, reasons_in_words
from linemap.outreach.value import PARTS, kit_value
from linemap.printing import Spoken, counted, rounded
from linemap.settings import OutreachSettings
from linemap.tables import complete_table, contract

MORE_COLUMNS = (
    "p_low",
    "p_high",
    "p_return_low",
    "p_return_high",
    *PARTS,
    "name",
    "street_segment",
    "address",
    "site_kind",
    "week",
)
"""Columns of a plan's list beyond the ``kit_list`` contract."""

CAUTION = (
    "These are homes where a kit is expected to tell most, not homes known to have lead. A kit "
    "that comes back low cannot rule out a lead line, and a home left off the list is not cleared."
)

NO_GAP = 1e-9
"""Gap to the best list that is nothing but rounding."""


@dataclass(frozen=True, repr=False)
class KitPlan(Spoken):
    """The next list of kits and what it promises.

    Attributes
    ----------
    kits : DataFrame
        By the ``kit_list`` contract, in order of sending, with ``p_low, p_high, p_return_low,
        p_return_high, value_find, value_learn, value_harm, street_segment, week`` and, where
        known, ``name``.
    audit : DataFrame
        The rows of the audit arm, with the homes of the frame it was drawn from and the lead
        lines expected there.
    design : AuditDesign
    value, bound, gap : float
        Value of the ranked and floor arms [lead lines], the upper bound of every choice under
        the same limits, and ``1 - value / bound`` [share].
    expected_returns, expected_finds : float
        Usable kits and lead lines [homes] expected of the whole list.
    prices : DataFrame
        ``limit, expected_finds, price, sentence``: finds without each limit, and the difference.
    left_out : DataFrame
        ``reason, homes, meaning``.
    notes : tuple of str
        Floors that had to be lowered, capacity that cut the list, and the like.
    limits : OutreachSettings
    made_on : date
    seed : int
    return_shift, return_level : float
        By how much all chances of return move together [log-odds], see :func:`forecast_round`.
    """

    kits: pd.DataFrame
    audit: pd.DataFrame
    design: AuditDesign
    value: float
    bound: float
    gap: float
    expected_returns: float
    expected_finds: float
    prices: pd.DataFrame
    left_out: pd.DataFrame
    notes: tuple[str, ...]
    limits: OutreachSettings
    made_on: date
    seed: int
    return_shift: float = SHIFT
    return_level: float = 0.0

    def sentences(self) -> list[str]:
        """Say what the list holds, what it promises and what each limit costs."""
        if not len(self.kits):
            return [*self.notes, CAUTION]
        arms = self.kits["arm"].value_counts()
        left_out = [
            f"{counted(homes, 'home')} left out ({meaning})."
            for homes, meaning in zip(self.left_out["homes"], self.left_out["meaning"], strict=True)
        ]
        if len(left_out) > 1:
            left_out.append("A home left out for several reasons counts under the first of them.")
        return [
            f"{counted(len(self.kits), 'kit')}: {arms['ranked']:,} where a kit is expected to tell "
            f"most (ranked), {arms['floor']:,} that the floors ask for, {arms['audit']:,} "
            f"{self.design.in_words()} (audit).",
            f"Expected: {counted(round(self.expected_returns), 'usable kit')} back "
            f"{self._interval('returned')} and {rounded(self.expected_finds)} lead lines found "
            f"{self._interval('found')}.",
            self._nearness(),
            *self.prices["sentence"],
            *left_out,
            *self.notes,
            CAUTION,
        ]

    def _nearness(self) -> str:
        """Say how much more another list could be worth, rounded up."""
        if self.gap < NO_GAP:
            return "No other list under the same limits is worth more."
        more = 100 * self.gap / max(1 - self.gap, NO_GAP)
        digits = max(1, -math.floor(math.log10(more)))
        more = math.ceil(more * 10**digits) / 10**digits
        return f"No list under the same limits is worth over {more:.{digits}f}% more than this one."

    @cached_property
    def forecast(self) -> pd.DataFrame:
        """What the list promises, with 95% intervals; see :func:`forecast_round`."""
        return forecast_round(
            self.kits, seed=self.seed, shift=self.return_shift, level=self.return_level
        )

    def _interval(self, name: str) -> str:
        low, high = self.forecast.loc[0, [f"{name}_low", f"{name}_high"]]
        return f"(95% interval {low:,.0f} to {high:,.0f})"

    def describe(self) -> dict[str, Any]:
        """Return what the choice says of itself, for ``run.json`` and the pages."""
        return {
            "kits": len(self.kits),
            "arms": {str(k): int(v) for k, v in self.kits["arm"].value_counts().items()},
            "expected_returns": self.expected_returns,
            "expected_finds": self.expected_finds,
            "forecast": self.forecast.loc[0].to_dict() if len(self.kits) else {},
            "value": self.value,
            "bound": self.bound,
            "gap": self.gap,
            "audit_design": self.design.describe(),
            "prices": self.prices.to_dict("records"),
            "left_out": self.left_out.to_dict("records"),
            "notes": list(self.notes),
            "sentences": self.sentences(),
            "caution": CAUTION,
        }


def choose_kits(
    homes: pd.DataFrame,
    limits: OutreachSettings,
    *,
    seed: int,
    today: date,
    exact: bool = False,
) -> KitPlan:
    """Choose the homes that are sent the next kits.

    The ranked and floor arms hold the homes with the most value in all, under the budget, the
    laboratory's capacity, the floors and the caps: ranked homes would be chosen for their value
    alone, floor homes are there because a floor (or a site) asks for them. The audit arm is
    drawn from the eligible homes that are left, see :func:`audit_chances`. So every home that
    is chosen for a reason has inclusion probability 1, every other home has a known chance, and
    the log of the list alone gives unbiased estimates for all eligible homes.

    Floors hold for the whole list, whatever the luck of the draw: the audit arm is drawn so
    that each wide group (income third, renters, further groups) gets its part, and the kits
    that it is sure to bring count. Caps and the limit per segment bind the ranked and floor
    arms. The audit arm is never moved, or it would not be random. One kit is sent to a parcel:
    dwellings that share a service line share its answer.

    Parameters
    ----------
    homes : DataFrame
        Every home of the city, indexed by parcel_id: ``inventory_class, p_lead, p_return`` and,
        where known, ``area_id, name, street_segment, p_low, p_high, owner_occupied, land_use,
        dwelling_units, median_income, children_under_6, last_kit_on, opted_out, site_kind,
        learn, pregnant, basis`` and ``cost`` [kits], 1 where absent. Its ``attrs`` may hold
        ``returns`` (a sentence on the chances of return), ``return_shift`` and
        ``return_level``.
    limits : OutreachSettings
    seed : int
        Seed of the audit draw.
    today : date
        Day on which the list is made; quiet days count back from it.
    exact : bool
        Solve the integer program to the end; for up to a few thousand homes.

    Returns
    -------
    KitPlan
        With an empty list, and a note that says why, if no home may be sent a kit.

    Raises
    ------
    ArgumentError
        If the homes lack a column.
    LimitsError
        If the limits contradict each other; the message names them.

    References
    ----------
    .. [1] D. G. Horvitz and D. J. Thompson, "A generalization of sampling without replacement
       from a finite universe", JASA 47 (1952), on known inclusion probabilities. From memory.
    """
    require_columns(homes, ("inventory_class", "p_lead", "p_return"), "the table of homes")
    reason = reason_left_out(homes, limits, today=today)
    eligible = reason.isna()
    if not eligible.any():
        return _empty_plan(homes, reason, limits, seed=seed, today=today)
    chosen = homes[eligible.to_numpy()]
    worth = kit_value(homes, limits.value)[eligible.to_numpy()]
    rules = limits_on(homes, eligible, limits)
    ask = Ask(chosen, worth["value"].to_numpy(), limits)

    best, lowered = ask.choose_beside_audit(rules, exact=exact)
    alone = ask.choose([limit.without_floor() for limit in rules]).taken
    rng = np.random.default_rng(seed)
    chance = ask.audit_chances(best.taken)
    drawn = draw_audit(chance, wide_groups(rules), rng)
    rest = ~best.taken
    design = AuditDesign(
        eligible=len(chosen),
        certain=int(best.taken.sum()),
        frame=int(rest.sum()),
        drawn=int(drawn.sum()),
        seed=seed,
        draw=limits.audit_draw,
        lowest=float(chance[rest].min(initial=1.0)),
        highest=float(chance[rest].max(initial=0.0)),
        frame_lead=float(chosen["p_lead"].to_numpy(dtype=float)[rest].sum()),
    )
    on_list = best.taken | drawn
    arm = np.where(drawn, "audit", np.where(alone, "ranked", "floor"))[on_list]
    kits = _kit_rows(chosen[on_list], worth[on_list], arm, chance[on_list])
    kits = in_sending_order(kits, weeks=limits.weeks, rng=rng)
    kits["why"] = reasons_in_words(kits, rules, chosen.index, design.frame)
    columns = [*contract("kit_list"), *(name for name in MORE_COLUMNS if name in kits)]
    kits = complete_table(kits, "kit_list")[columns]
    return KitPlan(
        kits=kits,
        audit=kits[kits["arm"] == "audit"]
        .reset_index(drop=True)
        .assign(frame=design.frame, frame_lead=design.frame_lead, drawn=design.drawn, seed=seed),
        design=design,
        value=best.value,
        bound=best.bound,
        gap=best.gap,
        expected_returns=float(ask.returns[on_list].sum()),
        expected_finds=float(ask.finds[on_list].sum()),
        prices=limit_prices(ask, rules, lowered, best.taken),
        left_out=left_out_table(reason),
        notes=(
            *(note for limit in rules for note in limit.notes),
            *_notes(ask, kits),
            *_beyond_caps(rules, on_list),
            *([f"Chance of return: {homes.attrs['returns']}"] if "returns" in homes.attrs else []),
        ),
        limits=limits,
        made_on=today,
        seed=seed,
        return_shift=homes.attrs.get("return_shift", SHIFT),
        return_level=homes.attrs.get("return_level", 0.0),
    )


def _empty_plan(
    homes: pd.DataFrame, reason: pd.Series, limits: OutreachSettings, *, seed: int, today: date
) -> KitPlan:
    """Return a plan without kits, for a city of which no home may be sent one."""
    left_out = left_out_table(reason)
    design = AuditDesign(0, 0, 0, 0, seed, limits.audit_draw)
    worth = kit_value(homes, limits.value).iloc[:0]
    kits = _kit_rows(homes.iloc[:0], worth, np.array([], dtype=object), np.zeros(0))
    kits = kits.assign(rank=0, week=0, why=pd.Series(dtype=object))
    columns = [*contract("kit_list"), *(name for name in MORE_COLUMNS if name in kits)]
    kits = complete_table(kits, "kit_list")[columns]
    why = "; ".join(f"{row.homes:,} homes: {row.meaning}" for row in left_out.itertuples())
    return KitPlan(
        kits=kits,
        audit=kits.assign(frame=0, frame_lead=0.0, drawn=0, seed=seed),
        design=design,
        value=0.0,
        bound=0.0,
        gap=0.0,
        expected_returns=0.0,
        expected_finds=0.0,
        prices=pd.DataFrame(columns=["limit", "expected_finds", "price", "sentence"]),
        left_out=left_out,
        notes=(f"The list is empty: no home may be sent a kit ({why}).",),
        limits=limits,
        made_on=today,
        seed=seed,
    )


def _kit_rows(
    homes: pd.DataFrame, worth: pd.DataFrame, arm: np.ndarray, chance: Floats
) -> pd.DataFrame:
    known = ("area_id", "p_lead", "p_return", "last_kit_on", *MORE_COLUMNS)
    rows = homes[[name for name in known if name in homes.columns]].copy()
    rows["site_kind"] = column_or(homes, "site_kind", None)
    rows["arm"] = arm
    rows["inclusion_probability"] = np.where(arm == "audit", chance, 1.0)
    for name in worth.columns:
        rows[name] = worth[name]
    return rows.rename_axis("parcel_id").reset_index()


def _notes(ask: Ask, kits: pd.DataFrame) -> list[str]:
    notes = []
    if len(kits) < ask.settings.kits:
        why = "no more homes may be sent one under the limits"
        if kits["p_return"].sum() > 0.98 * ask.capacity:
            why = f"the laboratory can take {ask.capacity:.0f} returned kits in the time"
        notes.append(f"{len(kits):,} of {ask.settings.kits:,} kits are used: {why}.")
    return notes


def _beyond_caps(limits: Sequence[Limit], on_list: Bools) -> list[str]:
    """Say where the random arm, which no cap binds, takes the list over one."""
    return [
        f"{limit.title[0].upper()}{limit.title[1:]}: the random audit arm is not held to caps and "
        f"brings {counted(over, 'kit')} beyond."
        for limit in limits
        if (over := limit.beyond(on_list))
    ]
