"""Lists that people work from: CSV for mail merge, a workbook, a GIS layer, route sheets."""

from __future__ import annotations

import csv
import math
from collections.abc import Hashable
from datetime import date, datetime
from io import BytesIO
from itertools import groupby
from operator import itemgetter
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import xlsxwriter
from jinja2 import Environment, PackageLoader, select_autoescape

from linemap.outputs.streets import shared_street, street_of
from linemap.outputs.wording import ARM_MEANINGS, ARM_WORDS, CAUTIONS, PROBABILITY_CAUTION
from linemap.tables import contract, listed_columns

_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")

_ROWS_AT_ONCE = 50_000
"""Rows turned into text at a time, to bound memory."""

ARM_LABELS = {
    "ranked": "ranked (chosen for worth)",
    "floor": "floor (fair share)",
    "audit": "audit (random)",
}
"""The word of an arm in the files with the word that people in the field use."""

STAFF_ONLY = "Staff only, not to be shared: this file names homes and people's addresses."

ORDER_NOTE = (
    "The rows stand in the order of sending (column rank). Homes with a listed site, such as a "
    "child care or a school, come first, then all others; in both parts the kit that is worth "
    "most comes first (column value): what it may find, what it would teach, and the people "
    "there whom lead harms most, times the chance that it comes back. Random homes are put in "
    "anywhere by lot, with a site or without. So a low chance of lead can stand above a high "
    "one: that home has a listed site, was placed by lot, has more to teach, or is likelier to "
    "send its kit back."
)

NOT_CLEARED = (
    "A home left off this list is not cleared, and a kit that comes back low does not clear a home."
)

PERCENT_NOTE = (
    "Chances are shown as percentages; the cell holds the number from 0 to 1. What lies below 1% "
    "or above 99% is shown as under 1% or over 99%, since no chance is certain."
)

_READ_FIRST = ("parcel_id", "address", "name")
"""Columns that the sheet of homes begins with, so far as they are there."""

_BEFORE_WHY = ("week", "site_kind")
"""Columns that are put before the reason, with which print ends."""

_FRONT_WIDTHS = (32, 12, 84)
"""Columns of the front sheet [characters]."""

_LONGEST, _HIGHEST = 64.0, 409.0
"""Widest column of the sheet of homes [characters] and highest row that programs open [points]."""

_CHANCES = ("p_lead", "p_low", "p_high", "p_return", "p_return_low", "p_return_high")


def defuse_formulas(table: pd.DataFrame) -> pd.DataFrame:
    """Return the table with text that a spreadsheet would run as a formula made harmless.

    Parameters
    ----------
    table : DataFrame

    Returns
    -------
    DataFrame
        Same shape and index. Text cells that begin with ``= + - @`` (also in full width), a
        tab or a line end get a leading apostrophe.

    Examples
    --------
    >>> defuse_formulas(pd.DataFrame({"name": ["=1+1", "Mill Hill"]}))["name"].tolist()
    ["'=1+1", 'Mill Hill']
    """
    out = table.copy()
    for name in out.columns:
        values = out[name]
        if pd.api.types.is_numeric_dtype(values) or pd.api.types.is_datetime64_any_dtype(values):
            continue
        text = values.astype(object)
        risky = [isinstance(v, str) and v.startswith(_FORMULA_STARTS) for v in text]
        if any(risky):
            out[name] = [f"'{v}" if bad else v for v, bad in zip(text, risky, strict=True)]
    return out


def write_csv(table: pd.DataFrame, path: Path) -> None:
    """Write a table as CSV: UTF-8, line feeds, floats with six significant digits, days."""
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("w", encoding="utf-8", newline="") as stream:
        pen = csv.writer(stream, lineterminator="\n")
        pen.writerow(table.columns)
        for start in range(0, len(table), _ROWS_AT_ONCE):
            part = defuse_formulas(table.iloc[start : start + _ROWS_AT_ONCE])
            pen.writerows(zip(*(_cells(part[name]) for name in part.columns), strict=True))


def _cells(values: pd.Series) -> list[Any]:
    """Return the cells of a column as they are written; None is an empty cell."""
    if pd.api.types.is_float_dtype(values):
        plain = values.to_numpy(dtype=float, na_value=np.nan).tolist()
        return [None if number != number else f"{number:.6g}" for number in plain]
    if pd.api.types.is_datetime64_any_dtype(values):
        values = values.dt.strftime("%Y-%m-%d")
    return values.astype(object).where(values.notna(), None).tolist()


def write_kit_workbook(kits: pd.DataFrame, path: Path, *, city: str, as_of: date) -> None:
    """Write the kit list as a workbook with a front sheet that explains it.

    Parameters
    ----------
    kits : DataFrame
        By the ``kit_list`` contract; further columns follow the contract's. The sheet of homes
        begins with home, address and area and has week and site before the reason, whatever the
        order here.
    path : Path
    city : str
        Name for the front sheet.
    as_of : date
        Day of the list.
    """
    first = [name for name in _READ_FIRST if name in kits]
    before = [name for name in _BEFORE_WHY if name in kits]
    rest = [name for name in kits.columns if name not in (*first, *before)]
    at = rest.index("why")
    kits = kits[[*first, *rest[:at], *before, *rest[at:]]]
    content = BytesIO()  # nothing of a household goes through a folder for temporary files
    options = {"in_memory": True, "strings_to_formulas": False, "strings_to_urls": False}
    with xlsxwriter.Workbook(content, options) as book:
        book.set_properties({"created": datetime(as_of.year, as_of.month, as_of.day)})
        head = book.add_format({"bold": True, "bottom": 1, "text_wrap": True, "valign": "top"})
        title = f"Homes for the next kits, {city}, {as_of.isoformat()}"
        _write_front_sheet(book, kits, title, head)
        _write_homes_sheet(book, kits, head)
    path.write_bytes(content.getvalue())


def _write_front_sheet(
    book: xlsxwriter.Workbook, kits: pd.DataFrame, title: str, head: Any
) -> None:
    """Write the sheet that says what the list holds, how it is ordered and what it cannot tell."""
    wrap = book.add_format({"text_wrap": True, "valign": "top"})
    beside = book.add_format({"text_wrap": True, "align": "left", "valign": "top", "indent": 1})
    strong = book.add_format({"bold": True, "text_wrap": True, "valign": "top"})
    indented = book.add_format({"bold": True, "bottom": 1, "indent": 1})
    numbers = {
        int: book.add_format({"num_format": "#,##0", "valign": "top"}),
        float: book.add_format({"num_format": "#,##0.0", "valign": "top"}),
    }
    front = book.add_worksheet("Read first")
    for place, width in enumerate(_FRONT_WIDTHS):
        front.set_column(place, place, width)
    _set_page(front)
    front.merge_range(0, 0, 0, 2, STAFF_ONLY, strong)
    front.write_string(1, 0, title, book.add_format({"bold": True, "font_size": 14}))

    def write_table(row: int, titles: tuple[str, str, str], lines: list[Any]) -> int:
        """Write a head and lines of three cells; return the row of the last."""
        front.write_row(row, 0, titles[:2], head)
        front.write_string(row, 2, titles[2], indented)
        for left, middle, right in lines:
            row += 1
            front.write_string(row, 0, left, wrap)
            front.write(row, 1, middle, numbers.get(type(middle), wrap))
            front.write_string(row, 2, right, beside)
            front.set_row(row, _height(right, _FRONT_WIDTHS[2]))
        return row

    held = ("What the list holds", "Number", "How it is counted")
    row = write_table(3, held, _what_it_holds(kits)) + 1
    for text, style in (
        (NOT_CLEARED, strong),
        (ORDER_NOTE, wrap),
        *((caution, wrap) for caution in (PROBABILITY_CAUTION, *CAUTIONS)),
        (PERCENT_NOTE, wrap),
    ):
        row += 1
        front.merge_range(row, 0, row, 2, text, style)
        front.set_row(row, _height(text, sum(_FRONT_WIDTHS)))

    columns = [(one.name, one.unit, one.meaning) for one in listed_columns(kits, "kit_list")]
    write_table(row + 2, ("Column", "Unit", "What it holds"), columns)


def _height(text: str, width: float) -> float:
    """Return the height of a row [points] that shows a text in a column of so many characters.

    Not every spreadsheet program finds it by itself when it opens the file.
    """
    return min(16.0 * max(math.ceil(len(text) / width), 1), _HIGHEST)


def _what_it_holds(kits: pd.DataFrame) -> list[tuple[str, int | float, str]]:
    """Return counts and sums of the list, each with how it is counted."""
    lead, back = (kits[name].astype(float) for name in ("p_lead", "p_return"))
    return [
        *(
            (label, int(kits["arm"].eq(arm).sum()), ARM_MEANINGS[ARM_WORDS[arm]])
            for arm, label in ARM_LABELS.items()
        ),
        ("kits", len(kits), "rows of the sheet Kits"),
        ("kits expected back", float(back.sum()), "sum of p_return: usable kits, on average"),
        (
            "lead lines expected among them",
            float((lead * back).sum()),
            "sum of p_lead * p_return: lead lines at homes whose kit comes back, on average; an "
            "estimate, and not what the water results will show",
        ),
    ]


def _set_page(sheet: Any) -> None:
    """Make a sheet print across the page, with who may read it above."""
    sheet.set_landscape()
    sheet.fit_to_pages(1, 0)
    sheet.set_header(f"&L{STAFF_ONLY}&R&P of &N")


def _write_homes_sheet(book: xlsxwriter.Workbook, kits: pd.DataFrame, head: Any) -> None:
    """Write the sheet with a row for each home."""
    shown: dict[str, dict[str, Any]] = {
        "chance": {"num_format": '[<0.01]"under 1%";[>0.99]"over 99%";0%'},
        "drawn": {"num_format": "[=1]0%;0.00%"},
        "fraction": {"num_format": "0.000"},
        "whole": {"num_format": "0"},
        "day": {"num_format": "yyyy-mm-dd"},
        "text": {"align": "left", "indent": 1},
        "sentence": {"align": "left", "indent": 1, "text_wrap": True},
    }
    styles = {name: book.add_format({"valign": "top", **how}) for name, how in shown.items()}
    sheet = book.add_worksheet("Kits")
    sheet.freeze_panes(1, 1)
    sheet.write_row(0, 0, list(kits.columns), head)
    sheet.autofilter(0, 0, max(len(kits), 1), len(kits.columns) - 1)
    sheet.repeat_rows(0)
    _set_page(sheet)
    # What comes after the reason is for filters, and would make print too small.
    sheet.print_area(0, 0, max(len(kits), 1), kits.columns.get_loc("why"))
    width = _width("why", kits["why"])
    for line, why in enumerate(kits["why"].fillna(""), start=1):
        sheet.set_row(line, _height(why, width))
    for position, name in enumerate(kits.columns):
        values = defuse_formulas(kits[[name]])[name]
        sheet.set_column(position, position, _width(name, values))
        style = _cell_style(name, values, styles)
        for line, value in enumerate(values, start=1):
            if pd.isna(value):
                continue
            if isinstance(value, str):
                sheet.write_string(line, position, value, style)
            elif isinstance(value, pd.Timestamp):
                sheet.write_datetime(line, position, value.to_pydatetime(), style)
            else:
                sheet.write(line, position, value, style)


def _width(name: str, values: pd.Series) -> float:
    """Return the width of a column [characters] that shows its name and most of its text."""
    text = values[[isinstance(value, str) for value in values]]
    longest = float(text.astype(str).str.len().quantile(0.95)) + 2 if len(text) else 0.0
    return max(11.0, len(name) + 3.0, min(longest, _LONGEST))


def _cell_style(name: str, values: pd.Series, styles: dict[str, Any]) -> Any:
    """Return how the cells of a column are shown: day, chance, whole number or fraction."""
    if pd.api.types.is_datetime64_any_dtype(values):
        return styles["day"]
    if not pd.api.types.is_numeric_dtype(values):
        return styles["sentence" if name == "why" else "text"]
    if name in _CHANCES:
        return styles["chance"]
    if name == "inclusion_probability":
        return styles["drawn"]
    column = contract("kit_list").get(name)
    whole = column is not None and column.kind == "integer"
    return styles["whole" if whole or pd.api.types.is_integer_dtype(values) else "fraction"]


def write_kit_layer(
    kits: pd.DataFrame, parcels: gpd.GeoDataFrame, path: Path, *, as_of: date
) -> None:
    """Write the kit list as a GeoPackage layer of parcel outlines in WGS 84.

    Parameters
    ----------
    kits : DataFrame
        By the ``kit_list`` contract.
    parcels : GeoDataFrame
        Indexed by parcel_id.
    path : Path
    as_of : date
        Day of the list; it stands as the file's time of change, so that the same list gives the
        same bytes.
    """
    shapes = parcels.geometry.reindex(kits["parcel_id"]).to_numpy()
    rows = kits.reset_index(drop=True).assign(arm=kits["arm"].astype(str).to_numpy())
    layer = gpd.GeoDataFrame(rows, geometry=shapes, crs=parcels.crs)
    before = pyogrio.get_gdal_config_option("OGR_CURRENT_DATE")
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": f"{as_of.isoformat()}T00:00:00.000Z"})
    try:
        path.unlink(missing_ok=True)
        layer.to_crs(4326).to_file(path, layer="kits", driver="GPKG", engine="pyogrio")
    finally:
        pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": before})


def write_route_sheets(kits: pd.DataFrame, path: Path, *, city: str, as_of: date) -> None:
    """Write printable sheets of the kit list grouped by area and stretch of street.

    Parameters
    ----------
    kits : DataFrame
        By the ``kit_list`` contract with ``street_segment``, ``name`` of the area and, if known,
        ``address`` and ``site_kind``. A stretch is headed by the street that its addresses share.
    path : Path
    city : str
    as_of : date
    """
    table = kits.copy()
    table["area"] = [str(name) if pd.notna(name) else "No area" for name in table["name"]]
    table["address"] = table["address"].fillna("") if "address" in table else ""
    table["stretch"] = [
        f"Stretch {segment}" if pd.notna(segment) else street_of(address) or "Street not known"
        for segment, address in zip(table["street_segment"], table["address"], strict=True)
    ]
    table["arm"] = [ARM_WORDS.get(arm, arm) for arm in table["arm"].astype(str)]
    best = table.groupby("area")["rank"].transform("min")
    table = table.assign(best=best).sort_values(["best", "area", "stretch", "rank"])
    sites = table["site_kind"] if "site_kind" in table else pd.Series(None, index=table.index)
    table["site"] = [str(kind).replace("_", " ") if pd.notna(kind) else "" for kind in sites]
    shown = ["area", "stretch", "rank", "parcel_id", "address", "site", "arm", "why"]
    homes = table[shown].to_dict("records")
    groups = [
        (area, [_stretch(list(part)) for _, part in groupby(block, itemgetter("stretch"))])
        for area, block in groupby(homes, itemgetter("area"))
    ]
    pages = Environment(
        loader=PackageLoader("linemap.outputs"), autoescape=select_autoescape(default=True)
    )
    text = pages.get_template("routes.html").render(
        city=city,
        as_of=as_of.isoformat(),
        groups=groups,
        arms=ARM_MEANINGS,
        cautions=(PROBABILITY_CAUTION, *CAUTIONS),
    )
    path.write_text(text, encoding="utf-8")


def _stretch(homes: list[dict[Hashable, Any]]) -> tuple[str | None, str, list[dict[Hashable, Any]]]:
    """Return the street that the homes of a stretch share, the stretch, and the homes."""
    return shared_street(home["address"] for home in homes), homes[0]["stretch"], homes
