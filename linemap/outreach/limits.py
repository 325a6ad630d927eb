"""Turn the settings of a list into floors and caps on groups of homes."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from linemap.errors import ArgumentError
from linemap.outreach.eligibility import column_or, require_columns
from linemap.outreach.problem import NO_CAP, Bools, GroupRule, Ints
from linemap.printing import counted
from linemap.settings import GroupLimit, OutreachSettings

FAR_ABOVE = 1.25
"""Times its share of expected lead from which a floor is said to exceed it; our choice."""

MOST_VALUES = 10
"""Values of a column that are named where none is the one that was asked for; our choice."""

THIRDS = ("lowest", "middle", "highest")

WIDE = ("floor_low_income", "floor_renters", "group")
"""Limits on one large group each; the random arm is drawn so that each gets its part."""


@dataclass(frozen=True)
class Limit:
    """One limit of the settings, as a rule on the homes that may be sent a kit.

    Attributes
    ----------
    key : str
        Name of the setting, e.g. ``floor_low_income``.
    title : str
        In words, e.g. ``the floor for the lowest-income third``.
    rule : GroupRule
        Over the eligible homes; a floor is lowered where fewer homes are left than it asks for.
    notes : tuple of str
        What was lowered, and what exceeds the group's part of expected lead.
    """

    key: str
    title: str
    rule: GroupRule
    notes: tuple[str, ...] = ()

    @property
    def has_floor(self) -> bool:
        """Whether the limit asks for kits rather than forbidding them."""
        return bool((self.rule.floor > 0).any())

    def without_floor(self) -> Limit:
        """Return the same limit with its caps only."""
        return replace(self, rule=replace(self.rule, floor=np.zeros_like(self.rule.floor)))

    def less(self, kits: int) -> Limit:
        """Return the same limit with each floor lowered by kits that come from elsewhere."""
        floor = np.maximum(self.rule.floor - kits, 0)
        return replace(self, rule=replace(self.rule, floor=floor))

    def asks_for(self, home: int) -> bool:
        """Whether the limit asks for kits in the group of a home, by its position."""
        group = self.rule.codes[home]
        return bool(group >= 0 and self.rule.floor[group] > 0)

    def counts(self, taken: Bools) -> Ints:
        """Return how many homes of each group a choice holds."""
        codes = self.rule.codes[taken]
        return np.bincount(codes[codes >= 0], minlength=len(self.rule.floor)).astype(np.int64)

    def beyond(self, taken: Bools) -> int:
        """Return how many homes of a choice stand over the caps."""
        return int(np.maximum(self.counts(taken) - self.rule.cap, 0).sum())

    def binds(self, taken: Bools) -> bool:
        """Whether some group stands at its floor or at its cap in a choice."""
        counts = self.counts(taken)
        at_floor = (self.rule.floor > 0) & (counts <= self.rule.floor)
        return bool((at_floor | (counts >= self.rule.cap)).any())


def income_third(homes: pd.DataFrame) -> pd.Series:
    """Return the third of all homes that each home's area income falls in.

    An area stays whole: the thirds are cut between incomes where the share of homes below the
    cut comes nearest to 1/3 and 2/3.

    Parameters
    ----------
    homes : DataFrame
        All homes of the city with ``median_income`` [currency].

    Returns
    -------
    Series of str
        Missing where the income is, index of ``homes``.

    Examples
    --------
    >>> income_third(pd.DataFrame({"median_income": [1.0, 2.0, 3.0]})).tolist()
    ['lowest', 'middle', 'highest']
    """
    income = column_or(homes, "median_income", np.nan).astype(float)
    third = pd.Series([None] * len(homes), index=homes.index, dtype=object)
    share = income.value_counts(normalize=True).sort_index().cumsum()
    if len(share):
        gap = np.abs(share.to_numpy()[:, None] - np.array([1 / 3, 2 / 3]))
        below = share.index.to_numpy(dtype=float)[gap.argmin(axis=0)]
        known = income.notna().to_numpy()
        place = np.searchsorted(below, income[known].to_numpy(), side="left")
        third[known] = np.array(THIRDS, dtype=object)[place]
    return third


def limits_on(homes: pd.DataFrame, eligible: pd.Series, limits: OutreachSettings) -> list[Limit]:
    """Return the limits of the settings as rules on the eligible homes, small groups first.

    Parameters
    ----------
    homes : DataFrame
        All homes of the city.
    eligible : Series of bool
        Homes that may be sent a kit, index of ``homes``.
    limits : OutreachSettings

    Returns
    -------
    list of Limit
        In the order in which floors are served: sites, areas, then the wider groups.

    Raises
    ------
    ArgumentError
        If a group is set on a column that the homes do not have, or on a value that no home has.
    """
    chosen = homes[eligible.to_numpy()]
    kits = limits.kits
    segments = _codes(column_or(chosen, "street_segment", None))
    per_segment = NO_CAP if limits.per_segment is None else limits.per_segment

    def limit(
        key: str, title: str, groups: tuple[Ints, pd.Index], floor: int, cap: int = NO_CAP
    ) -> Limit:
        return _limit(key, title, groups, floor, cap, segments[0], per_segment)

    sites = _codes(column_or(chosen, "site_kind", None).notna())
    site_floor = min(_at_most(limits.site_share, kits), int((sites[0] >= 0).sum()))
    areas = _codes(column_or(chosen, "area_id", None))
    area_title = f"the floor of {counted(limits.floor_per_area, 'kit')} in each area"
    if limits.cap_per_area is not None:
        area_title += f" and the cap of {limits.cap_per_area}"
    found = [
        limit("site_share", "the floor for listed sites such as child care", sites, site_floor),
        limit(
            "floor_per_area",
            area_title,
            areas,
            limits.floor_per_area,
            NO_CAP if limits.cap_per_area is None else limits.cap_per_area,
        ),
    ]
    third = income_third(homes)[eligible.to_numpy()]
    low = third.eq("lowest")
    low_share = _floor_share(
        chosen["p_lead"], low, limits.floor_low_income, limits.low_income_kits_to_lead
    )
    renters = column_or(chosen, "owner_occupied", None).eq("no")
    renter_share = _floor_share(
        chosen["p_lead"], renters, limits.floor_renters, limits.renter_kits_to_lead
    )
    for group in limits.group:
        if group.column == "income_third":
            inside = _inside(income_third(homes), group)[eligible.to_numpy()]
        else:
            require_columns(homes, (group.column,), "the table of homes")
            inside = _inside(homes[group.column], group)[eligible.to_numpy()]
        found.append(
            limit(
                "group",
                f"the limits for {group.column} = {group.value}",
                _codes(inside),
                _share(group.floor, kits),
                NO_CAP if group.cap >= 1 else _at_most(group.cap, kits),
            )
        )
    found += [
        limit(
            "floor_renters",
            f"the floor of {renter_share:.0%} for renters",
            _codes(renters),
            _share(renter_share, kits),
        ),
        limit(
            "floor_low_income",
            f"the floor of {low_share:.0%} for the lowest-income third",
            _codes(low),
            _share(low_share, kits),
        ),
    ]
    found = [
        _with_excess(one, chosen["p_lead"].to_numpy(dtype=float), kits) if one.key in WIDE else one
        for one in found
    ]
    if limits.per_segment is not None:
        title = f"the limit of {counted(limits.per_segment, 'kit')} per street segment"
        found.append(limit("per_segment", title, segments, 0, per_segment))
    return found


def _inside(labels: pd.Series, group: GroupLimit) -> pd.Series:
    """Return which homes have the value of a group; a column of numbers is compared by number.

    Raises
    ------
    ArgumentError
        If no home of the city has it, with the values that there are.
    """
    numbers = pd.api.types.is_numeric_dtype(labels) and not pd.api.types.is_bool_dtype(labels)
    inside = labels.astype(str).eq(group.value) & labels.notna()
    if numbers:
        inside = labels.eq(pd.to_numeric(group.value, errors="coerce")).fillna(False).astype(bool)
    if not inside.any():
        there = sorted(labels.dropna().unique())
        named = ", ".join(f"{one:g}" if numbers else str(one) for one in there[:MOST_VALUES])
        more = f" and {len(there) - MOST_VALUES:,} more" if len(there) > MOST_VALUES else ""
        raise ArgumentError(
            f"a limit is set on {group.column} = {group.value}, which no home of this city has. "
            f"Its values are: {named or 'none, the column is empty'}{more}."
        )
    return inside


def _floor_share(p_lead: pd.Series, inside: pd.Series, fixed: float, kits_to_lead: float) -> float:
    """Return the share of the kits that a group gets at least.

    Either a fixed share or a part of the group's share of expected lead, whichever is more.
    """
    share_of_lead = p_lead[inside].sum() / max(p_lead.sum(), 1e-12)
    return float(max(fixed, min(kits_to_lead * share_of_lead, 1.0)))


def _with_excess(limit: Limit, p_lead: np.ndarray, kits: int) -> Limit:
    """Say so where a group's floor is far above its share of expected lead."""
    inside = limit.rule.codes == 0
    floor = int(limit.rule.floor.sum()) / kits
    part = float(p_lead[inside].sum() / max(p_lead.sum(), 1e-12))
    if floor <= FAR_ABOVE * part:
        return limit
    note = (
        f"{limit.title[0].upper()}{limit.title[1:]}: this floor exceeds {FAR_ABOVE:g} times the "
        f"group's share of expected lead ({floor:.0%} of the kits, {part:.0%} of the lead)."
    )
    return replace(limit, notes=(*limit.notes, note))


def _share(share: float, kits: int) -> int:
    return int(np.ceil(share * kits - 1e-9))


def _at_most(share: float, kits: int) -> int:
    return int(share * kits + 1e-9)


def _codes(labels: pd.Series) -> tuple[Ints, pd.Index]:
    """Return group codes and names; a flag makes one group of the homes where it is set."""
    if labels.dtype == bool:
        labels = labels.map({True: "yes"})
    codes, names = pd.factorize(labels, sort=True)
    return codes.astype(np.int64), pd.Index(names)


def _room(codes: Ints, groups: int, segments: Ints, per_segment: int) -> Ints:
    """Return how many homes of each group may be taken under the limit per segment."""
    inside = (codes >= 0) & (segments >= 0)
    pairs = pd.Series(1, index=pd.MultiIndex.from_arrays([codes[inside], segments[inside]]))
    each = pairs.groupby(level=[0, 1]).sum().clip(upper=per_segment)
    room = np.bincount(codes[(codes >= 0) & (segments < 0)], minlength=groups)
    room += np.bincount(each.index.get_level_values(0), each, minlength=groups).astype(np.int64)
    return room.astype(np.int64)


def _limit(
    key: str,
    title: str,
    groups: tuple[Ints, pd.Index],
    floor: int,
    cap: int,
    segments: Ints,
    per_segment: int,
) -> Limit:
    codes, names = groups
    sizes = _room(codes, len(names), segments, per_segment)
    floors = np.minimum(sizes, floor)
    notes = []
    lowered = np.flatnonzero(floors < floor)
    if len(names) == 0 and floor > 0:
        notes.append(f"{title}: no home that may be sent a kit belongs to this group.")
    elif len(lowered) and len(names) == 1:
        notes.append(f"{title}: only {counted(sizes[0], 'such home')} can be sent one.")
    elif len(lowered):
        some = ", ".join(str(names[i]) for i in lowered[:5])
        notes.append(
            f"{title}: lowered in {counted(len(lowered), 'area')} with fewer homes left ({some}"
            f"{' ...' if len(lowered) > 5 else ''})."
        )
    caps = np.full(len(names), cap, dtype=np.int64)
    return Limit(key, title, GroupRule(title, codes, floors.astype(np.int64), caps), tuple(notes))
