"""Homes where somebody should look first: class and evidence at odds, or a kit that said all."""

import pandas as pd
import pytest

from linemap.errors import ArgumentError
from linemap.outreach.eligibility import UNKNOWN, reason_left_out
from linemap.outreach.looks import homes_to_look_at
from linemap.settings import OutreachSettings
from linemap.tables import contract

ROWS = {
    "tested likely": (UNKNOWN, "no evidence", 0.95, True),
    "tested likelier": (UNKNOWN, "no evidence", 0.97, True),
    "tested open": (UNKNOWN, "no evidence", 0.6, True),
    "untested likely": (UNKNOWN, "no evidence", 0.95, False),
    "recorded copper": ("non-lead", "city record", 0.7, False),
    "recorded galvanized": ("galvanized requiring replacement", "city record", 0.6, False),
    "seen copper": ("non-lead", "field check", 0.7, False),
    "recorded lead": ("lead", "city record", 0.1, True),
    "recorded lead likely": ("lead", "city record", 0.4, True),
    "seen lead": ("lead", "city record and field check", 0.1, False),
}
HOMES = (
    pd.DataFrame.from_dict(
        ROWS, orient="index", columns=["inventory_class", "basis", "p_lead", "tested"]
    )
    .rename_axis("parcel_id")
    .assign(
        area_id="A", p_low=0.0, p_high=1.0, p_return=0.4, reason_1="because", address="1 Any St"
    )
)


def test_each_kind_stands_in_its_place_and_no_class_is_changed():
    looks = homes_to_look_at(HOMES, OutreachSettings())
    assert looks["parcel_id"].tolist() == [
        "tested likelier",
        "tested likely",
        "recorded copper",
        "recorded galvanized",
        "recorded lead",
    ]
    assert looks["rank"].tolist() == [1, 2, 3, 4, 5]
    classes = HOMES["inventory_class"].reindex(looks["parcel_id"])
    assert looks["inventory_class"].tolist() == classes.tolist()
    columns = contract("look_list")
    assert list(looks.columns)[: len(columns)] == list(columns)
    assert set(looks["look"]) <= set(columns["look"].allowed)


def test_a_home_whose_kit_has_said_all_is_sent_no_other():
    today = pd.Timestamp("2026-05-01").date()
    reason = reason_left_out(HOMES, OutreachSettings(), today=today)
    assert reason["tested likely"] == "likely by its kit"
    assert reason[["tested open", "untested likely"]].isna().all()
    again = reason_left_out(HOMES, OutreachSettings(look_above=None), today=today)
    assert pd.isna(again["tested likely"])
    looks = homes_to_look_at(HOMES, OutreachSettings(look_above=None))
    assert "likely by its kit" not in set(looks["look"])


def test_no_home_to_look_at_leaves_a_table_with_its_columns():
    looks = homes_to_look_at(HOMES.loc[["tested open"]], OutreachSettings())
    assert looks.empty
    assert list(looks.columns)[:2] == ["parcel_id", "area_id"]
    with pytest.raises(ArgumentError, match="tested"):
        homes_to_look_at(HOMES.drop(columns="tested"), OutreachSettings())
