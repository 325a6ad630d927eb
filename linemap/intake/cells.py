"""From the text of a cell to a value of the contract.

What cannot be read is left standing as text, so that the checker finds and reports it: a cell
is never guessed.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from linemap.intake.dates import parse_date
from linemap.tables import Column

EMPTY_WORDS = frozenset(
    {"", "null", "<null>", "nan", "nat", "na", "n/a", "#n/a", "none", "-", "--", "<na>"}
)
"""What stands in cells of numbers, dates and codes that are empty."""

EMPTY_IDS = ("", "null", "<null>", "nan", "#n/a", "none", "<na>")
"""What stands in cells of ids and text that are empty."""

YES_NO = {"y": "yes", "true": "yes", "t": "yes", "n": "no", "false": "no", "f": "no"}
"""Further spellings of yes and no."""

UNITS = {
    "μg/l": "ug/L",
    "mcg/l": "ug/L",
    "micrograms/liter": "ug/L",
    "micrograms_per_liter": "ug/L",
    "milligrams/liter": "mg/L",
    "milligrams_per_liter": "mg/L",
}
"""Further spellings of the units of results, folded."""

_PLAIN = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]{1,3})?")
_GROUPED = re.compile(r"[+-]?[0-9]{1,3}(?:,[0-9]{3})+(?:\.[0-9]+)?")
_INCHES = re.compile(r"(?:([0-9]{1,2})[ -])?([0-9]{1,2})/([0-9]{1,2})")
_INCH_MARK = re.compile(r"\s*(?:\"|''|in\.?|inch|inches)$", re.IGNORECASE)


def fold(text: str) -> str:
    """Return a code in the spelling in which codes are compared.

    Examples
    --------
    >>> fold(" Don't know "), fold("UG / L"), fold("Galvanized-Steel")
    ('dont_know', 'ug/l', 'galvanized_steel')
    """
    plain = unicodedata.normalize("NFKC", text).casefold().strip()
    plain = re.sub(r"\s*/\s*", "/", plain)
    return re.sub(r"[\s_-]+", "_", re.sub(r"['\u2019`]", "", plain))


def parse_number(text: str, *, unit: str = "") -> float | None:
    """Read one number.

    Parameters
    ----------
    text : str
        ``1950``, ``0.75``, ``1,250,000``; with unit ``currency`` also ``$1,250``; with unit
        ``in`` also ``3/4``, ``1 1/4`` and an inch mark behind it.
    unit : str, optional
        Unit of the column in the contract.

    Returns
    -------
    float or None
        None if it cannot be read. A decimal comma is not read.

    Examples
    --------
    >>> parse_number("1,250"), parse_number("1,5"), parse_number('1 1/4"', unit="in")
    (1250.0, None, 1.25)
    """
    text = text.strip()
    if unit == "currency":
        text = text.removeprefix("$").strip()
    if unit == "in":
        text = _INCH_MARK.sub("", text)
        if match := _INCHES.fullmatch(text):
            whole, part, of = int(match[1] or 0), int(match[2]), int(match[3])
            return whole + part / of if 0 < part < of else None
    if _GROUPED.fullmatch(text):
        text = text.replace(",", "")
    elif not _PLAIN.fullmatch(text):
        return None
    value = float(text)
    return value if np.isfinite(value) else None


def mend_ids(text: pa.Array) -> pa.Array:
    """Return ids as they were before a spreadsheet touched them, or null where empty.

    Spaces at the ends, the wrapper ``="..."`` and a ``.0`` behind whole numbers go; leading
    zeros stay.

    Examples
    --------
    >>> mend_ids(pa.array([" 00123", "123.0", '="007"', ""])).to_pylist()
    ['00123', '123', '007', None]
    """
    trimmed = pc.utf8_trim_whitespace(text)
    bare = pc.replace_substring_regex(trimmed, r'^="(.*)"$', r"\1")
    whole = pc.replace_substring_regex(bare, r"^([0-9]+)\.0+$", r"\1")
    empty = pc.is_in(pc.utf8_lower(whole), value_set=pa.array(EMPTY_IDS))
    return pc.if_else(empty, None, whole)


def read_cells(
    text: pa.Array, column: Column, index: pd.Index, codes: Mapping[str, str], *, day_first: bool
) -> pd.Series:
    """Read one column.

    Parameters
    ----------
    text : pyarrow.Array of string
    column : Column
        Its contract.
    index : Index
        Row numbers.
    codes : mapping of str to str
        The utility's codes and the values they stand for.
    day_first : bool
        Order of dates such as 5/4/2024.

    Returns
    -------
    Series
        Values; text where a cell cannot be read; missing where it is empty.
    """
    if column.kind == "id":
        return _strings(mend_ids(text), index)
    if column.kind == "text":
        trimmed = pc.utf8_trim_whitespace(text)
        empty = pc.is_in(pc.utf8_lower(trimmed), value_set=pa.array(EMPTY_IDS))
        plain = trimmed if column.name == "result" else pc.if_else(empty, None, trimmed)
        return _strings(pc.if_else(pc.equal(plain, ""), None, plain), index)
    encoded = text.dictionary_encode()
    words = encoded.dictionary.to_pylist()
    places = pc.fill_null(encoded.indices, len(words)).to_numpy(zero_copy_only=False)
    if column.kind in ("enum", "material"):
        return _coded(words, places, column, index, codes)
    reader: Callable[[str], Any]
    if column.kind == "date":

        def reader(word: str) -> Any:
            return parse_date(word, day_first=day_first)
    else:

        def reader(word: str) -> Any:
            return parse_number(word, unit=column.unit)

    return _parsed(words, places, column, index, reader)


def _strings(text: pa.Array, index: pd.Index) -> pd.Series:
    """Return strings as Python objects, equal ones shared."""
    return pd.Series(text.to_pandas(deduplicate_objects=True).to_numpy(object), index=index)


def _coded(
    words: list[str],
    places: np.ndarray,
    column: Column,
    index: pd.Index,
    codes: Mapping[str, str],
) -> pd.Series:
    """Translate codes; return a categorical if all are known, else objects."""
    known = {fold(value): value for value in column.allowed}
    if {"yes", "no"} <= set(column.allowed):
        known = {**YES_NO, **known}
    if column.name == "unit":
        known = {**UNITS, **known}
    known |= {fold(code): value for code, value in codes.items()}
    found = []
    for word in words:
        folded = fold(word)
        empty = folded in EMPTY_WORDS or folded == "_"
        found.append(known.get(folded, None if empty else word))
    values = np.array([*found, None], dtype=object)
    if all(value is None or value in column.allowed for value in found):
        order = {value: code for code, value in enumerate(column.allowed)}
        numbers = np.array([order.get(value, -1) for value in values], dtype=np.int8)
        known_codes = pd.CategoricalDtype(list(column.allowed))
        categories = pd.Categorical.from_codes(numbers[places], dtype=known_codes)
        return pd.Series(categories, index=index)
    return pd.Series(values[places], index=index, dtype=object)


def _parsed(
    words: list[str],
    places: np.ndarray,
    column: Column,
    index: pd.Index,
    reader: Callable[[str], Any],
) -> pd.Series:
    """Read each different cell once."""
    empty = [word.strip().lower() in EMPTY_WORDS for word in words]
    found = [None if gone else reader(word) for word, gone in zip(words, empty, strict=True)]
    unread = [v is None and not gone for v, gone in zip(found, empty, strict=True)]
    if any(unread):
        left = [w if bad else v for w, v, bad in zip(words, found, unread, strict=True)]
        if column.kind == "date":
            left = [
                pd.Timestamp(v) if not isinstance(v, str) and v is not None else v for v in left
            ]
        return pd.Series(np.array([*left, None], dtype=object)[places], index=index, dtype=object)
    if column.kind == "date":
        days = np.array([*found, None], dtype="datetime64[D]").astype("datetime64[ns]")
        return pd.Series(days[places], index=index)
    return pd.Series(np.array([*found, None], dtype=float)[places], index=index)
