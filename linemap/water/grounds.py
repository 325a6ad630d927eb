"""Grounds on which a kit is doubted or not used, and how a result may be set aside.

The grounds found in the form and the bottles are data in this file. Grounds that a person adds
afterwards come from a closed list in the regulations. A high result is in neither.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Collection
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd

from linemap.errors import ArgumentError
from linemap.published import fact

Verdict = Literal["usable", "usable_with_doubt", "not_usable"]

VERDICTS: tuple[Verdict, ...] = ("usable", "usable_with_doubt", "not_usable")
"""Verdicts from best to worst."""


@dataclass(frozen=True)
class Ground:
    """One ground of a verdict.

    Attributes
    ----------
    name : str
        Short key.
    verdict : {"usable_with_doubt", "not_usable"}
        What the ground alone makes of the kit.
    words : str
        How the ground is put in the ``reasons`` column.
    """

    name: str
    verdict: Verdict
    words: str


GROUNDS: dict[str, Ground] = {
    ground.name: ground
    for ground in (
        Ground("stood_short", "not_usable", "water stood under {stagnation_least:g} h"),
        Ground("stood_long", "usable_with_doubt", "water stood over {stagnation_most:g} h"),
        Ground("stood_unknown", "usable_with_doubt", "hours of standing not given"),
        Ground("filter", "not_usable", "a filter was used"),
        Ground("filter_unknown", "usable_with_doubt", "resident does not know of a filter"),
        Ground("unsigned", "not_usable", "signature missing"),
        Ground("dates", "usable_with_doubt", "dates out of order"),
        Ground("future", "usable_with_doubt", "a date lies in the future"),
        Ground("old", "not_usable", "sample over {hold_acidified:g} days old at the laboratory"),
        Ground(
            "held",
            "usable_with_doubt",
            "sample over {hold_unacidified:g} days old at the laboratory",
        ),
        Ground("flush_short", "usable_with_doubt", "tap ran less than asked"),
        Ground("flush_long", "usable_with_doubt", "tap ran longer than asked"),
        Ground("first_missing", "usable_with_doubt", "first bottle missing"),
        Ground("flushed_missing", "usable_with_doubt", "flushed bottle missing"),
        Ground("no_bottles", "not_usable", "no bottle with a result"),
        Ground("unreadable", "usable_with_doubt", "a laboratory result cannot be read"),
        Ground("analyte_missing", "usable_with_doubt", "an analyte was not measured"),
        Ground("no_lead", "not_usable", "no readable lead result"),
        Ground("limit_missing", "usable_with_doubt", "detection limit not given"),
        Ground("swapped", "not_usable", "bottles noted as swapped on paper"),
        Ground(
            "swap_suspected",
            "usable_with_doubt",
            "bottles may be swapped on paper: copper rose while the tap ran",
        ),
        Ground("twice", "usable_with_doubt", "kit returned twice"),
        Ground("conflict", "not_usable", "two different results for one bottle"),
    )
}
"""Every ground that :func:`linemap.water.check_kits` looks for, in the order of reporting."""


@dataclass(frozen=True)
class KitRules:
    """What a programme asks of its kits.

    The defaults come from ``published.toml`` (entries ``water.*``), where each stands with its
    source.

    Attributes
    ----------
    stagnation_least, stagnation_most : float
        Standing time [h] below which a kit is not usable and above which it is doubted.
    flush_least, flush_most : float
        Running time [min] that the instruction asks for.
    hold_unacidified, hold_acidified : float
        Age of a sample at the laboratory [d] above which it is doubted, and not used.
    copper_swap_ratio : float
        Copper of the flushed bottle over that of the first bottle from which a swap on paper
        is suspected.
    analytes : tuple of str
        What should have been measured in each bottle.
    """

    stagnation_least: float = float(fact("water.stagnation_least").value)
    stagnation_most: float = float(fact("water.stagnation_most").value)
    flush_least: float = float(fact("water.flush_asked").value[0])
    flush_most: float = float(fact("water.flush_asked").value[1])
    hold_unacidified: float = float(fact("water.hold_unacidified").value)
    hold_acidified: float = float(fact("water.hold_acidified").value)
    copper_swap_ratio: float = float(fact("water.copper_swap_ratio").value)
    analytes: tuple[str, ...] = ("lead",)

    def __post_init__(self) -> None:
        if not 0 <= self.stagnation_least <= self.stagnation_most:
            raise ArgumentError("the least standing time must not exceed the most")
        if not 0 <= self.flush_least <= self.flush_most:
            raise ArgumentError("the least running time must not exceed the most")
        if not 0 <= self.hold_unacidified <= self.hold_acidified:
            raise ArgumentError("the unacidified holding time must not exceed the acidified one")
        if not set(self.analytes) <= {"lead", "copper"} or "lead" not in self.analytes:
            raise ArgumentError("analytes must be lead, or lead and copper")


def judge(
    marks: dict[str, np.ndarray], n: int, rules: KitRules
) -> tuple[pd.Categorical, np.ndarray]:
    """Return the verdict and the reasons of ``n`` kits.

    Parameters
    ----------
    marks : dict of str to ndarray of bool, shape (n,)
        For each ground, by name, the kits to which it applies.
    n : int
        Number of kits.
    rules : KitRules
        Limits to print in the reasons.

    Returns
    -------
    Categorical of length n
        The worst verdict of the grounds that apply.
    ndarray of object, shape (n,)
        All grounds in words, parted by semicolons; None where there is none.
    """
    worst = np.zeros(n, dtype=np.int8)
    reasons = np.full(n, "", dtype=object)
    for name, ground in GROUNDS.items():
        mask = marks.get(name)
        if mask is None or not mask.any():
            continue
        worst[mask] = np.maximum(worst[mask], VERDICTS.index(ground.verdict))
        words = ground.words.format_map(vars(rules))
        reasons[mask] = np.where(reasons[mask] == "", words, reasons[mask] + f"; {words}")
    reasons[reasons == ""] = None
    verdicts = pd.Categorical(np.array(VERDICTS, dtype=object)[worst], categories=list(VERDICTS))
    return verdicts, reasons


def set_aside(
    pairs: pd.DataFrame, kit_ids: Collection[str], *, ground: str, note: str = ""
) -> pd.DataFrame:
    """Set kits aside for one of the grounds that the regulations allow.

    The results stay in the table; only the verdict and the reasons change.

    Parameters
    ----------
    pairs : DataFrame
        Table of the ``pairs`` contract.
    kit_ids : collection of str
        Kits to set aside.
    ground : {"lab_error", "wrong_site", "container_damaged", "tampering", "wrong_method"}
        The ground. The list is closed.
    note : str
        What happened, for the file.

    Returns
    -------
    DataFrame
        A copy of ``pairs`` in which the kits are ``not_usable``.

    Raises
    ------
    ArgumentError
        If the ground is not on the list (a high result never is), or a kit is not in the table.

    References
    ----------
    Ala. Admin. Code 335-7-11-.09; 22 CCR 64677.5; 86 FR 4198 (fact ``water.set_aside_grounds``).

    Examples
    --------
    >>> pairs = pd.DataFrame({"kit_id": ["K1"], "verdict": ["usable"], "reasons": [None]})
    >>> set_aside(pairs, ["K1"], ground="lab_error")["reasons"].item()
    'set aside: lab error'
    >>> set_aside(pairs, ["K1"], ground="high result")
    Traceback (most recent call last):
    ...
    linemap.errors.ArgumentError: 'high result' is not a ground for setting a result aside: a \
result is never invalid for being high. Grounds: lab_error, wrong_site, container_damaged, \
tampering, wrong_method.
    """
    allowed = list(fact("water.set_aside_grounds").value)
    if ground not in allowed:
        raise ArgumentError(
            f"{ground!r} is not a ground for setting a result aside: a result is never invalid "
            f"for being high. Grounds: {', '.join(allowed)}."
        )
    wanted = {kit_ids} if isinstance(kit_ids, str) else set(kit_ids)
    missing = sorted(wanted - set(pairs["kit_id"]))
    if missing:
        raise ArgumentError(f"these kits are not in the table: {', '.join(map(str, missing))}")
    out = pairs.copy()
    mask = out["kit_id"].isin(wanted).to_numpy()
    words = f"set aside: {ground.replace('_', ' ')}" + (
        f" ({note.replace(';', ',')})" if note else ""
    )
    before = out["reasons"].astype(object).where(out["reasons"].notna(), "")
    joined = (before + "; " + words).where(before != "", words)
    out["reasons"] = before.where(before != "", None).mask(mask, joined)
    verdict = out["verdict"].astype(object).mask(mask, "not_usable")
    out["verdict"] = pd.Categorical(verdict, categories=list(VERDICTS))
    return out


def replacement_due(set_aside_on: dt.date, period_end: dt.date) -> dt.date:
    """Return the last day for a sample that replaces one that was set aside.

    Parameters
    ----------
    set_aside_on : date
        Day of the decision.
    period_end : date
        Last day of the monitoring period.

    Returns
    -------
    date
        20 days after the decision or the end of the period, whichever is later.

    References
    ----------
    Ala. Admin. Code 335-7-11-.09 (fact ``water.replacement_sample_days``).

    Examples
    --------
    >>> replacement_due(dt.date(2026, 6, 25), dt.date(2026, 6, 30))
    datetime.date(2026, 7, 15)
    """
    days = int(fact("water.replacement_sample_days").value)
    return max(set_aside_on + dt.timedelta(days=days), period_end)
