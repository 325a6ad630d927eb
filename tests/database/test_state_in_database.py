"""A state's tables in PostGIS and in workbooks are parted as those in files are."""

from pathlib import Path

import geopandas as gpd
import pandas as pd
import pytest

from linemap.settings import parse_settings, settings_text
from linemap.state import part_states

SAMPLE = Path(__file__).parents[2] / "synthetic_city" / "sample"
TABLES = ("lines", "checks", "kits", "samples", "answers")
MARK = "cities.json"


@pytest.fixture(scope="module")
def parcels():
    """Parcels of the sample, said to lie in two cities; one lies in none."""
    table = gpd.read_file(SAMPLE / "parcels.gpkg")
    east = table.geometry.centroid.x > table.geometry.centroid.x.median()
    table["town"] = east.map({True: "East Alder", False: "West Alder"})
    table.loc[5, "town"] = None
    return table


def parted(files, folder, out):
    """Return the rows that each table was parted to, and every parted file's content."""
    text = settings_text(parse_settings({"files": files | {"city_column": "town"}}, folder=folder))
    path = out.parent / f"{out.name}.toml"
    path.write_text(text)
    _, rows = part_states([str(path)], out, MARK)
    read = {"parcels": gpd.read_parquet}
    found = {
        str(file.relative_to(out)): read.get(file.stem, pd.read_parquet)(file)
        for file in sorted((out / "parted_files").rglob("*.parquet"))
    }
    return rows, found


def test_databases_and_workbooks_part_like_files(parcels, server, engine, login, tmp_path):
    parcels.to_file(tmp_path / "parcels.gpkg", driver="GPKG")
    parcels.to_postgis("state_parcels", engine, schema="county")
    files, others = {"parcels": "parcels.gpkg"}, {}
    others["parcels"] = server.address("table=county.state_parcels")
    for name in TABLES:
        table = pd.read_csv(SAMPLE / f"{name}.csv", dtype=str)
        table.to_csv(tmp_path / f"{name}.csv", index=False)
        files[name] = f"{name}.csv"
        if name in ("lines", "kits"):
            table.to_sql(f"state_{name}", engine, schema="county", index=False)
            others[name] = server.address(f"table=county.state_{name}")
        else:
            table.to_excel(tmp_path / f"{name}.xlsx", index=False)
            others[name] = f"{name}.xlsx"

    rows, from_files = parted(files, tmp_path, tmp_path / "files")
    other_rows, from_others = parted(others, tmp_path, tmp_path / "others")
    assert rows == other_rows
    assert rows[0]["quarantined"] == 1
    assert all(row["rows_in"] == row["parted"] + row["quarantined"] for row in rows)
    assert len(from_files) == 2 * (1 + len(TABLES))
    assert from_files.keys() == from_others.keys()
    for name, table in from_files.items():
        key = [c for c in table.columns if c not in ("geometry", "row_in_state")]
        mine, theirs = (
            t[key].astype(object).where(t[key].notna(), "").astype(str).sort_values(key)
            for t in (table, from_others[name][table.columns])
        )
        assert mine.to_numpy().tolist() == theirs.to_numpy().tolist(), name
