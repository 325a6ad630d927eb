"""The invented city keeps the table contracts, is made the same twice, and hides its truth."""

import hashlib
import subprocess
import sys
import tomllib

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

import synthetic_city
from linemap.intake import read_city
from linemap.settings import load_settings
from linemap.tables import KEYS, contract
from synthetic_city.city import InventedCity
from synthetic_city.codes import CODES

TABLES = ("parcels", "lines", "checks", "kits", "samples", "answers", "areas", "sites")
LATENT = {"is_lead", "p_true", "p_place", "p_oracle", "p_return", "state", "contract_effect"}
LATENT |= {"home_effect", "record_wrong", "wave_year", "line_year", "renewed", "income_z"}


@pytest.fixture(scope="module")
def city() -> InventedCity:
    return synthetic_city.make_city(3000, seed=5)


@pytest.fixture(scope="module")
def folder(city, tmp_path_factory):
    out = tmp_path_factory.mktemp("city")
    synthetic_city.write_city(city, out)
    return out


def hashes(folder):
    return {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def test_same_seed_gives_the_same_bytes(folder, tmp_path):
    again = synthetic_city.make_city(3000, seed=5)
    synthetic_city.write_city(again, tmp_path)
    assert hashes(tmp_path) == hashes(folder)


def test_writing_again_into_the_same_folder_changes_nothing(city, folder):
    before = hashes(folder)
    synthetic_city.write_city(city, folder)
    assert hashes(folder) == before


def test_another_seed_gives_another_city(city):
    other = synthetic_city.make_city(3000, seed=6)
    assert not other.parcels["year_built"].equals(city.parcels["year_built"])
    assert not other.truth["is_lead"].equals(city.truth["is_lead"])


def test_presets_share_ground_and_pipes_and_differ_in_what_is_known(city):
    poor = synthetic_city.make_city(3000, seed=5, preset="poor_records")
    assert poor.parcels.geometry.geom_equals_exact(city.parcels.geometry, 0).all()
    assert poor.truth["is_lead"].equals(city.truth["is_lead"])
    assert not poor.lines["utility_material"].equals(city.lines["utility_material"])


@pytest.mark.parametrize("table", TABLES)
def test_every_table_keeps_its_contract(city, table):
    frame = getattr(city, table)
    if frame.index.name == "parcel_id":
        frame = frame.reset_index()
    columns = contract(table)
    assert not frame.duplicated(list(KEYS[table])).any()
    for column in columns.values():
        if column.name not in frame.columns:
            assert not column.required
            # sites name a parcel instead; the invented utility keeps no list of pregnancies
            assert column.name in ("geometry", "pregnant")
            continue
        values = frame[column.name]
        if column.required:
            assert values.notna().all()
        if column.kind in ("enum", "material"):
            assert set(values.dropna().astype(str)) <= set(column.allowed)
        elif column.kind in ("number", "integer"):
            assert values.dropna().between(column.low, column.high).all()
        elif column.kind == "date":
            assert pd.api.types.is_datetime64_any_dtype(values)
    extra = set(frame.columns) - set(columns)
    assert extra <= {"value_ug_l", "limit_ug_l", "below_limit"}


def test_intake_reads_every_row_but_unreadable_prints(city, folder):
    found = read_city(load_settings(folder / "settings.toml"))
    odd = city.samples["limit_ug_l"].isna()
    assert {problem.table for problem in found.problems} <= {"samples"}
    assert len(found.problems) == odd.sum()
    assert len(found.city.samples) == (~odd).sum()
    assert len(found.city.kits) == len(city.kits)
    assert found.city.parcels["area_id"].astype(str).equals(city.parcels["area_id"].astype(str))
    key = list(KEYS["samples"])
    read = found.city.samples.astype({"draw": str, "analyte": str}).set_index(key)
    made = city.samples[~odd].astype({"draw": str, "analyte": str}).set_index(key)
    read = read.loc[made.index]
    assert read["value_ug_l"].to_numpy() == pytest.approx(
        made["value_ug_l"].to_numpy(), nan_ok=True
    )
    assert read["limit_ug_l"].to_numpy() == pytest.approx(made["limit_ug_l"].to_numpy())


@pytest.mark.parametrize("table", TABLES)
def test_codes_are_those_of_the_contract(table):
    for column in contract(table).values():
        if column.kind in ("enum", "material") and column.name != "pregnant":
            assert CODES[column.name] == column.allowed


@pytest.mark.parametrize("table", TABLES)
def test_nothing_of_the_truth_is_in_the_files(folder, table):
    path = next(p for p in folder.iterdir() if p.stem == table)
    read = gpd.read_file(path) if path.suffix == ".gpkg" else pd.read_csv(path)
    allowed = set(contract(table)) | {"geometry"}
    assert set(read.columns) <= allowed
    assert not set(read.columns) & LATENT


def test_truth_stands_apart(folder):
    assert {p.name for p in (folder / "truth").iterdir()} == {"truth.parquet", "areas.parquet"}
    truth = pd.read_parquet(folder / "truth" / "truth.parquet")
    assert set(truth.columns) >= LATENT | {"utility_material", "customer_material", "parcel_id"}
    listed = tomllib.loads((folder / "settings.toml").read_text())["files"]
    assert not any("truth" in name for name in listed.values())


def test_settings_are_valid_and_sized_to_the_city(folder):
    settings = load_settings(folder / "settings.toml")
    assert settings.city.name == "Alder Falls"
    assert settings.outreach.kits == 60  # 400 for 20,000 parcels
    assert all((folder / getattr(settings.files, table)).is_file() for table in TABLES)


def test_parcels_and_areas_are_whole_and_lie_in_metres(city):
    outlines = city.parcels.geometry.to_numpy()
    assert city.parcels.crs.axis_info[0].unit_name == "metre"
    assert shapely.is_valid(outlines).all()
    assert shapely.is_valid(city.areas.geometry.to_numpy()).all()
    corners = shapely.get_num_coordinates(outlines) - 1
    assert np.unique(corners).size >= 3
    assert city.parcels.index.is_unique
    tree = shapely.STRtree(outlines)
    one, two = tree.query(outlines, predicate="intersects")
    shared = shapely.area(shapely.intersection(outlines[one], outlines[two]))[one < two]
    assert shared.max() < 2.0  # slivers along bent back lines, of lots of some 500 m2


def test_every_parcel_lies_in_its_area(city):
    own = city.areas.set_index("area_id").geometry.loc[city.parcels["area_id"]].to_numpy()
    middle = shapely.centroid(city.parcels.geometry.to_numpy())
    assert shapely.within(middle, own).all()


def test_a_stretch_of_street_is_one_street_long(city):
    middle = city.parcels.geometry.centroid
    by = pd.DataFrame({"x": middle.x, "y": middle.y}).groupby(city.parcels["street_segment"])
    reach = np.hypot(by["x"].max() - by["x"].min(), by["y"].max() - by["y"].min())
    assert reach.max() < 330
    assert 5 < by.size().median() < 40


def test_keys_of_the_tables_meet(city):
    assert set(city.kits["parcel_id"]) <= set(city.parcels.index)
    assert set(city.checks["parcel_id"]) <= set(city.parcels.index)
    back = set(city.kits.loc[city.kits["received_on"].notna(), "kit_id"])
    assert set(city.samples["kit_id"]) <= back
    assert set(city.answers["kit_id"]) <= back
    assert set(city.areas["area_id"]) == set(city.parcels["area_id"])
    assert city.lines.index.equals(city.parcels.index)
    assert city.truth.index.equals(city.parcels.index)


def test_names_of_areas_are_different_even_in_a_large_city():
    from synthetic_city.neighbourhoods import _names

    names = _names(400, np.random.default_rng(1))
    assert len(set(names)) == 400


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({"parcels": 50}, "100 parcels or more, not 50"),
        ({"parcels": 200, "seed": -1}, "seed = -1"),
        ({"parcels": 200, "preset": "perfect"}, "no preset is named 'perfect'"),
        ({"parcels": 200, "luck": 3}, "no knob is named 'luck'"),
    ],
)
def test_wrong_wishes_are_refused_in_words(arguments, message):
    with pytest.raises(ValueError, match=message):
        synthetic_city.make_city(**arguments)


def test_command_writes_a_city(tmp_path):
    command = [sys.executable, "-m", "synthetic_city", "--parcels", "300", "--seed", "3"]
    done = subprocess.run(
        [*command, "--preset", "poor_records", "--out", str(tmp_path / "city")],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert "300 rows" in done.stdout
    assert load_settings(tmp_path / "city" / "settings.toml").scoring.seed == 3
    assert (tmp_path / "city" / "truth" / "truth.parquet").is_file()


def test_command_says_why_it_failed(tmp_path):
    from synthetic_city.__main__ import main

    assert main(["--parcels", "5", "--out", str(tmp_path)]) == 1


def test_sample_is_small_and_ready():
    from importlib.resources import files

    sample = files("synthetic_city") / "sample"
    paths = [p for p in sample.rglob("*") if p.is_file()]
    assert sum(p.stat().st_size for p in paths) < 2_000_000
    settings = load_settings(str(sample / "settings.toml"))
    assert len(gpd.read_file(settings.path("parcels"))) == 2000


def test_sample_is_what_the_generator_makes(tmp_path):
    from importlib.resources import files

    city = synthetic_city.make_city(2000, seed=7)
    synthetic_city.write_city(city, tmp_path)
    sample = files("synthetic_city") / "sample"
    for table in ("lines", "checks", "kits", "samples", "answers", "sites"):
        assert (tmp_path / f"{table}.csv").read_text() == (sample / f"{table}.csv").read_text()
