"""How figures are printed: counts, shares, intervals, and what is not known."""

from __future__ import annotations

from typing import Any

import pandas as pd

NOT_KNOWN = "not known"


def is_missing(value: Any) -> bool:
    """Return whether there is no value to print."""
    return value is None or value == "" or bool(pd.isna(value))


def count(value: Any, missing: str = NOT_KNOWN) -> str:
    """Return a whole number with commas.

    Examples
    --------
    >>> count(12345.6), count(float("nan")), count(None, "")
    ('12,346', 'not known', '')
    """
    return missing if is_missing(value) else f"{value:,.0f}"


def number(value: Any, digits: int = 2, missing: str = NOT_KNOWN) -> str:
    """Return a number with fixed digits, or in words where it has no limit.

    Examples
    --------
    >>> number(1.23456), number(None), number(float("inf"))
    ('1.23', 'not known', 'no upper limit')
    """
    if is_missing(value):
        return missing
    return "no upper limit" if value == float("inf") else f"{value:,.{digits}f}"


def share(value: Any, digits: int = 0, missing: str = NOT_KNOWN) -> str:
    """Return a share in percent.

    Examples
    --------
    >>> share(0.123), share(0.123, 1), share(None)
    ('12%', '12.3%', 'not known')
    """
    return missing if is_missing(value) else f"{value:.{digits}%}"


def plain(value: Any) -> str:
    """Return any value of the settings or of published figures in plain words.

    Examples
    --------
    >>> plain({"low": -3.0, "high": None}), plain(True), plain(())
    ('low -3, high not given', 'yes', 'none')
    """
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, dict):
        parts = [f"{str(key).replace('_', ' ')} {plain(item)}" for key, item in value.items()]
        return ", ".join(parts) if parts else "none"
    if isinstance(value, list | tuple):
        return "; ".join(plain(item) for item in value) if value else "none"
    if is_missing(value):
        return "not given"
    return f"{value:.6g}" if isinstance(value, float) else str(value)
