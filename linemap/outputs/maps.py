"""The map files of a run, staff and public."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd

from linemap.outputs.findings import Findings
from linemap.outputs.map import map_html, map_sheets, public_map_html
from linemap.outputs.public import outside_areas
from linemap.settings import Settings

ONE_PAGE = 500_000
"""Most homes on one page; a larger city gets an overview and a page for each area."""


def map_files(
    parcels: gpd.GeoDataFrame,
    scores: pd.DataFrame,
    areas: gpd.GeoDataFrame,
    *,
    area_list: pd.DataFrame,
    kits: pd.DataFrame,
    pairs: pd.DataFrame,
    lines: pd.DataFrame,
    learn: pd.Series,
    expected: pd.Series | None,
    settings: Settings,
) -> Iterator[tuple[str, str]]:
    """Give the name and the page of every map of a run.

    Parameters
    ----------
    parcels, scores, areas, area_list, kits, pairs, lines, learn, expected
        As in :func:`linemap.outputs.draw_map`.
    settings : Settings

    Yields
    ------
    name : str
        Path within the run's folder, e.g. ``staff/map.html``.
    page : str
        HTML. Only area figures that may be public enter a page under ``public``.
    """
    options: dict[str, Any] = {
        "kits": kits,
        "pairs": pairs,
        "lines": lines,
        "area_list": area_list,
        "learn": learn,
        "city": settings.city.name,
        "expected": expected,
        "smallest": settings.outputs.smallest_public_count,
    }
    if len(parcels) > ONE_PAGE and len(areas):
        for name, page in map_sheets(parcels, scores, areas, **options):
            yield f"staff/{name}", page
    else:
        yield "staff/map.html", map_html(parcels, scores, areas, **options)
    yield (
        "public/map.html",
        public_map_html(
            area_list,
            areas,
            outside=outside_areas(scores, area_list),
            city=settings.city.name,
            kit_contact=settings.outputs.kit_contact,
            smallest=settings.outputs.smallest_public_count,
        ),
    )


def write_pages(pages: Iterable[tuple[str, str]], folder: Path) -> list[str]:
    """Write pages one by one, as they are made.

    Parameters
    ----------
    pages : iterable of (name, page)
        Of :func:`map_files`.
    folder : Path
        Its folders are made where they are missing.

    Returns
    -------
    list of str
        Names of the pages, in order.
    """
    names = []
    for name, page in pages:
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_text(page, encoding="utf-8")
        names.append(name)
    return names


def write_maps(findings: Findings, folder: Path) -> None:
    """Write the maps of a run.

    Parameters
    ----------
    findings : Findings
        What the run found.
    folder : Path
        Folder of the run; ``staff`` and ``public`` are made in it where they are missing.
    """
    pages = map_files(
        findings.parcels,
        findings.scores,
        findings.areas,
        area_list=findings.area_list,
        kits=findings.kit_list,
        pairs=findings.pairs,
        lines=findings.classes,
        learn=findings.learn,
        expected=findings.expected.T["(city)"],
        settings=findings.settings,
    )
    write_pages(pages, folder)
