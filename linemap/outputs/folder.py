"""Every file of a run, written from its findings."""

from __future__ import annotations

import json
from datetime import date
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd

from linemap.outputs.findings import Findings
from linemap.outputs.lists import (
    write_csv,
    write_kit_layer,
    write_kit_workbook,
    write_route_sheets,
)
from linemap.outputs.maps import write_maps
from linemap.outputs.reports import write_reports


def write_outputs(findings: Findings, folder: Path) -> None:
    """Write tables, lists, maps and pages of a run.

    Parameters
    ----------
    findings : Findings
        What the run found.
    folder : Path
        Empty folder; it is put in place by the caller when everything is written.
    """
    write_csv(findings.quarantine, folder / "intake" / "quarantine.csv")
    scores = findings.scores.reset_index(drop=True)
    scores.to_parquet(folder / "scores.parquet", index=False)
    write_csv(scores, folder / "scores.csv")
    write_evaluation(findings.evaluation, findings.evaluation_tables, folder)
    lists = folder / "lists"
    write_csv(findings.area_list, lists / "areas.csv")
    write_csv(findings.audit, lists / "audit.csv")
    write_csv(findings.looks, lists / "looks.csv")
    write_csv(findings.high, lists / "high_results.csv")
    write_csv(findings.fairness, lists / "fairness.csv")
    write_kit_files(
        findings.kit_list,
        findings.parcels,
        lists,
        city=findings.settings.city.name,
        as_of=findings.as_of,
    )
    write_maps(findings, folder)
    write_reports(findings, folder)


def write_evaluation(
    evaluation: dict[str, Any], tables: dict[str, pd.DataFrame], folder: Path
) -> None:
    """Write ``evaluation.json`` and the tables in ``evaluation/``."""
    text = json.dumps(evaluation, indent=2, sort_keys=True, default=str)
    (folder / "evaluation.json").write_text(text + "\n", encoding="utf-8")
    (folder / "evaluation").mkdir(exist_ok=True)
    for name, table in tables.items():
        write_csv(table, folder / "evaluation" / f"{name}.csv")


def write_kit_files(
    kits: pd.DataFrame, parcels: gpd.GeoDataFrame, folder: Path, *, city: str, as_of: date
) -> None:
    """Write a list of kits in every form that people use.

    Parameters
    ----------
    kits : DataFrame
        By the ``kit_list`` contract; further columns follow.
    parcels : GeoDataFrame
        Indexed by parcel_id.
    folder : Path
        Gets ``kits.csv``, ``kits.xlsx``, ``kits.gpkg`` and ``routes.html``.
    city : str
    as_of : date
    """
    folder.mkdir(parents=True, exist_ok=True)
    write_csv(kits, folder / "kits.csv")
    write_kit_workbook(kits, folder / "kits.xlsx", city=city, as_of=as_of)
    write_kit_layer(kits, parcels, folder / "kits.gpkg", as_of=as_of)
    write_route_sheets(kits, folder / "routes.html", city=city, as_of=as_of)
