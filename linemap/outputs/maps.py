"""The map files of a run, staff and public."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from linemap.outputs.findings import Findings
from linemap.outputs.map import map_html, map_sheets, public_map_html

ONE_PAGE = 500_000
"""Most homes on one page; a larger city gets an overview and a page for each area."""


def write_maps(findings: Findings, folder: Path) -> None:
    """Write the maps of a run.

    Parameters
    ----------
    findings : Findings
        What the run found.
    folder : Path
        Folder of the run; ``staff`` and ``public`` are made in it where they are missing.
    """
    staff, public = folder / "staff", folder / "public"
    staff.mkdir(exist_ok=True)
    public.mkdir(exist_ok=True)
    settings = findings.settings
    homes = (findings.parcels, findings.scores, findings.areas)
    options: dict[str, Any] = {
        "kits": findings.kit_list,
        "pairs": findings.pairs,
        "lines": findings.classes,
        "area_list": findings.area_list,
        "city": settings.city.name,
    }
    if len(findings.parcels) > ONE_PAGE and len(findings.areas):
        for name, page in map_sheets(*homes, **options):
            (staff / name).write_text(page, encoding="utf-8")
    else:
        (staff / "map.html").write_text(map_html(*homes, **options), encoding="utf-8")
    page = public_map_html(
        findings.area_list,
        findings.areas,
        city=settings.city.name,
        kit_contact=settings.outputs.kit_contact,
        smallest=settings.outputs.smallest_public_count,
    )
    (public / "map.html").write_text(page, encoding="utf-8")
