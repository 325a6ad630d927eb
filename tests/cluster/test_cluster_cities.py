"""Several cities on a cluster of two processes: the same answers; a failure costs one city."""

from __future__ import annotations

import builtins
import html
import json
import re
import subprocess
import sys
from pathlib import Path

import pandas as pd
import pytest
from typer.testing import CliRunner

from linemap.cli import app
from linemap.cluster import CityRun, run_cities, run_city
from linemap.errors import ArgumentError, ClusterError, RunFolderError
from linemap.followup import repeat_run
from linemap.outputs.cities import cities_table, cities_total
from linemap.outputs.wording import PROBABILITY_CAUTION
from linemap.scoring import SharedCounts
from synthetic_city import make_city, write_city

NAMES = ("Alder Falls", "Birch Landing", "Cedar <b>Bend</b>")
FOLDERS = ("alder-falls", "birch-landing", "cedar-b-bend-b")


@pytest.fixture(scope="module")
def files(tmp_path_factory):
    """Settings of three small cities that work and of one whose parcels are no parcels."""
    place = tmp_path_factory.mktemp("cities")
    written = []
    for number, name in enumerate(NAMES):
        path = write_city(make_city(parcels=260, seed=number + 3), place / f"city{number}")
        text = path.read_text().replace('name = "Alder Falls"', f'name = "{name}"')
        text = text.replace("[scoring]", "[scoring]\nshare_witnesses = true")
        few = '[evaluation]\nfolds = 2\nbootstrap = 20\nprotocols = ["blocks"]\n'
        path.write_text(text + few)
        written.append(path)
    broken = place / "broken"
    broken.mkdir()
    (broken / "parcels.gpkg").write_bytes(b"this is no GeoPackage")
    (broken / "lines.csv").write_text("parcel_id,utility_material\nP1,lead\n")
    (broken / "settings.toml").write_text(
        '[city]\nname = "Dogwood"\n[files]\nparcels = "parcels.gpkg"\nlines = "lines.csv"\n'
    )
    return [*written, broken / "settings.toml"]


@pytest.fixture(scope="module")
def on_dask(files, tmp_path_factory):
    """The real command in a process of its own, so that all that workers print is caught."""
    out = tmp_path_factory.mktemp("dask") / "state"
    command = [Path(sys.executable).with_name("linemap"), "run", *files, "--out", out]
    done = subprocess.run(
        [*command, "--engine", "dask", "--workers", "2"],
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        check=False,
    )
    assert done.returncode == 1, done.stdout
    record = json.loads((out / "cities.json").read_text())
    return out, [CityRun(**city) for city in record["cities"]], done.stdout


@pytest.fixture(scope="module")
def here(files, tmp_path_factory):
    out = tmp_path_factory.mktemp("here") / "state"
    return out, run_cities(files[::-1], out)


def without_times(path: Path):
    record = json.loads(path.read_text())
    record.pop("stage_seconds")
    return record


def test_every_file_of_a_city_is_the_same_byte_for_byte_as_on_one_machine(on_dask, here):
    there, alone = on_dask[0], here[0]
    compared = 0
    for folder in FOLDERS:
        names = {p.relative_to(alone / folder) for p in (alone / folder).rglob("*") if p.is_file()}
        assert names == {
            p.relative_to(there / folder) for p in (there / folder).rglob("*") if p.is_file()
        }
        for name in names - {Path("run.json")}:
            one, two = (alone / folder / name).read_bytes(), (there / folder / name).read_bytes()
            assert one == two, name
            compared += 1
        record = "run.json"
        assert without_times(alone / folder / record) == without_times(there / folder / record)
    assert compared > 60


def told_by_others(out):
    return [json.loads((out / f / "run.json").read_text())["shared_witnesses"] for f in FOLDERS]


def test_a_city_hears_the_others_and_never_itself(here):
    told = told_by_others(here[0])
    assert [one["cities"] for one in told] == [2, 2, 2]
    heard = [SharedCounts.from_dict(one).tables["false_lead"] for one in told]
    of_all = sum(heard) / 2
    assert all((of_all - one >= -0.01).all() and (of_all - one).sum() > 0 for one in heard)
    record = json.loads((here[0] / "cities.json").read_text())
    assert not any(city["shared"] for city in record["cities"])


def test_the_record_repeats_a_city_without_the_others(files, here, tmp_path):
    folder = here[0] / FOLDERS[0]
    _, changed = repeat_run(folder / "run.json", tmp_path / "again")
    assert changed == []
    assert (tmp_path / "again/scores.csv").read_bytes() == (folder / "scores.csv").read_bytes()
    record = json.loads((folder / "run.json").read_text())
    record["shared_witnesses"]["tables"]["repeats"][0] += 100
    (tmp_path / "run.json").write_text(json.dumps(record))
    with pytest.raises(ArgumentError, match="hash"):
        repeat_run(tmp_path / "run.json", tmp_path / "changed")


def test_a_city_that_fails_is_named_with_its_error_and_costs_no_other(on_dask):
    out, cities, said = on_dask
    assert [city.name for city in cities] == [*NAMES, "Dogwood"]
    assert [bool(city.error) for city in cities] == [False, False, False, True]
    assert "parcels.gpkg" in cities[3].error
    assert not (out / "dogwood").exists()
    assert "... Dogwood failed" in said
    assert f"... {NAMES[0]} is done" in said
    assert "Traceback" not in said


def test_table_and_page_hold_every_city(on_dask):
    out, cities, _ = on_dask
    table = pd.read_csv(out / "cities.csv")
    assert table["city"].tolist() == [*NAMES, "Dogwood"]
    assert table["done"].tolist() == ["yes", "yes", "yes", "no"]
    assert table["parcels"].tolist()[:3] == [city.result["parcels"] for city in cities[:3]]
    page = (out / "index.html").read_text()
    assert "<b>Bend" not in page
    assert "parcels.gpkg" in page
    assert PROBABILITY_CAUTION in html.unescape(page)
    links = re.findall(r'href="([^"#]+)"', page)
    assert len(links) == 3 * 4
    assert all((out / link).is_file() for link in links)
    record = json.loads((out / "cities.json").read_text())
    assert [city["name"] for city in record["cities"]] == [*NAMES, "Dogwood"]
    assert (out / "cities.json").stat().st_mode & 0o077 == 0


def test_intervals_of_cities_are_added_as_if_they_erred_together(on_dask):
    table = cities_table([vars(city) for city in on_dask[1]])
    total = cities_total(table)
    assert total["low"] == pytest.approx(table["low"].sum())
    assert total["low"] < total["expected_lead_lines"] < total["high"]


def test_nothing_of_a_household_is_printed_by_workers(on_dask):
    out, _, printed = on_dask
    for folder in FOLDERS:
        homes = pd.read_csv(out / folder / "scores.csv", dtype=str)["parcel_id"]
        assert len(homes)
        assert not [home for home in homes if home in printed]


def test_words_of_an_unforeseen_fault_are_not_passed_on(files, tmp_path, monkeypatch):
    def fall_over(*_, **__):
        raise KeyError("P000123 at 12 Mill Lane")

    monkeypatch.setattr("linemap.cluster.run", fall_over)
    city = run_cities([files[0]], tmp_path / "state")[0]
    assert "unexpected KeyError in" in city.error
    assert "Mill Lane" not in "".join(p.read_text() for p in (tmp_path / "state").iterdir())


def test_a_worker_that_does_not_see_the_folder_says_so(files, tmp_path):
    city = run_city(CityRun("Alder Falls", str(files[0]), "alder-falls"), str(tmp_path / "away"))
    assert "does not see" in city.error
    assert not (tmp_path / "away").exists()


def test_settings_that_cannot_be_read_cost_only_their_city(files, tmp_path):
    wrong = tmp_path / "wrong.toml"
    wrong.write_text("[files]\nparcells = 'x'\n")
    cities = run_cities([wrong, files[3]], tmp_path / "state")
    assert [city.name for city in cities] == [str(wrong), "Dogwood"]
    assert "parcells" in cities[0].error


def test_two_cities_of_one_name_are_refused_before_anything_is_written(files, tmp_path):
    twin = files[0].with_name("twin.toml")
    twin.write_text(files[0].read_text().replace("Alder Falls", "ALDER falls!"))
    with pytest.raises(ArgumentError, match="both write into"):
        run_cities([files[0], twin], tmp_path / "state")
    assert not (tmp_path / "state").exists()


def test_a_folder_with_other_things_is_left_alone(files, tmp_path):
    (tmp_path / "thesis.txt").write_text("mine")
    with pytest.raises(RunFolderError, match="nothing was written"):
        run_cities(files[:1], tmp_path)
    assert [p.name for p in tmp_path.iterdir()] == ["thesis.txt"]


def test_without_dask_the_extra_is_named(files, tmp_path, monkeypatch):
    really = builtins.__import__

    def without(name, *rest, **more):
        if name.partition(".")[0] == "distributed":
            raise ImportError(name)
        return really(name, *rest, **more)

    monkeypatch.setattr(builtins, "__import__", without)
    with pytest.raises(ClusterError, match=r"linemap\[cluster\]"):
        run_cities(files[:1], tmp_path / "state", engine="dask")


def test_a_scheduler_that_does_not_answer_is_named(files, tmp_path, monkeypatch):
    monkeypatch.setattr("linemap.cluster.WAIT_S", 1)
    with pytest.raises(ClusterError, match=r"no Dask scheduler answers at tcp://127.0.0.1:9"):
        run_cities(files[:1], tmp_path / "state", engine="dask", scheduler="tcp://127.0.0.1:9")


def test_a_scheduler_needs_the_engine(files, tmp_path):
    with pytest.raises(ArgumentError, match="engine dask"):
        run_cities(files[:1], tmp_path / "state", scheduler="tcp://127.0.0.1:9")


def test_the_command_ends_with_1_where_a_city_failed_and_prints_json(files, tmp_path):
    words = ["run", str(files[3]), str(files[3]), "--out", str(tmp_path / "state"), "--json"]
    done = CliRunner().invoke(app, words)
    assert done.exit_code == 1
    cities = json.loads(done.stdout)["cities"]
    assert [city["name"] for city in cities] == ["Dogwood"]
    assert cities[0]["error"]


def test_the_command_refuses_several_cities_with_a_record(tmp_path):
    words = ["run", "a.toml", "b.toml", "--from", "run.json", "--out", str(tmp_path)]
    assert CliRunner().invoke(app, words).exit_code == 2
