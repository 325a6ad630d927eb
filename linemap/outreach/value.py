"""What a kit is worth at each home, in parts that can be read and weighed."""

from __future__ import annotations

import numpy as np
import pandas as pd

from linemap.outreach.eligibility import column_or, require_columns
from linemap.settings import ValueSettings

PARTS = ("value_find", "value_learn", "value_harm")


def kit_value(homes: pd.DataFrame, weights: ValueSettings) -> pd.DataFrame:
    """Return the worth of a kit at each home and its three parts [lead lines].

    ``value_find`` is the weight of finding times the probability of lead. ``value_learn`` is
    the weight of learning times ``learn``, what a kit's two bottles and form would change in
    the city's scores. ``value_harm`` is the weight of harm times the probability of lead times
    the chance that somebody whom lead harms most drinks there, see :func:`chance_of_sensitive`.
    ``value`` is the sum of the parts times the chance that a usable kit comes back.

    Parameters
    ----------
    homes : DataFrame
        Indexed by parcel_id with ``p_lead``, ``p_return`` [share] and, where known, ``learn``
        [lead lines] and the columns of :func:`chance_of_sensitive`.
    weights : ValueSettings
        Worth of each part in units of one expected lead line.

    Returns
    -------
    DataFrame
        ``value_find, value_learn, value_harm, value``, index of ``homes``.

    Examples
    --------
    >>> homes = pd.DataFrame({"p_lead": [0.5], "p_return": [0.4], "learn": [0.1],
    ...                       "site_kind": ["school"]})
    >>> kit_value(homes, ValueSettings(find=1.0, learn=1.0, harm=0.2)).round(3).iloc[0].tolist()
    [0.5, 0.1, 0.1, 0.28]
    """
    require_columns(homes, ("p_lead", "p_return"), "the table of homes")
    lead = homes["p_lead"].astype(float)
    parts = pd.DataFrame(
        {
            "value_find": weights.find * lead,
            "value_learn": weights.learn
            * column_or(homes, "learn", 0.0).astype(float).fillna(0.0).clip(lower=0.0),
            "value_harm": weights.harm * lead * chance_of_sensitive(homes),
        },
        index=homes.index,
    )
    parts["value"] = parts[list(PARTS)].sum(axis=1) * homes["p_return"].astype(float)
    return parts


def chance_of_sensitive(homes: pd.DataFrame) -> pd.Series:
    """Return the chance that somebody whom lead harms most drinks at each home.

    A site (child care, school) and a home where a pregnancy was reported count as certain.
    Elsewhere the children under six of the area are spread over its dwellings, and the chance
    of at least one child is ``1 - exp(-children expected here)``. Areas without a count take
    the mean of the others.

    Parameters
    ----------
    homes : DataFrame
        With any of ``children_under_6`` (of the whole area), ``area_id``, ``dwelling_units``,
        ``pregnant`` (True or "yes"), ``site_kind``.

    Returns
    -------
    Series of float
        Between 0 and 1, index of ``homes``.

    References
    ----------
    .. [1] The band under six years follows the public-health convention for blood lead in
       children (CDC). Spreading the children evenly over dwellings is our choice.
    """
    dwellings = column_or(homes, "dwelling_units", np.nan).astype(float).fillna(1.0).clip(lower=0.0)
    area = column_or(homes, "area_id", None)
    in_area = dwellings.groupby(area).transform("sum")
    children = column_or(homes, "children_under_6", np.nan).astype(float) / in_area
    each = children.where(np.isfinite(children))
    each = each.fillna(each.mean()).fillna(0.0)
    chance = 1.0 - np.exp(-each * dwellings)
    certain = column_or(homes, "site_kind", None).notna()
    certain |= column_or(homes, "pregnant", False).isin([True, "yes"])
    return chance.mask(certain, 1.0)
