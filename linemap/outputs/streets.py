"""Names of streets as they stand in addresses, for people who walk a route."""

from __future__ import annotations

import re
from collections.abc import Iterable

_NUMBER = re.compile(
    r"(?!\d+(?:st|nd|rd|th)\b)[^\s,]*\d[^\s,]*"  # 12, 12A, 12-14, N6W23001; not 42nd
    r"(?:\s*[-–&]\s*\d+[A-Z]?\b)?"  # 12 - 14
    r"(?:\s+(?:\d/\d|[¼½¾])(?=\s))?"  # 12 1/2
    r"[\s,]+",
    re.IGNORECASE,
)

_DWELLING = re.compile(
    r"\s+(?:(?:apartment|apt|unit|suite|ste|lot)\b\.?\s*#?\s*(?:[A-Z]|\S*\d\S*)|#\s*\S+)$",
    re.IGNORECASE,
)


def street_of(address: object) -> str | None:
    """Return the street of an address that begins with a house number; None for any other.

    Parameters
    ----------
    address : str or missing
        What follows the first comma behind the street, such as the city, is left out.

    Returns
    -------
    str or None

    Examples
    --------
    >>> street_of("12-14 Mill Street, Apt 3"), street_of("7 42nd Street"), street_of("PO Box 9")
    ('Mill Street', '42nd Street', None)
    """
    if not isinstance(address, str):
        return None
    number = _NUMBER.match(address.strip())
    if number is None:
        return None
    street = address.strip()[number.end() :].split(",")[0]
    street = _DWELLING.sub("", " ".join(street.split()))
    return street if re.search(r"[^\W\d_]", street) else None


def shared_street(addresses: Iterable[object]) -> str | None:
    """Return the one street that all known addresses stand on; None if there is no such street.

    Large and small letters are one, and the first spelling is kept.

    Examples
    --------
    >>> shared_street(["1 Mill Street", None, "3 MILL STREET"])
    'Mill Street'
    >>> shared_street(["1 Mill Street", "3 Bay Road"]) is None
    True
    """
    streets = [street_of(a) for a in addresses if isinstance(a, str) and a.strip()]
    if not streets or len({street and street.casefold() for street in streets}) != 1:
        return None
    return streets[0]
