"""A very small city whose findings are known by hand."""

from datetime import date
from html.parser import HTMLParser
from xml.etree.ElementTree import Element, TreeBuilder

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

from linemap.outputs import Findings
from linemap.settings import FileSettings, Settings
from linemap.tables import complete_table

CLASSES = ["lead", "galvanized requiring replacement", "non-lead", "lead status unknown"]
UNSAFE = "<b onclick=\"alert('x')\">Quarter & Co</b>"


VOID = {"meta", "br", "img", "link", "input", "hr"}


class _PageReader(HTMLParser):
    """Builds an element tree; unclosed elements are an error."""

    def __init__(self) -> None:
        super().__init__()
        self.tree, self.open = TreeBuilder(), []

    def handle_starttag(self, tag, attrs):
        self.tree.start(tag, {name: value or "" for name, value in attrs})
        if tag in VOID:
            self.tree.end(tag)
        else:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.tree.start(tag, {name: value or "" for name, value in attrs})
        self.tree.end(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag, f"{tag} closes another element"
        self.tree.end(tag)

    def handle_data(self, data):
        if self.open:
            self.tree.data(data)


@pytest.fixture(scope="session")
def read_html():
    """Return a function that takes a page to its root element."""

    def read(text: str) -> Element:
        reader = _PageReader()
        reader.feed(text)
        assert reader.open == []
        return reader.tree.close()

    return read


def scores_table(n: int = 60) -> pd.DataFrame:
    """Homes H000 ..., the first half in area A, the other in B; every third line unknown."""
    ids = [f"H{k:03d}" for k in range(n)]
    half = n // 2
    table = pd.DataFrame(
        {
            "parcel_id": ids,
            "area_id": ["A"] * half + ["B"] * (n - half),
            "inventory_class": pd.Categorical(
                np.tile(["lead status unknown", "lead", "non-lead"], n)[:n], categories=CLASSES
            ),
            "basis": np.tile(["no evidence", "city record", "field check"], n)[:n],
            "p_lead": np.linspace(0.9, 0.1, n),
            "p_low": np.linspace(0.8, 0.0, n),
            "p_high": np.linspace(1.0, 0.2, n),
            "beyond_data": [False] * n,
            "reason_1": "built early",
        },
        index=pd.Index(ids, name="parcel_id"),
    )
    for name in ("prior", "place", "record", "answers", "water", "check"):
        table[f"weight_{name}"] = 0.5
    return table


def kit_table() -> pd.DataFrame:
    """Four kits with everything that a spreadsheet or a page could stumble over."""
    table = pd.DataFrame(
        {
            "parcel_id": ["H000", "=2+3", "H002", "H031"],
            "area_id": ["A", "A", None, "B"],
            "rank": [1, 2, 3, 4],
            "arm": ["ranked", "floor", "audit", "ranked"],
            "p_lead": [0.91234567, 0.5, 0.05, 0.7],
            "p_return": [0.4, 0.4, 0.3, 0.5],
            "value": [0.36, 0.2, 0.01, 0.35],
            "inclusion_probability": [1.0, 1.0, 0.01, 1.0],
            "why": ["most expected per kit", "@cmd|' /C calc'!A0", "drawn at random", UNSAFE],
            "last_kit_on": pd.to_datetime([None, "2024-03-09", None, "2023-12-31"]),
            "name": [UNSAFE, UNSAFE, None, "Bay"],
            "street_segment": ["S1", "S1", None, "S7"],
            "week": [1, 1, 2, 2],
        }
    )
    return complete_table(table, "kit_list")


def parcel_table(ids) -> gpd.GeoDataFrame:
    """A row of square parcels of 10 m."""
    boxes = [shapely.box(450_000 + 20 * k, 4_550_000, 450_010 + 20 * k, 4_550_010)
             for k in range(len(ids))]  # fmt: skip
    parcels = gpd.GeoDataFrame(geometry=boxes, crs=32617, index=pd.Index(ids, name="parcel_id"))
    return parcels.assign(year_built=[1900.0 + k for k in range(len(ids))])


def area_table() -> pd.DataFrame:
    return pd.DataFrame(
        {
            "area_id": ["A", "B"],
            "name": [UNSAFE, "Bay"],
            "rank": [1, 2],
            "homes": [300, 200],
            "unknown_lines": [120, 80],
            "expected_lead_lines": [90.0, 40.0],
            "low": [80.0, 20.0],
            "high": [100.0, 60.0],
            "tested_share": [0.1, 0.2],
            "kits_suggested": [2, 1],
            "why": ["why A", "why B"],
            "rank_low": [1, 2],
            "rank_high": [1, 2],
            "return_rate": [0.5, np.nan],
            "return_rate_low": [0.31, np.nan],
            "return_rate_high": [0.69, np.nan],
        }
    )


def inventory_table(scores: pd.DataFrame) -> pd.DataFrame:
    counts = scores["inventory_class"].value_counts().reindex(CLASSES, fill_value=0)
    return pd.DataFrame(
        {
            "part": "service lines",
            "category": CLASSES,
            "lines": counts.to_numpy(),
            "share": counts.to_numpy() / len(scores),
        }
    )


@pytest.fixture
def findings() -> Findings:
    """Findings of a city with scores, areas and kits, but no water, no evaluation, no round."""
    scores = scores_table()
    kits = kit_table()
    empty = pd.DataFrame
    return Findings(
        settings=Settings(files=FileSettings(parcels="parcels.gpkg")),
        as_of=date(2025, 5, 4),
        parcels=parcel_table([*scores.index, "=2+3"]),
        areas=gpd.GeoDataFrame(
            {"area_id": ["A", "B"], "name": [UNSAFE, "Bay"]},
            geometry=[shapely.box(0, 0, 1, 1), shapely.box(1, 0, 2, 1)],
            crs=32617,
        ),
        counts=pd.DataFrame(
            {"table": ["parcels"], "rows_in": [60], "used": [60], "quarantined": [0], "cells": [0]}
        ),
        quarantine=empty(columns=["table", "row", "column", "value", "reason", "remedy", "effect"]),
        scores=scores,
        classes=scores[["inventory_class", "basis"]],
        inventory=inventory_table(scores),
        pairs=complete_table(empty({"kit_id": [], "parcel_id": [], "verdict": []}), "pairs"),
        water={"label": "programme statistic, not a compliance value", "homes": 0},
        model={"target": "lead", "sources": ["record"], "witnesses": {}, "warnings": []},
        expected=pd.DataFrame(
            {"expected": [130.0], "low": [100.0], "high": [160.0]}, index=["(city)"]
        ),
        ages=pd.DataFrame(
            {"mean": [0.4, 0.1], "low": [0.3, 0.05], "high": [0.5, 0.2], "homes": [30, 20]},
            index=pd.Index([1920, 1960], name="built_from"),
        ),
        evaluation={"headline": None, "headline_reason": "There were no checks."},
        evaluation_tables={},
        area_list=area_table(),
        kit_list=kits,
        audit=empty(),
        high=pd.DataFrame(columns=["kit_id", "parcel_id"]),
        looks=pd.DataFrame(
            {
                "look": ["likely by its kit", "recorded lead"],
                "why": ["look there", "look here"],
                "p_lead": [0.95, 0.1],
            }
        ),
        plan={
            "kits": 4,
            "expected_returns": 1.6,
            "expected_finds": 0.9,
            "sentences": ["4 kits.", "Expected: 2 usable kits back."],
        },
        fairness=empty(),
        learn=pd.Series(0.1, index=scores.index),
        cannot_tell=["A sentence from the model."],
    )
