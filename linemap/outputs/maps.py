"""The map files of a run, staff and public."""

from __future__ import annotations

from pathlib import Path

from linemap.outputs.findings import Findings
from linemap.outputs.map import map_html


def write_maps(findings: Findings, folder: Path) -> None:
    """Write the maps of a run.

    Parameters
    ----------
    findings : Findings
        What the run found.
    folder : Path
        Folder of the run; ``staff`` and ``public`` are made in it where they are missing.
    """
    (folder / "staff").mkdir(exist_ok=True)
    page = map_html(
        findings.parcels,
        findings.scores,
        findings.areas,
        kits=findings.kit_list,
        pairs=findings.pairs,
        lines=findings.classes,
        area_list=findings.area_list,
        city=findings.settings.city.name,
    )
    (folder / "staff" / "map.html").write_text(page, encoding="utf-8")
