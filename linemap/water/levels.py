"""Levels that results are held against, and the figure that the rule puts for a result."""

from __future__ import annotations

import datetime as dt
from typing import Literal

from linemap.errors import ArgumentError
from linemap.published import fact, state_on_file

Edition = Literal["LCR", "LCRR", "LCRI"]


def action_level(
    edition: Edition = "LCRR", *, on: dt.date | None = None, state: str | None = None
) -> float:
    """Return the lead action level that applies.

    Parameters
    ----------
    edition : {"LCR", "LCRR", "LCRI"}
        Edition of the rule. Without a date its own level is returned.
    on : date, optional
        Last day of the sampling period. Before 1 November 2027 the level is that of the
        editions then in force, whatever ``edition`` says, and from that day the newest.
    state : str, optional
        A state with a stricter level on file; the stricter of both applies.

    Returns
    -------
    float
        Level [ug/L].

    Raises
    ------
    ArgumentError
        If the edition or the state is not on file.

    References
    ----------
    40 CFR 141.80(c); 89 FR 86418 (facts ``lead.action_level.*``).

    Examples
    --------
    >>> action_level("LCR"), action_level("LCRI")
    (15.0, 10.0)
    >>> [action_level(on=day) for day in (dt.date(2027, 10, 31), dt.date(2027, 11, 1))]
    [15.0, 10.0]
    """
    level = float(fact(f"lead.action_level.{edition_in_force(edition, on)}").value)
    if state is not None:
        state = state_on_file(state)
        stricter = fact(f"water.action_level_state.{state}")
        if on is None or on >= fact(f"water.action_level_state_from.{state}").value:
            level = min(level, float(stricter.value))
    return level


def edition_in_force(edition: Edition, on: dt.date | None = None) -> Edition:
    """Return the edition of the rule that holds on a day, or the one named where no day is.

    Parameters
    ----------
    edition, on
        See :func:`action_level`.

    Examples
    --------
    >>> [edition_in_force("LCRI", day) for day in (None, dt.date(2026, 1, 1))]
    ['LCRI', 'LCRR']
    """
    if edition not in ("LCR", "LCRR", "LCRI"):
        raise ArgumentError(f"edition {edition!r} is not one of LCR, LCRR, LCRI")
    if on is None:
        return edition
    if on >= fact("lead.action_level_from.LCRI").value:
        return "LCRI"
    return "LCRR" if edition == "LCRI" else edition


def trigger_exceeded(value: float, edition: Edition, on: dt.date | None = None) -> bool:
    """Return whether a 90th percentile lies above the trigger level and not above the action level.

    Parameters
    ----------
    value : float
        [ug/L]
    edition, on
        See :func:`action_level`. Only the 2021 revision (LCRR) has a trigger level; LCRI
        abolished it.

    References
    ----------
    86 FR 4198, above 10 and up to 15 ug/L (fact ``water.trigger_level``, from memory).
    """
    if edition_in_force(edition, on) != "LCRR":
        return False
    trigger, action = fact("water.trigger_level"), fact("lead.action_level.LCRR")
    return float(trigger.value) < value <= float(action.value)


def rule_value(
    value: float,
    *,
    below_limit: bool = False,
    analyte: Literal["lead", "copper"] = "lead",
    between: Literal["as_measured", "half_pql"] = "as_measured",
) -> float:
    """Return the figure that the rule puts in place of one measured result.

    It is for percentiles only. Statistics keep a non-detect as censored at its limit.

    Parameters
    ----------
    value : float
        Result, or the limit of a non-detect [ug/L].
    below_limit : bool
        Whether it is a non-detect; counted as zero.
    analyte : {"lead", "copper"}
        What was measured.
    between : {"as_measured", "half_pql"}
        What stands for a result from the detection limit up to the quantitation level. Below
        the detection limit that laboratories must reach a result counts as zero.

    Returns
    -------
    float
        [ug/L]

    References
    ----------
    40 CFR 141.89(a)(1); 10 NYCRR 5-1.40 note 2; facts ``water.mdl.*`` (from memory).

    Examples
    --------
    >>> rule_value(1, below_limit=True), rule_value(3), rule_value(3, between="half_pql")
    (0.0, 3.0, 2.5)
    """
    if between not in fact("water.report_between_mdl_and_pql").value:
        raise ArgumentError(f"between must be as_measured or half_pql, not {between!r}")
    if below_limit or value < float(fact(f"water.mdl.{analyte}").value):
        return 0.0
    pql = float(fact(f"water.pql.{analyte}").value)
    return pql / 2 if between == "half_pql" and value < pql else float(value)
