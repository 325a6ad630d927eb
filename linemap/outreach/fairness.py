"""Whether kits go where lead is expected, group by group."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from scipy.stats.contingency import relative_risk

from linemap.errors import ArgumentError
from linemap.outreach.eligibility import UNKNOWN, column_or, require_columns
from linemap.outreach.limits import income_third
from linemap.outreach.plan import KitPlan

_Z95 = 1.959964
COLUMNS = (
    "group_by",
    "group",
    "homes",
    "expected_lead",
    "share_of_lead",
    "kits",
    "share_of_kits",
    "kits_to_lead",
    "kits_to_lead_low",
    "kits_to_lead_high",
    "tested",
    "tested_share",
    "testing_ratio",
    "testing_ratio_low",
    "testing_ratio_high",
    "lead_share",
    "risk_ratio",
    "risk_ratio_low",
    "risk_ratio_high",
)


def fairness(
    homes: pd.DataFrame,
    plan: KitPlan,
    group: str | Sequence[str] = ("income_third", "owner_occupied"),
) -> pd.DataFrame:
    """Hold each group's share of the kits against its share of expected lead.

    ``kits_to_lead`` is share of kits over share of expected lead lines among the homes whose
    lead status is unknown: 1 is even, below 1 the group gets less than its part.
    ``testing_ratio`` compares the share of homes tested so far with that of all other homes,
    ``risk_ratio`` the expected share of lead lines in the same way. Intervals are 95 %, on the
    log scale. They treat homes as independent, so they are the narrowest that can be claimed.

    A group that was never tested has the ratio 0 (infinite if only it was tested): the other
    limit comes from adding a half to each count. A group without a kit has ``kits_to_lead`` 0,
    up to the most by the rule of three. Figures are missing only where nothing can be compared:
    no home on one side, nobody tested, no kits or no lead expected.

    Parameters
    ----------
    homes : DataFrame
        Every home, indexed by parcel_id: ``inventory_class, p_lead`` and, where known, ``p_low,
        p_high, tested, median_income, owner_occupied``, and any column named in ``group``.
    plan : KitPlan
    group : str or sequence of str
        Columns to group by; ``income_third`` is worked out from ``median_income``.

    Returns
    -------
    DataFrame
        One row for each value of each group column, with the columns of ``COLUMNS``.

    Raises
    ------
    ArgumentError
        If a group column is not there.

    References
    ----------
    .. [1] D. Katz, J. Baptista, S. P. Azen and M. C. Pike, "Obtaining confidence intervals for
       the risk ratio in cohort studies", Biometrics 34 (1978), as in scipy's
       ``relative_risk``. From memory.
    .. [2] J. B. S. Haldane, "The estimation and significance of the logarithm of a ratio of
       frequencies", Annals of Human Genetics 20 (1956), and F. J. Anscombe, "On estimating
       binomial response relations", Biometrika 43 (1956), on adding a half. From memory.
    .. [3] J. A. Hanley and A. Lippman-Hand, "If nothing goes wrong, is everything all right?",
       JAMA 249 (1983), on the rule of three. From memory.
    """
    require_columns(homes, ("inventory_class", "p_lead"), "the table of homes")
    names = [group] if isinstance(group, str) else list(group)
    rows = []
    for name in names:
        labels = income_third(homes) if name == "income_third" else column_or(homes, name, None)
        if name not in homes.columns and name != "income_third":
            raise ArgumentError(f"the table of homes has no column {name!r} to group by.")
        labels = labels.astype(object).where(labels.notna(), "unknown").astype(str)
        rows += [
            {"group_by": name, "group": value, **_row(homes, plan, labels.eq(value))}
            for value in sorted(labels.unique())
        ]
    return pd.DataFrame(rows, columns=list(COLUMNS))


def _row(homes: pd.DataFrame, plan: KitPlan, inside: pd.Series) -> dict[str, float]:
    """Return the figures of one group against all other homes."""
    p = homes["p_lead"].fillna(0.0).astype(float)
    unknown = homes["inventory_class"].eq(UNKNOWN)
    lead, spread = _lead(p[inside & unknown])
    other_lead, other_spread = _lead(p[~inside & unknown])
    share_of_lead = _ratio(lead, lead + other_lead)
    on_list = inside.reindex(pd.Index(plan.kits["parcel_id"])).fillna(False).astype(bool)
    kits, all_kits = int(on_list.sum()), len(on_list)
    share_of_kits = _ratio(kits, all_kits)
    spread_of_shares = np.sqrt(
        (1 - share_of_lead) ** 2 * (spread**2 + other_spread**2) + _ratio(1 - share_of_kits, kits)
    )
    even = _ratio(share_of_kits, share_of_lead)
    even_low, even_high = even * np.exp(np.array([-_Z95, _Z95]) * spread_of_shares)
    if kits == 0 and all_kits > 0:
        even_low, even_high = even, _ratio(min(3 / all_kits, 1.0), share_of_lead)
    tested = column_or(homes, "tested", False).astype(bool)
    testing = _testing_ratio(tested, inside)
    risk, risk_spread = _lead(p[inside])
    other_risk, other_risk_spread = _lead(p[~inside])
    ratio = _ratio(_ratio(risk, inside.sum()), _ratio(other_risk, (~inside).sum()))
    ratio_spread = np.hypot(risk_spread, other_risk_spread)
    return {
        "homes": int(inside.sum()),
        "expected_lead": lead,
        "share_of_lead": share_of_lead,
        "kits": kits,
        "share_of_kits": share_of_kits,
        "kits_to_lead": even,
        "kits_to_lead_low": float(even_low),
        "kits_to_lead_high": float(even_high),
        "tested": int(tested[inside].sum()),
        "tested_share": _ratio(tested[inside].sum(), inside.sum()),
        "testing_ratio": testing[0],
        "testing_ratio_low": testing[1],
        "testing_ratio_high": testing[2],
        "lead_share": _ratio(risk, inside.sum()),
        "risk_ratio": ratio,
        "risk_ratio_low": ratio * np.exp(-_Z95 * ratio_spread),
        "risk_ratio_high": ratio * np.exp(_Z95 * ratio_spread),
    }


def _lead(p: pd.Series) -> tuple[float, float]:
    """Return the expected lead lines and the relative standard deviation of their number."""
    expected = float(p.sum())
    return expected, _ratio(float(np.sqrt((p * (1 - p)).sum())), expected)


def _testing_ratio(tested: pd.Series, inside: pd.Series) -> tuple[float, float, float]:
    """Return the ratio of the shares tested, inside over outside, with its limits."""
    here, homes = int(tested[inside].sum()), int(inside.sum())
    there, others = int(tested[~inside].sum()), int((~inside).sum())
    if min(homes, others) == 0 or here + there == 0:
        return np.nan, np.nan, np.nan
    if here and there:
        answer = relative_risk(here, homes, there, others)
        interval = answer.confidence_interval(0.95)
        return float(answer.relative_risk), float(interval.low), float(interval.high)
    rates = (here + 0.5) / (homes + 1), (there + 0.5) / (others + 1)
    spread = np.sqrt(1 / (here + 0.5) - 1 / (homes + 1) + 1 / (there + 0.5) - 1 / (others + 1))
    low, high = rates[0] / rates[1] * np.exp(np.array([-_Z95, _Z95]) * spread)
    return (np.inf, float(low), np.inf) if here else (0.0, 0.0, float(high))


def _ratio(part: float, whole: float) -> float:
    return float(part / whole) if whole > 0 else float("nan")
