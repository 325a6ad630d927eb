"""The commands through their real entry point: exit codes, plain words, JSON."""

import json
import shutil
import subprocess
import sys
from pathlib import Path

import pandas as pd
import pytest

SAMPLE = Path(__file__).parents[2] / "synthetic_city" / "sample"
LINEMAP = Path(sys.executable).with_name("linemap")


def linemap(*words, cwd):
    return subprocess.run(
        [LINEMAP, *map(str, words)], cwd=cwd, capture_output=True, text=True, check=False
    )


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    """A small demo, run by the command itself."""
    cwd = tmp_path_factory.mktemp("demo")
    done = linemap("demo", "--parcels", 400, "--seed", 3, "--out", "small", cwd=cwd)
    assert done.returncode == 0, done.stderr
    return cwd / "small", done.stdout


def test_demo_says_where_everything_is(demo):
    folder, said = demo
    for name in ("staff/map.html", "staff/report.html", "lists/kits.xlsx", "public/map.html"):
        assert name in said
        assert (folder / name).is_file()
    assert str(folder) in said
    assert (folder.parent / "small-city" / "settings.toml").is_file()
    assert "never clears a home" in said


def test_running_again_on_the_same_files_gives_the_same_bytes(demo, tmp_path):
    folder, _ = demo
    city = folder.parent / "small-city" / "settings.toml"
    done = linemap("run", city, "--out", tmp_path / "again", "--json", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout)["result"]["parcels"] == 400
    for name in ("scores.csv", "lists/kits.csv", "lists/areas.csv", "lists/audit.csv"):
        assert (tmp_path / "again" / name).read_bytes() == (folder / name).read_bytes(), name


def test_repeating_a_run_by_its_record_says_what_differs(demo, tmp_path):
    folder, _ = demo
    shutil.copytree(folder, tmp_path / "first")
    shutil.copytree(folder.parent / "small-city", tmp_path / "city")
    record = tmp_path / "first" / "run.json"
    info = json.loads(record.read_text())
    info["settings"]["folder"] = str(tmp_path / "city")
    record.write_text(json.dumps(info))
    lines = tmp_path / "city" / "lines.csv"
    lines.write_text(lines.read_text().replace("lead", "copper", 5))
    done = linemap("run", "--from", record, "--out", tmp_path / "second", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    assert "input lines.csv has other content than before." in done.stdout
    assert "output scores.csv differs." in done.stdout


def test_check_reads_and_scores_nothing(tmp_path):
    done = linemap("check", SAMPLE / "settings.toml", cwd=tmp_path)
    assert done.returncode == 0
    assert "The files can be used" in done.stdout
    assert list(tmp_path.iterdir()) == []


def test_check_lists_every_problem_and_ends_with_1(tmp_path):
    city = tmp_path / "city"
    shutil.copytree(SAMPLE, city)
    table = pd.read_csv(city / "lines.csv", dtype=str).drop(columns="customer_material")
    table.to_csv(city / "lines.csv", index=False)
    (city / "kits.csv").write_bytes(b"")
    done = linemap("check", city / "settings.toml", cwd=tmp_path)
    assert done.returncode == 1
    assert "column customer_material" in done.stderr
    assert "kits.csv" in done.stderr
    assert "Traceback" not in done.stderr


def test_faulty_settings_are_all_named_and_end_with_1(tmp_path):
    (tmp_path / "s.toml").write_text('[files]\nparcel = "x.gpkg"\n[outreach]\nkits = "many"\n')
    done = linemap("run", "s.toml", "--out", "out", "--json", cwd=tmp_path)
    assert done.returncode == 1
    error = json.loads(done.stdout)
    assert error["kind"] == "SettingsError"
    assert "Did you mean parcels?" in error["error"]
    assert "outreach.kits = 'many'" in error["error"]
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize(
    "words",
    [["rub", "x"], ["run"], ["run", "s.toml"], ["demo", "--parcels", "few"], ["run", "--out", "x"]],
)
def test_words_that_are_not_understood_end_with_2(words, tmp_path):
    done = linemap(*words, cwd=tmp_path)
    assert done.returncode == 2
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize(
    "words",
    [
        [],
        ["demo"],
        ["run"],
        ["store"],
        ["check"],
        ["prioritize"],
        ["map"],
        ["evaluate"],
        ["results"],
        ["round", "open"],
        ["round", "close"],
    ],
)
def test_every_command_explains_itself(words, tmp_path):
    done = linemap(*words, "--help", cwd=tmp_path)
    assert done.returncode == 0
    assert "Usage" in done.stdout


def test_prioritize_changes_the_list_without_a_refit(sample_run, tmp_path):
    done = linemap("prioritize", sample_run, "--kits", 25, "--floor", 1, "--out", "list",
                   cwd=tmp_path)  # fmt: skip
    assert done.returncode == 0, done.stderr
    kits = pd.read_csv(tmp_path / "list" / "kits.csv", dtype=str)
    assert len(kits) == 25
    assert "cannot rule out a lead line" in done.stdout


def test_prioritize_names_limits_that_contradict_each_other(sample_run, tmp_path):
    done = linemap("prioritize", sample_run, "--kits", 10, "--floor", 50, "--out", "list",
                   cwd=tmp_path)  # fmt: skip
    assert done.returncode == 1
    assert "floor" in done.stderr
    assert not (tmp_path / "list").exists()


def test_map_is_drawn_again(sample_run, tmp_path):
    done = linemap("map", sample_run, "--out", "maps", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    assert done.stdout.split() == ["maps/staff/map.html", "maps/public/map.html"]
    again = (tmp_path / "maps" / "staff" / "map.html").read_text()
    assert again == (sample_run / "staff" / "map.html").read_text()


def test_evaluate_prints_the_measures_again(demo, tmp_path):
    folder, _ = demo
    place = tmp_path / "run"
    shutil.copytree(folder, place)
    done = linemap("evaluate", place, "--json", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    before = json.loads((folder / "evaluation.json").read_text())
    assert json.loads(done.stdout)["counts"] == before["counts"]


def test_results_needs_no_map(tmp_path):
    done = linemap("results", SAMPLE / "samples.csv", "--kits", SAMPLE / "kits.csv", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    assert "programme statistic, not a compliance value" in done.stdout
    assert "ug/L" in done.stdout


def test_results_are_held_against_the_level_of_a_state(tmp_path):
    """Michigan: 12 ug/L from 1 January 2025, Mich. Admin. Code R 325.10604f(1)(c)."""
    words = ("results", SAMPLE / "samples.csv", "--as-of", "2026-11-25", "--state")
    done = linemap(*words, "Michigan", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    assert "the action level of 12 ug/L" in done.stdout
    refused = linemap(*words, "Ohio", cwd=tmp_path)
    assert refused.returncode == 1
    assert "on file: Michigan" in refused.stderr


def test_a_round_is_opened_once_and_closed_against_its_forecast(sample_run, tmp_path):
    opened = linemap("round", "open", sample_run, "--ledger", "l.sqlite", "--json", cwd=tmp_path)
    assert opened.returncode == 0, opened.stderr
    assert json.loads(opened.stdout)["kits"] == 40
    twice = linemap("round", "open", sample_run, "--ledger", "l.sqlite", cwd=tmp_path)
    assert twice.returncode == 1
    assert "frozen already" in twice.stderr
    kits = pd.read_csv(sample_run / "lists" / "kits.csv", dtype={"parcel_id": str})
    returns = kits[["parcel_id"]].head(15).assign(outcome="usable", lead_found="no")
    returns.loc[:5, "lead_found"] = "yes"
    returns.to_csv(tmp_path / "returns.csv", index=False)
    closed = linemap("round", "close", sample_run, "returns.csv", "--ledger", "l.sqlite",
                     "--on", "2026-12-20", cwd=tmp_path)  # fmt: skip
    assert closed.returncode == 0, closed.stderr
    assert "40 kits, 15 usable" in closed.stdout
    assert "Claimed" in closed.stdout
    assert "Realised" in closed.stdout
    again = linemap("round", "close", sample_run, "returns.csv", "--ledger", "l.sqlite",
                    cwd=tmp_path)  # fmt: skip
    assert again.returncode == 1


def test_a_folder_that_is_no_run_is_said_plainly(tmp_path):
    done = linemap("prioritize", tmp_path, "--kits", 5, cwd=tmp_path)
    assert done.returncode == 1
    assert "holds no finished run" in done.stderr


def test_rows_set_aside_by_results_are_said_in_plain_sentences(tmp_path):
    samples = pd.read_csv(SAMPLE / "samples.csv", dtype=str).head(40)
    samples.loc[3, "result"] = "see remark"
    samples.to_csv(tmp_path / "samples.csv", index=False)
    done = linemap("results", "samples.csv", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    assert "see remark" in done.stderr
    assert "InputWarning" not in done.stderr
    assert ".py" not in done.stderr
