"""Addresses of the invented city: a house number along its stretch of an invented street."""

from __future__ import annotations

import numpy as np

from synthetic_city.draws import Floats, Ints

_WORDS = (
    *("Acorn", "Barley", "Candle", "Drover", "Elder", "Fennel", "Gander", "Harrow", "Iris"),
    *("Kettle", "Lark", "Mason", "Nettle", "Osier", "Pepper", "Quince", "Rook", "Spindle"),
    *("Teasel", "Vetch", "Wagon", "Yarrow"),
)
_KINDS = ("Street", "Road", "Lane", "Avenue", "Way", "Place")


def addresses(street: Ints, stretch: Ints, x: Floats, y: Floats) -> list[str]:
    """Return the address of each lot.

    Parameters
    ----------
    street, stretch : array of int, shape (n,)
        Codes of the street and of its stretches.
    x, y : array, shape (n,)
        Place [m]; house numbers rise along the stretch.

    Returns
    -------
    list of str, length n
        All different.
    """
    order = np.lexsort((y, x, stretch, street))
    group = street[order] * 100_000 + stretch[order]
    first = np.flatnonzero(np.r_[True, group[1:] != group[:-1]])
    place = np.arange(len(order)) - np.repeat(first, np.diff(np.r_[first, len(order)]))
    _, code = np.unique(street, return_inverse=True)
    _, block = np.unique(stretch, return_inverse=True)
    number = np.empty(len(order), dtype=np.int64)
    number[order] = 1000 * (block[order] + 1) + 2 * place + 1
    return [f"{n} {_street(c)}" for n, c in zip(number.tolist(), code.tolist(), strict=True)]


def _street(code: int) -> str:
    """Return the name of a street; names that are used up come again with a number."""
    turn, at = divmod(code, len(_WORDS) * len(_KINDS))
    name = f"{_WORDS[at % len(_WORDS)]} {_KINDS[at // len(_WORDS)]}"
    return f"{name} {turn + 1}" if turn else name
