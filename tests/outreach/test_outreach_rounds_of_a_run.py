"""Two rounds of a finished run: lists that do not overlap, corrections, what both tell."""

from __future__ import annotations

import json
import shutil
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from linemap.errors import ArgumentError, RunFolderError
from linemap.followup import list_areas, prioritize, write_list
from linemap.outreach import Ledger, forecast_round
from linemap.outreach.return_shift import SHIFT
from linemap.rounds import close_round, correct_round, look_back, open_round
from linemap.run_folder import Run


@pytest.fixture
def run(sample_run: Path, tmp_path: Path) -> Run:
    """Return a copy of the sample's run whose ledger stands in a folder of its own."""
    place = tmp_path / "run"
    shutil.copytree(sample_run, place)
    record = json.loads((place / "run.json").read_text())
    record["settings"]["folder"] = str(tmp_path)
    (place / "run.json").write_text(json.dumps(record))
    return Run(place)


def _returns(folder: Path, out: Path) -> Path:
    kits = pd.read_csv(folder / "kits.csv", dtype={"parcel_id": str})
    every = np.arange(len(kits))
    table = pd.DataFrame(
        {
            "parcel_id": kits["parcel_id"],
            "outcome": np.where(every % 2 == 0, "usable", "silent"),
            "lead_found": np.where(every % 2 == 1, "unknown", np.where(every % 6, "no", "yes")),
        }
    )
    table.to_csv(out, index=False)
    return out


def test_two_rounds_are_played_corrected_and_looked_back_on(run: Run, tmp_path: Path) -> None:
    lists = []
    for number in (1, 2):
        folder = write_list(run, prioritize(run, kits=100), tmp_path / f"list{number}")
        day = run.as_of + timedelta(days=7 * number)
        opened = open_round(run, choice=folder, today=day)
        assert opened["kits"] == 100
        report = close_round(
            run,
            _returns(folder, tmp_path / f"returns{number}.csv"),
            today=day + timedelta(days=6),
        )
        assert report["outcomes"]["usable"] == 50
        assert report["review"]["closed"] == number
        kits = pd.read_csv(folder / "kits.csv", dtype={"parcel_id": str})
        frozen = Ledger(tmp_path / "rounds.sqlite").log().query(f"round_id == 'round {number}'")
        assert frozen["parcel_id"].tolist() == kits["parcel_id"].tolist()
        lists.append(set(kits["parcel_id"]))
    assert not lists[0] & lists[1]

    before = look_back(run)
    remaining = before["remaining"]
    assert remaining["rounds"] == 2
    assert remaining["low"] <= remaining["estimate"] <= remaining["high"]
    wrong = Ledger(tmp_path / "rounds.sqlite").log().query("lead_found == 'yes'").iloc[0]
    change = pd.DataFrame([{**wrong[["parcel_id", "outcome"]], "lead_found": "no"}])
    given = {"name": wrong["round_id"], "today": date(2026, 12, 30)}
    corrected = correct_round(run, change, **given, reason="dug up: copper")
    assert corrected["parts"][0]["lead_found"] == 16
    assert look_back(run)["remaining"] != remaining
    assert Ledger(tmp_path / "rounds.sqlite").verify() == []
    with pytest.raises(ArgumentError, match="reason"):
        correct_round(run, change, **given, reason=" ")
    with pytest.raises(ArgumentError, match="parcel_id"):
        correct_round(run, change.drop(columns="parcel_id"), **given, reason="dug up")


def test_the_forecast_that_is_frozen_is_that_of_the_list_with_the_shift_of_the_run(
    run: Run, tmp_path: Path
) -> None:
    learned = {name: run.homes.attrs[f"return_{name}"] for name in ("shift", "level")}
    plan = prioritize(run, kits=40)
    assert {"shift": plan.return_shift, "level": plan.return_level} == learned
    assert learned["shift"] != SHIFT
    assert learned["level"] > 0
    narrow, wide = (forecast_round(plan.kits, seed=plan.seed, **w) for w in ({}, learned))
    pd.testing.assert_frame_equal(plan.forecast, wide)
    assert not wide.equals(narrow)
    place = write_list(run, plan, tmp_path / "list")
    report = open_round(run, choice=place, ledger=tmp_path / "frozen.sqlite")
    frozen = pd.DataFrame(report["parts"])[wide.columns]
    pd.testing.assert_frame_equal(frozen, wide, check_dtype=False)


def test_a_run_of_an_earlier_version_makes_no_list(run: Run) -> None:
    """Its printed interval was another one than the ledger would freeze now."""
    old = Run(run.folder)
    old.homes.attrs.pop("return_level")
    with pytest.raises(RunFolderError, match=r"made by an earlier version.*Make the run anew"):
        prioritize(old)


def test_homes_off_the_list_take_their_chances_only_from_an_earlier_run(
    run: Run, tmp_path: Path
) -> None:
    plan = prioritize(run, kits=40)
    listed = plan.kits["parcel_id"]
    stranger = run.homes.index[~run.homes.index.isin(listed)][0]
    pd.DataFrame(
        {"parcel_id": [listed[0], stranger], "outcome": "usable", "lead_found": "yes"}
    ).to_csv(tmp_path / "returns.csv", index=False)
    for day, known in ((run.as_of, True), (date(2020, 1, 1), False)):
        ledger = tmp_path / f"{day}.sqlite"
        Ledger(ledger).open_round(plan, plan.forecast, today=day)
        report = close_round(run, tmp_path / "returns.csv", ledger=ledger)
        assert report["unlisted"] == 1
        log = Ledger(ledger).log().set_index("parcel_id")
        chance = log.loc[stranger, "p_lead_at_send"]
        if known:
            assert chance == pytest.approx(run.homes.loc[stranger, "p_lead"])
        else:
            assert np.isnan(chance)


def test_areas_are_ranked_again_under_the_aim_of_the_list(run: Run, tmp_path: Path) -> None:
    plan = prioritize(run, kits=60, aim="least_tested")
    folder = write_list(run, plan, tmp_path / "list")
    table = pd.read_csv(folder / "areas.csv")
    assert table["tested_share"].is_monotonic_increasing
    assert table["kits_suggested"].sum() == 60
    same = list_areas(run, plan).set_index("area_id")["expected_lead_lines"]
    pd.testing.assert_series_equal(
        same.sort_index(), run.areas.set_index("area_id")["expected_lead_lines"].sort_index()
    )
    groups = pd.read_csv(folder / "fairness.csv").groupby("group_by")["kits"].sum()
    assert (groups == 60).all()


def test_a_home_that_opted_out_since_the_run_is_on_no_new_list(
    run: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    first = prioritize(run, kits=30).kits["parcel_id"].tolist()
    monkeypatch.setattr("linemap.followup.read_opt_outs", lambda settings: tuple(first[:5]))
    again = prioritize(run, kits=30).kits["parcel_id"].tolist()
    assert not set(first[:5]) & set(again)


def test_areas_of_a_new_list_count_only_homes_that_may_be_sent_a_kit_now(
    run: Run, tmp_path: Path
) -> None:
    ledger = tmp_path / "rounds.sqlite"
    folder = write_list(run, prioritize(run, kits=60), tmp_path / "first")
    before = list_areas(run, prioritize(run, kits=20))["may_be_sent"].sum()
    open_round(run, choice=folder, ledger=ledger)
    plan = prioritize(run, kits=20, ledger=ledger)
    write_list(run, plan, tmp_path / "second", ledger=ledger)
    table = pd.read_csv(tmp_path / "second" / "areas.csv")
    assert table["may_be_sent"].sum() == before - 60


def test_a_round_of_an_empty_list_is_refused_with_the_reason(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    nobody = run.homes.assign(opted_out=True)
    monkeypatch.setattr(Run, "homes", property(lambda _: nobody))
    with pytest.raises(ArgumentError, match=r"no round to open.*list is empty.*be sent a kit"):
        open_round(run)
    assert not (tmp_path / "rounds.sqlite").exists()


def test_a_round_is_opened_on_a_day_that_can_be_and_under_a_name(run: Run, tmp_path: Path) -> None:
    later = date.today() + timedelta(days=1)
    for day, said in ((run.as_of - timedelta(days=1), "is before"), (later, "still to come")):
        with pytest.raises(ArgumentError, match=f"{day} is {said.removeprefix('is ')}"):
            open_round(run, today=day)
    for name in ("", "  "):
        with pytest.raises(ArgumentError, match="cannot be blank"):
            open_round(run, name=name)
    assert Ledger(tmp_path / "rounds.sqlite").rounds().empty
    assert open_round(run)["opened_on"] == str(run.as_of)


def test_ids_from_our_own_lists_are_read_back_without_their_apostrophe(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Ids that a spreadsheet would take for formulas stand with an apostrophe in kits.csv."""
    homes = run.homes.set_axis("-" + run.homes.index, axis=0).rename_axis("parcel_id")
    monkeypatch.setattr(Run, "homes", property(lambda _: homes))
    plan = prioritize(run, kits=40)
    Ledger(tmp_path / "rounds.sqlite").open_round(plan, plan.forecast, today=run.as_of)
    printed = "'" + plan.kits["parcel_id"]
    off = homes.index.difference(plan.kits["parcel_id"])[0]
    table = pd.DataFrame({"parcel_id": [*printed, f"'{off}"], "outcome": "usable"})
    table.to_csv(tmp_path / "returns.csv", index=False)
    report = close_round(run, tmp_path / "returns.csv")
    assert (report["outcomes"]["usable"], report["unlisted"], report["unnamed"]) == (40, 1, 0)
    log = Ledger(tmp_path / "rounds.sqlite").log()
    assert log.loc[~log["listed"], "parcel_id"].tolist() == [off]
    late = tmp_path / "late.csv"
    table.head(2).assign(lead_found="no").to_csv(late, index=False)
    corrected = correct_round(run, late, name="round 1", reason="dug up: copper")
    assert corrected["parts"][0]["usable"] == 40
    known = plan.kits["parcel_id"].head(2).tolist()
    assert [row["parcel_id"] for row in corrected["corrected"]] == known


def test_an_id_that_no_parcel_has_leaves_the_round_open(run: Run, tmp_path: Path) -> None:
    """Else the home that was meant would count as silent, and the round cannot be closed again."""
    plan = prioritize(run, kits=40)
    ledger = tmp_path / "typed.sqlite"
    Ledger(ledger).open_round(plan, plan.forecast, today=run.as_of)
    ids = [*plan.kits["parcel_id"].head(3), plan.kits["parcel_id"][3] + "x"]
    path = tmp_path / "returns.csv"
    pd.DataFrame({"parcel_id": ids, "outcome": "usable"}).to_csv(path, index=False)
    with pytest.raises(ArgumentError, match=rf"stays open: 1 id of the returns, {ids[3]} first"):
        close_round(run, path, ledger=ledger)
    assert Ledger(ledger).rounds()["closed_on"].isna().all()
