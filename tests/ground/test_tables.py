"""Contracts of the tables: sound in themselves, and the types they promise."""

import numpy as np
import pandas as pd
import pytest

from linemap.errors import ArgumentError
from linemap.tables import (
    INPUT_TABLES,
    KEYS,
    MATERIALS,
    City,
    complete_table,
    contract,
    empty_table,
    mappable_columns,
    table_names,
)

KINDS = {"id", "text", "enum", "material", "number", "integer", "date", "flag", "geometry"}


@pytest.mark.parametrize("table", table_names())
def test_contract_is_sound(table):
    for column in contract(table).values():
        assert column.kind in KINDS
        assert column.meaning
        assert bool(column.allowed) == (column.kind in ("enum", "material")), column.name
        assert column.low <= column.high
        if column.kind == "material":
            assert set(MATERIALS) <= set(column.allowed)
        if column.kind in ("number", "integer") and column.name.endswith(("_h", "_min", "_in")):
            assert column.unit == column.name.rsplit("_", 1)[1]


def test_keys_are_required_columns():
    for table, keys in KEYS.items():
        for key in keys:
            assert contract(table)[key].required, (table, key)
    assert set(INPUT_TABLES) <= set(KEYS)


def test_unknown_table():
    with pytest.raises(ArgumentError, match="no table is named 'pipes'"):
        contract("pipes")


def test_places_only_where_there_is_a_geometry():
    assert "longitude" in mappable_columns("parcels")
    assert "longitude" not in mappable_columns("kits")


@pytest.mark.parametrize("table", INPUT_TABLES)
def test_empty_table_has_every_column(table):
    assert len(empty_table(table)) == 0
    assert set(empty_table(table).columns) == set(contract(table))


def test_complete_table_adds_missing_columns_and_types():
    frame = pd.DataFrame({"kit_id": ["K1"], "parcel_id": ["1"], "signed": ["yes"], "more": [1]})
    before = frame.copy()
    out = complete_table(frame, "kits")
    pd.testing.assert_frame_equal(frame, before)
    assert list(out.columns) == [*contract("kits"), "more"]
    assert out["signed"].cat.categories.tolist() == ["yes", "no"]
    assert out["stagnation_h"].dtype == float
    assert out["mailed_on"].dtype == "datetime64[ns]"


def test_city_names_its_sources():
    parcels = empty_table("parcels").set_index("parcel_id")
    lines = complete_table(
        pd.DataFrame(
            {"parcel_id": ["1"], "utility_material": ["lead"], "customer_material": ["lead"]}
        ),
        "lines",
    )
    assert City("x", parcels, lines=lines).sources() == ("lines",)
    assert np.isnan(lines["installed_year"]).all()
