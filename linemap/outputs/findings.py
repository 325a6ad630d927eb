"""Everything that the pages and lists of a run are written from, as plain tables."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date
from typing import Any

import geopandas as gpd
import pandas as pd

from linemap.settings import Settings


@dataclass(frozen=True)
class Findings:
    """What a run found, handed to the outputs stage as tables and plain dictionaries.

    Attributes
    ----------
    settings : Settings
        Settings of the run.
    as_of : date
        Day on which the run stands.
    parcels, areas : GeoDataFrame
        Parcels indexed by parcel_id and planning areas, projected CRS in metres.
    counts : DataFrame
        One row per input table: ``table, rows_in, used, quarantined, cells``.
    quarantine : DataFrame
        Rows and values set aside, by the ``quarantine`` contract.
    scores : DataFrame
        By the ``scores`` contract, indexed by parcel_id.
    classes : DataFrame
        Inventory classes of all parcels, indexed by parcel_id.
    inventory : DataFrame
        Summary of the inventory in the regulation's categories.
    pairs : DataFrame
        Returned kits, by the ``pairs`` contract.
    water : dict
        Summary of the water results: percentiles, censored statistics, kit counts.
    model : dict
        What the scoring model says of itself: sources, error rates, range, warnings.
    expected : DataFrame
        Expected lead lines with 90% interval per area, and for the city in row ``(city)``.
    ages : DataFrame
        Mean probability of lead by five years of building, with interval and homes.
    evaluation : dict
        Content of ``evaluation.json``.
    evaluation_tables : dict of str to DataFrame
        Tables of the evaluation by file name without suffix.
    area_list, kit_list, audit, looks, high : DataFrame
        The ranked areas, the homes for the next kits, the random verification sample, the homes
        where somebody should look first, the kits above the strictest action level.
    plan : dict
        What the choice says of itself: bound, gap, prices of the floors, homes left out.
    fairness : DataFrame
        Share of kits against share of expected lead by group.
    learn : Series
        What a kit would teach: mean absolute change of ``p_lead`` [share], by parcel_id.
    cannot_tell : list of str
        What the data of this run cannot tell, one sentence each.
    rounds : list of dict
        Reports of the rounds so far: ``round_id, opened_on, closed_on, kits, outcomes, parts,
        sentences``.
    review : dict
        What all closed rounds together tell: ``closed, remaining, alarms, sentences``; empty
        while none is closed.
    """

    settings: Settings
    as_of: date
    parcels: gpd.GeoDataFrame
    areas: gpd.GeoDataFrame
    counts: pd.DataFrame
    quarantine: pd.DataFrame
    scores: pd.DataFrame
    classes: pd.DataFrame
    inventory: pd.DataFrame
    pairs: pd.DataFrame
    water: dict[str, Any]
    model: dict[str, Any]
    expected: pd.DataFrame
    ages: pd.DataFrame
    evaluation: dict[str, Any]
    evaluation_tables: dict[str, pd.DataFrame]
    area_list: pd.DataFrame
    kit_list: pd.DataFrame
    audit: pd.DataFrame
    looks: pd.DataFrame
    high: pd.DataFrame
    plan: dict[str, Any]
    fairness: pd.DataFrame
    learn: pd.Series
    cannot_tell: list[str] = field(default_factory=list)
    rounds: list[dict[str, Any]] = field(default_factory=list)
    review: dict[str, Any] = field(default_factory=dict)
