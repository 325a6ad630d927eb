"""Tables of a state, in which a column names the city: parted, run, and every row accounted for."""

from __future__ import annotations

import json
import stat

import geopandas as gpd
import pandas as pd
import pytest
from typer.testing import CliRunner

from linemap.cli import app
from linemap.errors import InputError, SettingsError
from linemap.followup import repeat_run
from linemap.intake import read_city
from linemap.pipeline import run
from linemap.settings import load_settings, parse_settings, settings_text
from linemap.state import part_states
from synthetic_city import make_city, write_city

NAMES = ("Alder Falls", "Birch Landing")
TABLES = ("lines", "checks", "kits", "samples", "answers", "sites")
MARK = "cities.json"


@pytest.fixture(scope="module")
def cities(tmp_path_factory):
    """Two cities, each with its own files."""
    place = tmp_path_factory.mktemp("cities")
    for number, name in enumerate(NAMES):
        folder = place / name
        path = write_city(make_city(parcels=260, seed=number + 3), folder)
        text = path.read_text().replace('name = "Alder Falls"', f'name = "{name}"')
        path.write_text(text + '[evaluation]\nfolds = 2\nbootstrap = 20\nprotocols = ["blocks"]\n')
    return place


def prefixed(table, letter):
    """Ids of one city made different from those of the others."""
    for column in ("parcel_id", "kit_id", "site_id", "area_id", "street_segment"):
        if column in table.columns:
            there = table[column].notna()
            table[column] = table[column].where(~there, letter + table[column].astype(str))
    return table


@pytest.fixture(scope="module")
def state(cities, tmp_path_factory):
    """Both cities' files as one state's, as CSV, Parquet and GeoPackage, with some bad rows."""
    place = tmp_path_factory.mktemp("state")
    for name in ("parcels", "areas"):
        parts = [
            prefixed(gpd.read_file(cities / city / f"{name}.gpkg"), city[0]).assign(town=city)
            for city in NAMES
        ]
        whole = pd.concat([parts[0], parts[1].to_crs(parts[0].crs)], ignore_index=True)
        if name == "parcels":
            whole.loc[3, "town"] = None
            whole.loc[len(whole) - 1, "town"] = " birch  LANDING "
        whole.to_file(place / f"{name}.gpkg", driver="GPKG")
    for name in TABLES:
        parts = [
            prefixed(pd.read_csv(cities / city / f"{name}.csv", dtype=str), city[0])
            for city in NAMES
        ]
        if name == "lines":
            parts = [part.assign(town=city) for part, city in zip(parts, NAMES, strict=True)]
            parts[0].loc[0, "town"] = "Elsewhere"
        whole = pd.concat(parts, ignore_index=True)
        if name == "checks":
            whole.loc[0, "parcel_id"] = "nobody"
        if name == "samples":
            whole.to_parquet(place / "samples.parquet")
        else:
            whole.to_csv(place / f"{name}.csv", index=False)
    text = (cities / NAMES[0] / "settings.toml").read_text()
    text = text.replace("[files]", '[files]\ncity_column = "Town"').replace(
        "samples.csv", "samples.parquet"
    )
    (place / "state.toml").write_text(text)
    return place


@pytest.fixture(scope="module")
def done(state, tmp_path_factory):
    out = tmp_path_factory.mktemp("out") / "state"
    said = CliRunner().invoke(app, ["run", str(state / "state.toml"), "--out", str(out)])
    assert said.exit_code == 0, said.output
    return out, said.output


def test_every_city_of_the_state_has_its_run_and_the_overview_holds_both(done):
    out, said = done
    table = pd.read_csv(out / "cities.csv")
    assert table["city"].tolist() == list(NAMES)
    assert table["done"].tolist() == ["yes", "yes"]
    assert (out / "alder-falls/lists/kits.csv").is_file()
    assert "parted to cities" in said
    assert "quarantine.csv" in said


def test_rows_in_are_rows_used_and_rows_set_aside(done, state):
    out, _ = done
    rows = pd.read_csv(out / "rows.csv").set_index("table")
    lost = pd.read_csv(out / "quarantine.csv", dtype=str)
    assert (rows["rows_in"] == rows["parted"] + rows["quarantined"]).all()
    assert (
        lost.groupby("table")
        .size()
        .reindex(rows.index, fill_value=0)
        .equals(rows["quarantined"].rename(None))
    )
    in_cities = (
        pd.concat(
            pd.DataFrame(json.loads((out / folder / "run.json").read_text())["counts"])
            for folder in ("alder-falls", "birch-landing")
        )
        .groupby("table")[["rows_in", "used", "quarantined"]]
        .sum()
    )
    assert in_cities["rows_in"].to_dict() == rows["parted"].to_dict()
    assert (in_cities["rows_in"] == in_cities["used"] + in_cities["quarantined"]).all()
    whole = pd.read_csv(state / "checks.csv")
    assert rows.loc["checks", "rows_in"] == len(whole)


def test_rows_of_no_known_city_are_set_aside_with_the_reason(done):
    lost = pd.read_csv(done[0] / "quarantine.csv", dtype=str)
    said = {(r.table, r.row): r.reason for r in lost.itertuples()}
    assert said["parcels", "4"] == "no city is named."
    assert said["lines", "1"] == "no parcel is in a city of this name."
    assert said["checks", "1"].startswith("no parcel of any city has this parcel_id")


def test_a_city_of_a_state_reads_as_it_would_alone(done, cities):
    """Birch Landing lost nothing: what is read is what its own files give, but for the prefix."""
    parted = read_city(load_settings(done[0] / "parted_files/birch-landing/settings.toml")).city
    alone = read_city(load_settings(cities / NAMES[1] / "settings.toml")).city
    for name in ("lines", "kits", "samples", "answers"):
        one, two = getattr(parted, name), prefixed(getattr(alone, name).copy(), "B")
        pd.testing.assert_frame_equal(one, two, check_dtype=False, check_categorical=False)
    assert list(parted.parcels.index) == ["B" + name for name in alone.parcels.index]
    moved = parted.parcels.geometry.distance(
        alone.parcels.geometry.set_axis(parted.parcels.index), align=False
    )
    assert moved.max() < 0.01


def test_parted_files_are_for_their_owner_and_tell_the_row_of_the_state(done, state):
    folder = done[0] / "parted_files/birch-landing"
    assert stat.S_IMODE((folder / "kits.parquet").stat().st_mode) & 0o077 == 0
    parted = pd.read_parquet(folder / "kits.parquet")
    whole = pd.read_csv(state / "kits.csv", dtype=str)
    at = parted["row_in_state"].to_numpy() - 1
    assert whole["kit_id"].to_numpy()[at].tolist() == parted["kit_id"].tolist()


def test_a_city_of_a_state_is_repeated_from_its_record(done, tmp_path):
    _, changed = repeat_run(done[0] / "birch-landing/run.json", tmp_path / "again")
    assert changed == []


def test_parting_again_gives_the_same_files_and_keeps_the_ledger(done, state, tmp_path):
    out = tmp_path / "state"
    for _ in range(2):
        files, _ = part_states([str(state / "state.toml")], out, MARK)
        (out / "parted_files/alder-falls/rounds.sqlite").touch()
    assert [f.rpartition("parted_files/")[2] for f in files] == [
        "alder-falls/settings.toml",
        "birch-landing/settings.toml",
    ]
    for name in ("parcels", "samples"):
        one = out / f"parted_files/alder-falls/{name}.parquet"
        two = done[0] / f"parted_files/alder-falls/{name}.parquet"
        assert one.read_bytes() == two.read_bytes()


def small(folder, **tables):
    """A state of two parcels, each in a city."""
    tables.setdefault(
        "parcels",
        "parcel_id,longitude,latitude,city\nP1,-93.1,45.0,A\nP2,-93.2,45.1,B\n",
    )
    lines = ['[files]\ncity_column = "city"']
    for name, text in tables.items():
        (folder / f"{name}.csv").write_text(text)
        lines.append(f'{name} = "{name}.csv"')
    (folder / "state.toml").write_text("\n".join(lines))
    return [str(folder / "state.toml")]


def test_parcels_without_the_column_stop_the_state_before_anything_is_written(tmp_path):
    files = small(tmp_path, parcels="parcel_id,longitude,latitude\nP1,-93.1,45.0\n")
    with pytest.raises(InputError, match="no column city"):
        part_states(files, tmp_path / "out", MARK)
    assert not (tmp_path / "out").exists()


def test_an_id_in_two_cities_needs_the_column(tmp_path):
    files = small(
        tmp_path,
        parcels="parcel_id,longitude,latitude,city\nP1,-93.1,45.0,A\nP1,-93.2,45.1,B\nP2,-93,45,B\n",
        lines="parcel_id,utility_material,customer_material\nP1,lead,lead\nP2,lead,lead\n",
    )
    _, rows = part_states(files, tmp_path / "out", MARK)
    assert rows[1] == {"table": "lines", "rows_in": 2, "parted": 1, "quarantined": 1}
    assert "several cities" in (tmp_path / "out/quarantine.csv").read_text()
    assert not (tmp_path / "out/parted_files/a/lines.parquet").exists()


def test_a_high_result_of_no_known_city_is_said_to_be_one(tmp_path):
    files = small(
        tmp_path,
        kits="kit_id,parcel_id\nK1,P1\nK2,nowhere\n",
        samples="kit_id,draw,analyte,result,unit\nK1,first,lead,2,ug/L\nK2,first,lead,80*,ug/L\n"
        "K3,first,lead,,ug/L\nK4,first,lead,0.075,mg/L\nK5,first,copper,900,ug/L\n",
    )
    part_states(files, tmp_path / "out", MARK)
    aside = pd.read_csv(tmp_path / "out/quarantine.csv", dtype=str)
    said = aside[aside["table"] == "samples"].set_index("row")["reason"]
    high = said.str.contains("It may hold more than 10 ug/L of lead")
    assert high.to_dict() == {"2": True, "3": False, "4": True, "5": False}


def test_names_that_try_to_leave_the_folder_stay_in_it(tmp_path):
    files = small(
        tmp_path,
        parcels='parcel_id,longitude,latitude,city\nP1,-93.1,45.0,"../../etc"\nP2,-93,45,=1+1\n',
    )
    cities, _ = part_states(files, tmp_path / "out", MARK)
    assert all((tmp_path / "out/parted_files") in path.parents for path in
               [(tmp_path / "out" / c).resolve() for c in cities])  # fmt: skip
    assert load_settings(cities[1]).city.name in ("../../etc", "=1+1")


def test_a_folder_with_other_things_is_left_alone(tmp_path):
    (tmp_path / "out").mkdir()
    (tmp_path / "out/thesis.txt").write_text("mine")
    from linemap.errors import RunFolderError

    with pytest.raises(RunFolderError, match="nothing was written"):
        part_states(small(tmp_path), tmp_path / "out", MARK)
    assert [p.name for p in (tmp_path / "out").iterdir()] == ["thesis.txt"]


def test_a_single_run_on_the_tables_of_a_state_is_refused(state, tmp_path):
    with pytest.raises(SettingsError, match="several cities"):
        run(load_settings(state / "state.toml"), tmp_path / "out")
    assert not (tmp_path / "out").exists()


def test_settings_written_as_text_are_read_back_the_same(tmp_path):
    raw = {
        "city": {"name": 'A "quoted"\\ city\n\u00e9', "day_first": True},
        "files": {"parcels": "postgresql://h/d?table=t", "city_column": "c"},
        "columns": {"parcels": {"parcel_id": "Parcel No."}},
        "values": {"material": {"Pb/Cu.": "lead"}},
        "outreach": {"kits": 20, "group": [{"column": "tenure", "value": "rent", "floor": 0.25}]},
        "scoring": {"extra": ["ward"], "share_witnesses": True},
    }
    settings = parse_settings(raw, folder=tmp_path)
    path = tmp_path / "settings.toml"
    path.write_text(settings_text(settings), encoding="utf-8")
    assert load_settings(path) == settings
