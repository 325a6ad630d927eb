"""Words that stand beside every result and every probability.

Sources of the advice: 40 CFR 141.51 (goal of zero), 40 CFR 141.85 (flushing and cold water in
public education), NSF/ANSI 53 and 42 (filters); CDC for blood tests. Wording is our own.
"""

from __future__ import annotations

import pandas as pd

from linemap.published import fact

PROBABILITY_CAUTION = (
    "A probability here is an estimate made from records, age, place, answers and water results. "
    "It is not a finding, and it never sets or changes an inventory class. Only a look at the "
    "pipe or a sound record does that."
)

CAUTIONS = (
    "No level of lead in drinking water is known to be safe.",
    "A result is one moment at one tap. A low result does not prove that there is no lead line.",
    "Ask the local health department or a doctor about blood tests for children and in pregnancy.",
    "Use cold water for drinking, cooking and infant formula. Boiling does not remove lead.",
    "A filter should be certified to NSF/ANSI 53 for lead and 42 for particles, its cartridge "
    "changed on time. Running the tap does not reliably remove lead and is not protection.",
    "Local codes, the health department, the laboratory and licensed plumbers have the last word.",
    "This is not a compliance notice, and figures from volunteers' kits are programme statistics.",
)

ARM_WORDS = {"ranked": "chosen", "floor": "fair share", "audit": "random"}
"""Why a home is on the list, in a word for people in the field."""

ARM_MEANINGS = {
    "chosen": "a kit at this home is expected to tell most",
    "fair share": "so that no group and no part of the city is left out",
    "random": "drawn by lot to check the estimates; never swap it for another home",
}
"""The same words explained."""

PUBLIC_NOTE = (
    "This page shows areas, never single homes. Small counts are left out so that nobody can be "
    "recognised."
)


def rounding_in_words(smallest: int) -> str:
    """Say how public figures are rounded."""
    return (
        f"Counts are rounded to the nearest {smallest}, the ends of an interval outward to the "
        f"next {smallest}."
    )


def left_out_in_words(smallest: int) -> str:
    """Say when a public figure is left out, and what that does not mean."""
    return (
        "A figure is left out where it could point at single homes: where it counts fewer than "
        f"{smallest} homes, or all but fewer than {smallest} homes of an area. Where only one "
        "area would be without a figure, another is left out with it, however large its figure, "
        "since the first could be worked out from the city's total. An area without a figure may "
        "hold little lead or much."
    )


def strictest_level() -> float:
    """Return the lowest federal action level for lead [ug/L], which results are marked by."""
    return float(fact("lead.action_level.LCRI").value)


def high_result_in_words() -> str:
    """Say what is due where a kit shows more than the strictest action level."""
    return (
        f"A kit of this home shows more than {strictest_level():g} ug/L. Tell the resident without "
        "delay. Until the cause is found and mended, water for infants, children and in pregnancy "
        "should be bottled or filtered as said below. The health department advises on blood "
        "tests, and the rules may set a day for the notice."
    )


def expected_in_words(homes: int, city: pd.Series) -> str:
    """Say how many lead lines a city is expected to have, and how sure that is.

    Parameters
    ----------
    homes : int
        Lines that are counted, one a parcel.
    city : Series
        ``expected, low, high`` [homes]: the number and the ends of its 90% interval.

    Examples
    --------
    >>> expected_in_words(2000, pd.Series({"expected": 310.2, "low": 270.0, "high": 355.0}))
    'About 310 of 2,000 lines are expected to be lead (90% interval 270 to 355).'
    """
    return (
        f"About {city['expected']:,.0f} of {homes:,} lines are expected to be lead (90% interval "
        f"{city['low']:,.0f} to {city['high']:,.0f})."
    )
