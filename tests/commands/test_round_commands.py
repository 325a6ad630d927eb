"""Rounds through the command line: what is refused leaves the ledger as it was."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pandas as pd
import pytest

from linemap.outreach import Ledger
from linemap.outreach.schema import OUTCOMES


class Desk:
    """A folder with a run, and the command at work in it."""

    def __init__(self, linemap, tiny_run: Path, folder: Path) -> None:
        self.linemap, self.folder = linemap, folder
        shutil.copytree(tiny_run / "run", folder / "run")
        record = json.loads((folder / "run" / "run.json").read_text())
        record["settings"]["folder"] = str(folder)
        (folder / "run" / "run.json").write_text(json.dumps(record))
        self.ledger = folder / "rounds.sqlite"

    def says(self, *words) -> tuple[int, str]:
        return self.linemap.run(*words, cwd=self.folder)

    def listed(self, folder: str = "run/lists") -> pd.DataFrame:
        return pd.read_csv(self.folder / folder / "kits.csv", dtype=str)

    def close(self, text: str) -> tuple[int, str]:
        (self.folder / "returns.csv").write_text(text)
        return self.says("round", "close", "run", "returns.csv")

    def still_open(self) -> bool:
        return Ledger(self.ledger).rounds()["closed_on"].isna().all()


@pytest.fixture
def desk(linemap, tiny_run: Path, tmp_path: Path) -> Desk:
    return Desk(linemap, tiny_run, tmp_path)


@pytest.fixture
def opened(desk: Desk) -> Desk:
    code, said = desk.says("round", "open", "run")
    assert code == 0, said
    return desk


def test_returns_that_cannot_be_read_in_full_leave_the_round_open(opened: Desk) -> None:
    a, b, c = opened.listed()["parcel_id"].head(3)
    rows = [f"{a},usable,yes", f"{b},Usable!,no", f"{a},refused,no", f"{c},usable,perhaps"]
    code, said = opened.close("\n".join(["parcel_id,outcome,lead_found", *rows]))
    assert code == 1
    assert said.startswith("the round stays open: 3 input problem(s)")
    assert "row 2 [Usable!]: this is not one of usable, not_usable" in said
    assert "row 3" in said
    assert "Keep one of them." in said
    assert "row 4 [perhaps]" in said
    assert "Write one of usable, not_usable, refused, undeliverable, silent in the file." in said
    assert "[values." not in said
    assert opened.still_open()
    code, said = opened.close("\n".join(["parcel_id,outcome,lead_found", *rows[:1]]))
    assert code == 0, said
    assert not opened.still_open()


@pytest.mark.parametrize(
    "text",
    [
        "",
        "parcel_id\nA\n",
        "parcel_id,outcome\n",
        "parcel_id,outcome\nA,lost\n",
        "parcel_id,outcome\nof another city,usable\n",
    ],
)
def test_returns_that_are_no_table_of_returns_leave_the_round_open(opened: Desk, text: str) -> None:
    code, said = opened.close(text)
    assert code == 1
    assert "the round stays open:" in said
    assert "Traceback" not in said
    assert "[values." not in said
    assert opened.still_open()


def test_help_names_what_may_come_of_a_kit(linemap, tmp_path: Path) -> None:
    for command in ("close", "correct"):
        code, said = linemap.run("round", command, "--help", cwd=tmp_path)
        assert code == 0
        assert not [word for word in OUTCOMES if word not in said], said


def test_a_table_of_corrections_is_entered_by_one_command(opened: Desk) -> None:
    homes = opened.listed()["parcel_id"].head(3).tolist()
    code, said = opened.close(f"parcel_id,outcome\n{homes[0]},usable\n")
    assert code == 0, said
    late = opened.folder / "late.csv"
    entry = ("round", "correct", "run", "--name", "round 1", "--reason", "came late")
    rows = "".join(f"{home},usable,yes\n" for home in homes)
    late.write_text(f"parcel_id,outcome,lead_found\n{rows}nobody,usable,no\n")
    code, said = opened.says(*entry, "--table", "late.csv")
    assert code == 1
    assert "1 home, nobody first, had no kit in round 'round 1'; nothing is entered." in said
    late.write_text(f"parcel_id,outcome,lead_found\n{homes[0]},perhaps,no\n")
    code, said = opened.says(*entry, "--table", "late.csv")
    assert code == 1
    assert "nothing is entered:" in said
    assert "stays open" not in said
    late.write_text(f"parcel_id,outcome,lead_found\n{rows}")
    code, said = opened.says(*entry, "--table", "late.csv")
    assert code == 0, said
    assert "3 corrections entered since closing" in said
    for words in ((), (homes[0],), (homes[0], "--table", "late.csv")):
        code, said = opened.says(*entry, *words)
        assert code == 2
        assert "--table for several homes" in " ".join(said.replace("│", " ").split())


def test_json_is_json_where_nothing_can_be_said(opened: Desk) -> None:
    """No random home has answered, so the estimates are missing: null, not NaN."""

    def refuse(word: str) -> None:
        raise AssertionError(word)

    chosen = opened.listed().query("arm != 'audit'")["parcel_id"]
    pd.DataFrame({"parcel_id": chosen, "outcome": "usable", "lead_found": "no"}).to_csv(
        opened.folder / "returns.csv", index=False
    )
    for words in (("close", "run", "returns.csv"), ("review", "run")):
        code, said = opened.says("round", *words, "--json")
        assert code == 0, said
        told = json.loads(said, parse_constant=refuse)
        assert told.get("review", told)["remaining"]["estimate"] is None


def test_only_the_list_that_was_printed_is_opened(desk: Desk) -> None:
    code, said = desk.says("prioritize", "run", "--kits", "20", "--out", "list")
    assert code == 0, said
    for folder, words in (("list", ("--choice", "list")), ("run/lists", ())):
        whole = desk.listed(folder)
        for other in (whole.iloc[::-1], whole.head(5)):
            other.to_csv(desk.folder / folder / "kits.csv", index=False)
            code, said = desk.says("round", "open", "run", *words)
            assert code == 1
            assert "the run has changed since this list was made; run prioritize again" in said
    assert not desk.ledger.exists()


@pytest.mark.parametrize("text", ["", "{", "[]", "{}", '{"limits": [], "ledger": []}'])
def test_a_damaged_choice_is_said_in_one_sentence(desk: Desk, text: str) -> None:
    (desk.folder / "list").mkdir()
    (desk.folder / "list" / "choice.json").write_text(text)
    code, said = desk.says("round", "open", "run", "--choice", "list")
    assert code == 1
    assert "choice.json is damaged. Make the list anew with `linemap prioritize`." in said
    assert "Traceback" not in said


@pytest.mark.parametrize(
    "words",
    [
        ("round", "close", "run", "returns.csv"),
        ("round", "review", "run"),
        ("round", "correct", "run", "A", "--name", "b", "--outcome", "usable", "--lead-found",
         "no", "--reason", "dug up"),
        ("prioritize", "run", "--ledger", "rounds.sqlite"),
    ],
)  # fmt: skip
def test_only_opening_a_round_makes_a_ledger(desk: Desk, words) -> None:
    (desk.folder / "returns.csv").write_text("parcel_id,outcome\nA,usable\n")
    code, said = desk.says(*words)
    assert code == 1
    assert "there is no ledger" in said
    assert "Check its name; `linemap round open` makes one." in said
    assert not desk.ledger.exists()


def test_a_list_is_opened_beside_the_ledger_that_it_was_chosen_beside(opened: Desk) -> None:
    opened.close(f"parcel_id,outcome\n{opened.listed()['parcel_id'][0]},refused\n")
    code, said = opened.says("prioritize", "run", "--kits", "20", "--out", "list")
    assert code == 0, said
    assert not set(opened.listed()["parcel_id"]) & set(opened.listed("list")["parcel_id"])
    code, said = opened.says("round", "open", "run", "--choice", "list", "--ledger", "new.sqlite")
    assert code == 1
    assert "chosen beside another ledger" in said
    assert not (opened.folder / "new.sqlite").exists()
    shutil.copy(opened.ledger, opened.folder / "moved.sqlite")
    code, said = opened.says("round", "open", "run", "--choice", "list", "--ledger", "moved.sqlite")
    assert code == 0, said
    code, said = opened.says("round", "open", "run", "--choice", "list")
    assert code == 0, said
    assert len(Ledger(opened.ledger).rounds()) == 2


def test_a_run_takes_in_the_ledger_and_its_record_says_how_much(
    linemap, tiny_city: Path, tmp_path: Path
) -> None:
    """The homes of a round are left out; the run is repeated though the ledger went on."""
    city = tmp_path / "city"
    shutil.copytree(tiny_city, city)

    def run(*words) -> dict:
        code, said = linemap.run("run", *words, cwd=tmp_path)
        assert code == 0, said
        return said

    def listed(folder: str) -> list[str]:
        return pd.read_csv(tmp_path / folder / "lists" / "kits.csv", dtype=str)[
            "parcel_id"
        ].tolist()

    def record(folder: str) -> dict:
        return json.loads((tmp_path / folder / "run.json").read_text())

    run("city/settings.toml", "--out", "first")
    assert record("first")["ledger"] == {"entries": 0, "digest": ""}
    day = record("first")["as_of"]
    assert linemap.run("round", "open", "first", "--on", day, cwd=tmp_path)[0] == 0
    pd.DataFrame({"parcel_id": listed("first")[:1], "outcome": "refused"}).to_csv(
        tmp_path / "returns.csv", index=False
    )
    assert linemap.run("round", "close", "first", "returns.csv", cwd=tmp_path)[0] == 0
    run("city/settings.toml", "--out", "second")
    assert record("second")["ledger"]["entries"] == 2
    assert not set(listed("first")) & set(listed("second"))
    homes = pd.read_parquet(tmp_path / "second" / "tables" / "homes.parquet")
    assert homes.index[homes["refused"]].tolist() == listed("first")[:1]
    assert (homes.loc[listed("first"), "last_kit_on"] == day).all()
    said = run("--from", "first/run.json", "--out", "again")
    assert "the same, byte for byte" in said
    assert listed("again") == listed("first")
    (city / "rounds.sqlite").rename(city / "lost.sqlite")
    said = run("--from", "second/run.json", "--out", "other")
    assert "the ledger of rounds no longer begins with the entries that were read." in said
