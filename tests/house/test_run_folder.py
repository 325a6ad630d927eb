"""A run leaves every file that it promises, is written whole or not at all, and opens again."""

import json
import os
import signal
import stat
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest

import linemap
from linemap.errors import RunFolderError
from linemap.run_folder import Run
from linemap.tables import contract
from linemap.whole_folder import new_run_folder
from synthetic_city import make_city, write_city

PROMISED = [
    "run.json", "intake/quarantine.csv", "scores.parquet", "scores.csv", "evaluation.json",
    "lists/areas.csv", "lists/kits.csv", "lists/kits.xlsx", "lists/kits.gpkg",
    "lists/audit.csv", "lists/looks.csv", "lists/high_results.csv",
    "staff/report.html", "staff/map.html",
    "public/report.html",
    "public/map.html", "methods.html",
]  # fmt: skip


@pytest.mark.parametrize("name", PROMISED)
def test_run_leaves_every_promised_file(sample_run, name):
    assert (sample_run / name).stat().st_size > 0


def test_run_leaves_the_evaluation_folder(sample_run):
    assert {p.suffix for p in (sample_run / "evaluation").iterdir()} == {".csv"}


def test_rows_in_are_rows_used_and_rows_set_aside(sample_run):
    for row in Run(sample_run).info["counts"]:
        assert row["rows_in"] == row["used"] + row["quarantined"], row["table"]


def test_rows_and_values_set_aside_are_counted_without_notes(tmp_path):
    """Homes in none of the areas are noted, and not set aside."""
    city = make_city(600, seed=2, parcels_per_area=150)
    write_city(replace(city, areas=city.areas.iloc[1:]), tmp_path / "city")
    run = linemap.run(linemap.load_settings(tmp_path / "city" / "settings.toml"), tmp_path / "run")
    effect = run.quarantine["effect"]
    assert effect.eq("note").any()
    assert run.info["result"]["set_aside"] == effect.isin(["row", "cell"]).sum()


@pytest.mark.parametrize(
    ("name", "table"),
    [("lists/areas.csv", "area_list"), ("lists/kits.csv", "kit_list"), ("scores.csv", "scores"),
     ("lists/looks.csv", "look_list"), ("lists/high_results.csv", "high_list"),
     ("intake/quarantine.csv", "quarantine")],
)  # fmt: skip
def test_tables_open_with_the_columns_of_their_contract(sample_run, name, table):
    columns = pd.read_csv(sample_run / name, nrows=1).columns
    asked_for = [c for c in contract(table) if not c.startswith("p_replace")]
    assert list(columns[: len(asked_for)]) == asked_for


@pytest.mark.parametrize("name", ["kits", "areas", "looks", "high_results", "audit", "fairness"])
def test_every_column_of_a_list_is_explained_on_the_methods_page(sample_run, name):
    columns = pd.read_csv(sample_run / "lists" / f"{name}.csv", nrows=1).columns
    page = (sample_run / "methods.html").read_text(encoding="utf-8")
    section = page[page.index(f"lists/{name}.csv") :]
    section = section[: section.index("</table>")]
    missing = [c for c in columns if f'<th scope="row">{c}</th>' not in section]
    assert missing == []


def test_scores_say_what_needs_replacement_where_settings_ask_for_it(tmp_path):
    city = make_city(600, seed=2)
    write_city(city, tmp_path / "city")
    settings = tmp_path / "city" / "settings.toml"
    text = settings.read_text()
    assert "[scoring]" in text
    settings.write_text(text.replace("[scoring]", '[scoring]\ntarget = "needs_replacement"'))
    run = linemap.run(linemap.load_settings(settings), tmp_path / "run")
    scores = pd.read_csv(run.folder / "scores.csv")
    assert list(scores) == list(contract("scores"))
    assert (scores["p_replace"] >= scores["p_lead"]).all()
    wider = run.info["result"]["needs_replacement"]
    assert wider["low"] <= wider["expected"] <= wider["high"]
    assert "expected to need replacement" in repr(run)
    assert "lines are expected to need replacement" in (run.folder / "methods.html").read_text()


def test_weights_add_up_to_the_log_odds(sample_run):
    import numpy as np

    scores = Run(sample_run).scores
    total = scores.filter(like="weight_").sum(axis=1)
    p = scores["p_lead"].clip(1e-12, 1 - 1e-12)
    assert np.abs(total - np.log(p / (1 - p))).max() < 1e-6
    assert ((scores["p_low"] <= p) & (p <= scores["p_high"])).all()


def test_a_probability_never_sets_a_class(sample_run):
    run = Run(sample_run)
    told = run.scores["basis"].ne("no evidence")
    unknown = run.scores["inventory_class"].eq("lead status unknown")
    assert run.scores.loc[~told, "inventory_class"].eq("lead status unknown").all()
    assert run.scores.loc[unknown, "p_lead"].max() > 0.5


def test_staff_files_are_for_the_owner_and_public_files_for_all(sample_run):
    for path in sample_run.rglob("*"):
        if path.is_file():
            mode = stat.S_IMODE(path.stat().st_mode)
            public = path.relative_to(sample_run).parts[0] == "public"
            assert mode == (0o644 if public else 0o600), path


def test_run_shows_itself_in_a_notebook(sample_run):
    run = Run(sample_run)
    assert "expected lead lines" in repr(run)
    assert "staff/map.html" in run._repr_html_()
    assert "never clears a home" in run._repr_html_()


def test_a_failed_run_leaves_the_earlier_one_untouched(tmp_path):
    out = tmp_path / "run"
    with new_run_folder(out) as folder:
        (folder / "run.json").write_text('{"kept": 1}')

    def fail(folder):
        (folder / "run.json").write_text('{"kept": 2}')
        raise ValueError("on purpose")

    with pytest.raises(ValueError, match="on purpose"), new_run_folder(out) as folder:
        fail(folder)
    assert Run(out).info == {"kept": 1}
    assert [p.name for p in tmp_path.iterdir()] == ["run"]


def test_a_folder_of_other_files_is_refused_and_kept(tmp_path):
    (tmp_path / "thesis.txt").write_text("years of work")
    with pytest.raises(RunFolderError, match="not a linemap run"), new_run_folder(tmp_path):
        pass
    assert (tmp_path / "thesis.txt").read_text() == "years of work"


def test_a_file_and_a_link_are_refused(tmp_path):
    (tmp_path / "file").write_text("")
    with pytest.raises(RunFolderError, match="is a file"), new_run_folder(tmp_path / "file"):
        pass
    (tmp_path / "there").mkdir()
    (tmp_path / "link").symlink_to(tmp_path / "there")
    with pytest.raises(RunFolderError, match="is a link"), new_run_folder(tmp_path / "link"):
        pass


def test_two_runs_do_not_write_into_one_folder(tmp_path):
    out = tmp_path / "run"
    with (
        new_run_folder(out),
        pytest.raises(RunFolderError, match="another run is writing"),
        new_run_folder(out),
    ):
        pass


def test_a_full_disk_is_said_plainly(tmp_path):
    import errno

    with (
        pytest.raises(RunFolderError, match=r"No space left on device\. Nothing there was changed"),
        new_run_folder(tmp_path / "run"),
    ):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
    assert not (tmp_path / "run").exists()


def test_a_run_cut_off_between_the_two_moves_is_put_back(tmp_path):
    out = tmp_path / "run"
    with new_run_folder(out) as folder:
        (folder / "run.json").write_text('{"kept": 1}')
    out.rename(tmp_path / ".run.previous")
    assert Run(out).info == {"kept": 1}


def test_a_killed_run_leaves_the_earlier_one(tmp_path):
    out = tmp_path / "run"
    with new_run_folder(out) as folder:
        (folder / "run.json").write_text('{"kept": 1}')
    script = (
        "import sys, time\nfrom linemap.whole_folder import new_run_folder\n"
        f"with new_run_folder({str(out)!r}) as folder:\n"
        "    (folder / 'run.json').write_text('half')\n    print('begun', flush=True)\n"
        "    time.sleep(60)\n"
    )
    process = subprocess.Popen([sys.executable, "-c", script], stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None
    assert process.stdout.readline() == "begun\n"
    process.send_signal(signal.SIGKILL)
    process.wait()
    assert Run(out).info == {"kept": 1}
    with new_run_folder(out) as folder:
        (folder / "run.json").write_text('{"kept": 2}')
    assert Run(out).info == {"kept": 2}


def test_a_damaged_record_is_said_plainly(tmp_path):
    (tmp_path / "run.json").write_text('{"cut')
    with pytest.raises(RunFolderError, match="cannot be read"):
        Run(tmp_path)
    with pytest.raises(RunFolderError, match="holds no finished run"):
        Run(tmp_path / "nowhere")


def test_record_names_inputs_settings_seed_and_versions(sample_run):
    info = json.loads((sample_run / "run.json").read_text())
    assert {len(item["sha256"]) for item in info["inputs"]} == {64}
    assert info["seed"] == 7
    assert info["versions"]["scikit-learn"]
    assert info["settings"]["city"]["name"] == "Alder Falls"
    assert time.strptime(info["as_of"], "%Y-%m-%d")


def test_no_staff_path_is_a_public_path(sample_run):
    public = {p.name for p in (Path(sample_run) / "public").iterdir()}
    assert public == {"map.html", "report.html"}
